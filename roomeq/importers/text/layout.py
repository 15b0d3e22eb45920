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
from dataclasses import dataclass
from itertools import product, takewhile
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from roomeq.base.errors import MeasurementFileError
from roomeq.base.levels import FloatArray
from roomeq.importers.text.dialect import (
    DELIMITERS,
    Shape,
    choose_shape,
    fixed_width_lines,
    plain_numbers,
)
from roomeq.importers.text.words import DecimalMark, Dialect, folded, starts_with_number

IndexArray = NDArray[np.int64]
_HEADING = re.compile(r"freq|frec|frek|czest|\bf\b|\bk?hz\b")
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
    remarks : tuple of (int, str)
        Lines shortly above the table, the nearest first, each with its number.
    rows : tuple of str
        The rows as they stand.
    notes : tuple of str
        What was left out.
    """

    shape: Shape
    values: FloatArray
    line_numbers: IndexArray
    remarks: tuple[tuple[int, str], ...]
    rows: tuple[str, ...]
    notes: tuple[str, ...]

    def fault(self, row: int, message: str, *, remedy: str) -> MeasurementFileError:
        """Return the error that a row cannot be."""
        return MeasurementFileError(message, line=int(self.line_numbers[row]), remedy=remedy)

    def listed(self, rows: Sequence[int] | IndexArray) -> str:
        """Return the first of some rows as they stand."""
        return _listed([(int(self.line_numbers[row]), self.rows[row]) for row in rows])


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
    shape = choose_shape(lines, delimiter=delimiter, decimal=decimal)
    lines, at, numbers = _rows(lines, shape)
    gaps = np.flatnonzero(np.diff(at) > 1)
    parted = [g + 1 for g in gaps if any(map(str.strip, lines[at[g] + 1 : at[g + 1]]))]
    runs = np.split(np.arange(at.size), parted)
    column = _axis_column(numbers[max(runs, key=len)[:20]])
    table = _joined(lines, at, numbers[:, column], runs)
    kept = at[table]
    notes = _checked_strays(lines, kept, shape)
    axis = numbers[table, column]
    if np.isfinite(axis).sum() > 1:
        _refuse_beyond(lines, kept, axis, shape, column=shape.numeric[column])
        _refuse_cut_number(lines, kept, shape)
    values = np.full((kept.size, shape.count), np.nan)
    values[:, shape.numeric] = numbers[table]
    return Table(
        shape=shape,
        values=values,
        line_numbers=kept + 1,
        remarks=tuple((index + 1, lines[index]) for index in range(kept[0])[::-1][:_ABOVE]),
        rows=tuple(lines[index] for index in kept),
        notes=notes,
    )


def _rows(lines: list[str], shape: Shape) -> tuple[list[str], IndexArray, FloatArray]:
    """Return the lines, which of them are rows, and their numbers."""
    if (plain := _plain_rows(lines, shape)) is not None:
        return lines, *plain
    if shape.delimiter == " ":
        lines = fixed_width_lines(lines, shape=shape)
    read = ((index, shape.values(line)) for index, line in enumerate(lines) if line.strip())
    rows = {index: row for index, row in read if row is not None}
    numbers = np.array([*rows.values()]).reshape(-1, len(shape.numeric))
    return lines, np.array([*rows], dtype=np.int64), numbers


def _plain_rows(lines: list[str], shape: Shape) -> tuple[IndexArray, FloatArray] | None:
    """Read a table in one go; None if anything but plain rows stands between the first and last."""
    first = next(n for n, line in enumerate(lines) if shape.values(line))
    stop = len(lines) - next(n for n, line in enumerate(reversed(lines)) if shape.values(line))
    block, outside = lines[first:stop], (*lines[:first], *lines[stop:])
    if shape.delimiter == " " and any(map(starts_with_number, outside)):
        return None  # they may be rows with a blank cell
    numbers = plain_numbers(block, shape)
    if numbers is None or numbers.shape[1] != len(shape.numeric):
        return None
    return np.arange(first, stop), numbers


def _axis_column(numbers: FloatArray) -> int:
    """Return the first column that rises or falls throughout, 0 by default."""
    for column, values in enumerate(numbers.T):
        steps = np.diff(values[np.isfinite(values)])
        if steps.size and (steps.min() > 0 or steps.max() < 0):
            return column
    return 0


def _joined(
    lines: Sequence[str], at: IndexArray, axis: FloatArray, runs: list[IndexArray]
) -> IndexArray:
    """Return which rows make the table: the longest run, and those that carry it on."""
    main = max(range(len(runs)), key=lambda place: len(runs[place]))
    joined = [runs[main]]
    for run in (*runs[main + 1 :], *reversed(runs[:main])):
        behind = run[0] > joined[0][0]
        before, after = (joined[-1], run) if behind else (run, joined[0])
        ends = np.concatenate([axis[joined[0][:5]], axis[joined[-1][-5:]], axis[run]])
        few = run.size < 3 and not (ends < 0).any()
        between = [line.strip() for line in lines[at[before[-1]] + 1 : at[after[0]]]]
        above = [line.strip() for line in lines[: at[min(run[0], joined[0][0])]]]
        # A heading parts two runs unless it stands above the first, too.
        parted = any(_HEADING.search(folded(line)) and line not in above for line in between)
        if _follows(axis[before[-5:]], axis[after[:5]], few=few) and not parted:
            joined.insert(len(joined) if behind else 0, run)
    return np.concatenate(joined)


def _follows(before: FloatArray, after: FloatArray, *, few: bool) -> bool:
    """Return whether frequencies carry on those before them; a `few` closely."""
    left, right = before[np.isfinite(before)], after[np.isfinite(after)]
    if not left.size or not right.size or left[-1] == right[0]:
        return False
    joint = np.concatenate([left, right])
    rising = np.diff(joint) > 0
    one_way = bool(rising.all() or not rising.any())
    if not one_way or not few or joint.size == 2:
        return one_way
    near = left[-2:] if left.size > 1 else right[:2]
    pairs = np.array([[left[-1], right[0]], near])
    scales = (pairs, np.log(pairs)) if pairs.min() > 0 else (pairs,)
    return any(gap <= 4.0 * step for gap, step in (np.abs(np.diff(s)).ravel() for s in scales))


def _checked_strays(lines: Sequence[str], kept: IndexArray, shape: Shape) -> tuple[str, ...]:
    """Refuse a second table, rows mostly unread or broken; return notes of what is left out."""
    first, last = kept[0], kept[-1]
    others = np.delete(np.arange(len(lines)), kept).tolist()
    outside, unread = list[int](), list[int]()
    for index in others:
        if first < index < last:
            continue
        cells = shape.split(lines[index]) if starts_with_number(lines[index]) else []
        read = [shape.number(cell) is not None for cell in cells]
        if shape.values(lines[index]) or (len(cells) > 1 and all(read)):
            outside.append(index)
        elif len(cells) == shape.count and any(read):
            unread.append(index)
    if len(unread) > kept.size:
        raise broken_row(lines[unread[0]], unread[0] + 1, shape)
    for part in ([i for i in outside if i < first], [i for i in outside if i > last]):
        if len(part) >= max(4, _TWIN * kept.size):
            raise MeasurementFileError(
                f"holds more than one table: lines {part[0] + 1} to {part[-1] + 1}, and lines "
                f"{first + 1} to {last + 1}",
                line=part[0] + 1,
                remedy="export one table to a file, or split the file",
            )
    between = [index for index in others if first < index < last and lines[index].strip()]
    for index in between:
        if starts_with_number(lines[index]):
            raise broken_row(lines[index], index + 1, shape)
    notes = list[str]()
    if outside:
        shown = _listed([(index + 1, lines[index]) for index in outside])
        notes.append(f"numbers outside the table ignored ({shown})")
    if between:
        count = f"{len(between)} line{'s' if len(between) > 1 else ''}"
        notes.append(f"{count} of text between rows ignored")
    return tuple(notes)


def _listed(rows: Sequence[tuple[int, str]]) -> str:
    """Return the first three of some lines as they stand, each with its number."""
    said = ", ".join(f"line {number}: {line.strip()[:40]!r}" for number, line in rows[:3])
    return f"{said} and {len(rows) - 3} more" if len(rows) > 3 else said


def _refuse_beyond(
    lines: Sequence[str], kept: IndexArray, axis: FloatArray, shape: Shape, *, column: int
) -> None:
    """Refuse lines beyond the table that carry its frequencies on and are no rows of it.

    A row cut off or broken stands directly below or above. Of rows in another dialect or width one
    is enough where nothing but blank lines is between, else four.
    """
    known = axis[np.isfinite(axis)]
    rising = known[-1] > known[0]
    for below, beyond in ((True, range(kept[-1] + 1, len(lines))), (False, range(kept[0])[::-1])):
        near = [index for index in beyond[: 4 * _ABOVE] if lines[index].strip()]
        rows = [index for index in near if starts_with_number(lines[index])][:5]
        if not rows:
            continue
        cells = shape.split(lines[rows[0]])
        read = [shape.number(cell) for cell in cells]
        number, limit = read[column] if len(cells) > column else None, known[-1 if below else 0]
        carries_on = number is not None and (number > limit) == (rising == below)
        unread = [cell for cell, value in zip(cells, read, strict=True) if value is None]
        broken = len(cells) == shape.count and any(map(str.isdigit, "".join(unread)))
        cut = below and len(cells) < shape.count
        fault = rows[0] == beyond[0] and carries_on and (cut or broken)
        for delimiter, decimal in product(DELIMITERS, get_args(DecimalMark)):
            dialect = Dialect(delimiter=delimiter, decimal=decimal)
            found = list(takewhile(math.isfinite, (_first_of(dialect, lines[i]) for i in rows)))
            ends = np.array(found if below else found[::-1])
            pair = (axis[-5:], ends) if below else (ends, axis[:5])
            enough = len(found) >= (1 if rows[0] == near[0] else 4)
            fault = fault or (enough and _follows(*pair, few=True))
        if fault:
            raise broken_row(lines[rows[0]], rows[0] + 1, shape)


def _first_of(dialect: Dialect, line: str) -> float:
    """Return the first number of a row of two cells or more; nan where it is none."""
    numbers = [dialect.number(cell) for cell in dialect.split(line)]
    if len(numbers) < 2 or None in numbers:
        return math.nan
    return next((number for number in numbers if number and math.isfinite(number)), math.nan)


def _refuse_cut_number(lines: Sequence[str], kept: IndexArray, shape: Shape) -> None:
    """Refuse a last row without a line end whose last number has fewer digits than all others."""
    if kept[-1] < len(lines) - 1 or kept.size <= _ABOVE:
        return
    cells = [shape.split(lines[i])[shape.numeric[-1]] for i in kept[-200:]]
    *digits, last = [len(cell.partition(shape.decimal)[2]) for cell in cells]
    if len(set(digits)) == 1 and last < digits[0]:
        raise MeasurementFileError(
            f"the file ends inside {lines[-1].strip()[:60]!r}: it was cut off",
            line=len(lines),
            remedy="export again, or delete the row",
        )


def broken_row(line: str, number: int, shape: Shape) -> MeasurementFileError:
    """Return the error for a line that should be a row and is not."""
    cells, mark = shape.split(line), shape.decimal
    if len(cells) == shape.count:
        for column in shape.numeric:
            if shape.number(cells[column]) is None:
                return MeasurementFileError(
                    f"{cells[column]!r} is not a number with decimal mark {mark!r}",
                    line=number,
                    where=f"column {column + 1}",
                    remedy="correct the cell, or delete the row",
                )
    return MeasurementFileError(
        f"{line.strip()[:50]!r} ({len(cells)} cells) is no row like the others, which have "
        f"{shape.count} cells, delimiter {shape.delimiter!r}, decimal mark {mark!r} and "
        "frequencies in order",
        line=number,
        remedy="complete the row or delete it (was the export cut off?); of two tables, or of rows "
        "with another delimiter or decimal mark, make two files",
    )
