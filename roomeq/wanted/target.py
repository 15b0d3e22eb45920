"""What the bass at the seats should look like.

Conventions
-----------
A target is a level in dB over frequency in Hz: the wanted shape times the low-pass in the
subwoofer's path. Only its shape counts unless a wanted level is given; the shape is 0 dB at 50 Hz
where it is tilted, and far above the corner where it is shelved. What the subwoofer itself cannot
give is no part of the target but an *allowance*: a shortfall of so many dB, at least 0, is not
asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.smoothing import band_levels_db
from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.bands import third_octave_bands
from roomeq.base.levels import (
    FloatArray,
    amplitude_ratio_db,
    level_mean_db,
    power_mean_db,
    readonly,
)
from roomeq.base.survey import Source, Survey
from roomeq.device.crossover import CrossoverFilter, chain_response, low_shelf_response
from roomeq.device.equaliser import FixedBandEqualiser

TargetShape = Literal["flat", "tilt", "shelf", "points"]
_TILT_PIVOT = 50.0
LOWER_LIMIT_SPAN = 5.0, 80.0
FALLEN_DB = 6.0
ESTIMATE_MARGIN = 2.0 ** (1.0 / 6.0)
"""By which the higher estimate of a lower limit may be too low for a bare roll-off."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NearField:
    """Response of the subwoofer measured close to its cone.

    Attributes
    ----------
    frequencies, level_db : ndarray, shape (P,)
        Hz, rising; dB, any reference.

    Raises
    ------
    ValueError
        If it does not cover the third octaves from 31.5 to 80 Hz, to which its fall is referred.
    """

    frequencies: FloatArray
    level_db: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequencies", readonly(self.frequencies))
        object.__setattr__(self, "level_db", readonly(self.level_db))
        lowest, highest = _REFERENCE_BANDS[0].lower, _REFERENCE_BANDS[-1].upper
        if not (self.frequencies[0] <= lowest and self.frequencies[-1] >= highest):
            raise ValueError(
                f"a response close to the cone must cover {lowest:.1f} to {highest:.1f} Hz, this "
                f"one covers {self.frequencies[0]:g} to {self.frequencies[-1]:g} Hz"
            )

    def roll_off_db(self, frequencies: ArrayLike) -> FloatArray:
        """Return how far the subwoofer falls below its own 30 to 80 Hz mean, in dB, at most 0.

        Only below 40 Hz, where neither its low-pass nor the room's boundaries have a say. Below
        what was measured the fall goes on at 24 dB per octave.
        """
        axis = np.asarray(frequencies, dtype=np.float64)
        reference = float(
            np.mean(band_levels_db(self.frequencies, self.level_db, bands=_REFERENCE_BANDS))
        )
        known = np.interp(np.log(axis), np.log(self.frequencies), self.level_db) - reference
        below = np.minimum(0.0, 24.0 * np.log2(axis / self.frequencies[0]))
        return np.where(axis < 40.0, np.minimum(0.0, known + below), 0.0)


