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
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.smoothing import smooth_power
from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import ComplexArray, FloatArray, power_ratio_db, readonly
from roomeq.base.record import Record
from roomeq.device.processor import JoiningSettings
from roomeq.wanted.target import Target

NOTICED = 0.05
EXPLAINED = 1.0 / 3.0
"""An explanation leaves at most this share of the difference, or no more than 5 % of the sum."""

_DELAYS = np.arange(-0.010, 0.01001, 0.0001)
_LEVELS_DB = np.arange(-12.0, 12.01, 0.25)


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
    axis, heard = points[inside], both[:, inside]
    sum_of = _Sums(axis=axis, sub=sub[:, inside], mains=mains[:, inside], both=heard)
    as_said = JoiningSettings()
    difference = sum_of.misfit(as_said)
    if difference <= NOTICED:
        return None
    alone = [
        sum_of.explained(JoiningSettings(inverted=True)),
        sum_of.explained(sum_of.best_level(as_said)),
        sum_of.explained(sum_of.best_delay(as_said)),
        sum_of.explained(as_said, all_level_db=sum_of.scale_db()),
    ]
    best = min(alone, key=lambda one: one.left)
    if not best.explained:
        best = min(best, _together(sum_of), key=lambda one: one.left)
    if best.explained:
        return best
    return SumExplanation(difference=difference, left=best.left, explained=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sums:
    axis: FloatArray
    sub: ComplexArray
    mains: ComplexArray
    both: FloatArray

    def misfit(self, settings: JoiningSettings, *, all_level_db: float = 0.0) -> float:
        """Return what is left of the difference, as a share of the measured sum."""
        total = np.abs(settings.response(self.axis) * self.sub + self.mains)
        left = self.both - 10.0 ** (all_level_db / 20.0) * total
        return float(np.sqrt(np.mean(left**2) / np.mean(self.both**2)))

    def best_level(self, settings: JoiningSettings) -> JoiningSettings:
        """Return the settings with the level of the subwoofer that explains most beside them."""
        tried = (replace(settings, level_change_db=float(level)) for level in _LEVELS_DB)
        return min(tried, key=self.misfit)

    def best_delay(self, settings: JoiningSettings) -> JoiningSettings:
        """Return the settings with the delay that explains most beside them."""
        tried = (replace(settings, delay=float(late)) for late in _DELAYS)
        return min(tried, key=self.misfit)

    def scale_db(self) -> float:
        """Return the level of everything that explains most."""
        total = np.abs(self.sub + self.mains)
        scale = float(np.sum(self.both * total) / np.sum(total**2))
        return 20.0 * float(np.log10(max(scale, 1e-6)))

    def explained(self, settings: JoiningSettings, *, all_level_db: float = 0.0) -> SumExplanation:
        """Return a cause with what it leaves."""
        difference = self.misfit(JoiningSettings())
        left = self.misfit(settings, all_level_db=all_level_db)
        return SumExplanation(
            difference=difference,
            left=left,
            explained=left <= max(NOTICED, EXPLAINED * difference),
            level_db=settings.level_change_db,
            delay_ms=round(settings.delay_ms, 6),
            inverted=settings.inverted,
            all_level_db=all_level_db,
        )


def _together(sum_of: _Sums) -> SumExplanation:
    """Return level, delay and polarity that explain most together, on a grid, then refined."""
    coarse = (
        JoiningSettings(level_change_db=float(level), delay=float(late), inverted=inverted)
        for level, late, inverted in itertools.product(_LEVELS_DB[::8], _DELAYS[::5], (False, True))
    )
    best = min(coarse, key=sum_of.misfit)
    for _ in range(2):
        best = sum_of.best_delay(sum_of.best_level(best))
    return sum_of.explained(best)


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
