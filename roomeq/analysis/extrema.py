"""Dips and peaks of a level curve: where, how deep, how wide.

Conventions
-----------
Depth is prominence: how far the level rises again on the lower of both sides before it falls below
the dip. A steady slope therefore has no dips, and what lies at an end of the data is none either:
its other side was not measured. Width is taken half-way up, in octaves. Curves are level in dB over
frequency in Hz, straight over ln f between samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Extremum:
    """A dip or a peak.

    Attributes
    ----------
    frequency : float
        Hz; the middle, where several samples are equal.
    depth_db : float
        Prominence in dB, positive for dips and peaks alike.
    lower, upper : float
        Where it is half as deep, in Hz.
    """

    frequency: float
    depth_db: float
    lower: float
    upper: float

    @property
    def width_octaves(self) -> float:
        """Width at half the depth, in octaves."""
        return math.log2(self.upper / self.lower)


def find_dips(
    frequencies: ArrayLike, level_db: ArrayLike, *, least_depth_db: float = 3.0
) -> tuple[Extremum, ...]:
    """Find the dips of one curve, in order of frequency.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (F,)
        Level in dB, finite and smoothed (1/12 octave, say): every ripple of the curve counts.
    least_depth_db : float
        Shallower dips are left out; positive.

    Returns
    -------
    tuple of Extremum

    Raises
    ------
    ValueError
        If `least_depth_db` is not positive.
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    levels = np.asarray(level_db, dtype=np.float64)
    if not (math.isfinite(least_depth_db) and least_depth_db > 0):
        raise ValueError(f"least_depth_db must be positive, got {least_depth_db!r}")
    octaves = np.log2(axis)
    found = []
    for first, last in _minima(levels):
        depth = min(
            _rise(levels[first::-1], bottom=levels[first]),
            _rise(levels[last:], bottom=levels[last]),
        )
        if depth < least_depth_db:
            continue
        half = levels[first] + 0.5 * depth
        lower = _crossing(octaves[first::-1], levels[first::-1], half)
        upper = _crossing(octaves[last:], levels[last:], half)
        found.append(
            Extremum(
                frequency=float(2.0 ** (0.5 * (octaves[first] + octaves[last]))),
                depth_db=float(depth),
                lower=2.0**lower,
                upper=2.0**upper,
            )
        )
    return tuple(found)


def _minima(levels: FloatArray) -> list[tuple[int, int]]:
    """Return first and last index of every run of equal values that is lower than both sides."""
    starts = np.flatnonzero(np.concatenate(([True], levels[1:] != levels[:-1])))
    ends = np.append(starts[1:], levels.size) - 1
    values = levels[starts]
    inner = np.flatnonzero((values[1:-1] < values[:-2]) & (values[1:-1] < values[2:])) + 1
    return [(int(starts[index]), int(ends[index])) for index in inner]


def _rise(outwards: FloatArray, *, bottom: float) -> float:
    """Return how far levels rise, going outwards, before they fall below the bottom."""
    below = outwards < bottom
    stop = int(below.argmax()) if below.any() else outwards.size
    return float(outwards[:stop].max() - bottom)


def _crossing(octaves: FloatArray, outwards: FloatArray, level_db: float) -> float:
    """Return where levels, going outwards from below, first reach a level."""
    index = int((outwards >= level_db).argmax())
    low, high = outwards[index - 1], outwards[index]
    share = (level_db - low) / (high - low)
    return float(octaves[index - 1] + share * (octaves[index] - octaves[index - 1]))
