"""Where the table stands in a text export: its rows, and the lines above and around it.

Conventions
-----------
Lines count from 1. A row is a line in the table's shape. The table is the longest run of rows;
other runs belong to it where they carry its frequencies on, past comments and repeated headings,
and are otherwise numbers of a preamble or footer. A line inside the table that starts with a
number but is no row is a fault of the file; it is never skipped.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from roomeq.errors import MeasurementFileError
from roomeq.importers.text_cells import DecimalMark, starts_with_number
from roomeq.importers.text_dialect import Shape, choose_shape
from roomeq.importers.text_faults import (
    checked_inside,
    checked_outside,
    refuse_broken_ends,
    skipped_note,
)
from roomeq.importers.text_fixed_width import fixed_width_lines
from roomeq.importers.text_pieces import read_large_rows
from roomeq.importers.text_values import read_columns
from roomeq.importers.text_words import folded
from roomeq.levels import FloatArray

__all__ = ["Table", "find_table"]

_QUOTED_LINE = re.compile(r"^[ \t]*\"([^\"\n]*[;\t|][^\"\n]*)\"[ \t]*$", re.MULTILINE)
_PAIRS = re.compile(r"\s*[+-]?\d+,\d+(?: *, *[+-]?\d+,\d+)+\s*")
_PAIR = re.compile(r"([+-]?\d+,\d+) *, *")
_HEADING = re.compile(r"freq|frec|frek|czest|\bf\b|\bk?hz\b")
_LARGE = 16_000  # characters from which only the ends are looked at line by line
_END = 8_000  # characters of an end
_FEWEST = 20  # lines of an end
_SAMPLE = 120  # lines of an end from which the dialect is told
_BLOCK = 8  # rows without anything between from which an end of a large table is known
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
    first_rows : tuple of str
        The first rows as they stand.
    notes : tuple of str
        What was left out.
    """

    shape: Shape
    values: FloatArray
    line_numbers: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    above: tuple[str, ...]
    first_rows: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Which lines are rows: plain ones for the C reader, odd ones already read."""

    plain: list[int]
    odd: dict[int, list[float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """Rows with nothing but blank lines between: lines from 0, first numbers near both ends."""

    rows: list[int]
    axis: int
    head: list[float]
    tail: list[float]


def find_table(
    text: str,
    *,
    path: str,
    delimiter: str | None = None,
    decimal: DecimalMark | None = None,
) -> Table:
    r"""Find the table in the text of a file.

    Parameters
    ----------
    text : str
        The file's text with ``\n`` line ends.
    path : str
        The file, for messages.
    delimiter, decimal : str, optional
        Given where known.

    Raises
    ------
    AmbiguousTableError
        If the dialect cannot be told.
    MeasurementFileError
        If there is no table, more than one, or a broken row.
    """
    if decimal == "," and delimiter in (None, ",") and '"' not in text:
        text, delimiter = _with_pairs_parted(text, delimiter)
    text = _without_line_quotes(text)
    if len(text) > _LARGE:
        found = _large_table(text, path=path, delimiter=delimiter, decimal=decimal)
        if found is not None:
            return found
    lines = text.split("\n")
    shape = choose_shape(lines, path=path, delimiter=delimiter, decimal=decimal)
    if shape.dialect.delimiter == " ":
        lines = fixed_width_lines(lines, shape=shape)
    rows = _rows(lines, shape)
    runs = _runs(lines, rows, shape)
    if not runs:
        raise MeasurementFileError("holds no table of numbers", path=path)
    joined, left_out = _joined(lines, runs)
    indices = [index for run in joined for index in run.rows]
    notes = checked_outside(
        lines, indices, [i for run in left_out for i in run.rows], shape, path=path
    )
    notes += checked_inside(lines, indices, shape, path=path)
    if joined[0].head and joined[-1].tail and len(indices) > 1:
        refuse_broken_ends(
            lines,
            indices,
            shape,
            axis=joined[0].axis,
            limits=(joined[0].head[0], joined[-1].tail[-1]),
            path=path,
        )
    return Table(
        shape=shape,
        values=_values(lines, indices, rows, shape),
        line_numbers=np.array(indices, dtype=np.int64) + 1,
        above=tuple(reversed(lines[max(0, indices[0] - _ABOVE) : indices[0]])),
        first_rows=tuple(lines[index] for index in indices[:6]),
        notes=notes,
    )


def _with_pairs_parted(text: str, delimiter: str | None) -> tuple[str, str | None]:
    """Part cells by semicolons where commas are both decimal marks and delimiters."""
    numbers = [line for line in text.split("\n") if starts_with_number(line)]
    if sum(_PAIRS.fullmatch(line) is not None for line in numbers) <= 0.5 * len(numbers):
        return text, delimiter
    parted = [
        _PAIR.sub(r"\1;", line) if _PAIRS.fullmatch(line) else line for line in text.split("\n")
    ]
    return "\n".join(parted), ";"


def _without_line_quotes(text: str) -> str:
    """Take quotes off that enclose whole lines, delimiters and all."""
    middle = len(text) // 2 if len(text) > _LARGE else 0
    looked_at = text[middle : middle + _END] if middle else text
    if '"' not in looked_at or _QUOTED_LINE.search(looked_at) is None:
        return text
    numbers = [line for line in text.split("\n") if starts_with_number(line)]
    if 2 * sum(_QUOTED_LINE.fullmatch(line) is not None for line in numbers) <= len(numbers):
        return text
    return _QUOTED_LINE.sub(r"\1", text)


def _rows(lines: Sequence[str], shape: Shape) -> _Rows:
    matches = shape.dialect.plain_row(shape.count).fullmatch
    plain: list[int] = []
    odd: dict[int, list[float]] = {}
    for index, line in enumerate(lines):
        if shape.plain and matches(line):
            plain.append(index)
        elif line and not line.isspace():
            values = shape.values(line)
            if values is not None:
                odd[index] = values
    return _Rows(plain=plain, odd=odd)


def _values(lines: Sequence[str], indices: Sequence[int], rows: _Rows, shape: Shape) -> FloatArray:
    """Return the numbers of the rows at `indices`, shape (N, C)."""
    values = np.full((len(indices), shape.count), np.nan)
    odd = [(place, rows.odd[index]) for place, index in enumerate(indices) if index in rows.odd]
    if len(odd) < len(indices):
        plain = [index for index in indices if index not in rows.odd]
        is_plain = np.ones(len(indices), dtype=bool)
        is_plain[[place for place, _ in odd]] = False
        values[is_plain] = read_columns(
            "\n".join([lines[index] for index in plain]),
            dialect=shape.dialect,
            columns=shape.numeric,
            count=shape.count,
        )
    if odd:
        places = np.array([place for place, _ in odd])
        values[np.ix_(places, np.array(shape.numeric))] = [numbers for _, numbers in odd]
    return values


def _runs(lines: Sequence[str], rows: _Rows, shape: Shape) -> list[_Run]:
    indices = sorted([*rows.plain, *rows.odd]) if rows.odd else rows.plain
    groups: list[list[int]] = []
    previous = -2
    for index in indices:
        if index == previous + 1 or (
            groups and all(not lines[between].strip() for between in range(previous + 1, index))
        ):
            groups[-1].append(index)
        else:
            groups.append([index])
        previous = index
    if not groups:
        return []
    column = _axis_column(lines, max(groups, key=len), shape)
    return [
        _Run(
            rows=group,
            axis=shape.numeric[column],
            head=_finite(lines, group[:5], shape, column),
            tail=_finite(lines, group[-5:], shape, column),
        )
        for group in groups
    ]


def _finite(lines: Sequence[str], indices: Iterable[int], shape: Shape, column: int) -> list[float]:
    read = (shape.values(lines[index]) for index in indices)
    numbers = [values[column] for values in read if values is not None]
    return [number for number in numbers if math.isfinite(number)]


def _axis_column(lines: Sequence[str], group: Sequence[int], shape: Shape) -> int:
    """Return which of the numeric columns rises or falls throughout, the first by default."""
    read = [shape.values(lines[index]) for index in group[:20]]
    for column in range(len(shape.numeric)):
        numbers = [row[column] for row in read if row is not None and math.isfinite(row[column])]
        steps = [b - a for a, b in pairwise(numbers)]
        if steps and (min(steps) > 0 or max(steps) < 0):
            return column
    return 0


def _joined(lines: Sequence[str], runs: Sequence[_Run]) -> tuple[list[_Run], list[_Run]]:
    """Return the runs that make the table, in order, and the rest."""
    main = max(range(len(runs)), key=lambda i: len(runs[i].rows))
    joined: list[_Run] = [runs[main]]
    left_out: list[_Run] = []
    for run in runs[main + 1 :]:
        follows = _follows(joined, [run]) and not _parted_by_heading(lines, joined[-1], run)
        (joined if follows else left_out).append(run)
    for run in reversed(runs[:main]):
        if _follows([run], joined) and not _parted_by_heading(lines, run, joined[0]):
            joined.insert(0, run)
        else:
            left_out.append(run)
    return joined, left_out


def _parted_by_heading(lines: Sequence[str], before: _Run, after: _Run) -> bool:
    """Return whether a heading stands between two runs that does not stand above the first, too."""
    between = lines[before.rows[-1] + 1 : after.rows[0]]
    return not _are_comments(between, lines[: before.rows[0]])


def _are_comments(between: Iterable[str], above: Iterable[str]) -> bool:
    """Return whether no line between rows is a heading that does not stand above them, too."""
    headings = {line.strip() for line in set(between) if _HEADING.search(folded(line))}
    return headings <= {line.strip() for line in above}


def _follows(before: Sequence[_Run], after: Sequence[_Run]) -> bool:
    """Return whether the frequencies of `after` carry on those of `before`."""
    left, right = before[-1].tail, after[0].head
    if not left or not right or left[-1] == right[0]:
        return False
    rising = right[0] > left[-1]
    ends = [number for run in (*before, *after) for number in (*run.head, *run.tail)]
    inner = [b - a for part in (left, right) for a, b in pairwise(part)]
    if any((step > 0) is not rising for step in inner):
        return False
    few = min(sum(len(run.rows) for run in part) for part in (before, after)) < 3
    if not few or not inner or min(ends) < 0:
        return True
    near = left[-2:] if len(left) > 1 else right[:2]
    gap, step = abs(right[0] - left[-1]), abs(near[1] - near[0])
    if gap <= 4.0 * step or min(*near, left[-1], right[0]) <= 0:
        return gap <= 4.0 * step
    return abs(math.log(right[0] / left[-1])) <= 4.0 * abs(math.log(near[1] / near[0]))


def _large_table(
    text: str, *, path: str, delimiter: str | None, decimal: DecimalMark | None
) -> Table | None:
    """Read a large file by looking at its ends only; None if it is not that simple."""
    cut = text.index("\n", _END) if "\n" in text[_END : 2 * _END] else 0
    end_cut = text.rfind("\n", 0, len(text) - _END) + 1
    head, tail = text[:cut].split("\n"), text[end_cut:].split("\n")
    middle = text[len(text) // 2 : len(text) // 2 + _END].split("\n")[1:-1]
    if len(head) < _FEWEST or len(tail) < _FEWEST:
        return None
    sample = [*head[:_SAMPLE], *middle[:_SAMPLE], *tail[-_SAMPLE:]]
    shape = choose_shape(sample, path=path, delimiter=delimiter, decimal=decimal)
    if not shape.plain:
        return None
    first = next((i for i, line in enumerate(head) if shape.is_row(line)), 0)
    last = next((i for i in range(len(tail), 0, -1) if shape.is_row(tail[i - 1])), 0)
    # Between these two blocks text may stand; what is neither that nor a row, the reader refuses.
    blocks = (head[first : first + _BLOCK], tail[max(0, last - _BLOCK) : last])
    if not all(len(block) == _BLOCK and all(map(shape.is_row, block)) for block in blocks):
        return None
    if any(starts_with_number(line) for line in (*head[:first], *tail[last:])):
        return None
    start = sum(len(line) + 1 for line in head[:first])
    stop = end_cut + sum(len(line) + 1 for line in tail[:last]) - 1
    if shape.dialect.grouping and shape.dialect.bad_grouping(text[start:stop]):
        return None
    rows = read_large_rows(text, start=start, stop=stop, shape=shape, first_line=first + 1)
    if rows is None or not _are_comments(rows.skipped, head[:first]):
        return None
    return Table(
        shape=shape,
        values=rows.values,
        line_numbers=rows.lines,
        above=tuple(reversed(head[max(0, first - _ABOVE) : first])),
        first_rows=tuple(head[first : first + 6]),
        notes=skipped_note(len(rows.skipped)),
    )
