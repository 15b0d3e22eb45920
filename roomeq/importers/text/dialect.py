"""Which dialect a text export is written in: delimiter, decimal mark, grouping, columns.

Conventions
-----------
Every delimiter and decimal mark is tried on a sample of the lines that start with a number; the
one under which most of them become rows of equally many numbers wins. Where two decimal marks
survive, the reading that can be a response wins: frequencies that rise or fall throughout, and a
column of values that can be levels. If both can, or commas part both numbers and decimals, that is
ambiguous and the error names the argument that settles it.

Columns of fixed width are found from the complete rows: they all end, or all begin, at the same
characters. A line with fewer cells is cut there, and only if every cell of it fits; a blank becomes
``nan``.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise, product
from typing import get_args

import numpy as np

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.levels import FloatArray
from roomeq.importers.text.words import DecimalMark, Dialect, starts_with_number

DELIMITERS = (";", "\t", "|", ",", " ")
_DECIMAL_COMMA = re.compile(r"\d,\d")
_NO_DECIMAL_COMMA = re.compile(r"\.|,(?!\d)")
_SAMPLE = 200  # lines from which the shape is told, and some in which a mark is rare
_CELL = re.compile(r"\S+")
_LONGEST_LINE = 10**6
_HIGHEST_LEVEL = 400.0
"""A value beyond this, in dB, is no level (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape(Dialect):
    """What a row of the table looks like: a dialect, and what it has in its cells.

    Attributes
    ----------
    count : int
        Cells in a row.
    numeric : tuple of int
        Columns that hold numbers, counted from 0; the others hold text.
    """

    count: int
    numeric: tuple[int, ...]

    def values(self, line: str) -> list[float] | None:
        """Return the numbers of a row, shape (numeric columns,), or None if it is no row."""
        return self.values_of(self.split(line))

    def values_of(self, cells: Sequence[str]) -> list[float] | None:
        """Return the numbers in the cells of a row, or None if they make none."""
        if len(cells) != self.count:
            return None
        read = [self.number(cells[column]) for column in self.numeric]
        found = [value for value in read if value is not None]
        return None if len(found) < len(self.numeric) or all(map(math.isnan, found)) else found


_Trial = tuple[Shape, list[list[float]]]
"""A shape, and what it makes of the sample's rows."""


def plain_numbers(lines: Sequence[str], dialect: Dialect) -> FloatArray | None:
    """Read rows of equally many plain numbers in one go; None if any line is something else."""
    mark = dialect.delimiter
    if dialect.decimal == ",":
        text = "\n".join(lines)
        if _NO_DECIMAL_COMMA.search(text):
            return None
        lines = text.replace(",", ".").split("\n")
    try:
        numbers = np.loadtxt(lines, delimiter=None if mark == " " else mark, comments=None, ndmin=2)
    except (TypeError, ValueError):  # a delimiter of several characters, or no number
        return None
    absent = ~np.isfinite(numbers)
    numbers[absent] = np.nan
    return None if len(numbers) < len(lines) or absent.all(axis=1).any() else numbers


def choose_shape(
    lines: Sequence[str],
    *,
    delimiter: str | None = None,
    decimal: DecimalMark | None = None,
) -> Shape:
    """Return the shape of the table that `lines` hold.

    Parameters
    ----------
    lines : sequence of str
        Lines of the file.
    delimiter, decimal : str, optional
        Given where known.

    Raises
    ------
    AmbiguousTableError
        If two readings are equally good; names the argument that settles it.
    MeasurementFileError
        If no line holds two numbers or more.
    """
    sample = [*lines[:: max(1, len(lines) // _SAMPLE)]]
    for mark in ",.\"'":  # of which a few rows may tell
        for order in (lines, reversed(lines)) if len(lines) > len(sample) else ():
            sample += islice((line for line in order if mark in line), 4)
    numbered = [line for line in sample if starts_with_number(line)]
    trials = [*_trials(numbered, delimiter=delimiter, decimal=decimal, text_columns=False)]
    if 2 * max((len(rows) for _, rows in trials), default=0) < max(1, len(numbered)):
        digits = [line for line in sample if any(c.isdigit() for c in line)]
        trials += _trials(digits, delimiter=delimiter, decimal=decimal, text_columns=True)
    if not trials:
        raise MeasurementFileError(
            "holds no table of numbers in two columns or more",
            line=next((n for n, line in enumerate(lines, 1) if starts_with_number(line)), None),
            remedy="export frequency and level as columns of text, or give delimiter and decimal",
        )
    most = max(len(rows) for _, rows in trials)
    good = [(shape, rows) for shape, rows in trials if len(rows) >= 0.9 * most]
    fewest = min(shape.count - len(shape.numeric) for shape, _ in good)
    good = [trial for trial in good if trial[0].count - len(trial[0].numeric) == fewest]
    first = good[0][0].delimiter
    return _settled([trial for trial in good if trial[0].delimiter == first])


def _trials(
    sample: list[str], *, delimiter: str | None, decimal: DecimalMark | None, text_columns: bool
) -> Iterator[_Trial]:
    """Yield the shapes that the lines may have, and their rows; the likeliest delimiter first."""
    if not sample:
        return
    joined = "\n".join(sample)
    # A comma with a blank parts cells and one without is a decimal mark.
    spaced = [line for line in sample if ", " in line and _DECIMAL_COMMA.search(line)]
    marks = (", ", *DELIMITERS) if len(spaced) > 0.8 * len(sample) else DELIMITERS
    whole = ""  # the delimiter under which every line is a row: none behind it is likelier
    for mark, point in product(
        (delimiter,) if delimiter is not None else marks,
        (decimal,) if decimal is not None else get_args(DecimalMark),
    ):
        if whole and mark != whole:
            return
        none = mark not in joined
        rare = mark != " " and (none or 2 * sum(mark in line for line in sample) < len(sample))
        both = mark == point == "," and decimal is None and '"' not in joined
        if rare or both or (point == "," and "," not in joined) or (mark == ", " and point == "."):
            continue
        dialect = Dialect(delimiter=mark, decimal=point)
        for shape, rows in _of_dialect(sample, dialect, text_columns=text_columns):
            yield shape, rows
            whole = mark if len(rows) == len(sample) and not text_columns else whole


def _of_dialect(sample: list[str], dialect: Dialect, *, text_columns: bool) -> Iterator[_Trial]:
    """Yield the likeliest shape that the lines have in a dialect, if any, and their rows."""
    mark, point = dialect.delimiter, dialect.decimal
    plain = plain_numbers(sample, dialect)
    if plain is not None and plain.shape[1] > 1:
        numeric = tuple(range(plain.shape[1]))
        count = len(numeric)
        yield Shape(delimiter=mark, decimal=point, count=count, numeric=numeric), plain.tolist()
        return
    split = [dialect.split(line) for line in sample]
    counts = Counter(len(cells) for cells in split if len(cells) >= 2)
    for count in sorted(counts, key=lambda count: (counts[count], count), reverse=True)[:3]:
        columns = zip(*(cells for cells in split if len(cells) == count), strict=True)
        numeric = tuple(
            place
            for place, cells in enumerate(columns)
            if not text_columns
            or sum(dialect.number(cell) is not None for cell in cells) > 0.6 * len(cells)
        )
        shape = Shape(delimiter=mark, decimal=point, count=count, numeric=numeric)
        rows = [row for cells in split if (row := shape.values_of(cells)) is not None]
        if len(numeric) >= 2 and rows:
            yield shape, rows
            return


def _settled(good: list[_Trial]) -> Shape:
    """Choose between decimal point and decimal comma, for one delimiter."""
    most = max(len(rows) for _, rows in good)
    good = [(shape, rows) for shape, rows in good if len(rows) == most]
    if len(good) > 1 and good[0][1] != good[1][1]:
        possible = [trial for trial in good if _can_be_response(trial[1])]
        if len(possible) > 1:
            first, second = (", ".join(f"{v:g}" for v in rows[0]) for _, rows in possible)
            raise AmbiguousTableError(
                "commas or points may be decimal marks or group thousands: both readings are "
                f"possible ({first} or {second})",
                remedy='give decimal="," or decimal="."',
            )
        good = possible or good
    return good[0][0]


def _can_be_response(rows: list[list[float]]) -> bool:
    first, *others = (values[np.isfinite(values)] for values in np.array(rows).T)
    steps = np.diff(first)
    if max((steps > 0).sum(), (steps < 0).sum()) < 0.9 * steps.size:
        return False
    return any(np.abs(values).max(initial=0.0) <= _HIGHEST_LEVEL for values in others)


def fixed_width_lines(lines: Sequence[str], *, shape: Shape) -> list[str]:
    """Return the lines with the short rows of a fixed-width table completed.

    Parameters
    ----------
    lines : sequence of str
        Lines of the file.
    shape : Shape
        Shape of its rows; parted by blanks.

    Returns
    -------
    list of str
        The same lines; where a row had a blank cell it says ``nan`` now, and numbers that touched
        are apart. Unchanged if the table has no fixed columns.
    """
    changed = list(lines)
    rows = [index for index, line in enumerate(lines) if starts_with_number(line)]
    short = [index for index in rows if len(lines[index].split()) < shape.count]
    whole = [lines[index] for index in rows if short and shape.values(lines[index])][:_SAMPLE]
    spans = [[found.span() for found in _CELL.finditer(line)] for line in whole]
    begins, ends = ({tuple(span[side] for span in row) for row in spans} for side in (0, 1))
    if len(whole) < 2 or min(len(begins), len(ends)) > 1:
        return changed
    right = len(ends) == 1
    fields = list(pairwise((0, *ends.pop()) if right else (*begins.pop(), _LONGEST_LINE)))
    last = max(index for index, line in enumerate(lines) if line.strip())
    for index in short:
        line = lines[index].ljust(fields[-1][1] if right else 0)
        texts = [line[begin:end] for begin, end in fields]
        cells = [text.strip() for text in texts]
        outside = line[: fields[0][0]] + line[fields[-1][1] :]
        fit = all(
            not cell or (len(cell.split()) == 1 and not text[-1 if right else 0].isspace())
            for cell, text in zip(cells, texts, strict=True)
        )
        if fit and not outside.strip() and cells[0] and (index != last or cells[-1]):
            changed[index] = " ".join(cell or "nan" for cell in cells)  # the last may be cut off
    return changed
