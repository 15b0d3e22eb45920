"""Maximum output of a subwoofer: a small typed table, one level for each third octave.

Conventions
-----------
Levels are in dB SPL at a stated distance in half space (outdoors, on the ground), root mean square
or peak of a sine as stated; `OutputTable.rms_level_db` brings them to one distance, root mean
square. Such tables come from bursts of 6.5 cycles, a third of an octave wide (CTA-2010, before that
CEA-2010). The limits on harmonics that a burst has to keep differ between editions, so the edition
is stated, never guessed. Nothing is interpolated between bands.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike, fspath
from typing import Literal, get_args

import numpy as np

from roomeq.bands import ThirdOctaveBand, third_octave_bands
from roomeq.errors import MeasurementFileError
from roomeq.importers.band_grid import named_band
from roomeq.importers.band_table import HIGHEST_LEVEL_DB, read_band_table
from roomeq.levels import FloatArray, amplitude_ratio_db, power_mean_db, readonly

__all__ = [
    "Detector",
    "OutputEdition",
    "OutputTable",
    "output_table_from_levels",
    "read_output_table",
]

OutputEdition = Literal["CEA-2010", "CEA-2010-A", "CTA-2010-B", "other"]
Detector = Literal["rms", "peak"]

SINE_CREST_DB = 10.0 * math.log10(2.0)
"""Peak of a sine over its root mean square, 3.01 dB."""

_COLUMN = "maximum output"
_REMEDY = (
    "a row for each third octave with its nominal frequency and one level in dB SPL; leave out "
    "bands that were not measured"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutputTable:
    """Maximum output by third octave.

    Attributes
    ----------
    bands : tuple of ThirdOctaveBand
        Ascending.
    level_db : ndarray, shape (B,)
        dB SPL as stated.
    edition : {"CEA-2010", "CEA-2010-A", "CTA-2010-B", "other"}
        Which edition's bursts and limits; "other" for another method.
    distance : float
        m at which the levels hold.
    detector : {"rms", "peak"}
        What the levels are of a sine.
    path : str
        The file; empty where the levels were typed into the room file.
    notes : tuple of str
        What was assumed while reading.

    Raises
    ------
    ValueError
        If bands and levels do not fit each other, a level is no level from 0 to 140 dB, or a word
        or the distance is not usable.
    """

    bands: tuple[ThirdOctaveBand, ...]
    level_db: FloatArray
    edition: OutputEdition
    distance: float
    detector: Detector
    path: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        level_db = readonly(self.level_db)
        numbers = [band.number for band in self.bands]
        if not numbers or level_db.shape != (len(numbers),):
            raise ValueError(f"needs one level for each of {len(numbers)} bands, at least one")
        if any(high <= low for low, high in itertools.pairwise(numbers)):
            raise ValueError("bands must be ascending, each once")
        if not ((level_db >= 0) & (level_db <= HIGHEST_LEVEL_DB)).all():
            raise ValueError(f"levels must lie from 0 to {HIGHEST_LEVEL_DB:g} dB, got {level_db}")
        if self.edition not in get_args(OutputEdition):
            raise ValueError(f"edition is one of {get_args(OutputEdition)}, got {self.edition!r}")
        if self.detector not in get_args(Detector):
            raise ValueError(f"detector is one of {get_args(Detector)}, got {self.detector!r}")
        if not (math.isfinite(self.distance) and self.distance > 0):
            raise ValueError(f"distance must be finite and positive, got {self.distance!r}")
        object.__setattr__(self, "level_db", level_db)

    def rms_level_db(self, *, distance: float = 1.0) -> FloatArray:
        """Return the levels as root mean square at one distance, in dB SPL, shape (B,).

        6.02 dB less for twice the distance; a peak is 3.01 dB above the root mean square, so a
        level at 2 m, root mean square, is 9.03 dB below the peak at 1 m.
        """
        if not (math.isfinite(distance) and distance > 0):
            raise ValueError(f"distance must be finite and positive, got {distance!r}")
        crest_db = SINE_CREST_DB if self.detector == "peak" else 0.0
        spread_db = float(amplitude_ratio_db(distance / self.distance))
        return np.asarray(self.level_db - crest_db - spread_db)

    def level_in_db(
        self, bands: tuple[ThirdOctaveBand, ...], *, distance: float = 1.0
    ) -> FloatArray:
        """Return `rms_level_db` in the bands asked for, shape (B,); nan where there is none."""
        known = dict(zip(self.bands, self.rms_level_db(distance=distance).tolist(), strict=True))
        return np.array([known.get(band, math.nan) for band in bands])

    def mean_level_db(self, lowest: float, highest: float) -> float:
        """Return the mean over bands as stated, averaged in pascals, in dB SPL.

        Parameters
        ----------
        lowest, highest : float
            Frequencies in Hz within the first and last band: 20 and 31.5 for the lowest octave.

        Raises
        ------
        ValueError
            If a band between them is not in the table.
        """
        asked = third_octave_bands(lowest, highest)
        absent = [band.label for band in asked if band not in self.bands]
        if absent:
            raise ValueError(f"the table has no level at {', '.join(absent)} Hz")
        chosen = self.level_db[[self.bands.index(band) for band in asked]]
        # A mean of pressures is a power mean of half the levels, doubled.
        return float(2.0 * power_mean_db(0.5 * chosen))

    def __str__(self) -> str:
        return (
            f"{self.bands[0].label} to {self.bands[-1].label} Hz, {self.edition}, {self.detector} "
            f"at {self.distance:g} m"
        )


def read_output_table(
    path: str | PathLike[str],
    *,
    edition: OutputEdition,
    distance: float,
    detector: Detector,
    decimal: Literal[".", ","] | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> OutputTable:
    """Read a table of maximum output.

    Parameters
    ----------
    path : path-like
        Text: a row for each third octave with its nominal frequency and its level, or the other way
        round; a heading is allowed.
    edition, distance, detector
        As for `OutputTable`; a file of two columns does not tell them.
    decimal : {".", ","}, optional
        Decimal mark; found by default.
    delimiter : str, optional
        What stands between cells; found by default.
    encoding : str, optional
        Found by default.

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
        table = read_band_table(
            path, seat=_COLUMN, decimal=decimal, delimiter=delimiter, encoding=encoding
        )
    except MeasurementFileError as error:
        raise MeasurementFileError(
            error.message, path=path, line=error.line, where=error.where, remedy=_REMEDY
        ) from None
    return OutputTable(
        bands=table.bands,
        level_db=table.responses[0].level_db,
        edition=edition,
        distance=distance,
        detector=detector,
        path=fspath(path),
    )


def output_table_from_levels(
    levels: Mapping[str, float], *, edition: OutputEdition, distance: float, detector: Detector
) -> OutputTable:
    """Return a table from levels by nominal frequency, as a room file may hold them.

    Parameters
    ----------
    levels : mapping of str to float
        Nominal frequency in Hz, as ``"31.5"``, and level in dB SPL; in any order.
    edition, distance, detector
        As for `OutputTable`.

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
    return OutputTable(
        bands=bands,
        level_db=np.array([by_band[band] for band in bands], dtype=np.float64),
        edition=edition,
        distance=distance,
        detector=detector,
    )
