"""Small typed tables with third-octave bands along one edge: cells sorted by seat and band.

Conventions
-----------
The bands stand in the first column or in the first row, as nominal frequencies of ISO 266 (exact
ones of IEC 61260-1 do too); the other edge names the seats. Lines that start with ``#`` or ``//``
are comments. Lines count from 1. What a cell says is for `roomeq.importers.text.band_table` to
read.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from roomeq.base.bands import ThirdOctaveBand, third_octave_band
from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text.words import Dialect

_NOMINAL_SLACK = 0.02  # nominal and rounded centres lie within 2 % of the exact one
_LOWEST_BAND, _HIGHEST_BAND = 10, 43  # 10 Hz to 20 kHz
_FREQUENCY = re.compile(r"(\d+(?:[.,]\d+)?)\s*(k?)(?:Hz)?", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")
_LETTER = re.compile(r"dB\s*\(?\s*([ACZ])\b", re.IGNORECASE)
_NO_SEAT = re.compile(r"(dB|levels?|SPL)\b.*", re.IGNORECASE)


Cell = tuple[str, int]
"""What stands in a cell, and its line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BandGrid:
    """Cells of a table, sorted.

    Attributes
    ----------
    seats : tuple of str
        In the order of the table.
    bands : tuple of ThirdOctaveBand
        In the order of the table.
    cells : tuple of tuple of (str, int)
        Cell and its line by seat and band; an absent cell is empty.
    bands_in_rows : bool
        Whether each row is a band.
    weightings : frozenset of str
        Letters of the weightings that cells and edges name.
    """

    seats: tuple[str, ...]
    bands: tuple[ThirdOctaveBand, ...]
    cells: tuple[tuple[Cell, ...], ...]
    bands_in_rows: bool
    weightings: frozenset[str]


def sorted_cells(text: str, *, seat: str | None, delimiter: str | None) -> BandGrid:
    """Find out which edge of a table holds the bands, and sort its cells by seat and band.

    Parameters
    ----------
    text : str
        The text of the file.
    seat : str, optional
        Name of the only seat, whatever the table calls it.
    delimiter : str, optional
        What stands between cells; found by default.

    Raises
    ------
    MeasurementFileError
        If there is no such table, a band or seat occurs twice, a heading is no band, or `seat` is
        given for several.
    AmbiguousTableError
        If rows as well as columns could be bands.
    """
    rows, mark = _rows(text, delimiter)
    if seat is not None and all(len(row) == 2 and named_band(row[0][0]) for row in rows):
        first = rows[0][0][1]
        rows = [[("", first), (seat, first)], *rows]
    _square(rows, mark)
    bands_in_rows = _bands_in_rows(rows)
    columns = list(zip(*rows, strict=True))
    (_, *stubs), *by_seat = columns if bands_in_rows else rows
    bands = _bands(stubs)
    return BandGrid(
        seats=_seats([heading for heading, *_ in by_seat], seat),
        bands=bands,
        cells=tuple(tuple(cells) for _, *cells in by_seat),
        bands_in_rows=bands_in_rows,
        weightings=frozenset(
            letter.upper() for row in rows for cell, _ in row for letter in _LETTER.findall(cell)
        ),
    )


def named_band(cell: str) -> ThirdOctaveBand | None:
    """Return the band a heading names by its nominal or rounded exact centre, else None."""
    found = _FREQUENCY.fullmatch(cell.strip())
    if found is None:
        return None
    frequency = float(found.group(1).replace(",", ".")) * (1000.0 if found.group(2) else 1.0)
    if not 1.0 <= frequency <= 20000.0:
        return None
    band = third_octave_band(frequency)
    near = abs(frequency / band.centre - 1.0) <= _NOMINAL_SLACK
    return band if near and _LOWEST_BAND <= band.number <= _HIGHEST_BAND else None


