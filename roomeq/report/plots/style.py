"""How our plots look: colours, strokes, axes.

Conventions
-----------
Everything that is told apart by colour is told apart by stroke, marker or hatching as well. Axes in
the proportions of IEC 60263: a decade of frequency is as long as 25 or 50 dB (from memory; the
standard was not at hand). Ticks stand at the nominal third octaves of ISO 266. The title of a level
axis lies above it. matplotlib comes with the extra ``report`` and is loaded when a function is
called; its global settings are left as they are.
"""

from __future__ import annotations

import math
import textwrap
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import wraps
from typing import TYPE_CHECKING, Any, ParamSpec, TypeAlias, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import third_octave_bands

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.ticker import Locator

Look: TypeAlias = dict[str, Any]
"""Settings of matplotlib for one artist."""

COLOURS = {
    "ink": "#1f2430",
    "quiet": "#68707b",
    "hair": "#dde1e5",
    "wash": "#eceff2",
    "dots": "#aab1b9",
    "blue": "#0b5b9d",
    "rust": "#b0421b",
    "teal": "#0b7a69",
    "amber": "#946300",
    "plum": "#7b3f98",
}
"""Colours by name. All but ``hair``, ``wash`` and ``dots``, which never stand alone, stand out from
white by 4.5:1 or more."""

_STYLE: Any = {
    "font.size": 8.5,
    "text.usetex": False,
    "text.parse_math": False,
    "text.color": COLOURS["ink"],
    "axes.facecolor": "white",
    "axes.edgecolor": COLOURS["ink"],
    "axes.labelcolor": COLOURS["ink"],
    "figure.facecolor": "white",
    "hatch.linewidth": 0.6,
}
_WIDTH, _TALLEST = 4.8, 4.6  # of the frame, inches
_ASPECT = 0.62  # of its height to its width, where nothing else decides
_MARGIN = 0.12  # inches around what is drawn
_BOXES_ALONE = "Last Resort"  # fonts that have a box for every letter
_LETTER_INCHES, _BOLD_INCHES = 0.068, 0.0885  # mean width of a letter, and of one of a title

_Given = ParamSpec("_Given")
_Drawn = TypeVar("_Drawn", "Axes", "Figure")


@contextmanager
def our_settings() -> Iterator[None]:
    """Apply our settings for as long as a plot is drawn.

    Raises
    ------
    ImportError
        If matplotlib is not installed; the extra is named.
    """
    try:
        import matplotlib as mpl
    except ImportError as error:
        raise ImportError(
            "plots need matplotlib, which comes with the extra 'report': "
            "python -m pip install 'roomeq[report]'"
        ) from error
    # Ours alone are put back: a notebook's backend loads with its first figure and sets others,
    # without which no further figure would be shown.
    before = {name: mpl.rcParams[name] for name in _STYLE}
    try:
        mpl.rcParams.update(_STYLE)
        yield
    finally:
        mpl.rcParams.update(before)


def house_style(draw: Callable[_Given, _Drawn]) -> Callable[_Given, _Drawn]:
    """Draw a plot with our settings, and fit a figure of its own around what is drawn."""

    @wraps(draw)
    def styled(*given: _Given.args, **named: _Given.kwargs) -> _Drawn:
        with our_settings():
            drawn = draw(*given, **named)
            if hasattr(drawn, "get_box_aspect") and named.get("ax") is None:
                _fit(drawn)
        return drawn

    return styled


def _fit(ax: Any) -> None:
    """Make the figure as large as what is written around its one frame, which keeps its size."""
    figure = ax.figure
    whole = figure.get_tightbbox().padded(_MARGIN)
    frame = ax.get_window_extent().transformed(figure.dpi_scale_trans.inverted())
    figure.set_size_inches(whole.width, whole.height)
    left, foot = (frame.x0 - whole.x0) / whole.width, (frame.y0 - whole.y0) / whole.height
    ax.set_position((left, foot, frame.width / whole.width, frame.height / whole.height))


