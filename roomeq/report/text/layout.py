"""Plain-text tables and paragraphs.

Conventions
-----------
Lines are at most `WIDTH` characters wide where the content allows. Numbers are formatted by the
caller; a column is right-aligned when its title is marked with ``>``.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

__all__ = ["WIDTH", "bullet_list", "paragraph", "signed", "signed_setting", "table"]

WIDTH = 100
_LEAST = 20  # characters below which a column of words is not wrapped
_LAST = 24  # and those that the last one is given at the cost of the others


def signed(value: float | None, *, digits: int = 1) -> str:
    """Return a number with its sign; what rounds to zero has none, what is not known is empty."""
    if value is None:
        return ""
    text = f"{value:+.{digits}f}"
    return f"{0:.{digits}f}" if float(text) == 0 else text


def signed_setting(value: float, *, step_db: float = 0.5) -> str:
    """Return a setting in dB as `signed` does, with the decimals that the device's step needs."""
    digits = 1
    while digits < 3 and any(abs(x - round(x, digits)) > 1e-6 for x in (value, step_db)):
        digits += 1
    return signed(value, digits=digits)


def table(titles: Sequence[str], rows: Sequence[Sequence[str]], *, indent: int = 2) -> list[str]:
    """Lay out rows under titles.

    Parameters
    ----------
    titles : sequence of str
        One for each column; a leading ``>`` right-aligns the column.
    rows : sequence of sequence of str
        Cells, as many in each row as there are titles.
    indent : int
        Spaces before every line.

    Returns
    -------
    list of str
        Lines; columns of words wrap where `WIDTH` asks for it, the last one first.
    """
    right = [title.startswith(">") for title in titles]
    names = [title.lstrip(">") for title in titles]
    widths = [
        max(len(name), *(len(row[column]) for row in rows)) if rows else len(name)
        for column, name in enumerate(names)
    ]
    _narrow(widths, right, beside=indent + 2 * (len(names) - 1))
    last = max(_LEAST, WIDTH - indent - sum(widths[:-1]) - 2 * (len(names) - 1))
    widths[-1] = widths[-1] if right[-1] else min(widths[-1], last)
    lines = []
    for row in [names, *rows]:
        cells = [
            textwrap.wrap(cell, max(width, 1)) or [""]
            for cell, width in zip(row, widths, strict=True)
        ]
        for number in range(max(len(cell) for cell in cells)):
            parts = [cell[number] if number < len(cell) else "" for cell in cells]
            placed = [
                part.rjust(width) if aligned else part.ljust(width)
                for part, width, aligned in zip(parts, widths, right, strict=True)
            ]
            lines.append((" " * indent + "  ".join(placed)).rstrip())
    rule = " " * indent + "-" * (max(len(line) for line in lines) - indent)
    return [lines[0], rule, *lines[1:]]


def _narrow(widths: list[int], right: Sequence[bool], *, beside: int) -> None:
    """Take from the widest columns of words until the last column has room to be read.

    Parameters
    ----------
    widths : list of int
        Width of every column; changed in place.
    right : sequence of bool
        Whether a column is aligned to the right: figures are not wrapped.
    beside : int
        Spaces of a line that belong to no column.
    """
    wanted = min(widths[-1], _LAST)
    words = [column for column in range(len(widths) - 1) if not right[column]]
    while words and beside + sum(widths[:-1]) + wanted > WIDTH:
        widest = max(words, key=lambda column: widths[column])
        if widths[widest] <= _LEAST:
            break
        widths[widest] -= 1


def paragraph(text: str, *, indent: int = 0) -> list[str]:
    """Wrap a paragraph."""
    space = " " * indent
    return textwrap.wrap(text, WIDTH, initial_indent=space, subsequent_indent=space)


def bullet_list(entries: Sequence[str]) -> list[str]:
    """Wrap entries as a list."""
    lines: list[str] = []
    for entry in entries:
        lines += textwrap.wrap(entry, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return lines
