"""A response made ready for fitting a path: fewer points, noise known.

Conventions
-----------
Frequencies in Hz, shape (F,), 24 to the octave where the response has more. Amplitudes are relative
to the largest, so that their noise is the inverse of a signal-to-noise ratio. `noise` is the root
mean square of the complex noise of one point, before points were averaged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db
from roomeq.base.response import ComplexArray, FrequencyResponse

__all__ = ["Observation", "observe", "rice_mean", "rice_spread"]

_PER_OCTAVE = 24
_LOWEST, _HIGHEST = 10.0, 600.0
_BELOW_DB = 15.0  # fall towards low frequencies that is still fitted
_BEYOND_NOISE_OCTAVES = 2.0  # the more, the better the noise is known
_LEAST_NOISE_DB = -55.0  # leakage, hum and rounding go no lower
_NOISE_STEP = 0.25
_SMOOTHED_BEFORE = 1.5
_SLOPE_ERRORS = 4.0
_MEDIAN_VARIANCE = 40.0  # of ln median times points; windows overlap, differences hang together
_DIFFERENCE = np.array([1.0, -4.0, 6.0, -4.0, 1.0])
_LONGEST_DELAY = 0.2
_RICE_DECAY = 0.33
_CHI_SQUARE_MEDIAN = 0.4549  # one degree of freedom


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observation:
    """What there is to be explained.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Hz.
    amplitude : ndarray, shape (F,)
        Mean amplitude of each point, relative to the largest.
    pressure : ndarray, shape (F,), complex, or None
        The same with phase, less `delay`; None where phase is not known.
    delay : float
        Delay in s that was taken out of `pressure`.
    noise : ndarray, shape (F,)
        Root mean square of the complex noise of one point.
    counts : ndarray, shape (F,)
        Points of the response in each of these.
    reference_db : float
        Level of amplitude 1, in dB.
    """

    frequencies: FloatArray
    amplitude: FloatArray
    pressure: ComplexArray | None
    delay: float
    noise: FloatArray
    counts: FloatArray
    reference_db: float

    @property
    def smooth_amplitude(self) -> FloatArray:
        """Amplitude as a mean over a sixth of an octave, shape (F,)."""
        return _running_mean(np.log2(self.frequencies), self.amplitude)

    @property
    def signal_to_noise_db(self) -> float:
        """Largest level less that of the noise (median over frequency), in dB."""
        return float(-amplitude_ratio_db(np.median(self.noise)))

    @property
    def passband(self) -> tuple[float, float]:
        """Hz between which the level is within 3 dB of its largest, around the largest."""
        inside = self.amplitude >= amplitude_ratio(-3.0)
        peak = int(np.argmax(self.amplitude))
        first = peak - int(np.argmin(np.append(inside[peak::-1], False))) + 1
        last = peak + int(np.argmin(np.append(inside[peak:], False))) - 1
        return float(self.frequencies[first]), float(self.frequencies[last])


def rice_mean(amplitude: FloatArray, noise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean measured amplitude in complex Gaussian noise, and its change with ln noise.

    The mean of a Rice distribution, within 0.7 % of a quadrature component of the noise (compared
    with its closed form); `noise` is the root mean square of the complex noise.
    """
    component = np.maximum(noise**2 / 2.0, 1e-30)
    power = amplitude**2
    ratio = np.minimum(_RICE_DECAY * power / component, 700.0)
    excess = (np.pi / 2.0 - 1.0) * np.exp(-ratio)
    mean = np.sqrt(power + component * (1.0 + excess))
    return np.asarray(mean), np.asarray(component / mean * (1.0 + excess * (1.0 + ratio)))


