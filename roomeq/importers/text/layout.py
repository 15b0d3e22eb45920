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
_QUOTED_LINE = re.compile(r"^[ \t]*\"([^\"\n]*[;\t|][^\"\n]*)\"[ \t]*$")
_PAIRS = re.compile(r"\s*[+-]?\d+,\d+(?: *, *[+-]?\d+,\d+)+\s*")
_PAIR = re.compile(r"([+-]?\d+,\d+) *, *")
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


@dataclass(frozen=True, slots=True, kw_only=True)
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
    if decimal == "," and delimiter in (None, ",") and '"' not in text:
        lines, delimiter = _with_pairs_parted(lines, delimiter)
    if '"' in text:
        lines = _without_line_quotes(lines)
    shape, lines, indices, numbers = _rows(lines, delimiter=delimiter, decimal=decimal)
    if not indices:
        raise MeasurementFileError("holds no table of numbers")
    runs, axis = _runs(lines, indices, numbers)
    joined, left_out = _joined(lines, runs)
    kept = [index for run in joined for index in run.rows]
    notes = checked_outside(lines, kept, [index for run in left_out for index in run.rows], shape)
    notes += checked_inside(lines, kept, shape)
    if joined[0].head and joined[-1].tail and len(kept) > 1:
        limits = (joined[0].head[0], joined[-1].tail[-1])
        refuse_broken_ends(lines, kept, shape, axis=shape.numeric[axis], limits=limits)
        whole = _Run(rows=kept, head=joined[0].head, tail=joined[-1].tail)
        _refuse_another_layout(lines, whole, shape)
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


def _with_pairs_parted(lines: list[str], delimiter: str | None) -> tuple[list[str], str | None]:
    """Part cells by semicolons where commas are both decimal marks and delimiters."""
    numbers = [line for line in lines if starts_with_number(line)]
    if sum(_PAIRS.fullmatch(line) is not None for line in numbers) <= 0.5 * len(numbers):
        return lines, delimiter
    return [_PAIR.sub(r"\1;", line) if _PAIRS.fullmatch(line) else line for line in lines], ";"


def _without_line_quotes(lines: list[str]) -> list[str]:
    """Take quotes off that enclose whole lines, delimiters and all."""
    numbers = [line for line in lines if starts_with_number(line)]
    if 2 * sum(_QUOTED_LINE.fullmatch(line) is not None for line in numbers) <= len(numbers):
        return lines
    return [_QUOTED_LINE.sub(r"\1", line) for line in lines]


def _rows(
    lines: list[str], *, delimiter: str | None, decimal: DecimalMark | None
) -> tuple[Shape, list[str], list[int], FloatArray]:
    """Return the shape of the rows, the lines, which of them are rows, and their numbers."""
    if len(lines) > 4 * _SAMPLE:
        middle = len(lines) // 2
        sample = [*lines[:_SAMPLE], *lines[middle : middle + _SAMPLE], *lines[-_SAMPLE:]]
        with suppress(MeasurementFileError):
            shape = choose_shape(sample, delimiter=delimiter, decimal=decimal)
            found = _strict_rows(lines, shape)
            if found is not None:
                return shape, lines, *found
    shape = choose_shape(lines, delimiter=delimiter, decimal=decimal)
    if shape.dialect.delimiter == " ":
        lines = fixed_width_lines(lines, shape=shape)
    indices: list[int] = []
    numbers: list[float] = []
    for index, line in enumerate(lines):
        row = shape.values(line) if line.strip() else None
        if row is not None:
            indices.append(index)
            numbers.extend(row)
    return shape, lines, indices, np.array(numbers).reshape(len(indices), len(shape.numeric))


def _strict_rows(lines: list[str], shape: Shape) -> tuple[list[int], FloatArray] | None:
    """Read a table in one go; None if anything but plain rows stands between the first and last."""
    mark, point = shape.dialect.delimiter, shape.dialect.decimal
    places = [i for i in (*range(_SAMPLE), *range(-_SAMPLE, 0)) if shape.values(lines[i])]
    if not places or places[0] < 0 or places[-1] >= 0 or len(mark) > 1:
        return None
    first, last = places[0], len(lines) + places[-1]
    block, outside = lines[first : last + 1], (*lines[:first], *lines[last + 1 :])
    if mark == " " and any(map(starts_with_number, outside)):  # they may be rows with a blank cell
        return None
    if point == ",":
        text = "\n".join(block)
        if _NO_DECIMAL_COMMA.search(text):
            return None
        block = text.replace(",", ".").split("\n")
    try:
        numbers = np.loadtxt(block, delimiter=None if mark == " " else mark, comments=None, ndmin=2)
    except ValueError:
        return None
    numbers[~np.isfinite(numbers)] = np.nan
    if numbers.shape != (len(block), shape.count) or np.isnan(numbers).all(axis=1).any():
        return None
    return list(range(first, last + 1)), numbers


