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
from roomeq.analysis.sweeps.decimation import decimate
from roomeq.analysis.sweeps.excitation import lead_in_signal
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
    axis, turns : ndarray, shape (F,)
        Frequencies in Hz, and the phase in turns that a drift of 1 adds to each.
    cross : ndarray of complex, shape (F,)
        Spectrum as heard times the conjugate of the predicted one.
    heard, predicted : ndarray, shape (F,)
        Their power spectra.
    spread : float
        How many frequencies share what one of them holds.
    length : float
        Of the lead-in, in s.
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
    heard: FloatArray
    predicted: FloatArray
    spread: float
    length: float
    drift: float
    deviation: float
    coherence: float


def read_lead_in(model: SweepModel, *, hum: Sequence[float] = ()) -> LeadInNoise | None:
    """Return what the lead-in tells; None where it was not played or not recorded.

    Lines of a hum, in Hz, are left out.

    Drift turns the phase between the lead-in as heard and as predicted by ``2 pi f drift T(f)``,
    with T from the middle of the lead-in to the moment at which the sweep passes f.
    """
    from scipy.fft import next_fast_len

    excitation, rate, inverse = model.view.excitation, model.low_rate, model.view.inverse
    noise, ahead = lead_in_signal(excitation), excitation.ahead
    first = round((model.starts[0] - ahead) * rate)
    if not noise.size or first < -0.2 * rate:
        return None
    noise = decimate(
        noise, factor=inverse.factor, sample_rate=inverse.sample_rate, passband=inverse.passband
    )
    axis, pressure = model.frequencies, model.spectrum
    stop = first + noise.size + round(0.5 * excitation.pause * rate)
    heard = np.concatenate((np.zeros(max(0, -first)), model.band_signal[max(0, first) : stop]))
    size = next_fast_len(max(model.impulse_response.samples.size, heard.size), real=True)
    grid = rate / size * np.arange(size // 2 + 1, dtype=np.float64)
    used = (grid >= model.band[0]) & (grid <= model.band[1])
    for line in hum:
        used &= np.abs(grid - line) > _HUM
    grid = grid[used]
    response = np.interp(grid, axis, pressure.real) + 1j * np.interp(grid, axis, pressure.imag)
    turn = np.exp(2j * np.pi * grid * (first / rate - (model.starts[0] - ahead)))
    as_heard = np.fft.rfft(heard, size)[used] * turn
    predicted = np.fft.rfft(noise, size)[used] * response
    span = 0.5 * (ahead + excitation.pause) + excitation.time_of(grid)
    cross = as_heard * np.conj(predicted)
    drift, deviation, coherence = _best_drift(grid * span, cross)
    return LeadInNoise(
        axis=grid,
        turns=grid * span,
        cross=cross,
        heard=np.abs(as_heard) ** 2,
        predicted=np.abs(predicted) ** 2,
        spread=size / noise.size,
        length=ahead - excitation.pause,
        drift=drift,
        deviation=deviation,
        coherence=coherence,
    )


def _best_drift(turns: FloatArray, cross: ComplexArray) -> tuple[float, float, float]:
    """Return the drift that makes a cross spectrum real, its deviation and the coherence."""
    order = np.arange(0, cross.size, max(1, cross.size // 512))
    # The likeness has a width of 1 / max(turns), some hundred ppm.
    trial = np.arange(-_LARGEST_DRIFT, _LARGEST_DRIFT + 1e-6, 20e-6)
    likeness = np.real(np.exp(-2j * np.pi * np.outer(trial, turns[order])) @ cross[order])
    drift, deviation = float(trial[int(np.argmax(likeness))]), math.inf
    rest = cross
    for _ in range(4):
        rest = cross * np.exp(-2j * np.pi * drift * turns)
        weight, phase = np.abs(cross) * turns, np.angle(rest)
        bottom = 2.0 * np.pi * float(np.sum(weight * turns))
        drift += float(np.sum(weight * phase)) / bottom
        deviation = math.sqrt(float(np.sum((weight * phase) ** 2))) / bottom
    return drift, deviation, float(rest.real.sum() / np.abs(cross).sum())


def gain_findings(
    model: SweepModel, lead_in: LeadInNoise | None, *, disturbed: bool = False
) -> Iterator[Finding]:
    """Return whether the gain changed between lead-in and sweep, or that nothing tells.

    By octave: real part of the cross spectrum over the predicted power, so that noise adds nothing
    on the mean. A change is told from 0.8 dB on, and six standard deviations; a loudspeaker with
    3 % of distortion compresses by 0.6 dB. Something else that was heard loudly feigns a change of
    few octaves: then half of them must have changed.
    """
    recording = model.view.recording
    octaves = [] if lead_in is None else list(_octave_gains(lead_in))
    if not octaves:
        yield Finding.of(
            FindingCode.GAIN_UNKNOWN,
            Severity.NOTE,
            recording,
            "whether the recorder changed its gain meanwhile cannot be told: no lead-in "
            "of a known level was heard",
            confidence=1.0,
        )
        return
    changed = [one for one in octaves if abs(one[2]) >= max(_LEAST_GAIN_DB, _SIGMAS * one[3])]
    if not changed or (disturbed and 2 * len(changed) < len(octaves)):
        return
    worst = max(changed, key=lambda one: abs(one[2]))
    begins = ""
    if changed[0] != octaves[0]:
        since = model.instant_of(changed[0][0])
        begins = (
            f"; it changed while the sweep passed about {changed[0][0]:.0f} Hz, {since:.1f} s in"
        )
    yield Finding.of(
        FindingCode.GAIN_CHANGED,
        Severity.FAULT if abs(worst[2]) >= _HARMFUL_GAIN_DB else Severity.WARNING,
        recording,
        f"the lead-in was heard {abs(worst[2]):.1f} dB "
        f"{'louder' if worst[2] > 0 else 'more quietly'} than the sweep predicts at "
        f"{worst[0]:.0f} to {worst[1]:.0f} Hz: the recorder changed its gain, or the "
        f"loudspeaker compresses{begins}",
        confidence=confidence_of(abs(worst[2]) / max(_LEAST_GAIN_DB, _SIGMAS * worst[3])),
        band=(changed[0][0], changed[-1][1]),
        value=worst[2],
    )


def _octave_gains(lead_in: LeadInNoise) -> Iterator[tuple[float, float, float, float]]:
    """Return edges, gain and its standard deviation in dB of the octaves that tell it."""
    if lead_in.coherence < _COHERENT:
        return
    turned = np.real(lead_in.cross * np.exp(-2j * np.pi * lead_in.drift * lead_in.turns))
    # Drift moves the ends of the lead-in against its middle.
    turned /= np.maximum(np.sinc(lead_in.axis * lead_in.drift * lead_in.length), 0.5)
    count = max(1, round(math.log2(lead_in.axis[-1] / lead_in.axis[0])))
    edges = np.geomspace(lead_in.axis[0], lead_in.axis[-1], count + 1)
    for low, high in itertools.pairwise(edges):
        one = slice(*np.searchsorted(lead_in.axis, (low, high)))
        power = float(lead_in.predicted[one].sum())
        gain = float(turned[one].sum()) / max(power, 1e-300)
        rest = lead_in.heard[one] - 2.0 * gain * turned[one] + gain**2 * lead_in.predicted[one]
        error = 0.5 * lead_in.spread * float(np.sum(np.maximum(rest, 0.0) * lead_in.predicted[one]))
        deviation_db = 8.686 * math.sqrt(error) / max(power, 1e-300) / max(gain, 1e-3)
        if gain > 0 and deviation_db < _TOLD_DB:
            yield float(low), float(high), 20.0 * math.log10(gain), deviation_db
