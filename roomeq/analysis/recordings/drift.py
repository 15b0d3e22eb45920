"""Drift between the clocks of player and recorder: estimated, and mended on request.

Conventions
-----------
Drift is in parts per million (ppm), positive where the recording lasts longer than what was played:
the recorder's clock runs fast against the player's. What the player emits at time t lies at ``(1 +
drift) t`` in the recording. Nothing is mended unless `mend_clock_drift` is called.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from roomeq.analysis.recordings.findings import (
    Finding,
    FindingCode,
    Severity,
    confidence_of,
    make_finding,
)
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.sweeps.decimation import decimate
from roomeq.analysis.sweeps.excitation import Excitation, lead_in_signal
from roomeq.base.levels import FloatArray, readonly
from roomeq.base.recording import Recording
from roomeq.base.response import ComplexArray

__all__ = [
    "ClockDrift",
    "LeadInPhase",
    "drift_findings",
    "estimate_clock_drift",
    "lead_in_phase",
    "mend_clock_drift",
    "mended_finding",
    "unwrapped_phase",
]

LEAST_DRIFT_PPM = 3.0
"""Smaller drift is not worth a word: 0.03 ms over a sweep of 10 s."""
_HARMFUL_TIME = 0.25e-3  # s over one sweep: 9 degrees at 100 Hz
_SIGMAS = 6.0
_LARGEST_PPM = 500.0
_COHERENT = 0.2
_LEAD_IN_SURE = 0.7  # half a millisecond lost at once looks like drift to it
_TAPS = 64
_PHASES = 4096  # between them linear: within 1e-7
_BLOCK = 1024
_NOT_MENDED = "; not mended"


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


def estimate_clock_drift(
    model: SweepModel, *, loopback: SweepModel | None = None
) -> ClockDrift | None:
    """Return the drift where the recording allows to tell it, else None.

    A loopback tells it best, then several sweeps, then the lead-in: a noise that is the same every
    time and is heard through the same room. A single sweep alone cannot: a delay that grows with
    frequency may be the room's.
    """
    if loopback is not None:
        return _from_repeats(loopback) or _from_phase(loopback)
    return _from_repeats(model) or _from_lead_in(model)


def _from_repeats(model: SweepModel) -> ClockDrift | None:
    """Read the drift from the distances between sweeps."""
    count = model.segments.samples.shape[0]
    if count < 2 or count != len(model.starts):
        return None
    spectra = np.fft.rfft(model.segments.samples)
    size = model.segments.samples.shape[-1]
    axis = model.low_rate / size * np.arange(spectra.shape[-1])
    used = (axis >= model.band[0]) & (axis <= model.band[1])
    period, ppm, errors = model.view.excitation.period, [], []
    for index in range(1, count):
        cross = spectra[index, used] * np.conj(spectra[0, used])
        offset, error = _delay(axis[used], cross)
        elapsed = model.starts[index] - model.starts[0] + offset
        expected = round(elapsed / period) * period
        ppm.append(1e6 * (elapsed / expected - 1.0))
        errors.append(1e6 * error / expected)
    weights = 1.0 / np.maximum(np.array(errors), 1e-4) ** 2
    return ClockDrift(
        ppm=float(np.average(ppm, weights=weights)),
        uncertainty_ppm=float(1.0 / math.sqrt(weights.sum())),
        basis="repeats",
    )


def _delay(axis: FloatArray, cross: ComplexArray) -> tuple[float, float]:
    """Return the delay that a cross spectrum tells, and its standard deviation, in s."""
    trial = np.linspace(-0.01, 0.01, 401)
    step = trial[1] - trial[0]
    likeness = np.abs(np.exp(2j * np.pi * np.outer(trial, axis[::4])) @ cross[::4])
    delay = float(trial[int(np.argmax(likeness))])
    error = step
    for _ in range(3):
        rest = cross * np.exp(2j * np.pi * axis * delay)
        weight = np.abs(rest)
        phase = np.angle(rest)
        bottom = float(np.sum(weight * axis**2)) * 2.0 * np.pi
        delay -= float(np.sum(weight * axis * phase)) / bottom
        spread = float(np.sum((weight * axis * phase) ** 2))
        error = math.sqrt(spread) / bottom
    return delay, error


def unwrapped_phase(loopback: SweepModel) -> tuple[FloatArray, FloatArray]:
    """Return frequencies and the unwrapped phase of a response, in rad."""
    axis, pressure = loopback.pressure()
    return axis, np.unwrap(np.angle(pressure))


def elapsed_phase(excitation: Excitation, axis: FloatArray) -> FloatArray:
    """Return the phase that a drift of 1 adds at rising frequencies, in rad.

    What is played t after the start is delayed by ``drift t``, and the delay is the derivative of
    the phase.
    """
    times = excitation.time_of(axis)
    steps = 0.5 * (times[1:] + times[:-1]) * np.diff(axis)
    return -2.0 * np.pi * np.concatenate(([0.0], np.cumsum(steps)))


def _from_phase(loopback: SweepModel) -> ClockDrift | None:
    """Read the drift from the phase of a loopback.

    A constant and a term in 1 /
    f stand for the coupling capacitors.
    """
    axis, phase = unwrapped_phase(loopback)
    drift = elapsed_phase(loopback.view.excitation, axis)
    columns = np.stack((drift, axis, np.ones(axis.size), 1.0 / axis), axis=1)
    columns /= np.abs(columns).max(axis=0)
    fit, _, rank, _ = np.linalg.lstsq(columns, phase, rcond=None)
    spread = float(np.std(phase - columns @ fit))
    if rank < columns.shape[1] or spread > 0.5:
        return None
    scale = float(np.abs(drift).max())
    deviation = math.sqrt(float(np.linalg.inv(columns.T @ columns)[0, 0])) * spread / scale
    # Neighbouring bins share what they hold: the errors are those of far fewer values.
    return ClockDrift(
        ppm=1e6 * float(fit[0]) / scale, uncertainty_ppm=3e6 * deviation, basis="loopback"
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeadInPhase:
    """How the lead-in was heard against how the response to the sweep predicts it.

    Attributes
    ----------
    axis, turns : ndarray, shape (F,)
        Frequencies in Hz, and the phase in turns that a drift of 1 adds to each.
    cross : ndarray of complex, shape (F,)
        Spectrum as heard times the conjugate of the predicted one.
    drift : float
        The best one.
    deviation : float
        Its standard deviation.
    coherence : float
        How much of the cross spectrum that drift brings into phase, 0 to 1.
    """

    axis: FloatArray
    turns: FloatArray
    cross: ComplexArray
    drift: float
    deviation: float
    coherence: float


def lead_in_phase(model: SweepModel) -> LeadInPhase | None:
    """Return what the lead-in tells of the clock; None where it was not played or not recorded.

    The sweep is heard through the same room. Drift turns the phase between the lead-in as heard and
    as predicted by ``2 pi f drift T(f)``, with T from the middle of the lead-in to the moment at
    which the sweep passes f.
    """
    sweep, rate, inverse = model.view.excitation, model.low_rate, model.view.inverse
    noise = lead_in_signal(sweep)
    ahead = sweep.ahead
    first = round((model.starts[0] - ahead) * rate)
    if not noise.size or first < -0.2 * rate:
        return None
    noise = decimate(
        noise, factor=inverse.factor, sample_rate=inverse.sample_rate, passband=inverse.passband
    )
    axis, pressure = model.pressure()
    stop = first + noise.size + round(0.5 * sweep.pause * rate)
    heard = np.concatenate((np.zeros(max(0, -first)), model.band_signal[max(0, first) : stop]))
    size = _next_length(max(model.impulse_response.samples.size, heard.size))
    grid = rate / size * np.arange(size // 2 + 1, dtype=np.float64)
    used = (grid >= model.band[0]) & (grid <= model.band[1])
    grid = grid[used]
    response = np.interp(grid, axis, pressure.real) + 1j * np.interp(grid, axis, pressure.imag)
    turn = np.exp(2j * np.pi * grid * (first / rate - (model.starts[0] - ahead)))
    cross = np.fft.rfft(heard, size)[used] * turn
    cross *= np.conj(np.fft.rfft(noise, size)[used] * response)
    span = 0.5 * (ahead + sweep.pause) + sweep.time_of(grid)
    return _best_drift(grid, grid * span, cross)


def _next_length(size: int) -> int:
    """Return a length, not smaller, that is quick to transform."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(size, real=True))