def _runs(
    lines: Sequence[str], indices: Sequence[int], numbers: FloatArray
) -> tuple[list[_Run], int]:
    """Return the runs of rows, and which of the numeric columns rises or falls throughout."""
    gaps = np.flatnonzero(np.diff(indices) > 1).tolist()
    parted = [i + 1 for i in gaps if any(map(str.strip, lines[indices[i] + 1 : indices[i + 1]]))]
    spans = list(pairwise((0, *parted, len(indices))))
    start, stop = max(spans, key=lambda span: span[1] - span[0])
    axis = _axis_column(numbers[start : min(start + 20, stop)])
    finite = np.isfinite(numbers[:, axis])

    def near(start: int, stop: int) -> list[float]:
        return [float(value) for value in numbers[start:stop, axis][finite[start:stop]]]

    runs = [
        _Run(
            rows=list(indices[start:stop]),
            head=near(start, min(start + 5, stop)),
            tail=near(max(start, stop - 5), stop),
        )
        for start, stop in spans
    ]
    return runs, axis


def _axis_column(numbers: FloatArray) -> int:
    """Return the first column that rises or falls throughout, 0 by default."""
    for column, values in enumerate(numbers.T):
        steps = np.diff(values[np.isfinite(values)])
        if steps.size and (steps.min() > 0 or steps.max() < 0):
            return column
    return 0


def _joined(lines: Sequence[str], runs: Sequence[_Run]) -> tuple[list[_Run], list[_Run]]:
    """Return the runs that make the table, in order, and the rest."""
    main = max(range(len(runs)), key=lambda i: len(runs[i].rows))
    joined, left_out = [runs[main]], []
    lowest = min(runs[main].head + runs[main].tail, default=math.inf)
    seen: dict[str, int] = {}
    for index, line in enumerate(lines if len(runs) > 1 else ()):
        seen.setdefault(line.strip(), index)
    for run in (*runs[main + 1 :], *reversed(runs[:main])):
        behind = run.rows[0] > joined[0].rows[0]
        before, after = (joined[-1], run) if behind else (run, joined[0])
        low = min(run.head + run.tail, default=math.inf)
        few = len(run.rows) < 3 and min(lowest, low) >= 0
        between = range(before.rows[-1] + 1, after.rows[0])
        # A heading parts two runs unless it stands above the first, too.
        if _follows(before, after, few=few) and not any(
            seen[lines[index].strip()] >= before.rows[0] and _HEADING.search(folded(lines[index]))
            for index in between
        ):
            joined.insert(len(joined) if behind else 0, run)
            lowest = min(lowest, low)
        else:
            left_out.append(run)
    return joined, left_out


def _follows(before: _Run, after: _Run, *, few: bool) -> bool:
    """Return whether the frequencies of `after` carry on those of `before`; a `few` closely."""
    left, right = before.tail, after.head
    if not left or not right or left[-1] == right[0]:
        return False
    rising = right[0] > left[-1]
    inner = [b - a for part in (left, right) for a, b in pairwise(part)]
    if any((step > 0) is not rising for step in inner):
        return False
    if not few or not inner:
        return True
    near = left[-2:] if len(left) > 1 else right[:2]
    gap, step = abs(right[0] - left[-1]), abs(near[1] - near[0])
    if gap <= 4.0 * step or min(*near, left[-1], right[0]) <= 0:
        return gap <= 4.0 * step
    return abs(math.log(right[0] / left[-1])) <= 4.0 * abs(math.log(near[1] / near[0]))


