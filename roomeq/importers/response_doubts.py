"""What no response in a room looks like: a phase that runs the other way, smoothing, a leak.

Conventions
-----------
A phase falls with delay (``exp(+j omega t)``). Fine structure is the standard deviation in dB of
what smoothing over a third octave takes away, from 20 to 160 Hz. A leak is a wire from what was
played to the microphone's channel: in the uppermost octave that was measured, above a low-pass, all
that is left is flat and comes at time zero.

Error rates
-----------
On 200 rooms (1205 files) of `bench_response_doubts.py`, seeds from 62000, on which nothing was set:
of phases of the other sign 1197 were told, of right ones none; with a time zero up to 60 ms late
968 and none, of mains made from them 948 and one. Smoothed over an octave at all seats 198 rooms
were told, at one seat 191; over a third octave 129 and 69; over a sixth 9 and 2; clean none. A
leak 20 dB below the bass was told in 139 files, 30 dB in 6, where data end at 270 Hz, of clean ones
none.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from roomeq.analysis.phase import energy_time, estimate_minimum_phase_deg
from roomeq.analysis.smoothing import smooth_power_db
from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import amplitude_ratio_db
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement
from roomeq.importers.survey_remarks import files_of

_LOWEST, _HIGHEST, _HIGHEST_FINE = 20.0, 120.0, 160.0
_PER_OCTAVE = 32
_LEAST_POINTS = 24  # an octave
_MOST_TURN = 0.4  # of a full turn between nineteen of twenty pairs of neighbouring points
_NEARER = 1.1  # than to the minimum phase itself
_LEAK_FROM = 100.0  # Hz; below, no sound in a room is late enough
_LEAST_COHERENT = 0.7
_LEAST_LEAK_DB, _MOST_LEAK_DB = -24.0, -10.0  # of the weakest band, which it moves by 0.5 dB
LEAST_FINE_DB = 1.2
LEAST_FINE_SHARE = 0.3


class Doubts(NamedTuple):
    """What looks wrong in what was measured, and what is taken as it is against appearances."""

    found: list[str]
    taken: list[str]


def doubtful_responses(measurements: Sequence[Measurement]) -> Doubts:
    """Return which responses have a phase of the other sign, hold a leak, or were smoothed.

    Parameters
    ----------
    measurements : sequence of Measurement
        As measured.
    """
    dense = [one for one in measurements if _is_dense(one.response)]
    doubts = Doubts([], [])
    turned = [one for one in dense if phase_runs_backwards(one.response)]
    if turned:
        doubts.found.append(
            f"the phase of {files_of(turned, measurements)} rises with delay, as if the sound came "
            "before it was made: delays would be told with the wrong sign. Export it so that it "
            "falls with delay, or turn the sign of all its values"
        )
    subs = [one for one in dense if one.source == "sub" and one.response.has_phase]
    leaking = [one for one in subs if _leaks(one.response)]
    if leaking:
        doubts.found.append(
            f"{files_of(leaking, measurements)}: high up there is no sound but what was played, at "
            "once and as flat as by a wire, which also moves levels in the bass: it leaks into the "
            "microphone's channel. Switch direct monitoring off, part the cables"
        )
    for source in dict.fromkeys(one.source for one in dense):
        own = [one for one in dense if one.source == source]
        fine_db = np.array([fine_structure_db(one.response) for one in own])
        for n, one in enumerate(own if len(own) > 2 else ()):
            if fine_db[n] < LEAST_FINE_SHARE * np.median(np.delete(fine_db, n)):
                doubts.found.append(
                    f"{one.file} ({one.seat!r}, {source}) seems smoothed over a third octave or "
                    "more, the others are not: export all alike, without smoothing"
                )
        if np.mean(fine_db) < LEAST_FINE_DB:
            doubts.taken.append(
                f"the levels ({source}) are as smooth as after smoothing over a third octave or "
                "more, which hides cancellations: taken as they are; export without smoothing"
            )
    return doubts


def _is_dense(response: FrequencyResponse) -> bool:
    """Return whether a response is fine enough, and reaches far enough, to be judged."""
    axis = response.frequencies
    if axis[0] > 1.5 * _LOWEST or axis[-1] < _HIGHEST or response.resolution == "third_octave":
        return False
    inside = (axis >= _LOWEST) & (axis <= _HIGHEST)
    return bool(inside.sum() >= _LEAST_POINTS * np.log2(_HIGHEST / max(_LOWEST, axis[0])))


def phase_runs_backwards(response: FrequencyResponse) -> bool:
    """Return whether a phase fits a response better with its sign turned.

    The energy then lies before time zero, and the group delay, one delay apart, is nearer to the
    reverse of that of the minimum phase than to that itself, in the mean over the octaves.

    Parameters
    ----------
    response : FrequencyResponse
        With phase or without, at 24 points an octave or more.
    """
    if not response.has_phase or energy_time(response.frequencies, response.pressure) >= 0.0:
        return False
    axis = response.frequencies
    minimum_deg = estimate_minimum_phase_deg(axis, response.level_db)
    inside = (axis >= _LOWEST) & (axis <= _HIGHEST)
    steps = np.diff(axis[inside])
    turns = np.angle(response.pressure[inside][1:] * response.pressure[inside][:-1].conj())
    if np.quantile(np.abs(turns), 0.95) > 2.0 * np.pi * _MOST_TURN:
        return False
    delays = -turns / (2.0 * np.pi * steps)
    least = -np.diff(minimum_deg[inside]) / (360.0 * steps)
    weights = np.diff(np.log(axis[inside]))

    def apart(one: np.ndarray) -> float:
        return float(weights @ np.abs(one - np.median(one)))

    return _NEARER * apart(-delays - least) < apart(delays - least)


def _leaks(response: FrequencyResponse) -> bool:
    """Return whether the uppermost octave is one number, weaker than the bass but not by far."""
    axis, pressure = response.frequencies, response.pressure
    upper = axis > max(_LEAK_FROM, 0.5 * float(axis[-1]))
    heard, steps = pressure[upper], np.gradient(axis[upper])
    mean = abs(steps @ heard) / steps.sum()
    if mean**2 < _LEAST_COHERENT * float(steps @ np.abs(heard) ** 2) / steps.sum():
        return False
    centres = 1000.0 * 10.0 ** (np.arange(-16, -8) / 10.0)  # ISO 266: 25 to 125 Hz
    bands_db = smooth_power_db(axis, response.level_db, at=centres, fraction=3)
    leak_db = float(amplitude_ratio_db(mean))
    return bool(
        leak_db > bands_db.min() + _LEAST_LEAK_DB and leak_db < np.median(bands_db) + _MOST_LEAK_DB
    )


def fine_structure_db(response: FrequencyResponse) -> float:
    """Return the fine structure of a response, in dB.

    Parameters
    ----------
    response : FrequencyResponse
        Over some octaves between 20 and 160 Hz.
    """
    axis, level_db = response.frequencies, response.level_db
    lowest, highest = max(_LOWEST, float(axis[0])), min(_HIGHEST_FINE, float(axis[-1]))
    at = logarithmic_axis(lowest, highest, per_octave=_PER_OCTAVE)
    fine_db = np.interp(np.log(at), np.log(axis), level_db)
    return float(np.std(fine_db - smooth_power_db(axis, level_db, at=at, fraction=3)))
