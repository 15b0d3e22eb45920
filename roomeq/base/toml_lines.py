"""Lines on which the keys of a TOML text stand, so that a fault can be pointed at.

Conventions
-----------
The text has already been read by `tomllib`, so it is known to be valid; it is taken apart into
single statements, which `tomllib` reads once more where they are not plain. A key path is a tuple
of strings (keys) and whole numbers (places in a list, from 0); lines count from 1.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

KeyPath = tuple[str | int, ...]

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|'
    r"'''.*?'{3,5}|"
    r'"(?:\\.|[^"\\\n])*"|'
    r"'[^'\n]*'|"
    r"#[^\n]*|\n|[\[\]{},]|[^\s\[\]{},#\"']+",
    re.DOTALL,
)
_PLAIN = re.compile(r"[ \t]*([\w-]+)[ \t]*=[ \t]*[^\s\[{]", re.ASCII)  # a key and no list or table


def _statements(text: str) -> Iterator[tuple[str, list[int]]]:
    """Yield each header or pair, and the lines of its beginning and of the entries of its value."""
    begin, line, depth = 0, 1, 0
    lines: list[int] = []
    is_entry = True
    for found in _TOKEN.finditer(text + "\n"):
        token = found.group()
        if token == "\n" and depth == 0:
            if lines:
                yield text[begin : found.end()], lines
            begin, lines, is_entry = found.end(), [], True
        elif token == ",":
            is_entry = is_entry or depth == 1
        elif token in ("]", "}"):
            depth -= 1
        elif token != "\n" and token[0] != "#":
            lines += [line] if is_entry else []
            opens = token in ("[", "{")
            is_entry, depth = opens and depth == 0, depth + opens
        line += token.count("\n")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line of every key, table and list entry of a valid TOML text."""
    found: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for statement, lines in _statements(text.replace("\r\n", "\n")):
        if plain := _PLAIN.match(statement):
            found.setdefault((*table, plain[1]), lines[0])
            continue
        value: Any = tomllib.loads(statement)
        if statement.lstrip().startswith("["):
            table = ()
            while value:
                ((key, value),) = value.items()
                table = (*table, key)
                found.setdefault(table, lines[0])
                if isinstance(value, list):
                    counts[table] = counts.get(table, 0) + 1
                    (value,) = value
                if table in counts:
                    table = (*table, counts[table] - 1)
                    found.setdefault(table, lines[0])
            continue
        for path, _ in entries_in(value):
            entry = next((place + 1 for place in path if isinstance(place, int)), 0)
            found.setdefault((*table, *path), lines[min(entry, len(lines) - 1)])
    return found


def entries_in(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    """Yield every key and every entry of a list by its path, with what stands there."""
    if isinstance(value, dict | list):
        for key, entry in value.items() if isinstance(value, dict) else enumerate(value):
            yield (*path, key), entry
            yield from entries_in(entry, (*path, key))


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a key path, or of the nearest table around it that has one."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def key_name(path: KeyPath) -> str:
    """Return a key path as a reader finds it: ``seats 2, weight`` for the second seat's weight."""
    parts: list[str] = []
    for key in path:
        if isinstance(key, int) and parts:
            parts[-1] += f" {key + 1}"
        elif parts and not parts[-1][-1:].isdigit():
            parts[-1] += f".{key}"
        else:
            parts.append(str(key))
    return ", ".join(parts)
