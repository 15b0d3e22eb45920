"""Hand-typed band levels: a small table of third-octave levels from a sound level meter.

Conventions
-----------
Levels are in dB SPL; each is the power in its band and comes back at the exact centre of
IEC 61260-1. A row for each band and a column for each seat, or the other way round, as
`roomeq.importers.text.band_grid` finds out. Missing cells are refused, never filled.

Read a table of a subwoofer's maximum output: typed into the room file, or a file of two columns.

As for `roomeq.device.output_table`; nothing is interpolated between bands.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike, fspath
from typing import Any, Literal, get_args

import numpy as np

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.errors import MeasurementFileError
from roomeq.base.levels import HIGHEST_LEVEL_DB
from roomeq.base.response import FrequencyResponse
from roomeq.device.output_table import OutputTable
from roomeq.importers.text.band_grid import BandGrid, named_band, sorted_cells
from roomeq.importers.text.decoding import faults_of, read_decoded_text
from roomeq.importers.text.weighting import Weighting, remove_weighting

_SLIP_DB = 18.0
"""In 1299 seats of rooms the largest level above those of both bands beside it was 15.4 dB; a slip
of 10 dB looks like a mode."""

_LEVEL = re.compile(
    r"([-+]?\d+(?:[.,]\d+)?)\s*(?:dB\s*\(?\s*[ACZ]?\s*\)?(?:\s*SPL)?)?", re.IGNORECASE
)
_ABSENT = ("", "-", "--", "nan", "n/a", "na", "x", "?")
_CANNOT_TELL = (
    "third-octave levels: each is the power in its band; narrow peaks and dips within a band, "
    "cancellations and phase cannot be told from them"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandTable:
    """What a table of band levels holds.

    Attributes
    ----------
    path : str
        The file.
    seats : tuple of str
        In the order of the table.
    bands : tuple of ThirdOctaveBand
        Ascending.
    responses : tuple of FrequencyResponse
        One for each seat, weighting removed, ``resolution="third_octave"``.
    notes : tuple of str
        What was done or assumed, and what such data cannot tell.
    """

    path: str
    seats: tuple[str, ...]
    bands: tuple[ThirdOctaveBand, ...]
    responses: tuple[FrequencyResponse, ...]
    notes: tuple[str, ...] = ()


def read_band_table(
    path: str | PathLike[str],
    *,
    weighting: Weighting = "none",
    seat: str | None = None,
    decimal: Literal[".", ","] | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> BandTable:
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
    if weighting not in get_args(Weighting):
        raise ValueError(f"weighting is one of {get_args(Weighting)}, got {weighting!r}")
    text, assumed = read_decoded_text(path, encoding=encoding)
    with faults_of(path):
        grid = sorted_cells(text, seat=seat, delimiter=delimiter)
        _check_letters(grid, weighting)
        levels = _levels(grid, decimal)
        _refuse_slips(grid, levels)
        order = sorted(range(len(grid.bands)), key=lambda index: grid.bands[index].number)
        bands = tuple(grid.bands[index] for index in order)
        responses = tuple(
            _response(bands, [row[index] for index in order], weighting) for row in levels
        )
    return BandTable(
        path=fspath(path),
        seats=grid.seats,
        bands=bands,
        responses=responses,
        notes=(*assumed, *_notes(bands, weighting)),
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
        letters = sorted_cells(text, seat=seat, delimiter=None).weightings
        if len(letters) > 1:
            raise MeasurementFileError(f"names the weightings {', '.join(sorted(letters))}")
    named: dict[str, Weighting] = {"Z": "none", "A": "A", "C": "C"}
    return next((named[letter] for letter in letters), None)


def _notes(bands: tuple[ThirdOctaveBand, ...], weighting: Weighting) -> list[str]:
    notes = [_CANNOT_TELL]
    if weighting != "none":
        notes.append(f"{weighting} weighting removed at the exact centres of the bands")
    numbers = [band.number for band in bands]
    absent = sorted(set(range(numbers[0], numbers[-1])) - set(numbers))
    if absent:
        labels = ", ".join(ThirdOctaveBand(number=number).label for number in absent)
        notes.append(f"no levels for bands in between: {labels} Hz")
    return notes


def _levels(grid: BandGrid, decimal: str | None) -> list[list[float]]:
    """Return the levels by seat and band, in dB."""
    levels: list[list[float]] = []
    for seat, row in zip(grid.seats, grid.cells, strict=True):
        levels.append([])
        for band, (cell, line) in zip(grid.bands, row, strict=True):
            found = _LEVEL.fullmatch(cell.strip())
            if found is None or (decimal and set(".,") - {decimal} & set(found[1])):
                value, absent = math.nan, cell.strip().lower() in _ABSENT
                fault = f"the level is missing ({cell!r})" if absent else f"{cell!r} is no level"
            else:
                value = float(found[1].replace(",", "."))
                fault = f"{value:g} dB is not plausible"
            if not 0.0 <= value <= HIGHEST_LEVEL_DB:
                edges = (f"{band.label} Hz", seat)
                row_name, column_name = edges if grid.bands_in_rows else edges[::-1]
                raise MeasurementFileError(
                    fault,
                    line=line,
                    where=f"row {row_name!r}, column {column_name!r}",
                    remedy=f"a level from 0 to {HIGHEST_LEVEL_DB:g} dB; leave out a seat or band "
                    "that was not measured",
                )
            levels[-1].append(value)
    return levels


def _refuse_slips(grid: BandGrid, levels: list[list[float]]) -> None:
    """Refuse a level far above those of both bands beside it."""
    for seat, row, cells in zip(grid.seats, levels, grid.cells, strict=True):
        by_number = {band.number: value for band, value in zip(grid.bands, row, strict=True)}
        for band, value, (_, line) in zip(grid.bands, row, cells, strict=True):
            beside = max(by_number.get(band.number + step, math.inf) for step in (-1, 1))
            if value > beside + _SLIP_DB:
                raise MeasurementFileError(
                    f"{value:g} dB is {value - beside:.0f} dB above the bands on both sides",
                    line=line,
                    where=f"{band.label} Hz, seat {seat!r}",
                    remedy="correct the level, or leave the band out and measure it again",
                )


def _check_letters(grid: BandGrid, weighting: Weighting) -> None:
    """Refuse a table that names another weighting than the one that was given."""
    others = grid.weightings - {"Z" if weighting == "none" else weighting}
    if others:
        raise MeasurementFileError(
            f"the table says dB({', '.join(sorted(others))}), but the weighting is given as "
            f"{weighting!r}",
            remedy="give the weighting that the meter was set to",
        )


def _response(
    bands: tuple[ThirdOctaveBand, ...],
    levels: list[float],
    weighting: Weighting,
) -> FrequencyResponse:
    response = FrequencyResponse.from_level(
        [band.centre for band in bands], levels, level_reference="spl", resolution="third_octave"
    )
    try:
        return remove_weighting(response, weighting=weighting)
    except ValueError as error:
        raise MeasurementFileError(str(error)) from None


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
    level_db = table.responses[0].level_db
    return OutputTable(bands=table.bands, level_db=level_db, path=fspath(path), **stated)


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
