"""What a fit of band gains found, with its evidence.

Conventions
-----------
Gains are absolute settings in dB, one for each band of the equaliser. Deviations are ``sqrt(J)`` in
dB with J as in `roomeq.optimiser.problem`. "Before" has its weighted mean error taken out, just as
"after" has, so that an improvement is never a mere change of loudness.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.levels import FloatArray
from roomeq.optimiser.band_frame import band_frame
from roomeq.optimiser.deviations import (
    PlainFigures,
    centred_error_db,
    estimate_plain_figures,
    fitted_deviation_db,
    seat_deviations_db,
)
from roomeq.optimiser.fit_data import FitData
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.problem import BandGainProblem, LabelArray
from roomeq.optimiser.reasons import BandReason

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = [
    "BandGainFit",
    "ChosenGains",
    "LeftOutSeat",
    "NoChange",
    "chosen_labels",
    "judge_improvement",
]

LEAST_IMPROVEMENT_DB = 0.5


class NoChange(StrEnum):
    """Why the present gains are kept."""

    IMPROVEMENT_TOO_SMALL = "improvement_too_small"
    WITHIN_REPEATABILITY = "within_repeatability"


def judge_improvement(
    improvement_db: float,
    *,
    repeatability_db: float | None,
    least_improvement_db: float = LEAST_IMPROVEMENT_DB,
) -> NoChange | None:
    """Say why an improvement is not worth a change; None where it is."""
    if not improvement_db >= least_improvement_db:
        return NoChange.IMPROVEMENT_TOO_SMALL
    if repeatability_db is not None and not improvement_db >= repeatability_db:
        return NoChange.WITHIN_REPEATABILITY
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutSeat:
    """How gains chosen without a seat would do at that seat.

    Attributes
    ----------
    seat : str
    before_db, after_db : float
        Deviation at the seat at the present gains, and with those the other seats asked for.
    """

    seat: str
    before_db: float
    after_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChosenGains:
    """Gains and level chosen otherwise than by the subwoofer alone.

    Attributes
    ----------
    gains_db : ndarray, shape (B,)
    level_change_db : float
        Of the level knob.
    """

    gains_db: FloatArray
    level_change_db: float = 0.0

    def loudness_change_db(self, data: FitData, *, equaliser: FixedBandEqualiser) -> float:
        """Return how much louder the seats become: level change plus mean change of response."""
        change = data.response_db(equaliser, self.gains_db) - data.present_db
        return self.level_change_db + float(change @ data.frequency_weights)


def chosen_labels(problem: BandGainProblem, gains_db: FloatArray) -> LabelArray:
    """Return the labels of gains.

    Raises
    ------
    ValueError
        If a gain is not among those that the problem allows.
    """
    distances = [
        np.abs(allowed - gain) for allowed, gain in zip(problem.gains_db, gains_db, strict=True)
    ]
    if any(distance.min() > 1e-9 for distance in distances):
        raise ValueError(f"gains {list(gains_db)} dB are not all among those that may be set")
    return np.array([int(distance.argmin()) for distance in distances])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandGainFit:
    """A proposal with its evidence.

    Attributes
    ----------
    data : FitData
    loss : Loss
    gains_db : ndarray, shape (B,)
        Proposed absolute settings; the present ones where no change is proposed.
    candidate_gains_db : ndarray, shape (B,)
        What the search would set, also where no change is proposed.
    best_gains_db : ndarray, shape (B,)
        The best setting found, without the preference for few and small moves.
    present_gains_db : ndarray, shape (B,)
    response_db : ndarray, shape (F,)
        Summed response of the proposed gains on the fit axis.
    bands : tuple of BandReason
        Error, spread and reason for each band.
    no_change : NoChange or None
        Why the present gains are kept, or None.
    deviation_before_db, deviation_db, candidate_deviation_db, best_deviation_db : float
        Weighted deviation at the present gains, the proposed, the candidate, the best found.
    lower_bound_db, gap_db : float
        No setting of this device within the limits does better than the bound; best less bound.
    proven : bool
        Whether the gap is within the wanted 0.05 dB.
    nodes : int
        Nodes of the search.
    floor : float
        Hz below which nothing is boosted.
    filter_boost_db, filter_boost_frequency : float
        Largest boost of the summed response, and where, in Hz.
    drive_boost_db, drive_boost_frequency : float
        The same once the level is turned back to the same loudness.
    level_change_db : float
        Change of the level knob that goes with the proposal, not yet rounded to its step.
    loudness_change_db : float
        The part of it that a wanted level asks for; the rest keeps loudness.
    loudness_cut_db : float
        What was cut from a wanted rise because it alone would break the drive limit.
    left_out : tuple of LeftOutSeat
        Empty with fewer than three seats, or where it was not asked for.
    """

    data: FitData
    loss: Loss
    gains_db: FloatArray
    candidate_gains_db: FloatArray
    best_gains_db: FloatArray
    present_gains_db: FloatArray
    response_db: FloatArray
    bands: tuple[BandReason, ...]
    no_change: NoChange | None
    deviation_before_db: float
    deviation_db: float
    candidate_deviation_db: float
    best_deviation_db: float
    lower_bound_db: float
    gap_db: float
    proven: bool
    nodes: int
    floor: float
    filter_boost_db: float
    filter_boost_frequency: float
    drive_boost_db: float
    drive_boost_frequency: float
    level_change_db: float
    loudness_change_db: float
    loudness_cut_db: float
    left_out: tuple[LeftOutSeat, ...]

    @property
    def predicted_level_db(self) -> FloatArray:
        """Predicted level at each seat with the proposal, shape (S, F), in dB."""
        change_db = self.response_db - self.data.present_db + self.level_change_db
        return np.asarray(self.data.level_db + change_db)

    @property
    def target_level_db(self) -> FloatArray:
        """Target at the loudness that the proposal has, shape (F,), in dB."""
        data = self.data
        above_db = data.seat_weights @ (data.level_db - data.target_db) @ data.frequency_weights
        return np.asarray(data.target_db + above_db + self.loudness_change_db)

    @property
    def error_before_db(self) -> FloatArray:
        """Error at each seat at the present gains, mean removed, shape (S, F), in dB."""
        return centred_error_db(self.data, self.data.present_db)

    @property
    def error_after_db(self) -> FloatArray:
        """Error at each seat with the proposal, mean removed, shape (S, F), in dB."""
        return centred_error_db(self.data, self.response_db)

    @property
    def before_by_seat_db(self) -> FloatArray:
        """Weighted deviation at each seat at the present gains, shape (S,), in dB."""
        return seat_deviations_db(self.data, self.error_before_db, loss=self.loss)

    @property
    def after_by_seat_db(self) -> FloatArray:
        """Weighted deviation at each seat with the proposal, shape (S,), in dB."""
        return seat_deviations_db(self.data, self.error_after_db, loss=self.loss)

    @property
    def plain_before(self) -> PlainFigures:
        """Plain figures at the present gains."""
        return estimate_plain_figures(self.data, self.error_before_db)

    @property
    def plain_after(self) -> PlainFigures:
        """Plain figures with the proposal."""
        return estimate_plain_figures(self.data, self.error_after_db)

    def by_seat_at_gains_db(self, equaliser: FixedBandEqualiser, gains_db: ArrayLike) -> FloatArray:
        """Return the weighted deviation that other gains would leave at each seat, in dB.

        For example gains that were chosen by other seats. `equaliser` is that of this fit.

        Returns
        -------
        ndarray, shape (S,)

        Raises
        ------
        ValueError
            If a gain is off the device's grid.
        """
        response_db = self.data.response_db(equaliser, equaliser.checked_gains_db(gains_db))
        return seat_deviations_db(
            self.data, centred_error_db(self.data, response_db), loss=self.loss
        )

    def deviation_at_q_db(
        self, equaliser: FixedBandEqualiser, *, factor: float
    ) -> tuple[float, float]:
        """Return deviation before and after in dB, if every Q were `factor` times the assumed one.

        The present gains were measured through the true Q, so both the level without them and the
        prediction change.
        """
        other = equaliser.scaled_q(factor)
        present_db = self.data.response_db(other, self.present_gains_db)
        error_db = self.data.error_db + self.data.present_db - present_db
        data = replace(self.data, error_db=error_db, present_db=present_db)
        return (
            fitted_deviation_db(data, present_db, loss=self.loss),
            fitted_deviation_db(data, self.data.response_db(other, self.gains_db), loss=self.loss),
        )

    def to_frame(self) -> DataFrame:
        """Return the bands as a pandas table; see `roomeq.optimiser.band_frame.band_frame`."""
        return band_frame(self.bands)
