"""Numbers that are in a text export but not in its table, and rows that are broken.

Conventions
-----------
Lines count from 0 in arguments, from 1 in messages. Text between and around the rows is let go;
numbers around them are named in a note; a line that should have been a row is a fault of the file.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from roomeq.errors import MeasurementFileError
from roomeq.importers.text_cells import starts_with_number
from roomeq.importers.text_dialect import Shape

__all__ = ["broken_row", "checked_inside", "checked_outside", "refuse_broken_ends"]

_TWIN = 0.5  # part of the table's rows from which other rows are a second table


def checked_outside(
    lines: Sequence[str],
    indices: Sequence[int],
    left_out: Sequence[int],
    shape: Shape,
) -> tuple[str, ...]:
    """Refuse a second table; return notes of numbers left out."""
    first, last = indices[0], indices[-1]
    outside = {index for index in left_out if not first <= index < last}
    for index in (*range(first), *range(last + 1, len(lines))):
        if index not in outside and starts_with_number(lines[index]):
            cells = shape.dialect.split(lines[index])
            if len(cells) > 1 and all(shape.dialect.number(cell) is not None for cell in cells):
                outside.add(index)
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
