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
from itertools import pairwise
from typing import get_args

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
        found = []
        for column in self.numeric:
            value = self.dialect.number(cells[column])
            if value is None:
                return None
            found.append(value)
        return None if all(map(math.isnan, found)) else found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    shape: Shape
    rows: tuple[tuple[float, ...], ...]


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
    if not trials or max(len(trial.rows) for trial in trials) < 0.5 * len(sample):
        others = _sample([line for line in lines if any(c.isdigit() for c in line)])
        trials += _trials(others, delimiter=delimiter, decimal=decimal, text_columns=True)
    if not trials:
        raise _no_table(lines, sample=sample)
    most = max(len(trial.rows) for trial in trials)
    good = [trial for trial in trials if len(trial.rows) >= 0.9 * most]
    fewest = min(trial.shape.count - len(trial.shape.numeric) for trial in good)
    good = [t for t in good if t.shape.count - len(t.shape.numeric) == fewest]
    first = good[0].shape.dialect.delimiter
    return _settled([t for t in good if t.shape.dialect.delimiter == first])


def _sample(lines: list[str]) -> list[str]:
    if len(lines) <= _SAMPLE:
        return lines
    step = len(lines) / _SAMPLE
    chosen = {int(i * step) for i in range(_SAMPLE)}
    for mark in ",.\"'":
        with_mark = [i for i, line in enumerate(lines) if mark in line]
        if len(with_mark) < len(lines):
            chosen.update(with_mark[:4])
            chosen.update(with_mark[-4:])
    return [lines[i] for i in sorted(chosen)]


def _is_spaced(line: str) -> bool:
    """Return whether a comma with a blank parts cells and one without is a decimal mark."""
    return ", " in line and _DECIMAL_COMMA.search(line) is not None


def _trials(
    sample: list[str], *, delimiter: str | None, decimal: DecimalMark | None, text_columns: bool
) -> Iterator[_Trial]:
    joined = "\n".join(sample)
    spaced = sum(map(_is_spaced, sample)) > 0.8 * len(sample)
    marks = (", ", *DELIMITERS) if spaced else DELIMITERS
    for mark in (delimiter,) if delimiter is not None else marks:
        if mark != " " and 2 * sum(mark in line for line in sample) < len(sample):
            continue
        for point in (decimal,) if decimal is not None else get_args(DecimalMark):
            if (point == "," and "," not in joined) or (mark == ", " and point == "."):
                continue
            if mark == point == "," and delimiter is None and '"' not in joined:
                continue
            trial = _trial(sample, Dialect(delimiter=mark, decimal=point), text_columns)
            if trial is not None:
                yield trial


def _trial(sample: list[str], dialect: Dialect, text_columns: bool) -> _Trial | None:
    split = [dialect.split(line) for line in sample]
    counts = Counter(len(cells) for cells in split)
    usable = [(times, count) for count, times in counts.items() if count >= 2]
    for _, count in sorted(usable, reverse=True)[:3]:
        rows = [[dialect.number(cell) for cell in cells] for cells in split if len(cells) == count]
        numeric = tuple(
            column
            for column in range(count)
            if not text_columns or sum(row[column] is not None for row in rows) > 0.6 * len(rows)
        )
        kept = [
            tuple(value for value in (row[column] for column in numeric) if value is not None)
            for row in rows
        ]
        kept = [row for row in kept if len(row) == len(numeric)]
        if len(numeric) >= 2 and any(any(map(math.isfinite, row)) for row in kept):
            return _Trial(
                shape=Shape(dialect=dialect, count=count, numeric=numeric), rows=tuple(kept)
            )
    return None


def _settled(good: list[_Trial]) -> Shape:
    """Choose between decimal point and decimal comma, for one delimiter."""
    most = max(len(trial.rows) for trial in good)
    good = [trial for trial in good if len(trial.rows) == most]
    if len(good) > 1 and good[0].rows != good[1].rows:
        possible = [trial for trial in good if _can_be_response(trial.rows)]
        if len(possible) > 1:
            raise AmbiguousTableError(
                "commas or points may be decimal marks or group thousands: both readings are "
                f"possible ({_first_values(possible[0])} or {_first_values(possible[1])})",
                remedy='give decimal="," or decimal="."',
            )
        good = possible or good
    return good[0].shape


def _first_values(trial: _Trial) -> str:
    return ", ".join(f"{value:g}" for value in trial.rows[0])


def _can_be_response(rows: Sequence[tuple[float, ...]]) -> bool:
    first = [row[0] for row in rows if math.isfinite(row[0])]
    steps = [b - a for a, b in pairwise(first)]
    rising = sum(step > 0 for step in steps)
    falling = sum(step < 0 for step in steps)
    if max(rising, falling) < 0.9 * len(steps):
        return False
    return any(
        all(abs(value) <= _HIGHEST_LEVEL for value in column if math.isfinite(value))
        for column in list(zip(*rows, strict=True))[1:]
    )


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
    whole = [lines[index] for index in rows if len(lines[index].split()) == shape.count]
    whole = [line for line in whole if short and shape.values(line) is not None][:_LOOKED_AT]
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
    if right and len(line.rstrip()) > fields[-1][1]:
        return None
    if not right and line[: fields[0][0]].strip():
        return None
    cells = []
    for begin, end in fields:
        cell = line[begin:end]
        text = cell.strip()
        if text and (len(text.split()) > 1 or cell[-1 if right else 0].isspace()):
            return None
        if text and right and len(line) < end:
            return None
        cells.append(text)
    return cells if cells[0] else None
