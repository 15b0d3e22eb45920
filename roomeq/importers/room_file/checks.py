"""Checks of a room file that go beyond each value by itself: names, files, contradictions.

Conventions
-----------
Every check states what is accepted; numbers are known to be finite already. A check yields
`Finding` values in the order of the file; the reader raises the first.
"""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from roomeq.base.toml_lines import KeyPath
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.findings import Finding
from roomeq.importers.room_file.headroom_checks import headroom_findings
from roomeq.importers.room_file.joining_checks import joining_findings
from roomeq.importers.room_file.schema import MeasurementTable
from roomeq.importers.room_file.sweep_checks import excitation_findings, sweep_contradictions

__all__ = ["Finding", "inconsistencies", "seat_findings"]

_SHAPE_KEYS = {
    "flat": (),
    "tilt": ("tilt_db_per_octave",),
    "shelf": ("shelf_gain_db", "shelf_corner"),
    "points": ("file",),
}


def inconsistencies(room: RoomFile) -> Iterator[Finding]:
    """Yield what cannot be in a room file whose values are of the right kinds."""
    yield from _names(room)
    yield from _measurements(room)
    yield from excitation_findings(room)
    yield from _files(room)
    yield from _seats(room)
    yield from _microphone(room)
    yield from _target(room)
    yield from headroom_findings(room)
    yield from joining_findings(room)


def _names(room: RoomFile) -> Iterator[Finding]:
    if not room.name.strip():
        yield Finding(message="the room has no name", path=("name",), remedy="give it one")
    if not room.measurements:
        yield Finding(
            message="there is no measurement",
            path=("measurements",),
            remedy='write a table [[measurements]] with file = "..." for each',
        )
    for index, seat in enumerate(room.seats):
        if not seat.name.strip():
            yield Finding(
                message="a seat has no name", path=("seats", index, "name"), remedy="give it one"
            )
        if not seat.weight > 0:
            yield Finding(
                message=f"weight {seat.weight:g} is not positive",
                path=("seats", index, "weight"),
                remedy="a positive number; leave a seat out that is not to count",
            )
    counts = Counter(seat.name for seat in room.seats)
    for index, seat in enumerate(room.seats):
        if counts[seat.name] > 1:
            yield Finding(
                message=f"seat {seat.name!r} is listed {counts[seat.name]} times",
                path=("seats", index, "name"),
                remedy="list each seat once; repeats are several [[measurements]] of it",
            )


def _measurements(room: RoomFile) -> Iterator[Finding]:
    for index, entry in enumerate(room.measurements):
        for message, key, remedy in _entry_contradictions(entry):
            yield Finding(message=message, path=("measurements", index, *key), remedy=remedy)


def _entry_contradictions(
    entry: MeasurementTable,
) -> Iterator[tuple[str, tuple[str, ...], str]]:
    if entry.kind != "band_levels" and entry.seat is None and entry.columns is None:
        yield (
            f"it is not said at which seat {entry.file!r} was measured",
            (),
            'write seat = "...", or columns = { "seat" = column, ... } for several in one file',
        )
    if entry.seat is not None and not entry.seat.strip():
        yield "the seat has no name", ("seat",), "give it one"
    if entry.columns is not None:
        yield from _column_contradictions(entry, entry.columns)
    if entry.source == "mains" and entry.route == "subwoofer_output":
        yield (
            f'source "mains" contradicts route "{entry.route}"',
            ("route",),
            "the mains do not play through the subwoofer output: correct one of them",
        )
    for key in entry.reading_settings():
        if entry.kind == "band_levels" and key not in ("decimal", "delimiter", "encoding"):
            yield (
                f"{key!r} is for text exports, not for a table of band levels",
                (key,),
                "leave it out: rows and columns are found from the nominal frequencies",
            )
        if entry.kind == "sweep":
            yield f"{key!r} is for text exports, not for a recorded sweep", (key,), "leave it out"
    yield from sweep_contradictions(entry)


def _column_contradictions(
    entry: MeasurementTable, columns: dict[str, int | str]
) -> Iterator[tuple[str, tuple[str, ...], str]]:
    if entry.seat is not None:
        yield "both 'seat' and 'columns' are given", ("columns",), "give one of them"
    if entry.level_column is not None:
        yield "both 'level_column' and 'columns' are given", ("columns",), "give one of them"
    if entry.kind == "band_levels":
        yield (
            "'columns' is for text exports; a table of band levels names its own seats",
            ("columns",),
            "leave it out",
        )
    if not columns or not all(seat.strip() for seat in columns):
        yield "needs a column for each named seat", ("columns",), '{ "seat" = column, ... }'
    counts = Counter(columns.values())
    for seat, column in columns.items():
        if counts[column] > 1:
            yield (
                f"column {column!r} is given to {counts[column]} seats",
                ("columns", seat),
                "one recording belongs to one seat",
            )


