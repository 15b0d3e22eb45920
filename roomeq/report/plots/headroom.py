"""Plots of how hard the subwoofer works: drive, power, displacement, distortion.

Conventions
-----------
By third octave, from `roomeq.optimiser.drive.headroom`, sines at the bands' centres: drive in dB
above that of the measurement, power in W, displacement in mm peak. A mark across a bar is where
something runs out, and a filled bar has passed it. What is not known is said, never drawn as 0.
Distortion in dB relative to the fundamental, and in percent of its amplitude, over the fundamental
in Hz. What noise hides is a bound and drawn as one. Numbers are computed elsewhere. Every function
takes axes, or makes some, and returns them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db, power_ratio, signed
from roomeq.optimiser.drive.demand import HARMONIC_LIMITS_DB, BandExtra
from roomeq.optimiser.drive.headroom import Headroom
from roomeq.plan.plan import Plan
from roomeq.report.plots.labels import EndLabel, framed_levels, mark_across, write_at
from roomeq.report.plots.style import (
    COLOURS,
    SEAT_STROKES,
    Stroke,
    frame_frequencies,
    frame_values,
    house_style,
    level_span,
    log_bar,
    nice_step,
    started,
    titled,
)
from roomeq.wanted.limits import DRIVE_BELOW_FLOOR_DB, LOWEST_SIGNAL

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@house_style()
def plot_extra_drive(
    extras: Sequence[BandExtra],
    *,
    limits_db: Sequence[float | None] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Plot what gains and level ask of the drive, band by band, against all bands at 0.

    Each bar carries the power it asks for as a multiple.

    Parameters
    ----------
    extras : sequence of BandExtra
        As `roomeq.optimiser.drive.demand.estimate_extra_drive` gives them.
    limits_db : sequence of float or None, optional
        How far the drive may rise in each band, as `drive_limits_db` has it of a plan.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If there is no band, or limits are of other bands.
    ImportError
        If matplotlib is not installed.
    """
    if not extras or (limits_db is not None and len(limits_db) != len(extras)):
        raise ValueError("needs at least one band, and a limit for each or none")
    ax, own = started(ax)
    values = np.array([entry.extra_db for entry in extras])
    limits = [limit for limit in limits_db or () if limit is not None]
    ax.axhline(0.0, color=COLOURS["ink"], linewidth=0.8, zorder=3)
    for entry, limit in zip(extras, limits_db or [None] * len(extras), strict=True):
        band, value = entry.band, entry.extra_db
        look = _WITHIN if value > 0 else _RELIEF
        log_bar(ax, lower=band.lower, upper=band.upper, height=value, look=look)
        text = f"×{entry.power_ratio:.1f}" if entry.power_ratio >= 0.095 else "<×0.1"
        points, va = ((0, -4), "top") if value > 0 else ((0, 4), "bottom")
        write_at(ax, text, (band.centre, 0.0), points, va=va, zorder=5)
        if limit is not None:
            mark_across(ax, band, limit, **_LIMIT)
    frame_frequencies(ax, lowest=extras[0].band.lower, highest=extras[-1].band.upper)
    span = level_span([*values - 1.0, *values + 1.0, *limits, 0.0], least=10.0)
    frame_values(ax, own=own, limits=span, title="Extra drive in dB", step=5.0)
    text = "written: times\nthe power" + ("\n\nthick stroke:\ndrive limit" if limits else "")
    ax.text(1.035, 0.99, text, transform=ax.transAxes, va="top")
    return titled(ax, "How hard it works: what gains and level ask")


