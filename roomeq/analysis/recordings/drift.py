"""Drift between the clocks of player and recorder: estimated, and mended on request.

Conventions
-----------
Drift is in parts per million (ppm), positive where the recording lasts longer than what was played:
the recorder's clock runs fast against the player's. What the player emits at time t lies at ``(1 +
drift) t`` in the recording. Nothing is mended unless `mend_clock_drift` is called.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
from msgspec import structs

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.lead_in import LeadInNoise
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.recordings.repeats import NO_CLOCK_PPM, ClockDrift, drift_of_repeats
from roomeq.analysis.sweeps.excitation import Excitation
from roomeq.base.levels import FloatArray, readonly
from roomeq.base.recording import Recording

LEAST_DRIFT_PPM = 3.0
"""Smaller drift is not worth a word: 0.03 ms over a sweep of 10 s."""
_HARMFUL_TIME = 0.25e-3  # s over one sweep: 9 degrees at 100 Hz
_SIGMAS = 6.0
_COHERENT = 0.2
_LEAD_IN_SURE = 0.7  # half a millisecond lost at once looks like drift to it
_TAPS = 64
_PHASES = 4096  # between them linear: within 1e-7
_BLOCK = 1024
_NOT_MENDED = "; not mended"


def estimate_clock_drift(
    model: SweepModel, *, loopback: SweepModel | None = None, lead_in: LeadInNoise | None = None
) -> ClockDrift | None:
    """Return the drift where the recording allows to tell it, else None.

    A loopback tells it best, then several sweeps, then the lead-in: a noise that is the same every
    time and is heard through the same room. A single sweep alone cannot: a delay that grows with
    frequency may be the room's.
    """
    if loopback is not None:
        return drift_of_repeats(loopback) or _from_phase(loopback)
    return drift_of_repeats(model) or _from_lead_in(lead_in)


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
    axis, phase = loopback.frequencies, np.unwrap(np.angle(loopback.spectrum))
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


def _from_lead_in(told: LeadInNoise | None) -> ClockDrift | None:
    if told is None or told.coherence < _COHERENT:
        return None
    return ClockDrift(ppm=1e6 * told.drift, uncertainty_ppm=3e6 * told.deviation, basis="lead-in")


def drift_findings(model: SweepModel, drift: ClockDrift | None) -> Iterator[Finding]:
    """Return drift that is certain and at least 3 ppm; a warning above 0.25 ms over one sweep."""
    if drift is None:
        return
    threshold = max(LEAST_DRIFT_PPM, _SIGMAS * drift.uncertainty_ppm)
    margin = abs(drift.ppm) / threshold
    if not margin >= 1.0:
        return
    sure = confidence_of(margin)
    if abs(drift.ppm) > NO_CLOCK_PPM:
        yield Finding.of(
            FindingCode.WRONG_SAMPLE_RATE,
            Severity.FAULT,
            model.view.recording,
            f"the recording lasts {1e-4 * drift.ppm:+.2f} % longer than what was played "
            f"(by the {drift.basis}): more than any clock drifts",
            confidence=sure,
            value=1.0 + 1e-6 * drift.ppm,
        )
        return
    moved = 1e-6 * abs(drift.ppm) * model.view.excitation.duration
    yield Finding.of(
        FindingCode.CLOCK_DRIFT,
        Severity.WARNING if moved > _HARMFUL_TIME else Severity.NOTE,
        model.view.recording,
        f"the recording lasts {drift.ppm:+.1f} ppm longer than what was played (by the "
        f"{drift.basis}), {1e3 * moved:.2f} ms over the sweep{_NOT_MENDED}",
        confidence=min(sure, _LEAD_IN_SURE) if drift.basis == "lead-in" else sure,
        value=drift.ppm,
    )


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
    return structs.replace(
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
