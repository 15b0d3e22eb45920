"""Lines on which the keys of a TOML text stand, so that a fault can be pointed at.

Conventions
-----------
The text has already been read by `tomllib`, so it is known to be valid; this scanner only follows
its layout. A key path is a tuple of strings (keys) and whole numbers (places in a list, from 0);
lines count from 1.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|'
    r"'''.*?'{3,5}|"
    r'"(?:\\.|[^"\\\n])*"|'
    r"'[^'\n]*'|"
    r"#[^\n]*|[^\S\n]+|"  # comments and blanks, which are left out
    r"\n|[\[\]{}=,.]|[^\s\[\]{}=,.#\"']+",
    re.DOTALL,
)
_AFTER_VALUE = ("", "\n", ",", "]", "}")


class _Scanner:
    """Follows one TOML text and notes the line of every key and every entry of a list."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}
        self._tokens: list[tuple[str, int]] = []
        self._at, line = 0, 1
        for token in _TOKEN.findall(text):
            if token[0] != "#" and (token == "\n" or not token.isspace()):
                self._tokens.append((token, line))
            line += token.count("\n")
        self._tokens.append(("", line))

    @property
    def _next(self) -> str:
        return self._tokens[self._at][0]

    def _take(self) -> str:
        token = self._next
        self._at += token != ""
        return token

    def _note(self, path: KeyPath, at: int, above: int = 0) -> None:
        """Note where a path stands, and every path above it that is longer than `above`."""
        for length in range(above + 1, len(path) + 1):
            self.lines.setdefault(path[:length], self._tokens[at][1])

    def _key(self) -> list[str]:
        parts = [_unquoted(self._take())]
        while self._next == ".":
            self._take()
            parts.append(_unquoted(self._take()))
        return parts

    def _entered(self, keys: list[str]) -> KeyPath:
        """Return the path of a header's keys, with the current place in every list on the way."""
        path: KeyPath = ()
        for key in keys:
            path = (*path, key)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _header(self) -> KeyPath:
        start = self._at
        listed = self._tokens[start + 1][0] == "["
        self._at += 1 + listed
        keys = self._key()
        self._at += 1 + listed
        if listed:
            owner = (*self._entered(keys[:-1]), keys[-1])
            self._counts[owner] = self._counts.get(owner, 0) + 1
        path = self._entered(keys)
        self._note(path, start)
        return path

    def _pair(self, table: KeyPath) -> None:
        start = self._at
        path = (*table, *self._key())
        self._note(path, start, above=len(table))
        self._take()
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        if self._next in ("[", "{"):
            self._entries(path, inline=self._take() == "{")
        while self._next not in _AFTER_VALUE:
            self._take()

    def _entries(self, path: KeyPath, *, inline: bool) -> None:
        index = 0
        while True:
            while self._next in ("\n", ","):
                self._take()
            before = self._at
            if self._next == ("}" if inline else "]"):
                self._take()
                return
            if inline:
                self._pair(path)
            else:
                self._note((*path, index), before, above=len(path))
                self._value((*path, index))
            index += 1
            if self._at == before:
                raise ValueError("this text is not valid TOML: read it with tomllib first")

    def scan(self) -> None:
        table: KeyPath = ()
        while self._next:
            if self._next == "\n":
                self._take()
            elif self._next == "[":
                table = self._header()
            else:
                self._pair(table)


def _unquoted(raw: str) -> str:
    import tomllib

    return str(tomllib.loads(f"key = {raw}")["key"]) if raw[:1] in ("'", '"') else raw


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
