"""Several subwoofers of a room file: each by itself, and what is heard of all together.

Conventions
-----------
Where one time zero is stated, pressures are added; else powers, which is said. A measurement of all
together (``subwoofer = "all"``) is held against the sum of its parts.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.survey import Survey
from roomeq.device.processor import DelayRange
from roomeq.device.profile import Device, LevelKnob
from roomeq.importers.room_file.schema import SubwooferTable
from roomeq.importers.subwoofer_doubts import subwoofer_doubts
from roomeq.importers.survey_files import SurveyFiles
from roomeq.optimiser.joining.survey import SUM_RESIDUAL_DB
from roomeq.room.room import Room, Subwoofer
from roomeq.room.together import summed_survey

_NOT_HEARD_TOGETHER = (
    'all subwoofers together were not measured (subwoofer = "all"): nothing holds their sum, and '
    "with it time zero and polarity of each file, against what is heard"
)
_LOWEST, _HIGHEST = 20.0, 125.0


def own_delays(table: SubwooferTable) -> DelayRange | None:
    """Return the delays that one of several can be given; None for none."""
    if not table.delay_highest_ms:
        return None
    return DelayRange(
        lowest=0.0, highest=1e-3 * table.delay_highest_ms, step=1e-3 * table.delay_step_ms
    )


def together_device(device: Device, own: Sequence[Device]) -> Device:
    """Return what can be set of all subwoofers at once: level and polarity where each has them.

    Bands are of each; the step of the level is the coarsest.
    """
    knobs = [one.level for one in own]
    step_db = max((knob.step_db * knob.scale for knob in knobs if knob), default=1.0)
    level = LevelKnob(lowest_db=-60.0, highest_db=60.0, step_db=step_db)
    equaliser = replace(device.equaliser, lowest_db=0.0, highest_db=0.0, shapes=None, found=())
    return replace(
        device,
        name=", ".join(dict.fromkeys(one.name for one in own)),
        equaliser=equaliser,
        level=None if None in knobs else level,
        phase=None,
        polarity=all(one.polarity for one in own),
    )


def together_files(
    subwoofers: Sequence[Subwoofer],
    rest: SurveyFiles | None,
    *,
    measured: Survey | None,
    common_time: bool,
) -> SurveyFiles:
    """Return the sum of all subwoofers beside what else was measured.

    Parameters
    ----------
    subwoofers : sequence of Subwoofer
    rest : SurveyFiles or None
        Mains, and subwoofers and mains together.
    measured : Survey or None
        All subwoofers together, as measured.
    common_time : bool
        Whether all were measured against one time zero.

    Raises
    ------
    ValueError
        As for `roomeq.room.together.summed_survey`.
    """
    rooms = [one.room for one in subwoofers]
    summed = summed_survey([room.survey for room in rooms], coherent=common_time)
    bare = [entry.seat for entry in summed.measurements if not entry.response.has_phase]
    findings = list(_time_doubts(common_time, bare))
    others = () if rest is None else rest.survey.measurements
    beside = (*others, *(() if measured is None else measured.measurements))
    findings += subwoofer_doubts(subwoofers, beside, common_time=common_time)
    if measured is not None and not bare:
        findings += _sum_doubts(summed, measured)
    weights = {} if rest is None else rest.survey.seat_weights or {}
    survey = replace(
        summed,
        measurements=(*summed.measurements, *others),
        seat_weights={**weights, **(summed.seat_weights or {})},
    )
    inputs = [entry for room in rooms for entry in room.inputs]
    unheard = [_NOT_HEARD_TOGETHER] if measured is None else []
    return SurveyFiles(
        survey=survey,
        assumptions=(*_shared([room.assumptions for room in rooms]), *unheard),
        notes=_shared([room.notes for room in rooms]),
        findings=(*findings, *(() if rest is None else rest.findings)),
        inputs=tuple(dict.fromkeys([*inputs, *(() if rest is None else rest.inputs)])),
        repeatability_db=max(filter(None, (room.repeatability_db for room in rooms)), default=None),
        microphone=rooms[0].microphone,
        added_up=True,
    )


def _shared(told: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return what is told of every subwoofer."""
    return tuple(text for text in dict.fromkeys(told[0]) if all(text in of for of in told))


def told_of_each(room: Room) -> Room:
    """Return the room with what is told of single subwoofers only, their names in front.

    What differs only in figures from what is told of all of them is not told again.
    """
    each = (*room.subwoofers, *room.places)

    def told(kind: str) -> tuple[str, ...]:
        known: tuple[str, ...] = getattr(room, kind)
        gists = {re.sub(r"[\d.]+", "", text) for text in known}
        own = dict.fromkeys(text for one in each for text in getattr(one.room, kind))
        return known + tuple(
            f"{', '.join(one.name for one in each if text in getattr(one.room, kind))}: {text}"
            for text in own
            if re.sub(r"[\d.]+", "", text) not in gists
        )

    findings, assumptions, notes = map(told, ("findings", "assumptions", "notes"))
    return replace(room, findings=findings, assumptions=assumptions, notes=notes)


def _time_doubts(common_time: bool, without_phase: Sequence[str]) -> Iterator[str]:
    remedy = (
        "delay and polarity cannot be chosen, and where they cancel is not seen: the powers are "
        "added. Measure each with a loopback, or against a reference loudspeaker that stays"
    )
    if not common_time:
        yield (
            "the subwoofers are not said to be measured against one time zero: "
            f"{remedy}, and state common_reference = true in [timing]"
        )
    elif without_phase:
        yield (
            f"a response of the subwoofers has no phase (at {', '.join(without_phase)}): {remedy}, "
            "and export the phase"
        )


def _sum_doubts(summed: Survey, measured: Survey) -> Iterator[str]:
    """Yield at which seats a measured sum is not that of its parts, one level offset apart."""
    seats = [seat for seat in measured.seats if seat in summed.seats]
    if not seats:
        return
    axis = common_axis(summed, lowest=_LOWEST, highest=_HIGHEST)
    expected, heard = (
        seat_levels_db(one.of_seats(seats), at=axis, fraction=6) for one in (summed, measured)
    )
    difference = heard - expected
    residual = np.sqrt(np.mean((difference - difference.mean()) ** 2, axis=1))
    worst = int(residual.argmax())
    if residual[worst] > SUM_RESIDUAL_DB:
        yield (
            f"what was measured of all subwoofers together is not the sum of its parts: at seat "
            f"{seats[worst]} they lie {residual[worst]:.1f} dB apart (r.m.s., 20 to 125 Hz). Was "
            "the time zero the same for all, and nothing set otherwise in between?"
        )
