"""What does not go together in measurements of several subwoofers.

Conventions
-----------
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

from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np

from roomeq.analysis.phase import energy_time
from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.survey_remarks import same_recordings
from roomeq.room.room import Subwoofer
from roomeq.room.together import common_seats, seat_pressures

MOST_FROM_SEAT_TO_SEAT, MOST_APART, MOST_APART_DB = 0.120, 0.100, 25.0
LEAST_ALIKE, _LOWEST_ALIKE, _SPAN_ALIKE = 0.6, 12.0, 1.6
_LOWEST, _HIGHEST = 20.0, 80.0


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
        axis = common_axis(survey, lowest=_LOWEST, highest=_HIGHEST)
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
