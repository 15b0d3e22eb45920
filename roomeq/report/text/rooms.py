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
from roomeq.report.text.layout import listed, number, paragraph, table, text_of

_LISTED = 20
_OVER = {"mean": "the mean over the rooms", "worst_tenth": "the mean of the worst tenth"}


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
    looks = [row for row in done if row.doubtful]
    said = f"{found.done} of {found.done + found.failed} rooms done"
    if found.kept:
        said += f"; {found.kept} had been done before"
    worst = sorted(done, key=lambda row: -(row.deviation_after_db or 0.0))[:5]
    return text_of(
        [
            paragraph(f"{said}. Plans in {found.out / 'plans'}, all rooms in {found.table}."),
            _deviations(done),
            listed("Furthest off with the proposal:", [_room(row) for row in worst]),
            _cut_off(f"{len(failed)} failed:", failed),
            _cut_off(f"{len(looks)} want a look (roomeq show PLAN):", [r.plan for r in looks]),
        ]
    )


def _deviations(done: Sequence[RoomRow]) -> list[str]:
    """Lay out tenths of the deviations of all rooms, by what was judged."""
    whose = {"subwoofer": "of the subwoofer", "sum": "of the sum with mains"}
    whose["together"] = "of several subwoofers together"
    titles = ["Weighted deviation in dB", ">Best tenth", ">Median", ">Worst tenth"]
    lines: list[str] = []
    for judged, what in whose.items():
        pairs = [(r.deviation_before_db, r.deviation_after_db) for r in done if r.judged == judged]
        if not pairs:
            continue
        values = np.array(pairs, dtype=np.float64)
        rows = [
            [words, *(number(x) for x in np.quantile(values[:, column], (0.1, 0.5, 0.9)).tolist())]
            for column, words in enumerate(("now", "with the proposal"))
        ]
        lines += [f"{len(pairs)} room{'s' if pairs[1:] else ''}, {what}", *table(titles, rows)]
    return lines


def _room(row: RoomRow) -> str:
    now, then = number(row.deviation_before_db), number(row.deviation_after_db)
    return f"{row.room} ({row.plan}): {now} dB now, {then} dB"


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
    names = ("before_db", "voiced_db", "own_db")
    before, after, own = (number(found.over_rooms_db(name)) for name in names)
    said = (
        f"{found.plan.room}, voiced for {len(found.rooms)} rooms. Weighted deviation, "
        f"{_OVER[found.criterion]}: {before} dB now, {after} dB voiced; {own} dB if each room had "
        "a setting of its own."
    )
    settings = found.plan.setting_rows()[: len(found.plan.bands)]
    worst = sorted(found.rooms, key=lambda room: -room.loses_db)
    rows = [
        [room.room, *map(number, (room.before_db, room.voiced_db, room.own_db, room.loses_db))]
        for room in worst[:_LISTED]
    ]
    title = f"Rooms that lose most ({_LISTED} of {len(worst)})" if worst[_LISTED:] else "Rooms"
    titles = ["Room", ">Now dB", ">Voiced dB", ">Its own dB", ">Loses dB"]
    return text_of(
        [
            paragraph(said),
            ["Settings in dB", *table([">Band", ">Now", ">Set to"], settings)],
            [title, *table(titles, rows)],
            _needed(needed),
        ]
    )


def _needed(needed: Sequence[NeededRooms]) -> list[str]:
    if not needed:
        return []
    rows = [
        [str(row.rooms), *map(number, (row.inside_db, row.outside_db, row.sd_db, row.all_db))]
        for row in needed
    ]
    said = (
        f"Voiced on some rooms, judged on the others, {needed[0].draws} draws each; the last "
        "column is the setting above in those others:"
    )
    titles = [">Rooms", ">In them dB", ">In others dB", ">S.d. dB", ">All rooms dB"]
    return [*paragraph(said), *table(titles, rows)]
