"""Small typed tables with third-octave bands along one edge: cells sorted by seat and band.

Conventions
-----------
The bands stand in the first column or in the first row, as nominal frequencies of ISO 266 (exact
ones of IEC 61260-1 do too); the other edge names the seats. Lines that start with ``#`` or ``//``
are comments. Lines count from 1. What a cell says is for `roomeq.importers.text.band_table` to
read.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from roomeq.base.bands import ThirdOctaveBand, third_octave_band
from roomeq.base.errors import AmbiguousTableError, MeasurementFileError

_NOMINAL_SLACK = 0.02  # nominal and rounded centres lie within 2 % of the exact one
_LOWEST_BAND, _HIGHEST_BAND = 10, 43  # 10 Hz to 20 kHz
_FREQUENCY = re.compile(r"(\d+(?:[.,]\d+)?)\s*(k?)(?:Hz)?", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")
_NO_SEAT = re.compile(r"(dB|levels?|SPL)\b.*", re.IGNORECASE)


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
    edges : str
        Text of both edges, for units written there.
    """

    seats: tuple[str, ...]
    bands: tuple[ThirdOctaveBand, ...]
    cells: tuple[tuple[tuple[str, int], ...], ...]
    bands_in_rows: bool
    edges: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    line: int
    cells: list[str]


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
    if seat is not None and all(len(row.cells) == 2 and named_band(row.cells[0]) for row in rows):
        rows = [_Row(line=rows[0].line, cells=["", seat]), *rows]
    head, body = rows[0], rows[1:]
    titles = _titles(rows, mark)
    columns = [(title, head.line) for title in titles]
    stubs = [(row.cells[0], row.line) for row in body]
    bands_in_rows = _bands_in_rows(columns, stubs)
    bands = _bands(stubs if bands_in_rows else columns)
    cells = [[(cell, row.line) for cell in _filled(row.cells[1:], len(titles))] for row in body]
    if bands_in_rows:
        cells = [list(column) for column in zip(*cells, strict=True)]
    return BandGrid(
        seats=_seats(columns if bands_in_rows else stubs, seat),
        bands=bands,
        cells=tuple(tuple(row) for row in cells),
        bands_in_rows=bands_in_rows,
        edges=" | ".join([*head.cells, *(stub for stub, _ in stubs)]),
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


def _rows(text: str, delimiter: str | None) -> tuple[list[_Row], str]:
    lines = [
        (number, line)
        for number, line in enumerate(text.split("\n"), start=1)
        if line.strip() and not line.lstrip().startswith(("#", "//"))
    ]
    mark = delimiter or _mark([line for _, line in lines])
    rows = [_Row(line=number, cells=_split(line, mark)) for number, line in lines]
    if len(rows) < 2 or max(len(row.cells) for row in rows) < 2:
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
    if mark == " ":
        return line.split()
    cells = next(csv.reader([line], delimiter=mark, skipinitialspace=mark != "\t"))
    return [cell.strip() for cell in cells]


def _filled(cells: list[str], width: int) -> list[str]:
    return cells + [""] * (width - len(cells))


def _titles(rows: list[_Row], mark: str) -> list[str]:
    """Return the column headings without the corner, or say that there are none."""
    head, body = rows[0], rows[1:]
    widest = max(body, key=lambda row: len(row.cells))
    no_corner = len(head.cells) == len(widest.cells) - 1 and mark.isspace()
    if not no_corner and named_band(head.cells[0]):
        raise MeasurementFileError(
            "the first line has no heading",
            line=head.line,
            remedy="name each column in it; for one seat, give the seat",
        )
    titles = head.cells if no_corner else head.cells[1:]
    if len(widest.cells) > len(titles) + 1:
        raise MeasurementFileError(
            f"{len(widest.cells)} cells, but the heading has {len(head.cells)}",
            line=widest.line,
            remedy="with decimal commas, put semicolons between the cells",
        )
    return titles


def _bands_in_rows(columns: list[tuple[str, int]], stubs: list[tuple[str, int]]) -> bool:
    across, down = (
        sum(named_band(cell) is not None for cell, _ in edge) / len(edge)
        for edge in (columns, stubs)
    )
    if across == 1.0 and down == 1.0:
        raise AmbiguousTableError(
            "rows as well as columns could be bands",
            line=columns[0][1],
            remedy="name the seats with a word, such as 'seat 20'",
        )
    if max(across, down) < 0.5:
        raise MeasurementFileError(
            "neither the first line nor the first column holds nominal frequencies",
            line=columns[0][1],
            remedy="head each band with its nominal frequency: 20, 25, 31.5, 40 and so on",
        )
    return down > across


def _bands(headings: list[tuple[str, int]]) -> tuple[ThirdOctaveBand, ...]:
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


def _seats(names: list[tuple[str, int]], seat: str | None) -> tuple[str, ...]:
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
