"""How much each recorded sweep counts in the fit, by what was found wrong with it.

Conventions
-----------
The rule is plain, so that it can be said in one sentence (common practice, no source):

* A recording that says nothing of its seat (silent, another sweep, another rate, channels swapped,
  the same as another) is left out; it never became a measurement.
* One that a fault has spoilt where it is used (a slam, clipping, lost samples, a missing end) is
  left out, by every command, where its seat has a sound recording of the same source; else its
  seat counts half.
* Noise counts by band, not by seat: see `roomeq.optimiser.bands.fit_data.FitData.noise_weights`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from roomeq.room.recorded import RecordedSweep
from roomeq.room.room import Room

SPOILT_COUNTS = 0.5
"""What a seat counts whose only recording is spoilt; common practice, no source."""


def recording_counts(room: Room) -> tuple[float, ...]:
    """Return how much each recording of a room counts: 1, 0.5, or 0 where it is left out."""
    return tuple(_counts(room, one) for one in room.recordings)


def _counts(room: Room, recorded: RecordedSweep) -> float:
    if recorded.left_out:
        return 0.0
    if not recorded.spoilt:
        return 1.0
    spoilt = {(one.seat, one.source, one.file) for one in room.recordings if one.spoilt}
    sound = any(
        (entry.seat, entry.source, entry.file) not in spoilt
        for entry in room.survey.measurements
        if (entry.seat, entry.source) == (recorded.seat, recorded.source)
    )
    return 0.0 if sound else SPOILT_COUNTS


def without_spoilt(room: Room) -> Room:
    """Return a room without the spoilt recordings of seats that have a sound one."""
    spoilt = {key for key, counts in _spoilt(room) if counts == 0.0}
    if not spoilt:
        return room
    kept = tuple(
        entry
        for entry in room.survey.measurements
        if (entry.seat, entry.source, entry.file) not in spoilt
    )
    return replace(room, survey=replace(room.survey, measurements=kept))


def weighed_room(room: Room) -> Room:
    """Return a room without spoilt recordings, where seats that have no other count less.

    What seats weigh follows the recordings of the fitted source. A room without spoilt recordings
    is returned as it is.
    """
    room = without_spoilt(room)
    spoilt = {key: counts for key, counts in _spoilt(room) if counts > 0.0}
    if not spoilt:
        return room
    survey = room.survey
    weights = dict(survey.seat_weights or {})
    for (seat, source, _), counts in spoilt.items():
        if source == room.source and seat in survey.seats:
            weights[seat] = counts * (survey.seat_weights or {}).get(seat, 1.0)
    return replace(room, survey=replace(survey, seat_weights=weights))


def _spoilt(room: Room) -> Iterator[tuple[tuple[str, str, str | None], float]]:
    for recorded, counts in zip(room.recordings, recording_counts(room), strict=True):
        if counts < 1.0 and not recorded.left_out:
            yield (recorded.seat, recorded.source, recorded.file), counts
