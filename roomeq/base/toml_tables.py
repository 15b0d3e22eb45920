"""Read a TOML file into validated tables, pointing at the line of every fault.

Conventions
-----------
The tables are frozen `msgspec` structures that refuse unknown keys. Every fault raises the error
class of the caller with file, line, key, value and remedy. Nothing is repaired silently.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any, Generic, TypeVar, get_args

import msgspec
from msgspec.structs import asdict

from roomeq.base.errors import FileFaultError
from roomeq.base.files import LARGEST_TABLES, file_bytes
from roomeq.base.toml_lines import KeyPath, entries_in, key_lines, key_name, line_of

Tables = TypeVar("Tables", bound=msgspec.Struct)

_DEEP = re.compile(r"^[ \t[]*(?:[\w-]+[ \t]*\.[ \t]*){50}", re.MULTILINE)  # a.a.a... = 1
_KINDS = {
    "float": "a number",
    "int": "a whole number",
    "str": 'text in "quotes"',
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "null": "",
}


class StrictTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table as it may be written: frozen, unknown keys refused."""

    def stated(self) -> dict[str, Any]:
        """Return what is not None, by name."""
        return {name: value for name, value in asdict(self).items() if value is not None}


@dataclass(frozen=True, slots=True)
class Plausible:
    """Annotation of a number in a table: from where to where a file may state it.

    Attributes
    ----------
    lowest, highest : float
    unit : str
    hint : str
        What else the reader may want to know.
    message, remedy : str
        What is said of a number outside.
    """

    lowest: float
    highest: float
    unit: str
    hint: str = ""
    message: str = "{value:g} {unit} is not plausible"
    remedy: str = "{lowest:g} to {highest:g} {unit} is accepted"

    def refusal(self, value: float) -> tuple[str, str] | None:
        """Return what is wrong with a number, and the remedy; None where it is accepted."""
        if self.lowest <= value <= self.highest:
            return None
        words = {name: getattr(self, name) for name in ("lowest", "highest", "unit")}
        remedy = self.remedy.format(**words) + (f"; {self.hint}" if self.hint else "")
        return self.message.format(value=value, **words), remedy


@dataclass(frozen=True, kw_only=True)
class TomlFile:
    """Where the keys of a file stand, and what a fault in it is raised as.

    Attributes
    ----------
    location : Path
        The file.
    lines : mapping
        Line of each key, by its path.
    error_class : type
        What a fault in this file is raised as.
    """

    location: Path
    lines: Mapping[KeyPath, int]
    error_class: type[FileFaultError]

    def fault(self, message: str, *path: str | int, remedy: str | None = None) -> FileFaultError:
        """Return (not raise) the error that points at a key of this file.

        Parameters
        ----------
        message : str
            What is wrong.
        *path : str or int
            The key; its line is that of the nearest key above it that is written.
        remedy : str, optional
            What the reader most likely has to do.
        """
        line, where = line_of(self.lines, path), key_name(path) or None
        return self.error_class(message, path=self.location, line=line, where=where, remedy=remedy)


@dataclass(frozen=True, kw_only=True)
class TomlTables(TomlFile, Generic[Tables]):
    """Validated tables, and where their keys stand.

    Attributes
    ----------
    tables : msgspec.Struct
    location, lines, error_class
        As for `TomlFile`.
    """

    tables: Tables


