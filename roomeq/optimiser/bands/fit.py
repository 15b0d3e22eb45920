"""What a fit of band gains found, with its evidence.

Conventions
-----------
Gains are absolute settings in dB, one for each band of the equaliser. Weighted deviations are
``sqrt(J)`` in dB with J as in `roomeq.optimiser.bands.problem`, at the target's loudness before and
after alike, so that an improvement is never a mere change of loudness.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Literal, Self

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.optimiser.bands.problem import BandGainProblem, LabelArray, nearest_labels
from roomeq.optimiser.bands.reasons import BandSetting, Reason, band_frame
from roomeq.optimiser.bands.task import (
    Loudness,
    PlainFigures,
    estimate_plain_figures,
    weighted_deviation_db,
)
from roomeq.wanted.loss import Loss

if TYPE_CHECKING:
    from pandas import DataFrame

LEAST_IMPROVEMENT_DB = 0.5
LEAST_EXCESS_FALL_DB = 2.0


class NoChange(StrEnum):
    """Why the present gains are kept."""

    IMPROVEMENT_TOO_SMALL = "improvement_too_small"
    WITHIN_REPEATABILITY = "within_repeatability"
    ROLL_OFF = "roll_off"


def judge_improvement(
    improvement_db: float,
    *,
    repeatability_db: float | None,
    excess_fall_db: float = 0.0,
    least_improvement_db: float = LEAST_IMPROVEMENT_DB,
) -> NoChange | None:
    """Say why an improvement is not worth a change; None where it is.

    Parameters
    ----------
    improvement_db : float
        Of the weighted deviation.
    repeatability_db : float or None
        Standard deviation of a repeated measurement.
    excess_fall_db : float
        Most by which the mean excess of a third octave falls: 2 dB and more (and more than the
        repeatability) are worth a change whatever the improvement as a whole.
    least_improvement_db : float
    """
    if excess_fall_db >= max(LEAST_EXCESS_FALL_DB, repeatability_db or 0.0):
        return None
    if not improvement_db >= least_improvement_db:
        return NoChange.IMPROVEMENT_TOO_SMALL
    if repeatability_db is not None and not improvement_db >= repeatability_db:
        return NoChange.WITHIN_REPEATABILITY
    return None


class ChoiceRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One of the settings that a proposal is chosen from, in figures.

    Attributes
    ----------
    setting : {"now", "best", "proposal"}
    gains_db : tuple of float
    moved : int
        Bands away from where they stand.
    deviation_db : float
        Weighted deviation.
    average_sd_db, seat_sd_db, largest_excess_db : float
        As in `roomeq.optimiser.bands.task.PlainFigures`.
    worst_seat, worst_seat_db : str, float
        The seat whose standard deviation rises most against now, and by how much.
    loudness_db : float
        Change of loudness against now.
    """

    setting: Literal["now", "best", "proposal"]
    gains_db: tuple[float, ...]
    moved: int
    deviation_db: float
    average_sd_db: float
    seat_sd_db: float
    largest_excess_db: float
    worst_seat: str
    worst_seat_db: float
    loudness_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChosenGains:
    """Gains and level chosen otherwise than by the subwoofer alone.

    Attributes
    ----------
    gains_db : ndarray, shape (B,)
    level_change_db : float or None
        Of the level knob; None for what keeps the loudness, as far as the drive limit allows.
    reason : Reason
        What chose them.
    """

    gains_db: FloatArray
    level_change_db: float | None = 0.0
    reason: Reason = Reason.SUM_WITH_MAINS


