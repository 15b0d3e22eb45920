"""Plots of how hard the subwoofer works: drive, power, displacement.

Conventions
-----------
By third octave, from `roomeq.optimiser.drive.headroom`, sines at the bands' centres: drive in dB
above that of the measurement, power in W, displacement in mm peak. A mark across a bar is where
something runs out, and a filled bar has passed it. What is not known is said, never drawn as 0.
Numbers are computed elsewhere. Every function takes axes, or makes some, and returns them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, amplitude_ratio, power_ratio
from roomeq.optimiser.drive.demand import BandExtra
from roomeq.optimiser.drive.headroom import Headroom, HeadroomLimit
from roomeq.plan.plan import Plan
from roomeq.report.plots.labels import write_at
from roomeq.report.plots.style import (
    COLOURS,
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

__all__ = [
    "drive_limits_db",
    "plot_displacement",
    "plot_drive",
    "plot_extra_drive",
    "plot_power",
]

_LIMIT_WORDS: dict[HeadroomLimit | None, str] = {
    HeadroomLimit.AMPLIFIER: "amplifier",
    HeadroomLimit.DISPLACEMENT: "displacement",
    HeadroomLimit.DISTORTION: "distortion",
    HeadroomLimit.MAXIMUM_OUTPUT: "output",
}


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
    for entry in extras:
        band, value = entry.band, entry.extra_db
        look = _WITHIN if value > 0 else _RELIEF
        log_bar(ax, lower=band.lower, upper=band.upper, height=value, look=look)
        text = f"×{entry.power_ratio:.1f}" if entry.power_ratio >= 0.095 else "<×0.1"
        _write(ax, band.centre, 0.0, text, below=value > 0)
    frame_frequencies(ax, lowest=extras[0].band.lower, highest=extras[-1].band.upper)
    for entry, limit in zip(extras, limits_db or (), strict=False):
        if limit is not None:
            _mark_limit(ax, entry.band, limit)
    span = level_span([*values - 1.0, *values + 1.0, *limits, 0.0], least=10.0)
    frame_values(ax, own=own, limits=span, title="Extra drive in dB", step=5.0)
    text = "written: times\nthe power" + ("\n\nthick stroke:\ndrive limit" if limits else "")
    ax.text(1.035, 0.99, text, transform=ax.transAxes, va="top")
    titled(ax, "How hard it works: what gains and level ask")
    return ax


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
        If there is no band.
    ImportError
        If matplotlib is not installed.
    """
    rows = []
    for entry in headroom.bands:
        most = None if entry.left_db is None else entry.rise_db + entry.left_db
        rows.append(_Row(entry.band, entry.rise_db, most, _LIMIT_WORDS.get(entry.limit, "")))
    return _plot_rows(rows, "Drive in dB above the measurement", "drive", ax=ax, level=True)


@house_style()
def plot_power(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the power into the load at the wanted level, and what the amplifier is rated for.

    Parameters, returns and errors as for `plot_drive`.
    """
    rows = []
    for entry in headroom.bands:
        most = _limit(entry.power_w, entry.amplifier_db, power_ratio)
        rows.append(_Row(entry.band, entry.power_w, most, "rated"))
    return _plot_rows(rows, "Power in W", "power", ax=ax)


@house_style()
def plot_displacement(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the driver's displacement at the wanted level, and how far it may move.

    Parameters, returns and errors as for `plot_drive`.
    """
    rows = []
    for entry in headroom.bands:
        moved = None if entry.displacement is None else 1e3 * entry.displacement
        most = _limit(moved, entry.displacement_db, amplitude_ratio)
        rows.append(_Row(entry.band, moved, most, "largest"))
    return _plot_rows(rows, "Displacement in mm peak", "displacement", ax=ax)


class _Row(NamedTuple):
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


def _plot_rows(
    rows: Sequence[_Row], title: str, what: str, *, ax: Axes | None, level: bool = False
) -> Axes:
    """Draw a bar and a limit for each band; a level is drawn from 0 dB and may be negative."""
    if not rows:
        raise ValueError("needs at least one band")
    ax, own = started(ax)
    frame_frequencies(ax, lowest=rows[0].band.lower, highest=rows[-1].band.upper)
    known = [number for row in rows for number in (row.value, row.limit) if number is not None]
    if not known:
        span, step = (0.0, 1.0), 1.0
    elif level:
        span, step = level_span([*known, 0.0], least=10.0), 5.0
    else:
        span = 0.0, 1.12 * max(known)
        step = nice_step(span[1])
    frame_values(ax, own=own, limits=span, title=title, step=step)
    titled(ax, f"How hard it works: {what} at the wanted level")
    if level:
        ax.axhline(0.0, color=COLOURS["ink"], linewidth=0.8, zorder=3)
    if not known:
        ax.set_yticks([])
        ax.text(0.5, 0.5, "not known", transform=ax.transAxes, ha="center", va="center")
        return ax
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
        _mark_limit(ax, band, limit)


def _mark_limit(ax: Axes, band: ThirdOctaveBand, limit: float) -> None:
    across = [band.lower * 1.01, band.upper / 1.01]
    drawn = ax.plot(across, [limit, limit], label="limit", zorder=4)[0]
    drawn.set(color=COLOURS["ink"], linewidth=2.2, solid_capstyle="butt")


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
