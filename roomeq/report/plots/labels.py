"""What is written on our plots: labels at the end of a line, spans, the crossover.

Conventions
-----------
Labels stand beside what they name, in its colour; none over another. Sizes in points.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.report.plots.style import COLOURS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["EndLabel", "label_ends", "mark_corner", "mark_span"]

_LABEL_POINTS = 10.5  # from one label to the next


@dataclass(frozen=True, slots=True, kw_only=True)
class EndLabel:
    """A label at the right end of a line: place on the level axis, text, colour."""

    place: float
    text: str
    colour: str = "ink"
    bold: bool = False


def label_ends(ax: Axes, labels: Sequence[EndLabel]) -> None:
    """Write labels to the right of a plot, beside their places, none over another.

    Where a label had to move, a thin line leads to its place.
    """
    if not labels:
        return
    ax.apply_aspect()
    figure: Any = ax.figure
    height = ax.get_window_extent().height * 72.0 / figure.dpi
    low, high = ax.get_ylim()
    order = sorted(labels, key=lambda label: label.place)
    shares = np.clip([(label.place - low) / (high - low) for label in order], 0.0, 1.0)
    spread = _spread(shares * height, _LABEL_POINTS, height) / height
    for label, share, place in zip(order, shares, spread, strict=True):
        colour = COLOURS[label.colour]
        ax.annotate(
            label.text,
            xy=(1.0, float(share)),
            xytext=(1.035, float(place)),
            xycoords="axes fraction",
            textcoords="axes fraction",
            color=colour,
            va="center",
            fontweight="bold" if label.bold else "normal",
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 1}
            | {"shrinkB": 0, "relpos": (0.0, 0.5)},
        )


def _spread(places: FloatArray, apart: float, height: float) -> FloatArray:
    """Move rising places so that none is nearer than `apart` to the next, as little as possible.

    Least squares under ordering, by pooling neighbours (Ayer et al. 1955).
    """
    steps = apart * np.arange(places.size)
    blocks: list[list[float]] = []
    for value in places - steps:
        blocks.append([float(value), 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            upper, lower = blocks.pop(), blocks.pop()
            count = upper[1] + lower[1]
            blocks.append([(upper[0] * upper[1] + lower[0] * lower[1]) / count, count])
    pooled = np.concatenate([np.full(int(count), value) for value, count in blocks])
    room = max(0.0, height - float(steps[-1]))
    return np.asarray(np.clip(pooled, 0.0, room) + steps)


def mark_span(ax: Axes, low: float, high: float, text: str, *, at_top: bool = True) -> None:
    """Hatch a span of frequencies and say in it what does not happen there."""
    left, right = ax.get_xlim()
    low, high = max(low, left), min(high, right)
    if not low < high:
        return
    ax.axvspan(
        low,
        high,
        facecolor="none",
        edgecolor=COLOURS["hair"],
        hatch="////",
        linewidth=0.0,
        zorder=0,
    )
    narrow = math.log(high / low) < 0.28 * math.log(right / left)
    ax.annotate(
        text,
        xy=(math.sqrt(low * high), 0.985 if at_top else 0.02),
        xycoords=("data", "axes fraction"),
        ha="center",
        va="top" if at_top else "bottom",
        rotation=90 if narrow else 0,
        fontsize=7.5,
        color=COLOURS["quiet"],
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
    )


def mark_corner(ax: Axes, corner: float) -> None:
    """Mark the crossover corner at the foot of a plot."""
    left, right = ax.get_xlim()
    if left < corner < right:
        ax.axvline(corner, color=COLOURS["quiet"], linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        ax.annotate(
            f"crossover {corner:.0f} Hz",
            xy=(corner, 0.015),
            xycoords=("data", "axes fraction"),
            xytext=(2, 0),
            textcoords="offset points",
            rotation=90,
            va="bottom",
            fontsize=7.5,
            color=COLOURS["quiet"],
        )
