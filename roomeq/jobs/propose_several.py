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
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from msgspec.structs import replace as with_fields

from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.bands import third_octave_bands
from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db, power_mean_db
from roomeq.base.survey import Survey
from roomeq.jobs.drive.bands import BandSearch, fit_room, room_data
from roomeq.jobs.drive.headroom import Proposal, fit_within_headroom
from roomeq.jobs.drive.scene import LOWEST_BAND, DriveScene
from roomeq.jobs.propose_joined import proposal_with_mains
from roomeq.jobs.proposed_plan import choose_level, plan_of
from roomeq.jobs.several.setting import OneSetting, room_as_set, settings_of
from roomeq.jobs.several.task import several_task, with_own_limits
from roomeq.optimiser.bands.fit import ChosenGains, NoChange, judge_improvement
from roomeq.optimiser.several.choose import Together, choose_together
from roomeq.plan.plan import Plan
from roomeq.plan.records import rows_of
from roomeq.plan.together import SetTogether, TogetherRecord
from roomeq.room.equipment import WantedLevel
from roomeq.room.room import PresentSettings, Room, weighed_room
from roomeq.room.together import seat_pressures, summed_survey

_OF_DRIVE = {
    CautionCode.BOOST_BELOW_HIGH_PASS,
    CautionCode.DISTORTION_EXTRAPOLATED,
    CautionCode.LEVEL_OUTSIDE_RANGE,
    CautionCode.LEVEL_TOO_HIGH,
    CautionCode.LICENSED_MAINS_WORK,
    CautionCode.LOCK_BEYOND_LIMIT,
    CautionCode.MEASURING_VOLTAGE_UNKNOWN,
    CautionCode.MINIMUM_IMPEDANCE_ASSUMED,
    CautionCode.NEVER_LIFT_EARTH,
    CautionCode.RECORDING_COUNTS_LESS,
    CautionCode.RECORDING_LEFT_OUT,
    CautionCode.ROOM_GAIN_UNKNOWN,
    CautionCode.WORKS_HARDER,
    CautionCode.WORKS_HARDER_AS_SET,
}
"""What can be told of one subwoofer alone; seats are judged by the sum."""
_NOTICEABLE_DB, _HIGHEST_BAND = 0.5, 200.0


