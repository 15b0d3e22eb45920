"""Records: figures under names, as they are kept in files and printed.

Conventions
-----------
Frozen; keys that are not known are refused when a file is read. What is not known is None.

A table as notebooks show it.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Any, Self

import msgspec

from roomeq.base.printable import printable


def json_text(value: object) -> bytes:
    """Return a value as the text of a JSON file."""
    return msgspec.json.format(msgspec.json.encode(value), indent=1) + b"\n"


def _plain(value: Any) -> Any:
    """Return an array, or a list, as tuples of numbers; anything else as it is."""
    value = value.tolist() if hasattr(value, "tolist") else value
    return tuple(map(_plain, value)) if isinstance(value, list) else value


class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A part of what is kept: frozen, unknown keys refused."""

    @classmethod
    def copied(cls, *sources: object, **others: object) -> Self:
        """Return the record that takes from values what has the same name there.

        Parameters
        ----------
        *sources : object
            At least one; a name that several have is taken from the first of them.
        **others : object
            What is not there under that name, or in another form.

        Raises
        ------
        AttributeError
            If nothing has a field.

        Notes
        -----
        Arrays become tuples of numbers, whichever way they come.
        """
        for name in cls.__struct_fields__:
            if name not in others:
                holder = next((one for one in sources if hasattr(one, name)), sources[-1])
                others[name] = getattr(holder, name)
        return cls(**{name: _plain(value) for name, value in others.items()})

    @classmethod
    def of_columns(cls, **columns: Iterable[object]) -> tuple[Self, ...]:
        """Return a record for each place of equally long columns, which are named as its fields."""
        places = zip(*map(_plain, columns.values()), strict=True)
        return tuple(cls(**dict(zip(columns, place, strict=True))) for place in places)

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
