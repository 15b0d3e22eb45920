"""Records: figures under names, as they are kept in files and printed.

Conventions
-----------
Frozen; keys that are not known are refused when a file is read. What is not known is None.

A table as notebooks show it.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Self

import msgspec

from roomeq.base.printable import printable


def json_text(value: object) -> bytes:
    """Return a value as the text of a JSON file."""
    return msgspec.json.format(msgspec.json.encode(value), indent=1) + b"\n"


class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A part of what is kept: frozen, unknown keys refused."""

    @classmethod
    def copied(cls, source: object, /, **others: object) -> Self:
        """Return the record that takes from a value what has the same name there.

        Parameters
        ----------
        source : object
        **others : object
            What is not there under that name, or in another form.

        Raises
        ------
        AttributeError
            If neither has a field.
        """
        names = [name for name in cls.__struct_fields__ if name not in others]
        return cls(**{name: getattr(source, name) for name in names}, **others)

    def to_json(self) -> bytes:
        """Return the record as JSON text, as it is kept in its file."""
        return json_text(self)


def html_table(caption: str, titles: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """Return a table in HTML, whatever its words hold; what is None is left blank."""

    def line(cells: Iterable[object], tag: str) -> str:
        texts = ("" if cell is None else escape(printable(str(cell))) for cell in cells)
        return f"<tr>{''.join(f'<{tag}>{text}</{tag}>' for text in texts)}</tr>"

    return (
        f"<table><caption>{escape(printable(caption))}</caption><thead>{line(titles, 'th')}</thead>"
        f"<tbody>{''.join(line(row, 'td') for row in rows)}</tbody></table>"
    )
