"""Plain-text tables and paragraphs.

Conventions
-----------
Lines are at most `WIDTH` characters wide where the content allows. Numbers are formatted by the
caller; a column is right-aligned when its title is marked with ``>``.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

__all__ = ["WIDTH", "bullet_list", "paragraph", "signed", "table"]

WIDTH = 100


def signed(value: float | None, *, digits: int = 1) -> str:
    """Return a number with its sign; what rounds to zero has none, what is not known is empty."""
    if value is None:
        return ""
    text = f"{value:+.{digits}f}"
    return f"{0:.{digits}f}" if float(text) == 0 else text


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
        Lines; the last column wraps within `WIDTH`.
    """
    right = [title.startswith(">") for title in titles]
    names = [title.lstrip(">") for title in titles]
    widths = [
        max(len(name), *(len(row[column]) for row in rows)) if rows else len(name)
        for column, name in enumerate(names)
    ]
    start = indent + sum(widths[:-1]) + 2 * (len(names) - 1)
    last = max(20, WIDTH - start)
    lines = []
    for row in [names, *rows]:
        cells = [
            cell.rjust(width) if aligned else cell.ljust(width)
            for cell, width, aligned in zip(row[:-1], widths[:-1], right[:-1], strict=True)
        ]
        tail = row[-1].rjust(widths[-1]) if right[-1] else row[-1]
        wrapped = textwrap.wrap(tail, last) or [""]
        lines.append((" " * indent + "  ".join([*cells, wrapped[0]])).rstrip())
        lines += [" " * start + more for more in wrapped[1:]]
    rule = " " * indent + "-" * (max(len(line) for line in lines) - indent)
    return [lines[0], rule, *lines[1:]]


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
