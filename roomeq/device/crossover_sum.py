"""Sum of subwoofer and mains through the crossover, as filters alone make it.

Conventions
-----------
Levels in dB, frequencies in Hz, delays in s, later is positive, and the delay is the subwoofer's
against the mains. Sums are electrical, or acoustical in the free field at equal distance,
subwoofer and mains at equal level in their pass-bands; a room adds its own. Levels of a sum are
relative to the subwoofer's own high-passes, so that its lower limit is not taken for a fault of
the crossover. "Deepest" and "highest" are sought from a quarter of the corner to four times the
corner.

Where subwoofer and mains meet, by their stated filters alone.

Frequencies in Hz, levels in dB relative to either pass-band, subwoofer and mains at equal level
there. The loss of a sum says nothing of a hole that neither fills, nor of a crossover that lies
elsewhere than it was stated: that is read off the filters.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db
from roomeq.base.record import Record
from roomeq.device.crossover import CrossoverFilter, chain_response

_AROUND = np.logspace(-2.0, 2.0, 385, base=2.0)  # over the corner, 96 points per octave
_NULL_DB = -200.0
_PERIODS = 1.0  # of the corner, either side: how far a delay is sought
_DELAYS_PER_PERIOD = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class SumFigures:
    """Subwoofer and mains together, from a quarter of the corner to four times it.

    Attributes
    ----------
    inverted : bool
        Whether the subwoofer's polarity is inverted.
    delay : float
        Of the subwoofer, in s.
    at_corner_db : float
        Level of the sum at the corner; -200 stands for nothing left.
    dip_db, dip_frequency : float
        Deepest place, in dB (at most 0) and Hz.
    peak_db, peak_frequency : float
        Highest place, in dB (at least 0) and Hz.
    flattest_frequency : float
        Hz, within an octave of the corner, where the sum is nearest to 0 dB.
    flattest_db : float
        Level there.
    """

    inverted: bool
    delay: float
    at_corner_db: float
    dip_db: float
    dip_frequency: float
    peak_db: float
    peak_frequency: float
    flattest_frequency: float
    flattest_db: float

    @property
    def deviation_db(self) -> float:
        """Largest deviation from flat, in dB, not negative."""
        return max(-self.dip_db, self.peak_db)

    @property
    def worst_frequency(self) -> float:
        """Hz of the place that is farthest from flat."""
        return self.dip_frequency if -self.dip_db >= self.peak_db else self.peak_frequency


def predict_sum(
    frequencies: ArrayLike,
    *,
    filters: Sequence[CrossoverFilter],
    mains: Sequence[CrossoverFilter],
    inverted: bool = False,
    delay: ArrayLike = 0.0,
) -> ComplexArray:
    """Return subwoofer and mains together as a complex amplitude ratio, shape (F,).

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    filters, mains : sequence of CrossoverFilter
        What stands in the path of the subwoofer, and of the mains.
    inverted : bool
        Turn the subwoofer's polarity.
    delay : array_like
        Of the subwoofer against the mains, in s; shape (K, 1) gives shape (K, F).
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    sub = chain_response(filters, axis) * np.exp(-2j * np.pi * axis * np.asarray(delay))
    return np.asarray(chain_response(mains, axis) + (-sub if inverted else sub))


def sum_level_db(
    frequencies: ArrayLike,
    *,
    filters: Sequence[CrossoverFilter],
    **others: Any,
) -> FloatArray:
    """Return the level of the sum relative to the subwoofer's own high-passes, shape (F,), in dB.

    Arguments as for `predict_sum`. A null is given as -200 dB.
    """
    total = predict_sum(frequencies, filters=filters, **others)
    own = tuple(entry for entry in filters if entry.kind == "high_pass")
    ratio = np.abs(total) / np.abs(chain_response(own, frequencies))
    return np.asarray(np.maximum(amplitude_ratio_db(ratio), _NULL_DB))


def sum_figures(
    filters: Sequence[CrossoverFilter],
    *,
    mains: Sequence[CrossoverFilter],
    corner: float,
    inverted: bool = False,
    delay: float = 0.0,
) -> SumFigures:
    """Return what the sum is around a corner.

    Parameters
    ----------
    filters, mains : sequence of CrossoverFilter
        As for `predict_sum`.
    corner : float
        Hz.
    inverted, delay : bool, float
        As for `predict_sum`.
    """
    level_db = partial(sum_level_db, filters=filters, mains=mains, inverted=inverted, delay=delay)
    axis = corner * _AROUND
    levels = level_db(axis)
    dip_frequency, dip_db = _refined(axis, level_db, int(np.argmin(levels)), sign=-1.0)
    peak_frequency, peak_db = _refined(axis, level_db, int(np.argmax(levels)), sign=1.0)
    near = np.abs(np.log2(axis / corner)) <= 1.0
    flattest = int(np.argmin(np.where(near, np.abs(levels), np.inf)))
    return SumFigures(
        inverted=inverted,
        delay=delay,
        at_corner_db=float(level_db(np.array([corner]))[0]),
        dip_db=min(0.0, dip_db),
        dip_frequency=dip_frequency,
        peak_db=max(0.0, peak_db),
        peak_frequency=peak_frequency,
        flattest_frequency=float(axis[flattest]),
        flattest_db=float(levels[flattest]),
    )