def _best_drift(axis: FloatArray, turns: FloatArray, cross: ComplexArray) -> LeadInPhase:
    """Return the drift that makes a cross spectrum real."""
    order = np.arange(0, cross.size, max(1, cross.size // 512))
    # The likeness has a width of 1 / max(turns), some hundred ppm.
    trial = 1e-6 * np.arange(-_LARGEST_PPM, _LARGEST_PPM + 1.0, 20.0)
    likeness = np.real(np.exp(-2j * np.pi * np.outer(trial, turns[order])) @ cross[order])
    drift, deviation = float(trial[int(np.argmax(likeness))]), math.inf
    rest = cross
    for _ in range(4):
        rest = cross * np.exp(-2j * np.pi * drift * turns)
        weight, phase = np.abs(cross) * turns, np.angle(rest)
        bottom = 2.0 * np.pi * float(np.sum(weight * turns))
        drift += float(np.sum(weight * phase)) / bottom
        deviation = math.sqrt(float(np.sum((weight * phase) ** 2))) / bottom
    coherence = float(rest.real.sum() / np.abs(cross).sum())
    return LeadInPhase(
        axis=axis,
        turns=turns,
        cross=cross,
        drift=drift,
        deviation=deviation,
        coherence=coherence,
    )


def _from_lead_in(model: SweepModel) -> ClockDrift | None:
    told = lead_in_phase(model)
    if told is None or told.coherence < _COHERENT:
        return None
    return ClockDrift(ppm=1e6 * told.drift, uncertainty_ppm=3e6 * told.deviation, basis="lead-in")


def drift_findings(model: SweepModel, drift: ClockDrift | None) -> list[Finding]:
    """Return drift that is certain and at least 3 ppm; a warning above 0.25 ms over one sweep."""
    if drift is None:
        return []
    threshold = max(LEAST_DRIFT_PPM, _SIGMAS * drift.uncertainty_ppm)
    margin = abs(drift.ppm) / threshold
    if not margin >= 1.0:
        return []
    sure = confidence_of(margin)
    moved = 1e-6 * abs(drift.ppm) * model.view.excitation.duration
    return [
        make_finding(
            FindingCode.CLOCK_DRIFT,
            Severity.WARNING if moved > _HARMFUL_TIME else Severity.NOTE,
            model.view.recording,
            what=f"the recording lasts {drift.ppm:+.1f} ppm longer than what was played (by the "
            f"{drift.basis}), {1e3 * moved:.2f} ms over the sweep{_NOT_MENDED}",
            confidence=min(sure, _LEAD_IN_SURE) if drift.basis == "lead-in" else sure,
            value=drift.ppm,
        )
    ]


def mended_finding(finding: Finding, *, by: str) -> Finding:
    """Return what is left to say of a drift that was mended: a note.

    Parameters
    ----------
    finding : Finding
        From `drift_findings`.
    by : str
        What mended it, in words.

    Raises
    ------
    ValueError
        If it is no finding of clock drift, or is mended already.
    """
    if finding.code is not FindingCode.CLOCK_DRIFT or not finding.what.endswith(_NOT_MENDED):
        raise ValueError(f"only clock drift that is not mended yet can be, got {finding.what!r}")
    return replace(
        finding,
        severity=Severity.NOTE,
        what=f"{finding.what.removesuffix(_NOT_MENDED)}; mended by {by}",
        remedy="none needed; playing and recording through one interface avoids it",
    )


def mend_clock_drift(recording: Recording, *, drift_ppm: float) -> Recording:
    """Return a recording resampled to the player's clock; the original stays as it is.

    Sample n of the result is the recording at sample ``n (1 + drift)``, by a Kaiser-windowed sinc
    of 64 samples: within 1e-6 of full scale up to 0.4 times the rate. Beyond its ends the recording
    counts as silent.

    Parameters
    ----------
    recording : Recording
        As it was recorded.
    drift_ppm : float
        From `estimate_clock_drift`.

    Raises
    ------
    ValueError
        If the drift is not finite or exceeds 1000 ppm: that is a wrong rate, no drift.
    """
    if not abs(drift_ppm) <= 1000.0:
        raise ValueError(f"drift_ppm must be finite and at most 1000, got {drift_ppm!r}")
    source, ratio = recording.samples, 1.0 + 1e-6 * drift_ppm
    frames = math.ceil(source.size / ratio)
    result, table = np.empty(frames), _sinc_table()
    offsets = np.arange(1 - _TAPS // 2, _TAPS // 2 + 1)
    for first in range(0, frames, _BLOCK):
        places = ratio * np.arange(first, min(first + _BLOCK, frames))
        whole = np.floor(places).astype(np.intp)
        begin, end = int(whole[0]) + int(offsets[0]), int(whole[-1]) + int(offsets[-1]) + 1
        part = source[max(begin, 0) : max(min(end, source.size), 0)]
        part = np.pad(part, (max(0, -begin), max(0, end - source.size)))
        phase = (places - whole) * _PHASES
        row = phase.astype(np.intp)
        rest = (phase - row)[:, np.newaxis]
        weights = table[row] * (1.0 - rest) + table[row + 1] * rest
        taken = part[(whole - begin)[:, np.newaxis] + offsets]
        result[first : first + places.size] = np.einsum("ij,ij->i", weights, taken)
    result.setflags(write=False)  # so that no copy is made
    return replace(recording, samples=result)


@lru_cache(maxsize=1)
def _sinc_table() -> FloatArray:
    """Return the weights of the neighbouring samples for 4096 fractions of a sample and 1."""
    half = _TAPS // 2
    fractions = np.arange(_PHASES + 1) / _PHASES
    away = fractions[:, np.newaxis] - np.arange(1 - half, half + 1)
    window = np.i0(10.0 * np.sqrt(np.maximum(0.0, 1.0 - (away / half) ** 2))) / np.i0(10.0)
    return readonly(np.sinc(away) * window)
