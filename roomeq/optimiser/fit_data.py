"""Data of the band-gain problem, prepared once: levels at the seats, target, weights, trust.

Conventions
-----------
Arrays are seats by frequencies on the fit axis, in dB. ``level_db`` is what was measured, smoothed,
with the device's present gains in it; ``error_db`` is level minus target with those gains divided
out. Frequency weights sum to 1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from roomeq.analysis.dips import estimate_trust
from roomeq.analysis.seats import comparable_level_db
from roomeq.analysis.signal_to_noise import band_signal_to_noise_db
from roomeq.analysis.survey_levels import (
    common_axis,
    has_band_levels,
    seat_excess_group_delays,
    seat_levels_db,
)
from roomeq.bands import third_octave_band
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.levels import FloatArray, power_mean_db, readonly
from roomeq.optimiser.target import Target
from roomeq.survey import Source, Survey

__all__ = ["CLEAR_SHARE_OF_CORNER", "FitData", "fit_span", "prepare_fit"]

SNR_IGNORED_DB, SNR_FULL_DB = 10.0, 20.0
CLEAR_SHARE_OF_CORNER = 0.7
_BAND_POINTS = 8  # points within a third-octave band for its power mean


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitData:
    """What the search works on.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Fit axis in Hz: 24 points an octave, or the band centres for hand-typed band levels.
    seats : tuple of str
    seat_weights : ndarray, shape (S,)
    level_db : ndarray, shape (S, F)
        Measured levels, 1/12-octave power smoothing, present gains included.
    target_db : ndarray, shape (F,)
        Target without its level.
    present_db : ndarray, shape (F,)
        Response of the present gains.
    error_db : ndarray, shape (S, F)
        ``level_db - present_db - target_db``, less one offset for each seat unless levels are
        comparable.
    seat_offsets_db : ndarray, shape (S,)
        What was removed from each seat.
    frequency_weights : ndarray, shape (F,)
    noise_weights : ndarray, shape (F,)
        1 where the signal-to-noise ratio is high or unknown, 0 below 10 dB.
    trust : ndarray, shape (S, F)
        How much a shortfall counts, from 0 to 1.
    excess_group_delay : ndarray, shape (S, F), optional
        Seconds; not a number throughout for a seat whose phase is not known. None where no seat
        has phase.
    band_levels : bool
        Whether values are power means over third-octave bands.
    noise_known : bool
        Whether any measurement knew its signal-to-noise ratio.
    """

    frequencies: FloatArray
    seats: tuple[str, ...]
    seat_weights: FloatArray
    level_db: FloatArray
    target_db: FloatArray
    present_db: FloatArray
    error_db: FloatArray
    seat_offsets_db: FloatArray
    frequency_weights: FloatArray
    noise_weights: FloatArray
    trust: FloatArray
    excess_group_delay: FloatArray | None
    band_levels: bool
    noise_known: bool

    def __post_init__(self) -> None:
        for name in (
            "frequencies",
            "seat_weights",
            "level_db",
            "target_db",
            "present_db",
            "error_db",
            "seat_offsets_db",
            "frequency_weights",
            "noise_weights",
            "trust",
        ):
            object.__setattr__(self, name, readonly(getattr(self, name)))
        if self.excess_group_delay is not None:
            object.__setattr__(self, "excess_group_delay", readonly(self.excess_group_delay))

    def without_seat(self, index: int) -> Self:
        """Return the data as if one seat had not been measured; trust is estimated anew."""
        kept = np.arange(len(self.seats)) != index
        delays = None if self.excess_group_delay is None else self.excess_group_delay[kept]
        return replace(
            self,
            seats=tuple(seat for seat, keep in zip(self.seats, kept, strict=True) if keep),
            seat_weights=self.seat_weights[kept] / self.seat_weights[kept].sum(),
            level_db=self.level_db[kept],
            error_db=self.error_db[kept],
            seat_offsets_db=self.seat_offsets_db[kept],
            trust=_trust(
                self.frequencies,
                self.error_db[kept],
                delays=delays,
                seat_weights=self.seat_weights[kept],
                band_levels=self.band_levels,
            ),
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
        inside = equaliser.band_table_db(
            index, _points_in_bands(self.frequencies), gains_db=gains_db
        )
        return power_mean_db(inside.reshape(gains_db.size, -1, _BAND_POINTS), axis=2)

    def response_db(self, equaliser: FixedBandEqualiser, gains_db: FloatArray) -> FloatArray:
        """Return the summed response of all bands on the fit axis, exactly, shape (F,)."""
        return _summed_db(equaliser, gains_db, self.frequencies, band_levels=self.band_levels)


def _points_in_bands(centres: FloatArray) -> FloatArray:
    """Return points equally spaced in ln f within the third-octave band around each centre."""
    places = (np.arange(_BAND_POINTS) + 0.5) / _BAND_POINTS - 0.5
    return np.asarray((centres[:, np.newaxis] * 10.0 ** (0.1 * places)).ravel())


def fit_span(
    equaliser: FixedBandEqualiser, *, corner: float | None, clear_of_corner: bool
) -> tuple[float, float]:
    """Return the lowest and highest frequency that the fit looks at, in Hz.

    From the lower edge of the lowest band to the upper edge of the highest; half an octave above
    the corner at most, and 0.7 times the corner where the fit keeps clear of it.
    """
    lowest, highest = equaliser.bands[0].lower, equaliser.bands[-1].upper
    if corner is not None:
        limit = corner * (CLEAR_SHARE_OF_CORNER if clear_of_corner else 2.0**0.5)
        highest = min(highest, limit)
    return lowest, highest


def prepare_fit(
    survey: Survey,
    *,
    equaliser: FixedBandEqualiser,
    target: Target,
    present_gains_db: FloatArray,
    corner: float | None,
    source: Source = "sub",
    clear_of_corner: bool = False,
) -> FitData:
    """Prepare one source of a survey for the search.

    Parameters
    ----------
    survey : Survey
    equaliser : FixedBandEqualiser
    target : Target
    present_gains_db : ndarray, shape (B,)
        Gains that were set while measuring.
    corner : float or None
        Crossover corner in Hz: weights fade to 0 half an octave above it.
    source : {"sub", "both", "mains"}
    clear_of_corner : bool
        Look only below 0.7 times the corner: where subwoofer and mains play together, or where the
        corner is no more than an estimate.

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
    lowest, highest = fit_span(equaliser, corner=corner, clear_of_corner=clear_of_corner)
    axis = common_axis(chosen, lowest=lowest, highest=highest)
    level_db = seat_levels_db(chosen, at=axis)
    present_db = _summed_db(equaliser, present_gains_db, axis, band_levels=band_levels)
    target_db = target.relative_db(axis)
    noise, noise_known = _noise_weights(chosen, axis)
    weights = noise * _span_weights(
        axis, lower_limit=target.lower_limit, corner=corner, clear_of_corner=clear_of_corner
    )
    if not np.any(weights > 0):
        raise ValueError(
            "no frequency can be fitted: every third octave is within 10 dB of the noise, or "
            "outside the range of the subwoofer"
        )
    error_db = level_db - present_db - target_db
    offsets = np.zeros(len(chosen.seats))
    if not survey.levels_comparable:
        error_db, offsets = comparable_level_db(
            error_db, frequencies=axis, weights_over_frequency=weights
        )
    delays = seat_excess_group_delays(chosen, at=axis)
    return FitData(
        frequencies=axis,
        seats=chosen.seats,
        seat_weights=chosen.weights,
        level_db=level_db,
        target_db=target_db,
        present_db=present_db,
        error_db=error_db,
        seat_offsets_db=offsets,
        frequency_weights=weights / weights.sum(),
        noise_weights=noise,
        trust=_trust(
            axis, error_db, delays=delays, seat_weights=chosen.weights, band_levels=band_levels
        ),
        excess_group_delay=delays,
        band_levels=band_levels,
        noise_known=noise_known,
    )


