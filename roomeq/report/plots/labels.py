"""Lines over frequency and what is written on our plots: at their ends, at points, over spans.

Conventions
-----------
Labels stand beside what they name, in its colour; none over another. Sizes in points.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray
from roomeq.base.printable import printable
from roomeq.report.plots.style import COLOURS, frame_frequencies, frame_values, titled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LABEL_POINTS = 10.5  # from one label to the next
_LONGEST_NAME = 44  # letters
_BOLD = 2.4  # points of a line from which on its name is bold
_FOOT: Any = {"xycoords": ("data", "axes fraction"), "va": "bottom", "color": COLOURS["quiet"]}


def frame_levels(
    ax: Axes,
    heading: str,
    axis: Sequence[float] | FloatArray,
    levels: tuple[float, float],
    title: str,
    *,
    db_per_decade: Literal[25, 50] = 50,
) -> Axes:
    """Frame lines of levels over frequency in the proportions of IEC 60263, and name each.

    Parameters
    ----------
    ax : Axes
    heading : str
        What the plot shows.
    axis : sequence of float
        Hz, from the first to the last.
    levels : tuple of float
        Limits in dB.
    title : str
        Of the vertical axis, with its unit.
    db_per_decade : {25, 50}
        dB that are as long as a decade.
    """
    frame_frequencies(ax, axis[0], axis[-1])
    ax.set_box_aspect((levels[1] - levels[0]) / db_per_decade / math.log10(axis[-1] / axis[0]))
    frame_values(ax, limits=levels, title=title)
    name_ends(ax)
    return titled(ax, heading)


def write_at(
    ax: Axes,
    text: str,
    place: tuple[float, float],
    points: tuple[float, float] = (0, 0),
    *,
    pad: float = 0.4,
    **look: Any,
) -> None:
    """Write beside a place, so many points away from it, on white ground.

    No names: every hyphen becomes a minus sign.
    """
    settings: dict[str, Any] = {"textcoords": "offset points", "ha": "center", "fontsize": 7.5}
    settings["bbox"] = {"facecolor": "white", "edgecolor": "none", "pad": pad}
    ax.annotate(text.replace("-", "\u2212"), place, points, **settings | look)


def shortened(name: str) -> str:
    """Return a name that a margin can hold: what is longer ends in an ellipsis."""
    shown = printable(name)
    return shown if len(shown) <= _LONGEST_NAME else shown[: _LONGEST_NAME - 1].rstrip() + "\u2026"


def name_ends(ax: Axes) -> None:
    """Write every line's label to the right of a plot, beside its end, none over another.

    Where a label had to move, a thin line leads to the end. Lines without a label have no name.
    """
    ax.apply_aspect()
    figure: Any = ax.figure
    height = ax.get_window_extent().height * 72.0 / figure.dpi
    low, high = ax.get_ylim()
    lines = [line for line in ax.lines if not str(line.get_label()).startswith("_child")]
    levels = [np.asarray(line.get_ydata(), dtype=np.float64) for line in lines]
    ends = np.array([level[np.isfinite(level)][-1] for level in levels])
    order = np.argsort(ends, kind="stable")
    shares = np.clip((ends[order] - low) / (high - low), 0.0, 1.0)
    spread = _spread(shares * height, _LABEL_POINTS, height) / height
    look: Any = {"xycoords": "axes fraction", "textcoords": "axes fraction", "va": "center"}
    lead = {"arrowstyle": "-", "linewidth": 0.6, "shrinkA": 1, "shrinkB": 0, "relpos": (0.0, 0.5)}
    for index, share, place in zip(order.tolist(), shares.tolist(), spread.tolist(), strict=True):
        line = lines[index]
        colour, weight = line.get_color(), "bold" if line.get_linewidth() >= _BOLD else "normal"
        name, arrow = shortened(str(line.get_label())), lead | {"color": colour}
        text = ax.annotate(name, (1.0, share), (1.035, place), arrowprops=arrow, **look)
        text.set(color=colour, fontweight=weight, annotation_clip=False)


def _spread(places: FloatArray, apart: float, height: float) -> FloatArray:
    """Move rising places so that none is nearer than `apart` to the next, as little as possible.

    Least squares under ordering.
    """
    from scipy.optimize import isotonic_regression

    steps = apart * np.arange(places.size)
    pooled = isotonic_regression(places - steps).x
    room = max(0.0, height - float(steps[-1]))
    return np.asarray(np.clip(pooled, 0.0, room) + steps)


def mark_span(ax: Axes, low: float, high: float, text: str) -> None:
    """Hatch a span of frequencies and say in it what does not happen there."""
    left, right = ax.get_xlim()
    low, high = max(low, left), min(high, right)
    if not low < high:
        return
    hatch_span(ax, low, high)
    narrow = math.log(high / low) < 0.28 * math.log(right / left)
    look = _FOOT | {"bbox": {"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85}}
    write_at(ax, text, (math.sqrt(low * high), 0.02), rotation=90 if narrow else 0, **look)


def hatch_span(ax: Axes, low: float, high: float) -> None:
    """Hatch the ground of a span."""
    ground = ax.axvspan(low, high, facecolor="none", hatch="////", linewidth=0.0, zorder=0)
    ground.set_edgecolor(COLOURS["hair"])


def mark_corner(ax: Axes, corner: float) -> None:
    """Mark the crossover corner at the foot of a plot."""
    left, right = ax.get_xlim()
    if left < corner < right:
        ax.axvline(corner, color=COLOURS["quiet"], linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        look = _FOOT | {"rotation": 90, "ha": "left", "bbox": None}
        write_at(ax, f"crossover {corner:.0f} Hz", (corner, 0.015), (2, 0), **look)


def mark_across(ax: Axes, band: ThirdOctaveBand, level: float, **look: Any) -> None:
    """Draw a stroke across a band."""
    across = [band.lower * 1.01, band.upper / 1.01]
    ax.plot(across, [level, level], solid_capstyle="butt", **look)


def scale_bar(ax: Axes, foot: float, length_db: float) -> None:
    """Draw beside a plot what a length on its vertical axis means."""
    beside: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "clip_on": False}
    bar = ax.plot([1.03, 1.03], [foot, foot + length_db], gid="scale", **beside)[0]
    bar.set(color=COLOURS["ink"], linewidth=2.0, solid_capstyle="butt")
    ax.text(1.05, foot + length_db / 2, f"{length_db:.0f} dB", va="center", **beside)
