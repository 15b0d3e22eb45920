"""The frequency axis of a text export made clean: which rows stay, and in which order.

Conventions
-----------
Rows without a number that is needed are dropped and counted; so is the row at 0 Hz. What remains
must rise or fall throughout; falling rows are turned round. A frequency twice is a fault unless
the whole rows are alike.
"""

from __future__ import annotations

import numpy as np

from roomeq.base.errors import MeasurementFileError
from roomeq.base.levels import FloatArray
from roomeq.importers.text.layout import IndexArray, Table

_EDGE = 3  # rows that a preamble or footer may add


def clean_rows(
    table: Table,
    *,
    frequency: int,
    needed: tuple[int, ...],
    has_heading: bool,
) -> tuple[IndexArray, tuple[str, ...]]:
    """Return which rows of a table make the response, ascending, and notes.

    Parameters
    ----------
    table : Table
        The table.
    frequency : int
        Its frequency column, from 0.
    needed : tuple of int
        Columns in which a row must have a number.
    has_heading : bool
        Whether headings stand above the first row, so that no row of preamble can follow them.

    Returns
    -------
    tuple
        Indices of the rows; and notes.

    Raises
    ------
    MeasurementFileError
        If a frequency is negative, out of order, or twice with differing values; or fewer than two
        rows remain.
    """
    axis, notes = table.values[:, frequency], list[str]()
    rows = np.flatnonzero(np.isfinite(axis))
    own_part = _own_part(table, axis, rows, has_heading=has_heading)
    own = rows[own_part]
    notes += [
        f"line {table.line_numbers[row]} ignored: it reads like a row, but does not belong to "
        f"the frequencies ({axis[row]:g} ...)"
        for row in np.delete(rows, own_part)
    ]
    _refuse_disorder(table, axis, own)
    rows = own[axis[own] != 0]
    if rows.size < own.size:
        notes.append("row at 0 Hz dropped")
    numbers = table.values[:, needed]
    whole = np.asarray(np.isfinite(numbers).all(axis=1))
    if gone := sorted([*np.flatnonzero(~np.isfinite(axis)), *rows[~whole[rows]]]):
        shown = "; ".join(
            f"line {table.line_numbers[row]}: {table.rows[row].strip()[:40]!r}" for row in gone[:3]
        )
        notes.append(
            f"{len(gone)} row{'s' if len(gone) > 1 else ''} without a number dropped ({shown}"
            f"{' ...' if len(gone) > 3 else ''})"
        )
    rows = rows[whole[rows]]
    if rows.size > 1 and axis[rows[0]] > axis[rows[-1]]:
        notes.append("sorted from descending to ascending frequency")
        rows = rows[::-1]
    again = np.flatnonzero(np.diff(axis[rows]) == 0) + 1
    for place in again:
        first, second = sorted(rows[place - 1 : place + 1])
        if (numbers[first] != numbers[second]).any():
            line = table.line_numbers[first]
            raise table.fault(
                second,
                f"frequency {axis[second]:g} stands in line {line} too, with other values",
                remedy="delete one of the two, or export frequencies with more digits",
            )
    if again.size:
        plural = "s" if again.size > 1 else ""
        notes.append(f"{again.size} repeated row{plural} dropped (the same numbers)")
    rows = np.delete(rows, again)
    if rows.size < 2:
        raise MeasurementFileError(
            f"only {rows.size} row{'' if rows.size == 1 else 's'} of usable numbers",
            remedy="export frequency and level as columns, with at least two rows",
        )
    return rows, tuple(notes)


def _turned(values: FloatArray) -> FloatArray:
    """Return the steps of an axis, positive where they follow its direction."""
    steps = np.diff(values)
    return steps if np.sign(steps).sum() >= 0 else -steps


def _own_part(table: Table, axis: FloatArray, rows: IndexArray, *, has_heading: bool) -> slice:
    """Return which rows to keep: those at the ends may belong to a preamble or footer."""
    if rows.size < 5:
        return slice(0, rows.size)
    back = np.flatnonzero(_turned(axis[rows]) < 0)
    start, stop = 0, rows.size
    if back.size and not has_heading and back[0] < _EDGE:
        start = int(back[back < _EDGE][-1]) + 1
    elif not has_heading and _first_is_foreign(table, axis[rows]):
        start = 1
    late = back[back >= rows.size - 1 - _EDGE]
    if late.size and late[0] + 1 - start >= 4:
        before, after = table.line_numbers[rows[late[0] : late[0] + 2]]
        stop = late[0] + 1 if after - before > 1 else stop
    return slice(start, int(stop))


def _first_is_foreign(table: Table, axis: FloatArray) -> bool:
    """Return whether a first row stands out: whole numbers among decimals, and a leap after it."""
    mark = table.shape.dialect.decimal
    first, *others = table.rows[:6]
    cells = [cell for line in others for cell in table.shape.dialect.split(line)]
    if len(others) < 3 or mark in first or not all(mark in cell for cell in cells):
        return False
    if min(axis[:4]) <= 0:
        return False
    gaps, ratios = np.abs(np.diff(axis[:4])), np.abs(np.diff(np.log(axis[:4])))
    return bool(gaps[0] > 2.0 * gaps[1:].max() and ratios[0] > 3.0 * ratios[1:].max())


def _refuse_disorder(table: Table, axis: FloatArray, rows: IndexArray) -> None:
    values, remedy = axis[rows], "sort the rows by frequency, or give frequency_column"
    for row in rows[values < 0][:1]:
        raise table.fault(row, f"{axis[row]:g} is no frequency", remedy=remedy)
    for place in np.flatnonzero(_turned(values) < 0)[:1]:
        before, row = rows[place : place + 2]
        said = f"frequency {axis[row]:g} comes after {axis[before]:g}: neither rising nor falling"
        raise table.fault(row, f"{said} throughout", remedy=remedy)
