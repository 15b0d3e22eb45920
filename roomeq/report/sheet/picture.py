"""Where the lines of the settings sheet's picture lie: the average over seats before and predicted.

Conventions
-----------
Coordinates in the units of the picture's view box, y downwards. The frequency axis is logarithmic;
one decade is as long as 50 dB are high (IEC 60263, from memory). Averages are power means over
the seats by seat weight. Lines that leave the picture are cut at its edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roomeq.base.bands import third_octave_bands
from roomeq.base.levels import FloatArray
from roomeq.plan.plan import Plan
from roomeq.report.plots.plan import shown_levels

DB_PER_DECADE = 50.0
WIDTH = 340.0
LEFT, RIGHT, TOP, BOTTOM = 34.0, 12.0, 8.0, 18.0
MOST_DB = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A grid line: where it lies and what stands beside it."""

    place: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Numbers of the drawing; paths are those of SVG."""

    width: float = WIDTH
    height: float
    left: float = LEFT
    right: float = WIDTH - RIGHT
    top: float = TOP
    bottom: float
    frequency_ticks: tuple[Tick, ...]
    level_ticks: tuple[Tick, ...]
    before: str
    predicted: str
    target: str
    unit: str


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
    shown = shown_levels(plan)
    frequencies: list[float] = shown.axis.tolist()
    if len(frequencies) < 2:
        return None
    before, predicted = shown.mean_db(shown.before), shown.mean_db(shown.predicted)
    levels = np.concatenate([before, predicted, shown.target])
    highest = 5.0 * math.ceil(float(levels.max()) / 5)
    lowest = max(5.0 * math.floor(float(levels.min()) / 5), highest - MOST_DB)
    highest = max(highest, lowest + 5)
    start, end = frequencies[0], frequencies[-1]
    decades = math.log10(end / start)
    inner = WIDTH - LEFT - RIGHT
    height_per_db = inner / decades / DB_PER_DECADE
    floor = TOP + (highest - lowest) * height_per_db

    def across(frequency: float) -> float:
        return round(LEFT + inner * math.log10(frequency / start) / decades, 2)

    def down(level_db: float) -> float:
        return round(TOP + (highest - min(max(level_db, lowest), highest)) * height_per_db, 2)

    def path(level_db: FloatArray) -> str:
        points = zip(frequencies, level_db.tolist(), strict=True)
        return "M" + " L".join(f"{across(f):g} {down(level):g}" for f, level in points)

    step = 5 if highest - lowest <= 20 else 10
    first = step * math.ceil(lowest / step)
    rules = [first + step * n for n in range(int((highest - first) // step) + 1)]
    bands = [band for band in third_octave_bands(start, end) if start <= band.centre <= end]
    return Picture(
        height=round(floor + BOTTOM, 2),
        bottom=round(floor, 2),
        frequency_ticks=tuple(Tick(place=across(b.centre), label=b.label) for b in bands),
        level_ticks=tuple(Tick(place=down(level), label=f"{level:g}") for level in rules),
        before=path(before),
        predicted=path(predicted),
        target=path(shown.target),
        unit="dB SPL" if plan.level_reference == "spl" else "dB, relative",
    )
