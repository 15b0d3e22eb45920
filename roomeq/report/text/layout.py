"""Plain-text tables and paragraphs, and words by code.

Conventions
-----------
The words of a module stand together in one text, each after its code (`worded`). Their fields are
named as the attributes of what they speak of, so that a sentence is made by code and thing; what
else it needs is told by name (`said`).

What is told are paragraphs and rows of cells; `text_of` alone lays them out. Lines are at most as
wide as the `page`, `WIDTH` characters by default; a word is never broken, nor a figure parted from
its unit.
"""

from __future__ import annotations

import itertools
import math
import re
import string
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from operator import attrgetter
from types import SimpleNamespace
from typing import Any

from roomeq.base.levels import signed

WIDTH = 80
Part = Sequence[Sequence[str]]
"""A paragraph, or several with tables among them; see `text_of`."""
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
    lines = textwrap.wrap(
        _FIGURE.sub(_KEPT, text),
        width,
        initial_indent=first,
        subsequent_indent=others,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_KEPT, " ") for line in lines]


def said(text: str, thing: object = None, /, **told: Any) -> str:
    """Return words with their fields filled in: with what is told, or attributes of a thing.

    Parameters
    ----------
    text : str
        As for `str.format`, with names only. What is not known is empty. A figure such as
        ``{x:+.1f}`` is signed as by `roomeq.base.levels.signed`. In ``{x:|above|below}`` stands
        the first of two texts where a number is above 0, or anything else is true, else the second;
        fields in them are filled in. ``{x:.1f dB|louder|quieter}`` has the size before that, if it
        is not 0.
    thing : object, optional
    **told : Any
    """
    filled = []
    for literal, name, form, _ in string.Formatter().parse(text):
        filled.append(literal)
        if name is not None:
            of = SimpleNamespace(**told) if name.partition(".")[0] in told else thing
            filled.append(_filled(attrgetter(name)(of), said(form or "", thing, **told)))
    return "".join(filled)


def _filled(value: Any, form: str) -> str:
    """Return one field of `said`, the fields in its form filled in."""
    figure, *words = form.split("|")
    if words:
        digits, _, unit = figure.partition(" ")
        if unit and not float(f"{value:{digits}}"):
            return f"0 {unit}"
        size = f"{abs(value):{digits}} {unit} " if unit else ""
        holds = value > 0 if isinstance(value, (int, float)) else bool(value)
        return size + ("|".join(words[:-1]) if holds else words[-1])
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if signs := re.fullmatch(r"\+\.(\d)f", figure):
        return signed(value, digits=int(signs[1]))
    return format(value, figure)


def number(value: float | None, *, digits: int = 1) -> str:
    """Return a number with its decimals; what is not known is empty."""
    return said(f"{{value:.{digits}f}}", value=value)


class Words(dict[str, str]):
    """Words by their code; called with a code, they are filled in as by `said`."""

    def __call__(self, code: str, thing: object = None, /, **told: Any) -> str:
        """Return the words of a code, filled in."""
        return said(self[code], thing, **told)

    def each(self, cases: Mapping[str, object], thing: object = None, /, **told: Any) -> list[str]:
        """Return the words of every code that holds: of that which holds, or if True of `thing`."""
        holding = {code: thing if of is True else of for code, of in cases.items() if of}
        return [self(code, of, **told) for code, of in holding.items()]

    def table(
        self,
        code: str,
        things: Iterable[object],
        told: Iterable[Mapping[str, Any]] = itertools.repeat({}),
    ) -> list[list[str]]:
        """Return titles and a row for each thing, with what else is told of it; see `text_of`.

        Columns stand between ``|``: the title, ``=``, and the words of a cell.
        """
        columns = [column.split(" = ", 1) for column in self[code].split(" | ")]
        rows = [
            [said(cell, thing, **more) for _, cell in columns]
            for thing, more in zip(things, told, strict=False)
        ]
        return [[title for title, _ in columns], *rows]


def worded(text: str) -> Words:
    """Return words by their code: it begins a line, with a colon; what goes on is indented."""
    entries = re.findall(r"^(\w[\w -]*): (.*(?:\n .*)*)", text, re.MULTILINE)
    return Words({code: " ".join(words.split()) for code, words in entries})


