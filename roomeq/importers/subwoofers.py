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
from typing import Any

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
    steps = [knob.step_db * knob.scale for knob in knobs if knob is not None]
    level = LevelKnob(lowest_db=-60.0, highest_db=60.0, step_db=max(steps, default=1.0))
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
    surveys = [one.room.survey for one in subwoofers]
    summed = summed_survey(surveys, coherent=common_time)
    bare = [entry.seat for entry in summed.measurements if not entry.response.has_phase]
    findings = list(_time_doubts(common_time, bare))
    beside = [] if rest is None else list(rest.survey.measurements)
    beside += [] if measured is None else list(measured.measurements)
    findings += subwoofer_doubts(subwoofers, beside, common_time=common_time)
    if measured is not None and not bare:
        findings += _sum_doubts(summed, measured)
    if rest is None:
        survey = summed
    else:
        weights = {**(rest.survey.seat_weights or {}), **(summed.seat_weights or {})}
        both = (*summed.measurements, *rest.survey.measurements)
        survey = replace(summed, measurements=both, seat_weights=weights)
        findings += rest.findings
    first = subwoofers[0].room
    inputs = [entry for one in subwoofers for entry in one.room.inputs]
    return SurveyFiles(
        survey=survey,
        assumptions=(
            *_shared([one.room.assumptions for one in subwoofers]),
            *([] if measured is not None else [_NOT_HEARD_TOGETHER]),
        ),
        notes=_shared([one.room.notes for one in subwoofers]),
        findings=tuple(findings),
        inputs=tuple(dict.fromkeys([*inputs, *(() if rest is None else rest.inputs)])),
        repeatability_db=max(
            (one.room.repeatability_db for one in subwoofers if one.room.repeatability_db),
            default=None,
        ),
        microphone=first.microphone,
        added_up=True,
    )


def _shared(told: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return what is told of every subwoofer."""
    common = (text for text in told[0] if all(text in other for other in told[1:]))
    return tuple(dict.fromkeys(common))


def told_of_each(room: Room) -> Room:
    """Return the room with what is told of single subwoofers only, their names in front.

    What differs only in figures from what is told of all of them is not told again.
    """
    told: dict[str, Any] = {}

    def gist(text: str) -> str:
        return re.sub(r"[\d.]+", "", text)

    for kind in ("findings", "assumptions", "notes"):
        names: dict[str, list[str]] = {}
        for one in (*room.subwoofers, *room.places):
            for text in getattr(one.room, kind):
                names.setdefault(text, []).append(one.name)
        known = getattr(room, kind)
        gists = {gist(text) for text in known}
        own = (f"{', '.join(of)}: {text}" for text, of in names.items() if gist(text) not in gists)
        told[kind] = (*known, *own)
    return replace(room, **told)


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