def _refined(
    axis: FloatArray, level_db: Callable[[FloatArray], FloatArray], index: int, *, sign: float
) -> tuple[float, float]:
    """Return frequency and level of an extremum, sought on ever finer axes around a point."""
    lowest, highest = axis[max(index - 1, 0)], axis[min(index + 1, axis.size - 1)]
    for _ in range(3):
        finer = np.geomspace(lowest, highest, 17)
        levels = level_db(finer)
        best = int(np.argmax(sign * levels))
        lowest, highest = finer[max(best - 1, 0)], finer[min(best + 1, 16)]
    return float(finer[best]), float(levels[best])


def estimate_best_delay(
    filters: Sequence[CrossoverFilter], *, mains: Sequence[CrossoverFilter], corner: float
) -> SumFigures:
    """Return the figures with the delay and polarity that leave the sum flattest.

    Every delay of the subwoofer within one period of the corner, either side, in steps of 1/80 of
    it, and finer steps around the best; both polarities. No delay and normal polarity are kept
    where nothing is better by 0.01 dB.
    """
    axis = corner * _AROUND[::4]

    def tried(delays: FloatArray, inverted: bool) -> tuple[float, float, bool]:
        """Return the least deviation of some delays, with its delay and polarity."""
        level_db = sum_level_db(
            axis, filters=filters, mains=mains, inverted=inverted, delay=delays[:, np.newaxis]
        )
        deviation_db = np.max(np.abs(level_db), axis=-1)
        least = int(np.argmin(deviation_db))
        return float(deviation_db[least]), float(delays[least]), inverted

    steps = round(_PERIODS * _DELAYS_PER_PERIOD)
    width = 1.0 / (_DELAYS_PER_PERIOD * corner)
    chosen, *others = (tried(np.zeros(1), inverted) for inverted in (False, True))
    for inverted in (False, True):
        delays: FloatArray = np.asarray(width * np.arange(-steps, steps + 1))
        for finer in (0.1, 0.01, 0.001):
            others.append(tried(delays, inverted))
            delays = np.asarray(others[-1][1] + finer * width * np.arange(-10, 11))
    for entry in others:
        if entry[0] < chosen[0] - 0.01:
            chosen = entry
    return sum_figures(filters, mains=mains, corner=corner, inverted=chosen[2], delay=chosen[1])


GAP_DB = -4.0
"""Both in phase stay this far below either where they meet: a gap; common practice, no source."""

ELSEWHERE_OCTAVES = 0.5
FULL_RANGE_OCTAVES = 1.0
BOX_OCTAVES = 1.0 / 3.0
"""A box whose corner lies further below the crossover is no part of it; common practice, no source.
"""
_REACH = 4.0
_PER_OCTAVE = 192


class MeetingFault(StrEnum):
    """What is wrong with where the two meet."""

    ELSEWHERE = "elsewhere"
    FULL_RANGE = "full_range"
    GAP = "gap"


class Meeting(Record, frozen=True, kw_only=True):
    """Where the two are equally loud by their filters.

    Attributes
    ----------
    frequency : float or None
        Hz; None where the mains are as loud as the subwoofer all the way down.
    sum_db : float
        Level of both in phase there, 0 where they fill it.
    faults : tuple of MeetingFault
    """

    frequency: float | None
    sum_db: float
    faults: tuple[MeetingFault, ...]


def find_meeting(
    path: Sequence[CrossoverFilter], mains: Sequence[CrossoverFilter], *, corner: float
) -> Meeting:
    """Find where subwoofer and mains meet.

    Parameters
    ----------
    path, mains : sequence of CrossoverFilter
        Filters of both; the mains' with their box, as far as it is known. High-passes of the
        subwoofer are no part of the crossover.
    corner : float
        As it was stated, in Hz.

    Returns
    -------
    Meeting
    """
    axis = logarithmic_axis(corner / _REACH, corner * _REACH, per_octave=_PER_OCTAVE)
    low = np.abs(chain_response([f for f in path if f.kind == "low_pass"], axis))
    high = np.abs(chain_response(mains, axis))
    above = np.flatnonzero(high >= low)
    if not above.size or above[0] == 0:
        return Meeting(frequency=None, sum_db=0.0, faults=(MeetingFault.FULL_RANGE,))
    place = int(above[0])
    frequency = float(axis[place])
    sum_db = float(20.0 * np.log10(low[place] + high[place]))
    faults = []
    if abs(np.log2(frequency / corner)) > ELSEWHERE_OCTAVES:
        faults.append(MeetingFault.ELSEWHERE)
    if sum_db < GAP_DB:
        faults.append(MeetingFault.GAP)
    reach = {True: BOX_OCTAVES, False: FULL_RANGE_OCTAVES}
    if not any(one.corner >= corner / 2.0 ** reach[one.where == "box"] for one in mains):
        faults.append(MeetingFault.FULL_RANGE)
    return Meeting(frequency=frequency, sum_db=sum_db, faults=tuple(faults))
