"""The weighted deviation, and plain figures beside it: what a person would read off the curves.

Conventions
-----------
Errors are level minus target in dB, all at one loudness; weights sum to 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roomeq.base.levels import FloatArray, power_mean_db
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.wanted.loss import MEAN_CUT_WEIGHT, Loss


def weighted_deviation_db(data: FitData, response_db: FloatArray, *, loss: Loss) -> float:
    """Return ``sqrt(J)`` of a response of the bands on the fit axis, in dB.

    J is the loss above the least that any shape leaves, see `roomeq.wanted.loss.Loss.least`.
    """
    mean = data.mean_db(response_db)
    offset = response_db - mean
    value = loss.value(data.error_db + offset, data.shortfall_db + offset)
    total = data.mean_db(value) + MEAN_CUT_WEIGHT * min(mean, 0.0) ** 2
    return math.sqrt(max(total - loss.least(data.mean_db(data.error_db)), 0.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlainFigures:
    """Figures without weighting and without excuse, all in dB.

    Attributes
    ----------
    average_sd_db : float
        Standard deviation over frequency of the power average over seats, less target.
    by_seat_db : ndarray, shape (S,)
        Standard deviation over frequency at each seat.
    seat_sd_db : float
        Their mean, by seat weight.
    largest_excess_db : float
        Largest error over all seats and frequencies.
    """

    average_sd_db: float
    by_seat_db: FloatArray
    seat_sd_db: float
    largest_excess_db: float


def seat_errors_db(data: FitData, response_db: FloatArray) -> FloatArray:
    """Return the error at every seat with a response of the bands, at the target's loudness.

    Parameters
    ----------
    data : FitData
    response_db : ndarray, shape (F,)
        Summed response of the equaliser on the fit axis, in dB.

    Returns
    -------
    ndarray, shape (S, F)
    """
    return np.asarray(data.seat_error_db + (response_db - data.mean_db(response_db)))


def estimate_plain_figures(data: FitData, response_db: FloatArray) -> PlainFigures:
    """Return plain figures with a response of the bands, frequency weights applied."""
    error_db = seat_errors_db(data, response_db)
    average_db = power_mean_db(error_db, weights=data.seat_weights)

    def spread(values: FloatArray) -> FloatArray:
        centred = values - (values @ data.frequency_weights)[..., None]
        return np.asarray(np.sqrt(centred**2 @ data.frequency_weights))

    by_seat = spread(error_db)
    counted = data.frequency_weights > 0
    return PlainFigures(
        average_sd_db=float(spread(average_db[None])[0]),
        by_seat_db=by_seat,
        seat_sd_db=float(data.seat_weights @ by_seat),
        largest_excess_db=float(error_db[:, counted].max()),
    )