def chosen_labels(problem: BandGainProblem, gains_db: FloatArray) -> LabelArray:
    """Return the labels of gains.

    Raises
    ------
    ValueError
        If a gain is not among those that the problem allows.
    """
    labels = nearest_labels(problem.gains_db, gains_db)
    found = np.array([grid[label] for grid, label in zip(problem.gains_db, labels, strict=True)])
    if np.abs(found - gains_db).max() > 1e-9:
        raise ValueError(f"gains {list(gains_db)} dB are not all among those that may be set")
    return labels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandGainFit(Loudness):
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
    bands : tuple of BandSetting
        Error, spread and reason for each band.
    choices : tuple of ChoiceRow
        Now, the best found, the proposal.
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
    floor_cost_db : float or None
        Where no lower limit is known: how much better the best would be in weighted deviation
        without the floor.
    filter_boost_db, filter_boost_frequency : float
        Largest boost of the summed response, and where, in Hz.
    drive_boost_db, drive_boost_frequency : float
        The same together with the change of level, where the signal reaches.
    dip_boost_db : float
        Most that a dip is raised against the mean of the response; 0 where there is none.
    lock_excess_db, lock_excess_frequency : float
        How far locked bands alone exceed what may be boosted, and where; 0 where they do not.
    level_change_db : float
        Change of the level knob that goes with the proposal, not yet rounded to its step.
    highest_level_change_db : float
        More than this the drive limit does not grant.
    loudness_change_db : float
        How much louder the seats become.
    loudness_cut_db : float
        How much quieter they stay than now, or than wanted, because of the drive limit.
    held_at : float
        Where the drive limit grants least, in Hz.
    left_out_db : tuple of float
        Standard deviation at each seat with gains that the other seats asked for. Empty with fewer
        than three seats, or where it was not asked for.
    """

    data: FitData
    loss: Loss
    gains_db: FloatArray
    candidate_gains_db: FloatArray
    best_gains_db: FloatArray
    present_gains_db: FloatArray
    response_db: FloatArray
    bands: tuple[BandSetting, ...]
    choices: tuple[ChoiceRow, ...]
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
    floor_cost_db: float | None
    filter_boost_db: float
    filter_boost_frequency: float
    drive_boost_db: float
    drive_boost_frequency: float
    dip_boost_db: float
    lock_excess_db: float
    lock_excess_frequency: float
    left_out_db: tuple[float, ...]

    def __repr__(self) -> str:
        before, after = self.deviation_before_db, self.deviation_db
        moved = int(np.sum(self.gains_db != self.present_gains_db))
        return (
            f"<BandGainFit: {moved} of {len(self.gains_db)} bands change, weighted deviation "
            f"{before:.2f} to {after:.2f} dB>"
        )

    def turned_down(self, by_db: float) -> Self:
        """Return the same bands at a level that is lower by so many dB, because of a limit."""
        *others, proposal = self.choices
        quieter = msgspec.structs.replace(proposal, loudness_db=proposal.loudness_db - by_db)
        return replace(
            self,
            choices=(*others, quieter),
            drive_boost_db=self.drive_boost_db - by_db,
            level_change_db=self.level_change_db - by_db,
            highest_level_change_db=self.level_change_db - by_db,
            loudness_change_db=self.loudness_change_db - by_db,
            loudness_cut_db=self.loudness_cut_db + by_db,
        )

    @property
    def predicted_level_db(self) -> FloatArray:
        """Predicted level at each seat with the proposal, shape (S, F), in dB."""
        change_db = self.response_db - self.data.present_db + self.level_change_db
        return np.asarray(self.data.measured_db + change_db)

    @property
    def target_level_db(self) -> FloatArray:
        """Target at the loudness that the proposal has, shape (F,), in dB."""
        data = self.data
        now_db = data.level_db + data.mean_db(data.present_db)
        return np.asarray(data.target_db + now_db + self.loudness_change_db)

    @property
    def plain_before(self) -> PlainFigures:
        """Plain figures at the present gains."""
        return estimate_plain_figures(self.data, self.data.present_db)

    @property
    def plain_after(self) -> PlainFigures:
        """Plain figures with the proposal."""
        return estimate_plain_figures(self.data, self.response_db)

    def by_seat_at_gains_db(self, equaliser: FixedBandEqualiser, gains_db: ArrayLike) -> FloatArray:
        """Return the standard deviation that other gains would leave at each seat, in dB.

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
        return estimate_plain_figures(self.data, response_db).by_seat_db

    def deviation_at_q_db(
        self, equaliser: FixedBandEqualiser, *, factor: float
    ) -> tuple[float, float]:
        """Return deviation before and after in dB, if every Q were `factor` times the assumed one.

        The present gains were measured through the true Q, so both the level without them and the
        prediction change.
        """
        other = equaliser.scaled_q(factor)
        present_db, proposed_db = (
            self.data.response_db(other, gains) for gains in (self.present_gains_db, self.gains_db)
        )
        data, both = self.data.with_present(present_db), np.stack([present_db, proposed_db])
        before_db, after_db = weighted_deviation_db(data, both, loss=self.loss)
        return float(before_db), float(after_db)

    def to_frame(self) -> DataFrame:
        """Return the bands as a pandas table; see `roomeq.optimiser.bands.reasons.band_frame`."""
        return band_frame(self.bands)
