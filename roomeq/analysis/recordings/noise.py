"""Noise and distortion: ratios by third octave, from the quiet around a sweep; harmonics above it.

Conventions
-----------
Third-octave bands of IEC 61260-1 that lie whole within the usable band, shape (B,). Levels in dBFS
are those of AES17: a sine whose peaks reach full scale has 0 dBFS, so a band's noise has ``10 lg (2
rms**2)``. The *signal-to-noise ratio* is the effective one of ISO 18233:2006: that of the windowed
response, which gains with the length of the sweep and with the number of sweeps (3.01 dB for every
doubling).

An exponential sweep sets the harmonics of loudspeaker and amplifier apart: that of order n lies ``L
ln n`` ahead of the response, whatever the formula of the sweep. Frequency in Hz is that of the
fundamental; the total is the root of the summed squares of orders 2 to 5, each a mean over an
octave, over the fundamental as heard there or, where that is louder, over the sweep as heard at the
harmonic.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import ORDERS, SweepModel
from roomeq.analysis.recordings.samples import runs
from roomeq.analysis.sweeps.distortion import harmonic_window
from roomeq.analysis.sweeps.windowing import band_means, tapered_power, window_values
from roomeq.base.bands import ThirdOctaveBand, whole_bands
from roomeq.base.levels import FloatArray, power_ratio_db, readonly

LEAST_SNR_DB = 20.0
"""Below it, noise may move a level by more than 0.8 dB: 20 lg (1 + 10 ** (-snr / 20))."""
UNUSABLE_SNR_DB = 10.0
"""Below it, by more than 2.4 dB."""
_SHORTEST_QUIET = 0.5  # s
_SHORTEST_REST = 0.3  # s
_GUARD = 0.05  # s before a sweep begins
LEAST_TOTAL = 0.1
"""Total distortion from which on it is a finding."""
_PER_OCTAVE = 3
_OVER_NOISE = 4.0  # power
_FAINT = 10.0**-2  # of the strongest power: there the box, not the drive, makes the ratio


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseLevels:
    """Noise by third octave.

    Attributes
    ----------
    bands : tuple of ThirdOctaveBand
        Lowest first.
    noise_db, snr_db : ndarray, shape (B,)
        Level of the noise in the band, in dBFS, and effective signal-to-noise ratio in dB; nan
        where nothing tells the noise.
    floor : ndarray, shape (B,)
        Power of the noise in a deconvolved response, for each sample of a window.
    """

    bands: tuple[ThirdOctaveBand, ...]
    noise_db: FloatArray
    snr_db: FloatArray
    floor: FloatArray


_NONE = readonly([])
NO_LEVELS = NoiseLevels(bands=(), noise_db=_NONE, snr_db=_NONE, floor=_NONE)
"""Where no sweep was found."""


def quiet_stretches(model: SweepModel) -> list[tuple[float, float]]:
    """Return the stretches that tell the noise, in s: the pause before and the tail after a sweep.

    Of the pause the later half, so that the lead-in has died away; of the tail what follows the
    window's length. Nothing shorter than half a second.
    """
    view = model.view
    sweep, end = view.excitation, view.recording.duration
    first = model.starts[0]
    begin = max(0.0, first - 0.5 * sweep.pause) if sweep.ahead else 0.0
    stretches = [(begin, first - _GUARD)]
    following = (*model.starts[1:], end + _GUARD)
    for start, after in zip(model.starts, following, strict=True):
        ended = start + sweep.duration + model.window.length
        last = after - _GUARD
        if after > end:  # what is heard beyond the described tail is not the sweep's business
            last = min(end, max(start + sweep.period, ended + 4.0))
        stretches.append((ended, last))
    return [(a, b) for a, b in stretches if b - a >= _SHORTEST_QUIET]


def _density(model: SweepModel, stretches: list[tuple[float, float]]) -> tuple[FloatArray, float]:
    """Return the mean squared spectrum per sample over quiet stretches, and its bin spacing.

    Of the recording itself: within the sweep's band alone, cut off at once, its lowest frequency
    rings on for seconds, 20 dB above the noise of a quiet room; and the residual lacks what lies
    where harmonics would.
    """
    from scipy.fft import next_fast_len

    wide = model.view.wide
    rate = float(wide.sample_rate)
    size = next_fast_len(1 + round(max(b - a for a, b in stretches) * rate), real=True)
    total, weight = np.zeros(size // 2 + 1), 0.0
    for begin, end in stretches:
        part = wide.samples[round(begin * rate) : round(end * rate)]
        power, energy = tapered_power(part, size)
        total += part.size * power / energy
        weight += part.size
    return total / weight * (model.low_rate / rate), rate / size


def estimate_noise(model: SweepModel) -> NoiseLevels:
    """Return noise and effective signal-to-noise ratio by third octave.

    The noise's spectral density comes from the quiet stretches. What it makes of the windowed
    response is its density times the squared inverse spectrum of the sweep times the sum of the
    squared window, over the number of sweeps averaged.
    """
    lowest, highest = model.band
    bands = whole_bands(lowest, highest, first=lowest, last=highest)
    lower, upper = np.array([(band.lower, band.upper) for band in bands]).reshape(-1, 2).T
    means = partial(band_means, lower=lower, upper=upper)
    axis, rate = model.frequencies, model.low_rate
    mean = means(np.abs(model.spectrum) ** 2, first=axis[0], step=axis[1] - axis[0])
    gain = np.abs(model.view.inverse.spectrum) ** 2
    inverse = means(gain, step=rate / model.view.inverse.fft_length)
    stretches = quiet_stretches(model)
    if stretches:
        density, step = _density(model, stretches)
        noise = means(density, step=step)
    else:
        noise = _floor_after(model, lower, upper) / inverse
    values = window_values(model.impulse_response.times, window=model.window)
    in_response = noise * inverse * float(values @ values) / len(model.starts)
    clean = np.maximum(mean - in_response, 0.01 * mean)  # hence no ratio falls below -20 dB
    # Mean square in a band: two-sided density over the rate, twice for both signs of frequency.
    band_power = 2.0 * noise * (upper - lower) / rate
    return NoiseLevels(
        bands=bands,
        noise_db=readonly(power_ratio_db(2.0 * band_power)),
        snr_db=readonly(power_ratio_db(clean / np.maximum(in_response, 1e-30 * mean))),
        floor=noise * inverse,
    )


def _floor_after(model: SweepModel, lower: FloatArray, upper: FloatArray) -> FloatArray:
    """Return the power of the noise in a response, for each sample, from what follows its window.

    Where the recording ends with the sweep, the lower bands go on telling it.
    """
    response, rate = model.impulse_response, model.low_rate
    floor = np.full(lower.size, math.nan)
    for index, told in enumerate(response.told_until(upper)):
        first, last = (round((at - response.start) * rate) for at in (model.window.length, told))
        rest = response.samples[first:last]
        if rest.size >= _SHORTEST_REST * rate:
            power, energy = tapered_power(rest)
            low, high = lower[[index]], upper[[index]]
            (mean,) = band_means(power / energy, lower=low, upper=high, step=rate / rest.size)
            floor[index] = mean * len(model.starts)
    return floor


def noise_findings(model: SweepModel, noise: NoiseLevels) -> Iterator[Finding]:
    """Return where the signal-to-noise ratio is too small, each run of bands by itself."""
    if np.isnan(noise.snr_db).all():
        what = (
            "neither before nor after the sweep is there half a second of quiet: the noise is not "
            "known"
        )
        yield Finding.of(FindingCode.NOISE_UNKNOWN, Severity.WARNING, model.recording, what)
        return
    for low, high in runs(noise.snr_db < LEAST_SNR_DB):
        worst = float(noise.snr_db[low:high].min())
        lower, upper = noise.bands[low], noise.bands[high - 1]
        where = f"octaves from {lower.label} to {upper.label}"
        if lower == upper:
            where = f"octave at {lower.label}"
        what = f"the signal-to-noise ratio falls to {worst:.0f} dB in the third {where} Hz"
        severity = Severity.FAULT if worst < UNUSABLE_SNR_DB else Severity.WARNING
        sure, band = confidence_of(1.0 + (LEAST_SNR_DB - worst) / 3.0), (lower.lower, upper.upper)
        code = FindingCode.LOW_SNR
        yield Finding.of(code, severity, model.recording, what, sure, band=band, value=worst)


def distortion_findings(model: SweepModel, totals: list[tuple[float, float]]) -> Iterator[Finding]:
    """Return where total distortion reaches 10 %, from what `total_distortion` says."""
    bent = [one for one in totals if one[1] >= LEAST_TOTAL]
    if not bent:
        return
    centre, total = max(bent, key=lambda one: one[1])
    what = (
        f"total distortion reaches {100 * total:.0f} % in the octave around {centre:.0f} Hz: "
        "loudspeaker or amplifier is overdriven"
    )
    code, value, band = FindingCode.DISTORTION, 100.0 * total, (bent[0][0], bent[-1][0])
    sure, heard = confidence_of(total / LEAST_TOTAL), model.recording
    yield Finding.of(code, Severity.WARNING, heard, what, sure, band=band, value=value)


def total_distortion(model: SweepModel, noise: NoiseLevels) -> list[tuple[float, float]]:
    """Return centre and total distortion of octaves, three to an octave, as far as it is told."""
    if not model.view.excitation.growth > 0:
        return []
    axis, own = model.frequencies, np.abs(model.spectrum) ** 2
    first, last = math.log2(model.band[0]), math.log2(model.band[1] / 4.0)
    low = 2.0 ** np.arange(first, last, 1.0 / _PER_OCTAVE)
    heard = partial(band_means, own, first=axis[0], step=axis[1] - axis[0])
    fundamental, total = heard(lower=low, upper=2.0 * low), np.zeros(low.size)
    centres = np.array([band.centre for band in noise.bands])
    floor = np.nan_to_num(noise.floor) / len(model.starts)
    for order in ORDERS:
        step, power, energy = _harmonic(model, order)
        lower, upper = order * low, np.minimum(2.0 * order * low, model.band[1])
        told = lower < 0.9 * upper
        lower, upper = lower[told], upper[told]
        mean = band_means(power, lower=lower, upper=upper, step=step)
        near = (centres >= 0.9 * lower[:, np.newaxis]) & (centres <= 1.1 * upper[:, np.newaxis])
        quiet = energy * (near @ floor) / np.maximum(near.sum(axis=1), 1)
        # A mode at the harmonic, or a dip at the fundamental, is no distortion.
        whole = np.maximum(fundamental[told], heard(lower=lower, upper=upper))
        total[told] += np.where(mean > _OVER_NOISE * quiet, (mean - quiet) / whole, 0.0)
    clear = fundamental >= _FAINT * own.max()
    return [*zip((low * 2**0.5)[clear].tolist(), np.sqrt(total)[clear].tolist(), strict=True)]


def _harmonic(model: SweepModel, order: int) -> tuple[float, FloatArray, float]:
    """Return bin spacing, power and the window's energy of one harmonic, mean over the sweeps."""
    excitation, rate = model.view.excitation, model.low_rate
    ahead = excitation.harmonic_advance(order)
    index, window = harmonic_window(order, excitation, rate)
    lags, power = model.view.deconvolved, np.zeros(index.size // 2 + 1)
    for start in model.starts:
        cut = lags[(round((start - ahead) * rate) + index) % lags.size] * window
        power += np.abs(np.fft.rfft(cut)) ** 2 / len(model.starts)
    return rate / index.size, power, float(window @ window)