_REFERENCE_BANDS = third_octave_bands(31.5, 80)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Target:
    """The wanted response at the seats.

    Attributes
    ----------
    shape : {"flat", "tilt", "shelf", "points"}
    tilt_db_per_octave : float
        For ``tilt``: rise towards higher frequencies; negative falls.
    shelf_gain_db, shelf_corner : float
        For ``shelf``: gain in dB below the corner in Hz (half of it at the corner).
    points : tuple of (float, float)
        For ``points``: frequency in Hz and level in dB, rising; linear over ln f, constant outside.
    lower_limit : float, optional
        Hz where the subwoofer's own response is 6 dB down; None if unknown.
    lower_limit_estimated : bool
        Whether that is an estimate: it excuses a shortfall, and is no reason to boost above it.
    highest_lower_limit : float, optional
        Hz; where it is an estimate, what it may be at most: a fall that this explains is no reason
        to change anything.
    lower_limit_order : int, optional
        Order of the fall below it: 2 for a closed box, 4 for a vented one; None if the box is not
        known, which allows for the larger fall of both.
    near_field : NearField, optional
        Measured fall, used instead of `lower_limit_order`.
    upper_limit : float, optional
        Hz above which the level falls by a low-pass that is not known; its fall is allowed for.
    path : tuple of CrossoverFilter
        Low-passes in the subwoofer's path.
    level_db : float, optional
        Wanted level in dB SPL where the shape is 0 dB; None keeps the present loudness.

    Raises
    ------
    ValueError
        If a value is not usable or points are missing.
    """

    shape: TargetShape = "flat"
    tilt_db_per_octave: float = 0.0
    shelf_gain_db: float = 0.0
    shelf_corner: float = 60.0
    points: tuple[tuple[float, float], ...] = ()
    lower_limit: float | None = None
    lower_limit_estimated: bool = False
    highest_lower_limit: float | None = None
    lower_limit_order: int | None = None
    near_field: NearField | None = None
    upper_limit: float | None = None
    path: tuple[CrossoverFilter, ...] = ()
    level_db: float | None = None

    def __post_init__(self) -> None:
        if self.shape not in get_args(TargetShape):
            raise ValueError(f"shape is one of {get_args(TargetShape)}, got {self.shape!r}")
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if isinstance(value, float) and not math.isfinite(value):
                raise ValueError(f"{name} must be finite, got {value!r}")
        if self.upper_limit is not None and not self.upper_limit > 0:
            raise ValueError(f"upper_limit must be positive, got {self.upper_limit:g} Hz")
        if not self.shelf_corner > 0:
            raise ValueError(f"shelf_corner must be positive, got {self.shelf_corner:g} Hz")
        lowest, highest = LOWER_LIMIT_SPAN
        if self.lower_limit is not None and not lowest <= self.lower_limit <= highest:
            raise ValueError(
                f"lower_limit lies within {lowest:g} to {highest:g} Hz, got {self.lower_limit:g} Hz"
            )
        if self.lower_limit_order not in (None, 2, 3, 4):
            raise ValueError(f"lower_limit_order is 2, 3 or 4, got {self.lower_limit_order!r}")
        if self.shape == "points":
            frequencies = [frequency for frequency, _ in self.points]
            if not frequencies or not np.isfinite(self.points).all() or min(frequencies) <= 0:
                raise ValueError("shape 'points' needs points of positive frequency and level")
            if not (np.diff(frequencies) > 0).all():
                raise ValueError("the points of a target need rising frequencies")

    def shape_db(self, frequencies: ArrayLike) -> FloatArray:
        """Return the wanted shape alone, in dB, shape (F,)."""
        axis = np.asarray(frequencies, dtype=np.float64)
        if self.shape == "tilt":
            return np.asarray(self.tilt_db_per_octave * np.log2(axis / _TILT_PIVOT))
        if self.shape == "shelf":
            return amplitude_ratio_db(
                low_shelf_response(axis, corner=self.shelf_corner, gain_db=self.shelf_gain_db)
            )
        if self.shape == "points":
            known = np.array(self.points)
            return np.asarray(np.interp(np.log(axis), np.log(known[:, 0]), known[:, 1]))
        return np.zeros(axis.shape)

    def curve_db(self, frequencies: ArrayLike) -> FloatArray:
        """Return shape and low-pass together, in dB, shape (F,)."""
        axis = np.asarray(frequencies, dtype=np.float64)
        return np.asarray(self.shape_db(axis) + amplitude_ratio_db(chain_response(self.path, axis)))

    def allowance_db(self, frequencies: ArrayLike) -> FloatArray:
        """Return by how much the subwoofer's own roll-off excuses a shortfall, in dB, shape (F,).

        Not negative. At the top it is the fall of a fourth-order low-pass that is 6 dB down at
        `upper_limit`.
        """
        axis = np.asarray(frequencies, dtype=np.float64)
        total = np.zeros(axis.shape)
        if self.near_field is not None:
            total = total - self.near_field.roll_off_db(axis)
        elif self.lower_limit is not None:
            orders = (2, 4) if self.lower_limit_order is None else (self.lower_limit_order,)
            falls = [roll_off_allowance_db(self.lower_limit / axis, order=n) for n in orders]
            total = np.max(falls, axis=0)
        if self.upper_limit is not None:
            total = total + roll_off_allowance_db(axis / self.upper_limit, order=4)
        return np.asarray(total)


