"""A joining solved: the steps in their order, the same for `join` and `propose`.

Conventions
-----------
As in `roomeq.jobs.joining.steps`. The order: low-passes to bypass, protective high-pass, delay and
polarity, level and bands by the sum, delay and bands once more, and everything from the delay on
once more if the high-pass changes with the gains that were found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.doing import each
from roomeq.base.levels import FloatArray, readonly
from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.jobs.drive.bands import band_task
from roomeq.jobs.drive.headroom import room_behind_protection
from roomeq.jobs.joining.steps import (
    JoiningOffer,
    advised_bypass,
    align_room,
    joining_data,
    joining_offer,
    mains_filters,
    meeting_of,
    room_polarity,
    told_setting,
    with_bypass,
)
from roomeq.optimiser.bands.fit import NoChange, judge_improvement
from roomeq.optimiser.bands.search import solve_from
from roomeq.optimiser.bands.task import BandGainTask
from roomeq.optimiser.joining.alignment import Alignment, realign
from roomeq.optimiser.joining.data import JoiningData
from roomeq.optimiser.joining.sum_bands import SumBands, SumSetting
from roomeq.optimiser.joining.sum_search import solve_sum_bands
from roomeq.optimiser.joining.summation import SumLoss
from roomeq.plan.alignment import PolarityRecord
from roomeq.plan.joining import JoiningRecord, JoiningSeatRow, SumBandsRecord
from roomeq.room.room import Room

_LEAST_SEATS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joining:
    """Everything that the steps set, and what they were judged by.

    Attributes
    ----------
    room, left : Room
        As measured; with the low-passes switched off.
    offer : JoiningOffer
    measured, data : JoiningData
        The same of subwoofer and mains, present bands in.
    bypassed : tuple of CrossoverFilter
    high_pass : CrossoverFilter or None
    polarity : PolarityRecord or None
    polarity_obstacle : str
        Why the polarity was not tested; empty where it was.
    alignment : Alignment
    settings : JoiningSettings
        With the bands in.
    bands : SumBands or None
        The problem of level and bands at these settings; None where the bands were left out.
    setting : SumSetting or None
        Bands and level that are proposed.
    no_change : NoChange or None
        Why bands and level are kept.
    keeps_bands : bool
        Whether they were left as they are on request.
    """

    room: Room
    left: Room
    offer: JoiningOffer
    measured: JoiningData
    data: JoiningData
    bypassed: tuple[CrossoverFilter, ...]
    high_pass: CrossoverFilter | None
    polarity: PolarityRecord | None
    polarity_obstacle: str
    alignment: Alignment
    settings: JoiningSettings
    bands: SumBands | None = None
    setting: SumSetting | None = None
    no_change: NoChange | None = None
    keeps_bands: bool = False

    @property
    def gains_db(self) -> FloatArray:
        """Gains of the bands as proposed, shape (B,)."""
        present = self.room.present.gains_db
        return present if self.setting is None else self.setting.gains_db

    @property
    def final(self) -> JoiningData:
        """Subwoofer and mains with filters and bands as proposed."""
        bands = self.bands
        change = 1.0 if bands is None else bands.change(self.gains_db)
        return self.data.with_transfers(sub=change)


def solve_joining(room: Room, *, keep_bands: bool = False) -> Joining:
    """Take every step of a joining.

    Parameters
    ----------
    room : Room
        Seats weighed as they are to be.
    keep_bands : bool
        Whether bands and level stay as they are.

    Raises
    ------
    ValueError
        If the measurements do not suffice.
    """
    bypassed, offer = advised_bypass(room), joining_offer(room)
    left = with_bypass(room, bypassed)
    measured = joining_data(room, offer, corner=left.corner)
    polarity, obstacle = room_polarity(room, measured)
    told = told_setting(left, polarity)
    gains = np.zeros(len(room.equaliser.bands)) if not keep_bands else room.present.gains_db
    behind, high_pass = room_behind_protection(left, gains)
    for _ in range(2):
        data = data_behind(room, measured, bypassed=bypassed, high_pass=high_pass)
        alignment = align_room(room, data, told_inverted=told)
        found = Joining(
            room=room,
            left=left,
            offer=offer,
            measured=measured,
            data=data,
            bypassed=bypassed,
            high_pass=high_pass,
            polarity=polarity,
            polarity_obstacle=obstacle,
            alignment=alignment,
            settings=alignment.chosen.settings,
        )
        if room.equaliser.shapes is None:  # else the phase of the bands is not known
            found = _with_bands(found, band_task(behind), keep=keep_bands)
        behind, again = room_behind_protection(left, found.gains_db)
        if again == high_pass:
            return found
        high_pass = again
    data = data_behind(room, measured, bypassed=bypassed, high_pass=high_pass)
    return replace(found, high_pass=high_pass, data=data)


def data_behind(
    room: Room,
    measured: JoiningData,
    *,
    bypassed: tuple[CrossoverFilter, ...],
    high_pass: CrossoverFilter | None,
) -> JoiningData:
    """Return the data behind other filters than those in force while measuring."""
    points, was = measured.points, (room.equipment.protection, *bypassed)
    change = chain_response((high_pass,), points) / chain_response(was, points)
    return measured.with_transfers(sub=change)


def _with_bands(found: Joining, task: BandGainTask, *, keep: bool) -> Joining:
    """Choose level and bands by the sum, with the delay that goes with them."""
    bands = SumBands(
        data=found.data,
        joining=found.settings,
        task=task,
        levels=found.offer.levels,
        mains_filters=mains_filters(found.left),
    )
    present = bands.present()
    if keep:
        return replace(found, bands=bands, setting=present, keeps_bands=True)
    labels = solve_from(bands.problem, found.room.present.gains_db)
    start = bands.problem.setting_gains_db(labels)
    tuned, setting = tune_bands(bands, start, delays=found.offer.delays)
    no_change = judge_improvement(
        present.deviation_db - setting.deviation_db,
        repeatability_db=found.room.repeatability_db,
        excess_fall_db=tuned.excess_fall_db(setting),
    )
    if no_change is not None and bands.present_allowed:
        return replace(found, bands=bands, setting=present, no_change=no_change)
    level = setting.level_change_db
    settings = replace(tuned.joining, level_change_db=level)
    return replace(found, settings=settings, bands=tuned, setting=setting)


def aligned_anew(
    found: Joining,
    data: JoiningData,
    task: BandGainTask,
    *,
    mains_filters: tuple[CrossoverFilter, ...] | None = None,
) -> tuple[SumLoss, SumBands]:
    """Choose delay and polarity for other data as in a joining, and state its bands anew.

    Parameters
    ----------
    found : Joining
        With bands.
    data : JoiningData
    task : BandGainTask
    mains_filters : tuple of CrossoverFilter, optional
        Those of the joining by default.
    """
    assert found.bands is not None
    mains = found.bands.mains_filters if mains_filters is None else mains_filters
    told = found.alignment.told_inverted
    chosen = align_room(found.room, data, told_inverted=told).chosen
    joining = chosen.settings
    return chosen, replace(found.bands, data=data, joining=joining, task=task, mains_filters=mains)


def tune_bands(
    bands: SumBands, start_gains_db: FloatArray, *, delays: DelayRange
) -> tuple[SumBands, SumSetting]:
    """Choose level and bands, realign once with them in, and choose them once more.

    Parameters
    ----------
    bands : SumBands
        At the delay and polarity of least change.
    start_gains_db : ndarray, shape (B,)
    delays : DelayRange
    """
    setting = solve_sum_bands(bands, start_gains_db)
    level_db, start = setting.level_change_db, bands.joining
    there = replace(start, level_change_db=level_db)
    changed = bands.data.with_transfers(sub=bands.change(setting.gains_db))
    settings = realign(changed, there, delays=delays)
    if settings == there:
        return bands, setting
    again = replace(bands, joining=replace(settings, level_change_db=0.0))
    return again, solve_sum_bands(again, setting.gains_db, thorough=False)


def joining_record(found: Joining, *, leave_out: bool = False) -> JoiningRecord:
    """Return the record of a joining.

    Parameters
    ----------
    found : Joining
    leave_out : bool
        Whether to choose settings without each seat as well, and judge them there.
    """
    return JoiningRecord.of(
        found.alignment,
        measured=found.measured,
        final=found.final,
        settings=found.settings,
        delay_stated=found.room.joining.delays is not None,
        bypass=found.bypassed,
        polarity=found.polarity,
        polarity_obstacle=found.polarity_obstacle,
        meeting=meeting_of(found.left),
        bands=_bands_record(found, leave_out=leave_out),
    )


def _bands_record(found: Joining, *, leave_out: bool) -> SumBandsRecord | None:
    bands, setting, data, measured = found.bands, found.setting, found.data, found.measured
    if bands is None or setting is None:
        return None
    now = replace(bands, data=measured, joining=measured.present)
    levels = found.final.predicted_level_db(found.settings)
    gained = levels - measured.predicted_level_db(measured.present)
    columns = {
        "weight": data.seat_weights,
        "before_db": now.seat_deviations_db(now.present()),
        "after_db": bands.seat_deviations_db(setting),
        "level_gain_db": gained @ data.frequency_weights,
    }
    left_out = _left_out_db(found) if leave_out else None
    if left_out is not None:
        columns["left_out_after_db"] = left_out
    kept = found.keeps_bands or found.no_change is not None
    judged = data.frequencies[data.frequency_weights > 0]
    return SumBandsRecord(
        lowest=float(judged[0]),
        highest=float(judged[-1]),
        deviation_before_db=now.present().deviation_db,
        deviation_db=setting.deviation_db,
        labels=found.room.equaliser.labels,
        gains_db=tuple(setting.gains_db.tolist()),
        chosen=not found.keeps_bands,
        no_change=found.no_change,
        level_stops_at="" if kept else bands.level_stops_at(setting),
        seats=JoiningSeatRow.of_columns(seat=data.seats, **columns),
    )


def _left_out_db(found: Joining) -> FloatArray | None:
    """Choose delay, polarity, level and bands without each seat, and judge them there."""
    bands, seats = found.bands, found.data.seats
    if bands is None or len(seats) < _LEAST_SEATS or found.no_change is not None:
        return None
    after = []
    for index, seat in enumerate(each(seats, lambda seat: f"joining without {seat}")):
        task = bands.task
        place = task.data.seats.index(seat) if seat in task.data.seats else None
        if place is not None and len(task.data.seats) > 1:
            task = replace(task, data=task.data.without_seat(place))
        _, chosen = aligned_anew(found, found.data.without_seat(index), task)
        setting = solve_sum_bands(chosen, found.gains_db, thorough=False)
        there = replace(bands, joining=chosen.joining)
        after.append(there.seat_deviations_db(setting)[index])
    return readonly(after)