def read_toml_tables(
    location: Path,
    kind: type[Tables],
    *,
    error_class: type[FileFaultError],
    version: int = 1,
    examples: Mapping[str, str] | None = None,
    none_allowed: Collection[str] = (),
    missing_remedy: str | None = None,
    choice_remedies: Mapping[str, str] | None = None,
) -> TomlTables[Tables]:
    """Read and validate one TOML file.

    Parameters
    ----------
    location : Path
    kind : type
        The structure for the whole file.
    error_class : type
        Raised for every fault.
    version : int
        What the key ``format``, if the file is to have one, has to be.
    examples : mapping, optional
        What to write for a required key that is missing.
    none_allowed : collection of str
        Lists of tables at the top for which ``"none"`` may be written: there are said to be none.
    missing_remedy : str, optional
        What to do where there is no such file.
    choice_remedies : mapping, optional
        What to say instead of the nearest choice, by key.

    Raises
    ------
    FileFaultError
        As `error_class`: no such file, not TOML in UTF-8, or a key that is unknown, missing, of the
        wrong kind or not finite.
    """
    text = _read_text(location, error_class, missing_remedy)
    raw = _parse(text, location, error_class)
    file = TomlFile(location=location, lines=key_lines(text), error_class=error_class)
    reader = _Reader(
        kind=kind,
        examples={"format": f"format = {version} at the top of the file", **(examples or {})},
        none_allowed=none_allowed,
        choice_remedies=choice_remedies or {},
        **vars(file),
    )
    reader.check_numbers(raw)
    raw |= {key: [] for key in none_allowed if raw.get(key) == "none"}
    tables: Tables = reader.convert(msgspec.to_builtins(raw))  # dates as text
    written = getattr(tables, "format", version)
    if written != version:
        remedy = f"this release reads format = {version}; a later one may read this file"
        raise reader.fault(f"format {written} is not known", "format", remedy=remedy)
    return TomlTables(tables=tables, **vars(file))


def _read_text(
    location: Path, error_class: type[FileFaultError], missing_remedy: str | None
) -> str:
    fault = partial(error_class, path=location)
    try:
        data = file_bytes(
            location,
            largest=LARGEST_TABLES,
            error=error_class,
            remedy="responses stand in files of their own",
        )
    except FileNotFoundError:
        raise fault("there is no such file", remedy=missing_remedy) from None
    except OSError as error:
        raise fault(f"cannot be read: {error.strerror}") from error
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        said = f"byte {data[error.start]:#04x} is not UTF-8"
        line = data.count(b"\n", 0, error.start) + 1
        raise fault(said, line=line, remedy="save the file as UTF-8") from None


def _parse(text: str, location: Path, error_class: type[FileFaultError]) -> dict[str, Any]:
    fault, deep = partial(error_class, path=location), _DEEP.search(text)
    try:
        if deep is not None:  # which takes the parser time that grows with its square
            raise RecursionError
        return tomllib.loads(text)
    except RecursionError:
        line = None if deep is None else text.count("\n", 0, deep.start()) + 1
        remedy = "three levels are the most that any key needs"
        raise fault("tables or lists are nested too deeply", line=line, remedy=remedy) from None
    except tomllib.TOMLDecodeError as error:
        said = re.fullmatch(
            r"(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)", str(error)
        )
        message, row, column = said.groups() if said else (str(error), None, None)
        raise fault(
            f"not valid TOML: {message}",
            line=int(row) if row else max(1, len(text.splitlines())),
            where=f"column {column}" if column else None,
            remedy='text stands in "quotes", numbers have a decimal point, yes and no are true or '
            "false, a key occurs once",
        ) from None


