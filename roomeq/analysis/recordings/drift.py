"""The clocks of player and recorder: drift, told and mended on request; samples lost; the gain.

Conventions
-----------
Drift is in parts per million (ppm), positive where the recording lasts longer than what was played:
the recorder's clock runs fast against the player's. What the player emits at time t lies at ``(1 +
drift) t`` in the recording. Nothing is mended unless `mend_clock_drift` is called.

A *slip* is in s, positive where samples were lost, so that all that follows comes too early. Clock
drift moves the delay steadily, a slip once: which of both explains a recording better decides. A
slip of d during the sweep, when it passes the frequency g, turns the phase of the frequencies above
g by ``2 pi f d``; those near g are blurred over about ``sqrt(g / L)`` and left out.

The noise that leads in is the same every time and is heard through the same room as the sweep, so
that the response to the sweep predicts it: phase tells the clock, level the gain. Gains in dB,
positive where the lead-in is heard louder than predicted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from msgspec import structs

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.recordings.repeats import NO_CLOCK_PPM, ClockDrift, sweep_distances
from roomeq.analysis.sweeps.deconvolution import decimate
from roomeq.analysis.sweeps.excitation import lead_in_signal
from roomeq.analysis.sweeps.segments import phase_slope
from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.recording import Recording

LEAST_DRIFT_PPM = 3.0
"""Smaller drift is not worth a word: 0.03 ms over a sweep of 10 s."""
_HARMFUL_TIME = 0.25e-3  # s over one sweep: 9 degrees at 100 Hz
_SIGMAS = 6.0
_LEAD_IN_SURE = 0.7  # half a millisecond lost at once looks like drift to it
_WELL_TOLD_PPM = 1.0
_TAPS, _FINER = 64, 4
_NOT_MENDED = "; not mended"
LEAST_SLIP = {"loopback": 0.05e-3, "lead-in": 0.2e-3}
"""Smaller slips are not told from other things, in s."""
_LONGEST = 0.15  # s
_STEP = 0.25e-3  # s: a third of a radian at 220 Hz
_SPLITS = 40
_BETTER = 10.0  # by how much a slip lowers the squared misfit of a loopback's phase
_LEAST_MISFIT = 1.5e-3  # rad, without the slip
_COHERENT = 0.3
_LESS_LEFT = 1.25  # how much more drift leaves out of phase than a slip does
_KEPT = 600  # frequencies
_LARGEST_DRIFT = 500e-6
_LEAST_GAIN_DB = 0.8
_HARMFUL_GAIN_DB = 2.0
_TOLD_DB = 0.3  # standard deviation
_IN_PHASE = 0.2
_HUM = 2.0  # Hz


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeadInNoise:
    """How the lead-in was heard against how the response to the sweep predicts it.

    Attributes
    ----------
    axis : ndarray, shape (F,)
        Frequencies in Hz.
    cross : ndarray of complex, shape (F,)
        Spectrum as heard times the conjugate of the predicted one.
    clock : ClockDrift
        The drift that brings most of it into phase.
    coherence : float
        How much of the cross spectrum that drift brings into phase, 0 to 1.
    octaves : list of tuple of float
        Edges in Hz, gain and its standard deviation in dB of the octaves that tell it.
    """

    axis: FloatArray
    cross: ComplexArray
    clock: ClockDrift
    coherence: float
    octaves: list[tuple[float, float, float, float]]

    @property
    def coherent(self) -> bool:
        """Whether enough of it is in phase to tell anything."""
        return self.coherence >= _IN_PHASE


def read_lead_in(model: SweepModel, *, hum: Sequence[float] = ()) -> LeadInNoise | None:
    """Return what the lead-in tells; None where it was not played or not recorded.

    Lines of a hum, in Hz, are left out.

    Drift turns the phase between the lead-in as heard and as predicted by ``2 pi f drift T(f)``,
    with T from the middle of the lead-in to the moment at which the sweep passes f.
    """
    from scipy.fft import next_fast_len

    excitation, rate = model.view.excitation, model.low_rate
    noise, ahead = lead_in_signal(excitation), excitation.ahead
    first = round((model.starts[0] - ahead) * rate)
    if not noise.size or first < -0.2 * rate:
        return None
    noise = decimate(noise, factor=model.view.inverse.factor)
    stop = first + noise.size + round(0.5 * excitation.pause * rate)
    heard = np.concatenate((np.zeros(max(0, -first)), model.band_signal[max(0, first) : stop]))
    size = next_fast_len(max(model.impulse_response.samples.size, heard.size), real=True)
    grid = rate / size * np.arange(size // 2 + 1, dtype=np.float64)
    used = (grid >= model.band[0]) & (grid <= model.band[1])
    for line in hum:
        used &= np.abs(grid - line) > _HUM
    grid = grid[used]
    turn = np.exp(2j * np.pi * grid * (first / rate - (model.starts[0] - ahead)))
    as_heard = np.fft.rfft(heard, size)[used] * turn
    predicted = np.fft.rfft(noise, size)[used] * np.interp(grid, model.frequencies, model.spectrum)
    cross = as_heard * np.conj(predicted)
    turns = 2.0 * np.pi * grid * (0.5 * (ahead + excitation.pause) + excitation.time_of(grid))
    drift, deviation = phase_slope(cross, turns, _rough_drift(turns, cross), rounds=4)
    rest = np.real(cross * np.exp(-1j * drift * turns))
    # Drift moves the ends of the lead-in against its middle.
    alike = rest / np.maximum(np.sinc(grid * drift * (ahead - excitation.pause)), 0.5)
    powers = np.stack((np.abs(as_heard) ** 2, alike, np.abs(predicted) ** 2))
    return LeadInNoise(
        axis=grid,
        cross=cross,
        clock=ClockDrift(ppm=1e6 * drift, uncertainty_ppm=3e6 * deviation, basis="lead-in"),
        coherence=float(rest.sum() / np.abs(cross).sum()),
        octaves=list(_octave_gains(grid, powers, size / noise.size)),
    )


def _rough_drift(turns: FloatArray, cross: ComplexArray) -> float:
    """Return the drift that brings most of a cross spectrum into phase, to 20 ppm."""
    order = np.arange(0, cross.size, max(1, cross.size // 512))
    # The likeness has a width of 1 / max(turns), some hundred ppm.
    trial = np.arange(-_LARGEST_DRIFT, _LARGEST_DRIFT + 1e-6, 20e-6)
    likeness = np.real(np.exp(-1j * np.outer(trial, turns[order])) @ cross[order])
    return float(trial[int(np.argmax(likeness))])


def gain_findings(
    model: SweepModel, lead_in: LeadInNoise | None, *, disturbed: bool = False
) -> Iterator[Finding]:
    """Return whether the gain changed between lead-in and sweep, or that nothing tells.

    By octave: real part of the cross spectrum over the predicted power, so that noise adds nothing
    on the mean. A change is told from 0.8 dB on, and six standard deviations; a loudspeaker with
    3 % of distortion compresses by 0.6 dB. Something else that was heard loudly feigns a change of
    few octaves: then half of them must have changed.
    """
    octaves = lead_in.octaves if lead_in is not None and lead_in.coherent else []
    if not octaves:
        what = (
            "whether the recorder changed its gain meanwhile cannot be told: no lead-in of a known "
            "level was heard"
        )
        yield Finding.of(FindingCode.GAIN_UNKNOWN, Severity.NOTE, model.recording, what)
        return
    changed = [one for one in octaves if abs(one[2]) >= max(_LEAST_GAIN_DB, _SIGMAS * one[3])]
    if not changed or (disturbed and 2 * len(changed) < len(octaves)):
        return
    low, high, gain_db, error_db = max(changed, key=lambda one: abs(one[2]))
    begins, since = "", changed[0][0]
    if changed[0] != octaves[0]:
        begins = (
            f"; it changed while the sweep passed about {since:.0f} Hz, "
            f"{model.instant_of(since):.1f} s in"
        )
    severity = Severity.FAULT if abs(gain_db) >= _HARMFUL_GAIN_DB else Severity.WARNING
    sure = confidence_of(abs(gain_db) / max(_LEAST_GAIN_DB, _SIGMAS * error_db))
    what = (
        f"the lead-in was heard {abs(gain_db):.1f} dB {'louder' if gain_db > 0 else 'more quietly'}"
        f" than the sweep predicts at {low:.0f} to {high:.0f} Hz: the recorder changed its gain, "
        f"or the loudspeaker compresses{begins}"
    )
    code, band = FindingCode.GAIN_CHANGED, (since, changed[-1][1])
    yield Finding.of(code, severity, model.recording, what, sure, band=band, value=gain_db)


def _octave_gains(
    axis: FloatArray, powers: FloatArray, spread: float
) -> Iterator[tuple[float, float, float, float]]:
    """Return edges, gain and its standard deviation in dB of the octaves that tell it.

    From the powers as heard, alike and as predicted, and over how many frequencies one spreads.
    """
    count = max(1, round(math.log2(axis[-1] / axis[0])))
    for low, high in itertools.pairwise(np.geomspace(axis[0], axis[-1], count + 1)):
        heard, alike, predicted = powers[:, slice(*np.searchsorted(axis, (low, high)))]
        power = max(float(predicted.sum()), 1e-300)
        gain = float(alike.sum()) / power
        rest = heard - 2.0 * gain * alike + gain**2 * predicted
        error = 0.5 * spread * float(np.sum(np.maximum(rest, 0.0) * predicted))
        deviation_db = 8.686 * math.sqrt(error) / power / max(gain, 1e-3)
        if gain > 0 and deviation_db < _TOLD_DB:
            yield float(low), float(high), 20.0 * math.log10(gain), deviation_db


def clock_findings(
    model: SweepModel, loopback: SweepModel | None, lead_in: LeadInNoise | None, *, disturbed: bool
) -> tuple[ClockDrift | None, list[Finding]]:
    """Return clock drift where it is told, and what is to be said of it, of slips and of the gain.

    A loopback tells drift best, then several sweeps, then the lead-in: a noise that is the same
    every time and is heard through the same room. A single sweep alone cannot: a delay that grows
    with frequency may be the room's. A slip can look like drift, so it is first. Without a loopback
    it is only looked for where drift seems to be there, or is not told.
    """
    drift, _ = sweep_distances(loopback or model)
    if drift is None and loopback is not None:
        drift = _from_phase(loopback)
    elif drift is None and lead_in is not None and lead_in.coherent:
        drift = lead_in.clock
    drifts = [] if drift is None else list(_drift_findings(model, drift))
    told = drift is not None and drift.uncertainty_ppm < _WELL_TOLD_PPM
    looked_for = loopback is not None or not told or drifts
    slips = list(_slip_findings(model, loopback, lead_in)) if looked_for else []
    if slips or any(one.code is FindingCode.WRONG_SAMPLE_RATE for one in drifts):
        return None, slips or drifts
    return drift, [*drifts, *gain_findings(model, lead_in, disturbed=disturbed)]


def _phase_of(loopback: SweepModel) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return frequencies, the phase of a loopback there, and columns of what explains it.

    Of a drift of 1 first: what is played t after the start is delayed by ``drift t``, and the delay
    is the derivative of the phase. Then of a delay; a constant, 1 / f and its cube stand for the
    coupling capacitors.
    """
    from scipy.integrate import cumulative_trapezoid

    axis, phase = loopback.frequencies, np.unwrap(np.angle(loopback.spectrum))
    times = loopback.view.excitation.time_of(axis)
    drift = -2.0 * np.pi * cumulative_trapezoid(times, axis, initial=0)
    return axis, phase, np.stack((drift, axis, np.ones(axis.size), 1.0 / axis, axis**-3.0), axis=1)


