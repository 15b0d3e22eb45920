"""Many rooms and one voicing as plain text: how well, which failed or lose most, which want a look.

Conventions
-----------
Deviations in dB. Tenths are those of `numpy.quantile` with its linear rule.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from roomeq.jobs.batch import Batch
from roomeq.jobs.voice import NeededRooms, Voicing
from roomeq.plan.rooms import RoomRow
from roomeq.report.text.layout import Part, counted, listed, number, text_of, worded

_LISTED = 20
_WHOSE = {
    "subwoofer": "of the subwoofer",
    "sum": "of the sum with mains",
    "together": "of several subwoofers together",
}
_OVER = {"mean": "the mean over the rooms", "worst_tenth": "the mean of the worst tenth"}
_say = worded("""
done: {done} of {all} rooms done{kept:|; {kept} had been done before|}. Plans in {out}/plans, all
    rooms in {table}.
off: {room} ({plan}): {deviation_before_db:.1f} dB now, {deviation_after_db:.1f} dB
voiced: {plan.room}, voiced for {count} rooms. Weighted deviation, {over}: {before_db:.1f} dB now,
    {voiced_db:.1f} dB voiced; {own_db:.1f} dB if each room had a setting of its own.
rooms: Room = {room} | >Now dB = {before_db:.1f} | >Voiced dB = {voiced_db:.1f} | >Its own dB =
    {own_db:.1f} | >Loses dB = {loses_db:.1f}
needed: Voiced on some rooms, judged on the others, {draws} draws each; the last column is the
    setting above in those others:
others: >Rooms = {rooms} | >In them dB = {inside_db:.1f} | >In others dB = {outside_db:.1f} |
    >S.d. dB = {sd_db:.1f} | >All rooms dB = {all_db:.1f}
""")


def batch_text(found: Batch, rows: Sequence[RoomRow]) -> str:
    """Return what became of many rooms.

    Parameters
    ----------
    found : Batch
    rows : sequence of RoomRow
        All rows of its folder.
    """
    done = [row for row in rows if row.status == "done"]
    failed = [f"{row.folder}: {row.message}" for row in rows if row.status == "failed"]
    looks = [row.plan for row in done if row.doubtful]
    worst = sorted(done, key=lambda row: -(row.deviation_after_db or 0.0))[:5]
    return text_of(
        _say("done", found, all=found.done + found.failed),
        _deviations(done),
        listed("Furthest off with the proposal:", [_say("off", row) for row in worst]),
        _cut_off(f"{len(failed)} failed:", failed),
        _cut_off(f"{len(looks)} want a look (roomeq show PLAN):", looks),
    )


def _deviations(done: Sequence[RoomRow]) -> Part:
    """Lay out tenths of the deviations of all rooms, by what was judged."""
    lines: list[Sequence[str]] = []
    titles = ["Weighted deviation in dB", ">Best tenth", ">Median", ">Worst tenth"]
    for judged, what in _WHOSE.items():
        pairs = [(r.deviation_before_db, r.deviation_after_db) for r in done if r.judged == judged]
        if pairs:
            values = np.array(pairs, dtype=np.float64)
            now, then = np.quantile(values, (0.1, 0.5, 0.9), axis=0).T.tolist()
            lines += [f"{counted(len(pairs), 'room')}, {what}", titles]
            lines += [["now", *map(number, now)], ["with the proposal", *map(number, then)]]
    return lines


def _cut_off(title: str, entries: list[str]) -> list[str]:
    more = [f"and {len(entries) - _LISTED} more: see the table"] if len(entries) > _LISTED else []
    return listed(title, entries[:_LISTED] + more)


def voicing_text(found: Voicing, needed: Sequence[NeededRooms]) -> str:
    """Return a voicing in figures.

    Parameters
    ----------
    found : Voicing
    needed : sequence of NeededRooms
        What voicings on fewer rooms do in the others.
    """
    over = {name: found.over_rooms_db(name) for name in ("before_db", "voiced_db", "own_db")}
    settings = found.plan.setting_rows()[: len(found.plan.bands)]
    worst = sorted(found.rooms, key=lambda room: -room.loses_db)
    title = f"Rooms that lose most ({_LISTED} of {len(worst)})" if worst[_LISTED:] else "Rooms"
    return text_of(
        _say("voiced", found, count=len(worst), over=_OVER[found.criterion], **over),
        ["Settings in dB", (">Band", ">Now", ">Set to"), *settings],
        [title, *_say.table("rooms", worst[:_LISTED])],
        [_say("needed", needed[0]), *_say.table("others", needed)] if needed else [],
    )
