"""Parts of a plan that speak of joining subwoofer and mains.

Conventions
-----------
As in `roomeq.plan_records`. A delay is that of the subwoofer against the mains in ms, positive is
later; settings are absolute but for the level, which is a change in dB. Deviations are in dB, of
the complex sum from the target. Records keep figures; `JoiningSettingRecord.settings` gives back
the value it was made from, for reports.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np

from roomeq.optimiser.band_gain_fit import NoChange
from roomeq.optimiser.joining_data import JoiningNote
from roomeq.optimiser.joining_settings import JoiningSettings
from roomeq.plan_records import PlanRecord, rows_of

if TYPE_CHECKING:
    from roomeq.device.crossover import CrossoverFilter
    from roomeq.levels import FloatArray
    from roomeq.optimiser.all_settings_fit import AllSettingsFit
    from roomeq.optimiser.joining import JoiningFit, Rival
    from roomeq.optimiser.joining_data import JoiningData
    from roomeq.optimiser.joining_levels import LevelJoining

__all__ = [
    "JoiningRecord",
    "JoiningSeatRow",
    "JoiningSettingRecord",
    "LevelJoiningRecord",
    "RivalRecord",
    "TogetherRecord",
    "together_record",
]


class JoiningSettingRecord(PlanRecord, frozen=True, kw_only=True):
    """One setting; see `roomeq.optimiser.joining_settings.JoiningSettings`."""

    delay_ms: float
    inverted: bool
    phase_deg: float
    phase_frequency: float | None
    level_change_db: float

    @classmethod
    def of(cls, settings: JoiningSettings) -> Self:
        """Return the record of a setting."""
        return cls(
            delay_ms=round(settings.delay_ms, 6),
            inverted=settings.inverted,
            phase_deg=settings.phase_deg,
            phase_frequency=settings.phase_frequency,
            level_change_db=settings.level_change_db,
        )

    def settings(self) -> JoiningSettings:
        """Return the setting."""
        return JoiningSettings(
            delay=1e-3 * self.delay_ms,
            inverted=self.inverted,
            phase_deg=self.phase_deg,
            phase_frequency=self.phase_frequency,
            level_change_db=self.level_change_db,
        )


class RivalRecord(PlanRecord, frozen=True, kw_only=True):
    """The best different answer; see `roomeq.optimiser.joining.Rival`."""

    settings: JoiningSettingRecord
    deviation_db: float
    margin_db: float

    @classmethod
    def of(cls, rival: Rival | None) -> Self | None:
        """Return the record of a rival; None for none."""
        if rival is None:
            return None
        return cls(
            settings=JoiningSettingRecord.of(rival.settings),
            deviation_db=rival.deviation_db,
            margin_db=rival.margin_db,
        )


class JoiningSeatRow(PlanRecord, frozen=True, kw_only=True):
    """One seat: weight, deviation of the sum before and after, change of its mean level.

    `left_out_after_db` is the deviation with settings chosen in turn without the seat.
    """

    seat: str
    weight: float
    before_db: float
    after_db: float
    level_gain_db: float
    left_out_after_db: float | None = None


class TogetherRecord(PlanRecord, frozen=True, kw_only=True):
    """All settings chosen together by the sum over the whole bass.

    Attributes are those of `roomeq.optimiser.all_settings_fit.AllSettingsFit`; besides them:

    Attributes
    ----------
    lowest, highest : float
        Hz between which the sum is judged.
    seats : tuple of JoiningSeatRow
    """

    lowest: float
    highest: float
    deviation_before_db: float
    in_turn_deviation_db: float
    deviation_db: float
    in_turn_gains_db: tuple[float, ...]
    rounds: int
    seats: tuple[JoiningSeatRow, ...]


class JoiningRecord(PlanRecord, frozen=True, kw_only=True):
    """Delay, polarity, phase control and level, with their evidence around the crossover.

    Attributes are those of `roomeq.optimiser.joining.JoiningFit`; besides them:

    Attributes
    ----------
    lowest, highest : float
        Hz between which the sum is judged.
    delay_stated : bool
        Whether what the processor offers is stated; else 20 ms to either side were taken.
    bypass : tuple of str
        Low-passes to switch off, in words.
    bypass_gain_db : float or None
        What that gains, joined anew in either case; None where it was not told apart.
    frequencies, target_level_db : tuple of float
        Fit axis in Hz, and the target at the level that the sum has with the proposal.
    before_level_db, after_level_db : tuple of tuple of float
        Level of the sum now and predicted, seats by frequencies.
    sub_level_db, mains_level_db : tuple of tuple of float
        Of each alone, with the proposal.
    together : TogetherRecord or None
        Only in a plan: the same sum over the whole bass.
    """

    corner: float
    lowest: float
    highest: float
    delay_stated: bool
    bypass: tuple[str, ...]
    bypass_gain_db: float | None
    present: JoiningSettingRecord
    settings: JoiningSettingRecord
    candidate: JoiningSettingRecord
    deviation_before_db: float
    deviation_db: float
    candidate_deviation_db: float
    best_deviation_db: float
    no_change: NoChange | None
    flip_gain_db: float
    flip_told: bool
    phase_gain_db: float
    rival: RivalRecord | None
    ambiguous: bool
    at_ends: tuple[str, ...]
    grid_size: int
    seats: tuple[JoiningSeatRow, ...]
    notes: tuple[JoiningNote, ...]
    seats_left_out: tuple[str, ...]
    sum_residual_db: float | None
    map_delays_ms: tuple[float, ...]
    map_normal_db: tuple[float, ...]
    map_inverted_db: tuple[float, ...]
    frequencies: tuple[float, ...]
    target_level_db: tuple[float, ...]
    before_level_db: tuple[tuple[float, ...], ...]
    after_level_db: tuple[tuple[float, ...], ...]
    sub_level_db: tuple[tuple[float, ...], ...]
    mains_level_db: tuple[tuple[float, ...], ...]
    together: TogetherRecord | None = None

    @classmethod
    def of(
        cls,
        fit: JoiningFit,
        *,
        measured: JoiningData | None = None,
        delay_stated: bool = True,
        bypass: Sequence[CrossoverFilter] = (),
        bypass_gain_db: float | None = None,
    ) -> Self:
        """Return the record of a fit.

        Parameters
        ----------
        fit : JoiningFit
        measured : JoiningData, optional
            What "now" refers to, where the data of the fit have filters switched off or bands set;
            else the data of the fit.
        delay_stated : bool
        bypass : sequence of CrossoverFilter
            Low-passes switched off in the data of the fit.
        bypass_gain_db : float, optional
        """
        data, settings = fit.data, fit.settings
        now = _Now.of(measured or data, fit)
        residual = data.sum_residual_db
        judged = data.frequencies[data.frequency_weights > 0]
        return cls(
            corner=data.corner,
            lowest=float(judged[0]),
            highest=float(judged[-1]),
            delay_stated=delay_stated,
            bypass=tuple(str(one) for one in bypass),
            bypass_gain_db=bypass_gain_db,
            present=JoiningSettingRecord.of(fit.present),
            settings=JoiningSettingRecord.of(settings),
            candidate=JoiningSettingRecord.of(fit.candidate),
            deviation_before_db=now.deviation_db,
            deviation_db=fit.deviation_db,
            candidate_deviation_db=fit.candidate_deviation_db,
            best_deviation_db=fit.best_deviation_db,
            no_change=fit.no_change,
            flip_gain_db=fit.flip_gain_db,
            flip_told=fit.flip_told,
            phase_gain_db=fit.phase_gain_db,
            rival=RivalRecord.of(fit.rival),
            ambiguous=fit.ambiguous,
            at_ends=fit.at_ends,
            grid_size=fit.grid_size,
            seats=_seat_rows(fit, now),
            notes=data.notes,
            seats_left_out=data.seats_left_out,
            sum_residual_db=None if residual is None else float(np.nanmax(residual)),
            map_delays_ms=tuple((1e3 * fit.map_delays).round(6).tolist()),
            map_normal_db=tuple(fit.map_deviation_db[0].tolist()),
            map_inverted_db=tuple(fit.map_deviation_db[1].tolist()),
            frequencies=tuple(data.frequencies.tolist()),
            target_level_db=_target_level_db(fit),
            before_level_db=rows_of(now.level_db),
            after_level_db=rows_of(data.predicted_level_db(settings)),
            sub_level_db=rows_of(data.with_transfers(mains=0.0).predicted_level_db(settings)),
            mains_level_db=rows_of(data.with_transfers(sub=0.0).predicted_level_db(settings)),
        )

    @property
    def judged(self) -> tuple[float, float]:
        """Deviation of the sum now and with the settings; over the whole bass in a plan."""
        if self.together is None:
            return self.deviation_before_db, self.deviation_db
        kept = self.no_change is not None
        before_db = self.together.deviation_before_db
        return before_db, before_db if kept else self.together.deviation_db

    @property
    def seat_rows(self) -> tuple[JoiningSeatRow, ...]:
        """Seats as the sum is judged; over the whole bass in a plan."""
        return self.seats if self.together is None else self.together.seats

    @property
    def octaves(self) -> float:
        """Width of what is judged, in octaves."""
        return float(np.log2(self.highest / self.lowest))


class LevelJoiningRecord(PlanRecord, frozen=True, kw_only=True):
    """Two answers from levels alone; see `roomeq.optimiser.joining_levels.LevelJoining`."""

    if_late: JoiningRecord
    if_early: JoiningRecord
    late_first: bool
    ambiguous: bool
    reversed_gain_db: float

    @classmethod
    def of(cls, joining: LevelJoining, *, delay_stated: bool = True) -> Self:
        """Return the record of a joining from levels."""
        return cls(
            if_late=JoiningRecord.of(joining.if_late, delay_stated=delay_stated),
            if_early=JoiningRecord.of(joining.if_early, delay_stated=delay_stated),
            late_first=joining.first_to_try is joining.if_late,
            ambiguous=joining.ambiguous,
            reversed_gain_db=joining.reversed_gain_db,
        )

    @property
    def first(self) -> JoiningRecord:
        """The answer to try first."""
        return self.if_late if self.late_first else self.if_early

    @property
    def second(self) -> JoiningRecord:
        """The answer to try next."""
        return self.if_early if self.late_first else self.if_late


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Now:
    """The sum as measured, with the present settings.

    Attributes
    ----------
    level_db : ndarray, shape (S, F)
    by_seat_db : ndarray, shape (S,)
        Weighted deviation.
    deviation_db : float
    """

    level_db: FloatArray
    by_seat_db: FloatArray
    deviation_db: float

    @classmethod
    def of(cls, data: JoiningData, fit: JoiningFit) -> Self:
        """Return the sum with the present settings, judged as in a fit."""
        return cls(
            level_db=data.predicted_level_db(fit.present),
            by_seat_db=data.deviations_db(fit.present, loss=fit.loss),
            deviation_db=data.deviation_db(fit.present, loss=fit.loss),
        )


def together_record(found: AllSettingsFit, *, kept: bool) -> TogetherRecord:
    """Return the record of all settings chosen together; `kept` where the present ones stay."""
    judged = found.data.frequencies[found.data.frequency_weights > 0]
    before = found.present_data.predicted_level_db(found.present.joining)
    change = (found.predicted_level_db - before) @ found.data.frequency_weights
    after_by_seat = found.before_by_seat_db if kept else found.after_by_seat_db
    return TogetherRecord(
        lowest=float(judged[0]),
        highest=float(judged[-1]),
        deviation_before_db=found.deviation_before_db,
        in_turn_deviation_db=found.in_turn_deviation_db,
        deviation_db=found.deviation_db,
        in_turn_gains_db=tuple(found.in_turn.gains_db.tolist()),
        rounds=found.rounds,
        seats=tuple(
            JoiningSeatRow(
                seat=seat,
                weight=float(weight),
                before_db=float(was),
                after_db=float(now),
                level_gain_db=0.0 if kept else float(level),
                left_out_after_db=left_out,
            )
            for seat, weight, was, now, level, left_out in zip(
                found.data.seats,
                found.data.seat_weights,
                found.before_by_seat_db,
                after_by_seat,
                change,
                _left_out_db(found),
                strict=True,
            )
        ),
    )


def _left_out_db(found: AllSettingsFit) -> list[float | None]:
    if found.left_out_by_seat_db is None:
        return [None] * len(found.data.seats)
    return [float(value) for value in found.left_out_by_seat_db]


def _target_level_db(fit: JoiningFit) -> tuple[float, ...]:
    """Return the target at the mean level of the sum, seats and frequencies weighted."""
    data = fit.data
    missed = data.predicted_level_db(fit.settings) - data.target_db - data.seat_offsets_db[:, None]
    return tuple((data.target_db + data.seat_weights @ missed @ data.frequency_weights).tolist())


def _seat_rows(fit: JoiningFit, now: _Now) -> tuple[JoiningSeatRow, ...]:
    data = fit.data
    change = (data.predicted_level_db(fit.settings) - now.level_db) @ data.frequency_weights
    return tuple(
        JoiningSeatRow(
            seat=seat,
            weight=float(weight),
            before_db=float(before),
            after_db=float(after),
            level_gain_db=float(level),
        )
        for seat, weight, before, after, level in zip(
            data.seats, data.seat_weights, now.by_seat_db, fit.after_by_seat_db, change, strict=True
        )
    )
