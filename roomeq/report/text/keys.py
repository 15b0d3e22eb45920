"""The reference of every key of room files and device profiles.

Conventions
-----------
Nothing of it is written down here: all comes from the tables that validate the files.
"""

from __future__ import annotations

import difflib
from dataclasses import replace

from msgspec import Struct

from roomeq.base.toml_keys import KeyTable, key_tables
from roomeq.importers.device_profile import ProfileTables
from roomeq.importers.room_file.schema import RoomTables
from roomeq.report.text.layout import Part, text_of

FILES: dict[str, type[Struct]] = {"the room file": RoomTables, "the device profile": ProfileTables}


def keys_text(name: str | None) -> str:
    """Return the reference as text: all of it, or a table, or the keys of one name.

    Raises
    ------
    ValueError
        If there is no such table or key.
    """
    parts: list[Part] = []
    known: set[str] = set()
    for file, kind in FILES.items():
        for one in key_tables(kind):
            known |= {one.name, *(row.name for row in one.keys)}
            found = one if name is None else _part(one, name.strip("[] "))
            if found is not None:
                place = f"{found.header} of {file}" if found.name else f"At the top of {file}"
                rows = [(f"{row.name} = {row.example}", row.explained) for row in found.keys]
                parts.append([f"{place}: {found.meaning}", ("Example", "Meaning"), *rows])
    if not parts:
        close = difflib.get_close_matches(str(name), sorted(known), n=1, cutoff=0.0)
        raise ValueError(f"there is no key or table {name!r} (nearest: {close[0]!r})")
    return text_of(*parts)


def _part(one: KeyTable, name: str) -> KeyTable | None:
    """Return what of a table is meant by a name: all of it, one key, or nothing."""
    if one.name == name or one.name.startswith(f"{name}."):
        return one
    keys = tuple(row for row in one.keys if name in (row.name, f"{one.name}.{row.name}"))
    return replace(one, keys=keys) if keys else None