def _fitted(columns: FloatArray, values: FloatArray) -> tuple[FloatArray, float, bool]:
    """Return the least-squares fit, the squared misfit, and whether the columns tell it."""
    scale = np.abs(columns).max(axis=0) + 1e-30
    fit, _, rank, _ = np.linalg.lstsq(columns / scale, values, rcond=None)
    rest = values - columns / scale @ fit
    return np.asarray(fit / scale), float(rest @ rest), bool(rank == columns.shape[1])


def _from_phase(loopback: SweepModel) -> ClockDrift | None:
    axis, phase, columns = _phase_of(loopback)
    columns = columns[:, :-1]  # the cube of 1 / f is for slips alone
    fit, misfit, told = _fitted(columns, phase)
    spread = math.sqrt(misfit / axis.size)
    if not told or spread > 0.5:
        return None
    deviation = spread * float(np.linalg.norm(np.linalg.pinv(columns)[0]))
    # Neighbouring bins share what they hold: the errors are those of far fewer values.
    return ClockDrift(ppm=1e6 * float(fit[0]), uncertainty_ppm=3e6 * deviation, basis="loopback")


def _drift_findings(model: SweepModel, drift: ClockDrift) -> Iterator[Finding]:
    """Return drift that is certain and at least 3 ppm; a warning above 0.25 ms over one sweep."""
    margin = abs(drift.ppm) / max(LEAST_DRIFT_PPM, _SIGMAS * drift.uncertainty_ppm)
    if not margin >= 1.0:
        return
    sure = confidence_of(margin)
    if abs(drift.ppm) > NO_CLOCK_PPM:
        code, severity = FindingCode.WRONG_SAMPLE_RATE, Severity.FAULT
        value = 1.0 + 1e-6 * drift.ppm
        what = (
            f"the recording lasts {1e-4 * drift.ppm:+.2f} % longer than what was played (by the "
            f"{drift.basis}): more than any clock drifts"
        )
    else:
        code, value = FindingCode.CLOCK_DRIFT, drift.ppm
        moved = 1e-6 * abs(drift.ppm) * model.view.excitation.duration
        severity = Severity.WARNING if moved > _HARMFUL_TIME else Severity.NOTE
        sure = min(sure, _LEAD_IN_SURE) if drift.basis == "lead-in" else sure
        what = (
            f"the recording lasts {drift.ppm:+.1f} ppm longer than what was played (by the "
            f"{drift.basis}), {1e3 * moved:.2f} ms over the sweep{_NOT_MENDED}"
        )
    yield Finding.of(code, severity, model.recording, what, sure, value=value)


