"""Several subwoofers in a proposal: set together, then joined to the mains as one, put into a plan.

Conventions
-----------
Delays in s, gains and levels in dB. The common level comes after the shape: that of the joining,
the one that is wanted, or the one that keeps the loudness, as far as each subwoofer's drive limit
grants. Nothing here computes acoustics; figures come from `roomeq.optimiser`.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from msgspec.structs import replace as with_fields

from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.bands import third_octave_bands
from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db, power_mean_db
from roomeq.base.survey import Survey
from roomeq.device.processor import JoiningSettings
from roomeq.jobs.drive.bands import BandSearch, fit_room, room_data
from roomeq.jobs.drive.headroom import Proposal, fit_within_headroom
from roomeq.jobs.drive.scene import LOWEST_BAND, DriveScene
from roomeq.jobs.propose_joined import proposal_with_mains
from roomeq.jobs.proposed_plan import choose_level, loudness_caution, plan_of
from roomeq.jobs.several.task import several_task, with_own_limits
from roomeq.optimiser.bands.fit import ChosenGains, NoChange, judge_improvement
from roomeq.optimiser.several.choose import Together, WithoutOne, choose_together
from roomeq.plan.plan import Plan
from roomeq.plan.together import SetTogether, TogetherRecord
from roomeq.room.room import Room, Subwoofer, weighed_room
from roomeq.room.together import seat_pressures, summed_survey

_OF_ONE = {
    CautionCode.LEVEL_OUTSIDE_RANGE,
    CautionCode.LOCK_BEYOND_LIMIT,
    CautionCode.RECORDING_COUNTS_LESS,
    CautionCode.RECORDING_LEFT_OUT,
    CautionCode.WORKS_HARDER,
}
_OF_ALL = {CautionCode.BOOST_INTO_CANCELLATION, CautionCode.JOIN_AGAIN}
"""Of what is told of one subwoofer alone, beside its drive; seats are judged by the sum."""
_HIGHEST_BAND = 200.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneSetting:
    """What one of several subwoofers is to be set to.

    Attributes
    ----------
    subwoofer : Subwoofer
    gains_db : ndarray, shape (B,)
    setting : JoiningSettings
        Delay, polarity, and level against now.
    """

    subwoofer: Subwoofer
    gains_db: FloatArray
    setting: JoiningSettings

    def change(self, frequencies: FloatArray) -> ComplexArray:
        """Return what the setting changes against now, a complex amplitude ratio, shape (F,)."""
        bands = self.subwoofer.room.equaliser.response(self.gains_db, frequencies)
        now = self.subwoofer.response_now(frequencies)
        return np.asarray(bands * self.setting.response(frequencies) / now)

    def changed(self, by_db: float, *, turned: bool = False) -> Self:
        """Return the setting with its level changed, and its polarity turned if so said."""
        inverted, level_db = self.setting.inverted != turned, self.setting.level_change_db + by_db
        setting = replace(self.setting, inverted=inverted, level_change_db=level_db)
        return replace(self, setting=setting)

    @property
    def survey(self) -> Survey:
        """The subwoofer alone as it is to be set."""
        return self.subwoofer.room.survey.filtered("sub", self.change)


def settings_of(subwoofers: Sequence[Subwoofer], found: Together) -> tuple[OneSetting, ...]:
    """Return what each subwoofer is to be set to."""
    chosen = zip(subwoofers, found.gains_db, found.settings, strict=True)
    return tuple(OneSetting(subwoofer=s, gains_db=g, setting=j) for s, g, j in chosen)


def room_as_set(room: Room, settings: Sequence[OneSetting], *, most_louder_db: float = 0.0) -> Room:
    """Return a room whose survey holds the sum as it is to be set, and may be that much louder.

    What was measured of subwoofers and mains together is left out: it is of what is set now.
    """
    summed = summed_survey([one.survey for one in settings], coherent=True)
    summed = summed.of_seats(room.survey.of_source("sub").seats)
    mains = tuple(entry for entry in room.survey.measurements if entry.source == "mains")
    survey = replace(room.survey, measurements=(*summed.measurements, *mains))
    limits = replace(room.limits, drive_boost_db=most_louder_db, drive_by_frequency=())
    return replace(room, survey=survey, limits=limits)


def propose_several(
    room: Room, search: BandSearch, *, date: datetime.date | None = None, by: str | None = None
) -> Plan:
    """Propose settings for several subwoofers.

    Parameters
    ----------
    room : Room
        With subwoofers.
    search : BandSearch
        How bands are judged.
    date, by : optional
        As for `roomeq.jobs.propose.propose`.

    Raises
    ------
    ValueError
        If they cannot be set together: no common time zero, no phase.
    """
    now = weighed_room(room)
    task = several_task(now, now.subwoofers)
    together = choose_together(task)
    gained_db = together.before.deviation_db - together.after.deviation_db
    no_change = judge_improvement(gained_db, repeatability_db=room.repeatability_db)
    if no_change is not None:
        together = replace(
            together,
            after=together.before,
            gains_db=tuple(one.room.present.gains_db for one in now.subwoofers),
            settings=tuple(one.present for one in now.subwoofers),
        )
    settings, left_db = _within_drive(now, settings_of(now.subwoofers, together))
    as_set = room_as_set(now, settings, most_louder_db=left_db)
    found = proposal_with_mains(as_set, search, now=now)
    cut_db = 0.0
    if found.joining is None:
        asked_db = _asked_db(now, found, kept=no_change is not None)
        granted_db, cut_db = min(asked_db, left_db), max(asked_db - left_db, 0.0)
        step = choose_level(granted_db, now.device.level, None, highest_change_db=left_db)
        level_db = step.change_db + step.upstream_db
        chosen = ChosenGains(gains_db=found.fit.gains_db, level_change_db=level_db)
        again = fit_within_headroom(as_set, replace(search, chosen=chosen))
        found = replace(again, assumptions=found.assumptions, cautions=found.cautions)
    level_db, turned, joining = found.fit.level_change_db, False, found.joining
    if joining is not None:
        level_db = joining.settings.level_change_db
        turned = joining.settings.inverted != joining.present.inverted
    standing = ChosenGains(gains_db=room.present.gains_db)
    before = fit_room(now, replace(search, chosen=standing, leave_out=False))
    plan = plan_of(found, given=room, before=before, date=date, by=by)
    record = TogetherRecord.copied(together, task, before.data)
    settings = tuple(one.changed(level_db, turned=turned) for one in settings)
    upstream_db = level_db if now.device.level is None else 0.0
    each, subwoofers = zip(settings, together.without, _shares_db(settings), strict=True), {}
    for one, without, share_db in each:
        own = _plan_of_one(one, plan, search, share_db=share_db, upstream_db=upstream_db)
        set_together = _set_together(one, without, record)
        subwoofers[one.subwoofer.name] = with_fields(own, set_together=set_together)
    unmoved = no_change if joining is None or joining.no_change else None
    cautions = (*plan.cautions, *loudness_caution(room, cut_db))
    # of whichever the high-pass is to be another, the sum is told without it
    if first := " and ".join(name for name, own in subwoofers.items() if own.moves_high_pass):
        cautions = (Caution(code=CautionCode.HIGH_PASS_FIRST, name=first), *cautions)
    return with_fields(
        plan,
        together=record,
        subwoofers=subwoofers,
        no_change=unmoved,
        cautions=cautions,
    )


def _within_drive(
    room: Room, settings: Sequence[OneSetting]
) -> tuple[tuple[OneSetting, ...], float]:
    """Return settings turned down together until every drive limit grants them, and what is left.

    What is left is how far all may be turned up, in dB.
    """
    most_db = min(_granted_db(one) - one.setting.level_change_db for one in settings)
    step_db = 0.5 if room.device.level is None else room.device.level.step_db
    down_db = min(0.0, math.floor(most_db / step_db + 1e-9) * step_db)
    return tuple(one.changed(down_db) for one in settings), most_db - down_db


def _asked_db(room: Room, found: Proposal, *, kept: bool) -> float:
    """Return the common change of level that is wanted, or that keeps the loudness."""
    if room.target.level_db is not None:
        return found.fit.level_change_db + found.fit.loudness_cut_db
    if kept:
        return 0.0
    now, then = (
        power_mean_db(data.measured_db, weights=data.seat_weights)
        for data in (room_data(room), found.fit.data)
    )
    return -float((then - now) @ found.fit.data.frequency_weights)


def _granted_db(one: OneSetting) -> float:
    """Return how far the level of a subwoofer may rise against now behind its bands, in dB."""
    room = with_own_limits(one.subwoofer.room)
    floor = room.limits.floor(room.target)
    return room.limits.granted_behind_db(room.equaliser, one.gains_db, floor)[0]


def _set_together(one: OneSetting, without: WithoutOne, record: TogetherRecord) -> SetTogether:
    present = one.subwoofer.present
    pressures = seat_pressures(one.survey, record.seats, np.array(record.points))
    return SetTogether.copied(
        without,
        one.subwoofer,
        one.setting,
        delay_ms=round(1e3 * one.setting.delay, 6),
        present_delay_ms=round(1e3 * present.delay, 6),
        present_inverted=present.inverted,
        level_db=amplitude_ratio_db(pressures).round(4),
        phase_deg=np.angle(pressures, deg=True).round(3),
    )


def _plan_of_one(
    one: OneSetting,
    whole: Plan,
    search: BandSearch,
    *,
    share_db: Mapping[str, float],
    upstream_db: float,
) -> Plan:
    """Return the plan of one subwoofer alone with what was chosen for all.

    What is wanted of it is its share of the sum.
    """
    own = one.subwoofer.room
    room = weighed_room(own)
    if room.wanted is not None:
        scene = DriveScene(room, room.wanted)
        wanted = zip(scene.bands, scene.wanted_db.tolist(), strict=True)
        spl_db = {band.label: level_db + share_db[band.label] for band, level_db in wanted}
        room = replace(room, wanted=replace(room.wanted, spl_db=spl_db))
    chosen = ChosenGains(gains_db=one.gains_db, level_change_db=one.setting.level_change_db)
    judged = replace(search, chosen=chosen, leave_out=False, prove=False)
    try:
        found = fit_within_headroom(room, judged)
    except ValueError:  # what is set now and stays may be none that a proposal may ask for
        limits = replace(room.limits, locked=tuple(b.nominal for b in room.equaliser.bands))
        found = fit_within_headroom(replace(room, limits=limits), judged)
    plan = plan_of(found, given=own, date=whole.date, by=whole.by)
    kept = _OF_ONE | {caution.code for caution in found.cautions} - _OF_ALL
    change_db = one.setting.level_change_db - upstream_db
    level = choose_level(change_db, own.device.level, own.present.level_db)
    return with_fields(
        plan,
        level=level,
        no_change=None if plan.changes or level.changes else NoChange.IMPROVEMENT_TOO_SMALL,
        cautions=tuple(caution for caution in plan.cautions if caution.code in kept),
    )


def _shares_db(settings: Sequence[OneSetting]) -> tuple[dict[str, float], ...]:
    """Return by band how far each lies below the sum at its main seat as set; 0 where unwanted."""
    seat = next((w.main_seat for one in settings if (w := one.subwoofer.room.wanted)), None)
    if seat is None:
        return ({},) * len(settings)
    bands = third_octave_bands(LOWEST_BAND, _HIGHEST_BAND)
    centres = np.array([band.centre for band in bands])

    def levels_db(survey: Survey) -> FloatArray:  # of a band not measured, the nearest's
        at_seat = survey.of_seats([seat])
        axis = common_axis(at_seat)
        held = np.clip(centres, axis[0], axis[-1])
        return np.asarray(seat_levels_db(at_seat, at=held, fraction=3)[0])

    parts = [one.survey for one in settings]
    whole_db = levels_db(summed_survey(parts, coherent=True))
    labels = [band.label for band in bands]
    return tuple(
        dict(zip(labels, (levels_db(part) - whole_db).tolist(), strict=True)) for part in parts
    )
