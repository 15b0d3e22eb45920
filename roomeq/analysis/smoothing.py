"""Fractional-octave smoothing and band levels of responses.

Conventions
-----------
The last axis is frequency, in Hz, positive and strictly increasing, on any spacing. Between two
samples the squared magnitude runs on a straight line over ln f. The smoothed value at f is the mean
of that line over d ln f within ``[f * 2**(-1 / (2 N)), f * 2**(1 / (2 N))]``, the window being cut
exactly, also inside an interval. From this definition follow:

- linear and logarithmic axes agree as they grow dense, and a constant stays what it is, to the bit;
- a window that lies between two samples gives the value interpolated at its middle;
- a window that reaches beyond the data is averaged over the part inside. Near the ends it is no
  longer symmetric, so a slope is biased there towards the inside.

It is a power mean: narrow dips fill up, and phase is lost.

Sums over windows are usually differences of one running sum, which loses the digits of everything
below the loudest part: on a slope of 96 dB per octave nothing is left. Here nothing is subtracted:
the edges of the windows become samples, and the areas within a window are added up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, readonly
from roomeq.base.response import checked_frequencies

Coordinate = Literal["log", "linear"]


def mean_over_windows(
    frequencies: FloatArray,
    values: FloatArray,
    *,
    lower: FloatArray,
    upper: FloatArray,
    over: Coordinate = "log",
) -> FloatArray:
    """Return means of sampled curves over windows.

    Parameters
    ----------
    frequencies : ndarray, shape (F,)
        Hz, positive and strictly increasing, at least two; not checked again.
    values : ndarray, shape (R, F)
        Curves.
    lower, upper : ndarray, shape (G,)
        Edges of the windows in Hz, ``lower <= upper``; what lies outside the data is cut off. Each
        window must meet the data, if only in a point.
    over : {"log", "linear"}
        Mean over d ln f or over df; the curves run straight between samples on that scale.

    Returns
    -------
    ndarray, shape (R, G)
        Integral over the window divided by its width.
    """
    axis, edges = frequencies, np.clip([lower, upper], frequencies[0], frequencies[-1])
    if over == "log":
        axis, edges = np.log(axis), np.log(edges)
    width, points = edges[1] - edges[0], np.concatenate((axis, edges.ravel()))
    order = np.argsort(points, kind="stable")
    points, at_edges = points[order], [np.interp(edges.ravel(), axis, row) for row in values]
    curves = np.concatenate((values, at_edges), axis=1)[:, order]
    areas = np.zeros_like(curves)
    areas[:, :-1] = 0.5 * (curves[:, 1:] + curves[:, :-1]) * np.diff(points)
    # Each window's areas are added up by themselves: every second sum is that of a window.
    ends = np.searchsorted(points, edges)
    sums = np.add.reduceat(areas, ends.T.ravel(), axis=1)[:, ::2]
    return np.where(width > 0, sums / np.where(width > 0, width, 1.0), curves[:, ends[0]])


_FINEST = 48
_NEPERS_PER_DB = math.log(10.0) / 10.0  # of power
_SAME_FREQUENCY = 1e-9  # relative: a rounding error, not another frequency
_LEAST_COVERAGE = 0.4


def smooth_power_db(
    frequencies: ArrayLike, level_db: ArrayLike, *, at: ArrayLike, fraction: int
) -> FloatArray:
    """Smooth levels over 1/`fraction` octave as a power mean.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz, positive and strictly increasing.
    level_db : array_like, shape (..., F)
        Levels in dB, finite.
    at : array_like, shape (G,)
        Frequencies of the result in Hz, in any order, within the data.
    fraction : int
        N of the 1/N-octave window, 1 to 48.

    Returns
    -------
    ndarray, shape (..., G)
        10 lg of the mean over d ln f of the power, in dB; see the module's conventions.

    Raises
    ------
    TypeError
        If `fraction` is not a whole number.
    ValueError
        If the data do not reach a frequency asked for, a value is not usable, or shapes differ.

    Notes
    -----
    Power smoothing as in Hatziantoniou and Mourjopoulos, JAES 48(4), 2000, with a rectangular
    window symmetric on the logarithmic axis (Tylka, Boren and Choueiri, JAES 65(3), 2017).
    """
    axis, levels, windows = _smoothing_windows(frequencies, level_db, at=at, fraction=fraction)
    return _power_means_db(axis, levels, *windows)


def smooth_power(
    frequencies: ArrayLike, power: ArrayLike, *, at: ArrayLike, fraction: int
) -> FloatArray:
    """Smooth squared magnitudes over 1/`fraction` octave.

    As `smooth_power_db`, but on `power`, shape (..., F): finite, not negative, in any unit. The
    result has the same unit.

    Raises
    ------
    TypeError, ValueError
        As `smooth_power_db`.
    """
    axis, data, (lower, upper) = _smoothing_windows(frequencies, power, at=at, fraction=fraction)
    rows = data.reshape(-1, axis.size)
    low, top = rows.min(axis=-1, keepdims=True), rows.max(axis=-1, keepdims=True)
    if not (low >= 0).all() or not np.isfinite(top).all():
        raise ValueError("squared magnitudes must be finite and not negative")
    means = mean_over_windows(axis, rows, lower=lower, upper=upper)
    return np.clip(means, low, top).reshape(*data.shape[:-1], lower.size)


def band_levels_db(
    frequencies: ArrayLike, level_db: ArrayLike, *, bands: Sequence[ThirdOctaveBand]
) -> FloatArray:
    """Return the mean level of a response within third-octave bands: that of pink noise.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz, positive and strictly increasing.
    level_db : array_like, shape (..., F)
        Levels in dB, finite.
    bands : sequence of ThirdOctaveBand, length B
        Bands; their exact edges of IEC 61260-1:2014 are used.

    Returns
    -------
    ndarray, shape (..., B)
        Level of the power mean over d ln f in dB: a response of 0 dB gives 0 dB in every band.

    Raises
    ------
    ValueError
        If less than 0.4 of a band lies within the data (common practice, no source; an export that
        begins at 20 Hz still tells the 20 Hz band), or a value is not usable.
    """
    axis = checked_frequencies(frequencies)
    levels = _checked_rows(axis, level_db)
    lower = np.array([band.lower for band in bands])
    upper = np.array([band.upper for band in bands])
    low, high = np.maximum(lower, axis[0]), np.minimum(upper, axis[-1])
    share = np.log(high / low) / np.log(upper / lower)
    for band, covered in zip(bands, share, strict=True):
        if not covered >= _LEAST_COVERAGE:
            raise ValueError(
                f"the {band.label} Hz band ({band.lower:.4g} to {band.upper:.4g} Hz) does not lie "
                f"within the data, {axis[0]:.4g} to {axis[-1]:.4g} Hz"
            )
    return _power_means_db(axis, levels, lower, upper)


def log_frequency_weights(frequencies: ArrayLike) -> FloatArray:
    """Return each sample's share of ln f, shape (F,), summing to 1 (trapezoidal rule)."""
    axis = checked_frequencies(frequencies)
    if axis.size == 1:
        return readonly([1.0])
    width = np.diff(np.log(axis))
    share = 0.5 * (np.append(width, 0.0) + np.append(0.0, width))
    return readonly(share / share.sum())