def _rows(text: str, delimiter: str | None) -> tuple[list[list[Cell]], str]:
    lines = [
        (number, line)
        for number, line in enumerate(text.split("\n"), start=1)
        if line.strip() and not line.lstrip().startswith(("#", "//"))
    ]
    mark = delimiter or _mark([line for _, line in lines])
    rows = [[(cell, number) for cell in _split(line, mark)] for number, line in lines]
    if len(rows) < 2 or max(map(len, rows)) < 2:
        raise MeasurementFileError(
            "holds no table of band levels",
            remedy="a row for each band and a column for each seat, or the other way round",
        )
    return rows, mark


def _mark(lines: list[str]) -> str:
    """Return what stands between cells; two blanks stand for a run of at least two."""
    for mark in ("\t", ";"):
        if any(mark in line for line in lines):
            return mark
    if any("," in _DECIMAL_COMMA.sub(".", line) for line in lines):
        return ","
    if all("  " in line.strip() for line in lines):
        return "  "
    return "," if any("," in line and " " not in line.strip() for line in lines) else " "


def _split(line: str, mark: str) -> list[str]:
    if mark == "  ":
        return re.split(r" {2,}", line.strip())
    return Dialect(delimiter=mark, decimal=".").split(line)


def _square(rows: list[list[Cell]], mark: str) -> None:
    """Put in the corner and the cells that are left out, and check that there are headings."""
    head, *body = rows
    widest = max(body, key=len)
    line = head[0][1]
    if len(head) == len(widest) - 1 and mark.isspace():
        head.insert(0, ("", line))
    elif named_band(head[0][0]):
        raise MeasurementFileError(
            "the first line has no heading",
            line=line,
            remedy="name each column in it; for one seat, give the seat",
        )
    if len(widest) > len(head):
        raise MeasurementFileError(
            f"{len(widest)} cells, but the heading has {len(head)}",
            line=widest[0][1],
            remedy="with decimal commas, put semicolons between the cells",
        )
    for row in body:
        row += [("", row[0][1])] * (len(head) - len(row))


def _bands_in_rows(rows: list[list[Cell]]) -> bool:
    line = rows[0][0][1]
    across, down = (
        sum(named_band(cell) is not None for cell, _ in edge) / len(edge)
        for edge in (rows[0][1:], [row[0] for row in rows[1:]])
    )
    if across == 1.0 and down == 1.0:
        raise AmbiguousTableError(
            "rows as well as columns could be bands",
            line=line,
            remedy="name the seats with a word, such as 'seat 20'",
        )
    if max(across, down) < 0.5:
        raise MeasurementFileError(
            "neither the first line nor the first column holds nominal frequencies",
            line=line,
            remedy="head each band with its nominal frequency: 20, 25, 31.5, 40 and so on",
        )
    return down > across


def _bands(headings: Sequence[Cell]) -> tuple[ThirdOctaveBand, ...]:
    bands: list[ThirdOctaveBand] = []
    for heading, line in headings:
        band = named_band(heading)
        if band is None or band in bands:
            raise MeasurementFileError(
                f"{heading!r} is no third-octave band"
                if band is None
                else f"the band of {band.label} Hz occurs twice",
                line=line,
                remedy="nominal frequencies from 10 Hz to 20 kHz, each once, and nothing else",
            )
        bands.append(band)
    return tuple(bands)


def _seats(names: Sequence[Cell], seat: str | None) -> tuple[str, ...]:
    if seat is not None:
        if len(names) != 1:
            raise MeasurementFileError(
                f"holds {len(names)} seats, not {seat!r} alone",
                line=names[0][1],
                remedy="leave the seat out: the table names its own",
            )
        return (seat,)
    seats: list[str] = []
    for name, line in names:
        if not name or _NO_SEAT.fullmatch(name):
            raise MeasurementFileError(
                f"{name!r} names no seat",
                line=line,
                remedy="name each seat; for one seat, give the seat",
            )
        if name in seats:
            raise MeasurementFileError(
                f"seat {name!r} occurs twice", line=line, remedy="name each seat once"
            )
        seats.append(name)
    return tuple(seats)
