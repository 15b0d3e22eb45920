"""Several sweeps in one recording against each other: the clock, and whether they agree.

Conventions
-----------
Between two sweeps the room is the same, so that nothing but noise, a clock and a fault tells them
apart. Drift in ppm as in `roomeq.analysis.recordings.drift`, time in s, frequency in Hz.

Two channels or two recordings against each other: swapped, or the same.

Two recordings are the same where what remains of one after the other, at its best gain and shift,
has been taken from it lies well below the noise of either: two measurements share the room, never
the noise. Comparison is made within the usable band at the low rate, so that cutting, another gain
or another sample format do not hide it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.recordings.noise import NoiseLevels
from roomeq.analysis.recordings.timing import ROOM_LATE, late_share, looks_electrical
from roomeq.analysis.sweeps.segments import phase_slope
from roomeq.analysis.sweeps.windowing import window_values
from roomeq.base.levels import FloatArray

NO_CLOCK_PPM = 200.0
"""Clocks of sound devices lie within 100 ppm each (common practice, no source)."""
_LEAST_STEP = 0.1e-3  # s
_DISAGREE_DB = -22.0  # of the power: moves a level by 0.7 dB
_OVER_NOISE = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockDrift:
    """An estimate of clock drift.

    Attributes
    ----------
    ppm : float
        See the conventions.
    uncertainty_ppm : float
        Standard deviation of the estimate, from the scatter of what it was read from.
    basis : {"repeats", "loopback", "lead-in"}
        The distance between the sweeps of one recording; the phase of the loopback; the distance of
        the lead-in from the sweep.
    """

    ppm: float
    uncertainty_ppm: float
    basis: Literal["repeats", "loopback", "lead-in"]


def sweep_distances(
    model: SweepModel,
) -> tuple[ClockDrift | None, tuple[int, float, float] | None]:
    """Return the drift that the distances between sweeps tell, or where samples were lost.

    That is where one of the distances is another than the others: after which sweep, for how long
    in s, and the margin. A clock makes all distances longer alike, and none by more than 200 ppm.
    Neither where there is one sweep, or more than are said to be played.
    """
    segments, excitation = model.segments, model.view.excitation
    if len(model.starts) < 2 or segments.found > excitation.repeats:
        return None, None
    shifts, errors = segments.shifts[1:], segments.errors[1:]
    elapsed = np.array(model.starts[1:]) - model.starts[0] + shifts
    expected = np.round(elapsed / excitation.period) * excitation.period
    late = elapsed - expected
    steps, apart = np.diff(late, prepend=0.0), np.diff(expected, prepend=0.0)
    usual = float(np.median(steps / apart))
    if abs(usual) <= 1e-6 * NO_CLOCK_PPM:
        steps = steps - usual * apart
    worst = int(np.argmax(np.abs(steps)))
    margin = abs(float(steps[worst])) / max(_LEAST_STEP, 6.0 * float(errors[worst]))
    if margin >= 1.0:
        return None, (worst, float(steps[worst]), margin)
    weights = (expected / np.maximum(errors, 1e-10)) ** 2
    ppm = 1e6 * float(np.average(late / expected, weights=weights))
    uncertainty_ppm = 1e6 / math.sqrt(float(weights.sum()))
    return ClockDrift(ppm=ppm, uncertainty_ppm=uncertainty_ppm, basis="repeats"), None


def repeat_findings(model: SweepModel, noise: NoiseLevels) -> Iterator[Finding]:
    """Return where samples were lost between the sweeps, and whether their responses differ.

    By third octave: the power of the difference from the first, which noise alone makes twice its
    own.
    """
    _, odd = sweep_distances(model)
    if odd is not None:
        index, step, margin = odd
        count = round(abs(step) * model.recording.sample_rate)
        when, how = ("early", "lost") if step < 0 else ("late", "put in")
        what = (
            f"sweep {index + 2} comes {1e3 * abs(step):.2f} ms too {when}: about {count} samples "
            f"were {how} since the one before began"
        )
        code, seconds = FindingCode.DROPPED_SAMPLES, (model.starts[index], model.starts[index + 1])
        sure, heard = confidence_of(margin), model.recording
        yield Finding.of(code, Severity.FAULT, heard, what, sure, seconds=seconds, value=count)
    yield from _disagreement(model, noise)


def _disagreement(model: SweepModel, noise: NoiseLevels) -> Iterator[Finding]:
    if len(model.starts) < 2:
        return
    response, least = model.impulse_response, 10 ** (_DISAGREE_DB / 10)
    values = window_values(response.times, window=model.window)
    spectra = np.fft.rfft(model.segments.several.samples * values)
    axis = response.sample_rate / response.times.size * np.arange(spectra.shape[-1])
    inside = np.array([(axis >= band.lower) & (axis < band.upper) for band in noise.bands])
    if not inside.any(axis=1).all():
        return
    shares = inside / inside.sum(axis=1, keepdims=True)
    quiet = np.nan_to_num(noise.floor) * float(values @ values)
    power = (np.abs(spectra) ** 2).mean(axis=0) @ shares.T
    away = np.abs(spectra[1:] - spectra[0]) ** 2 @ shares.T
    relative = (away - 2.0 * quiet) / np.maximum(power, 1e-300)
    relative[~((away > _OVER_NOISE * quiet) & (relative > least))] = 0.0
    touched = np.flatnonzero(relative.any(axis=0))
    if touched.size < 2:
        return
    index, worst = np.unravel_index(int(relative.argmax()), relative.shape)
    level_db = 10.0 * math.log10(relative[index, worst])
    start, band = model.starts[index + 1], noise.bands[worst]
    yield Finding.of(
        FindingCode.REPEATS_DISAGREE,
        Severity.FAULT,
        model.recording,
        f"sweep {index + 2} differs from the first by {level_db:.0f} dB of its power around "
        f"{band.centre:.0f} Hz: samples were lost within one of them, the gain changed, or "
        "something moved",
        confidence_of(float(relative[index, worst]) / least),
        seconds=(start, start + model.view.excitation.duration),
        band=(noise.bands[touched[0]].lower, noise.bands[touched[-1]].upper),
        value=level_db,
    )


_SAME = 0.1  # of the noise power
_SHORTEST = 1.0  # s
_EXACT = 1e-7  # of the signal's power, where no noise is known
_EVEN = 256  # lengths that are whole multiples of it are quick to transform


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """What is kept of a recording to tell it from others: some hundred kilobytes.

    Attributes
    ----------
    name : str
        File and channel.
    signal : ndarray, shape (N,)
        The recording within the sweep's band at the low rate, from the beginning of the sweep on.
    low_rate : float
        Hz.
    noise_power : float
        Mean square of the noise within the band; nan where it is not known.
    """

    name: str
    signal: FloatArray
    low_rate: float
    noise_power: float


def same_as_earlier(
    model: SweepModel, noise: NoiseLevels, earlier: list[Trace]
) -> Iterator[Finding]:
    """Return which earlier recordings a recording is the same as; it becomes one of them."""
    own = Trace(
        name=model.recording.place,
        signal=model.band_signal[max(0, round(model.starts[0] * model.low_rate)) :],
        low_rate=model.low_rate,
        noise_power=0.5 * float((10.0 ** (noise.noise_db / 10.0)).sum()),
    )
    for one in earlier:
        size = min(one.signal.size, own.signal.size) // _EVEN * _EVEN
        if one.low_rate != own.low_rate or size < _SHORTEST * own.low_rate:
            continue
        rest, signal = _difference(one.signal[:size], own.signal[:size])
        quiet = float(np.nanmin([one.noise_power, own.noise_power, math.inf]))
        limit = max(_SAME * quiet if math.isfinite(quiet) else 0.0, _EXACT * signal)
        if rest <= limit:
            sure = confidence_of(min(limit / max(rest, 1e-30), 1e3))
            what = f"the same recording as {one.name}: even the noise is the same"
            code = FindingCode.SAME_RECORDING
            yield Finding.of(code, Severity.FAULT, model.recording, what, sure)
    earlier.append(own)


def _difference(first: FloatArray, second: FloatArray) -> tuple[float, float]:
    """Return mean squares of what remains of the first, and of the first itself."""
    from scipy.signal.windows import tukey

    size, taper = first.size, tukey(first.size, 0.25)  # shifting is circular: no ends in it
    one, other = np.fft.rfft(first * taper), np.fft.rfft(second * taper)
    cross = one * np.conj(other)
    whole = np.fft.irfft(cross, size)
    lag = int(np.argmax(np.abs(whole)))
    cross *= np.sign(whole[lag])  # polarity is a gain too
    bins = np.arange(cross.size, dtype=np.float64)
    turn, _ = phase_slope(cross, bins, -2.0 * math.pi * np.fft.fftfreq(size)[lag])
    moved = other * np.exp(1j * turn * bins)
    gain = float(np.real(np.vdot(moved, one))) / float(np.sum(np.abs(moved) ** 2))
    left = np.fft.irfft(one - gain * moved, size)[size // 8 : -(size // 8)]
    return float(np.mean(left**2)), float(np.mean(first**2))


def channel_findings(model: SweepModel, loopback: SweepModel | None) -> Iterator[Finding]:
    """Return whether the microphone's channel holds the loopback, or the loopback's a room."""
    margin, heard = looks_electrical(model), model.recording
    late = 0.0 if loopback is None else late_share(loopback)
    code, sure, value = FindingCode.NO_ROOM_HEARD, 0.7, None
    what = "the microphone's channel is as flat and short as a wire, "
    if margin < 1.0:
        if loopback is None or late < ROOM_LATE:
            return
        code, sure, value = FindingCode.NOT_A_LOOPBACK, confidence_of(late / ROOM_LATE), late
        heard = loopback.recording
        what = (
            f"the loopback's channel holds a room: {100 * late:.1f} % of its energy comes later "
            "than 60 ms, as of a second microphone"
        )
    elif loopback is not None and looks_electrical(loopback) < 1.0:
        code, sure = FindingCode.CHANNELS_SWAPPED, confidence_of(min(margin, 100.0))
        what += "and the loopback's channel holds a room"
    else:
        what += "no room is heard in it"
    yield Finding.of(code, Severity.FAULT, heard, what, sure, value=value)