@dataclass(frozen=True, kw_only=True)
class _Reader(TomlFile):
    """Turns parsed TOML into tables and faults into messages."""

    kind: type[msgspec.Struct]
    examples: Mapping[str, str]
    none_allowed: Collection[str]
    choice_remedies: Mapping[str, str]

    def check_numbers(self, raw: dict[str, Any]) -> None:
        """Refuse ``nan`` and ``inf``, and what is not plausible."""
        for path, value in entries_in(raw):
            if type(value) not in (int, float):
                continue
            if isinstance(value, float) and not math.isfinite(value):
                raise self.fault(f"{value} is not a usable number", *path, remedy="a finite number")
            span = plausible_span(self._type_at(path))
            if span is not None and (refusal := span.refusal(value)):
                raise self.fault(refusal[0], *path, remedy=refusal[1])

    def convert(self, raw: dict[str, Any]) -> Any:
        """Return the tables, or raise with the key, its value and the remedy."""
        try:
            return msgspec.convert(raw, self.kind)
        except msgspec.ValidationError as error:
            message, _, place = str(error).partition(" - at `$")
            found = re.findall(r"\.(\w+)|\[(\d+)\]", place)
            path: KeyPath = tuple(key or int(index) for key, index in found)
            if type(error.__cause__) is ValueError:  # by the table itself: its values contradict
                raise self.fault(message, *path) from None
        if unknown := re.fullmatch(r"Object contains unknown field `(.*)`", message):
            key = unknown.group(1)
            raise self.fault(
                f"unknown key {key!r}", *path, key, remedy=self._nearest_key(key, path)
            )
        if missing := re.fullmatch(r"Object missing required field `(.*)`", message):
            key = missing.group(1)
            remedy = f"write {self.examples.get(key, f'{key} = ...')}"
            raise self.fault(f"{key!r} is missing", *path, remedy=remedy)
        value: Any = raw
        for key in path:
            value = value[key]
        remedy = self._wanted(message, path, value)
        raise self.fault(f"{_as_written(value)} will not do", *path, remedy=remedy)

    def _wanted(self, message: str, path: KeyPath, value: Any) -> str:
        choices = _words(self._type_at(path))
        if message.startswith("Invalid enum value") and choices:
            listed = ", ".join(f'"{choice}"' for choice in choices)
            close = difflib.get_close_matches(str(value), choices, n=1, cutoff=0.5)
            nearest = f'"{close[0]}" is nearest' if close else ""
            said = self.choice_remedies.get(str(path[-1]), nearest)
            return f"one of {listed}" + (f"; {said}" if said else "")
        expected = re.match(r"Expected `([^`]*)`", message)
        if expected is None:
            return message
        if isinstance(value, list) and "object" in expected.group(1) and len(path) == 1:
            return f"write [{path[0]}] with single brackets, once"
        kinds = [_KINDS.get(kind, kind) for kind in expected.group(1).split(" | ")]
        if isinstance(value, dict) and "array" in expected.group(1) and len(path) == 1:
            return f"write [[{path[0]}]] with double brackets, once for each"
        if len(path) == 1 and path[0] in self.none_allowed:
            return f'write [[{path[0]}]] once for each, or {path[0]} = "none" if there are none'
        return f"needs {' or '.join(kind for kind in kinds if kind)}"

    def _type_at(self, path: KeyPath) -> Any:
        """Return the annotated type at a key path."""
        found: Any = self.kind
        for key in path:
            table = table_in(found)
            if isinstance(key, int) or table is None:
                continue
            found = _key_types(table).get(key)
        return found

    def _nearest_key(self, key: str, path: KeyPath) -> str:
        """Say which known key was probably meant: a similar one here, or this one elsewhere."""
        table = table_in(self._type_at(path)) or self.kind
        known = table.__struct_encode_fields__
        for name in self.kind.__struct_fields__:
            other = table_in(self._type_at((name,)))
            if other is not None and other is not table and key in other.__struct_encode_fields__:
                return f"this key belongs into the table {name!r}"
        if path and key in self.kind.__struct_fields__:
            return "this key belongs at the top, before the first [table]"
        close = difflib.get_close_matches(key.lower(), known, n=1, cutoff=0.0)
        return f"the nearest known key is {close[0]!r}; known here: {', '.join(known)}"


@cache
def _key_types(table: type[msgspec.Struct]) -> dict[str, Any]:
    """Return the annotated type of every key of a table."""
    return {entry.encode_name: entry.type for entry in msgspec.structs.fields(table)}


def _as_written(value: Any) -> str:
    if isinstance(value, dict):
        return "a table { ... }"
    if isinstance(value, list):
        return "a list [ ... ]"
    return f'"{value}"' if isinstance(value, str) else msgspec.json.encode(value).decode()


@cache
def table_in(annotation: Any) -> type[msgspec.Struct] | None:
    """Return the table type within an annotation such as ``tuple[SeatTable, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, msgspec.Struct):
        return annotation
    return next(filter(None, map(table_in, get_args(annotation))), None)


@cache
def plausible_span(annotation: Any) -> Plausible | None:
    """Return the span that is accepted of a number, or of the numbers in a list."""
    if isinstance(annotation, Plausible):
        return annotation
    inner = (*get_args(annotation), *getattr(annotation, "__metadata__", ()))
    return next(filter(None, map(plausible_span, inner)), None)


def _words(annotation: Any) -> tuple[str, ...]:
    """Return the words that a literal type allows."""
    if isinstance(annotation, str):
        return (annotation,)
    return tuple(word for part in get_args(annotation) for word in _words(part))
