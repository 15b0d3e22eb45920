"""Two surveys of one room, without a plan: what has changed, and what may explain it.

Conventions
-----------
Differences are the later survey less the earlier, in dB. The machinery is that of verification
(`roomeq.jobs.verifying`): the earlier survey stands in the place of the prediction, and the level
counts as well, for nothing was set meanwhile that should have changed it.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
import numpy as np

from roomeq.base.survey import Source
from roomeq.importers.survey_remarks import same_recording
from roomeq.jobs.verifying.agreement import (
    judge_observation,
    seat_limit_db,
    stated_otherwise,
    told_otherwise,
)
from roomeq.jobs.verifying.hypotheses import Setup
from roomeq.jobs.verifying.observation import Observation, Part
from roomeq.jobs.verifying.parts import compared_parts
from roomeq.plan.verification import Cause, CauseCode, Comparison, SeatChange
from roomeq.room.room import Room

STATED = "the later room file"
"""Name of the settings that it states, among what may be in force."""
_SEAT_LEVEL_DB = 2.0  # common practice, no source


def compare(before: Room, after: Room, *, other_room: bool = False) -> Comparison:
    """Tell what has changed in a room from one survey to another.

    Parameters
    ----------
    before, after : Room
        Device and settings are those of the first; settings that both state are compared.
    other_room : bool
        Whether rooms of two names will do.

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        If the names differ, or no seat was measured both times in the same way.
    """
    if before.name != after.name and not other_room:
        raise ValueError(
            f"the rooms are {before.name!r} and {after.name!r}: give two surveys of one room, or "
            "say --force if only the name has changed"
        )
    _refuse_copies(before, after)
    parts, alone = compared_parts(before, after)
    known = [r.repeatability_db for r in (before, after) if r.repeatability_db is not None]
    apart_db = 2.0**0.5 * max(known) if known else None  # both surveys scatter
    seen = Observation.of(tuple(parts.values()), repeatability_db=apart_db)
    bands = {band.label: band for band in before.equaliser.bands}
    judged = judge_observation(seen, _setup(before, after, parts), bands)
    limit_db = seat_limit_db(seen.scatter_db)
    rows = [
        _seat_change(source, part, n, judged.offset_db, limit_db)
        for source, part in (parts | alone).items()
        for n in range(len(part.seats))
    ]
    level_agrees = abs(judged.offset_db) <= judged.tolerance_db
    moved = [
        s for cause in judged.causes if cause.code is CauseCode.SEAT_MOVED for s in cause.seats
    ]
    causes, sums = judged.causes, [row.agrees for row in rows if row.source in alone]
    louder = any(
        _level_moved(row.level_db - judged.offset_db, limit_db)
        for row in rows
        if row.source in parts
    )
    if louder or any(row.seat in moved and not row.agrees for row in rows):
        causes = tuple(cause for cause in causes if cause.code is not CauseCode.AS_PLANNED)
    unchanged = bool(causes) and causes[0].code is CauseCode.AS_PLANNED
    seats, others = before.survey.seats, after.survey.seats
    checked = [row.label for row in judged.bands]
    return Comparison.copied(
        judged,
        seen,
        room=before.name,
        dates=(before.record.get("date", ""), after.record.get("date", "")),
        unchanged=unchanged and level_agrees and 2 * sum(sums) >= len(sums),
        level_agrees=level_agrees,
        source=next(iter(parts)),
        bands_not_checked=tuple(label for label in bands if label not in checked),
        causes=tuple(_as_change(cause, before) for cause in causes),
        seats=tuple(rows),
        stated=stated_otherwise(before.stated_db, after.stated_db),
        stated_joining=tuple(told_otherwise(before.joined_by, after.joined_by)),
        missing=tuple(seat for seat in seats if seat not in others),
        new=tuple(seat for seat in others if seat not in seats),
    )


def _refuse_copies(before: Room, after: Room) -> None:
    """Raise if a response stands in both surveys: that would be "unchanged" in silence."""
    for one in before.survey.measurements:
        for other in after.survey.at_seat(one.seat):
            copied = one.source == other.source and same_recording(one.response, other.response)
            if copied and one.response.resolution != "third_octave":
                raise ValueError(
                    f"{other.file or other.seat} ({other.source} at {other.seat}) is the very same "
                    "measurement in both surveys: leave out of the later one what was not "
                    "measured again"
                )


def _setup(before: Room, after: Room, parts: Mapping[Source, Part]) -> Setup:
    """Return what was set before, and what the later room file states instead."""
    now, then = before.present, after.present
    stated = then.gains_stated and after.equaliser.labels == before.equaliser.labels
    known = now.level_db is not None and then.level_db is not None
    turned_db = (then.level_db or 0.0) - (now.level_db or 0.0) if known else 0.0
    return Setup(
        equaliser=None if before.equaliser.shapes is not None else before.equaliser,
        gains_db=now.gains_db,
        present_db=now.gains_db,
        others={STATED: then.gains_db} if stated else {},
        others_level_db={STATED: turned_db},
        microphone_db=after.microphone_db,
        both_alone={"sub", "mains"} <= set(parts),
        lists=False,
    )


def _seat_change(
    source: Source, part: Part, row: int, offset_db: float, limit_db: float
) -> SeatChange:
    """Return what changed at a seat: level, a straight line over log f, and what both leave."""
    change = part.difference_db[row]
    octaves = np.log2(part.frequencies)
    octaves = octaves - octaves.mean()
    tilt = float(octaves @ change / (octaves @ octaves))
    level = float(change.mean())
    return SeatChange(
        seat=part.seats[row],
        source=source,
        level_db=level,
        tilt_db_per_octave=tilt,
        rest_db=float(np.std(change - level - tilt * octaves)),
        agrees=float(np.sqrt(np.mean((change - offset_db) ** 2))) <= limit_db
        and not _level_moved(level - offset_db, limit_db),
    )


def _level_moved(level_db: float, limit_db: float) -> bool:
    """Return whether the mean of a seat has changed: it scatters far less than single bins."""
    return abs(level_db) > max(_SEAT_LEVEL_DB, 0.5 * limit_db)


def _as_change(cause: Cause, before: Room) -> Cause:
    """Return a cause with the gains of single bands as changes."""
    gains = dict(zip(before.equaliser.labels, before.present.gains_db.tolist(), strict=True))
    pairs = zip(cause.bands, cause.gains_db, strict=bool(cause.gains_db))
    changes = tuple(gain - gains[label] for label, gain in pairs)
    return msgspec.structs.replace(cause, gains_db=changes)