@contextmanager
def fonts_for(text: str) -> Iterator[str]:
    """Draw with fonts that have all letters of a text; yield those that none here has.

    matplotlib's own font has Latin, Greek, Cyrillic, Arabic; fonts of the machine are looked
    through, by name, for the others only.
    """
    import matplotlib as mpl
    from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font

    families, missing = list(mpl.rcParams["font.family"]), set(filter(str.isprintable, text))
    others = sorted((font.name, font.fname) for font in fontManager.ttflist)
    for name, file in [("", findfont(FontProperties())), *others]:
        if missing and not name.startswith(_BOXES_ALONE):
            with suppress(OSError, RuntimeError):  # a font that cannot be opened has no letters
                held = missing & set(map(chr, get_font(file).get_charmap()))
                families += [name] if held and name else []
                missing -= held
    with mpl.rc_context({"font.family": families}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from", UserWarning)
        yield "".join(sorted(missing))


def stroke(colour: str, dashes: str = "", width: float = 1.3, zorder: float = 2.0) -> Look:
    """Return how a line is drawn: dashes and width in points, no dashes being solid.

    What is drawn 2.4 points wide or wider is named in bold.
    """
    style: Any = (0, tuple(map(float, dashes.split()))) if dashes else "solid"
    look = {"color": COLOURS[colour], "linestyle": style, "linewidth": width}
    return look | {"zorder": zorder}


def filling(colour: str, hatch: str = "", *, ground: str = "") -> Look:
    """Return how a bar is drawn: its edge and hatching, on white or on a ground of its own."""
    face = COLOURS[ground] if ground else "white"
    return {"facecolor": face, "edgecolor": COLOURS[colour], "hatch": hatch}


_SEAT_COLOURS = ("blue", "rust", "teal", "plum", "amber", "quiet")
_SEAT_DASHES = (
    *("", "5 1.5", "1 1.2", "7 1.5 1 1.5", "3 1.2", "9 2", "4 1 1 1 1 1", "2 3"),
    *("12 2 4 2", "1 3", "6 4", "3 1 3 1 1 1"),
)


def seat_stroke(index: int) -> Look:
    """Return the stroke of a seat, or of whatever else is told apart by its place in a row.

    From the thirteenth on dashes return in another colour.
    """
    turn, place = divmod(index, len(_SEAT_DASHES))
    return stroke(_SEAT_COLOURS[(place + turn) % 6], _SEAT_DASHES[place])


def started(ax: Axes | None, *, height: float | None = None) -> Axes:
    """Return the axes to draw on; of a figure made here the frame has a height in inches."""
    if ax is not None:
        return ax
    from matplotlib import pyplot as plt

    ax = plt.figure(figsize=(_WIDTH, height or _TALLEST)).add_axes((0, 0, 1, 1))
    ax.set_box_aspect(None if height else _ASPECT)
    return ax


def titled(ax: Axes, title: str) -> Axes:
    """Write what a plot shows over its left edge, in the lines its width asks for; return `ax`."""
    pad = 22 + 11 * ax.get_ylabel().count("\n")
    text = _wrapped(ax, title, _BOLD_INCHES)
    ax.set_title(text, loc="left", pad=pad, fontsize=10.0, fontweight="bold")
    return ax


def _wrapped(ax: Axes, text: str, letter: float) -> str:
    """Break a text over a plot, of letters so wide in inches, where its room ends."""
    ax.apply_aspect()
    figure: Any = ax.figure
    box, alone = ax.get_window_extent(), len(figure.axes) == 1

    def lines(right: float) -> list[str]:
        return textwrap.wrap(text, max(16, int((right - box.x0) / figure.dpi / letter)))

    found = lines(figure.bbox.x1 if alone else box.x1)
    # what stands beside the frame leaves more room, but is slow to measure
    if alone and len(found) > 1 and (tight := ax.get_tightbbox()):
        found = lines(max(figure.bbox.x1, tight.x1))
    return "\n".join(found)


def level_title(level_reference: str) -> str:
    """Return the title of a level axis."""
    return "Level in dB SPL" if level_reference == "spl" else "Level in dB, relative"


def level_span(
    values: ArrayLike, *, least: float = 30.0, most: float = 60.0, step: float = 5.0
) -> tuple[float, float]:
    """Return limits for levels: whole steps, wide enough, nulls cut off below.

    Parameters
    ----------
    values : array_like
        Levels in dB; what is not finite does not count.
    least, most : float
        Narrowest and widest span in dB; what is too much is cut off below.
    step : float
        Limits are multiples of it.
    """
    levels = np.asarray(values, dtype=np.float64)
    known = levels[np.isfinite(levels)]
    if not known.size:
        return -least / 2.0, least / 2.0
    top = step * math.ceil((float(known.max()) + 0.02 * least) / step)
    bottom = step * math.floor((float(known.min()) - 0.02 * least) / step)
    return min(max(bottom, top - most), top - least), top


def frame_frequencies(ax: Axes, lowest: float, highest: float, *, sparse: bool = False) -> None:
    """Give a plot a logarithmic frequency axis in Hz with ISO 266 ticks.

    Every third octave is named, or every octave where the axis is long or to be `sparse`.
    """
    ax.set_xscale("log")
    bands = third_octave_bands(lowest, highest)
    nominal = [band.nominal for band in bands if lowest <= band.nominal <= highest]
    every = 3 if sparse or math.log10(highest / lowest) > 1.25 else 1
    first = next((k for k, f in enumerate(nominal) if f == 31.5), 0) % every
    shown = [f"{f:g}" if k % every == first else "" for k, f in enumerate(nominal)]
    ax.set_xticks(nominal, shown)
    ax.minorticks_off()
    ax.set_xlim(lowest, highest)
    ax.tick_params(axis="x", length=4, width=0.8, color=COLOURS["ink"], labelsize=8)
    ax.set_xlabel("Frequency in Hz", loc="right")
    for frequency, text in zip(nominal, shown, strict=True):
        if every > 1 and text:
            ax.axvline(frequency, color=COLOURS["hair"], linewidth=0.7, zorder=0)


def round_steps() -> Locator:
    """Return what places at most eight rules, at steps of 1, 2 or 5 times a power of ten."""
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(7, steps=[1, 2, 5, 10])


def frame_across(ax: Axes, first: float, last: float, *, title: str = "") -> None:
    """Give a plot an even axis across, with round steps; its title at the right end."""
    ax.set_xlim(first, last)
    ax.xaxis.set_major_locator(round_steps())
    ax.set_xlabel(title, loc="right")


def _open_sides(ax: Axes) -> None:
    """Leave all sides of the frame open but the foot."""
    ax.tick_params(axis="y", length=0, labelsize=8)
    ax.spines[["left", "right", "top"]].set_visible(False)


def frame_values(ax: Axes, *, limits: tuple[float, float], title: str) -> None:
    """Frame the vertical axis of a plot: rules across, its title with the unit above."""
    ax.set_ylim(*limits)
    ax.yaxis.set_major_locator(round_steps())
    ax.grid(True, axis="y", color=COLOURS["hair"], linewidth=0.7)
    ax.set_axisbelow(True)
    _open_sides(ax)
    ax.set_ylabel(_wrapped(ax, title, _LETTER_INCHES), rotation=0, ha="left", va="bottom")
    ax.yaxis.set_label_coords(0.0, 1.015)


def frame_rows(
    ax: Axes, *, names: Sequence[str], title: str, places: ArrayLike, remarks: Sequence[str] = ()
) -> None:
    """Frame a plot whose vertical axis is a list, the first entry on top.

    Parameters
    ----------
    ax : Axes
    names : sequence of str
        One for each row.
    title : str
        Of the list.
    places : array_like
        Where the rows stand on the vertical axis.
    remarks : sequence of str
        One for each row, to the right of it.
    """
    rows = np.asarray(places, dtype=np.float64)
    ax.set_yticks(rows, names)
    ax.set_ylabel(title, rotation=0, ha="right", va="bottom")
    ax.yaxis.set_label_coords(-0.015, 1.015)
    _open_sides(ax)
    look: Look = {"xycoords": ("axes fraction", "data"), "annotation_clip": False}
    for place, text in zip(rows.tolist(), remarks, strict=False):
        ax.annotate(text, (1.035, place), va="center", **look)


def draw_bars(
    ax: Axes,
    edges: Sequence[tuple[float, float]],
    heights: ArrayLike,
    looks: Sequence[Look],
    *,
    unknown: str = " not known",
) -> None:
    """Draw a bar over each band, from edge to edge in Hz but a little narrower.

    Where the height is not known, that is written, upright.
    """
    for (lower, upper), height, look in zip(edges, np.asarray(heights), looks, strict=True):
        if np.isfinite(height):
            left, right = lower * (upper / lower) ** 0.1, upper * (lower / upper) ** 0.1
            bar = ax.bar(left, height, width=right - left, align="edge", zorder=2)[0]
            bar.set(linewidth=0.8, **look)
        else:
            place = math.sqrt(lower * upper), max(0.0, ax.get_ylim()[0])
            ax.text(*place, unknown, rotation=90, ha="center", va="bottom")