def propose_several(
    room: Room,
    search: BandSearch,
    *,
    date: datetime.date | None = None,
    by: str | None = None,
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
    settings = settings_of(now.subwoofers, together)
    gained_db = together.before.deviation_db - together.after.deviation_db
    no_change = judge_improvement(gained_db, repeatability_db=room.repeatability_db)
    if no_change is not None:
        settings, together = _as_they_are(settings), replace(together, after=together.before)
    settings, left_db = _within_drive(now, settings)
    as_set = room_as_set(now, settings, most_louder_db=left_db)
    found = proposal_with_mains(as_set, search, now=now)
    cut_db = 0.0
    if found.joining is None:
        asked_db = _asked_db(now, found, settings, kept=no_change is not None)
        level_db, cut_db = _stepped(now, asked_db, left_db), max(asked_db - left_db, 0.0)
        chosen = ChosenGains(gains_db=found.fit.gains_db, level_change_db=level_db)
        again = fit_within_headroom(as_set, replace(search, chosen=chosen))
        found = replace(again, assumptions=found.assumptions, cautions=found.cautions)
    level_db = found.fit.level_change_db
    if found.joining is not None:
        level_db = found.joining.settings.level_change_db
    before = fit_room(now, replace(search, chosen=_as_present(now), leave_out=False))
    plan = plan_of(found, given=room, before=before, date=date, by=by)
    subwoofers = _subwoofer_plans(
        _with_common(settings, found, level_db),
        together,
        task.points,
        seats=before.data.seats,
        make=partial(
            _plan_of_one,
            search=search,
            upstream_db=level_db if now.device.level is None else 0.0,
            date=date,
            by=by,
        ),
    )
    unmoved = no_change if found.joining is None or found.joining.no_change else None
    return with_fields(
        plan,
        together=TogetherRecord.of(
            together, seats=before.data.seats, points=tuple(task.points.tolist())
        ),
        subwoofers=subwoofers,
        no_change=unmoved,
        cautions=(*_high_pass_first(subwoofers), *plan.cautions, *_quieter(room, cut_db)),
    )


def _subwoofer_plans(
    settings: Sequence[OneSetting],
    together: Together,
    points: FloatArray,
    *,
    seats: tuple[str, ...],
    make: Callable[..., Plan],
) -> dict[str, Plan]:
    """Return the plan of each, with what is set together and what arrives from it."""
    shares = _shares_db(settings)
    return {
        one.name: with_fields(
            make(one, share_db=shares[n]),
            set_together=_set_together(one, together, n, seat_pressures(one.survey, seats, points)),
        )
        for n, one in enumerate(settings)
    }


def _as_present(room: Room) -> ChosenGains:
    return ChosenGains(gains_db=room.present.gains_db)


def _as_they_are(settings: Sequence[OneSetting]) -> tuple[OneSetting, ...]:
    return tuple(
        replace(one, setting=one.present, gains_db=one.feeder.room.present.gains_db)
        for one in settings
    )


def _within_drive(
    room: Room, settings: Sequence[OneSetting]
) -> tuple[tuple[OneSetting, ...], float]:
    """Return settings turned down together until every drive limit grants them, and what is left.

    What is left is how far all may be turned up, in dB.
    """
    own = [one for one in settings if one.subwoofer is one.feeder]
    most_db = min(_granted_db(one) - one.setting.level_change_db for one in own)
    step_db = 0.5 if room.device.level is None else room.device.level.step_db
    down_db = min(0.0, math.floor(most_db / step_db + 1e-9) * step_db)
    return _louder(settings, down_db), most_db - down_db


def _louder(settings: Sequence[OneSetting], by_db: float) -> tuple[OneSetting, ...]:
    return tuple(
        replace(
            one, setting=replace(one.setting, level_change_db=one.setting.level_change_db + by_db)
        )
        for one in settings
    )


def _asked_db(room: Room, found: Proposal, settings: Sequence[OneSetting], *, kept: bool) -> float:
    """Return the common change of level that is wanted, or that keeps the loudness."""
    if room.target.level_db is not None:
        return found.fit.level_change_db + found.fit.loudness_cut_db
    if kept:
        return 0.0
    now, then = room_data(room), found.fit.data
    change = power_mean_db(then.measured_db, weights=then.seat_weights)
    change = change - power_mean_db(now.measured_db, weights=now.seat_weights)
    return -float(change @ then.frequency_weights)


def _stepped(room: Room, asked_db: float, most_db: float) -> float:
    """Return the nearest common step of the knobs that the drive limits grant."""
    if room.device.level is None:
        return min(asked_db, most_db)
    step_db = room.device.level.step_db
    nearest = round(min(asked_db, most_db) / step_db)
    return step_db * (nearest if nearest * step_db <= most_db + 1e-9 else nearest - 1)


def _granted_db(one: OneSetting) -> float:
    """Return how far the level of a subwoofer may rise against now behind its bands, in dB."""
    room = with_own_limits(one.feeder.room)
    floor = room.limits.floor(room.target)
    return room.limits.granted_behind_db(room.equaliser, one.gains_db, floor)[0]


def _with_common(
    settings: Sequence[OneSetting], found: Proposal, level_db: float
) -> tuple[OneSetting, ...]:
    """Return the settings with the common level, and the polarity that joins the mains."""
    joining = found.joining
    turned = joining is not None and joining.settings.inverted != joining.present.inverted
    return tuple(
        replace(one, setting=replace(one.setting, inverted=one.setting.inverted != turned))
        for one in _louder(settings, level_db)
    )


def _high_pass_first(subwoofers: Mapping[str, Plan]) -> tuple[Caution, ...]:
    """Say of which subwoofers the high-pass is to be another: the sum is told without it."""
    names = [
        name
        for name, plan in subwoofers.items()
        if plan.protection is not None and plan.protection.changes
    ]
    code = CautionCode.HIGH_PASS_FIRST
    return (Caution(code=code, name=" and ".join(names)),) if names else ()


def _quieter(room: Room, cut_db: float) -> tuple[Caution, ...]:
    if cut_db <= _NOTICEABLE_DB:
        return ()
    name = "now" if room.target.level_db is None else "wanted"
    return (Caution(code=CautionCode.LOUDNESS_CUT, value=cut_db, name=name),)


def _set_together(
    one: OneSetting, together: Together, n: int, pressures: ComplexArray
) -> SetTogether:
    without = together.without[n] if together.without else None
    present = one.present
    return SetTogether(
        fed_by=one.subwoofer.fed_by,
        delay_ms=round(1e3 * one.setting.delay, 6),
        inverted=one.setting.inverted,
        present_delay_ms=round(1e3 * present.delay, 6),
        present_inverted=present.inverted,
        without_db=None if without is None else without.deviation_db,
        output_without_db=None if without is None else without.output_lost_db,
        needless=without is not None and without.needless,
        level_db=rows_of(amplitude_ratio_db(pressures).round(4)),
        phase_deg=rows_of(np.angle(pressures, deg=True).round(3)),
    )


def _plan_of_one(
    one: OneSetting,
    *,
    search: BandSearch,
    share_db: Mapping[str, float],
    upstream_db: float,
    date: datetime.date | None,
    by: str | None,
) -> Plan:
    """Return the plan of one subwoofer alone with what was chosen for all."""
    own, feeder = one.subwoofer.room, one.feeder.room
    room = weighed_room(replace(own, device=feeder.device, present=_present_of(one)))
    if room.wanted is not None:
        room = replace(room, wanted=_share_of(room, share_db))
    chosen = ChosenGains(gains_db=one.gains_db, level_change_db=one.setting.level_change_db)
    judged = replace(search, chosen=chosen, leave_out=False, prove=False)
    try:
        found = fit_within_headroom(room, judged)
    except ValueError:  # what is set now and stays may be none that a proposal may ask for
        limits = replace(room.limits, locked=tuple(b.nominal for b in room.equaliser.bands))
        found = fit_within_headroom(replace(room, limits=limits), judged)
    plan = plan_of(found, given=own, date=date, by=by)
    level = choose_level(
        one.setting.level_change_db - upstream_db,
        knob=feeder.device.level,
        present_db=feeder.present.level_db,
    )
    return with_fields(
        plan,
        level=level,
        no_change=None if plan.changes or level.changes else NoChange.IMPROVEMENT_TOO_SMALL,
        cautions=tuple(caution for caution in plan.cautions if caution.code in _OF_DRIVE),
    )


def _present_of(one: OneSetting) -> PresentSettings:
    """Return what is set now on one subwoofer, bands and level of the one that feeds it."""
    own, feeder = one.subwoofer.room.present, one.feeder.room.present
    return replace(feeder, polarity=own.polarity, phase_deg=own.phase_deg)


def _share_of(room: Room, share_db: Mapping[str, float]) -> WantedLevel:
    """Return what is wanted of one subwoofer where all play."""
    assert room.wanted is not None
    scene = DriveScene.of(room, room.wanted)
    wanted = zip(scene.bands, scene.wanted_db.tolist(), strict=True)
    return replace(
        room.wanted, spl_db={band.label: level + share_db[band.label] for band, level in wanted}
    )


def _shares_db(settings: Sequence[OneSetting]) -> tuple[dict[str, float], ...]:
    """Return by band how far each lies below the sum at its main seat as set; 0 where unwanted."""
    seat = next((w.main_seat for one in settings if (w := one.subwoofer.room.wanted)), None)
    bands = third_octave_bands(LOWEST_BAND, _HIGHEST_BAND)
    if seat is None:
        return ({},) * len(settings)
    whole = summed_survey([one.survey for one in settings], coherent=True)
    levels = [_band_levels_db(s, seat) for s in (*(one.survey for one in settings), whole)]
    return tuple(
        {band.label: float(part[b] - levels[-1][b]) for b, band in enumerate(bands)}
        for part in levels[:-1]
    )


def _band_levels_db(survey: Survey, seat: str) -> FloatArray:
    """Return the level of every third octave at a seat; of one not measured, the nearest's."""
    at_seat = survey.of_seats([seat])
    bands = third_octave_bands(LOWEST_BAND, _HIGHEST_BAND)
    axis = common_axis(at_seat)
    held = np.clip([band.centre for band in bands], axis[0], axis[-1])
    return np.asarray(seat_levels_db(at_seat, at=held, fraction=3)[0])
