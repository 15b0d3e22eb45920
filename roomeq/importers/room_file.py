"""Room file: everything about a room that the measurements themselves do not say.

Conventions
-----------
``room.toml`` lies in the folder of the room; file names in it are relative to that folder, absolute
ones go as written. Units as in `roomeq.importers.room_schema`. Every fault raises `RoomFileError`
with file, line, key, value and remedy; nothing is repaired silently and unknown keys are refused.
"""

from __future__ import annotations

import datetime
import difflib
import math
import re
import tomllib
from os import PathLike
from pathlib import Path
from typing import Any, get_args

import msgspec

from roomeq.errors import RoomFileError
from roomeq.importers.room_checks import Finding, inconsistencies
from roomeq.importers.room_schema import RoomTables
from roomeq.importers.toml_lines import KeyPath, key_lines, key_name, line_of

__all__ = ["FORMAT", "ROOM_FILE_NAME", "RoomFile", "read_room_file"]

FORMAT = 1
"""Format version of the room file that this release reads."""

ROOM_FILE_NAME = "room.toml"

_INFINITE_ALLOWED: set[KeyPath] = {("fit", "tail_start_db")}


class RoomFile(RoomTables, frozen=True, kw_only=True):
    """A room file: the tables of `RoomTables`, and where they stand.

    Attributes
    ----------
    location : Path
        The room file itself.
    lines : dict
        Line of each key, by its path; see `roomeq.importers.toml_lines`.
    """

    location: Path
    lines: dict[KeyPath, int]

    @property
    def folder(self) -> Path:
        """Folder of the room, to which file names are relative."""
        return self.location.parent

    def resolve(self, file: str) -> Path:
        """Return the path of a file named in the room file."""
        return self.folder / file

    def states(self, *path: str | int) -> bool:
        """Return whether a key is written in the file, rather than left at its default."""
        return path in self.lines

    def fault(self, message: str, *path: str | int, remedy: str | None = None) -> RoomFileError:
        """Return (not raise) the error that points at a key of this file."""
        return _fault(self.location, self.lines, message, path, remedy)


def _fault(
    location: Path,
    lines: dict[KeyPath, int],
    message: str,
    path: KeyPath,
    remedy: str | None,
) -> RoomFileError:
    return RoomFileError(
        message,
        path=location,
        line=line_of(lines, path),
        where=key_name(path) or None,
        remedy=remedy,
    )


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
    text = _read_text(location)
    raw = _parse(text, location)
    lines = key_lines(text)
    _check_numbers(raw, location, lines)
    tables = _convert(_dates_as_text(raw), location, lines)
    names = RoomTables.__struct_fields__
    room_file = RoomFile(
        location=location, lines=lines, **{name: getattr(tables, name) for name in names}
    )
    if room_file.format != FORMAT:
        raise room_file.fault(
            f"format {room_file.format} is not known",
            "format",
            remedy=f"this release reads format = {FORMAT}; a later one may read this file",
        )
    for finding in inconsistencies(room_file):
        raise _as_error(room_file, finding)
    return room_file


def _as_error(room_file: RoomFile, finding: Finding) -> RoomFileError:
    return room_file.fault(finding.message, *finding.path, remedy=finding.remedy)


def _read_text(location: Path) -> str:
    try:
        data = location.read_bytes()
    except FileNotFoundError:
        raise RoomFileError(
            "there is no such file",
            path=location,
            remedy=f"give the folder that holds {ROOM_FILE_NAME}, or the TOML file itself",
        ) from None
    except OSError as error:
        raise RoomFileError(f"cannot be read: {error.strerror}", path=location) from error
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise RoomFileError(
            f"byte {data[error.start]:#04x} is not UTF-8",
            path=location,
            line=data.count(b"\n", 0, error.start) + 1,
            remedy="save the file as UTF-8",
        ) from None


