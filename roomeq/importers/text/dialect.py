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
from itertools import pairwise, product
from typing import get_args

import numpy as np

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text.words import DecimalMark, Dialect, starts_with_number

DELIMITERS = (";", "\t", "|", ",", " ")
_DECIMAL_COMMA = re.compile(r"\d,\d")
_SAMPLE = 32
_CELL = re.compile(r"\S+")
_LOOKED_AT = 200
_HIGHEST_LEVEL = 400.0
"""A value beyond this, in dB, is no level (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What a row of the table looks like.

    Attributes
    ----------
    dialect : Dialect
        How rows are written.
    count : int
        Cells in a row.
    numeric : tuple of int
        Columns that hold numbers, counted from 0; the others hold text.
    """

    dialect: Dialect
    count: int
    numeric: tuple[int, ...]

    def values(self, line: str) -> list[float] | None:
        """Return the numbers of a row, shape (numeric columns,), or None if it is no row."""
        cells = self.dialect.split(line)
        if len(cells) != self.count:
            return None
        read = [self.dialect.number(cells[column]) for column in self.numeric]
        found = [value for value in read if value is not None]
        return None if len(found) < len(self.numeric) or all(map(math.isnan, found)) else found


_Trial = tuple[Shape, list[list[float]]]
"""A shape, and what it makes of the sample's rows."""


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
        Lines of the file, or enough of them.
    delimiter, decimal : str, optional
        Given where known.

    Raises
    ------
    AmbiguousTableError
        If two readings are equally good; names the argument that settles it.
    MeasurementFileError
        If no line holds two numbers or more.
    """
    sample = _sample([line for line in lines if starts_with_number(line)])
    trials = list(_trials(sample, delimiter=delimiter, decimal=decimal, text_columns=False))
    if 2 * max((len(rows) for _, rows in trials), default=0) < max(1, len(sample)):
        sample_of_all = _sample([line for line in lines if any(c.isdigit() for c in line)])
        trials += _trials(sample_of_all, delimiter=delimiter, decimal=decimal, text_columns=True)
    if not trials:
        raise _no_table(lines, sample=sample)
    most = max(len(rows) for _, rows in trials)
    good = [(shape, rows) for shape, rows in trials if len(rows) >= 0.9 * most]
    fewest = min(shape.count - len(shape.numeric) for shape, _ in good)
    good = [trial for trial in good if trial[0].count - len(trial[0].numeric) == fewest]
    first = good[0][0].dialect.delimiter
    return _settled([trial for trial in good if trial[0].dialect.delimiter == first])


def _sample(lines: list[str]) -> list[str]:
    if len(lines) <= _SAMPLE:
        return lines
    chosen = {int(i * len(lines) / _SAMPLE) for i in range(_SAMPLE)}
    for mark in ",.\"'":
        with_mark = [i for i, line in enumerate(lines) if mark in line]
        chosen.update(with_mark[:4] + with_mark[-4:])
    return [lines[i] for i in sorted(chosen)]


def _trials(
    sample: list[str], *, delimiter: str | None, decimal: DecimalMark | None, text_columns: bool
) -> Iterator[_Trial]:
    joined = "\n".join(sample)
    # A comma with a blank parts cells and one without is a decimal mark.
    spaced = sum(", " in line and _DECIMAL_COMMA.search(line) is not None for line in sample)
    marks = (", ", *DELIMITERS) if spaced > 0.8 * len(sample) else DELIMITERS
    for mark, point in product(
        (delimiter,) if delimiter is not None else marks,
        (decimal,) if decimal is not None else get_args(DecimalMark),
    ):
        rare = mark != " " and 2 * sum(mark in line for line in sample) < len(sample)
        both = mark == point == "," and decimal is None and '"' not in joined
        if rare or both or (point == "," and "," not in joined) or (mark == ", " and point == "."):
            continue
        yield from _trial(sample, Dialect(delimiter=mark, decimal=point), text_columns)


def _trial(sample: list[str], dialect: Dialect, text_columns: bool) -> Iterator[_Trial]:
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
        shape = Shape(dialect=dialect, count=count, numeric=numeric)
        rows = [row for line in sample if (row := shape.values(line)) is not None]
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


def _no_table(lines: Sequence[str], *, sample: list[str]) -> MeasurementFileError:
    if not sample:
        return MeasurementFileError(
            "holds text but no table of numbers",
            remedy="export frequency and level as columns of text",
        )
    number = next(i for i, line in enumerate(lines) if line == sample[len(sample) // 2])
    return MeasurementFileError(
        f"no table of two columns or more: {lines[number].strip()[:60]!r} is one number only "
        "or cannot be split",
        line=number + 1,
        remedy="export frequency and level as columns, or give delimiter and decimal",
    )


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
    rows = [index for index, line in enumerate(lines) if starts_with_number(line)]
    short = [index for index in rows if len(lines[index].split()) < shape.count]
    whole = [lines[index] for index in rows if short and shape.values(lines[index])][:_LOOKED_AT]
    changed = list(lines)
    if len(whole) < 2:
        return changed
    spans = [[found.span() for found in _CELL.finditer(line)] for line in whole]
    begins, ends = ({tuple(span[side] for span in row) for row in spans} for side in (0, 1))
    if min(len(begins), len(ends)) > 1:
        return changed
    right = len(ends) == 1
    fields = list(pairwise((0, *ends.pop()) if right else (*begins.pop(), 10**6)))
    last = max(index for index, line in enumerate(lines) if line.strip())
    for index in short:
        cells = _cells(lines[index], fields, right=right)
        if cells is not None and (index != last or cells[-1]):  # else it may be cut off
            changed[index] = " ".join(cell or "nan" for cell in cells)
    return changed


def _cells(line: str, fields: Sequence[tuple[int, int]], *, right: bool) -> list[str] | None:
    if (line[: fields[0][0]] + line[fields[-1][1] :]).strip():
        return None
    cells = []
    for begin, end in fields:
        text = line[begin:end].strip()
        edge = line[end - 1 : end] if right else line[begin : begin + 1]
        if text and (len(text.split()) > 1 or not edge.strip()):
            return None
        cells.append(text)
    return cells if cells[0] else None
