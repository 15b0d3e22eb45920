"""Seats: spatial averages and seat-to-seat variation.

Conventions
-----------
Levels are in dB, shape (S, F): seats first, frequency last. Seat weights count relative to each
other. A *level mean* averages decibels, a *power mean* squared pressures; both are given, never
mixed. Standard deviations and variances divide by n.

What these numbers cannot tell: an offset of one seat (microphone gain, drive level) counts as
variation. Where levels are not comparable between seats, put `comparable_level_db` first. And one
equaliser before all seats leaves every figure of variation exactly as it is.

The odd seat: one that differs from the rest much more than the others do.

Levels are in dB, shape (S, F): seats first, frequency last. Every seat counts alike, whatever its
weight: a seat that nobody minds may still be the one that was measured wrongly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.smoothing import band_levels_db, log_frequency_weights
from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, level_mean_db, power_mean_db, readonly, require_one_of
from roomeq.base.response import checked_frequencies

if TYPE_CHECKING:
    from pandas import DataFrame

FrequencyWeighting = Literal["log_frequency", "points"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeatStatistics:
    """What seats have in common and how they differ, by frequency or by band.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Hz; exact mid-band frequencies where the figures belong to bands.
    seats : tuple of str
        Names of the S seats.
    power_mean_db, level_mean_db : ndarray, shape (F,)
        Weighted spatial averages in dB.
    spread_db : ndarray, shape (F,)
        Weighted standard deviation of the levels over seats, in dB.
    variance_db2 : ndarray, shape (F,)
        Its square.
    range_db : ndarray, shape (F,)
        Loudest minus quietest seat, in dB; seats of weight zero are left out.
    loudest, quietest : tuple of str, length F
        Names of these seats; the first in order, if several are equal.
    """

    frequencies: FloatArray
    seats: tuple[str, ...]
    power_mean_db: FloatArray
    level_mean_db: FloatArray
    spread_db: FloatArray
    variance_db2: FloatArray
    range_db: FloatArray
    loudest: tuple[str, ...]
    quietest: tuple[str, ...]

    def to_frame(self) -> DataFrame:
        """Return one row for each frequency: a column ``frequency`` in Hz and one per figure."""
        from pandas import DataFrame

        names = ("power_mean_db", "level_mean_db", "spread_db", "variance_db2", "range_db")
        figures = {name: getattr(self, name) for name in (*names, "loudest", "quietest")}
        return DataFrame({"frequency": self.frequencies, **figures})


@dataclass(frozen=True, slots=True, kw_only=True)
class SpatialFigures:
    """Three figures that describe a seating area over a span of frequencies.

    The figures of Welti and Devantier, JAES 54(5), 2006, pp 347-364 (mean spatial variance,
    variance of the spatial average, mean output level), as commonly quoted; the wording of the
    paper was not at hand. The original averages over frequencies as sampled, from 20 to 80 Hz.

    Attributes
    ----------
    variation_between_seats_db2 : float
        Mean over frequency of the variance over seats, in dB squared. 0 only if all seats are
        equal; an equaliser before all seats does not change it.
    unevenness_of_average_db2 : float
        Variance over frequency of the level mean over seats, in dB squared.
    mean_level_db : float
        Mean over frequency of the level mean over seats, in dB.
    lowest, highest : float
        Span in Hz.
    """

    variation_between_seats_db2: float
    unevenness_of_average_db2: float
    mean_level_db: float
    lowest: float
    highest: float


def estimate_seat_statistics(
    frequencies: ArrayLike,
    level_db: ArrayLike,
    *,
    seats: Sequence[str],
    weights: ArrayLike | None = None,
) -> SeatStatistics:
    """Estimate averages over seats and the variation between them, frequency by frequency.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (S, F)
        Levels in dB, finite.
    seats : sequence of str, length S
        Names.
    weights : array_like, shape (S,), optional
        Seat weights, not negative; equal by default.

    Returns
    -------
    SeatStatistics

    Raises
    ------
    ValueError
        If shapes differ, a level is not finite or weights are not usable.
    """
    axis, levels, names = checked_seat_levels(level_db, frequencies=frequencies, seats=seats)
    shares = _shares(weights, count=len(names))
    mean = level_mean_db(levels, weights=shares)
    variance = shares @ (levels - mean) ** 2
    counted = np.flatnonzero(shares > 0)
    top, bottom = counted[levels[counted].argmax(axis=0)], counted[levels[counted].argmin(axis=0)]
    return SeatStatistics(
        frequencies=axis,
        seats=names,
        power_mean_db=readonly(power_mean_db(levels, weights=shares)),
        level_mean_db=readonly(mean),
        spread_db=readonly(np.sqrt(variance)),
        variance_db2=readonly(variance),
        range_db=readonly(np.ptp(levels[counted], axis=0)),
        loudest=tuple(names[index] for index in top),
        quietest=tuple(names[index] for index in bottom),
    )


def estimate_band_statistics(
    frequencies: ArrayLike,
    level_db: ArrayLike,
    *,
    seats: Sequence[str],
    bands: Sequence[ThirdOctaveBand],
    weights: ArrayLike | None = None,
) -> SeatStatistics:
    """Estimate averages over seats and the variation between them, band by band.

    As `estimate_seat_statistics`, of the band levels of each seat: the power mean over d ln f
    within the exact band edges, see `roomeq.analysis.smoothing.band_levels_db`. Detail within a
    band is lost, so seats differ less than frequency by frequency.

    Raises
    ------
    ValueError
        As `estimate_seat_statistics`, or if a band does not lie within the data.
    """
    axis, levels, names = checked_seat_levels(level_db, frequencies=frequencies, seats=seats)
    return estimate_seat_statistics(
        [band.centre for band in bands],
        band_levels_db(axis, levels, bands=bands),
        seats=names,
        weights=weights,
    )


def estimate_spatial_figures(
    frequencies: ArrayLike,
    level_db: ArrayLike,
    *,
    lowest: float = 20.0,
    highest: float = 80.0,
    weights: ArrayLike | None = None,
    weighting: FrequencyWeighting = "log_frequency",
) -> SpatialFigures:
    """Estimate variation between seats, unevenness of their average and mean level over a span.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (S, F)
        Levels in dB.
    lowest, highest : float
        Span in Hz; samples within it count.
    weights : array_like, shape (S,), optional
        Seat weights; equal by default.
    weighting : {"log_frequency", "points"}
        Whether samples weigh as their share of ln f, or all alike as in the source.

    Raises
    ------
    ValueError
        If the span holds no sample, or an argument is not usable.
    """
    axis, levels, names = checked_seat_levels(level_db, frequencies=frequencies, seats=None)
    require_one_of(weighting, FrequencyWeighting, "weighting")
    inside = (axis >= lowest) & (axis <= highest)
    if not inside.any():
        raise ValueError(
            f"no sample between {lowest:g} and {highest:g} Hz in data from {axis[0]:g} to "
            f"{axis[-1]:g} Hz"
        )
    axis, levels, by_octave = axis[inside], levels[:, inside], weighting == "log_frequency"
    shares = _shares(weights, count=len(names))
    over = _shares(log_frequency_weights(axis) if by_octave else None, count=axis.size)
    mean = level_mean_db(levels, weights=shares)
    overall = level_mean_db(mean, weights=over)
    between = shares @ (levels - mean) ** 2
    return SpatialFigures(
        variation_between_seats_db2=float(over @ between),
        unevenness_of_average_db2=float(over @ (mean - overall) ** 2),
        mean_level_db=float(overall),
        lowest=float(lowest),
        highest=float(highest),
    )


def comparable_level_db(
    level_db: ArrayLike,
    *,
    frequencies: ArrayLike,
    weights_over_frequency: ArrayLike | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Remove one offset per seat, so that only the shapes of the responses differ.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (S, F)
        Levels in dB.
    weights_over_frequency : array_like, shape (F,), optional
        Weight of each sample in a seat's level mean; its share of ln f by default.

    Returns
    -------
    levels : ndarray, shape (S, F)
        Levels in dB whose level means over frequency are all the same.
    offsets : ndarray, shape (S,)
        What was subtracted from each seat, in dB; the offsets' mean is zero, so the average over
        seats keeps its level. What real level difference there was is lost from `levels`.

    Raises
    ------
    ValueError
        If shapes differ, a level is not finite or weights are not usable.
    """
    axis, levels, _ = checked_seat_levels(level_db, frequencies=frequencies, seats=None)
    over = log_frequency_weights(axis) if weights_over_frequency is None else weights_over_frequency
    means = level_mean_db(levels, axis=1, weights=over)
    offsets = means - means.mean()
    return readonly(levels - offsets[:, np.newaxis]), readonly(offsets)


