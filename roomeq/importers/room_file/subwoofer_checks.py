"""What a room file's ``[[subwoofers]]`` and their measurements must satisfy together.

Conventions
-----------
As in `roomeq.importers.room_file.checks`: nothing is repaired, every contradiction is yielded with
the path of its key and a remedy.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from roomeq.importers.room_file.equipment_checks import equipment_findings
from roomeq.importers.room_file.file import Finding, RoomFile
from roomeq.importers.room_file.schema import PresentTable

MOST_SUBWOOFERS = 8
_OF_THE_FEEDER = (
    *(("profile",), ("delay_highest_ms",)),
    *(("present", key) for key in ("gains_db", "level_db", "delay_ms")),
)
TOGETHER = "all"
"""What the measurement of all subwoofers together is called."""


def subwoofer_findings(room: RoomFile) -> Iterator[Finding]:
    """Yield what cannot be in the tables of several subwoofers, and in what names them."""
    yield from _measured_alone(room)
    if not room.subwoofers:
        return
    yield from _tables(room)
    yield from _feeds(room)
    for key in PresentTable.__struct_fields__:
        if key != "delay_ms" and getattr(room.device.present, key) is not None:
            remedy = "state it under [subwoofers.present], below the [[subwoofers]] that it is of"
            yield f"{key!r} belongs to each of the subwoofers", ("device", "present", key), remedy


def _measured_alone(room: RoomFile) -> Iterator[Finding]:
    """Yield measurements whose subwoofer or place does not fit what played."""
    names, tried = [one.name for one in room.subwoofers], dict[str, str | None]()
    listed = ", ".join(map(repr, names))
    for index, entry in enumerate(room.measurements):
        path = ("measurements", index)
        for key in ("subwoofer", "place"):
            if getattr(entry, key) is not None and entry.source != "sub":
                said = f'{key!r} belongs to source = "sub", not "{entry.source}"'
                yield said, (*path, key), "leave it out, or correct the source"
        if entry.subwoofer is not None and entry.subwoofer not in (*names, TOGETHER):
            said = f"subwoofer {entry.subwoofer!r} is not listed in [[subwoofers]]"
            yield said, (*path, "subwoofer"), f"listed: {listed or 'none'}; or list it"
        if entry.place is None:
            if names and entry.source == "sub" and entry.subwoofer is None:
                remedy = f'write subwoofer = ..., one of {listed}; "all" for all of them together'
                yield f"it is not said which subwoofer {entry.file!r} was measured of", path, remedy
            continue
        if not entry.place.strip():
            yield "the place has no name", (*path, "place"), "give it one"
        if entry.subwoofer == TOGETHER:
            said = "one subwoofer is tried at a place, not all of them"
            yield said, (*path, "subwoofer"), "name the one"
        before = tried.setdefault(entry.place, entry.subwoofer)
        if entry.subwoofer != before:
            now, then = (
                "one without a name" if n is None else repr(n) for n in (entry.subwoofer, before)
            )
            said = f"at place {entry.place!r} {now} was measured, and {then} before"
            remedy = "one subwoofer is tried at a place; two there are two places, with two names"
            yield said, (*path, "subwoofer"), remedy


def _tables(room: RoomFile) -> Iterator[Finding]:
    counts = Counter(one.name for one in room.subwoofers)
    measured = {entry.subwoofer for entry in room.measurements if entry.place is None}
    if not 2 <= len(room.subwoofers) <= MOST_SUBWOOFERS:
        remedy = f"2 to {MOST_SUBWOOFERS}; one alone needs no table"
        yield f"{len(room.subwoofers)} subwoofers are listed", ("subwoofers",), remedy
    for index, one in enumerate(room.subwoofers):
        path, called = ("subwoofers", index, "name"), f"subwoofer {one.name!r}"
        if not one.name.strip():
            yield "a subwoofer has no name", path, "give it one"
        if one.name == TOGETHER:
            remedy = "another name: this one is for the measurement of all together"
            yield f"{TOGETHER!r} is no name of a subwoofer", path, remedy
        if counts[one.name] > 1:
            yield f"{called} is listed {counts[one.name]} times", path, "list each once"
        if one.name not in measured:
            remedy = f"add its measurement with subwoofer = {one.name!r}, the others switched off"
            yield f"{called} is listed but never measured alone", path, remedy
        own = room.of_subwoofer(index)
        for message, key, remedy in equipment_findings(own):
            yield message, own.written(key), remedy


def _feeds(room: RoomFile) -> Iterator[Finding]:
    """Yield subwoofers that are fed by none, by themselves, or by one that is fed as well."""
    by_name = {one.name: one for one in room.subwoofers}
    for index, one in enumerate(room.subwoofers):
        if one.fed_by is None:
            continue
        path, feeder = ("subwoofers", index), by_name.get(one.fed_by)
        if feeder is None or feeder is one or feeder.fed_by is not None:
            first = ", ".join(repr(o.name) for o in by_name.values() if o.fed_by is None)
            remedy = f"name the one whose device is the first: {first or 'none'}"
            said = (
                f"{one.fed_by!r} feeds nothing: it is not listed, this one itself, or fed as well"
            )
            yield said, (*path, "fed_by"), remedy
        for *at, key in _OF_THE_FEEDER:
            if getattr(one.present if at else one, key) is not None:
                said = f"{key!r} of a fed subwoofer is that of {one.fed_by!r}"
                yield said, (*path, *at, key), "state it there, or leave fed_by out"
