"""What is heard besides sweep, room and noise: hum of the mains; a slam, a voice or a knock.

Conventions
-----------
The residual of `roomeq.analysis.recordings.model` is cut into frames of about an eighth of a second
(Hann, overlapping by half). A cell is a frame times a frequency; it is *free* where the model
explains nothing at that moment. Of steady noise the power of a cell has an exponential law about
its mean, so that the mean over n independent cells exceeds ``1 + 2 sqrt(x / (2 n)) + 2 x / (2 n)``
times the true mean with a probability below ``exp(-x)`` (Laurent and Massart 2000, lemma 1).

Hum is looked for at 50 or 60 Hz and harmonics, each line where the sweep has passed it and the room
has decayed, so that low lines have most of the recording to show themselves. A line is a peak too
narrow for a room: all its power lies within the main lobe of the window (Hann), and the bins around
it tell the noise. The power of a sine of amplitude a under a Hann window w is ``a**2 / 4 * N *
sum(w**2)`` summed over the main lobe, whatever the frequency between the bins. Frequency in Hz,
levels in dBFS (AES17) or in dB relative to the sweep while it passes that frequency.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.sweeps.windowing import tapered_power
from roomeq.base.levels import FloatArray

_FRAME = 0.128  # s
_RARITY = 23.0  # exp(-23) = 1e-10 for a cell; some thousands of cells are looked at
_INDEPENDENT = 2.0 / 3.0  # of neighbouring bins under a Hann window, and no less than one
_FEWEST_FRAMES = 12
_LEAST_RELATIVE_DB = -45.0  # moves a level by at most 0.05 dB
_HARMFUL_DB = -30.0  # by at most 0.27 dB
_UNUSABLE_DB = -15.0  # by at most 1.4 dB
_PER_OCTAVE = 1
_ABOVE = 1.3
_BEYOND_HARMONICS = 6.5
_HIDDEN = 0.5  # of the band: less than that is free
_SPARED = 0.4  # s around the ends of the recording and around other findings
MAINS = (50.0, 60.0)
_TOLERANCE = 0.004  # of the frequency: mains and recorder together
_SHORTEST = 1.0  # s
_LOBE = 2  # bins on either side of the peak
_SIGNIFICANT = 20.0  # peak over mean power nearby; noise alone: exp(-20) in each bin
_LEAST_HUM_DB = -60.0
"""Hum further than this below the sweep is not worth a word."""
_HARMFUL_HUM_DB = -40.0
_MOST_HARMONICS = 12
_AROUND = 0.12  # of ln f: the sweep there is the median over a third of an octave
_EVEN = 256  # lengths that are whole multiples of it are quick to transform


def disturbance_findings(
    model: SweepModel, *, step: float = 0.0, spared: Sequence[tuple[float, float]] = ()
) -> Iterator[Finding]:
    """Return what was heard besides sweep, room and steady noise, each event by itself.

    Looked for in octaves, from the beginning of the first sweep until the last has decayed. What it
    does to the response is judged by the energy of the event against that of the sweep in the same
    octave.

    Parameters
    ----------
    model : SweepModel
        What the sweep explains.
    step : float
        Of the quantiser, as a fraction of full scale: what it adds is no disturbance.
    spared : sequence of tuple of float
        From when to when, in s, other findings already say what is wrong.
    """
    if model.residual.size < 4 * _FRAME * model.low_rate:
        return
    # Of a slow signal the steps' noise, step**2 / 12, gathers at few frequencies: ten times that.
    least, wide = 10.0 * step**2 / 12.0 / model.recording.sample_rate, model.view.wide
    cells = _cells(model, model.residual, model.low_rate, _unexplained, model.band, least)
    end = model.starts[-1] + model.view.excitation.duration + model.explained.length
    counted = (cells.times >= model.starts[0]) & (cells.times <= end)
    for first, last in ((-1.0, 0.0), (model.recording.duration, math.inf), *spared):
        counted &= (cells.times < first - _SPARED) | (cells.times > last + _SPARED)
    flagged = [
        cells.excess(octave, counted, _signal_energy(model, *octave)) for octave in _octaves(model)
    ]
    # Where the model hides most of the band a voice or a slam that is heard above it is taken to be
    # as strong in the octave at the top of the band.
    counted &= np.isfinite(cells.heard).mean(axis=1) < _HIDDEN
    highest = model.band[1]
    above = _ABOVE * highest, 0.29 * wide.sample_rate
    if above[1] > 1.5 * above[0]:
        far = _cells(model, wide.samples, wide.sample_rate, _beyond_harmonics, above, least)
        flagged.append(far.excess(above, counted, _signal_energy(model, 0.5 * highest, highest)))
    yield from _events(model, cells.times, [one for one in flagged if one[1] >= 1.0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cells:
    """Frames by frequencies: what was heard, nan where the model explains it, and the noise."""

    times: FloatArray
    axis: FloatArray
    heard: FloatArray
    noise: FloatArray  # of a cell of each frequency; nan where too few are free

    def excess(
        self, band: tuple[float, float], counted: NDArray[np.bool_], energy: float
    ) -> tuple[FloatArray, float, tuple[float, float]]:
        """Return excess energy in the free cells of each frame, the clearest evidence, the band.

        Over the energy of the sweep; 0 in frames that do not count or whose evidence does not
        suffice.
        """
        bins = (self.axis >= band[0]) & (self.axis < band[1]) & np.isfinite(self.noise)
        size = min(self.times.size, counted.size)  # frames of both rates begin together
        heard, noise = self.heard[:size, bins], self.noise[bins]
        count = np.isfinite(heard).sum(axis=1)
        mean = np.nansum(heard / np.maximum(noise, 1e-300), axis=1) / np.maximum(count, 1)
        degrees = 2.0 * np.maximum(1.0, _INDEPENDENT * count)
        bound = 1.0 + 2.0 * np.sqrt(_RARITY / degrees) + 2.0 * _RARITY / degrees
        # The median of few frames errs: it is allowed a third.
        margin = np.where(counted[:size], mean / (1.35 * bound), 0.0)
        # As much again where the model hides it.
        surplus = np.nansum(heard - noise, axis=1) * bins.sum() / np.maximum(count, 1)
        relative = np.where(margin >= 1.0, np.maximum(surplus, 0.0) / energy, 0.0)
        return np.pad(relative, (0, counted.size - size)), float(margin.max(initial=0.0)), band


def _cells(
    model: SweepModel,
    signal: FloatArray,
    rate: float,
    left_free: Callable[[SweepModel, FloatArray, FloatArray], NDArray[np.bool_]],
    band: tuple[float, float],
    least: float,
) -> _Cells:
    """Return the cells of a signal in a band; the noise in one is nowhere less than `least`."""
    from scipy.signal import spectrogram

    hop = round(0.5 * _FRAME * rate)
    axis, times, density = spectrogram(
        signal, rate, window="hann", nperseg=2 * hop, noverlap=hop, detrend=False
    )
    used = (axis >= band[0]) & (axis <= band[1])
    power = 0.5 * density.T[:, used]  # of both signs of frequency
    heard = np.where(left_free(model, times, axis[used]), power, np.nan)
    begin, sweep = model.starts[0], model.view.excitation
    quiet = (times > begin - 0.5 * sweep.pause) | (times < begin - sweep.ahead)  # no lead-in
    noise = np.full(heard.shape[1], np.nan)
    enough = np.isfinite(heard[quiet]).sum(axis=0) >= _FEWEST_FRAMES
    noise[enough] = np.nanmedian(heard[quiet][:, enough], axis=0) / math.log(2.0)
    return _Cells(times=times, axis=axis[used], heard=heard, noise=np.maximum(noise, least))


def _unexplained(model: SweepModel, times: FloatArray, axis: FloatArray) -> NDArray[np.bool_]:
    """Return which cells of the residual still hold what the recording held."""
    lags = times[:, np.newaxis] - model.view.excitation.time_of(axis)
    index = np.round(lags * model.low_rate).astype(np.intp)
    return np.asarray(model.left[index % model.left.size])


def _beyond_harmonics(model: SweepModel, times: FloatArray, axis: FloatArray) -> NDArray[np.bool_]:
    """Return which cells lie well above the fifth harmonic of what plays or rings on."""
    sweep, playing = model.view.excitation, np.zeros(times.size)
    for start in model.starts:
        since = times - start
        heard = (since >= -_FRAME) & (since <= sweep.duration + model.explained.length)
        playing[heard] = sweep.frequency_at(since[heard] + 0.5 * _FRAME)
    return np.asarray(axis > _BEYOND_HARMONICS * playing[:, np.newaxis])


def _octaves(model: SweepModel) -> list[tuple[float, float]]:
    lowest, highest = model.band
    count = max(1, math.floor(_PER_OCTAVE * math.log2(highest / lowest)))
    edges = highest * 2.0 ** (-np.arange(count + 1) / _PER_OCTAVE)
    edges[-1] = lowest
    return [(float(low), float(high)) for high, low in itertools.pairwise(edges)]


def _signal_energy(model: SweepModel, low: float, high: float) -> float:
    """Return the energy of the sweep as heard in a band, in full scale squared times s.

    It spends ``dt = L df / f`` at f, with a mean square of half its amplitude squared. The cells of
    `_cells` sum up to the same: a frame of n samples with mean square s gives ``n s / (2 rate)``,
    and a frame begins every n / 2 samples.
    """
    axis, pressure = model.frequencies, model.spectrum
    inside = (axis >= low) & (axis < high)
    excitation = model.view.excitation
    amplitude = excitation.amplitude * np.abs(pressure[inside])
    step = float(axis[1] - axis[0])
    growth, repeats = excitation.growth_at(axis[inside]), len(model.starts)
    return float(np.sum(0.5 * amplitude**2 * growth / axis[inside]) * step * repeats)


def _events(
    model: SweepModel,
    times: FloatArray,
    flagged: list[tuple[FloatArray, float, tuple[float, float]]],
) -> Iterator[Finding]:
    """Return findings: flagged frames that lie together are one event."""
    frames = np.flatnonzero(np.any([relative > 0 for relative, _, _ in flagged], axis=0))
    for group in np.split(frames, np.flatnonzero(np.diff(frames) > 8) + 1) if frames.size else ():
        span = slice(int(group[0]), int(group[-1]) + 1)
        parts = [(float(rel[span].sum()), mar, *band) for rel, mar, band in flagged]
        heard = [part for part in parts if part[0] > 10.0 ** (_LEAST_RELATIVE_DB / 10.0)]
        if not heard:
            continue
        energy, _, low, high = max(heard)
        level_db, severity = 10.0 * math.log10(energy), Severity.WARNING
        if level_db > _UNUSABLE_DB:
            severity = Severity.FAULT
        elif level_db < _HARMFUL_DB and low <= model.band[1]:  # else its harm is not known
            severity = Severity.NOTE
        seconds = (float(times[span][0]) - 0.5 * _FRAME, float(times[span][-1]) + 0.5 * _FRAME)
        played = model.played(seconds)
        what = (
            f"something was heard besides the sweep, with {level_db:.0f} dB relative to it between "
            f"{low:.0f} and {high:.0f} Hz, while the sweep passed {played[0]:.0f} to "
            f"{played[1]:.0f} Hz"
        )
        _, margins, lows, highs = zip(*heard, strict=True)
        sure, band = confidence_of(max(margins)), (min(lows), max(highs))
        code, heard_in = FindingCode.DISTURBANCE, model.recording
        yield Finding.of(
            code, severity, heard_in, what, sure, seconds=seconds, band=band, value=level_db
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hum:
    """Lines of one mains frequency.

    Attributes
    ----------
    mains : float
        50 or 60 Hz.
    frequencies : tuple of float
        Lines that stand out, in Hz.
    levels_dbfs, relative_db : ndarray, shape (L,)
        Level of each, in dBFS and in dB relative to the sweep there.
    margin : float
        Of the clearest line: its peak over what counts as significant.
    """

    mains: float
    frequencies: tuple[float, ...]
    levels_dbfs: FloatArray
    relative_db: FloatArray
    margin: float


def estimate_hum(model: SweepModel) -> Hum | None:
    """Return the hum of the mains frequency that shows more of it; None where none shows.

    Lines that belong to both (300 Hz, 600 Hz) do not decide.
    """
    families = []
    for mains in MAINS:
        orders = mains * np.arange(1, _MOST_HARMONICS + 1)
        inside = orders[(orders > model.band[0]) & (orders < model.band[1] - 8.0)]
        lines = [line for one in inside.tolist() if (line := _line(model, one)) is not None]
        own = sum(level**2 for frequency, level, _ in lines if frequency % 300.0 > 0)
        if own > 0:
            families.append((own, mains, lines))
    if not families:
        return None
    _, mains, lines = max(families)
    frequencies, levels, margins = np.array(lines).T
    axis, magnitude = model.frequencies, np.abs(model.spectrum)
    near = [np.abs(np.log(axis / one)) < _AROUND for one in frequencies]
    swept = model.view.excitation.amplitude * np.array([np.median(magnitude[one]) for one in near])
    return Hum(
        mains=mains,
        frequencies=tuple(frequencies.tolist()),
        levels_dbfs=20.0 * np.log10(levels),
        relative_db=20.0 * np.log10(levels / swept),
        margin=float(margins.max()),
    )


def _line(model: SweepModel, frequency: float) -> tuple[float, float, float] | None:
    """Return frequency, amplitude and margin of a line; None where none stands out."""
    rate = model.low_rate
    passed = max(model.starts[-1], 0.0) + model.instant_of(frequency) + model.window.length
    part = model.residual[round(passed * rate) :]
    part = part[: part.size // _EVEN * _EVEN]
    if part.size < _SHORTEST * rate:
        return None
    power, energy = tapered_power(part)
    step = rate / part.size
    reach = max(1, math.ceil(_TOLERANCE * frequency / step))
    centre = round(frequency / step)
    near = slice(centre - reach, centre + reach + 1)
    at = near.start + int(np.argmax(power[near]))
    lobe = slice(at - _LOBE, at + _LOBE + 1)
    wide = max(12, round(4.0 / step))
    around = np.concatenate((power[max(1, at - wide) : at - _LOBE], power[at + _LOBE + 1 :][:wide]))
    # The mean of an exponential law from its median, so that a neighbouring line does not matter.
    noise = float(np.median(around)) / math.log(2.0)
    margin = float(power[at]) / max(noise, 1e-300) / _SIGNIFICANT
    inside = float(power[lobe].sum()) - noise * (2 * _LOBE + 1)
    if margin < 1.0 or inside <= 0.0:
        return None
    # Both halves hold the line within 6 dB: what decays is the room.
    halves, near = np.split(part, 2), slice(at // 2, at // 2 + 2)
    early, late = (float(tapered_power(half)[0][near].sum()) for half in halves)
    if not 0.25 * early < late < 4.0 * early:
        return None
    return frequency, math.sqrt(4.0 * inside / (part.size * energy)), margin


def hum_findings(model: SweepModel, hum: Hum | None) -> Iterator[Finding]:
    """Return the hum that is less than 60 dB below the sweep; a warning above -40 dB."""
    if hum is None or hum.relative_db.max() < _LEAST_HUM_DB:
        return
    heard = np.array(hum.frequencies)[hum.relative_db >= _LEAST_HUM_DB]
    worst = int(np.argmax(hum.relative_db))
    relative_db, band = float(hum.relative_db[worst]), (heard[0], heard[-1])
    severity = Severity.WARNING if relative_db > _HARMFUL_HUM_DB else Severity.NOTE
    what = (
        f"hum of {hum.mains:g} Hz mains at {', '.join(f'{one:g}' for one in heard)} Hz; the worst, "
        f"at {hum.frequencies[worst]:g} Hz, has {hum.levels_dbfs[worst]:.0f} dBFS, "
        f"{relative_db:.0f} dB relative to the sweep there"
    )
    code, sure = FindingCode.HUM, confidence_of(hum.margin)
    yield Finding.of(code, severity, model.recording, what, sure, band=band, value=relative_db)
