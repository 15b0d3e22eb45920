"""Data of the band-gain problem, prepared once: what is to be corrected, and what is excused.

Conventions
-----------
Levels and errors in dB on the fit axis; frequency weights sum to 1. What is corrected is the power
average over the seats, 1/6-octave power smoothing, the device's present gains divided out *before*
the smoothing (afterwards they change the answer by a step). ``error_db`` is that average less the
target; ``shortfall_db`` the same less what is excused: the allowance of the target (roll-off), more
than 6 dB in a dip, all of it in a narrow null. Two levels are taken off the average: `level_db`, at
which the weighted mean of what is asked for is 0, is what seats and wanted loudness are told
against; `aim_db`, which four fifths of the axis reach, is what ``error_db`` and ``shortfall_db``
are told against. Peaks are brought down to it, since the bands may cut by much and boost by little;
where nothing but roll-off, nulls and single peaks is there, it is what the rest of the axis has.

All thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from roomeq.analysis.dips import find_dips, judge_dips
from roomeq.analysis.seats import comparable_level_db
from roomeq.analysis.survey_levels import (
    band_signal_to_noise_db,
    common_axis,
    covered_span,
    has_band_levels,
    seat_excess_group_delays,
    seat_levels_db,
)
from roomeq.base.bands import logarithmic_axis, third_octave_band
from roomeq.base.levels import FloatArray, power_mean_db, readonly
from roomeq.base.survey import Source, Survey
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.wanted.span import Span, fit_span, merged_spans, within_spans
from roomeq.wanted.target import Target

SNR_IGNORED_DB, SNR_FULL_DB = 10.0, 20.0
SHAPE_FRACTION, DIP_FRACTION = 6, 24
_BAND_POINTS = 8  # points within a third-octave band for its power mean
_FINE_POINTS_PER_OCTAVE = 48

DIP_DEPTH_DB, DIP_OCTAVES, DIP_SHORTFALL_DB = 8.0, 0.8, 6.0
NULL_DEPTH_DB, NULL_EDGE_DB, NULL_OCTAVES = 15.0, 3.0, 1.5
AIM_SHARE = 0.2
DIP_MARGIN_OCTAVES = 1.0 / 12.0
SHORT_DB, SHORT_SHARE = 1.0, 0.75
_MAJORITY = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitData:
    """What the search works on.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Fit axis in Hz: 24 points an octave, or the band centres for hand-typed band levels.
    seats : tuple of str
    seat_weights : ndarray, shape (S,)
    measured_db : ndarray, shape (S, F)
        Measured levels, 1/12-octave power smoothing, present gains included.
    target_db : ndarray, shape (F,)
        Curve of the target, without its level.
    allowance_db : ndarray, shape (F,)
        Shortfall that the subwoofer's roll-off excuses.
    present_db : ndarray, shape (F,)
        Response of the present gains.
    seat_db : ndarray, shape (S, F)
        Level at each seat less the target, present gains divided out, 1/6-octave power smoothing,
        less one offset for each seat unless levels are comparable.
    fine_frequencies, fine_db : ndarray, shape (G,) and (S, G)
        The same with 1/24-octave smoothing, an octave beyond the axis where it was measured: there
        dips are looked for. Empty for band levels.
    seat_offsets_db : ndarray, shape (S,)
        What was removed from each seat.
    frequency_weights : ndarray, shape (F,)
    noise_weights : ndarray, shape (F,)
        1 where the signal-to-noise ratio is high or unknown, 0 below 10 dB.
    excess_group_delay : ndarray, shape (S, F), optional
        Seconds; not a number throughout for a seat whose phase is not known. None where no seat
        has phase.
    band_levels : bool
        Whether values are power means over third-octave bands.
    noise_known : bool
        Whether any measurement knew its signal-to-noise ratio.
    dips, nulls : tuple of (float, float)
        Spans in Hz of dips that no boost may fill, with their margin, and the narrow nulls among
        them; of band levels, single bands.
    level_db : float
        Level that the average has, all bands at 0, where nothing is excused.
    aim_db : float
        Level that it is brought to, no higher.
    error_db, shortfall_db : ndarray, shape (F,)
        Error of the average against the aim, and as far as a shortfall is to be made up.
    """

    frequencies: FloatArray
    seats: tuple[str, ...]
    seat_weights: FloatArray
    measured_db: FloatArray
    target_db: FloatArray
    allowance_db: FloatArray
    present_db: FloatArray
    seat_db: FloatArray
    fine_frequencies: FloatArray
    fine_db: FloatArray
    seat_offsets_db: FloatArray
    frequency_weights: FloatArray
    noise_weights: FloatArray
    excess_group_delay: FloatArray | None
    band_levels: bool
    noise_known: bool
    dips: tuple[Span, ...] = field(init=False)
    nulls: tuple[Span, ...] = field(init=False)
    level_db: float = field(init=False)
    aim_db: float = field(init=False)
    error_db: FloatArray = field(init=False)
    shortfall_db: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        average = power_mean_db(self.seat_db, weights=self.seat_weights)
        if self.band_levels:
            nulls = dips = self._low_bands(average)
        else:
            nulls = tuple(self._narrow_nulls(average))
            dips = merged_spans((*self._deep_dips(), *self._cancelled(), *nulls))
        object.__setattr__(self, "nulls", nulls)
        object.__setattr__(self, "dips", dips)
        level_db = self._level(average)
        object.__setattr__(self, "level_db", level_db)
        object.__setattr__(self, "aim_db", min(level_db, self._aim(average)))
        object.__setattr__(self, "error_db", average - self.aim_db)
        object.__setattr__(self, "shortfall_db", self.excused_db(self.error_db))
        for name in self.__dataclass_fields__:
            if isinstance(value := getattr(self, name), np.ndarray):
                object.__setattr__(self, name, readonly(value))

    def _low_bands(self, average: FloatArray) -> tuple[Span, ...]:
        """Return single bands of typed levels that lie 8 dB below both neighbours.

        Whether such a band is a cancellation they cannot tell: it is excused, and not filled.
        """
        half = 10.0**0.05  # a third octave to its edges
        low = find_dips(self.frequencies, average, least_depth_db=DIP_DEPTH_DB)
        return tuple((dip.frequency / half, dip.frequency * half) for dip in low)

    def _narrow_nulls(self, average: FloatArray) -> Iterator[Span]:
        """Return nulls 15 dB below the median that are at most 1.5 octaves wide 3 dB below it.

        What does not rise again before the data end is none: it may be the roll-off.
        """
        fine = power_mean_db(self.fine_db, weights=self.seat_weights)
        depth = np.median(average) - fine
        turns = np.flatnonzero(np.diff(depth >= NULL_EDGE_DB)) + 1
        for run in np.split(np.arange(depth.size), turns)[1:-1]:
            low, high = self.fine_frequencies[run[[0, -1]]]
            if depth[run].max() >= NULL_DEPTH_DB and high <= low * 2.0**NULL_OCTAVES:
                yield _widened(low, high)

    def _deep_dips(self) -> tuple[Span, ...]:
        fine = power_mean_db(self.fine_db, weights=self.seat_weights)
        return tuple(
            _widened(dip.lower, dip.upper)
            for dip in find_dips(self.fine_frequencies, fine, least_depth_db=DIP_DEPTH_DB)
            if dip.width_octaves <= DIP_OCTAVES
        )

    def _cancelled(self) -> tuple[Span, ...]:
        """Return dips that the excess group delay calls cancellations at most of the seats."""
        if self.excess_group_delay is None:
            return ()
        weights = dict(zip(self.seats, self.seat_weights.tolist(), strict=True))
        half = 2.0 ** np.array([-0.5, 0.5])
        return tuple(
            _widened(*(dip.frequency * half**dip.width_octaves))
            for dip in judge_dips(
                self.frequencies,
                self.measured_db - self.present_db,
                seats=self.seats,
                excess_group_delay=self.excess_group_delay,
            )
            if "excess_group_delay" in dip.evidence
            and sum(weights[seat] for seat in dip.seats) > _MAJORITY
        )

    def _level(self, average: FloatArray) -> float:
        """Return the level at which the weighted mean of the shortfall error is 0, by bisection."""
        low, high = float(average.min()) - 1.0, float((average + self.allowance_db).max()) + 1.0
        while high - low > 1e-9:
            middle = 0.5 * (low + high)
            if self.excused_db(average - middle) @ self.frequency_weights > 0:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    def _aim(self, average: FloatArray) -> float:
        """Return the level that four fifths of the axis reach, roll-off and nulls apart."""
        weights = np.where(within_spans(self.nulls, self.frequencies), 0.0, self.frequency_weights)
        asked = average + self.allowance_db
        order = np.argsort(asked)
        below = np.cumsum(weights[order])
        return float(asked[order][np.searchsorted(below, AIM_SHARE * below[-1])])

    def excused_db(self, error_db: FloatArray) -> FloatArray:
        """Return an error as far as a shortfall is to be made up, on the fit axis, shape (F,)."""
        short = np.where(error_db < 0, np.minimum(error_db + self.allowance_db, 0.0), error_db)
        dips = within_spans(self.dips, self.frequencies)
        short = np.where(dips, np.maximum(short, -DIP_SHORTFALL_DB), short)
        nulls = within_spans(self.nulls, self.frequencies)
        return np.where(nulls, np.maximum(short, 0.0), short)

    @property
    def level_error_db(self) -> FloatArray:
        """Error of the average against its own level, all bands at 0, shape (F,)."""
        return np.asarray(self.error_db + self.aim_db - self.level_db)

    @property
    def seat_error_db(self) -> FloatArray:
        """Error at each seat with all bands at 0, shape (S, F)."""
        return np.asarray(self.seat_db - self.level_db)

    @property
    def share_short(self) -> FloatArray:
        """Which share of the seats, by weight, is at least 1 dB short, excused apart, (F,)."""
        short = self.seat_error_db + self.allowance_db <= -SHORT_DB
        return np.asarray(self.seat_weights @ short)

    @property
    def few_seats_short(self) -> NDArray[np.bool_]:
        """Where fewer than three quarters of the seats are short, shape (F,)."""
        return np.asarray(self.share_short < SHORT_SHARE - 1e-9)

    def mean_db(self, response_db: FloatArray) -> float:
        """Return the weighted mean over the axis."""
        return float(response_db @ self.frequency_weights)

    def with_present(self, present_db: FloatArray) -> Self:
        """Return the data as if the present gains had had another response on the fit axis."""
        return replace(
            self, present_db=present_db, seat_db=self.seat_db + self.present_db - present_db
        )

    def without_seat(self, index: int) -> Self:
        """Return the data as if one seat had not been measured."""
        kept = np.arange(len(self.seats)) != index
        delays = None if self.excess_group_delay is None else self.excess_group_delay[kept]
        return replace(
            self,
            seats=tuple(seat for seat, keep in zip(self.seats, kept, strict=True) if keep),
            seat_weights=self.seat_weights[kept] / self.seat_weights[kept].sum(),
            measured_db=self.measured_db[kept],
            seat_db=self.seat_db[kept],
            fine_db=self.fine_db[kept],
            seat_offsets_db=self.seat_offsets_db[kept],
            excess_group_delay=delays,
        )

    def table_db(
        self, equaliser: FixedBandEqualiser, index: int, gains_db: FloatArray
    ) -> FloatArray:
        """Return one band's response on the fit axis at several gains, shape (K, F).

        For band levels it is the power mean of the response over each third-octave band.
        """
        if not self.band_levels:
            return equaliser.band_table_db(index, self.frequencies, gains_db=gains_db)
        return _table_in_bands_db(equaliser, index, gains_db, self.frequencies)

    def response_db(self, equaliser: FixedBandEqualiser, gains_db: FloatArray) -> FloatArray:
        """Return the summed response of all bands on the fit axis, exactly, shape (F,)."""
        return _summed_db(equaliser, gains_db, self.frequencies, band_levels=self.band_levels)


def _widened(low: float, high: float) -> Span:
    margin = 2.0**DIP_MARGIN_OCTAVES
    return float(low / margin), float(high * margin)


def _table_in_bands_db(
    equaliser: FixedBandEqualiser, index: int, gains_db: FloatArray, centres: FloatArray
) -> FloatArray:
    """Return the mean over points equally spaced in ln f in the third octave around each centre."""
    places = (np.arange(_BAND_POINTS) + 0.5) / _BAND_POINTS - 0.5
    points = (centres[:, np.newaxis] * 10.0 ** (0.1 * places)).ravel()
    inside = equaliser.band_table_db(index, points, gains_db=gains_db)
    return power_mean_db(inside.reshape(gains_db.size, -1, _BAND_POINTS), axis=2)


def prepare_fit(
    survey: Survey,
    *,
    equaliser: FixedBandEqualiser,
    target: Target,
    present_gains_db: FloatArray,
    source: Source = "sub",
    clear_of: float | None = None,
) -> FitData:
    """Prepare one source of a survey for the search.

    Parameters
    ----------
    survey : Survey
    equaliser : FixedBandEqualiser
    target : Target
    present_gains_db : ndarray, shape (B,)
        Gains that were set while measuring.
    source : {"sub", "both", "mains"}
    clear_of : float, optional
        Corner in Hz; look only below 0.7 times it: where subwoofer and mains play together.

    Returns
    -------
    FitData

    Raises
    ------
    ValueError
        If that source was not measured, or no frequency is common to all its measurements.
    """
    chosen = survey.of_source(source)
    band_levels = has_band_levels(chosen)
    lowest, highest = fit_span(equaliser, clear_of=clear_of)
    axis = common_axis(chosen, lowest=lowest, highest=highest)
    weights, noise_known = _noise_weights(chosen, axis)
    if not np.any(weights > 0):
        raise ValueError(
            "no frequency can be fitted: every third octave is within 10 dB of the noise"
        )

    def at_rest_db(at: FloatArray, fraction: int) -> FloatArray:
        def present_db(f: FloatArray) -> FloatArray:
            return _summed_db(equaliser, present_gains_db, f, band_levels=band_levels)

        moved = present_db if np.any(present_gains_db != 0.0) else None
        levels = seat_levels_db(chosen, at=at, fraction=fraction, without_db=moved)
        return np.asarray(levels - target.curve_db(at))

    seat_db, offsets = at_rest_db(axis, SHAPE_FRACTION), np.zeros(len(chosen.seats))
    if not survey.levels_comparable:
        seat_db, offsets = comparable_level_db(
            seat_db, frequencies=axis, weights_over_frequency=weights
        )
    fine = axis[:0] if band_levels else _wider_axis(chosen, axis)
    fine_db = at_rest_db(fine, DIP_FRACTION) if fine.size else np.zeros((len(seat_db), 0))
    return FitData(
        frequencies=axis,
        seats=chosen.seats,
        seat_weights=chosen.weights,
        measured_db=seat_levels_db(chosen, at=axis),
        target_db=target.curve_db(axis),
        allowance_db=target.allowance_db(axis),
        present_db=_summed_db(equaliser, present_gains_db, axis, band_levels=band_levels),
        seat_db=seat_db,
        fine_frequencies=fine,
        fine_db=fine_db - offsets[:, np.newaxis],
        seat_offsets_db=offsets,
        frequency_weights=weights / weights.sum(),
        noise_weights=weights,
        excess_group_delay=seat_excess_group_delays(chosen, at=axis),
        band_levels=band_levels,
        noise_known=noise_known,
    )


def _wider_axis(survey: Survey, axis: FloatArray) -> FloatArray:
    """Return a finer axis, an octave beyond the fit's where all measurements reach so far."""
    low, high = covered_span(survey.measurements)
    lowest, highest = max(0.5 * axis[0], low), min(2.0 * axis[-1], high)
    return logarithmic_axis(lowest, highest, per_octave=_FINE_POINTS_PER_OCTAVE)


