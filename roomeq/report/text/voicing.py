"""A voicing as plain text: what it does over rooms, what each loses, how many rooms it needs.

Conventions
-----------
Deviations in dB; nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Sequence

from roomeq.base.levels import signed_setting
from roomeq.jobs.voice import NeededRooms, Voicing
from roomeq.report.text.layout import number, paragraph, table, text_of

_LISTED = 20
_OVER = {"mean": "the mean over the rooms", "worst_tenth": "the mean of the worst tenth"}


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
    settings = [
        [f"{band.label} Hz", signed_setting(band.present_db), signed_setting(band.gain_db)]
        for band in found.plan.bands
    ]
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