def rice_spread(mean: FloatArray, noise: FloatArray) -> FloatArray:
    """Return the standard deviation of a measured amplitude whose mean is known.

    Of a Rice distribution: a component of the noise, ``noise / sqrt(2)``, where the response stands
    out, and 0.655 of that where there is nothing but noise.
    """
    component = np.maximum(noise, 1e-15) / np.sqrt(2.0)
    signal = np.linspace(0.0, 8.0, 161)
    expected, _ = rice_mean(signal, np.full(signal.shape, np.sqrt(2.0)))
    spread = np.sqrt(2.0 + signal**2 - expected**2)
    return np.asarray(component * np.interp(mean / component, expected, spread))


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
        between 10 and 600 Hz.
    """
    if response.stored.ndim != 1:
        raise ValueError(f"one response at a time, got {response.stored.shape[:-1]} of them")
    if response.resolution != "narrow":
        raise ValueError("band levels are too coarse to tell filters from: give a narrow response")
    inside = (response.frequencies >= _LOWEST) & (response.frequencies <= _HIGHEST)
    if np.count_nonzero(inside) < 16:
        raise ValueError("needs at least 16 points between 10 and 600 Hz to tell filters from")
    axis = response.frequencies[inside]
    level_db = response.level_db[inside]
    top_db = float(level_db.max())
    amplitude = amplitude_ratio(level_db - top_db)
    delay, turned = 0.0, None
    if response.has_phase:
        complex_values = response.pressure[inside] / amplitude_ratio(top_db)
        delay = _bulk_delay(axis, np.asarray(complex_values))
        turned = complex_values * np.exp(2j * np.pi * axis * delay)
    groups, counts = _groups(axis)
    frequencies = np.exp(_group_means(np.log(axis), groups, counts))
    mean_amplitude = _group_means(amplitude, groups, counts)
    pressure = None if turned is None else _group_means(turned, groups, counts)
    if response.snr_db is not None:
        snr_db = _group_means(response.snr_db[inside], groups, counts)
        noise = mean_amplitude * amplitude_ratio(-snr_db)
    else:
        raw = _noise(axis, amplitude, turned, np.ones(axis.size))
        noise = np.interp(frequencies, axis, raw)
        grouped = _noise(frequencies, mean_amplitude, pressure, counts)
        if np.median(grouped) > _SMOOTHED_BEFORE * np.median(noise):
            noise = grouped  # neighbouring points share their noise: they were smoothed
    noise = np.maximum(noise, amplitude_ratio(_LEAST_NOISE_DB))
    used = _span(mean_amplitude, noise)
    return Observation(
        frequencies=frequencies[used],
        amplitude=mean_amplitude[used],
        pressure=None if pressure is None else pressure[used],
        delay=delay,
        noise=noise[used],
        counts=counts[used],
        reference_db=top_db,
    )


def _groups(axis: FloatArray) -> tuple[NDArray[np.int_], FloatArray]:
    """Return the first index of each group of points within 1/24 octave, and their number."""
    number = np.floor(_PER_OCTAVE * np.log2(axis / axis[0]) + 1e-6)
    starts = np.flatnonzero(np.diff(number, prepend=-1.0))
    return starts, np.diff(starts, append=axis.size).astype(np.float64)


def _group_means(values: NDArray[Any], starts: NDArray[np.int_], counts: FloatArray) -> Any:
    return np.add.reduceat(values, starts) / counts


def _bulk_delay(axis: FloatArray, pressure: ComplexArray) -> float:
    """Return the delay, in s, that turns the phase most steadily where the level is high.

    From the mean turn between neighbours, weighted by power; unwrapping would fail in noise.
    """
    turn = np.conj(pressure[:-1]) * pressure[1:]
    step = np.diff(axis)
    found = 0.0
    for _ in range(2):
        turned = turn * np.exp(2j * np.pi * step * found)
        typical = float(np.median(step[np.abs(turn) > 0.1 * np.abs(turn).max()]))
        like = np.abs(step / typical - 1.0) < 0.5
        found -= float(np.angle(turned[like].sum())) / (2.0 * np.pi * float(step[like].mean()))
    return float(np.clip(found, -_LONGEST_DELAY, _LONGEST_DELAY))


def _noise(
    axis: FloatArray, amplitude: FloatArray, pressure: ComplexArray | None, counts: FloatArray
) -> FloatArray:
    """Return the noise from how rough the response is: fourth differences, median by octave.

    Fourth differences of filters of 96 dB per octave are 55 dB below the response itself. Without
    phase the amplitude's spread is that of a Rice distribution, narrower where noise is all there
    is, so that the noise is found in a few rounds.
    """
    values = amplitude if pressure is None else pressure
    rough = np.convolve(values, _DIFFERENCE, mode="valid")
    share = np.convolve(1.0 / counts, _DIFFERENCE**2, mode="valid")
    power = np.abs(rough) ** 2 / share
    octaves = np.log2(axis)
    if pressure is not None:
        variance = _typical(octaves, power) / np.log(2.0)  # of an exponential
        return np.asarray(np.sqrt(variance))
    component = np.sqrt(_typical(octaves, power) / _CHI_SQUARE_MEDIAN)
    local = _running_mean(octaves, amplitude)
    for _ in range(12):
        relative = rice_spread(local, np.sqrt(2.0) * component) / np.maximum(component, 1e-12)
        median = _typical(octaves, power / relative[2:-2] ** 2)
        component = np.sqrt(median / _CHI_SQUARE_MEDIAN)
    return np.asarray(np.sqrt(2.0) * component)


def _typical(octaves: FloatArray, power: FloatArray) -> FloatArray:
    """Return the power of fourth differences as a straight line in its logarithm over octaves.

    Through medians over one octave each, weighted by their points; level, unless the slope is four
    times its standard error: smooth enough for the noise's own mean not to be mistaken for a fall
    of the response.
    """
    inside = octaves[2:-2]
    places = np.arange(octaves[0] + 0.5, max(octaves[-1] - 0.5, octaves[0] + 0.6), _NOISE_STEP)
    groups = [power[np.abs(inside - place) <= 0.5] for place in places]
    found = [(place, group) for place, group in zip(places, groups, strict=True) if group.size > 4]
    if not found:
        return np.full(octaves.shape, np.median(power))
    middle = np.array([place for place, _ in found])
    level = np.log([max(float(np.median(group)), 1e-30) for _, group in found])
    points = np.array([float(group.size) for _, group in found])
    mean, centre = np.average(level, weights=points), np.average(middle, weights=points)
    leverage = float(np.sum(points * (middle - centre) ** 2)) + 1e-9
    slope = float(np.sum(points * (middle - centre) * (level - mean))) / leverage
    if abs(slope) < _SLOPE_ERRORS * np.sqrt(_MEDIAN_VARIANCE / leverage):
        slope = 0.0
    return np.asarray(np.exp(mean + slope * (octaves - centre)))


def _running_mean(octaves: FloatArray, amplitude: FloatArray) -> FloatArray:
    """Return the mean over a sixth of an octave around every point."""
    total = np.concatenate(([0.0], np.cumsum(amplitude)))
    first = np.searchsorted(octaves, octaves - 1.0 / 12.0)
    last = np.searchsorted(octaves, octaves + 1.0 / 12.0, side="right")
    return np.asarray((total[last] - total[first]) / (last - first))


def _span(amplitude: FloatArray, noise: FloatArray) -> slice:
    """Return what is fitted: from a fall of 15 dB below the peak to two octaves into noise."""
    peak = int(np.argmax(amplitude))
    low = np.flatnonzero(amplitude[:peak] < amplitude_ratio(-_BELOW_DB) * amplitude[peak])
    first = int(low[-1]) + 1 if low.size else 0
    smooth = np.convolve(np.pad(amplitude, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    lost = np.flatnonzero(smooth[peak:] < 1.5 * noise[peak:])
    last = amplitude.size
    if lost.size:
        last = peak + int(lost[0]) + round(_BEYOND_NOISE_OCTAVES * _PER_OCTAVE)
    return slice(first, min(last, amplitude.size))