def _smoothing_windows(
    frequencies: ArrayLike, values: ArrayLike, *, at: ArrayLike, fraction: int
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Return axis, data, and the lower and upper edges of the windows."""
    axis = checked_frequencies(frequencies)
    if axis.size < 2:
        raise ValueError(f"needs an axis of at least two frequencies, got shape {axis.shape}")
    data, asked = _checked_rows(axis, values), _checked_targets(axis, at)
    if isinstance(fraction, bool) or not isinstance(fraction, (int, np.integer)):
        raise TypeError(f"fraction is a whole number, 3 for a third of an octave; got {fraction!r}")
    if not 1 <= fraction <= _FINEST:
        raise ValueError(f"fraction must lie between 1 and {_FINEST}, got {fraction}")
    half = 2.0 ** (0.5 / fraction)
    return axis, data, (asked / half, asked * half)


def _power_means_db(
    axis: FloatArray, levels: FloatArray, lower: FloatArray, upper: FloatArray
) -> FloatArray:
    """Return 10 lg of means of the power over windows, shape (..., G)."""
    if not np.isfinite(levels).all():
        raise ValueError("levels must be finite: leave out the rows that hold no level")
    rows = levels.reshape(-1, axis.size)
    low, top = rows.min(axis=-1, keepdims=True), rows.max(axis=-1, keepdims=True)
    power = np.exp((rows - top) * _NEPERS_PER_DB)
    means = mean_over_windows(axis, power, lower=lower, upper=upper)
    with np.errstate(divide="ignore"):
        found = np.clip(10.0 * np.log10(means) + top, low, top)
    return np.asarray(found.reshape(*levels.shape[:-1], lower.size))


def _checked_rows(axis: FloatArray, values: ArrayLike) -> FloatArray:
    data = np.asarray(values)
    if np.iscomplexobj(data):
        raise TypeError("values must be real: give levels in dB or squared magnitudes")
    data = data.astype(np.float64, copy=False)
    if data.ndim == 0 or data.shape[-1] != axis.size:
        raise ValueError(f"values of shape {data.shape} do not fit {axis.size} frequencies")
    return data


def _checked_targets(axis: FloatArray, at: ArrayLike) -> FloatArray:
    asked = np.asarray(at, dtype=np.float64)
    if asked.ndim != 1 or asked.size == 0:
        raise ValueError(f"`at` must be one-dimensional and not empty, got shape {asked.shape}")
    low, high = float(asked.min()), float(asked.max())
    first, last = float(axis[0]), float(axis[-1])
    if not (low >= first * (1 - _SAME_FREQUENCY) and high <= last * (1 + _SAME_FREQUENCY)):
        raise ValueError(
            f"the data span {first:.6g} to {last:.6g} Hz, "
            f"but {low:.6g} to {high:.6g} Hz was asked for: nothing is extrapolated"
        )
    return np.clip(asked, first, last)
