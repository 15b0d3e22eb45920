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
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import third_octave_bands

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
    "axes.grid": False,
    "axes.linewidth": 0.8,
    "axes.labelsize": 8.5,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.xmargin": 0.0,
    "axes.unicode_minus": True,
    "figure.facecolor": "white",
    "figure.autolayout": False,
    "figure.constrained_layout.use": False,
    "hatch.linewidth": 0.6,
    "lines.linewidth": 1.4,
    "lines.solid_capstyle": "round",
    "savefig.facecolor": "white",
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
}
_WIDTH, _TALLEST = 4.8, 4.6  # of the frame, inches
_LEFT, _RIGHT, _BELOW, _ABOVE = 0.62, 1.75, 0.55, 0.86  # around it, inches
_BOXES_ALONE = "Last Resort"  # fonts that have a box for every letter
_LETTER_INCHES, _BOLD_INCHES = 0.068, 0.0885  # mean width of a letter, and of one of a title


@contextmanager
def house_style() -> Iterator[None]:
    """Apply our settings for as long as a plot is drawn; also a decorator.

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


@contextmanager
def fonts_for(text: str) -> Iterator[str]:
    """Draw with fonts that have all letters of a text; yield those that none here has.

    matplotlib's own font has Latin, Greek, Cyrillic, Arabic; fonts of the machine are looked
    through, by name, for the others only.
    """
    import matplotlib as mpl
    from matplotlib import font_manager

    families, missing = list(mpl.rcParams["font.family"]), set(filter(str.isprintable, text))
    missing -= _held_by(font_manager.findfont(font_manager.FontProperties()), missing)
    for font in sorted(font_manager.fontManager.ttflist, key=lambda one: one.name):
        if font.name.startswith(_BOXES_ALONE):
            continue
        if missing and (held := _held_by(font.fname, missing)):
            families.append(font.name)
            missing -= held
    with mpl.rc_context({"font.family": families}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from", UserWarning)
        yield "".join(sorted(missing))


def _held_by(font: str, letters: set[str]) -> set[str]:
    """Return which letters a font has; none where it cannot be opened."""
    from matplotlib.font_manager import get_font

    try:
        opened = get_font(font)
    except (OSError, RuntimeError):
        return set()
    return {letter for letter in letters if opened.get_char_index(ord(letter))}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """How a line is drawn: colour, dashes in points (none is solid), width in points.

    What is bold is named in bold; a higher `zorder` is drawn later.
    """

    colour: str
    dashes: tuple[float, ...] = ()
    width: float = 1.3
    bold: bool = False
    zorder: float = 2.0

    @property
    def settings(self) -> dict[str, Any]:
        """Arguments for a matplotlib line."""
        style: Any = (0, self.dashes) if self.dashes else "solid"
        look = {"color": COLOURS[self.colour], "linestyle": style, "linewidth": self.width}
        return look | {"zorder": self.zorder}


_SEAT_COLOURS = ("blue", "rust", "teal", "plum", "amber", "quiet")
_SEAT_DASHES = (
    "; 5 1.5; 1 1.2; 7 1.5 1 1.5; 3 1.2; 9 2; 4 1 1 1 1 1; 2 3; 12 2 4 2; 1 3; 6 4; 3 1 3 1 1 1"
)
SEAT_STROKES = tuple(
    Stroke(colour=_SEAT_COLOURS[k % 6], dashes=tuple(map(float, dashes.split())))
    for k, dashes in enumerate(_SEAT_DASHES.split(";"))
)
"""Strokes of seats, in order; from the thirteenth on dashes return in another colour."""


def seat_stroke(index: int) -> Stroke:
    """Return the stroke of a seat, or of whatever else is told apart by its place in a row."""
    turn, place = divmod(index, len(SEAT_STROKES))
    return replace(SEAT_STROKES[place], colour=_SEAT_COLOURS[(place + turn) % 6])


def started(ax: Axes | None) -> tuple[Axes, bool]:
    """Return the axes to draw on, and whether they were made here."""
    if ax is not None:
        return ax, False
    from matplotlib import pyplot as plt

    return plt.subplots()[1], True


def titled(ax: Axes, title: str) -> Axes:
    """Write what a plot shows over its left edge, in the lines its width asks for; return `ax`."""
    ax.apply_aspect()
    figure: Any = ax.figure
    box, right = ax.get_window_extent(), figure.bbox.x1
    room = (right if len(figure.axes) == 1 else box.x1) - box.x0
    pad = 22 + 11 * ax.get_ylabel().count("\n")
    text = _wrapped(title, room / figure.dpi / _BOLD_INCHES)
    ax.set_title(text, loc="left", pad=pad, fontsize=10.0, fontweight="bold")
    return ax


def _wrapped(text: str, letters: float) -> str:
    return "\n".join(textwrap.wrap(text, max(16, int(letters))))


def level_title(level_reference: str) -> str:
    """Return the title of a level axis."""
    return "Level in dB SPL" if level_reference == "spl" else "Level in dB, relative"


def nice_step(top: float) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that gives at most eight rules up to `top`.

    Raises
    ------
    ValueError
        If `top` is not finite and positive.
    """
    if not (math.isfinite(top) and top > 0):
        raise ValueError(f"top must be finite and positive, got {top!r}")
    power = 10.0 ** math.floor(math.log10(top / 8.0))
    return next(f * power for f in (1.0, 2.0, 5.0, 10.0) if top <= 8.0 * f * power)


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


