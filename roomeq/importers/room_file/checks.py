"""Checks of a room file that go beyond the kind of each value: ranges, files, contradictions.

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
from roomeq.importers.room_file.findings import Finding, outside
from roomeq.importers.room_file.headroom_checks import headroom_findings
from roomeq.importers.room_file.joining_checks import CORNER_SPAN, joining_findings
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
    yield from _ranges(room)
    yield from _microphone(room)
    yield from _crossover(room)
    yield from _target(room)
    yield from _limits(room)
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


def _named_files(room: RoomFile) -> Iterator[tuple[KeyPath, str]]:
    for index, entry in enumerate(room.measurements):
        yield ("measurements", index, "file"), entry.file
    if room.microphone is not None and room.microphone.file is not None:
        yield ("microphone", "file"), room.microphone.file
    if room.sweep is not None:
        for key in ("description", "reference"):
            if (file := getattr(room.sweep, key)) is not None:
                yield ("sweep", key), file
    if room.calibration is not None and room.calibration.file is not None:
        yield ("calibration", "file"), room.calibration.file
    if room.device.profile is not None and room.device.profile.lower().endswith(".toml"):
        yield ("device", "profile"), room.device.profile
    if room.target.file is not None:
        yield ("target", "file"), room.target.file
    if room.target.near_field_file is not None:
        yield ("target", "near_field_file"), room.target.near_field_file
    if room.output is not None and room.output.file is not None:
        yield ("output", "file"), room.output.file
    if room.path_response is not None:
        yield ("path_response", "file"), room.path_response.file


def _files(room: RoomFile) -> Iterator[Finding]:
    for path, file in _named_files(room):
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


def _ranges(room: RoomFile) -> Iterator[Finding]:
    repeats = room.levels.repeatability_db
    yield from outside(repeats, ("levels", "repeatability_db"), 0.01, 10.0, "dB")
    present = room.device.present
    gains = present.gains_db or ()
    entries = gains.items() if isinstance(gains, dict) else enumerate(gains)
    for key, gain in entries:
        yield from outside(gain, ("device", "present", "gains_db", key), -60.0, 30.0, "dB")
        if isinstance(key, str) and not _is_positive_number(key):
            yield Finding(
                message=f"{key!r} is not the centre of a band",
                path=("device", "present", "gains_db", key),
                remedy='nominal centres in quotes, as { "31.5" = -3.0 }',
            )
    yield from outside(present.level_db, ("device", "present", "level_db"), -100.0, 40.0, "dB")
    phase_path = ("device", "present", "phase_deg")
    yield from outside(present.phase_deg, phase_path, -360.0, 360.0, "degrees")
    if room.room is not None:
        for key in ("length", "width", "height"):
            size = getattr(room.room, key)
            yield from outside(size, ("room", key), 0.5, 100.0, "m", "lengths are in metres")
        temperature = room.room.temperature
        yield from outside(
            temperature,
            ("room", "temperature"),
            -20.0,
            50.0,
            "degrees Celsius",
            "not in degrees Fahrenheit",
        )


def _is_positive_number(text: str) -> bool:
    try:
        return 0.0 < float(text) < float("inf")
    except ValueError:
        return False


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


def _crossover(room: RoomFile) -> Iterator[Finding]:
    if room.crossover is not None:
        yield from outside(room.crossover.corner, ("crossover", "corner"), *CORNER_SPAN, "Hz")


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
    tilt_path = ("target", "tilt_db_per_octave")
    yield from outside(target.tilt_db_per_octave, tilt_path, -12.0, 12.0, "dB per octave")
    yield from outside(target.shelf_gain_db, ("target", "shelf_gain_db"), -20.0, 20.0, "dB")
    yield from outside(target.shelf_corner, ("target", "shelf_corner"), *CORNER_SPAN, "Hz")
    yield from outside(target.lower_limit, ("target", "lower_limit"), 5.0, 120.0, "Hz")
    yield from outside(target.level_spl_db, ("target", "level_spl_db"), 30.0, 130.0, "dB SPL")


def _limits(room: RoomFile) -> Iterator[Finding]:
    limits, fit = room.limits, room.fit
    yield from outside(limits.filter_boost_db, ("limits", "filter_boost_db"), 0.0, 30.0, "dB")
    yield from outside(limits.drive_boost_db, ("limits", "drive_boost_db"), 0.0, 30.0, "dB")
    yield from outside(limits.no_boost_below, ("limits", "no_boost_below"), 5.0, 125.0, "Hz")
    for key in ("locked", "unlocked"):
        for index, centre in enumerate(getattr(limits, key)):
            yield from outside(centre, ("limits", key, index), 1.0, 20000.0, "Hz")
    for index, centre in enumerate(limits.unlocked):
        if centre in limits.locked:
            yield Finding(
                message=f"{centre:g} Hz is both locked and unlocked",
                path=("limits", "unlocked", index),
                remedy="take it out of one of the two",
            )
    yield from outside(fit.excess_weight, ("fit", "excess_weight"), 1.0, 100.0, "times")
