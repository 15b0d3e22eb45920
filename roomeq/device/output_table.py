"""Maximum output of a subwoofer: one level for each third octave.

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
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from roomeq.base.bands import ThirdOctaveBand, third_octave_bands
from roomeq.base.levels import (
    HIGHEST_LEVEL_DB,
    FloatArray,
    amplitude_ratio_db,
    power_mean_db,
    readonly,
)

__all__ = ["Detector", "OutputEdition", "OutputTable"]

OutputEdition = Literal["CEA-2010", "CEA-2010-A", "CTA-2010-B", "other"]
Detector = Literal["rms", "peak"]

SINE_CREST_DB = 10.0 * math.log10(2.0)
"""Peak of a sine over its root mean square, 3.01 dB."""


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
