"""Maximum output of a subwoofer: one level for each third octave.

Conventions
-----------
Levels are in dB SPL at a stated distance in half space (outdoors, on the ground), root mean square
or peak of a sine as stated; `OutputTable.rms_level_db` brings them to 1 m, root mean square. Such
tables come from bursts of 6.5 cycles, a third of an octave wide (CTA-2010, before that CEA-2010).
The limits on harmonics that a burst has to keep differ between editions, so the edition is stated,
never guessed. Nothing is interpolated between bands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import HIGHEST_LEVEL_DB, FloatArray, amplitude_ratio_db, readonly

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
        If bands and levels do not fit each other, or a level is no level from 0 to 140 dB.
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
        if not self.bands or level_db.shape != (len(self.bands),):
            raise ValueError(f"needs one level for each of {len(self.bands)} bands, at least one")
        if not ((level_db >= 0) & (level_db <= HIGHEST_LEVEL_DB)).all():
            raise ValueError(f"levels must lie from 0 to {HIGHEST_LEVEL_DB:g} dB, got {level_db}")
        object.__setattr__(self, "level_db", level_db)

    def rms_level_db(self) -> FloatArray:
        """Return the levels as root mean square at 1 m, in dB SPL, shape (B,).

        6.02 dB less for twice the distance; a peak is 3.01 dB above the root mean square, so a
        level at 2 m, root mean square, is 9.03 dB below the peak at 1 m.
        """
        crest_db = SINE_CREST_DB if self.detector == "peak" else 0.0
        return np.asarray(self.level_db - crest_db + amplitude_ratio_db(self.distance))

    def level_in_db(self, bands: tuple[ThirdOctaveBand, ...]) -> FloatArray:
        """Return the levels at 1 m in the bands asked for, shape (B,); nan where there is none."""
        known = dict(zip(self.bands, self.rms_level_db().tolist(), strict=True))
        return np.array([known.get(band, math.nan) for band in bands])

    def __str__(self) -> str:
        return (
            f"{self.bands[0].label} to {self.bands[-1].label} Hz, {self.edition}, {self.detector} "
            f"at {self.distance:g} m"
        )
