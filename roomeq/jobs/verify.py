"""Verification: did what was predicted come true, and if not, why.

Conventions
-----------
Differences are measured again minus predicted, in dB, on the plan's axis. Levels of the two
measuring days need not compare: one offset is removed, and stated. Causes are whole patterns that
are predicted at every seat (`roomeq.jobs.verifying`). The optimiser is not run again.

Verification of a joining: what the sum loses, and what is stated otherwise.

Levels in dB, on the plan's axis of the sum, smoothed over 1/12 octave as the prediction is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from itertools import starmap, zip_longest
from typing import Literal

import numpy as np

from roomeq.base.bands import device_band
from roomeq.base.levels import FloatArray
from roomeq.base.survey import Survey
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.device.processor import Polarity
from roomeq.jobs.joining.steps import present_data
from roomeq.jobs.verifying.agreement import (
    judge_observation,
    planned_db,
    stated_otherwise,
    told_otherwise,
)
from roomeq.jobs.verifying.hypotheses import Setup, gains_in_force_db
from roomeq.jobs.verifying.observation import Observation
from roomeq.jobs.verifying.parts import measured_levels_db, observed_parts
from roomeq.optimiser.joining.summation import judge_sum
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.plan import Plan
from roomeq.plan.records import DeviceRecord, PresentRecord, is_stated
from roomeq.plan.verification import (
    JoiningCheck,
    LevelCheck,
    StatedJoiningSetting,
    StatedSetting,
    Verification,
)
from roomeq.room.room import Joined, Room

LOSS_AGREES_DB = 0.5
"""More than this above the prediction, and the parts do not join as planned. In 80 rooms made by
code: of 240 with the right setting and each response off by 0.3 to 1 dB, none; with the polarity
wrong all 80; with the delay in the wrong branch 61 of 65 (the others lose little either way)."""


def check_joining(
    record: JoiningRecord,
    survey: Survey,
    *,
    as_planned: bool,
    loss_db: float | None = None,
    offset_db: float = 0.0,
) -> JoiningCheck | None:
    """Compare what the sum of subwoofer and mains loses with what a plan predicted.

    Parameters
    ----------
    record : JoiningRecord
    survey : Survey
    as_planned : bool
        Whether the sum, where it was measured again, looks as planned.
    loss_db : float, optional
        What the sum loses, where subwoofer and mains were measured again as well. Otherwise it
        follows from the level of both.
    offset_db : float
        Level by which all differs from the prediction.

    Returns
    -------
    JoiningCheck or None
        By the loss alone where subwoofer and mains together were not measured again at a seat of
        the plan, in narrow bands and over its axis; None where that is not known either.
    """
    axis, rows = np.array(record.frequencies), [row.seat for row in record.seats]
    measured = measured_levels_db(survey, rows, axis)
    predicted, from_parts = record.loss_db, loss_db is not None
    if not measured:
        apart = [survey.of_source(one).seats for one in ("sub", "mains") if from_parts]
        kept = [row for row in record.seats if apart and all(row.seat in of for of in apart)]
        if not kept:
            return None
        predicted = float(np.average([r.after_db for r in kept], weights=[r.weight for r in kept]))
        as_planned = True
    if loss_db is None:
        planned = np.array(record.after_level_db)[[rows.index(seat) for seat in measured]]
        again = np.array(list(measured.values()))
        inside = (axis >= record.lowest * (1 - 1e-9)) & (axis <= record.highest * (1 + 1e-9))
        loss_db = predicted + float(np.mean((planned - again + offset_db)[:, inside]))
    return JoiningCheck(
        agrees=as_planned and (not from_parts or loss_db <= predicted + LOSS_AGREES_DB),
        by_sum=bool(measured),
        corner=record.corner,
        loss_db=loss_db,
        predicted_loss_db=predicted,
    )


def _gains_stated(plan: Plan, room: Room) -> Iterator[StatedSetting]:
    """Yield gains and levels that are stated to be others than planned, then those of each."""
    yield from stated_otherwise(planned_db(plan), room.stated_db)
    for one in room.subwoofers:
        if one.name in plan.subwoofers and one.fed_by is None:
            planned = planned_db(plan.subwoofers[one.name])
            yield from stated_otherwise(planned, one.room.stated_db, subwoofer=one.name)


def _joining_stated(plan: Plan, room: Room) -> Iterator[StatedJoiningSetting]:
    """Yield what is stated of joining and of the chain to be another than planned."""
    if plan.joining is not None:
        yield from joining_stated_otherwise(plan.joining, room.joined_by, before=plan.present)
    yield from _each_stated(plan, room)
    yield from _chain_stated(plan, room)


def joining_stated_otherwise(
    record: JoiningRecord, stated: Joined, *, before: PresentRecord | None = None
) -> Iterator[StatedJoiningSetting]:
    """Yield delay, polarity and phase that are stated to be others than a plan's.

    Parameters
    ----------
    record : JoiningRecord
    stated : dict
        As `roomeq.room.room.Room.joined_by`; what is not stated, then or now, is not compared.
    before : PresentRecord, optional
        What was stated when it was planned.
    """
    planned, now = record.settings, record.present
    turned = is_stated(before, "phase_deg") or planned.phase_deg != now.phase_deg
    set_to: Joined = {
        "delay_ms": planned.delay_ms,
        "polarity": Polarity[planned.inverted],
        "phase_deg": planned.phase_deg if turned else None,
    }
    yield from told_otherwise(set_to, stated, before=before)


def _each_stated(plan: Plan, room: Room) -> Iterator[StatedJoiningSetting]:
    """Yield other subwoofers than planned, then of each what feeds it, delay, polarity and phase.

    Nothing where they were measured again as one. Of one that is fed by another, bands, level and
    delay are stated there.
    """
    names = [tuple(plan.subwoofers), tuple(one.name for one in room.subwoofers)]
    if all(names) and set(names[0]) != set(names[1]):
        planned, stated = (" and ".join(sorted(of)) for of in names)
        yield StatedJoiningSetting(label="subwoofers", planned=planned, stated=stated)
    for one in room.subwoofers:
        part = plan.subwoofers.get(one.name)
        if part is None or part.set_together is None:
            continue
        own = part.set_together
        set_to: Joined = {
            "fed_by": own.fed_by or "none",
            "delay_ms": own.delay_ms if one.fed_by is None else None,
            "polarity": Polarity[own.inverted],
            "phase_deg": None if part.present is None else part.present.phase_deg,
        }
        now: Joined = {"fed_by": one.fed_by or "none", **one.room.joined_by}
        yield from told_otherwise(set_to, now, before=part.present, subwoofer=one.name)


def _chain_stated(plan: Plan, room: Room) -> Iterator[StatedJoiningSetting]:
    """Yield what is stated of filters and microphone and is not what the plan was made with."""
    files = [entry.file for entry in plan.inputs if entry.role == "microphone"]
    if bool(files) != (room.microphone_db is not None):
        yield StatedJoiningSetting(
            label="microphone",
            planned=files[0] if files else "none",
            stated="none" if files else "one that the plan was made without",
        )
    if plan.present is None:
        return
    bypassed = () if plan.joining is None else plan.joining.bypass
    labels: tuple[Literal["path", "mains_path"], ...] = ("path", "mains_path")
    now = (room.stated_path, room.joining.mains_path)
    for label, planned, filters in zip(
        labels, (plan.present.path, plan.present.mains_path), now, strict=True
    ):
        if planned is None or filters is None:
            continue
        stated, left = sorted(map(str, filters)), sorted(set(planned) - set(bypassed))
        if stated not in (sorted(planned), left):
            yield StatedJoiningSetting(
                label=label,
                planned=" and ".join(left) or "none",
                stated=" and ".join(stated) or "none",
            )


def verify(
    plan: Plan,
    survey: Survey | Room,
    *,
    others: Mapping[str, Plan] | None = None,
    microphone_db: Callable[[FloatArray], FloatArray] | None = None,
    other_room: bool = False,
) -> Verification:
    """Compare a measurement taken after the settings were made with a plan.

    Parameters
    ----------
    plan : Plan
    survey : Survey or Room
        Measured with the plan's settings in force; at least one of the plan's seats. The settings
        that a room states are compared with the plan's.
    others : mapping of str to Plan, optional
        Further plans whose settings may be in force instead, by their names.
    microphone_db : callable, optional
        Hz to what the microphone file took off, in dB, to tell whether it is missing or doubled; a
        room tells it by itself.
    other_room : bool
        Whether a room of another name will do.

    Returns
    -------
    Verification

    Raises
    ------
    TypeError
        If plan and survey are something else, or change places.
    ValueError
        If the survey has none of the plan's seats, another source, or does not reach its axis; or
        the plan is for a room of another name.
    """
    if not isinstance(plan, Plan) or not isinstance(survey, Survey | Room):
        raise TypeError(
            "verify(plan, survey): a Plan, then a Survey or Room measured after it was set; got "
            f"{type(plan).__name__} and {type(survey).__name__}"
        )
    room = None
    if isinstance(survey, Room):
        room, survey = survey, survey.survey
        microphone_db = room.microphone_db
        if room.name != plan.room and not other_room:
            raise ValueError(
                f"the plan is for {plan.room!r}, what was measured again is {room.name!r}: give "
                "the plan of this room, or say --force if only the name has changed"
            )
    seen = Observation.of(
        observed_parts(plan, survey), repeatability_db=plan.evidence.repeatability_db
    )
    setup = _setup(plan, others or {}, microphone_db)
    bands = {band.label: device_band(band.centre) for band in plan.bands}
    judged = judge_observation(seen, setup, bands)
    planned, offset, joining = judged.unchanged, judged.offset_db, None
    gains = gains_in_force_db(judged.causes[0], setup) if judged.causes else None
    labels, checked = plan.device.labels, [row.label for row in judged.bands]
    if plan.joining is not None:
        data = None if room is None else present_data(room)
        loss_db = None if data is None else judge_sum(data, data.present).loss_db
        joining = check_joining(
            plan.joining, survey, as_planned=planned, loss_db=loss_db, offset_db=offset
        )
    return Verification.copied(
        judged,
        seen,
        room=plan.room,
        agrees=planned and (joining is None or joining.agrees),
        in_force_db=None if gains is None else dict(zip(labels, gains.tolist(), strict=True)),
        source=plan.source if plan.source in survey.sources else "both",
        level=_level_check(plan, offset, tolerance=judged.tolerance_db),
        stated=() if room is None else tuple(_gains_stated(plan, room)),
        not_measured_again=tuple(row.seat for row in plan.seats if row.seat not in seen.seats),
        joining=joining,
        bands_not_checked=tuple(label for label in labels if label not in checked),
        stated_joining=() if room is None else tuple(_joining_stated(plan, room)),
        joining_unchecked=plan.joining is not None and joining is None,
        plan_date=plan.date,
    )


def _level_check(plan: Plan, offset_db: float, *, tolerance: float) -> LevelCheck:
    """Compare the level with what the knob gives in its steps; the prediction has it exactly."""
    planned = plan.level.setting_db
    off = offset_db + plan.level.residual_db - plan.level.upstream_db
    return LevelCheck(
        difference_db=off,
        planned_db=planned,
        looks_like_db=None if planned is None else planned + off,
        agrees=abs(off) <= tolerance,
    )


def _setup(
    plan: Plan,
    others: Mapping[str, Plan],
    microphone_db: Callable[[FloatArray], FloatArray] | None,
) -> Setup:
    """Return what the plan set, what stood before, and what else may be in force."""
    own_db = plan.level.setting_db
    levels = {name: other.level.setting_db for name, other in others.items()}
    return Setup(
        equaliser=None if plan.subwoofers else equaliser_of(plan.device),
        gains_db=np.array(plan.gains_db),
        present_db=np.array([band.present_db for band in plan.bands]),
        others={name: np.array(other.gains_db) for name, other in others.items()},
        others_level_db={}
        if own_db is None
        else {name: level - own_db for name, level in levels.items() if level is not None},
        microphone_db=microphone_db,
        sum_known=plan.joining is not None and bool(plan.joining.quadrature),
    )


def equaliser_of(device: DeviceRecord) -> FixedBandEqualiser | None:
    """Return the equaliser a plan was made for; None where its bands' shapes were measured."""
    if device.measured_shapes:
        return None
    return FixedBandEqualiser(
        bands=tuple(starmap(device_band, zip_longest(map(float, device.labels), device.centres))),
        lowest_db=device.lowest_db,
        highest_db=device.highest_db,
        step_db=device.step_db,
        q_law=QLaw(
            gain_db=np.array(device.q_gain_db), q=np.array(device.q), measured=device.q_measured
        ),
        sample_rate=device.sample_rate,
        found=device.found,
    )