def seat_spread_db(level_db: ArrayLike, *, weights: ArrayLike | None = None) -> FloatArray:
    """Return the weighted standard deviation over seats (divided by n), shape (...), in dB.

    Parameters
    ----------
    level_db : array_like, shape (S, ...)
        Levels or errors in dB, seats first.
    weights : array_like, shape (S,), optional
        Seat weights, not negative; equal by default.

    Raises
    ------
    ValueError
        If the weights do not fit the seats or are not usable.
    """
    levels = np.asarray(level_db, dtype=np.float64)
    shares = _shares(weights, count=len(levels))
    squares = (levels - level_mean_db(levels, weights=shares)) ** 2
    return np.asarray(np.sqrt(np.tensordot(shares, squares, axes=1)))


def checked_seat_levels(
    level_db: ArrayLike, *, frequencies: ArrayLike, seats: Sequence[str] | None
) -> tuple[FloatArray, FloatArray, tuple[str, ...]]:
    """Return axis, levels of shape (S, F) and names; raise ValueError where they do not fit."""
    axis = checked_frequencies(frequencies)
    levels = np.asarray(level_db, dtype=np.float64)
    if levels.ndim != 2 or levels.shape[0] == 0 or levels.shape[1] != axis.size:
        raise ValueError(f"levels must have shape (seats, {axis.size}), got {levels.shape}")
    if not np.isfinite(levels).all():
        raise ValueError("levels must be finite: leave out the rows that hold no level")
    names = tuple(seats) if seats is not None else tuple(map(str, range(len(levels))))
    if isinstance(seats, str) or len(names) != len(levels):
        raise ValueError(f"{len(levels)} seats need as many names, got {seats!r}")
    return axis, levels, names