def _summed_db(
    equaliser: FixedBandEqualiser, gains_db: FloatArray, axis: FloatArray, *, band_levels: bool
) -> FloatArray:
    """Return the summed response on the fit axis; for band levels its power mean in each band."""
    if not band_levels:
        return equaliser.response_db(gains_db, axis)
    # Band by band, as the search adds them, so that proof and prediction speak of one thing; the
    # mean of the sum differs by 0.2 dB in the middle and 0.6 dB at most, over 2000 random gains.
    places = range(len(gains_db))
    rows = [_table_in_bands_db(equaliser, n, gains_db[n : n + 1], axis) for n in places]
    return np.asarray(np.sum(rows, axis=(0, 1)))


def _noise_weights(survey: Survey, axis: FloatArray) -> tuple[FloatArray, bool]:
    """Return the weight that the noise leaves at each frequency, and whether any is known.

    0 below a signal-to-noise ratio of 10 dB in the third octave, rising to 1 at 20 dB; the mean
    over the measurements.
    """
    bands = [third_octave_band(float(frequency)) for frequency in axis]
    responses = [measurement.response for measurement in survey.measurements]
    snr_db = np.array([[band_signal_to_noise_db(r, band) for band in bands] for r in responses])
    share = np.clip((snr_db - SNR_IGNORED_DB) / (SNR_FULL_DB - SNR_IGNORED_DB), 0.0, 1.0)
    unknown = np.isnan(snr_db)
    return np.where(unknown, 1.0, share).mean(axis=0), not unknown.all()
