"""Where the table stands in a text export: its rows, and the lines above and around it.

Conventions
-----------
Lines count from 1 in messages, from 0 within. A row is a line in the table's shape. The table is
the longest run of rows; other runs belong to it where they carry its frequencies on, past comments
and repeated headings, and are otherwise numbers of a preamble or footer, which a note names. Text
between and around the rows is let go. A line inside the table that starts with a number but is no
row is a fault of the file; it is never skipped.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise, product, takewhile
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from roomeq.base.errors import MeasurementFileError
from roomeq.base.levels import FloatArray
from roomeq.importers.text.dialect import DELIMITERS, Shape, choose_shape, fixed_width_lines
from roomeq.importers.text.words import DecimalMark, Dialect, folded, starts_with_number

IndexArray = NDArray[np.int64]
_HEADING = re.compile(r"freq|frec|frek|czest|\bf\b|\bk?hz\b")
_NO_DECIMAL_COMMA = re.compile(r"\.|,(?!\d)")
_SAMPLE = 120  # lines of start, middle and end from which the shape of a long table is told
_TWIN = 0.5  # part of the table's rows from which other rows are a second table
_ABOVE = 12  # lines above the table in which its heading may stand


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """The numbers of a text export, before their columns are understood.

    Attributes
    ----------
    shape : Shape
        What a row looks like.
    values : ndarray, shape (N, C)
        Numbers of all columns; nan where there is none, and in columns of text.
    line_numbers : ndarray, shape (N,)
        Line of each row, from 1.
    above : tuple of str
        Lines above the table, the nearest first.
    rows : tuple of str
        The rows as they stand.
    notes : tuple of str
        What was left out.
    """

    shape: Shape
    values: FloatArray
    line_numbers: IndexArray
    above: tuple[str, ...]
    rows: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(slots=True, kw_only=True)
class _Run:
    """Rows with nothing but blank lines between: lines from 0, first numbers near both ends."""

    rows: list[int]
    head: list[float]
    tail: list[float]


def find_table(
    text: str,
    *,
    delimiter: str | None = None,
    decimal: DecimalMark | None = None,
) -> Table:
    r"""Find the table in the text of a file.

    Parameters
    ----------
    text : str
        The file's text with ``\n`` line ends.
    delimiter, decimal : str, optional
        Given where known.

    Raises
    ------
    AmbiguousTableError
        If the dialect cannot be told.
    MeasurementFileError
        If there is no table, more than one, or a broken row.
    """
    lines = text.split("\n")
    shape, lines, indices, numbers = _rows(lines, delimiter=delimiter, decimal=decimal)
    if not indices:
        raise MeasurementFileError("holds no table of numbers")
    runs, axis = _runs(lines, indices, numbers)
    table, left_out = _joined(lines, runs)
    kept = table.rows
    notes = _checked_strays(lines, table, left_out, shape)
    if table.head and table.tail and len(kept) > 1:
        _refuse_beyond(lines, table, shape, axis=shape.numeric[axis])
        _refuse_cut_number(lines, kept, shape)
    values = np.full((len(kept), shape.count), np.nan)
    values[:, shape.numeric] = numbers[np.searchsorted(indices, kept)]
    return Table(
        shape=shape,
        values=values,
        line_numbers=np.array(kept, dtype=np.int64) + 1,
        above=tuple(reversed(lines[max(0, kept[0] - _ABOVE) : kept[0]])),
        rows=tuple(lines[index] for index in kept),
        notes=notes,
    )


def _rows(
    lines: list[str], *, delimiter: str | None, decimal: DecimalMark | None
) -> tuple[Shape, list[str], list[int], FloatArray]:
    """Return the shape of the rows, the lines, which of them are rows, and their numbers."""
    if len(lines) > 4 * _SAMPLE:
        middle = len(lines) // 2
        sample = [*lines[:_SAMPLE], *lines[middle : middle + _SAMPLE], *lines[-_SAMPLE:]]
        with suppress(MeasurementFileError):
            shape = choose_shape(sample, delimiter=delimiter, decimal=decimal)
            found = _plain_rows(lines, shape)
            if found is not None:
                return shape, lines, *found
    shape = choose_shape(lines, delimiter=delimiter, decimal=decimal)
    if shape.dialect.delimiter == " ":
        lines = fixed_width_lines(lines, shape=shape)
    read = ((index, shape.values(line)) for index, line in enumerate(lines) if line.strip())
    rows = {index: row for index, row in read if row is not None}
    return shape, lines, list(rows), np.array([*rows.values()]).reshape(-1, len(shape.numeric))


def _plain_rows(lines: list[str], shape: Shape) -> tuple[list[int], FloatArray] | None:
    """Read a table in one go; None if anything but plain rows stands between the first and last."""
    mark = shape.dialect.delimiter
    first = next(i for i, line in enumerate(lines) if shape.values(line))
    stop = len(lines) - next(i for i, line in enumerate(reversed(lines)) if shape.values(line))
    block, outside = lines[first:stop], (*lines[:first], *lines[stop:])
    if mark == " " and any(map(starts_with_number, outside)):  # they may be rows with a blank cell
        return None
    if shape.dialect.decimal == ",":
        text = "\n".join(block)
        if _NO_DECIMAL_COMMA.search(text):
            return None
        block = text.replace(",", ".").split("\n")
    try:
        numbers = np.loadtxt(block, delimiter=None if mark == " " else mark, comments=None, ndmin=2)
    except (TypeError, ValueError):  # a delimiter of several characters, or no number
        return None
    numbers[~np.isfinite(numbers)] = np.nan
    if numbers.shape != (len(block), shape.count) or np.isnan(numbers).all(axis=1).any():
        return None
    return list(range(first, stop)), numbers


def _runs(
    lines: Sequence[str], indices: Sequence[int], numbers: FloatArray
) -> tuple[list[_Run], int]:
    """Return the runs of rows, and which of the numeric columns rises or falls throughout."""
    gaps = np.flatnonzero(np.diff(indices) > 1).tolist()
    parted = [i + 1 for i in gaps if any(map(str.strip, lines[indices[i] + 1 : indices[i + 1]]))]
    spans = list(pairwise((0, *parted, len(indices))))
    start, stop = max(spans, key=lambda span: span[1] - span[0])
    axis = _axis_column(numbers[start : min(start + 20, stop)])
    runs = []
    for span in spans:
        first = numbers[slice(*span), axis].tolist()
        head, tail = (list(filter(math.isfinite, ends)) for ends in (first[:5], first[-5:]))
        runs.append(_Run(rows=list(indices[slice(*span)]), head=head, tail=tail))
    return runs, axis


def _axis_column(numbers: FloatArray) -> int:
    """Return the first column that rises or falls throughout, 0 by default."""
    for column, values in enumerate(numbers.T):
        steps = np.diff(values[np.isfinite(values)])
        if steps.size and (steps.min() > 0 or steps.max() < 0):
            return column
    return 0


def _joined(lines: Sequence[str], runs: Sequence[_Run]) -> tuple[_Run, list[_Run]]:
    """Return the runs that make the table as one, and the rest."""
    main = max(range(len(runs)), key=lambda i: len(runs[i].rows))
    table, left_out = runs[main], []
    for run in (*runs[main + 1 :], *reversed(runs[:main])):
        behind = run.rows[0] > table.rows[0]
        before, after = (table, run) if behind else (run, table)
        ends = (*table.head, *table.tail, *run.head, *run.tail)
        few = len(run.rows) < 3 and min(ends, default=math.inf) >= 0
        between = [line.strip() for line in lines[before.rows[-1] + 1 : after.rows[0]]]
        above = lines[: before.rows[0]]
        # A heading parts two runs unless it stands above the first, too.
        if not _follows(before, after, few=few) or any(
            _HEADING.search(folded(line)) and line not in map(str.strip, above) for line in between
        ):
            left_out.append(run)
        elif behind:
            table.rows.extend(run.rows)
            table.tail = run.tail
        else:
            table.rows[:0] = run.rows
            table.head = run.head
    return table, left_out


def _follows(before: _Run, after: _Run, *, few: bool) -> bool:
    """Return whether the frequencies of `after` carry on those of `before`; a `few` closely."""
    left, right = before.tail, after.head
    if not left or not right or left[-1] == right[0]:
        return False
    rising = {b > a for a, b in pairwise([*left, *right])}
    if len(rising) > 1 or not few or len(left) == len(right) == 1:
        return len(rising) == 1
    near = left[-2:] if len(left) > 1 else right[:2]
    gap, step = abs(right[0] - left[-1]), abs(near[1] - near[0])
    if gap <= 4.0 * step or min(*near, left[-1], right[0]) <= 0:
        return gap <= 4.0 * step
    return abs(math.log(right[0] / left[-1])) <= 4.0 * abs(math.log(near[1] / near[0]))


def _checked_strays(
    lines: Sequence[str], table: _Run, left_out: Sequence[_Run], shape: Shape
) -> tuple[str, ...]:
    """Refuse a second table, rows mostly unread or broken; return notes of what is left out."""
    first, last, count = table.rows[0], table.rows[-1], len(table.rows)
    others = np.delete(np.arange(len(lines)), table.rows).tolist()
    strays = [index for index in others if starts_with_number(lines[index])]
    outside = {index for run in left_out for index in run.rows if not first < index < last}
    unread = []
    for index in strays:
        if index in outside or first < index < last:
            continue
        cells = shape.dialect.split(lines[index])
        read = [shape.dialect.number(cell) is not None for cell in cells]
        if len(cells) > 1 and all(read):
            outside.add(index)
        elif len(cells) == shape.count and any(read):
            unread.append(index)
    if len(unread) > count:
        raise broken_row(lines[unread[0]], unread[0] + 1, shape)
    listed = sorted(outside)
    for part in ([i for i in listed if i < first], [i for i in listed if i > last]):
        if len(part) >= max(4, _TWIN * count):
            raise MeasurementFileError(
                f"holds more than one table: lines {part[0] + 1} to {part[-1] + 1}, and lines "
                f"{first + 1} to {last + 1}",
                line=part[0] + 1,
                remedy="export one table to a file, or split the file",
            )
    for index in strays:
        if first < index < last:
            raise broken_row(lines[index], index + 1, shape)
    notes = []
    if listed:
        shown = ", ".join(f"line {i + 1}: {lines[i].strip()[:40]!r}" for i in listed[:3])
        more = f" and {len(listed) - 3} more" if len(listed) > 3 else ""
        notes.append(f"numbers outside the table ignored ({shown}{more})")
    if skipped := sum(bool(lines[index].strip()) for index in others if first < index < last):
        notes.append(f"{skipped} line{'s' if skipped > 1 else ''} of text between rows ignored")
    return tuple(notes)


def _refuse_beyond(lines: Sequence[str], table: _Run, shape: Shape, *, axis: int) -> None:
    """Refuse lines beyond the table that carry its frequencies on and are no rows of it.

    A row cut off or broken stands directly below or above. Of rows in another dialect or width one
    is enough where nothing but blank lines is between, else four.
    """
    first, last, rising = table.rows[0], table.rows[-1], table.tail[-1] > table.head[0]
    for below, limit, beyond in (
        (True, table.tail[-1], range(last + 1, len(lines))),
        (False, table.head[0], range(first - 1, -1, -1)),
    ):
        near = [index for index in beyond[: 4 * _ABOVE] if lines[index].strip()]
        rows = [index for index in near if starts_with_number(lines[index])][:5]
        if not rows:
            continue
        next_line = lines[rows[0]]
        cells = shape.dialect.split(next_line)
        read = [shape.dialect.number(cell) for cell in cells]
        number = read[axis] if len(cells) > axis else None
        if rows[0] == beyond[0] and number is not None and (number > limit) is (rising is below):
            broken = (
                v is None and any(map(str.isdigit, c)) for c, v in zip(cells, read, strict=True)
            )
            if (below and len(cells) < shape.count) or (len(cells) == shape.count and any(broken)):
                raise broken_row(next_line, rows[0] + 1, shape)
        for delimiter, decimal in product(DELIMITERS, get_args(DecimalMark)):
            dialect = Dialect(delimiter=delimiter, decimal=decimal)
            found = list(takewhile(math.isfinite, (_first_of(dialect, lines[i]) for i in rows)))
            ends = found if below else found[::-1]
            other = _Run(rows=rows[: len(found)], head=ends, tail=ends)
            pair = (table, other) if below else (other, table)
            if len(found) < (1 if rows[0] == near[0] else 4) or not _follows(*pair, few=True):
                continue
            if dialect == shape.dialect:
                raise broken_row(next_line, rows[0] + 1, shape)
            raise MeasurementFileError(
                f"{next_line.strip()[:60]!r} carries the frequencies on with another delimiter or "
                "decimal mark than the other rows",
                line=rows[0] + 1,
                remedy="export one table in one layout, or split the file",
            )


def _first_of(dialect: Dialect, line: str) -> float:
    """Return the first number of a row of two numbers or more; nan where it is none."""
    numbers = [dialect.number(cell) for cell in dialect.split(line)]
    return math.nan if len(numbers) < 2 or None in numbers else numbers[0] or math.nan


def _refuse_cut_number(lines: Sequence[str], indices: Sequence[int], shape: Shape) -> None:
    """Refuse a last row without a line end whose last number has fewer digits than all others."""
    if indices[-1] < len(lines) - 1 or len(indices) <= _ABOVE:
        return
    cells = [shape.dialect.split(lines[i])[shape.numeric[-1]] for i in indices[-200:]]
    *digits, last = [len(cell.partition(shape.dialect.decimal)[2]) for cell in cells]
    if len(set(digits)) == 1 and last < digits[0]:
        raise MeasurementFileError(
            f"the file ends inside {lines[-1].strip()[:60]!r}: it was cut off",
            line=len(lines),
            remedy="export again, or delete the row",
        )


def broken_row(line: str, number: int, shape: Shape) -> MeasurementFileError:
    """Return the error for a line that should be a row and is not."""
    cells = shape.dialect.split(line)
    if len(cells) != shape.count:
        return MeasurementFileError(
            f"has {len(cells)} cell{'s' if len(cells) != 1 else ''} where the other rows have "
            f"{shape.count}: {line.strip()[:60]!r}",
            line=number,
            remedy="complete the row or delete it; the export may have been cut off",
        )
    for column in shape.numeric:
        if shape.dialect.number(cells[column]) is None:
            return MeasurementFileError(
                f"{cells[column]!r} is not a number with decimal mark {shape.dialect.decimal!r}",
                line=number,
                where=f"column {column + 1}",
                remedy="correct the cell, or delete the row",
            )
    return MeasurementFileError(
        f"the row {line.strip()[:60]!r} does not carry on the frequencies of the table",
        line=number,
        remedy="sort the rows by frequency, or export one table to a file",
    )
