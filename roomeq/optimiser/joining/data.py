"""Data of the joining problem: subwoofer and mains at the seats, with their relative phase.

Conventions
-----------
Seats come first, frequencies last. ``sub`` and ``mains`` are complex pressure ratios at `points`
(48 an octave), the subwoofer's with the present settings of delay, polarity and phase taken out, so
that every setting is absolute; its level is the present one. What is judged is the power of the
complex sum, smoothed over 1/12 octave on the fit axis (24 points an octave), just as the levels of
`roomeq.analysis.survey_levels` are. Since that smoothing is linear in power it is one matrix, and::

    smoothed |g S + M|^2  =  g^2 smoothed |S|^2  +  smoothed |M|^2  +  2 g smoothed Re{S conj(M)}

What explains a measured sum of subwoofer and mains that is not the sum of its parts.

Magnitudes only, so that neither the phase of the measured sum nor its time zero matters. The
difference is ``rms(|both| - |S + M|) / rms(|both|)`` over the seats, from half the corner to twice
the corner. An explanation is what the subwoofer, or everything, was set to otherwise while both
were measured; a change that is not needed is not in it. Levels in dB, delays in s, what is told of
them in ms.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.smoothing import smooth_power
from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import (
    ComplexArray,
    FloatArray,
    amplitude_ratio,
    amplitude_ratio_db,
    power_ratio_db,
    readonly,
)
from roomeq.base.record import Record
from roomeq.device.processor import JoiningSettings

NOTICED = 0.05
EXPLAINED = 1.0 / 3.0
"""An explanation leaves at most this share of the difference, or no more than 5 % of the sum."""

_DELAYS = np.arange(-0.010, 0.01001, 0.0001).tolist()
_LEVELS_DB = np.arange(-12.0, 12.01, 0.25).tolist()


class SumExplanation(Record, frozen=True, kw_only=True):
    """How far a measured sum is from the sum of its parts, and what would make it so.

    Attributes
    ----------
    difference, left : float
        Shares of the measured sum, root mean square: as it is, and as explained.
    explained : bool
    level_db : float
        By which the subwoofer was louder while both were measured.
    delay_ms : float
        By which it was later, in ms.
    inverted : bool
        Whether its polarity was the other one.
    all_level_db : float
        By which everything was louder.
    """

    difference: float
    left: float
    explained: bool
    level_db: float = 0.0
    delay_ms: float = 0.0
    inverted: bool = False
    all_level_db: float = 0.0


def explain_sum(
    points: FloatArray,
    *,
    sub: ComplexArray,
    mains: ComplexArray,
    both: FloatArray,
    corner: float,
) -> SumExplanation | None:
    """Explain a measured sum by one cause, or by several together if no single one does.

    Parameters
    ----------
    points : ndarray, shape (P,)
        Hz.
    sub, mains : ndarray of complex, shape (S, P)
        With the settings while measuring.
    both : ndarray, shape (S, P)
        Magnitude of the measured sum, in the same unit.
    corner : float
        Hz.

    Returns
    -------
    SumExplanation or None
        None where the sum is that of its parts within 5 %.
    """
    inside = (points >= 0.5 * corner * (1 - 1e-9)) & (points <= 2.0 * corner * (1 + 1e-9))
    axis, sub, mains, heard = points[inside], sub[:, inside], mains[:, inside], both[:, inside]

    def left_by(settings: JoiningSettings, all_level_db: float = 0.0) -> float:
        total = np.abs(settings.response(axis) * sub + mains)
        missed = heard - amplitude_ratio(all_level_db) * total
        return float(np.sqrt(np.mean(missed**2) / np.mean(heard**2)))

    def best(tried: Iterator[JoiningSettings]) -> JoiningSettings:
        return min(tried, key=left_by)

    as_said, total = JoiningSettings(), np.abs(sub + mains)
    difference = left_by(as_said)
    if difference <= NOTICED:
        return None
    all_db = float(amplitude_ratio_db(np.sum(heard * total) / np.sum(total**2)))
    alone = (replace(as_said, inverted=True), best(_levels(as_said)), best(_delays(as_said)))
    causes = [
        *((left_by(one), one, 0.0) for one in alone),
        (left_by(as_said, all_db), as_said, all_db),
    ]
    enough = max(NOTICED, EXPLAINED * difference)
    if min(left for left, _, _ in causes) > enough:  # a coarse grid, refined
        coarse = itertools.product(_LEVELS_DB[::8], _DELAYS[::5], (False, True))
        together = best(
            JoiningSettings(level_change_db=a, delay=b, inverted=c) for a, b, c in coarse
        )
        for _ in range(2):
            together = best(_delays(best(_levels(together))))
        causes.append((left_by(together), together, 0.0))
    left, cause, all_db = min(causes, key=lambda one: one[0])
    explained = left <= enough
    if not explained:
        cause, all_db = as_said, 0.0
    return SumExplanation(
        difference=difference,
        left=left,
        explained=explained,
        level_db=cause.level_change_db,
        delay_ms=round(cause.delay_ms, 6),
        inverted=cause.inverted,
        all_level_db=all_db,
    )


def _levels(beside: JoiningSettings) -> Iterator[JoiningSettings]:
    return (replace(beside, level_change_db=level_db) for level_db in _LEVELS_DB)


def _delays(beside: JoiningSettings) -> Iterator[JoiningSettings]:
    return (replace(beside, delay=delay) for delay in _DELAYS)


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

    Raises
    ------
    ValueError
        If the corner lies outside `frequencies`, or every frequency is lost in noise.
    """

    corner: float
    seats: tuple[str, ...]
    seat_weights: FloatArray
    points: FloatArray
    sub: ComplexArray
    mains: ComplexArray
    frequencies: FloatArray
    target_db: FloatArray
    frequency_weights: FloatArray
    seat_offsets_db: FloatArray
    present: JoiningSettings
    sum_residual_db: FloatArray | None = None
    explanation: SumExplanation | None = None
    notes: tuple[JoiningNote, ...] = ()
    seats_left_out: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        axis = self.frequencies
        if not axis[0] <= self.corner <= axis[-1]:
            raise ValueError(
                f"the crossover at {self.corner:g} Hz lies outside what was measured and is "
                f"judged, {axis[0]:.0f} to {axis[-1]:.0f} Hz"
            )
        if not np.any(self.frequency_weights > 0):
            raise ValueError("no frequency around the crossover stands clear of the noise")
        for name in ("seat_weights", "frequency_weights"):
            weights = np.asarray(getattr(self, name))
            object.__setattr__(self, name, weights / weights.sum())
        for name in self.__dataclass_fields__:
            if isinstance(values := getattr(self, name), np.ndarray):
                object.__setattr__(self, name, readonly(values, dtype=values.dtype))

    @property
    def smoothing(self) -> FloatArray:
        """What turns power at the points into power on the fit axis, shape (P, F)."""
        return self._smoothed(np.eye(self.points.size))

    def _smoothed(self, power: FloatArray) -> FloatArray:
        return smooth_power(self.points, power, at=self.frequencies, fraction=SMOOTHING_FRACTION)

    def without_seat(self, index: int) -> Self:
        """Return the data without one seat, named by its place."""
        residual = self.sum_residual_db
        return replace(
            self,
            seats=self.seats[:index] + self.seats[index + 1 :],
            seat_weights=np.delete(self.seat_weights, index),
            sub=np.delete(self.sub, index, axis=0),
            mains=np.delete(self.mains, index, axis=0),
            seat_offsets_db=np.delete(self.seat_offsets_db, index),
            sum_residual_db=None if residual is None else np.delete(residual, index),
        )

    def with_seats_levelled(self) -> Self:
        """Return the data with the level that a seat has for itself counted as no error."""
        power = self._smoothed(np.abs(self.sub) ** 2 + np.abs(self.mains) ** 2)
        own = (power_ratio_db(power) - self.target_db) @ self.frequency_weights
        return replace(self, seat_offsets_db=own - own @ self.seat_weights)

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
        power = self._smoothed(np.abs(self.predicted_sum(settings)) ** 2)
        return power_ratio_db(np.maximum(power, np.finfo(np.float64).tiny))


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