def _trust(
    axis: FloatArray,
    error_db: FloatArray,
    *,
    delays: FloatArray | None,
    seat_weights: FloatArray,
    band_levels: bool,
) -> FloatArray:
    """Return the trust in each shortfall; band levels cannot show a cancellation and keep 1."""
    if band_levels:
        return np.ones(error_db.shape)
    return estimate_trust(axis, error_db, excess_group_delay=delays, weights=seat_weights)


def _summed_db(
    equaliser: FixedBandEqualiser, gains_db: FloatArray, axis: FloatArray, *, band_levels: bool
) -> FloatArray:
    """Return the summed response on the fit axis; for band levels its power mean in each band."""
    if not band_levels:
        return equaliser.response_db(gains_db, axis)
    inside = equaliser.response_db(gains_db, _points_in_bands(axis))
    return power_mean_db(inside.reshape(-1, _BAND_POINTS), axis=1)


def _noise_weights(survey: Survey, axis: FloatArray) -> tuple[FloatArray, bool]:
    """Return the weight that the noise leaves at each frequency, and whether any is known.

    0 below a signal-to-noise ratio of 10 dB in the third octave, rising to 1 at 20 dB; the mean
    over the measurements.
    """
    known = False
    weights = np.zeros(axis.size)
    bands = [third_octave_band(float(frequency)) for frequency in axis]
    for measurement in survey.measurements:
        response = measurement.response
        if response.snr_db is None:
            weights += 1.0
            continue
        known = True
        by_band = {}
        for band in dict.fromkeys(bands):
            snr = band_signal_to_noise_db(response, band)
            by_band[band] = float(
                np.clip((snr - SNR_IGNORED_DB) / (SNR_FULL_DB - SNR_IGNORED_DB), 0.0, 1.0)
            )
        weights += [by_band[band] for band in bands]
    return weights / len(survey.measurements), known


def _span_weights(
    axis: FloatArray, *, lower_limit: float | None, corner: float | None, clear_of_corner: bool
) -> FloatArray:
    """Fade the weights out half an octave below the lower limit and above the corner.

    The axis is equally spaced in ln f, so equal weights are weights proportional to d ln f.
    """
    weights = np.ones(axis.size)
    if lower_limit is not None:
        weights *= np.clip(1.0 + 2.0 * np.log2(axis / lower_limit), 0.0, 1.0)
    if corner is not None:
        if clear_of_corner:
            weights[axis > CLEAR_SHARE_OF_CORNER * corner] = 0.0
        else:
            weights *= np.clip(1.0 - 2.0 * np.log2(axis / corner), 0.0, 1.0)
    return weights
