"""Plain-text tables and paragraphs, and words by code.

Conventions
-----------
Lines are at most as wide as the `page`, `WIDTH` characters by default; a word is never broken, nor
a figure parted from its unit. Numbers are formatted by the caller; a column is right-aligned when
its title is marked with ``>``.
"""

from __future__ import annotations

import itertools
import math
import re
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

WIDTH = 80
_page: ContextVar[int] = ContextVar("page", default=WIDTH)
_LEAST = 12  # characters below which a column of words is not made narrower
_KEPT = "\x1f"  # a space at which no line ends
_FIGURE = re.compile(r"(?<=\d) (?=%|(?:dB|Hz|ms|m|ft|s|mm|V|W|A|ohm|degrees)\b)")


@contextmanager
def page(width: int) -> Iterator[None]:
    """Lay out what is made in the body on lines of at most `width` characters."""
    token = _page.set(width)
    try:
        yield
    finally:
        _page.reset(token)


def _wrapped(text: str, width: int, first: str = "", others: str = "") -> list[str]:
    width = max(width, 1)
    lines = textwrap.wrap(
        _FIGURE.sub(_KEPT, text),
        width,
        initial_indent=first,
        subsequent_indent=others,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_KEPT, " ") for line in lines]


def worded(text: str) -> dict[str, str]:
    """Return words by their code: it begins a line, with a colon; what goes on is indented."""
    entries = re.findall(r"^(\w+): (.*(?:\n .*)*)", text, re.MULTILINE)
    return {code: " ".join(words.split()) for code, words in entries}


def number(value: float | None, *, digits: int = 1) -> str:
    """Return a number with its decimals; what is not known is empty."""
    return "" if value is None or not math.isfinite(value) else f"{value:.{digits}f}"


def either(value: float, unit: str, above: str, below: str, *, digits: int = 1) -> str:
    """Return the size of a value with its unit, and the word for its sign."""
    return f"{abs(value):.{digits}f} {unit} {above if value > 0 else below}"


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
        Lines; columns of words and titles wrap where the page asks for it. Columns that find no
        room even so follow below, beside the first one again.
    """
    right = [title.startswith(">") for title in titles]
    cells = [[title.lstrip(">") for title in titles], *rows]
    widths = _widths(cells, right, room=_page.get() - indent)
    count = len(widths)
    while count > 2 and sum(widths[:count]) + 2 * (count - 1) > _page.get() - indent:
        count -= 1
    lines = _lines(cells, widths, right, count, indent)
    if count == len(widths):
        return lines
    rest = [0, *range(count, len(widths))]
    return [
        *lines,
        *table([titles[n] for n in rest], [[row[n] for n in rest] for row in rows], indent=indent),
    ]


def _lines(
    cells: Sequence[Sequence[str]], widths: list[int], right: list[bool], count: int, indent: int
) -> list[str]:
    """Lay out the first columns: titles, a rule, rows."""
    lines, under_titles = [], 0
    for row in cells:
        parts = [
            _wrapped(cell, max(width, 1)) for cell, width in zip(row, widths[:count], strict=False)
        ]
        for across in itertools.zip_longest(*parts, fillvalue=""):
            line = "  ".join(
                part.rjust(width) if aligned else part.ljust(width)
                for part, width, aligned in zip(across, widths, right, strict=False)
            )
            lines.append((" " * indent + line).rstrip())
        under_titles = under_titles or len(lines)
    rule = " " * indent + "-" * (max(map(len, lines)) - indent)
    return [*lines[:under_titles], rule, *lines[under_titles:]]


def columns(rows: Sequence[Mapping[str, str]], *, without: Sequence[str] = ()) -> list[str]:
    """Lay out rows whose cells are given by title, but for some titles; see `table`."""
    titles = [title for title in rows[0] if title not in without]
    return table(titles, [[row[title] for title in titles] for row in rows])


def _widths(cells: Sequence[Sequence[str]], right: Sequence[bool], *, room: int) -> list[int]:
    """Return the width of every column: as asked for, or taken from the widest until all fit.

    Of a column of figures only the title wraps, of one of words all between words.
    """

    def narrowed(column: int, width: int) -> int:
        return max(len(line) for row in cells for line in _wrapped(row[column], width) or [""])

    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    least = [
        max(len(row[n]) for row in cells[1:]) if aligned and len(cells) > 1 else _LEAST
        for n, aligned in enumerate(right)
    ]
    while sum(widths) + 2 * (len(widths) - 1) > room:
        spare = [
            (right[n], width, n)  # a title first: it wraps once, words in every row
            for n, width in enumerate(widths)
            if least[n] < width > narrowed(n, max(width - 1, least[n]))
        ]
        if not spare:
            break
        _, width, n = max(spare)
        widths[n] = narrowed(n, width - 1)
    return widths


def paragraph(text: str, *, indent: int = 0) -> list[str]:
    """Wrap a paragraph."""
    return _wrapped(text, _page.get(), " " * indent, " " * indent)


def joined(words: Sequence[str]) -> str:
    """Return words as "a, b and c"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def bullets(entries: Sequence[str]) -> list[str]:
    """Wrap entries as a list."""
    lines: list[str] = []
    for entry in entries:
        lines += _wrapped(entry, _page.get(), "  - ", "    ")
    return lines


def listed(title: str, entries: Sequence[str]) -> list[str]:
    """Wrap entries as a list under its title; no entries, no title."""
    return [title, *bullets(entries)] if entries else []


def text_of(parts: Iterable[Sequence[str]]) -> str:
    """Return parts as text, a blank line between them; a part without lines is left out."""
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"
