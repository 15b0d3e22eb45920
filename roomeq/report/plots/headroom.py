"""Plots of how hard the subwoofer works: drive, power, displacement, distortion.

Conventions
-----------
By third octave, from `roomeq.optimiser.drive.headroom`, sines at the bands' centres: drive in dB
above that of the measurement, power in W, displacement in mm peak. A mark across a bar is where
something runs out, and a filled bar has passed it. What is not known is said, never drawn as 0.
Numbers are computed elsewhere. Every function takes axes, or makes some, and returns them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, amplitude_ratio, power_ratio
from roomeq.optimiser.drive.clean_drive import HARMONIC_LIMITS_DB
from roomeq.optimiser.drive.demand import BandExtra
from roomeq.optimiser.drive.headroom import Headroom, HeadroomLimit
from roomeq.report.plots.labels import EndLabel, label_ends, write_at
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
    for entry in extras:
        band, value = entry.band, entry.extra_db
        look = _WITHIN if value > 0 else _RELIEF
        log_bar(ax, lower=band.lower, upper=band.upper, height=value, look=look)
        text = f"×{entry.power_ratio:.1f}" if entry.power_ratio >= 0.095 else "<×0.1"
        _write(ax, band.centre, value, text, below=value < 0)
    frame_frequencies(ax, lowest=extras[0].band.lower, highest=extras[-1].band.upper)
    limits = level_span([*values - 1.0, *values + 1.0, 0.0], least=10.0)
    frame_values(ax, own=own, limits=limits, title="Extra drive in dB", step=5.0)
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
    rows = [
        _Row(
            band=entry.band,
            value=entry.rise_db,
            limit=None if entry.left_db is None else entry.rise_db + entry.left_db,
            word=_LIMIT_WORDS[entry.limit] if entry.limit else "",
        )
        for entry in headroom.bands
    ]
    drawn = _plot_rows(rows, "Drive in dB above the measurement", ax=ax, level=True)
    drawn.axhline(0.0, color=COLOURS["ink"], linewidth=0.8, zorder=3)
    titled(drawn, "How hard it works: drive at the wanted level")
    return drawn


@house_style()
def plot_power(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the power into the load at the wanted level, and what the amplifier is rated for.

    Parameters, returns and errors as for `plot_drive`.
    """
    rows = [
        _Row(
            band=entry.band,
            value=entry.power_w,
            limit=_limit(entry.power_w, entry.amplifier_db, power_ratio),
            word="rated",
        )
        for entry in headroom.bands
    ]
    drawn = _plot_rows(rows, "Power in W", ax=ax)
    titled(drawn, "How hard it works: power at the wanted level")
    return drawn