def _placed(
    ax: Axes, *, width: float, height: float, left: float = _LEFT, right: float = _RIGHT
) -> None:
    """Size the figure so that the frame has this size in inches."""
    figure: Any = ax.figure
    whole, tall = left + width + right, _BELOW + height + _ABOVE
    figure.set_size_inches(whole, tall)
    ax.set_position((left / whole, _BELOW / tall, width / whole, height / tall))


def frame_frequencies(ax: Axes, *, lowest: float, highest: float, sparse: bool = False) -> None:
    """Give a plot a logarithmic frequency axis in Hz with ISO 266 ticks.

    Every third octave is named, or every octave where the axis is long or to be `sparse`.
    """
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    ax.set_xscale("log")
    ax.set_xlim(lowest, highest)
    bands = third_octave_bands(lowest, highest)
    nominal = [band.nominal for band in bands if lowest <= band.nominal <= highest]
    every = 3 if sparse or math.log10(highest / lowest) > 1.25 else 1
    first = next((k for k, f in enumerate(nominal) if f == 31.5), 0) % every
    shown = [f"{f:g}" if k % every == first else "" for k, f in enumerate(nominal)]
    ax.xaxis.set_major_locator(FixedLocator(nominal))
    ax.xaxis.set_major_formatter(FixedFormatter(shown))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.tick_params(axis="x", length=4, width=0.8, color=COLOURS["ink"], labelsize=8)
    ax.set_xlabel("Frequency in Hz", loc="right")
    for frequency, text in zip(nominal, shown, strict=True):
        if every > 1 and text:
            ax.axvline(frequency, color=COLOURS["hair"], linewidth=0.7, zorder=0)


def frame_across(ax: Axes, first: float, last: float, *, title: str = "") -> None:
    """Give a plot an even axis across, with round steps; its title at the right end."""
    from matplotlib.ticker import MultipleLocator

    ax.set_xlim(first, last)
    ax.xaxis.set_major_locator(MultipleLocator(nice_step(last - first)))
    ax.set_xlabel(title, loc="right")


def _open_sides(ax: Axes) -> None:
    """Leave all sides of the frame open but the foot."""
    ax.tick_params(axis="y", length=0, labelsize=8)
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)


