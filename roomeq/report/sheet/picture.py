"""Where the lines of the settings sheet's picture lie: the average over seats before and predicted.

Conventions
-----------
Coordinates in the units of the picture's view box, from the upper left corner of its frame, y
downwards. The frequency axis is logarithmic;
one decade is as long as 50 dB are high (IEC 60263, from memory). Averages are power means over
the seats by seat weight. Lines that leave the picture are cut at its edge.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import third_octave_bands
from roomeq.base.levels import FloatArray
from roomeq.plan.plan import Plan
from roomeq.report.plots.plan import shown_levels
from roomeq.report.plots.style import level_span

DB_PER_DECADE = 50.0
WIDTH, MOST_DB = 294.0, 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Numbers of the drawing.

    Attributes
    ----------
    height : float
        Of the frame.
    frequency_ticks, level_ticks : mapping of str to float
        Places of grid lines, across and down, by what stands beside them.
    lines : mapping of str to str
        Paths of SVG by what they show.
    unit : str
    """

    height: float
    frequency_ticks: Mapping[str, float]
    level_ticks: Mapping[str, float]
    lines: Mapping[str, str]
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
    axis = shown.axis
    if len(axis) < 2:
        return None
    lines = {"target": shown.target}
    lines |= {"before": shown.mean_db(shown.before), "predicted": shown.mean_db(shown.predicted)}
    low, high = level_span([*lines.values()], least=5.0, most=MOST_DB)
    decade = WIDTH / math.log10(axis[-1] / axis[0])

    def across(frequency: ArrayLike) -> Any:
        return np.round(decade * np.log10(np.asarray(frequency) / axis[0]), 2).tolist()

    def down(level_db: ArrayLike) -> Any:
        below_db = high - np.clip(level_db, low, high)
        return np.round(decade * below_db / DB_PER_DECADE, 2).tolist()

    def path(level_db: FloatArray) -> str:
        points = zip(across(axis), down(level_db), strict=True)
        return "M" + " L".join(f"{x:g} {y:g}" for x, y in points)

    step = 5.0 if high - low <= 20.0 else 10.0
    rules = np.arange(step * math.ceil(low / step), high + 0.5 * step, step)
    bands = [b for b in third_octave_bands(axis[0], axis[-1]) if axis[0] <= b.centre <= axis[-1]]
    labels, centres = [band.label for band in bands], [band.centre for band in bands]
    return Picture(
        height=down(low),
        frequency_ticks=dict(zip(labels, across(centres), strict=True)),
        level_ticks={f"{level:g}": y for level, y in zip(rules, down(rules), strict=True)},
        lines={name: path(level_db) for name, level_db in lines.items()},
        unit="dB SPL" if plan.level_reference == "spl" else "dB, relative",
    )
