"""Read a table of a subwoofer's maximum output: typed into the room file, or a file of two columns.

Conventions
-----------
As for `roomeq.device.output_table`; nothing is interpolated between bands.
"""

from __future__ import annotations

from collections.abc import Mapping
from os import PathLike, fspath
from typing import Any

import numpy as np

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.errors import MeasurementFileError
from roomeq.device.output_table import OutputTable
from roomeq.importers.text.band_grid import named_band
from roomeq.importers.text.band_table import read_band_table

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
        raise MeasurementFileError(
            error.message, path=path, line=error.line, where=error.where, remedy=_REMEDY
        ) from None
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
    by_band: dict[ThirdOctaveBand, float] = {}
    for heading, level_db in levels.items():
        band = named_band(heading)
        if band is None:
            raise ValueError(f"{heading!r} is no third-octave band: write 20, 25, 31.5 and so on")
        if band in by_band:
            raise ValueError(f"the band of {band.label} Hz occurs twice")
        by_band[band] = level_db
    bands = tuple(sorted(by_band, key=lambda band: band.number))
    levels_db = np.array([by_band[band] for band in bands], dtype=np.float64)
    return OutputTable(bands=bands, level_db=levels_db, **stated)