def checked_outside(
    lines: Sequence[str],
    indices: Sequence[int],
    left_out: Sequence[int],
    shape: Shape,
) -> tuple[str, ...]:
    """Refuse a second table, and rows mostly unread; return notes of numbers left out."""
    first, last = indices[0], indices[-1]
    outside = {index for index in left_out if not first <= index < last}
    unread = []
    for index in (*range(first), *range(last + 1, len(lines))):
        if index not in outside and starts_with_number(lines[index]):
            cells = shape.dialect.split(lines[index])
            read = [shape.dialect.number(cell) is not None for cell in cells]
            if len(cells) > 1 and all(read):
                outside.add(index)
            elif len(cells) == shape.count and any(read):
                unread.append(index)
    if len(unread) > len(indices):
        raise broken_row(lines[unread[0]], unread[0] + 1, shape)
    if not outside:
        return ()
    for part in (
        sorted(i for i in outside if i < first),
        sorted(i for i in outside if i > last),
    ):
        if len(part) >= max(4, _TWIN * len(indices)):
            raise MeasurementFileError(
                f"holds more than one table: lines {part[0] + 1} to {part[-1] + 1}, and lines "
                f"{first + 1} to {last + 1}",
                line=part[0] + 1,
                remedy="export one table to a file, or split the file",
            )
    shown = ", ".join(f"line {i + 1}: {lines[i].strip()[:40]!r}" for i in sorted(outside)[:3])
    more = f" and {len(outside) - 3} more" if len(outside) > 3 else ""
    return (f"numbers outside the table ignored ({shown}{more})",)


def checked_inside(lines: Sequence[str], indices: Sequence[int], shape: Shape) -> tuple[str, ...]:
    """Refuse broken rows inside the table; return a note of comments skipped."""
    skipped = 0
    for place in np.flatnonzero(np.diff(indices) > 1).tolist():
        for index in range(indices[place] + 1, indices[place + 1]):
            line = lines[index]
            if starts_with_number(line):
                raise broken_row(line, index + 1, shape)
            skipped += bool(line.strip())
    if not skipped:
        return ()
    return (f"{skipped} line{'s' if skipped > 1 else ''} of text between rows ignored",)


def refuse_broken_ends(
    lines: Sequence[str],
    indices: Sequence[int],
    shape: Shape,
    *,
    axis: int,
    limits: tuple[float, float],
) -> None:
    """Refuse a row cut off or broken directly below or above the table.

    Parameters
    ----------
    lines : sequence of str
        Lines of the file.
    indices : sequence of int
        The rows among them, from 0.
    shape : Shape
        Shape of the rows.
    axis : int
        Column whose numbers rise or fall.
    limits : tuple of float
        Its first and last number in the table.

    Raises
    ------
    MeasurementFileError
        If such a line would carry the table on but is no row.
    """
    rising = limits[1] > limits[0]
    for index, limit, below in (
        (indices[-1] + 1, limits[1], True),
        (indices[0] - 1, limits[0], False),
    ):
        if not 0 <= index < len(lines) or not starts_with_number(lines[index]):
            continue
        cells = shape.dialect.split(lines[index])
        number = shape.dialect.number(cells[axis]) if len(cells) > axis else None
        carries_on = number is not None and (number > limit) is (rising is below)
        broken = len(cells) == shape.count and any(
            shape.dialect.number(cell) is None and any(c.isdigit() for c in cell) for cell in cells
        )
        if carries_on and (broken or (below and len(cells) < shape.count)):
            raise broken_row(lines[index], index + 1, shape)


def _refuse_another_layout(lines: Sequence[str], table: _Run, shape: Shape) -> None:
    """Refuse rows beyond the table that carry its frequencies on in another dialect or width.

    One such row is enough where nothing but blank lines is between, else four.
    """
    first, last = table.rows[0], table.rows[-1]
    for step, beyond in ((-1, range(first - 1, -1, -1)), (1, range(last + 1, len(lines)))):
        near = [index for index in beyond[: 4 * _ABOVE] if lines[index].strip()]
        rows = [index for index in near if starts_with_number(lines[index])][:5]
        least = 1 if rows and rows[0] == near[0] else 4
        for delimiter, decimal in product(DELIMITERS, get_args(DecimalMark)):
            dialect = Dialect(delimiter=delimiter, decimal=decimal)
            axis = list(takewhile(math.isfinite, (_first_of(dialect, lines[i]) for i in rows)))
            other = _Run(rows=rows[: len(axis)], head=axis[::step], tail=axis[::step])
            pair = (table, other) if step > 0 else (other, table)
            if len(axis) < least or not _follows(*pair, few=True):
                continue
            if dialect == shape.dialect:
                raise broken_row(lines[rows[0]], rows[0] + 1, shape)
            raise MeasurementFileError(
                f"{lines[rows[0]].strip()[:60]!r} carries the frequencies on with another "
                "delimiter or decimal mark than the other rows",
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