def counted(count: int, word: str) -> str:
    """Return a count with what is counted."""
    return f"{count} {word}{'' if count == 1 else 's'}"


def joined(words: Sequence[str]) -> str:
    """Return words as "a, b and c"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def bullets(entries: Iterable[str]) -> list[str]:
    """Return entries as those of a list; see `text_of`."""
    return [f"- {entry}" for entry in entries]


def listed(title: str, entries: Sequence[str]) -> list[str]:
    """Return entries as a list under its title; no entries, no title."""
    return [title, *bullets(entries)] if entries else []


def text_of(*parts: Part) -> str:
    """Lay out parts as text, a blank line between them; a part without lines is left out.

    Parameters
    ----------
    *parts : str or sequence
        A paragraph, or several with tables among them. A paragraph that begins with spaces is
        indented; one that begins with ``- `` is an entry of a list. Sequences of cells, one below
        the other, are a table, the first one its titles; a leading ``>`` right-aligns a column.

    Returns
    -------
    str
        Lines; columns of words and titles wrap where the page asks for it. A column in which
        nothing stands, not even a space, is left out. Columns that find no room even so follow
        below, beside the first one again.
    """
    found = (_lines([part] if isinstance(part, str) else part) for part in parts if part)
    return "\n\n".join("\n".join(lines) for lines in found if lines) + "\n"


def _lines(part: Sequence[Sequence[str]]) -> list[str]:
    lines: list[str] = []
    for is_text, group in itertools.groupby(part, key=lambda entry: isinstance(entry, str)):
        if is_text:
            lines += [line for text in group for line in _paragraph(str(text))]
        else:
            columns = [[*column] for column in zip(*group, strict=True) if any(column[1:])]
            lines += _table(columns) if columns else []
    return lines


def _paragraph(text: str) -> list[str]:
    first = others = " " * (len(text) - len(text.lstrip()))
    if text.startswith("- "):
        first, others = "  - ", "    "
    return _wrapped(text.removeprefix("- ").strip(), _page.get(), first, others) or [""]


def _table(columns: list[list[str]]) -> list[str]:
    """Lay out columns, their titles first: titles, a rule, rows."""
    right = [column[0].startswith(">") for column in columns]
    shown = [[title.lstrip(">"), *column] for title, *column in columns]
    widths = _widths(shown, right)
    count = len(columns)
    while count > 2 and _across(widths[:count]) > _page.get():
        count -= 1
    lines: list[str] = []
    rule = 0
    for row in zip(*shown[:count], strict=True):
        for across in itertools.zip_longest(*map(_wrapped, row, widths), fillvalue=""):
            sides = zip(across, widths, right, strict=False)
            found = [cell.rjust(width) if to else cell.ljust(width) for cell, width, to in sides]
            lines.append(f"  {'  '.join(found)}".rstrip())
        rule = rule or len(lines)
    lines.insert(rule, f"  {'-' * (max(map(len, lines)) - 2)}")
    return lines + (_table([columns[0], *columns[count:]]) if columns[count:] else [])


def _across(widths: Sequence[int]) -> int:
    return sum(widths) + 2 * len(widths)


def _widths(columns: list[list[str]], right: Sequence[bool]) -> list[int]:
    """Return the width of every column: as asked for, or taken from the widest until all fit.

    Of a column of figures only the title wraps, of one of words all between words.
    """
    widths = [max(map(len, column)) for column in columns]
    least = [
        max(map(len, column[1:])) if figures else _LEAST
        for column, figures in zip(columns, right, strict=True)
    ]

    def narrowed(n: int) -> int:
        wrapped = (_wrapped(cell, max(widths[n] - 1, least[n])) for cell in columns[n])
        return max(len(line) for lines in wrapped for line in lines)

    while _across(widths) > _page.get():
        # a title first: it wraps once, words in every row
        spare = [(right[n], width, n) for n, width in enumerate(widths) if narrowed(n) < width]
        if not spare:
            break
        n = max(spare)[-1]
        widths[n] = narrowed(n)
    return widths
