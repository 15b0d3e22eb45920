"""What the tables of a room file must satisfy together: names, files, seats, subwoofers, times.

Conventions
-----------
A check yields what it finds, with the path of the key and a remedy; the reader raises the first.
Nothing is repaired. Numbers are known to be finite already. What the keys of one table must satisfy
is in `roomeq.importers.room_file.table_rules`; what the values refuse by themselves (a load below
the amplifier's minimum) is raised where they are built, in `roomeq.importers.equipment`.

Room file: everything about a room that the measurements themselves do not say.

``room.toml`` lies in the folder of the room; file names in it are relative to that folder, absolute
ones go as written. Units as in `roomeq.importers.room_file.schema`. Every fault raises
`RoomFileError` with file, line, key, value and remedy; nothing is repaired silently and unknown
keys are refused.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from os import PathLike
from pathlib import Path

from roomeq.base.errors import RoomFileError
from roomeq.base.toml_lines import KeyPath
from roomeq.base.toml_tables import read_toml_tables
from roomeq.importers.room_file.file import Finding, RoomFile
from roomeq.importers.room_file.schema import PresentTable, RoomTables
from roomeq.importers.room_file.table_rules import table_findings

MOST_SUBWOOFERS = 8
TOGETHER = "all"
"""What the measurement of all subwoofers together is called."""

_OF_THE_FEEDER: tuple[KeyPath, ...] = (
    *(("profile",), ("delay_highest_ms",)),
    *(("present", key) for key in ("gains_db", "level_db", "delay_ms")),
)


def inconsistencies(room: RoomFile) -> Iterator[Finding]:
    """Yield what cannot be in a room file whose values are of the right kinds."""
    yield from table_findings(room)
    seats, subwoofers = ([one.name for one in listed] for listed in (room.seats, room.subwoofers))
    for kind, names in (("seat", seats), ("subwoofer", subwoofers)):
        for index, name in enumerate(names):
            if names.count(name) > 1:
                said = f"{kind} {name!r} is listed {names.count(name)} times"
                yield said, (f"{kind}s", index, "name"), "list each once; repeats are measurements"
    for check in (_played, _files, _seats, _equipment, _times, _measured_alone, _subwoofers):
        yield from check(room)


def _played(room: RoomFile) -> Iterator[Finding]:
    """Yield that nothing was measured, or that it is not told what played or in which path."""
    if not room.measurements:
        remedy = 'write a table [[measurements]] with file = "..." for each'
        yield "there is no measurement", ("measurements",), remedy
    for index, entry in enumerate(room.measurements):
        if entry.kind == "sweep" and room.sweep is None:
            remedy = 'add [sweep] with description = "....json" (written beside the sweep)'
            yield "it is not said what was played", ("measurements", index, "kind"), remedy
    if room.target.level_from == "mains" and all(m.source != "mains" for m in room.measurements):
        remedy = 'add a measurement with source = "mains", or give level_spl_db'
        said = "the level is to come from the mains, which were not measured"
        yield said, ("target", "level_from"), remedy
    for index, one in enumerate(room.mains_path):
        if one.kind == "low_pass":
            said = "a low-pass in the mains' path is no part of a crossover to a subwoofer"
            remedy = 'kind = "high_pass"; the subwoofer\'s low-pass belongs into [[path]]'
            yield said, ("mains_path", index, "kind"), remedy


def _files(room: RoomFile) -> Iterator[Finding]:
    for role, path, file in room.named_files():
        if role == "device_profile" and not file.lower().endswith(".toml"):
            continue  # the name of a shipped one, or looked for when the device is read
        if not file or not room.resolve(file).is_file():
            yield f"there is no file {file!r}", path, _file_remedy(room, file)


def _file_remedy(room: RoomFile, file: str) -> str:
    if "\\" in file:
        return "write / between folders"
    wanted = room.resolve(file)
    if file and wanted.is_dir():
        return "this is a folder: name one file"
    if file and wanted.exists():
        return "this is a pipe or device: name a file"
    beside = wanted.parent.iterdir() if wanted.parent.is_dir() else ()
    lowered = {entry.name.lower(): entry.name for entry in sorted(beside) if entry.is_file()}
    close = difflib.get_close_matches(wanted.name.lower(), lowered, n=1, cutoff=0.6)
    if close:
        return f"nearest there: {(Path(file).parent / lowered[close[0]]).as_posix()!r}"
    return "file names are relative to the folder of the room file"


def _seats(room: RoomFile) -> Iterator[Finding]:
    measured: list[tuple[str, KeyPath]] = []
    for index, entry in enumerate(room.measurements):
        if entry.seat is not None:
            measured.append((entry.seat, ("measurements", index, "seat")))
        for seat in entry.columns or ():
            measured.append((seat, ("measurements", index, "columns", seat)))
    # The seats of typed levels are known once the table is read.
    complete = all(entry.kind != "band_levels" or entry.seat for entry in room.measurements)
    yield from seat_findings(room, measured, complete=complete)


def seat_findings(
    room: RoomFile, measured: Iterable[tuple[str, KeyPath]], *, complete: bool = True
) -> Iterator[Finding]:
    """Yield where measured seats and listed seats do not agree.

    Parameters
    ----------
    room : RoomFile
        The room file; without ``[[seats]]`` nothing is yielded.
    measured : iterable of (seat, key path)
        Each measured seat and where it is named.
    complete : bool
        Whether all measured seats are among them, so that a listed seat can be missing.
    """
    if not room.seats:
        return
    listed = [seat.name for seat in room.seats]
    found = set()
    for seat, path in measured:
        found.add(seat)
        if seat not in listed:
            close = difflib.get_close_matches(seat, listed, n=1, cutoff=0.0)
            remedy = f"the nearest listed is {close[0]!r}; or list it"
            yield f"seat {seat!r} is not listed in [[seats]]", path, remedy
    for index, name in enumerate(listed):
        if complete and name not in found:
            remedy = "add its measurement, or take it off the list"
            yield f"seat {name!r} is listed but never measured", ("seats", index, "name"), remedy


def _equipment(room: RoomFile) -> Iterator[Finding]:
    """Yield what does not go together on driver, high-pass and delay of each subwoofer."""
    for one in (room, *(room.of_subwoofer(index) for index in range(len(room.subwoofers)))):
        if one.driver is not None and one.box is None:
            said = "how far a driver moves depends on its box, which is not stated"
            yield said, one.written(("driver",)), "add its box, or leave the driver out"
        own = one.device.present.protection
        for index, entry in enumerate(room.path):
            twice = own is not None and entry.corner == own.corner
            if twice and entry.kind == "high_pass" and not entry.where:
                remedy = (
                    "the device's own belongs into [device.present.protection] alone; for another "
                    'one say where = "..."'
                )
                said = f"a high-pass at {entry.corner:g} Hz is stated twice"
                yield said, ("path", index, "corner"), remedy
    offered, delay_ms = room.processor, room.device.present.delay_ms
    if offered is None or offered.delay_lowest_ms is None or offered.delay_highest_ms is None:
        return
    lowest, highest = offered.delay_lowest_ms, offered.delay_highest_ms
    if delay_ms is not None and not lowest <= delay_ms <= highest:
        said = f"{delay_ms:g} ms is none that [processor] offers ({lowest:g} to {highest:g} ms)"
        remedy = "correct one of them; a delay of the subwoofer is positive, of the mains negative"
        yield said, ("device", "present", "delay_ms"), remedy


def _times(room: RoomFile) -> Iterator[Finding]:
    """Yield what contradicts a stated common time reference."""
    if room.timing is None or not room.timing.common_reference:
        return
    several = {entry.subwoofer or entry.place for entry in room.measurements} - {None}
    if not several and not {entry.source for entry in room.measurements} & {"mains", "both"}:
        remedy = 'add measurements with source = "mains", or leave [timing] out'
        said = "a common time reference is stated, but the mains were not measured"
        yield said, ("timing", "common_reference"), remedy
    if room.timing.subwoofer is not None:
        said = (
            "with a common time reference the phase tells whether the subwoofer is "
            f"{room.timing.subwoofer}: it needs no statement"
        )
        yield said, ("timing", "subwoofer"), "take one of the two back"
    for index, entry in enumerate(room.measurements):
        without = {
            "sweep": "was recorded without a loopback: it has no absolute time",
            "band_levels": "holds band levels: they have no phase to be compared",
        }.get(entry.kind)
        if entry.source in ("sub", "mains") and without and entry.loopback_channel is None:
            remedy = "measure it with a loopback, or take back common_reference = true"
            yield f"{entry.file!r} {without}", ("measurements", index), remedy


def _measured_alone(room: RoomFile) -> Iterator[Finding]:
    """Yield measurements whose subwoofer or place does not fit the others."""
    names, tried = [one.name for one in room.subwoofers], dict[str, str | None]()
    listed = ", ".join(map(repr, names))
    for index, entry in enumerate(room.measurements):
        path = ("measurements", index)
        if entry.subwoofer is not None and entry.subwoofer not in (*names, TOGETHER):
            said = f"subwoofer {entry.subwoofer!r} is not listed in [[subwoofers]]"
            yield said, (*path, "subwoofer"), f"listed: {listed or 'none'}; or list it"
        if entry.place is None:
            if names and entry.source == "sub" and entry.subwoofer is None:
                remedy = f'write subwoofer = ..., one of {listed}; "all" for all of them together'
                yield f"it is not said which subwoofer {entry.file!r} was measured of", path, remedy
            continue
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


def _subwoofers(room: RoomFile) -> Iterator[Finding]:
    """Yield what does not go together in the tables of several subwoofers."""
    measured = {entry.subwoofer for entry in room.measurements if entry.place is None}
    by_name = {one.name: one for one in room.subwoofers}
    first = ", ".join(repr(one.name) for one in room.subwoofers if one.fed_by is None)
    if not room.subwoofers:
        return
    if not 2 <= len(room.subwoofers) <= MOST_SUBWOOFERS:
        remedy = f"2 to {MOST_SUBWOOFERS}; one alone needs no table"
        yield f"{len(room.subwoofers)} subwoofers are listed", ("subwoofers",), remedy
    for index, one in enumerate(room.subwoofers):
        path: KeyPath = ("subwoofers", index)
        if one.name == TOGETHER:
            remedy = "another name: this one is for the measurement of all together"
            yield f"{TOGETHER!r} is no name of a subwoofer", (*path, "name"), remedy
        if one.name not in measured:
            remedy = f"add its measurement with subwoofer = {one.name!r}, the others switched off"
            said = f"subwoofer {one.name!r} is listed but never measured alone"
            yield said, (*path, "name"), remedy
        if one.fed_by is None:
            continue
        feeder = by_name.get(one.fed_by)
        if feeder is None or feeder is one or feeder.fed_by is not None:
            said = (
                f"{one.fed_by!r} feeds nothing: it is not listed, this one itself, or fed as well"
            )
            remedy = f"name the one whose device is the first: {first or 'none'}"
            yield said, (*path, "fed_by"), remedy
        for *at, key in _OF_THE_FEEDER:
            if getattr(one.present if at else one, str(key)) is not None:
                said = f"{key!r} of a fed subwoofer is that of {one.fed_by!r}"
                yield said, (*path, *at, key), "state it there, or leave fed_by out"
    for key in PresentTable.__struct_fields__:
        if key != "delay_ms" and getattr(room.device.present, key) is not None:
            remedy = "state it under [subwoofers.present], below the [[subwoofers]] that it is of"
            yield f"{key!r} belongs to each of the subwoofers", ("device", "present", key), remedy


FORMAT = 1
"""Format version of the room file that this release reads."""

ROOM_FILE_NAME = "room.toml"

_NONE_ALLOWED = ("path", "mains_path")

_EXAMPLES = {
    "name": 'name = "..."',
    "measurements": 'a table [[measurements]] with file = "..." for each measurement',
    "file": 'file = "..."',
    "family": 'family = "linkwitz_riley" or "butterworth"',
    "kind": 'kind = "low_pass" or "high_pass" for a filter, "closed" or "vented" for a box',
    "ratings": "a table [[amplifier.ratings]] with power_w and load_ohm for each rating",
}


def read_room_file(folder_or_file: str | PathLike[str]) -> RoomFile:
    """Read and check a room file.

    Parameters
    ----------
    folder_or_file : path-like
        The TOML file, or the folder that holds it as ``room.toml``.

    Returns
    -------
    RoomFile
        Measurements are not read yet; see `roomeq.importers.survey_files.read_survey`.

    Raises
    ------
    RoomFileError
        If there is no such file; it is not TOML in UTF-8; a key is unknown, missing, of the wrong
        kind or out of range; options contradict each other; or a file it names does not exist.
    """
    location = Path(folder_or_file)
    if location.is_dir():
        location = location / ROOM_FILE_NAME
    read = read_toml_tables(
        location,
        RoomTables,
        error_class=RoomFileError,
        version=FORMAT,
        examples=_EXAMPLES,
        none_allowed=_NONE_ALLOWED,
        choice_remedies={
            "source": 'each of several subwoofers is measured alone: source = "sub", subwoofer = '
            '"front", with a table [[subwoofers]] for each'
        },
        missing_remedy=f"give the folder that holds {ROOM_FILE_NAME}, or the TOML file itself",
    )
    written = {name: getattr(read.tables, name) for name in RoomTables.__struct_fields__}
    room_file = RoomFile(location=location, lines=read.lines, **written)
    for message, path, remedy in inconsistencies(room_file):
        raise room_file.fault(message, *path, remedy=remedy)
    return room_file