@house_style()
def plot_displacement(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the driver's displacement at the wanted level, and how far it may move.

    Parameters, returns and errors as for `plot_drive`.
    """
    rows = []
    for entry in headroom.bands:
        moved = None if entry.displacement is None else 1e3 * entry.displacement
        limit = _limit(moved, entry.displacement_db, amplitude_ratio)
        rows.append(_Row(band=entry.band, value=moved, limit=limit, word="largest"))
    drawn = _plot_rows(rows, "Displacement in mm peak", ax=ax)
    titled(drawn, "How hard it works: displacement at the wanted level")
    return drawn


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """A band: how much it takes, how much it may, and what says so; None is not known."""

    band: ThirdOctaveBand
    value: float | None
    limit: float | None
    word: str


def _limit(
    value: float | None, left_db: float | None, ratio: Callable[[float], FloatArray]
) -> float | None:
    """Return what may be reached where so many dB are left, as power or amplitude ratio."""
    return None if value is None or left_db is None else value * float(ratio(left_db))


_RELIEF = {"facecolor": "white", "edgecolor": COLOURS["quiet"], "hatch": ""}
_WITHIN = {"facecolor": "white", "edgecolor": COLOURS["blue"], "hatch": "////"}
_OVER = {"facecolor": COLOURS["rust"], "edgecolor": COLOURS["rust"], "hatch": ""}


def _plot_rows(rows: Sequence[_Row], title: str, *, ax: Axes | None, level: bool = False) -> Axes:
    """Draw a bar and a limit for each band."""
    if not rows:
        raise ValueError("needs at least one band")
    ax, own = started(ax)
    frame_frequencies(ax, lowest=rows[0].band.lower, highest=rows[-1].band.upper)
    if all(row.value is None for row in rows):
        frame_values(ax, own=own, limits=(0.0, 1.0), title=title, step=1.0)
        ax.set_yticks([])
        ax.text(0.5, 0.5, "not known", transform=ax.transAxes, ha="center", va="center")
        return ax
    known = [number for row in rows for number in (row.value, row.limit) if number is not None]
    if level:
        span, step = level_span([*known, 0.0], least=10.0), 5.0
    else:
        span = 0.0, 1.12 * max(known)
        step = nice_step(span[1])
    frame_values(ax, own=own, limits=span, title=title, step=step)
    for row in rows:
        _bar(ax, row)
    _name_limits(ax, rows)
    return ax


def _bar(ax: Axes, row: _Row) -> None:
    """Draw a band's bar and its limit, or say that nothing is known."""
    band, limit = row.band, row.limit
    if row.value is None:
        low = max(0.0, ax.get_ylim()[0])
        ax.text(band.centre, low, " not known", rotation=90, ha="center", va="bottom")
        return
    look = _OVER if limit is not None and row.value > limit else _WITHIN
    log_bar(ax, lower=band.lower, upper=band.upper, height=row.value, look=look)
    if limit is not None:
        ax.plot(
            [band.lower * 1.01, band.upper / 1.01],
            [limit, limit],
            color=COLOURS["ink"],
            linewidth=2.2,
            solid_capstyle="butt",
            label="limit",
            zorder=4,
        )


def _name_limits(ax: Axes, rows: Sequence[_Row]) -> None:
    """Name what runs out, once for each run of bands that have it in common."""
    for word, group in groupby(rows, key=lambda row: "" if row.limit is None else row.word):
        run = list(group)
        centre = (len(run) - 1) // 2
        middle = run[max(0, centre - 1) : centre + 3]
        heights = [x for row in middle for x in (row.limit, row.value) if x is not None]
        if word:
            place = float(np.sqrt(run[0].band.centre * run[-1].band.centre))
            _write(ax, place, max(heights), word, upright=len(run) < 3)


def _write(
    ax: Axes, x: float, y: float, text: str, *, below: bool = False, upright: bool = False
) -> None:
    points, va = ((0, -4), "top") if below else ((0, 4), "bottom")
    write_at(ax, text, (x, y), points, va=va, rotation=90 if upright else 0, zorder=5)


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
    limits: list[float] = [] if limits_db is None else np.asarray(limits_db, dtype=float).tolist()
    frame_levels(
        ax,
        own=own,
        frequencies=(float(axis[0]), float(axis[-1])),
        levels=level_span([*ratios[np.isfinite(ratios)], *limits, 0.0], most=80.0, step=10.0),
        title="Harmonic relative to the fundamental in dB",
        db_per_decade=db_per_decade,
    )
    for level in dict.fromkeys(limits):  # a stroke at the right edge, equal ones named together
        orders = [name for name, limit in zip(_ORDINALS, limits, strict=True) if limit == level]
        across: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "color": COLOURS["ink"]}
        ax.plot([0.94, 1.0], [level, level], linewidth=2.6, label="limit", zorder=4, **across)
        text = f"limit {' and '.join(orders)} {signed(level, digits=0)} dB".replace("-", "\u2212")
        ends.append(EndLabel(place=level, text=text))
    label_ends(ax, ends)
    titled(ax, "How hard it works: distortion while measuring")
    return ax
