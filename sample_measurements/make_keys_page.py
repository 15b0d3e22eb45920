"""Write `KEYS.md`, the reference of every key, from what reads the files.

``python sample_measurements/make_keys_page.py`` writes it where it is; a test holds it in step.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from roomeq.base.toml_keys import key_tables
from roomeq.report.text.keys import FILES

__all__ = ["keys_page"]

PAGE = Path(__file__).with_name("KEYS.md")
COLUMNS = ("Key", "Unit", "Accepts", "Default", "Example", "Meaning")
INTRODUCTION = """\
# Every key of `room.toml` and of a device profile

Made by `make_keys_page.py` from what reads the files; `roomeq keys NAME` prints a part of it. A key
stands under its table's header; keys of the top stand before the first header. Without default and
not required: what is not stated is not known, and `roomeq check` says what follows from that. File
names are relative to the file that names them."""


def keys_page() -> str:
    """Return the reference as a page in Markdown."""
    lines = [INTRODUCTION]
    for file, kind in FILES.items():
        lines += ["", f"## {file[0].upper()}{file[1:]}"]
        for one in key_tables(kind):
            header = (
                f"**`{one.header}`** {one.meaning}" if one.name else f"At the top: {one.meaning}"
            )
            lines += ["", header, "", row(COLUMNS), row(["--"] * len(COLUMNS))]
            for key in one.keys:
                default = "required" if key.required else key.default
                cells = (f"`{key.name}`", key.unit, key.accepted, default, f"`{key.example}`")
                lines.append(row((*cells, key.meaning)))
    return "\n".join(lines) + "\n"


def row(cells: Sequence[str]) -> str:
    """Return a row of a table."""
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    PAGE.write_text(keys_page(), encoding="utf-8", newline="\n")
    print(f"written: {PAGE}")
