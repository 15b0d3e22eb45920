"""Lines on which the keys of a TOML text stand, so that a fault can be pointed at.

Conventions
-----------
The text has already been read by `tomllib`, so it is known to be valid; this scanner only follows
its layout. A key path is a tuple of strings (keys) and whole numbers (places in a list, from 0);
lines count from 1.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Mapping

__all__ = ["KeyPath", "key_lines", "key_name", "line_of"]

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|'
    r"'''.*?'{3,5}|"
    r'"(?:\\.|[^"\\\n])*"|'
    r"'[^'\n]*'",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]*")


class _Scanner:
    """Follows one TOML text and notes the line of every key and every entry of a list."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}
        self._ends = [found.start() for found in re.finditer("\n", text)]

    def _skip(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            return ""
        self.at = found.end()
        return found.group()

    def _peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def _note(self, path: KeyPath, at: int, above: int = 0) -> None:
        """Note where a path stands, and every path above it that is longer than `above`."""
        line = bisect_left(self._ends, at) + 1
        for length in range(above + 1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _key(self) -> list[str]:
        parts = []
        while True:
            self._skip(_SPACE)
            if self._peek() in ("'", '"'):
                raw = self._skip(_STRING)
                parts.append(_unquoted(raw))
            else:
                parts.append(self._skip(_BARE_KEY))
            self._skip(_SPACE)
            if self._peek() != ".":
                return parts
            self.at += 1

    def _entered(self, keys: list[str]) -> KeyPath:
        """Return the path of a header's keys, with the current place in every list on the way."""
        path: KeyPath = ()
        for key in keys:
            path = (*path, key)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _header(self) -> KeyPath:
        listed = self.text.startswith("[[", self.at)
        start = self.at
        self.at += 2 if listed else 1
        keys = self._key()
        self.at += 2 if listed else 1
        if listed:
            owner = (*self._entered(keys[:-1]), keys[-1])
            self._counts[owner] = self._counts.get(owner, 0) + 1
        path = self._entered(keys)
        self._note(path, start)
        return path

    def _pair(self, table: KeyPath) -> None:
        start = self.at
        path = (*table, *self._key())
        self._note(path, start, above=len(table))
        self.at += 1
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        opening = self._peek()
        if opening in ("'", '"'):
            self._skip(_STRING)
        elif opening == "[":
            self._entries(path, closing="]")
        elif opening == "{":
            self._entries(path, closing="}")
        else:
            self._skip(_SCALAR)

    def _entries(self, path: KeyPath, *, closing: str) -> None:
        self.at += 1
        index = 0
        while True:
            self._skip(_BLANK)
            before = self.at
            if self._peek() == closing:
                self.at += 1
                return
            if closing == "}":
                self._pair(path)
            else:
                self._note((*path, index), self.at, above=len(path))
                self._value((*path, index))
            index += 1
            self._skip(_BLANK)
            if self._peek() == ",":
                self.at += 1
            if self.at == before:
                raise ValueError("this text is not valid TOML: read it with tomllib first")

    def scan(self) -> None:
        table: KeyPath = ()
        while True:
            self._skip(_BLANK)
            if not self._peek():
                return
            if self._peek() == "[":
                table = self._header()
            else:
                self._pair(table)


def _unquoted(raw: str) -> str:
    import tomllib

    return str(tomllib.loads(f"key = {raw}")["key"])


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line of every key, table and list entry of a valid TOML text.

    Raises
    ------
    ValueError
        If a list or inline table is so far from TOML that it cannot be followed.
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    scanner.scan()
    return scanner.lines


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
