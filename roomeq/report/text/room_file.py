"""A room file to begin with: what a folder tells, and every other key explained and commented out.

Conventions
-----------
A line counts once its ``#`` is taken away, and its table's. What was concluded, and from what,
stands above each table.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from roomeq.base.toml_keys import KeyTable, key_tables, toml_value
from roomeq.importers.file_contents import FolderEntry
from roomeq.importers.folder import FolderContents
from roomeq.importers.room_file.reading import FORMAT
from roomeq.importers.room_file.schema import RoomTables
from roomeq.report.text.layout import WIDTH, bullets, text_of

_BEGINNING = """\
Written by roomeq start from what lies in this folder. A line with # does not count: take it away,
from the line and from its [table], to state what you know. Examples are not your values. What is
not stated is not known: roomeq check says what follows from that, roomeq keys explains each key.
"""
_ASKED_AGAIN = "source"
_NAMED = ("file", "description", "reference")
_EXPLAINED_AT = 34


def room_file_text(found: FolderContents) -> str:
    """Return the text of ``room.toml`` for a folder."""
    lines = list(_comment(_BEGINNING))
    for table in key_tables(RoomTables):
        keys = {} if table.name else {"format": FORMAT, "name": found.name}
        used_first = sorted(found.of(table.name), key=lambda entry: bool(entry.left_out))
        above: list[str] = []
        for entry in used_first or [FolderEntry(table=table.name, keys=keys, why="")]:
            comment = list(_comment(_said(entry)))
            lines += ["", *(comment if comment != above else [])]
            lines += _block(table, entry, every=not above)
            above = comment
    return "\n".join(lines) + "\n"


def _said(entry: FolderEntry) -> str:
    return f"left out: {entry.left_out}" if entry.left_out else entry.why


def _block(table: KeyTable, entry: FolderEntry, *, every: bool) -> Iterator[str]:
    """Yield one table: what is told, and with `every` all other keys commented out."""
    mark = "" if entry.keys and not entry.left_out else "# "
    header = f"{mark}{table.header}"
    if table.name:
        yield f"{header:{_EXPLAINED_AT}}  # {table.meaning}" if every else header
    told = [row for row in table.keys if row.name in entry.keys]
    for row in told:
        yield f"{mark}{row.name} = {toml_value(entry.keys[row.name])}"
    for row in table.keys:
        again = bool(told) and row.name == _ASKED_AGAIN  # for each: the default holds until told
        if row not in told and (every or again):
            line = f"# {row.name} = {row.default if again else row.example}"
            yield f"{line:{_EXPLAINED_AT}}  # {row.explained}"


def _comment(text: str) -> Iterator[str]:
    printable = "".join(letter if letter.isprintable() else " " for letter in text)
    for line in textwrap.wrap(printable, WIDTH - 2):
        yield f"# {line}"


def start_text(found: FolderContents, *, file: str) -> str:
    """Return what was written, and what it was concluded from."""
    told = []
    for entry in found.entries:
        said = _said(entry)
        if "file" in entry.keys or not entry.left_out:
            seat = f" (seat {entry.keys['seat']!r})" if "seat" in entry.keys else ""
            names = [str(entry.keys[key]) for key in _NAMED if key in entry.keys]
            told.append(f"{(names or [f'[{entry.table}]'])[0]}{seat}: {said}")
    used = [one for one in found.of("measurements") if not one.left_out]
    untold = ", ".join(one.keys["file"] for one in used if "source" not in one.keys)
    stated = "What stands nowhere in the files is commented out there. Edit it, then check again."
    told_apart = {
        "Nothing tells what played, taken for sub": untold,
        "Not looked at": ", ".join(found.ignored),
    }
    more = [f"{what}: {files}" for what, files in told_apart.items() if files]
    return f"Written: {file}\n\n{text_of(bullets(told), *more, stated)}\n"
