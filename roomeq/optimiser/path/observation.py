"""A response made ready for fitting: levels of narrow groups of points, and how noisy they are.

Conventions
-----------
Frequencies in Hz, shape (F,), at most 24 to the octave; levels in dB relative to the largest. Phase
is not used: filters, boxes and coils are minimum-phase, so that it says the same again, while a
phase control, a delay or some of the room in it would mislead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomeq.base.levels import FloatArray, amplitude_ratio
from roomeq.base.response import FrequencyResponse

_PER_OCTAVE = 24
_LOWEST, _HIGHEST = 5.0, 600.0
_BELOW_DB, _ABOVE_DB = 40.0, 70.0  # fall below and above the largest level that is still fitted
_LEAST_NOISE_DB = -70.0  # leakage, hum and rounding go no lower
_DIFFERENCE = np.array([1.0, -4.0, 6.0, -4.0, 1.0])
_BEND = np.log(10.0) / 240.0  # of a power mean over a group in which the level falls by 1 dB
_RANDOM_DB = 10.0 / np.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observation:
    """What there is to be explained.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Hz.
    level_db : ndarray, shape (F,)
        Power mean of each group of points, relative to the largest.
    noise_db : ndarray, shape (F,)
        Level of the noise of one point.
    spread_db : ndarray, shape (F,)
        Standard deviation that noise gives each level.
    """

    frequencies: FloatArray
    level_db: FloatArray
    noise_db: FloatArray
    spread_db: FloatArray

    @property
    def signal_to_noise_db(self) -> float:
        """Largest level less that of the noise (median over frequency), in dB."""
        return float(-np.median(self.noise_db))

    @property
    def fall_seen_db(self) -> float:
        """How far the level falls above its largest before it meets the noise or the end."""
        return float(-self.level_db[int(np.argmax(self.level_db)) :].min())


def observe(response: FrequencyResponse) -> Observation:
    """Make one response ready.

    Parameters
    ----------
    response : FrequencyResponse
        One-dimensional and narrow-band.

    Raises
    ------
    ValueError
        If the response is not one-dimensional, holds band levels only, or has fewer than 16 points
        between 5 and 600 Hz.
    """
    if response.stored.ndim != 1:
        raise ValueError(f"one response at a time, got {response.stored.shape[:-1]} of them")
    if response.resolution != "narrow":
        raise ValueError("band levels are too coarse to tell filters from: give a narrow response")
    inside = (response.frequencies >= _LOWEST) & (response.frequencies <= _HIGHEST)
    if np.count_nonzero(inside) < 16:
        raise ValueError("needs at least 16 points between 5 and 600 Hz to tell filters from")
    axis = response.frequencies[inside]
    amplitude = amplitude_ratio(response.level_db[inside] - response.level_db[inside].max())
    number = np.floor(_PER_OCTAVE * np.log2(axis / axis[0]) + 1e-6)
    starts = np.flatnonzero(np.diff(number, prepend=-1.0))
    counts = np.diff(starts, append=axis.size)
    frequencies = np.exp(np.add.reduceat(np.log(axis), starts) / counts)
    power = np.add.reduceat(amplitude**2, starts) / counts
    if response.snr_db is not None:
        noise = amplitude**2 / (1.0 + 10.0 ** (response.snr_db[inside] / 10.0))
    else:
        noise = noise_power(axis, amplitude)
    noise = np.maximum(np.add.reduceat(noise, starts) / counts, 10.0 ** (_LEAST_NOISE_DB / 10.0))
    signal = np.maximum(power - noise, 0.0)
    spread = _RANDOM_DB * np.sqrt((2.0 * signal + noise) * noise / counts) / (signal + noise)
    level_db = 10.0 * np.log10(power / power.max())
    bend_db = _BEND * np.gradient(level_db) ** 2
    peak = int(np.argmax(power))
    low = np.flatnonzero(level_db[:peak] < -_BELOW_DB)
    high = np.flatnonzero(level_db[peak:] < -_ABOVE_DB)
    used = slice(low[-1] + 1 if low.size else 0, peak + high[0] if high.size else None)
    return Observation(
        frequencies=frequencies[used],
        level_db=level_db[used],
        noise_db=10.0 * np.log10(noise / power.max())[used],
        spread_db=np.hypot(spread, bend_db)[used],
    )


def noise_power(axis: FloatArray, amplitude: FloatArray) -> FloatArray:
    """Return the noise's power from how rough the amplitude is: fourth differences.

    A power law over frequency, level or rising downwards by up to 3 dB per octave, through medians
    by octave. An amplitude has half the noise's variance where it stands out, and is taken so
    everywhere; where there is noise alone it has ``1 - pi / 4`` of it (Rayleigh), so that octaves
    which a filter has emptied pull the noise down, by 3.7 dB if all are empty, and the rest of the
    axis up to 2 dB up. A response that was smoothed before seems to have less noise.
    """
    rough = np.convolve(amplitude, _DIFFERENCE, mode="valid") ** 2 / np.sum(_DIFFERENCE**2)
    rough = np.maximum(2.0 * rough / 0.455, 1e-14)  # median of chi-square, one degree of freedom
    octaves = np.log2(axis[2:-2])
    places = np.arange(octaves[0] + 0.5, octaves[-1], 0.5)
    groups = [(place, rough[np.abs(octaves - place) <= 0.5]) for place in places]
    told = [(at, np.log(np.median(one)), one.size) for at, one in groups if one.size > 4]
    if len(told) < 3:
        return np.full(axis.size, float(np.median(rough)))
    where, levels, counts = np.array(told).T
    slope, _ = np.polyfit(where, levels, 1, w=np.sqrt(counts))
    slope = np.clip(slope, -np.log(2.0), 0.0)
    start = np.average(levels - slope * where, weights=counts)
    return np.asarray(np.exp(start + slope * np.log2(axis)))
