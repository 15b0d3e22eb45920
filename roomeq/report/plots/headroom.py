"""Plots of how hard the subwoofer works: drive, power, displacement, distortion.

Conventions
-----------
By third octave, from `roomeq.optimiser.drive.headroom`, sines at the bands' centres: drive in dB
above that of the measurement, power in W, displacement in mm peak. A mark across a bar is where
something runs out, and a filled bar has passed it. What is not known is said, never drawn as 0.
Numbers are computed elsewhere. Every function takes axes, or makes some, and returns them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, amplitude_ratio, power_ratio
from roomeq.optimiser.drive.clean_drive import HARMONIC_LIMITS_DB
from roomeq.optimiser.drive.demand import BandExtra
from roomeq.optimiser.drive.headroom import Headroom, HeadroomLimit
from roomeq.report.plots.labels import (
    EndLabel,
    label_ends,
)
from roomeq.report.plots.style import (
    COLOURS,
    SEAT_STROKES,
    DecibelsPerDecade,
    frame_frequencies,
    frame_levels,
    frame_values,
    house_style,
    level_span,
    log_bar,
    nice_step,
    started,
    titled,
)
from roomeq.report.text.layout import signed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "plot_displacement",
    "plot_distortion",
    "plot_drive",
    "plot_extra_drive",
    "plot_power",
]

_LIMIT_WORDS = {
    HeadroomLimit.AMPLIFIER: "amplifier",
    HeadroomLimit.DISPLACEMENT: "displacement",
    HeadroomLimit.DISTORTION: "distortion",
    HeadroomLimit.MAXIMUM_OUTPUT: "output",
}
_ORDINALS = ("2nd", "3rd", "4th", "5th")


@house_style()
def plot_extra_drive(extras: Sequence[BandExtra], *, ax: Axes | None = None) -> Axes:
    """Plot what gains and level ask of the drive, band by band, against all bands at 0.

    Each bar carries the power it asks for as a multiple.

    Parameters
    ----------
    extras : sequence of BandExtra
        As `roomeq.optimiser.drive.demand.estimate_extra_drive` gives them.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If there is no band.
    ImportError
        If matplotlib is not installed.
    """
    if not extras:
        raise ValueError("needs at least one band")
    ax, own = started(ax)
    values = np.array([entry.extra_db for entry in extras])
    ax.axhline(0.0, color=COLOURS["ink"], linewidth=0.8, zorder=3)
    for entry, value in zip(extras, values, strict=True):
        look = _look(over=False) if value > 0 else _RELIEF
        band = entry.band
        log_bar(ax, lower=band.lower, upper=band.upper, height=float(value), look=look)
        above = value >= 0
        text = f"×{entry.power_ratio:.1f}" if entry.power_ratio >= 0.095 else "<×0.1"
        _write(ax, band.centre, float(value), text, above=above)
    bands = [entry.band for entry in extras]
    limits = level_span([*values - 1.0, *values + 1.0, 0.0], least=10.0)
    _frame_bands(ax, own=own, bands=bands, limits=limits, title="Extra drive in dB", step=5.0)
    ax.text(1.035, 0.99, "written: times\nthe power", transform=ax.transAxes, va="top")
    titled(ax, "How hard it works: what gains and level ask")
    return ax


@house_style()
def plot_drive(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the drive at the wanted level, and where something runs out in each band.

    Parameters
    ----------
    headroom : Headroom
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If there is no band.
    ImportError
        If matplotlib is not installed.
    """
    values = [entry.rise_db for entry in headroom.bands]
    limits = [
        None if entry.least_db is None else entry.rise_db + entry.least_db
        for entry in headroom.bands
    ]
    words = ["" if e.limit is None else _LIMIT_WORDS[e.limit] for e in headroom.bands]
    drawn = _plot_bands(
        headroom,
        values,
        limits,
        words,
        title="Drive in dB above the measurement",
        ax=ax,
        level=True,
    )
    drawn.axhline(0.0, color=COLOURS["ink"], linewidth=0.8, zorder=3)
    titled(drawn, "How hard it works: drive at the wanted level")
    return drawn