def _slip_findings(
    model: SweepModel, loopback: SweepModel | None, lead_in: LeadInNoise | None
) -> Iterator[Finding]:
    """Return the slip that a loopback's phase or the lead-in tells, as lost or inserted samples."""
    if loopback is not None:
        basis, (lost, after, margin) = "loopback", _slip_by_loopback(loopback)
    elif lead_in is not None:
        basis, (lost, after, margin) = "lead-in", _slip_by_lead_in(model, lead_in)
    else:
        return
    margin = min(margin, abs(lost) / LEAST_SLIP[basis])
    if not margin >= 1.0:
        return
    count = round(abs(lost) * model.recording.sample_rate)
    at = model.starts[0] + model.instant_of(after)
    verb = "were lost" if lost > 0 else "were put in"
    what = f"about {count} samples ({1e3 * abs(lost):.2f} ms) {verb} (by the {basis})"
    code, seconds = FindingCode.DROPPED_SAMPLES, (at - 0.2, at + 0.2)
    sure, band, heard = confidence_of(margin), model.played(seconds), model.recording
    yield Finding.of(
        code, Severity.FAULT, heard, what, sure, seconds=seconds, band=band, value=count
    )


def _splits(model: SweepModel) -> FloatArray:
    return np.geomspace(1.15 * model.band[0], model.band[1] / 1.15, _SPLITS)