def roll_off_allowance_db(ratio: ArrayLike, *, order: int) -> FloatArray:
    """Return the fall of a Butterworth filter beyond its limit, in dB, positive.

    ``10 lg(1 + 3 ratio ** (2 order))``: 6.02 dB at the limit.

    Parameters
    ----------
    ratio : array_like
        Limit over frequency for a high-pass, frequency over limit for a low-pass.
    order : int
        6 dB per octave each.
    """
    return np.asarray(10.0 * np.log10(1.0 + 3.0 * np.asarray(ratio) ** (2 * order)))


def estimate_lower_limit(
    frequencies: ArrayLike,
    level_db: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    highest: bool = False,
) -> float | None:
    """Estimate the subwoofer's own lower limit from its responses at the seats.

    The lowest frequency where the third-octave power mean over seats is within 6 dB of its mean
    over 30 to 80 Hz and below which it falls away (common practice, no source: a room may lift or
    hide the true limit, so a near-field response or a stated figure is better). Of a bare roll-off
    above 28 Hz that is too low, since the mean holds part of the fall.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (S, F)
        Levels at the seats in dB; the low-pass in the path does not matter below 80 Hz.
    weights : array_like, shape (S,), optional
        Seat weights.
    highest : bool
        Refer to the median over 40 to 125 Hz instead, and add a sixth of an octave: what the limit
        may be at most.

    Returns
    -------
    float or None
        Hz, or None where the responses do not fall below that mark (the limit lies lower than what
        was measured), or do not cover 63 and 80 Hz to compare with.
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    lowest = max(axis[0] * 2.0 ** (1 / 6), 10.0)
    if lowest > 63.0 or axis[-1] < _REFERENCE_BANDS[-1].upper:
        return None
    bands = third_octave_bands(lowest, min(125.0, axis[-1] / 2.0 ** (1 / 6)))
    levels = band_levels_db(axis, np.atleast_2d(level_db), bands=bands)
    mean = power_mean_db(levels, weights=weights)
    centres = np.array([band.centre for band in bands])
    reference_db = float(level_mean_db(mean[(centres > 28.2) & (centres < 90.0)]))
    if highest:
        reference_db = float(np.median(mean[centres > 35.0]))
    mark = reference_db - 6.0
    run = int(np.argmin((mean < mark) & (centres < 50.0)))  # so many from the bottom lie below it
    if run == 0 or mean[run] < mark:
        return None
    low, high = mean[run - 1], mean[run]
    share = (mark - low) / (high - low)
    found = float(np.exp(np.interp(share, [0, 1], np.log(centres[run - 1 : run + 1]))))
    return found * ESTIMATE_MARGIN if highest else found


def estimate_upper_limit(frequencies: ArrayLike, average_db: ArrayLike) -> float | None:
    """Estimate from where a low-pass that nobody stated makes the average over seats fall, in Hz.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz, equally spaced in ln f, the span of the bands.
    average_db : array_like, shape (F,)
        Power average over seats less the wanted shape, 1/6-octave smoothing.

    Returns
    -------
    float or None
        Lowest frequency from which the average stays 6 dB below its median up to the end of the
        axis; None where it does not end there (common practice, no source).
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    average = np.asarray(average_db, dtype=np.float64)
    within = np.flatnonzero(average >= np.median(average) - FALLEN_DB)
    first = int(within[-1]) + 1
    return float(axis[first]) if first < axis.size else None


def with_limit_estimate(
    survey: Survey,
    *,
    target: Target,
    equaliser: FixedBandEqualiser,
    present_gains_db: FloatArray,
    source: Source,
) -> Target:
    """Return a target whose lower limit is known, or estimated from the measurements if it can be.

    Parameters as for `roomeq.optimiser.bands.fit_data.prepare_fit`.
    """
    if target.lower_limit is not None or target.highest_lower_limit is not None:
        return target
    if target.near_field is not None:
        close = target.near_field
        found = estimate_lower_limit(close.frequencies, close.level_db[np.newaxis])
        return replace(target, lower_limit=found)
    chosen = survey.of_source(source)
    axis = common_axis(chosen)
    levels = seat_levels_db(
        chosen, at=axis, without_db=lambda f: equaliser.response_db(present_gains_db, f)
    )
    levels = levels - target.curve_db(axis)
    found, highest = (
        estimate_lower_limit(axis, levels, weights=chosen.weights, highest=highest)
        for highest in (False, True)
    )
    return replace(
        target,
        lower_limit=found,
        lower_limit_estimated=found is not None,
        highest_lower_limit=highest,
    )