def _files(room: RoomFile) -> Iterator[Finding]:
    for role, path, file in room.named_files():
        if role == "device_profile" and not file.lower().endswith(".toml"):
            continue  # the name of a shipped one, or looked for when the device is read
        if not file or not room.resolve(file).is_file():
            yield Finding(
                message=f"there is no file {file!r}", path=path, remedy=_file_remedy(room, file)
            )


def _file_remedy(room: RoomFile, file: str) -> str:
    if "\\" in file:
        return "write / between folders"
    if file and room.resolve(file).is_dir():
        return "this is a folder: name one file"
    wanted = room.resolve(file)
    present = []
    if wanted.parent.is_dir():
        present = sorted(entry.name for entry in wanted.parent.iterdir() if entry.is_file())
    lowered = {name.lower(): name for name in present}
    close = difflib.get_close_matches(wanted.name.lower(), lowered, n=1, cutoff=0.6)
    if close:
        near = (Path(file).parent / lowered[close[0]]).as_posix()
        return f"nearest there: {near!r}"
    return "file names are relative to the folder of the room file"


def _seats(room: RoomFile) -> Iterator[Finding]:
    measured: list[tuple[str, KeyPath]] = []
    complete = True
    for index, entry in enumerate(room.measurements):
        if entry.seat is not None:
            measured.append((entry.seat, ("measurements", index, "seat")))
        for seat in entry.columns or ():
            measured.append((seat, ("measurements", index, "columns", seat)))
        if entry.kind == "band_levels" and entry.seat is None:
            complete = False  # its seats are known once the table is read
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
            yield Finding(
                message=f"seat {seat!r} is not listed in [[seats]]",
                path=path,
                remedy=f"the nearest listed is {close[0]!r}; or list it",
            )
    for index, name in enumerate(listed):
        if complete and name not in found:
            yield Finding(
                message=f"seat {name!r} is listed but never measured",
                path=("seats", index, "name"),
                remedy="add its measurement, or take it off the list",
            )


def _microphone(room: RoomFile) -> Iterator[Finding]:
    microphone = room.microphone
    if microphone is None:
        return
    if microphone.file is None and microphone.kind is None and not microphone.already_applied:
        yield Finding(
            message="no file is given",
            path=("microphone",),
            remedy='write file = "..." and kind = "...", or already_applied = true',
        )
    if microphone.file is None and microphone.kind is not None:
        yield Finding(
            message="'kind' is given without a file",
            path=("microphone", "kind"),
            remedy="name the file, or leave the kind out",
        )
    if microphone.file is not None and microphone.already_applied:
        yield Finding(
            message="a file is given although the correction is already applied",
            path=("microphone", "already_applied"),
            remedy="a correction is applied once: take out one of the two",
        )
    if microphone.file is not None and microphone.kind is None:
        yield Finding(
            message="it is not said what the file holds",
            path=("microphone", "file"),
            remedy='kind = "response" (is subtracted) or kind = "correction" (is added)',
        )


def _target(room: RoomFile) -> Iterator[Finding]:
    target = room.target
    for shape, keys in _SHAPE_KEYS.items():
        for key in keys:
            given = getattr(target, key) is not None
            if given and target.shape != shape:
                yield Finding(
                    message=f'{key!r} belongs to shape = "{shape}", not "{target.shape}"',
                    path=("target", key),
                    remedy="correct the shape, or leave the key out",
                )
            if not given and target.shape == shape:
                yield Finding(
                    message=f'shape = "{shape}" needs {key!r}',
                    path=("target", "shape"),
                    remedy=f"write {key} = ...",
                )
    for one, other in (("lower_limit", "near_field_file"), ("level_spl_db", "level_from")):
        if getattr(target, one) is not None and getattr(target, other) is not None:
            yield Finding(
                message=f"both {one!r} and {other!r} are given",
                path=("target", other),
                remedy="give one of them",
            )
    if target.level_from == "mains" and all(m.source != "mains" for m in room.measurements):
        yield Finding(
            message="the level is to come from the mains, which were not measured",
            path=("target", "level_from"),
            remedy='add a measurement with source = "mains", or give level_spl_db',
        )