def _parse(text: str, location: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = re.fullmatch(
            r"(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)", str(error)
        )
        message, line, column = said.groups() if said else (str(error), None, None)
        raise RoomFileError(
            f"not valid TOML: {message}",
            path=location,
            line=int(line) if line else max(1, len(text.splitlines())),
            where=f"column {column}" if column else None,
            remedy='text stands in "quotes", numbers have a decimal point, a key occurs once',
        ) from None


def _dates_as_text(value: Any) -> Any:
    """Return the parsed tables with dates and times as the text they were written as."""
    if isinstance(value, dict):
        return {key: _dates_as_text(entry) for key, entry in value.items()}
    if isinstance(value, list):
        return [_dates_as_text(entry) for entry in value]
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return value


def _check_numbers(
    value: Any, location: Path, lines: dict[KeyPath, int], path: KeyPath = ()
) -> None:
    """Refuse ``nan`` everywhere and ``inf`` except where it has a meaning."""
    if isinstance(value, dict | list):
        entries = value.items() if isinstance(value, dict) else enumerate(value)
        for key, entry in entries:
            _check_numbers(entry, location, lines, (*path, key))
    elif isinstance(value, float) and not math.isfinite(value):
        if value > 0 and path in _INFINITE_ALLOWED:
            return
        raise _fault(location, lines, f"{value} is not a usable number", path, "a finite number")


def _convert(raw: dict[str, Any], location: Path, lines: dict[KeyPath, int]) -> RoomTables:
    try:
        return msgspec.convert(raw, RoomTables)
    except msgspec.ValidationError as error:
        message, path = _taken_apart(str(error))
    unknown = re.fullmatch(r"Object contains unknown field `(.*)`", message)
    if unknown:
        key = unknown.group(1)
        remedy = _nearest_key(key, path)
        raise _fault(location, lines, f"unknown key {key!r}", (*path, key), remedy) from None
    missing = re.fullmatch(r"Object missing required field `(.*)`", message)
    if missing:
        key = missing.group(1)
        said = f"{key!r} is missing"
        remedy = f"write {_EXAMPLES.get(key, f'{key} = ...')}"
        raise _fault(location, lines, said, path, remedy) from None
    value = _value_at(raw, path)
    said = f"{_as_written(value)} will not do"
    raise _fault(location, lines, said, path, _wanted(message, path, value)) from None


_EXAMPLES = {
    "format": f"format = {FORMAT} at the top of the file",
    "name": 'name = "..."',
    "measurements": 'a table [[measurements]] with file = "..." for each measurement',
    "file": 'file = "..."',
    "family": 'family = "linkwitz_riley" or "butterworth"',
    "kind": 'kind = "low_pass" or "high_pass"',
}

_KINDS = {
    "float": "a number",
    "int": "a whole number",
    "str": 'text in "quotes"',
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "null": "",
}


def _taken_apart(error: str) -> tuple[str, KeyPath]:
    """Split the validator's message into what it says and the key path it says it of."""
    message, _, place = error.partition(" - at `$")
    path: list[str | int] = []
    for key, index in re.findall(r"\.(\w+)|\[(\d+)\]", place):
        path.append(key or int(index))
    return message, tuple(path)


def _value_at(raw: Any, path: KeyPath) -> Any:
    for key in path:
        raw = raw[key]
    return raw


def _as_written(value: Any) -> str:
    if isinstance(value, dict):
        return "a table { ... }"
    if isinstance(value, list):
        return "a list [ ... ]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def _wanted(message: str, path: KeyPath, value: Any) -> str:
    choices = _choices_at(path)
    if message.startswith("Invalid enum value") and choices:
        listed = ", ".join(f'"{choice}"' for choice in choices)
        close = difflib.get_close_matches(str(value), choices, n=1, cutoff=0.5)
        return f"one of {listed}" + (f'; "{close[0]}" is nearest' if close else "")
    expected = re.match(r"Expected `([^`]*)`", message)
    if expected is None:
        return message
    kinds = [_KINDS.get(kind, kind) for kind in expected.group(1).split(" | ")]
    wanted = f"needs {' or '.join(kind for kind in kinds if kind)}"
    if isinstance(value, dict) and "array" in expected.group(1) and len(path) == 1:
        wanted = f"write [[{path[0]}]] with double brackets, once for each"
    if isinstance(value, list) and "object" in expected.group(1) and len(path) == 1:
        wanted = f"write [{path[0]}] with single brackets, once"
    return wanted


def _type_at(path: KeyPath) -> Any:
    """Return the annotated type at a key path."""
    found: Any = RoomTables
    for key in path:
        table = _table_in(found)
        if isinstance(key, int) or table is None:
            continue
        fields = {field.encode_name: field.type for field in msgspec.structs.fields(table)}
        found = fields.get(key)
    return found


def _table_in(annotation: Any) -> type[msgspec.Struct] | None:
    """Return the table type within an annotation such as ``tuple[SeatTable, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, msgspec.Struct):
        return annotation
    return next(filter(None, map(_table_in, get_args(annotation))), None)


def _choices_at(path: KeyPath) -> tuple[str, ...]:
    """Return the words allowed at a key path."""

    def words(annotation: Any) -> list[str]:
        if isinstance(annotation, str):
            return [annotation]
        return [word for part in get_args(annotation) for word in words(part)]

    return tuple(words(_type_at(path)))


def _nearest_key(key: str, path: KeyPath) -> str:
    """Say which known key was probably meant: a similar one here, or the same one elsewhere."""
    table = _table_in(_type_at(path)) or RoomTables
    known = table.__struct_fields__
    for name in RoomTables.__struct_fields__:
        other = _table_in(_type_at((name,)))
        if other is not None and other is not table and key in other.__struct_fields__:
            return f"this key belongs into the table {name!r}"
    if path and key in RoomTables.__struct_fields__:
        return "this key belongs at the top, before the first [table]"
    close = difflib.get_close_matches(key.lower(), known, n=1, cutoff=0.0)
    return f"the nearest known key is {close[0]!r}; known here: {', '.join(known)}"
