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
from roomeq.report.text.layout import Part, cells, counted, listed, number, said, text_of

_LISTED = 20
_WHOSE = {
    "subwoofer": "of the subwoofer",
    "sum": "of the sum with mains",
    "together": "of several subwoofers together",
}
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
    kept = f"; {found.kept} had been done before" if found.kept else ""
    worst = sorted(done, key=lambda row: -(row.deviation_after_db or 0.0))[:5]
    off = "{room} ({plan}): {deviation_before_db:.1f} dB now, {deviation_after_db:.1f} dB"
    return text_of(
        [
            (
                f"{found.done} of {found.done + found.failed} rooms done{kept}. Plans in "
                f"{found.out / 'plans'}, all rooms in {found.table}."
            ),
            _deviations(done),
            listed("Furthest off with the proposal:", [said(off, row) for row in worst]),
            _cut_off(f"{len(failed)} failed:", failed),
            _cut_off(f"{len(looks)} want a look (roomeq show PLAN):", [r.plan for r in looks]),
        ]
    )


def _deviations(done: Sequence[RoomRow]) -> Part:
    """Lay out tenths of the deviations of all rooms, by what was judged."""
    titles = cells("Weighted deviation in dB | >Best tenth | >Median | >Worst tenth")
    lines: list[Sequence[str]] = []
    for judged, what in _WHOSE.items():
        pairs = [(r.deviation_before_db, r.deviation_after_db) for r in done if r.judged == judged]
        if not pairs:
            continue
        tenths = np.quantile(np.array(pairs, dtype=np.float64), (0.1, 0.5, 0.9), axis=0).T.tolist()
        words = zip(("now", "with the proposal"), tenths, strict=True)
        rows = [[what_then, *map(number, figures)] for what_then, figures in words]
        lines += [f"{counted(len(pairs), 'room')}, {what}", titles, *rows]
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
    names = ("before_db", "voiced_db", "own_db")
    before, after, own = (number(found.over_rooms_db(name)) for name in names)
    verdict = (
        f"{found.plan.room}, voiced for {len(found.rooms)} rooms. Weighted deviation, "
        f"{_OVER[found.criterion]}: {before} dB now, {after} dB voiced; {own} dB if each room had "
        "a setting of its own."
    )
    settings = found.plan.setting_rows()[: len(found.plan.bands)]
    worst = sorted(found.rooms, key=lambda room: -room.loses_db)
    row = "{room} | {before_db:.1f} | {voiced_db:.1f} | {own_db:.1f} | {loses_db:.1f}"
    rows = [cells(row, room) for room in worst[:_LISTED]]
    title = f"Rooms that lose most ({_LISTED} of {len(worst)})" if worst[_LISTED:] else "Rooms"
    return text_of(
        [
            verdict,
            ["Settings in dB", cells(">Band | >Now | >Set to"), *settings],
            [title, cells("Room | >Now dB | >Voiced dB | >Its own dB | >Loses dB"), *rows],
            _needed(needed),
        ]
    )


def _needed(needed: Sequence[NeededRooms]) -> Part:
    if not needed:
        return []
    row = "{rooms} | {inside_db:.1f} | {outside_db:.1f} | {sd_db:.1f} | {all_db:.1f}"
    explained = (
        f"Voiced on some rooms, judged on the others, {needed[0].draws} draws each; the last "
        "column is the setting above in those others:"
    )
    titles = cells(">Rooms | >In them dB | >In others dB | >S.d. dB | >All rooms dB")
    return [explained, titles, *(cells(row, one) for one in needed)]
