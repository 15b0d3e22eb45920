"""Several subwoofers of a room file: each by itself, and what is heard of all together.

Conventions
-----------
Where one time zero is stated, pressures are added; else powers, which is said. A measurement of all
together (``subwoofer = "all"``) is held against the sum of its parts.

What does not go together in measurements of several subwoofers.

A response's time is the centre of its energy from 20 to 80 Hz, in s: travel, box, filters and what
the room holds.

Thresholds were set on 400 rooms of 3.5 to 12 m, two subwoofers each, four seats, levels up to 6 dB
apart either way (modal sums apart from the library): the largest were 96 ms from seat to seat,
43 ms in the middle and 22 dB. In 400 others, up to 20 ms of delay among them, none raised an
alarm; a time zero drawn anew for each file was noticed in 388 where it lay within 300 ms and in
none within 30 ms, a gain 30 dB higher in 305.

A file turned round: `LEAST_ALIKE` was set on 300 rooms drawn as in `bench_turned_files.py`, with no
alarm, and 62 of 100 such files were told where they begin at 12 Hz, 34 from 20 Hz. Of 400 others
two raised one, at a seat where two subwoofers seemed turned round, which is no longer told. Of 600
kept for the end one did (200 of them are `200 5000 12`), and 378 turned files were told. Files of
two subwoofers exchanged at one seat cannot be told: by levels and phase from 12 to 80 Hz, bounds
that no clean room of 150 passed were passed by up to 3 of 150 others, and by 3 to 33 of 100
exchanges.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from roomeq.analysis.phase import energy_time
from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.survey import Measurement, Survey
from roomeq.device.processor import DelayRange
from roomeq.device.profile import Device, LevelKnob
from roomeq.importers.room_file.schema import SubwooferTable
from roomeq.importers.survey_files import SurveyFiles
from roomeq.importers.survey_remarks import same_recordings
from roomeq.optimiser.joining.survey import SUM_RESIDUAL_DB
from roomeq.room.room import Room, Subwoofer
from roomeq.room.together import common_seats, seat_pressures, summed_survey

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


MOST_FROM_SEAT_TO_SEAT, MOST_APART, MOST_APART_DB = 0.120, 0.100, 25.0
LEAST_ALIKE, _LOWEST_ALIKE, _SPAN_ALIKE = 0.6, 12.0, 1.6
_HIGHEST_TIMED = 80.0


def subwoofer_doubts(
    subwoofers: Sequence[Subwoofer], others: Sequence[Measurement], *, common_time: bool
) -> Iterator[str]:
    """Yield seats left out, one recording given twice, and levels and times that cannot be.

    Parameters
    ----------
    subwoofers : sequence of Subwoofer
    others : sequence of Measurement
        What else was measured: mains, several at once.
    common_time : bool
        Whether one time zero is stated.
    """
    surveys = {one.name: one.room.survey for one in subwoofers}
    yield from _twice(surveys, others)
    yield from _left_out(surveys)
    if not all(survey.levels_comparable for survey in surveys.values()):
        yield (
            "levels are not said to compare from one measurement to the next: the sum of the "
            "subwoofers is right only if microphone gain and drive level stayed. State "
            "comparable = true in [levels] if they did"
        )
    for names in combinations(surveys, 2):
        seats = common_seats([surveys[name] for name in names])
        if seats:
            pair = {name: surveys[name].of_seats(seats) for name in names}
            yield from _level_apart(pair)
            if common_time:
                yield from _times_apart(pair)
    if common_time:
        yield from turned_files(surveys)


def _twice(surveys: dict[str, Survey], others: Sequence[Measurement]) -> Iterator[str]:
    """Yield recordings given for more than one subwoofer; within each it is told already."""
    own = [list(survey.measurements) for survey in surveys.values()]
    known = {text for rows in (*own, list(others)) for text in same_recordings(rows)}
    together = [entry for rows in own for entry in rows]
    yield from (text for text in same_recordings([*together, *others]) if text not in known)


def _left_out(surveys: dict[str, Survey]) -> Iterator[str]:
    seats = dict.fromkeys(seat for survey in surveys.values() for seat in survey.seats)
    for seat in seats:
        missing = [name for name, survey in surveys.items() if seat not in survey.seats]
        if missing:
            yield (
                f"seat {seat!r} is left out: {', '.join(missing)} was not measured there. Measure "
                "each subwoofer at every seat"
            )


def _level_apart(pair: dict[str, Survey]) -> Iterator[str]:
    levels_db: dict[str, float] = {}
    for name, survey in pair.items():
        axis = common_axis(survey, lowest=_LOWEST, highest=_HIGHEST_TIMED)
        levels_db[name] = float(np.mean(seat_levels_db(survey, at=axis)))
    quieter, louder = sorted(pair, key=lambda name: levels_db[name])
    apart_db = levels_db[louder] - levels_db[quieter]
    if apart_db > MOST_APART_DB:
        yield (
            f"{louder} is {apart_db:.0f} dB louder than {quieter}: was microphone "
            "gain or drive level changed in between, or did one of them not play?"
        )


def _times_apart(pair: dict[str, Survey]) -> Iterator[str]:
    (one, other), found = pair, []
    for seat in pair[one].seats:
        responses = [survey.at_seat(seat)[0].response for survey in pair.values()]
        if not all(response.has_phase for response in responses):
            return
        times = [energy_time(r.frequencies, r.pressure) for r in responses]
        found.append(times[1] - times[0])
    spread, middle = float(np.ptp(found)), float(np.median(found))
    if spread > MOST_FROM_SEAT_TO_SEAT:
        yield (
            f"{other} comes later than {one} by {1e3 * min(found):.0f} ms at one seat and "
            f"{1e3 * max(found):.0f} ms at another, more than any room holds: was there really one "
            "time zero, and are the files those of these seats?"
        )
    elif abs(middle) > MOST_APART:
        late, early = (other, one) if middle > 0.0 else (one, other)
        yield (
            f"{late} comes {1e3 * abs(middle):.0f} ms later than {early}: was there really one "
            "time zero, and what holds it back?"
        )


def turned_files(surveys: dict[str, Survey]) -> Iterator[str]:
    """Yield seats at which one subwoofer has another polarity than at all others.

    Towards low frequencies a room has one pressure everywhere, so that what arrives from one
    subwoofer is in phase at all seats.
    """
    seats = common_seats(list(surveys.values()))
    entries = [entry for one in surveys.values() for seat in seats for entry in one.at_seat(seat)]
    if len(seats) < 3 or not all(entry.response.has_phase for entry in entries):
        return
    lowest = max(_LOWEST_ALIKE, *(float(entry.response.frequencies[0]) for entry in entries))
    if lowest > _LOWEST:
        return
    points = np.geomspace(lowest, lowest * _SPAN_ALIKE, 24)
    alike = {name: _in_phase(seat_pressures(one, seats, points)) for name, one in surveys.items()}
    for n, seat in enumerate(seats):
        rest = np.arange(len(seats)) != n
        turned = [
            name
            for name, own in alike.items()
            if min(own[rest][:, rest].min(), -own[n, rest].max()) > LEAST_ALIKE
        ]
        if len(turned) == 1 and any(own[n, rest].min() > LEAST_ALIKE for own in alike.values()):
            yield (
                f"{turned[0]} is turned round at seat {seat!r}: up to {points[-1]:.0f} Hz it has "
                "the other polarity there than at all other seats, and another subwoofer has not. "
                "Was a cable, a switch or the time zero another one?"
            )


def _in_phase(pressures: ComplexArray) -> FloatArray:
    """Return the mean cosine of the phase between seats over frequency, shape (S, S)."""
    turns = pressures / np.maximum(np.abs(pressures), np.finfo(float).tiny)
    return np.asarray((turns @ turns.conj().T).real / turns.shape[1])
