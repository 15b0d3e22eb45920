"""Lines over frequency and what is written on our plots: at their ends, at points, over spans.

Conventions
-----------
Labels stand beside what they name, in its colour; none over another. Sizes in points.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray
from roomeq.base.printable import printable
from roomeq.report.plots.style import COLOURS, Stroke, frame_levels, started, titled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LABEL_POINTS = 10.5  # from one label to the next
_LONGEST_NAME = 44  # letters
_FOOT: Any = {"xycoords": ("data", "axes fraction"), "va": "bottom", "color": COLOURS["quiet"]}


@dataclass(frozen=True, slots=True, kw_only=True)
class EndLabel:
    """A label at the right end of a line: place on the level axis, text, colour."""

    place: float
    text: str
    colour: str = "ink"
    bold: bool = False

    @classmethod
    def of(cls, levels: FloatArray, stroke: Stroke, text: str) -> Self:
        """Return the label at the end of a line."""
        last = float(levels[-1])
        return cls(place=last, text=text, colour=stroke.colour, bold=stroke.bold)


def draw_curves(
    ax: Axes | None,
    axis: FloatArray,
    lines: Iterable[tuple[str, str, FloatArray]],
    strokes: Iterable[Stroke],
    *,
    beside: Sequence[EndLabel] = (),
    **frame: Any,
) -> Axes:
    """Draw lines of levels over frequency, frame them, and name each at its end.

    Parameters
    ----------
    ax : Axes or None
        None makes a figure.
    axis : ndarray, shape (F,)
        Hz.
    lines : iterable of tuple
        Name, what stands at the end, levels.
    strokes : iterable of Stroke
        One for each line.
    beside : sequence of EndLabel
        What else stands at the right edge.
    frame
        As for `framed_levels`.

    Returns
    -------
    Axes
    """
    ax, own = started(ax)
    ends = []
    for (name, text, levels), stroke in zip(lines, strokes, strict=True):
        ax.plot(axis, levels, label=name, **stroke.settings)
        ends.append(EndLabel.of(levels, stroke, text))
    return framed_levels(ax, [*ends, *beside], own=own, frequencies=(axis[0], axis[-1]), **frame)


def framed_levels(
    ax: Axes, ends: Sequence[EndLabel], *, own: bool, heading: str, **frame: Any
) -> Axes:
    """Frame what was drawn over frequency, as `frame_levels` does, name its ends, and title it."""
    frame_levels(ax, own=own, **frame)
    label_ends(ax, ends, own=own)
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


def widened(ax: Axes, written: Sequence[Any]) -> None:
    """Widen a figure of our own until it holds what is written to the right of its frame."""
    figure: Any = ax.figure
    width, height = figure.get_size_inches()
    ends = [text.get_window_extent().x1 for text in written]
    more = max(ends) / figure.dpi + 0.12 - width
    if more > 0:
        left, below, wide, tall = ax.get_position(original=True).bounds
        share = width / (width + more)
        figure.set_size_inches(width + more, height)
        ax.set_position((left * share, below, wide * share, tall))


def label_ends(ax: Axes, labels: Sequence[EndLabel], *, own: bool = False) -> None:
    """Write labels to the right of a plot, beside their places, none over another.

    Where a label had to move, a thin line leads to its place. A figure of our own is widened until
    it holds them.
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
    look: Any = {"xycoords": "axes fraction", "textcoords": "axes fraction", "va": "center"}
    lead = {"arrowstyle": "-", "linewidth": 0.6, "shrinkA": 1, "shrinkB": 0, "relpos": (0.0, 0.5)}
    written = []
    for label, share, place in zip(order, shares.tolist(), spread.tolist(), strict=True):
        colour, weight = COLOURS[label.colour], "bold" if label.bold else "normal"
        name, arrow = shortened(label.text), lead | {"color": colour}
        text = ax.annotate(name, (1.0, share), (1.035, place), arrowprops=arrow, **look)
        text.set(color=colour, fontweight=weight, annotation_clip=False)
        written.append(text)
    if own:
        widened(ax, written)


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
    bar = ax.plot([1.03, 1.03], [foot, foot + length_db], label="scale", **beside)[0]
    bar.set(color=COLOURS["ink"], linewidth=2.0, solid_capstyle="butt")
    ax.text(1.05, foot + length_db / 2, f"{length_db:.0f} dB", va="center", **beside)