@house_style()
def plot_power(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the power into the load at the wanted level, and what the amplifier is rated for.

    Parameters, returns and errors as for `plot_drive`.
    """
    values = [entry.power_w for entry in headroom.bands]
    limits = [
        None
        if entry.power_w is None or entry.amplifier_db is None
        else entry.power_w * float(power_ratio(entry.amplifier_db))
        for entry in headroom.bands
    ]
    words = ["rated" if limit is not None else "" for limit in limits]
    drawn = _plot_bands(headroom, values, limits, words, title="Power in W", ax=ax)
    titled(drawn, "How hard it works: power at the wanted level")
    return drawn


@house_style()
def plot_displacement(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the driver's displacement at the wanted level, and how far it may move.

    Parameters, returns and errors as for `plot_drive`.
    """
    values = [
        None if entry.displacement is None else 1e3 * entry.displacement for entry in headroom.bands
    ]
    limits = [
        None
        if value is None or entry.displacement_db is None
        else value * float(amplitude_ratio(entry.displacement_db))
        for value, entry in zip(values, headroom.bands, strict=True)
    ]
    words = ["largest" if limit is not None else "" for limit in limits]
    drawn = _plot_bands(headroom, values, limits, words, title="Displacement in mm peak", ax=ax)
    titled(drawn, "How hard it works: displacement at the wanted level")
    return drawn


_RELIEF = {"facecolor": "white", "edgecolor": COLOURS["quiet"], "hatch": ""}


def _look(*, over: bool) -> dict[str, object]:
    if over:
        return {"facecolor": COLOURS["rust"], "edgecolor": COLOURS["rust"], "hatch": ""}
    return {"facecolor": "white", "edgecolor": COLOURS["blue"], "hatch": "////"}


def _plot_bands(
    headroom: Headroom,
    values: Sequence[float | None],
    limits: Sequence[float | None],
    words: Sequence[str],
    *,
    title: str,
    ax: Axes | None,
    level: bool = False,
) -> Axes:
    """Draw a bar and a limit for each band."""
    if not headroom.bands:
        raise ValueError("needs at least one band")
    ax, own = started(ax)
    known = [value for value in (*values, *limits) if value is not None]
    if all(value is None for value in values):
        return _nothing_known(ax, headroom, own=own, title=title)
    bands = [entry.band for entry in headroom.bands]
    if level:
        span = level_span([*known, 0.0], least=10.0, step=5.0)
        _frame_bands(ax, own=own, bands=bands, limits=span, title=title, step=5.0)
    else:
        top = 1.12 * max(known, default=1.0)
        _frame_bands(ax, own=own, bands=bands, limits=(0.0, top), title=title, step=nice_step(top))
    for band, value, limit in zip(bands, values, limits, strict=True):
        if value is None:
            low = max(0.0, ax.get_ylim()[0])
            ax.text(band.centre, low, " not known", rotation=90, ha="center", va="bottom")
            continue
        over = limit is not None and value > limit
        log_bar(ax, lower=band.lower, upper=band.upper, height=value, look=_look(over=over))
        if limit is not None:
            _limit_mark(ax, band, limit)
    _name_limits(ax, bands, values, limits, words)
    return ax


def _nothing_known(ax: Axes, headroom: Headroom, *, own: bool, title: str) -> Axes:
    """Say that nothing is known, on an axis without figures."""
    bands = [entry.band for entry in headroom.bands]
    _frame_bands(ax, own=own, bands=bands, limits=(0.0, 1.0), title=title, step=1.0)
    ax.set_yticks([])
    ax.text(0.5, 0.5, "not known", transform=ax.transAxes, ha="center", va="center")
    return ax


def _limit_mark(ax: Axes, band: ThirdOctaveBand, limit: float) -> None:
    ax.plot(
        [band.lower * 1.01, band.upper / 1.01],
        [limit, limit],
        color=COLOURS["ink"],
        linewidth=2.2,
        solid_capstyle="butt",
        label="limit",
        zorder=4,
    )


def _name_limits(
    ax: Axes,
    bands: Sequence[ThirdOctaveBand],
    values: Sequence[float | None],
    limits: Sequence[float | None],
    words: Sequence[str],
) -> None:
    """Name what runs out, once for each run of bands that have it in common."""
    start = 0
    for index in range(1, len(bands) + 1):
        if index < len(bands) and words[index] == words[start]:
            continue
        centre = (start + index - 1) // 2
        middle = slice(max(start, centre - 1), min(index, centre + 3))
        run = [height for height in (*limits[middle], *values[middle]) if height is not None]
        if words[start] and run:
            place = float(np.sqrt(bands[start].centre * bands[index - 1].centre))
            _write(ax, place, max(run), words[start], above=True, upright=index - start < 3)
        start = index


def _write(ax: Axes, x: float, y: float, text: str, *, above: bool, upright: bool = False) -> None:
    ax.annotate(
        text,
        xy=(x, y),
        xytext=(0, 4 if above else -4),
        textcoords="offset points",
        ha="center",
        va="bottom" if above else "top",
        rotation=90 if upright else 0,
        fontsize=7.5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
        zorder=5,
    )


def _frame_bands(
    ax: Axes,
    *,
    own: bool,
    bands: Sequence[ThirdOctaveBand],
    limits: tuple[float, float],
    title: str,
    step: float,
) -> None:
    frame_frequencies(ax, lowest=bands[0].lower, highest=bands[-1].upper)
    frame_values(ax, own=own, limits=limits, title=title, step=step)


@house_style()
def plot_distortion(
    distortion: Distortion,
    *,
    limits_db: ArrayLike | None = HARMONIC_LIMITS_DB,
    db_per_decade: DecibelsPerDecade = 50,
    ax: Axes | None = None,
) -> Axes:
    """Plot harmonics against the frequency of the fundamental.

    Thick where a harmonic stands above the noise; elsewhere thin, and no more than a bound.

    Parameters
    ----------
    distortion : Distortion
    limits_db : array_like, shape (4,), optional
        Of orders 2 to 5 relative to the fundamental, drawn at the right; those of
        `roomeq.optimiser.drive.clean_drive` by default, None for none.
    db_per_decade : {25, 50}
        Proportion of the axes (IEC 60263).
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If nothing is known of any harmonic.
    ImportError
        If matplotlib is not installed.
    """
    ratios, axis = distortion.ratios_db, distortion.frequencies
    if not np.isfinite(ratios).any():
        raise ValueError("nothing is known of any harmonic")
    ax, own = started(ax)
    ends = []
    for index, (name, row) in enumerate(zip(_ORDINALS, ratios, strict=True)):
        stroke, known = SEAT_STROKES[index], np.isfinite(row)
        if not known.any():
            continue
        clear = np.where(distortion.above_noise[index], row, np.nan)
        ax.plot(axis, row, color=COLOURS[stroke.colour], linewidth=0.5, zorder=2)
        ax.plot(axis, clear, label=name, zorder=3, **stroke.settings | {"linewidth": 1.8})
        text = f"{name} harmonic"
        ends.append(EndLabel(place=float(row[known][-1]), text=text, colour=stroke.colour))
    limits = () if limits_db is None else np.asarray(limits_db, dtype=np.float64)
    frame_levels(
        ax,
        own=own,
        frequencies=(float(axis[0]), float(axis[-1])),
        levels=level_span([*ratios[np.isfinite(ratios)], *limits, 0.0], most=80.0, step=10.0),
        title="Harmonic relative to the fundamental in dB",
        db_per_decade=db_per_decade,
    )
    label_ends(ax, [*ends, *_draw_harmonic_limits(ax, np.asarray(limits))])
    titled(ax, "How hard it works: distortion while measuring")
    return ax


def _draw_harmonic_limits(ax: Axes, limits: FloatArray) -> list[EndLabel]:
    """Draw limits of harmonics as strokes at the right edge; return labels, equal ones together."""
    labels = []
    for level in dict.fromkeys(limits.tolist()):
        orders = [name for name, limit in zip(_ORDINALS, limits, strict=True) if limit == level]
        across: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "color": COLOURS["ink"]}
        ax.plot([0.94, 1.0], [level, level], linewidth=2.6, label="limit", zorder=4, **across)
        text = f"limit {' and '.join(orders)} {signed(level, digits=0)} dB".replace("-", "\u2212")
        labels.append(EndLabel(place=level, text=text))
    return labels