def drive_limits_db(plan: Plan) -> list[float | None]:
    """Return how far the drive may rise in each band, in dB, against all bands at 0.

    One figure, 3 dB at most below the frequency under which nothing is boosted; or what the
    headroom leaves, which counts from the loudness at the settings in force. None for a band that
    reaches below the protective high-pass or 20 Hz, where no signal counts.
    """
    evidence, curves, record = plan.evidence, plan.curves, plan.headroom
    flat_db = evidence.drive_boost_limit_db
    limits = {entry.label: flat_db for entry in plan.extra_drive}
    if record is not None and record.drive_limit == "headroom":
        louder_db = float(np.dot(curves.frequency_weights, curves.present_response_db))
        limits |= {row.label: row.drive_limit_db + louder_db for row in record.bands}
    high_pass = plan.protection and plan.protection.high_pass
    lowest = max(LOWEST_SIGNAL, high_pass.corner if high_pass else 0.0)
    found: list[float | None] = []
    for entry in plan.extra_drive:
        floored = entry.band.upper <= evidence.no_boost_below
        limit = min(limits[entry.label], DRIVE_BELOW_FLOOR_DB) if floored else limits[entry.label]
        found.append(None if entry.band.lower < lowest else limit)
    return found


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
        If there is no band, or nothing is known of any.
    ImportError
        If matplotlib is not installed.
    """
    rows = [
        _Row(entry.band, entry.rise_db, entry.left_db, (entry.limit or "").removeprefix("maximum_"))
        for entry in headroom.bands
    ]
    return _plot_rows(rows, "Drive in dB above the measurement", "drive", ax=ax)


@house_style()
def plot_power(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the power into the load at the wanted level, and what the amplifier is rated for.

    Parameters, returns and errors as for `plot_drive`.
    """
    rows = [
        _Row(entry.band, entry.power_w, entry.amplifier_db, "rated", power_ratio)
        for entry in headroom.bands
    ]
    return _plot_rows(rows, "Power in W", "power", ax=ax)


