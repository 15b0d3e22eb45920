"""Decibels and ratios, and means of levels.

Conventions
-----------
``*_db`` is a level or a gain in dB. An amplitude ratio is a ratio of pressures or voltages
(20 lg), a power ratio a ratio of squared pressures (10 lg). Means are named for what they average:
a *level mean* averages decibels (a single null drags it down), a *power mean* averages squared
pressures (a null hardly moves it). The two are never mixed silently.
"""

from __future__ import annotations

import math
from typing import Any, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

HIGHEST_LEVEL_DB = 140.0
"""Highest level in dB SPL that is taken for one of a room."""

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def amplitude_ratio_db(ratio: ArrayLike) -> FloatArray:
    """Return 20 lg of the magnitude of an amplitude ratio, in dB (zero gives -inf)."""
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(np.abs(np.asarray(ratio))), dtype=np.float64)


def power_ratio_db(ratio: ArrayLike) -> FloatArray:
    """Return 10 lg of a power ratio, in dB (zero gives -inf)."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(ratio, dtype=np.float64)))


def amplitude_ratio(gain_db: ArrayLike) -> FloatArray:
    """Return the amplitude ratio of a gain in dB."""
    return np.asarray(10.0 ** (np.asarray(gain_db, dtype=np.float64) / 20.0))


def power_ratio(gain_db: ArrayLike) -> FloatArray:
    """Return the power ratio of a gain in dB."""
    return np.asarray(10.0 ** (np.asarray(gain_db, dtype=np.float64) / 10.0))


def _checked_weights(level_db: FloatArray, weights: ArrayLike | None, axis: int) -> FloatArray:
    if weights is None:
        return np.ones(level_db.shape[axis])
    checked = np.asarray(weights, dtype=np.float64)
    if checked.shape != (level_db.shape[axis],):
        raise ValueError(
            f"weights have shape {checked.shape}, but the averaged axis has {level_db.shape[axis]} "
            "entries"
        )
    if not (np.all(np.isfinite(checked)) and np.all(checked >= 0) and checked.sum() > 0):
        raise ValueError(f"weights must be finite, not negative and not all zero, got {checked}")
    return checked


def level_mean_db(
    level_db: ArrayLike, *, axis: int = 0, weights: ArrayLike | None = None
) -> FloatArray:
    """Return the weighted mean of levels, in dB.

    Parameters
    ----------
    level_db : array_like
        Levels in dB.
    axis : int
        Axis to average over; seats come first, so 0 by default.
    weights : array_like, shape (n,), optional
        Weights along `axis`; equal by default.

    Returns
    -------
    ndarray
        Level mean in dB. One deep null drags it down; see `power_mean_db`.

    Raises
    ------
    ValueError
        If the weights do not fit the axis or are not usable.
    """
    levels = np.asarray(level_db, dtype=np.float64)
    checked = _checked_weights(levels, weights, axis)
    return np.asarray(np.average(levels, axis=axis, weights=checked))


def power_mean_db(
    level_db: ArrayLike, *, axis: int = 0, weights: ArrayLike | None = None
) -> FloatArray:
    """Return the level of the weighted mean of squared pressures, in dB.

    Parameters and errors as for `level_mean_db`. The result is never below the level mean, and
    equal to it only where all levels are equal.
    """
    levels = np.asarray(level_db, dtype=np.float64)
    checked = _checked_weights(levels, weights, axis)
    top = np.max(levels, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    mean = np.average(power_ratio(levels - top), axis=axis, weights=checked)
    return np.asarray(power_ratio_db(mean) + np.squeeze(top, axis=axis))


def readonly(values: Any, *, dtype: Any = np.float64) -> NDArray[Any]:
    """Return a private, read-only copy of `values`."""
    copy = np.array(values, dtype=dtype, copy=True)
    copy.setflags(write=False)
    return copy


def require_positive(value: float, name: str) -> None:
    """Raise ValueError with the name of a quantity that is not finite and positive."""
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} must be finite and positive, got {value!r}")


def require_one_of(value: object, words: Any, name: str) -> None:
    """Raise ValueError with the name of what is none of the words of a literal type."""
    if value not in get_args(words):
        raise ValueError(f"{name} is one of {get_args(words)}, got {value!r}")


def signed(value: float | None, *, digits: int = 1) -> str:
    """Return a number with its sign; what rounds to zero has none, what is not known is empty."""
    if value is None:
        return ""
    text = f"{value:+.{digits}f}"
    return f"{0:.{digits}f}" if float(text) == 0 else text


def signed_setting(value: float, *, step_db: float = 0.5) -> str:
    """Return a setting in dB as `signed` does, with the decimals that the device's step needs."""
    digits = 1
    while digits < 3 and any(abs(x - round(x, digits)) > 1e-6 for x in (value, step_db)):
        digits += 1
    return signed(value, digits=digits)
