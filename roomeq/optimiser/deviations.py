"""Deviations from the target: the weighted one that is made small, and plain figures beside it.

Conventions
-----------
Errors are level minus target in dB, seats by frequencies; weights sum to 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomeq.levels import FloatArray, power_mean_db
from roomeq.optimiser.fit_data import FitData
from roomeq.optimiser.loss import Loss

__all__ = [
    "PlainFigures",
    "centred_error_db",
    "estimate_plain_figures",
    "fitted_deviation_db",
    "seat_deviations_db",
    "weighted_deviation_db",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainFigures:
    """Figures without weighting of excess, trust or tail, all in dB.

    Attributes
    ----------
    average_sd_db : float
        Standard deviation over frequency of the power mean over seats, less target.
    seat_sd_db : float
        Standard deviation over frequency at a seat, mean over seats.
    largest_excess_db : float
        Largest error over all seats and frequencies.
    """

    average_sd_db: float
    seat_sd_db: float
    largest_excess_db: float


def centred_error_db(data: FitData, response_db: FloatArray) -> FloatArray:
    """Return the error at every seat with an equaliser response and the level that keeps loudness.

    Parameters
    ----------
    data : FitData
    response_db : ndarray, shape (F,)
        Summed response of the equaliser on the fit axis, in dB.

    Returns
    -------
    ndarray, shape (S, F)
    """
    error_db = data.error_db + response_db
    return np.asarray(error_db - data.seat_weights @ error_db @ data.frequency_weights)


def weighted_deviation_db(
    error_db: FloatArray,
    *,
    seat_weights: FloatArray,
    frequency_weights: FloatArray,
    trust: FloatArray,
    loss: Loss,
) -> float:
    """Return ``sqrt(J)`` of an error, in dB, without removing its mean.

    All arrays as in `FitData`; see `roomeq.optimiser.loss` for the loss.
    """
    return float(np.sqrt(seat_weights @ loss.value(error_db, trust=trust) @ frequency_weights))


def fitted_deviation_db(data: FitData, response_db: FloatArray, *, loss: Loss) -> float:
    """Return the weighted deviation in dB with an equaliser response, at the level it needs."""
    return weighted_deviation_db(
        centred_error_db(data, response_db),
        seat_weights=data.seat_weights,
        frequency_weights=data.frequency_weights,
        trust=data.trust,
        loss=loss,
    )


def seat_deviations_db(data: FitData, error_db: FloatArray, *, loss: Loss) -> FloatArray:
    """Return the weighted deviation at each seat, shape (S,), in dB."""
    return np.asarray(np.sqrt(loss.value(error_db, trust=data.trust) @ data.frequency_weights))


def estimate_plain_figures(data: FitData, error_db: FloatArray) -> PlainFigures:
    """Return plain figures of an error on the fit axis, frequency weights applied."""

    def spread(values: FloatArray) -> float:
        centred = values - values @ data.frequency_weights
        return float(np.sqrt(centred**2 @ data.frequency_weights))

    counted = data.frequency_weights > 0
    return PlainFigures(
        average_sd_db=spread(power_mean_db(error_db, weights=data.seat_weights)),
        seat_sd_db=float(data.seat_weights @ [spread(seat) for seat in error_db]),
        largest_excess_db=float(error_db[:, counted].max()),
    )
