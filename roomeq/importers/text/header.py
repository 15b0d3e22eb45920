"""Headings of the columns of a text export, in one line or two.

Conventions
-----------
A line above the table is its heading if it splits into as many cells as a row and speaks of
frequency, or mostly of things a response has. Lines of preamble that merely happen to have as many
commas, with dates, settings or numbers in them, are none. A second line may hold the units, or
names of seats over their columns.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise

from roomeq.importers.text.dialect import Shape
from roomeq.importers.text.layout import Table, broken_row
from roomeq.importers.text.words import heading_of, is_unit_only, starts_with_number

_LEADER = re.compile(r"^\s*(?:[#%*!;'\"]+|//+|--+(?=\s)|rem\b)\s*", re.IGNORECASE)
_WITH_UNIT = re.compile(
    r"[^\s()\[\]]+(?:\s*[(\[][^)\]]*[)\]])(?=\s|$)|[(\[][^)\]]*[)\]](?=\s|$)|\S+"
)
_DATE = re.compile(r"\b(?:19|20)\d\d\b|\d{1,2}[./:-]\d{1,2}(?:[./:-]|\b)")
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_KEY = re.compile(r":\s*\S")
_SEARCHED = 5  # lines of text above the table that may be headings


def read_headings(table: Table) -> tuple[tuple[str, ...], bool]:
    """Return what stands above each column of a table, and whether it has a heading at all.

    Units written into the cells of the rows count as if they stood in the heading.

    Raises
    ------
    MeasurementFileError
        If a line of numbers stands between the heading and the table: it should be a row.
    """
    count = table.shape.count
    above = [line for _, line in table.remarks]
    texts, behind = _from_lines(above, table.shape)
    for number, line in table.remarks[:behind]:
        if starts_with_number(line):
            raise broken_row(line, number, table.shape)
    cells = table.shape.split(table.rows[0])
    filled = texts or [""] * count
    of_text = set(range(count)).difference(table.shape.numeric)
    for column in table.shape.numeric:
        unit = table.shape.unit(cells[column])
        if not unit and column + 1 in of_text and is_unit_only(cells[column + 1]):
            unit = cells[column + 1]
        if unit and heading_of(filled[column]).unit is None:
            filled[column] = f"{filled[column]} ({unit})" if filled[column] else unit
    return tuple(filled), texts is not None


def _from_lines(above: Sequence[str], shape: Shape) -> tuple[list[str] | None, int]:
    """Return the headings, and how many lines stand between them and the table."""
    lines = [line for line in above if any(c.isalnum() or c in "°#%" for c in line)] + [""]
    for line, upper in pairwise(lines[: _SEARCHED + 1]):
        cells = _best_cells(line, shape)
        if cells is not None and (_is_heading(cells) or _are_units(cells)):
            return _joined(cells, upper, shape), above.index(line)
    return None, 0


def _best_cells(line: str, shape: Shape) -> list[str] | None:
    """Return the split of a heading under which most cells are understood; the rows' own first."""
    leader = _LEADER.match(line)
    texts = [line]
    quoted = line.count('"') % 2 == 0 and line.lstrip().startswith(('"', "'"))
    if leader is not None and not quoted and shape.delimiter not in leader[0].strip():
        texts.insert(0, line[leader.end() :])
    own = [shape.split(text) for text in texts if shape.delimiter != " "]
    others = [cells for text in texts for cells in _splits(text)]
    padded = [[*cells, ""] for cells in own if len(cells) > 1 and cells[0]]
    for group in (own, others, padded):
        whole = [c[:-1] if len(c) > shape.count and not c[-1] else c for c in group]
        best = max((c for c in whole if len(c) == shape.count), key=_known, default=None)
        if best is not None and (_known(best) or group is not own):
            return best
    return None


def _known(cells: Sequence[str]) -> int:
    return sum(heading_of(cell).role != "unknown" for cell in cells)


def _splits(text: str) -> Iterator[list[str]]:
    """Yield a heading parted by marks, by wide blanks, and by words with their units."""
    cut = [text.strip().strip("|").split(mark) for mark in "\t;|," if mark in text]
    cut += [re.split(r"\t+|\s{2,}", text.strip()), _WITH_UNIT.findall(text)]
    for cells in (*cut, _with_units_joined(text.split()), text.split()):
        yield [cell.strip().strip('"') for cell in cells]


def _with_units_joined(words: Sequence[str]) -> list[str]:
    """Join words that are mere units to the word before: ``Level dB SPL`` is one heading."""
    cells: list[str] = []
    for word in words:
        behind = word.strip("()[]").lower() in ("spl", "fs", "re", "20", "µpa", "upa")
        if cells and (behind or (is_unit_only(word) and not is_unit_only(cells[-1]))):
            cells[-1] += f" {word}"
        else:
            cells.append(word)
    return cells


def _is_heading(cells: Sequence[str]) -> bool:
    roles = {heading_of(cell).role for cell in cells}
    # The number of a row, or a time, counts beside a level.
    known = _known(cells) if roles - {"index", "other", "unknown"} else 0
    told = ("frequency" in roles and len(cells) > 1) or 2 * known > len(cells)
    keyed = _KEY.search(cells[0]) is not None and "re:" not in cells[0].lower()
    dated = any(map(_DATE.search, cells)) and known < len(cells)
    numbers = [cell for cell in cells if _NUMBER.fullmatch(cell)]
    counted = numbers == [str(i + 1) for i in range(len(numbers))]
    return told and counted and not keyed and not dated


def _are_units(cells: Sequence[str]) -> bool:
    return any(cells) and all(is_unit_only(cell) for cell in cells)


def _joined(lower: list[str], upper_line: str, shape: Shape) -> list[str]:
    """Join a heading with the line above it, where the two belong together."""
    upper = _best_cells(upper_line, shape)
    if _are_units(lower):
        if upper is None or not _may_name(upper):
            return lower
    elif upper is not None and _are_units(upper):
        lower, upper = upper, lower
    else:
        upper = _group_labels(upper_line, shape)
        if upper is None:
            return lower
    return [" ".join(filter(None, pair)).strip() for pair in zip(upper, lower, strict=True)]


def _may_name(cells: Sequence[str]) -> bool:
    dated = any(_NUMBER.fullmatch(cell) or _DATE.search(cell) for cell in cells)
    return not dated and not _KEY.search(cells[0])


def _group_labels(line: str, shape: Shape) -> list[str] | None:
    """Return labels that stand over groups of columns, repeated over each group."""
    if shape.delimiter == " ":
        return None
    cells = shape.split(_LEADER.sub("", line) if line[:1] in "#%*!" else line)
    if not 2 <= len(cells) <= shape.count or not any(cells[1:]) or not _may_name(cells):
        return None
    if cells[0] and heading_of(cells[0]).role != "frequency":
        return None
    cells += [""] * (shape.count - len(cells))
    for column in range(2, len(cells)):
        cells[column] = cells[column] or cells[column - 1]
    return cells
