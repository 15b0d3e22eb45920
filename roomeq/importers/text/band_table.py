"""Hand-typed band levels: a small table of third-octave levels from a sound level meter.

Conventions
-----------
Levels are in dB SPL; each is the power in its band and comes back at the exact centre of
IEC 61260-1. The bands stand in the first column or in the first row, as nominal frequencies of
ISO 266 (exact ones of IEC 61260-1 do too); the other edge names the seats. Lines that start with
``#`` or ``//`` are comments. Missing cells are refused, never filled.

Read a table of a subwoofer's maximum output: typed into the room file, or a file of two columns.

As for `roomeq.device.output_table`; nothing is interpolated between bands.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from os import PathLike, fspath
from typing import Any, Literal, NamedTuple

import numpy as np

from roomeq.base.bands import ThirdOctaveBand, third_octave_band
from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.levels import HIGHEST_LEVEL_DB, require_one_of
from roomeq.base.response import FrequencyResponse
from roomeq.device.output_table import OutputTable
from roomeq.importers.text.decoding import faults_of, read_decoded_text
from roomeq.importers.text.export import TextExport
from roomeq.importers.text.microphone import Weighting, remove_weighting
from roomeq.importers.text.words import Dialect

_NOMINAL_SLACK = 0.02  # nominal and rounded centres lie within 2 % of the exact one
_LOWEST_BAND, _HIGHEST_BAND = 10, 43  # 10 Hz to 20 kHz
_SLIP_DB = 18.0
"""In 1299 seats of rooms the largest level above those of both bands beside it was 15.4 dB; a slip
of 10 dB looks like a mode."""

_FREQUENCY = re.compile(r"(\d+(?:[.,]\d+)?)\s*(k?)(?:Hz)?", re.IGNORECASE)
_LEVEL = re.compile(
    r"([-+]?\d+(?:[.,]\d+)?)\s*(?:dB\s*\(?\s*[ACZ]?\s*\)?(?:\s*SPL)?)?", re.IGNORECASE
)
_WEIGHTING = re.compile(r"dB\s*\(?\s*([ACZ])\b", re.IGNORECASE)
_NO_SEAT = re.compile(r"((dB|levels?|SPL)\b.*)?", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")
_EDGES = (
    "a row for each third octave, headed by its nominal frequency from 10 Hz to 20 kHz, and a "
    "column for each seat, headed by its name, each once; or the other way round"
)
_CANNOT_TELL = (
    "third-octave levels: each is the power in its band; narrow peaks and dips within a band, "
    "cancellations and phase cannot be told from them"
)

_Cell = tuple[str, int]
"""What stands in a cell, and its line."""


def read_band_table(
    path: str | PathLike[str],
    *,
    weighting: Weighting = "none",
    seat: str | None = None,
    decimal: Literal[".", ","] | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> TextExport:
    """Read a table of third-octave band levels.

    Parameters
    ----------
    path : path-like
        Text with tabs, semicolons, commas or blanks between the cells.
    weighting : {"none", "C", "A"}
        Weighting of the meter, removed at the exact centres.
    seat : str, optional
        Name of the seat, where the table holds only one; whatever the table calls it is not used.
    decimal : {".", ","}, optional
        Decimal mark; found by default.
    delimiter : str, optional
        What stands between cells; found by default.
    encoding : str, optional
        Found by default.

    Returns
    -------
    TextExport
        The seats' names in the order of the table; one response for each, weighting removed,
        ``resolution="third_octave"``; what was done or assumed, and what such data cannot tell.

    Raises
    ------
    MeasurementFileError
        If there is no such table; a cell is missing or no level from 0 to 140 dB; a level is more
        than 18 dB above the bands on both sides; a band or seat
        occurs twice; `seat` is given for several; the cells say another weighting; or A weighting
        is to be removed below 40 Hz.
    AmbiguousTableError
        If rows as well as columns could be bands.
    ValueError
        If the weighting is unknown, or there is no such encoding.
    OSError
        If the file cannot be opened.
    """
    require_one_of(weighting, Weighting, "weighting")
    text, assumed = read_decoded_text(path, encoding=encoding)
    with faults_of(path):
        grid = _grid(text, seat=seat, delimiter=delimiter)
        if others := grid.letters - {"Z" if weighting == "none" else weighting}:
            raise MeasurementFileError(
                f"the table says dB({', '.join(sorted(others))}), but the weighting is given as "
                f"{weighting!r}",
                remedy="give the weighting that the meter was set to",
            )
        responses = tuple(_response(grid, seat, decimal, weighting) for seat in grid.seats)
    return TextExport(
        path=fspath(path),
        names=tuple(grid.seats),
        responses=responses,
        notes=(*assumed, *_notes(grid.bands, weighting)),
    )


def named_weighting(path: str | PathLike[str], *, seat: str | None = None) -> Weighting | None:
    """Return the weighting that the cells of a table of band levels name; None where none is.

    Raises
    ------
    MeasurementFileError
        If there is no such table, or it names several.
    """
    text, _ = read_decoded_text(path)
    with faults_of(path):
        letters = sorted(_grid(text, seat=seat, delimiter=None).letters)
        if len(letters) > 1:
            raise MeasurementFileError(f"names the weightings {', '.join(letters)}")
    named: dict[str, Weighting] = {"Z": "none", "A": "A", "C": "C"}
    return named[letters[0]] if letters else None


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


class _Grid(NamedTuple):
    """Bands of a table, the cells of each seat in their order, and the weightings it names."""

    bands: list[ThirdOctaveBand]
    seats: dict[str, list[_Cell]]
    letters: set[str]


def _grid(text: str, *, seat: str | None, delimiter: str | None) -> _Grid:
    """Find out which edge of a table holds the bands, and sort its cells by seat and band."""
    rows = _rows(text, seat=seat, delimiter=delimiter)
    (_, *headings), *by_seat = list(zip(*rows, strict=True)) if _bands_in_rows(rows) else rows
    bands: list[ThirdOctaveBand] = []
    for heading, line in headings:
        band = named_band(heading)
        if band is None or band in bands:
            said = "is no third-octave band" if band is None else "occurs twice"
            raise MeasurementFileError(f"{heading!r} {said}", line=line, remedy=_EDGES)
        bands.append(band)
    if seat is not None and len(by_seat) != 1:
        raise MeasurementFileError(
            f"holds {len(by_seat)} seats, not {seat!r} alone",
            line=by_seat[0][0][1],
            remedy="leave the seat out: the table names its own",
        )
    seats: dict[str, list[_Cell]] = {}
    for (name, line), *cells in by_seat:
        if seat is None and (_NO_SEAT.fullmatch(name) or name in seats):
            said = "occurs twice" if name in seats else "names no seat"
            remedy = "name each seat, once; for one seat, give the seat"
            raise MeasurementFileError(f"{name!r} {said}", line=line, remedy=remedy)
        seats[name if seat is None else seat] = cells
    letters = {w.upper() for row in rows for cell, _ in row for w in _WEIGHTING.findall(cell)}
    return _Grid(bands, seats, letters)


def _rows(text: str, *, seat: str | None, delimiter: str | None) -> list[list[_Cell]]:
    """Return the cells of a table, a heading in its first row, all rows equally long."""
    lines = {
        number: line
        for number, line in enumerate(text.split("\n"), start=1)
        if line.strip() and not line.lstrip().startswith(("#", "//"))
    }
    mark = delimiter or _mark([*lines.values()])
    if mark == "  ":
        lines = {number: re.sub(r" {2,}", "\t", line.strip()) for number, line in lines.items()}
    dialect = Dialect(delimiter="\t" if mark == "  " else mark, decimal=".")
    rows = [[(cell, n) for cell in dialect.split(line)] for n, line in lines.items()]
    if len(rows) < 2 or max(map(len, rows)) < 2:
        raise MeasurementFileError("holds no table of band levels", remedy=_EDGES)
    line = rows[0][0][1]
    if seat is not None and all(len(row) == 2 and named_band(row[0][0]) for row in rows):
        rows.insert(0, [("", line), (seat, line)])
    head, *body = rows
    widest = max(body, key=len)
    if len(head) == len(widest) - 1 and mark.isspace():
        head.insert(0, ("", line))
    elif named_band(head[0][0]):
        remedy = "name each column in it; for one seat, give the seat"
        raise MeasurementFileError("the first line has no heading", line=line, remedy=remedy)
    if len(widest) > len(head):
        raise MeasurementFileError(
            f"{len(widest)} cells, but the heading has {len(head)}",
            line=widest[0][1],
            remedy="with decimal commas, put semicolons between the cells",
        )
    for row in body:
        row += [("", row[0][1])] * (len(head) - len(row))
    return rows


def _mark(lines: Sequence[str]) -> str:
    """Return what stands between cells; two blanks stand for a run of at least two."""
    for mark in ("\t", ";"):
        if any(mark in line for line in lines):
            return mark
    if any("," in _DECIMAL_COMMA.sub(".", line) for line in lines):
        return ","
    if all("  " in line.strip() for line in lines):
        return "  "
    return "," if any("," in line and " " not in line.strip() for line in lines) else " "


def _bands_in_rows(rows: list[list[_Cell]]) -> bool:
    """Return whether each row is a band, rather than each column."""
    across, down = (
        sum(named_band(cell) is not None for cell, _ in edge) / len(edge)
        for edge in (rows[0][1:], [row[0] for row in rows[1:]])
    )
    if across == 1.0 and down == 1.0:
        raise AmbiguousTableError(
            "rows as well as columns could be bands",
            line=rows[0][0][1],
            remedy="name the seats with a word, such as 'seat 20'",
        )
    return down > across


def _response(
    grid: _Grid, seat: str, decimal: str | None, weighting: Weighting
) -> FrequencyResponse:
    """Return the levels at a seat; refuse what is none, or far above the bands on both sides."""
    levels: dict[ThirdOctaveBand, float] = {}
    for band, (cell, _) in zip(grid.bands, grid.seats[seat], strict=True):
        found = _LEVEL.fullmatch(cell)
        if found is None or (decimal and set(".,") - {decimal} & set(found[1])):
            levels[band] = math.nan
        else:
            levels[band] = float(found[1].replace(",", "."))
    for (band, level), (cell, line) in zip(levels.items(), grid.seats[seat], strict=True):
        near = (ThirdOctaveBand(number=band.number + step) for step in (-1, 1))
        beside, fault = max(levels.get(one, math.inf) for one in near), ""
        if not 0.0 <= level <= HIGHEST_LEVEL_DB:
            fault = f"{cell!r} is no level from 0 to {HIGHEST_LEVEL_DB:g} dB"
        elif level > beside + _SLIP_DB:
            fault = f"{level:g} dB is {level - beside:.0f} dB above the bands on both sides"
        if fault:
            raise MeasurementFileError(
                fault,
                line=line,
                where=f"{band.label} Hz, seat {seat!r}",
                remedy="correct the level, or leave out a seat or band that was not measured",
            )
    bands = sorted(levels, key=lambda band: band.number)
    response = FrequencyResponse.from_level(
        [band.centre for band in bands],
        [levels[band] for band in bands],
        level_reference="spl",
        resolution="third_octave",
    )
    try:
        return remove_weighting(response, weighting=weighting)
    except ValueError as error:
        raise MeasurementFileError(str(error)) from None


def _notes(bands: Sequence[ThirdOctaveBand], weighting: Weighting) -> list[str]:
    notes = [_CANNOT_TELL]
    if weighting != "none":
        notes.append(f"{weighting} weighting removed at the exact centres of the bands")
    numbers = {band.number for band in bands}
    if absent := sorted(set(range(min(numbers), max(numbers))) - numbers):
        labels = ", ".join(ThirdOctaveBand(number=number).label for number in absent)
        notes.append(f"no levels for bands in between: {labels} Hz")
    return notes


_COLUMN = "maximum output"
_REMEDY = (
    "a row for each third octave with its nominal frequency and one level in dB SPL; leave out "
    "bands that were not measured"
)


def read_output_table(path: str | PathLike[str], **stated: Any) -> OutputTable:
    """Read a table of maximum output.

    Parameters
    ----------
    path : path-like
        Text: a row for each third octave with its nominal frequency and its level, or the other way
        round; a heading is allowed.
    **stated
        Edition, distance and detector as for `OutputTable`; a file of two columns does not tell
        them.

    Raises
    ------
    MeasurementFileError
        If there is no such table, it has more than one column of levels, a cell is missing or no
        level from 0 to 140 dB, a band occurs twice, or the levels are weighted.
    ValueError
        If edition, distance or detector is not usable.
    OSError
        If the file cannot be opened.
    """
    try:
        table = read_band_table(path, seat=_COLUMN)
    except MeasurementFileError as error:
        raise error.but(remedy=_REMEDY) from None
    (response,) = table.responses
    bands = tuple(map(third_octave_band, response.frequencies))
    return OutputTable(bands=bands, level_db=response.level_db, path=table.path, **stated)


def output_table_from_levels(levels: Mapping[str, float], **stated: Any) -> OutputTable:
    """Return a table from levels by nominal frequency, as a room file may hold them.

    Parameters
    ----------
    levels : mapping of str to float
        Nominal frequency in Hz, as ``"31.5"``, and level in dB SPL; in any order.
    **stated
        Edition, distance and detector as for `OutputTable`.

    Raises
    ------
    ValueError
        If a key is no third octave, two keys are the same one, or a figure is not usable.
    """
    by_band = {named_band(heading): level_db for heading, level_db in levels.items()}
    if None in by_band or len(by_band) < len(levels):
        raise ValueError(f"each key names a third octave, each once, as 31.5: got {[*levels]}")
    bands = tuple(sorted(filter(None, by_band), key=lambda band: band.number))
    level_db = np.array([by_band[band] for band in bands], dtype=np.float64)
    return OutputTable(bands=bands, level_db=level_db, **stated)
