"""Where the lines of the settings sheet's picture lie: the average over seats before and predicted.

Conventions
-----------
Coordinates in the units of the picture's view box, y downwards. The frequency axis is logarithmic;
one decade is as long as 50 dB are high (IEC 60263, from memory). Averages are power means over
the seats by seat weight. Lines that leave the picture are cut at its edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from roomeq.base.bands import third_octave_bands
from roomeq.base.levels import power_mean_db
from roomeq.plan.plan import Plan

__all__ = ["Picture", "Tick", "sheet_picture"]

DB_PER_DECADE = 50.0
WIDTH = 340.0
LEFT, RIGHT, TOP, BOTTOM = 34.0, 8.0, 8.0, 30.0
MOST_DB = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A grid line: where it lies and what stands beside it."""

    place: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Numbers of the drawing; paths are those of SVG."""

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    frequency_ticks: tuple[Tick, ...]
    level_ticks: tuple[Tick, ...]
    before: str
    predicted: str
    target: str
    unit: str


def _level_range(curves: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Return a range in steps of 5 dB around all curves, at most `MOST_DB` from the top."""
    highest = 5.0 * math.ceil(max(max(curve) for curve in curves) / 5)
    lowest = 5.0 * math.floor(min(min(curve) for curve in curves) / 5)
    lowest = max(lowest, highest - MOST_DB)
    return lowest, max(highest, lowest + 5)


def _curves(plan: Plan) -> tuple[Sequence[float], list[float], list[float], list[float]]:
    """Return frequencies, level before and predicted, and target: of the sum where it is joined."""
    joined, curves = plan.joining, plan.curves
    if joined is None:
        frequencies, target = curves.frequencies, curves.target_level_db
        levels = curves.before_level_db, curves.predicted_level_db
        weights = [seat.weight for seat in plan.seats]
    else:
        frequencies, target = joined.frequencies, joined.target_level_db
        levels = joined.before_level_db, joined.after_level_db
        weights = [seat.weight for seat in joined.seats]
    before, predicted = (power_mean_db(rows, weights=weights).tolist() for rows in levels)
    return frequencies, before, predicted, list(target)


def sheet_picture(plan: Plan) -> Picture | None:
    """Lay out the picture of a plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Picture or None
        None where there are fewer than two frequencies to draw.
    """
    frequencies, before, predicted, target = _curves(plan)
    if len(frequencies) < 2:
        return None
    lowest, highest = _level_range([before, predicted, target])
    start, end = frequencies[0], frequencies[-1]
    decades = math.log10(end / start)
    inner = WIDTH - LEFT - RIGHT
    height_per_db = inner / decades / DB_PER_DECADE
    floor = TOP + (highest - lowest) * height_per_db

    def across(frequency: float) -> float:
        return round(LEFT + inner * math.log10(frequency / start) / decades, 2)

    def down(level_db: float) -> float:
        return round(TOP + (highest - min(max(level_db, lowest), highest)) * height_per_db, 2)

    def path(level_db: Sequence[float]) -> str:
        points = zip(frequencies, level_db, strict=True)
        return "M" + " L".join(f"{across(f):g} {down(level):g}" for f, level in points)

    step = 5 if highest - lowest <= 20 else 10
    first = step * math.ceil(lowest / step)
    levels = [first + step * n for n in range(int((highest - first) // step) + 1)]
    bands = [band for band in third_octave_bands(start, end) if start <= band.centre <= end]
    return Picture(
        width=WIDTH,
        height=round(floor + BOTTOM, 2),
        left=LEFT,
        right=WIDTH - RIGHT,
        top=TOP,
        bottom=round(floor, 2),
        frequency_ticks=tuple(Tick(place=across(b.centre), label=b.label) for b in bands),
        level_ticks=tuple(Tick(place=down(level), label=f"{level:g}") for level in levels),
        before=path(before),
        predicted=path(predicted),
        target=path(target),
        unit="dB SPL" if plan.level_reference == "spl" else "dB, relative",
    )