def _shares(weights: ArrayLike | None, *, count: int) -> FloatArray:
    if weights is None:
        return np.full(count, 1.0 / count)
    given = np.asarray(weights, dtype=np.float64)
    if given.shape != (count,):
        raise ValueError(f"{count} seats need as many weights, got shape {given.shape}")
    if not (np.isfinite(given).all() and (given >= 0).all() and given.sum() > 0):
        raise ValueError(f"weights must be finite, not negative and not all zero, got {given}")
    return np.asarray(given / given.sum())


_ODD_LEAST_DB = 3.0
_ODD_RATIO = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class OddSeat:
    """A seat that differs from the rest much more than the others do.

    Attributes
    ----------
    seat : str
        Its name.
    distance_db : float
        Root mean square over ln f of its level minus the level mean of the others, with one offset
        removed, in dB.
    others_distance_db : float
        Median of the same figure over the other seats, in dB.
    """

    seat: str
    distance_db: float
    others_distance_db: float


def estimate_odd_seat(
    frequencies: ArrayLike, level_db: ArrayLike, *, seats: Sequence[str]
) -> OddSeat | None:
    """Name the seat that differs most from the rest, if it stands out.

    For each seat, the distance is the root mean square over ln f of its level minus the level mean
    of the other seats, one offset removed. The seat of the largest distance stands out if that is
    at least 3 dB and at least 1.5 times the median distance of the others (common practice, no
    source). A seat may be odd because it is (near a wall), or because its measurement went wrong.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (S, F)
        Levels in dB, smoothed: else narrow dips make every seat odd.
    seats : sequence of str, length S
        Names.

    Returns
    -------
    OddSeat or None
        None if nobody stands out, or with fewer than three seats: of two, none is the odd one.

    Raises
    ------
    ValueError
        If shapes differ or a level is not finite.
    """
    axis, levels, names = checked_seat_levels(level_db, frequencies=frequencies, seats=seats)
    over, count = log_frequency_weights(axis), len(names)
    if count < 3:
        return None
    rest = (levels.sum(axis=0) - levels) / (count - 1)
    apart = levels - rest
    apart -= level_mean_db(apart, axis=1, weights=over)[:, np.newaxis]
    distances = np.sqrt(level_mean_db(apart**2, axis=1, weights=over))
    index = int(distances.argmax())
    others = float(np.median(np.delete(distances, index)))
    if not (distances[index] >= _ODD_LEAST_DB and distances[index] >= _ODD_RATIO * others):
        return None
    return OddSeat(
        seat=names[index], distance_db=float(distances[index]), others_distance_db=others
    )
