"""Checks of a room file that go beyond each value by itself: names, files, contradictions.

Conventions
-----------
Every check states what is accepted; numbers are known to be finite already. A check yields findings
in the order of the file; the reader raises the first. Nothing is repaired. Channels count from 1.
"""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from roomeq.base.toml_lines import KeyPath
from roomeq.importers.room_file.equipment_checks import equipment_findings
from roomeq.importers.room_file.file import Finding, RoomFile, both_given, findings_in, needs_one
from roomeq.importers.room_file.schema import (
    CalibrationTable,
    MeasurementTable,
    MicrophoneTable,
    SweepTable,
)
from roomeq.importers.room_file.subwoofer_checks import subwoofer_findings
from roomeq.importers.room_file.wanted_schema import TargetTable

_SHAPE_KEYS = {
    "flat": (),
    "tilt": ("tilt_db_per_octave",),
    "shelf": ("shelf_gain_db", "shelf_corner"),
    "points": ("file",),
}


def inconsistencies(room: RoomFile) -> Iterator[Finding]:
    """Yield what cannot be in a room file whose values are of the right kinds."""
    yield from _names(room)
    for index, entry in enumerate(room.measurements):
        yield from findings_in(entry, ("measurements", index), _measurement)
    sweeps = [i for i, entry in enumerate(room.measurements) if entry.kind == "sweep"]
    if sweeps and room.sweep is None:
        yield (
            "it is not said what was played",
            ("measurements", sweeps[0], "kind"),
            'add [sweep] with description = "....json" (written beside the sweep)',
        )
    yield from findings_in(room.sweep, ("sweep",), _sweep)
    yield from findings_in(room.calibration, ("calibration",), _calibration)
    yield from _files(room)
    yield from _seats(room)
    yield from findings_in(room.microphone, ("microphone",), _microphone)
    yield from _target(room)
    yield from equipment_findings(room)
    yield from subwoofer_findings(room)


def _names(room: RoomFile) -> Iterator[Finding]:
    if not room.name.strip():
        yield "the room has no name", ("name",), "give it one"
    if not room.measurements:
        yield (
            "there is no measurement",
            ("measurements",),
            'write a table [[measurements]] with file = "..." for each',
        )
    for index, seat in enumerate(room.seats):
        if not seat.name.strip():
            yield "a seat has no name", ("seats", index, "name"), "give it one"
        if not seat.weight > 0:
            yield (
                f"weight {seat.weight:g} is not positive",
                ("seats", index, "weight"),
                "a positive number; leave a seat out that is not to count",
            )
    counts = Counter(seat.name for seat in room.seats)
    for index, seat in enumerate(room.seats):
        if counts[seat.name] > 1:
            yield (
                f"seat {seat.name!r} is listed {counts[seat.name]} times",
                ("seats", index, "name"),
                "list each seat once; repeats are several [[measurements]] of it",
            )


def _measurement(entry: MeasurementTable) -> Iterator[Finding]:
    if entry.kind != "band_levels" and entry.seat is None and entry.columns is None:
        yield (
            f"it is not said at which seat {entry.file!r} was measured",
            (),
            'write seat = "...", or columns = { "seat" = column, ... } for several in one file',
        )
    if entry.seat is not None and not entry.seat.strip():
        yield "the seat has no name", ("seat",), "give it one"
    if entry.columns is not None:
        yield from _columns(entry, entry.columns)
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
    yield from _channels(entry)


def _columns(entry: MeasurementTable, columns: dict[str, int | str]) -> Iterator[Finding]:
    yield from both_given(entry, "seat", "columns")
    yield from both_given(entry, "level_column", "columns")
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


def _channels(entry: MeasurementTable) -> Iterator[Finding]:
    channels = {"channel": entry.channel, "loopback_channel": entry.loopback_channel}
    for key, channel in channels.items():
        if channel is None:
            continue
        if entry.kind != "sweep":
            yield (
                f"{key!r} is for a recorded sweep",
                (key,),
                'write kind = "sweep", or leave it out',
            )
        elif channel < 1:
            yield f"channel {channel} does not exist", (key,), "channels count from 1"
    if entry.kind == "sweep":
        if entry.loopback_channel is not None and entry.loopback_channel == (entry.channel or 1):
            yield (
                "microphone and loopback are the same channel",
                ("loopback_channel",),
                "name the other one",
            )
        if entry.weighting != "none":
            yield "a recorded sweep has no weighting", ("weighting",), "leave it out"
        if entry.columns is not None:
            yield "'columns' is for text exports", ("columns",), 'write seat = "..."'


def _sweep(given: SweepTable) -> Iterator[Finding]:
    remedy = "the JSON beside the sweep, or a recording of what was played"
    yield from needs_one(given, "description", "reference", remedy)


def _calibration(given: CalibrationTable) -> Iterator[Finding]:
    remedy = "a recording of the sound calibrator, or the stated sensitivity"
    yield from needs_one(given, "file", "level_dbfs", remedy)
    if not given.same_gain:
        yield (
            "the gain was not the same for calibration and sweeps",
            ("same_gain",),
            "leave [calibration] out: levels are then relative; or calibrate again",
        )


def _files(room: RoomFile) -> Iterator[Finding]:
    for role, path, file in room.named_files():
        if role == "device_profile" and not file.lower().endswith(".toml"):
            continue  # the name of a shipped one, or looked for when the device is read
        if not file or not room.resolve(file).is_file():
            yield f"there is no file {file!r}", path, _file_remedy(room, file)


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
            yield (
                f"seat {seat!r} is not listed in [[seats]]",
                path,
                f"the nearest listed is {close[0]!r}; or list it",
            )
    for index, name in enumerate(listed):
        if complete and name not in found:
            yield (
                f"seat {name!r} is listed but never measured",
                ("seats", index, "name"),
                "add its measurement, or take it off the list",
            )


def _microphone(given: MicrophoneTable) -> Iterator[Finding]:
    if given.file is None and given.kind is None and not given.already_applied:
        yield (
            "no file is given",
            (),
            'write file = "..." and kind = "...", or already_applied = true',
        )
    if given.file is None and given.kind is not None:
        yield "'kind' is given without a file", ("kind",), "name the file, or leave the kind out"
    if given.file is not None and given.already_applied:
        yield (
            "a file is given although the correction is already applied",
            ("already_applied",),
            "a correction is applied once: take out one of the two",
        )
    if given.file is not None and given.kind is None:
        yield (
            "it is not said what the file holds",
            ("file",),
            'kind = "response" (is subtracted) or kind = "correction" (is added)',
        )


def _target(room: RoomFile) -> Iterator[Finding]:
    yield from findings_in(room.target, ("target",), _shape)
    if room.target.level_from == "mains" and all(m.source != "mains" for m in room.measurements):
        yield (
            "the level is to come from the mains, which were not measured",
            ("target", "level_from"),
            'add a measurement with source = "mains", or give level_spl_db',
        )


def _shape(target: TargetTable) -> Iterator[Finding]:
    for shape, keys in _SHAPE_KEYS.items():
        for key in keys:
            given = getattr(target, key) is not None
            if given and target.shape != shape:
                yield (
                    f'{key!r} belongs to shape = "{shape}", not "{target.shape}"',
                    (key,),
                    "correct the shape, or leave the key out",
                )
            if not given and target.shape == shape:
                yield f'shape = "{shape}" needs {key!r}', ("shape",), f"write {key} = ..."
    yield from both_given(target, "lower_limit", "near_field_file")
    yield from both_given(target, "level_spl_db", "level_from")