@house_style()
def plot_displacement(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the driver's displacement at the wanted level, and how far it may move.

    Parameters, returns and errors as for `plot_drive`.
    """
    rows = [
        _Row(one.band, one.displacement_mm, one.displacement_db, "largest", amplitude_ratio)
        for one in headroom.bands
    ]
    return _plot_rows(rows, "Displacement in mm peak", "displacement", ax=ax)


class _Row(NamedTuple):
    """A band: how much it takes, dB left, what runs out; a level unless a ratio is told by dB."""

    band: ThirdOctaveBand
    value: float | None
    left_db: float | None
    word: str
    ratio: Callable[[float], FloatArray] | None = None

    @property
    def limit(self) -> float | None:
        """How much it may take; None is not known."""
        if self.value is None or self.left_db is None:
            return None
        if self.ratio is None:
            return self.value + self.left_db
        return self.value * float(self.ratio(self.left_db))


_RELIEF = {"facecolor": "white", "edgecolor": COLOURS["quiet"], "hatch": ""}
_WITHIN = {"facecolor": "white", "edgecolor": COLOURS["blue"], "hatch": "////"}
_OVER = {"facecolor": COLOURS["rust"], "edgecolor": COLOURS["rust"], "hatch": ""}


def _plot_rows(rows: Sequence[_Row], title: str, what: str, *, ax: Axes | None) -> Axes:
    """Draw a bar and a limit for each band; a level is drawn from 0 dB and may be negative."""
    if not rows:
        raise ValueError("needs at least one band")
    if all(row.value is None for row in rows):
        raise ValueError("amplifier, load, driver or measuring voltage are not known")
    level = rows[0].ratio is None
    ax, own = started(ax)
    frame_frequencies(ax, lowest=rows[0].band.lower, highest=rows[-1].band.upper)
    known = [number for row in rows for number in (row.value, row.limit) if number is not None]
    if level:
        span, step = level_span([*known, 0.0], least=10.0), 5.0
    else:
        span = 0.0, 1.12 * max(known)
        step = nice_step(span[1])
    frame_values(ax, own=own, limits=span, title=title, step=step)
    titled(ax, f"How hard it works: {what} at the wanted level")
    if level:
        ax.axhline(0.0, color=COLOURS["ink"], linewidth=0.8, zorder=3)
    for row in rows:
        _bar(ax, row)
    _name_limits(ax, rows)
    if all(row.limit is None for row in rows):
        text = "what runs out,\nand where, is\nnot known"
        ax.text(1.035, 0.99, text, transform=ax.transAxes, va="top")
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
        mark_across(ax, band, limit, **_LIMIT)


_LIMIT: dict[str, Any] = {"label": "limit", "zorder": 4, "color": COLOURS["ink"], "linewidth": 2.2}


def _name_limits(ax: Axes, rows: Sequence[_Row]) -> None:
    """Name what runs out, once for each run of bands that have it in common."""
    for word, group in groupby(rows, key=lambda row: "" if row.limit is None else row.word):
        run = list(group)
        centre = (len(run) - 1) // 2
        middle = run[max(0, centre - 1) : centre + 3]
        heights = [x for row in middle for x in (row.limit, row.value) if x is not None]
        if word:
            place = float(np.sqrt(run[0].band.centre * run[-1].band.centre))
            look: dict[str, Any] = {"va": "bottom", "rotation": 90 if len(run) < 3 else 0}
            write_at(ax, word, (place, max(heights)), (0, 4), zorder=5, **look)


_ORDINALS = ("2nd", "3rd", "4th", "5th")
_TOTAL = Stroke(colour="dots", width=5.0, zorder=2.5)
_LEAST_NAMED = 4  # points


@house_style()
def plot_distortion(
    distortion: Distortion,
    *,
    limits_db: ArrayLike | None = HARMONIC_LIMITS_DB,
    highest: float = 200.0,
    ax: Axes | None = None,
) -> Axes:
    """Plot harmonics and their total against the frequency of the fundamental.

    A harmonic is drawn where it stands above the noise; the total is of those. What all may come to
    with the noise that hides the others is hatched: no more than its upper edge.

    Parameters
    ----------
    distortion : Distortion
    limits_db : array_like, shape (4,), optional
        Of orders 2 to 5 relative to the fundamental, drawn at the right; those of
        `roomeq.optimiser.drive.demand` by default, None for none.
    highest : float
        Hz of the fundamental up to which it is drawn.
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
    axis = distortion.frequencies
    known = np.isfinite(distortion.ratios_db).any(axis=0) & (axis <= highest)
    if known.sum() < 2:
        raise ValueError(f"nothing is known of any harmonic up to {highest:g} Hz")
    axis, clear = axis[known], distortion.above_noise[:, known]
    ratios = np.where(clear, distortion.ratios[:, known], np.nan)
    bound = amplitude_ratio_db(distortion.total[known])
    with np.errstate(divide="ignore"):
        total = amplitude_ratio_db(np.sqrt(np.nansum(ratios**2, axis=0)))
    total = np.where(clear.any(axis=0), total, np.nan)
    limits: list[float] = [] if limits_db is None else np.asarray(limits_db, dtype=float).tolist()
    ax, own = started(ax)
    ax.plot(axis, total, label="total", **_TOTAL.settings)
    edges = np.abs(np.linspace(-1.0, 1.0, axis.size)) > 0.75
    for name, order, row in zip(_ORDINALS, SEAT_STROKES, amplitude_ratio_db(ratios), strict=False):
        stroke = replace(order, zorder=3)
        if not np.isfinite(row).any():
            continue
        ax.plot(axis, row, label=name, **stroke.settings)
        if np.isfinite(row).sum() >= _LEAST_NAMED:
            top = int(np.nanargmax(row - 100.0 * edges))  # at an edge only if nowhere else
            look: dict[str, Any] = {"color": COLOURS[stroke.colour], "fontweight": "bold"}
            write_at(ax, name, (float(axis[top]), float(row[top])), (0, 7), zorder=5, **look)
    span = level_span([*bound, *limits], least=60.0, most=80.0, step=10.0)
    hidden = ax.fill_between(axis, np.fmax(total, span[0]), np.fmax(bound, span[0]), zorder=1)
    hidden.set(facecolor="none", edgecolor=COLOURS["dots"], hatch="////", linewidth=0.0)
    ax.plot(axis, bound, color=COLOURS["quiet"], linewidth=0.7, label="bound", zorder=2)
    for power in range(-5, 1):  # 20 dB are a factor of ten
        if span[0] < 20.0 * power < span[1]:
            look = {"xycoords": ("axes fraction", "data"), "ha": "left", "va": "bottom"}
            write_at(ax, f"{10.0 ** (2 + power):g} %", (0.012, 20.0 * power), (0, 1), **look)
    ends = [EndLabel(place=float(bound[-1]), text="at most, with noise", colour="quiet")]
    if np.isfinite(total).any():
        ends.append(EndLabel(place=span[1], text="broad: total above noise", bold=True))
    for level in dict.fromkeys(limits):  # a stroke at the right edge, equal ones named together
        orders = [name for name, limit in zip(_ORDINALS, limits, strict=True) if limit == level]
        edge: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "color": COLOURS["ink"]}
        ax.plot([0.94, 1.0], [level, level], linewidth=2.6, label="limit", zorder=5, **edge)
        text = f"limit {' and '.join(orders)} {signed(level, digits=0)} dB".replace("-", "\u2212")
        ends.append(EndLabel(place=level, text=text))
    return framed_levels(
        ax,
        ends,
        own=own,
        heading="How hard it works: distortion while measuring",
        frequencies=(float(axis[0]), float(axis[-1])),
        levels=span,
        title="Harmonic relative to the fundamental, in percent and dB",
    )