def frame_levels(
    ax: Axes,
    *,
    own: bool,
    frequencies: tuple[float, float],
    levels: tuple[float, float],
    title: str,
    db_per_decade: Literal[25, 50] = 50,
) -> None:
    """Frame a plot of levels over frequency, in the proportions of IEC 60263.

    Parameters
    ----------
    ax : Axes
    own : bool
        Whether the figure is ours to size.
    frequencies, levels : tuple of float
        Limits in Hz and in dB.
    title : str
        Of the vertical axis, with its unit.
    db_per_decade : {25, 50}
        dB that are as long as a decade.
    """
    frame_frequencies(ax, lowest=frequencies[0], highest=frequencies[1])
    span = levels[1] - levels[0]
    aspect = span / db_per_decade / math.log10(frequencies[1] / frequencies[0])
    ax.set_box_aspect(aspect)
    step = 10.0 if span > 30 else 5.0
    frame_values(ax, own=own, limits=levels, title=title, step=step, aspect=aspect)


def frame_values(
    ax: Axes,
    *,
    own: bool,
    limits: tuple[float, float],
    title: str,
    step: float,
    aspect: float = 0.62,
) -> None:
    """Frame the vertical axis of a plot: rules across, title above.

    Parameters
    ----------
    ax : Axes
    own : bool
        Whether the figure is ours to size.
    limits : tuple of float
    title : str
        With the unit.
    step : float
        From one rule to the next.
    aspect : float
        Height of the frame over its width, where the figure is ours.
    """
    from matplotlib.ticker import MultipleLocator

    ax.set_ylim(*limits)
    ax.yaxis.set_major_locator(MultipleLocator(step))
    ax.grid(True, axis="y", color=COLOURS["hair"], linewidth=0.7)
    ax.set_axisbelow(True)
    _open_sides(ax)
    if own:
        width = min(_WIDTH, _TALLEST / aspect)
        _placed(ax, width=width, height=width * aspect)
    else:
        figure: Any = ax.figure
        title = _wrapped(title, ax.get_window_extent().width / figure.dpi / _LETTER_INCHES)
    ax.set_ylabel(title, rotation=0, ha="left", va="bottom")
    ax.yaxis.set_label_coords(0.0, 1.015)


def frame_rows(
    ax: Axes,
    *,
    own: bool,
    names: Sequence[str],
    title: str,
    places: ArrayLike,
    inches: float,
    remarks: Sequence[str] = (),
) -> None:
    """Frame a plot whose vertical axis is a list, the first entry on top.

    Parameters
    ----------
    ax : Axes
    own : bool
    names : sequence of str
        One for each row.
    title : str
        Of the list.
    places : array_like
        Where the rows stand on the vertical axis.
    inches : float
        Height of a row.
    remarks : sequence of str
        One for each row, to the right of it.
    """
    ax.set_yticks(np.asarray(places, dtype=np.float64), names)
    ax.set_ylabel(title, rotation=0, ha="right", va="bottom")
    ax.yaxis.set_label_coords(-0.015, 1.015)
    _open_sides(ax)
    look: dict[str, Any] = {"xycoords": ("axes fraction", "data"), "annotation_clip": False}
    written = [
        ax.annotate(text, (1.035, float(place)), va="center", **look)
        for place, text in zip(np.asarray(places, dtype=np.float64), remarks, strict=False)
    ]
    if own:
        figure: Any = ax.figure
        names_, beside = (
            max((text.get_window_extent().width for text in texts), default=0.0) / figure.dpi
            for texts in ([*ax.get_yticklabels(), ax.yaxis.label], written)
        )
        left, right = max(_LEFT, 0.25 + names_), max(_RIGHT, 0.4 + beside)
        _placed(ax, width=_WIDTH, height=inches * len(names), left=left, right=right)


def log_bar(ax: Axes, *, lower: float, upper: float, height: float, look: dict[str, Any]) -> None:
    """Draw a bar over a band on a logarithmic axis, a little narrower than the band."""
    narrow = (upper / lower) ** 0.1
    left, right = lower * narrow, upper / narrow
    bar = ax.bar(left, height, width=right - left, align="edge", zorder=2)[0]
    bar.set(linewidth=0.8, **look)