def _slip_by_loopback(loopback: SweepModel) -> tuple[float, float, float]:
    """Return the slip, the frequency passed when it happened, and its evidence over threshold."""
    kept = slice(None, None, max(1, loopback.frequencies.size // _KEPT))
    axis, phase, steady = (one[kept] for one in _phase_of(loopback))
    splits = _splits(loopback)
    blurred = 3.0 * np.sqrt(splits / loopback.view.excitation.growth_at(splits))
    steady /= np.abs(steady).max(axis=0) + 1e-30
    best = (math.inf, 0.0, 0.0, 0.0)
    for split, blur in zip(splits.tolist(), blurred.tolist(), strict=True):
        clear = np.abs(axis - split) > blur
        above = axis > split
        # The last rows of the triangle: what the columns to the left leave of those to the right.
        columns = np.column_stack((steady, above, above * axis, phase))[clear]
        left = np.asarray(np.linalg.qr(columns, mode="r"))[-3:, -2:]
        plain, rest = float(left[:, 1] @ left[:, 1]), float(left[2, 1]) ** 2
        ratio = rest / max(plain, 1e-12)
        if ratio < best[0] and left[1, 0]:
            misfit = math.sqrt(plain / int(clear.sum()))
            best = ratio, split, float(left[1, 1] / left[1, 0]) / (2.0 * math.pi), misfit
    ratio, after, lost, misfit = best
    return lost, after, min(1.0 / (ratio * _BETTER), misfit / _LEAST_MISFIT)


def _slip_by_lead_in(model: SweepModel, told: LeadInNoise) -> tuple[float, float, float]:
    """Return the same; one part of the spectrum is late by nothing, the rest by one time.

    A slip between lead-in and sweep happened when the sweep began.
    """
    chosen = slice(None, None, max(1, told.axis.size // 1024))
    axis, cross = told.axis[chosen], told.cross[chosen]
    splits = np.concatenate(([0], np.searchsorted(axis, _splits(model))))
    still = np.concatenate(([0.0], np.cumsum(cross.real)))
    best = (-math.inf, 0.0, 0)
    for reach, step in ((_LONGEST, _STEP), (_STEP, 0.05 * _STEP)):
        tried = best[1] + np.arange(-reach, reach, step)
        turned = cross * np.exp(2j * np.pi * tried[0] * axis)
        turn = np.exp(2j * np.pi * step * axis)
        for lost in tried.tolist():
            moved = np.concatenate(([0.0], np.cumsum(turned.real)))
            likeness = still[splits] + moved[-1] - moved[splits]
            at = int(np.argmax(likeness))
            if likeness[at] > best[0]:
                best = float(likeness[at]), lost, int(splits[at])
            turned *= turn
    coherence = best[0] / float(np.abs(cross).sum())
    better = (1.0 - told.coherence) / max(1.0 - coherence, 1e-6)
    after = float(axis[best[2]]) if best[2] else model.band[0]
    return best[1], after, better / _LESS_LEFT if coherence >= _COHERENT else 0.0


def mended_finding(finding: Finding, *, by: str) -> Finding:
    """Return what is left to say of a drift that was mended: a note.

    Parameters
    ----------
    finding : Finding
        Clock drift, from `clock_findings`.
    by : str
        What mended it, in words.
    """
    return structs.replace(
        finding,
        severity=Severity.NOTE,
        what=f"{finding.what.removesuffix(_NOT_MENDED)}; mended by {by}",
        remedy="none needed; playing and recording through one interface avoids it",
    )


def mend_clock_drift(recording: Recording, *, drift_ppm: float) -> Recording:
    """Return a recording resampled to the player's clock; the original stays as it is.

    Sample n of the result is the recording at sample ``n (1 + drift)``, by splines of fifth order
    at four times the rate: within 1e-5 of full scale up to 0.4 times the rate. Beyond its ends the
    recording counts as silent.

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
    from scipy.ndimage import map_coordinates
    from scipy.signal import firwin, upfirdn

    ratio, half = 1.0 + 1e-6 * drift_ppm, _FINER * _TAPS // 2
    taps = firwin(2 * half + 1, 1.0 / _FINER, window=("kaiser", 10.0))
    finer = upfirdn(_FINER * taps, recording.samples, _FINER)
    places = half + _FINER * ratio * np.arange(math.ceil(recording.samples.size / ratio))
    samples = map_coordinates(finer, places[np.newaxis], order=5, mode="constant")
    return replace(recording, samples=samples)
