"""What the noise that leads in tells: drift of the clock, and a gain that was changed.

Conventions
-----------
The lead-in is the same every time and is heard through the same room as the sweep, so that the
response to the sweep predicts it: phase tells the clock, level the gain. Drift in parts, gains in
dB, positive where the lead-in is heard louder than predicted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.recordings.repeats import ClockDrift
from roomeq.analysis.sweeps.excitation import lead_in_signal
from roomeq.analysis.sweeps.segments import phase_slope
from roomeq.base.levels import ComplexArray, FloatArray

_LARGEST_DRIFT = 500e-6
_LEAST_GAIN_DB = 0.8
_HARMFUL_GAIN_DB = 2.0
_SIGMAS = 6.0
_TOLD_DB = 0.3  # standard deviation
_COHERENT = 0.2
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
        return self.coherence >= _COHERENT


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
    noise = model.view.inverse.lowered(noise)
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
