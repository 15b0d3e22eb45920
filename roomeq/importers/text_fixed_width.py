"""Tables of fixed width in which a cell is blank or two numbers touch.

Conventions
-----------
Columns are found from the complete rows: they all end, or all begin, at the same characters. A
line with fewer cells is cut there, and only if every cell of it fits; a blank becomes ``nan``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

from roomeq.importers.text_cells import starts_with_number
from roomeq.importers.text_dialect import Shape

__all__ = ["fixed_width_lines"]

_CELL = re.compile(r"\S+")
_LOOKED_AT = 200


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
