"""Data of the joining problem: subwoofer and mains at the seats, with their relative phase.

Conventions
-----------
Seats come first, frequencies last. ``sub`` and ``mains`` are complex pressure ratios at `points`
(48 an octave), the subwoofer's with the present settings of delay, polarity and phase taken out, so
that every setting is absolute; its level is the present one. What is judged is the power of the
complex sum, smoothed over 1/12 octave on the fit axis (24 points an octave), just as the levels of
`roomeq.analysis.survey_levels` are. Since that smoothing is linear in power it is one matrix, and::

    smoothed |g S + M|^2  =  g^2 smoothed |S|^2  +  smoothed |M|^2  +  2 g smoothed Re{S conj(M)}
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.smoothing import smooth_power
from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import FloatArray, power_ratio_db, readonly
from roomeq.base.response import ComplexArray
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.joining.sum_check import SumExplanation
from roomeq.wanted.target import Target

POINTS_PER_OCTAVE, FIT_POINTS_PER_OCTAVE = 48, 24
SMOOTHING_FRACTION = 12
WIDEST_SMOOTHING = 6
_LEAST_POINTS = 4


class JoiningNote(StrEnum):
    """What the reader of a joining should know about its data."""

    LFE_OFFSET_REMOVED = "lfe_offset_removed"
    NOISE_UNKNOWN = "noise_unknown"
    ROUTE_DIRECT = "route_direct"
    ROUTE_UNKNOWN = "route_unknown"
    SEATS_LEFT_OUT = "seats_left_out"
    SUM_DISAGREES = "sum_disagrees"
    SUM_NOT_MEASURED = "sum_not_measured"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoiningData:
    """What joining works on.

    Attributes
    ----------
    corner : float
        Crossover corner in Hz.
    seats : tuple of str
    seat_weights : ndarray, shape (S,)
        Summing to 1.
    points : ndarray, shape (P,)
        Hz, where the complex sum is formed.
    sub, mains : ndarray of complex, shape (S, P)
        Present delay, polarity and phase control taken out of `sub`.
    frequencies : ndarray, shape (F,)
        Fit axis in Hz.
    smoothing : ndarray, shape (P, F)
        Turns power at the points into power on the fit axis.
    target_db : ndarray, shape (F,)
        Wanted shape of the sum, without its level.
    frequency_weights : ndarray, shape (F,)
        Summing to 1.
    seat_offsets_db : ndarray, shape (S,)
        Level of each seat that counts as no error; 0 where levels are comparable.
    present : JoiningSettings
        Settings while measuring.
    sum_residual_db : ndarray, shape (S,), optional
        Standard deviation over frequency of the measured less the predicted sum, where `both` was
        measured: not a number at a seat where it was not, None where it was nowhere.
    explanation : SumExplanation, optional
        Of a measured sum that differs from the predicted one by more than 5 %.
    notes : tuple of JoiningNote
    seats_left_out : tuple of str
        Seats at which not both were measured.
    """

    corner: float
    seats: tuple[str, ...]
    seat_weights: FloatArray
    points: FloatArray
    sub: ComplexArray
    mains: ComplexArray
    frequencies: FloatArray
    smoothing: FloatArray
    target_db: FloatArray
    frequency_weights: FloatArray
    seat_offsets_db: FloatArray
    present: JoiningSettings
    sum_residual_db: FloatArray | None = None
    explanation: SumExplanation | None = None
    notes: tuple[JoiningNote, ...] = ()
    seats_left_out: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("seat_weights", "frequency_weights"):
            weights = np.asarray(getattr(self, name))
            object.__setattr__(self, name, weights / weights.sum())
        for name in self.__dataclass_fields__:
            if isinstance(values := getattr(self, name), np.ndarray):
                object.__setattr__(self, name, readonly(values, dtype=values.dtype))

    def without_seat(self, index: int) -> Self:
        """Return the data without one seat, named by its place."""
        kept = [place for place in range(len(self.seats)) if place != index]
        residual = self.sum_residual_db
        return replace(
            self,
            seats=tuple(self.seats[place] for place in kept),
            seat_weights=self.seat_weights[kept],
            sub=self.sub[kept],
            mains=self.mains[kept],
            seat_offsets_db=self.seat_offsets_db[kept],
            sum_residual_db=None if residual is None else residual[kept],
        )

    def with_transfers(self, *, sub: ArrayLike = 1.0, mains: ArrayLike = 1.0) -> Self:
        """Return the data with further transfer functions in the two branches.

        Parameters
        ----------
        sub, mains : array_like of complex, shape (P,) or ()
            Complex amplitude ratios at `points`.
        """
        return replace(self, sub=self.sub * np.asarray(sub), mains=self.mains * np.asarray(mains))

    def predicted_sum(self, settings: JoiningSettings) -> ComplexArray:
        """Return the complex sum at the points with a setting, not smoothed, shape (S, P)."""
        return np.asarray(self.sub * settings.response(self.points) + self.mains)

    def predicted_level_db(self, settings: JoiningSettings) -> FloatArray:
        """Return the level of the sum on the fit axis with a setting, shape (S, F), in dB."""
        power = np.abs(self.predicted_sum(settings)) ** 2 @ self.smoothing
        return power_ratio_db(np.maximum(power, np.finfo(np.float64).tiny))


def assemble_joining(
    *,
    corner: float,
    seats: tuple[str, ...],
    seat_weights: FloatArray,
    points: FloatArray,
    sub: ComplexArray,
    mains: ComplexArray,
    frequencies: FloatArray,
    noise_weights: FloatArray,
    target: Target | None,
    present: JoiningSettings,
    levels_comparable: bool,
) -> JoiningData:
    """Put data together from complex responses as they were measured, with the present settings.

    Arrays as in `JoiningData`; `noise_weights`, shape (F,), is 1 where noise does not matter.

    Raises
    ------
    ValueError
        If the corner lies outside `frequencies`, or every frequency is lost in noise.
    """
    if not frequencies[0] <= corner <= frequencies[-1]:
        raise ValueError(
            f"the crossover at {corner:g} Hz lies outside what was measured and is judged, "
            f"{frequencies[0]:.0f} to {frequencies[-1]:.0f} Hz"
        )
    smoothing = smooth_power(
        points, np.eye(points.size), at=frequencies, fraction=SMOOTHING_FRACTION
    )
    if not np.any(noise_weights > 0):
        raise ValueError("no frequency around the crossover stands clear of the noise")
    sub = sub / present.response(points)
    target_db = (target or Target()).shape_db(frequencies)
    offsets = np.zeros(len(seats))
    if not levels_comparable:
        power = (np.abs(sub) ** 2 + np.abs(mains) ** 2) @ smoothing
        offsets = (power_ratio_db(power) - target_db) @ noise_weights / noise_weights.sum()
        offsets = offsets - np.average(offsets, weights=seat_weights)
    return JoiningData(
        corner=corner,
        seats=seats,
        seat_weights=seat_weights,
        points=points,
        sub=sub,
        mains=mains,
        frequencies=frequencies,
        smoothing=smoothing,
        target_db=target_db,
        frequency_weights=noise_weights,
        seat_offsets_db=offsets,
        present=present,
    )


def joining_axes(
    span: tuple[float, float], *, first: float, last: float
) -> tuple[FloatArray, FloatArray]:
    """Return points and fit axis within a span and within what was measured, in Hz.

    Raises
    ------
    ValueError
        If less than a sixth of an octave is left.
    """
    low, high = span
    start, end = max(low, first), min(high, last)
    if not end > start * 2.0 ** (_LEAST_POINTS / FIT_POINTS_PER_OCTAVE):
        raise ValueError(
            f"the measurements share {first:g} to {last:g} Hz, which leaves too little of the "
            f"{low:g} to {high:g} Hz around the crossover"
        )
    axis = logarithmic_axis(start, end, per_octave=FIT_POINTS_PER_OCTAVE)
    reach = 2.0 ** (0.5 / WIDEST_SMOOTHING) * (1 + 1e-9)
    points = logarithmic_axis(
        max(start / reach, first), min(end * reach, last), per_octave=POINTS_PER_OCTAVE
    )
    return points, axis
