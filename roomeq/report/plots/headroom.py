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

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db, power_ratio, signed
from roomeq.optimiser.drive.demand import HARMONIC_LIMITS_DB, BandExtra
from roomeq.optimiser.drive.headroom import Headroom
from roomeq.plan.plan import Plan
from roomeq.report.plots import labels, style
from roomeq.report.plots.style import COLOURS, Look, house_style, stroke
from roomeq.wanted.limits import DRIVE_BELOW_FLOOR_DB, LOWEST_SIGNAL

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@house_style
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
    extra_db = [entry.extra_db for entry in extras]
    limits = np.array(limits_db or [None] * len(extras), dtype=np.float64)
    told = [*np.subtract(extra_db, 1.0), *np.add(extra_db, 1.0), *limits, 0.0]
    looks = [_WITHIN if value > 0 else _RELIEF for value in extra_db]
    bands = [entry.band for entry in extras]
    ax = _framed(ax, bands, style.level_span(told, least=10.0), "Extra drive in dB")
    _draw_bars(ax, bands, extra_db, limits, looks)
    style.titled(ax, "How hard it works: what gains and level ask")
    for entry in extras:
        text = f"×{entry.power_ratio:.1f}" if entry.power_ratio >= 0.095 else "<×0.1"
        points, va = ((0, -4), "top") if entry.extra_db > 0 else ((0, 4), "bottom")
        labels.write_at(ax, text, (entry.band.centre, 0.0), points, va=va, zorder=5)
    text = "written: times\nthe power"
    text += "\n\nthick stroke:\ndrive limit" * bool(np.isfinite(limits).any())
    ax.text(1.035, 0.99, text, transform=ax.transAxes, va="top")
    return ax


def drive_limits_db(plan: Plan) -> list[float | None]:
    """Return how far the drive may rise in each band, in dB, against all bands at 0.

    One figure, 3 dB at most below the frequency under which nothing is boosted; or what the
    headroom leaves, which counts from the loudness at the settings in force. None for a band that
    reaches below the protective high-pass or 20 Hz, where no signal counts.
    """
    evidence, curves, record = plan.evidence, plan.curves, plan.headroom
    limits = dict.fromkeys((e.label for e in plan.extra_drive), evidence.drive_boost_limit_db)
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


@house_style
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
    rise_db = _of_bands(headroom, "rise_db")
    limits = rise_db + _of_bands(headroom, "left_db")
    words = [(band.limit or "").removeprefix("maximum_") for band in headroom.bands]
    title = "Drive in dB above the measurement"
    return _plot_use(ax, headroom, rise_db, limits, words, "drive", title)


@house_style
def plot_power(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the power into the load at the wanted level, and what the amplifier is rated for.

    Parameters, returns and errors as for `plot_drive`.
    """
    power_w = _of_bands(headroom, "power_w")
    limits = power_w * power_ratio(_of_bands(headroom, "amplifier_db"))
    words = ["rated"] * len(headroom.bands)
    return _plot_use(ax, headroom, power_w, limits, words, "power", "Power in W")


@house_style
def plot_displacement(headroom: Headroom, *, ax: Axes | None = None) -> Axes:
    """Plot the driver's displacement at the wanted level, and how far it may move.

    Parameters, returns and errors as for `plot_drive`.
    """
    moved_mm = _of_bands(headroom, "displacement_mm")
    limits = moved_mm * amplitude_ratio(_of_bands(headroom, "displacement_db"))
    words = ["largest"] * len(headroom.bands)
    title = "Displacement in mm peak"
    return _plot_use(ax, headroom, moved_mm, limits, words, "displacement", title)


def _of_bands(headroom: Headroom, name: str) -> FloatArray:
    """Return a figure of every band, nan where it is not known."""
    return np.array([getattr(band, name) for band in headroom.bands], dtype=np.float64)


_RELIEF = style.filling("quiet")
_WITHIN = style.filling("blue", "////")
_OVER = style.filling("rust", ground="rust")


def _plot_use(
    ax: Axes | None,
    headroom: Headroom,
    values: FloatArray,
    limits: FloatArray,
    words: Sequence[str],
    what: str,
    title: str,
) -> Axes:
    """Draw what is used in each band at the wanted level, and name what runs out.

    What has no sign is drawn from 0; a level may be negative.
    """
    if not np.isfinite(values).any():
        raise ValueError("amplifier, load, driver or measuring voltage are not known")
    known, over = [*values, *limits, 0.0], values > limits
    span = 0.0, 1.12 * float(np.nanmax(known))
    if what == "drive":
        span = style.level_span(known, least=10.0)
    bands = [entry.band for entry in headroom.bands]
    ax = _framed(ax, bands, span, title)
    _draw_bars(ax, bands, values, limits, [_OVER if one else _WITHIN for one in over])
    style.titled(ax, f"How hard it works: {what} at the wanted level")
    centres = np.array([band.centre for band in bands])
    told = [word * bool(np.isfinite(limit)) for word, limit in zip(words, limits, strict=True)]
    for word, group in groupby(range(len(told)), key=told.__getitem__):
        run = list(group)
        middle = run[max(0, (len(run) - 1) // 2 - 1) :][:4]
        if word:  # once for each run of bands that have it in common
            top = float(np.nanmax([values[middle], limits[middle]]))
            place = float(np.sqrt(centres[run[0]] * centres[run[-1]])), top
            look: Look = {"va": "bottom", "rotation": 90 if len(run) < 3 else 0}
            labels.write_at(ax, word, place, (0, 4), zorder=5, **look)
    if not any(told):
        text = "what runs out,\nand where, is\nnot known"
        ax.text(1.035, 0.99, text, transform=ax.transAxes, va="top")
    return ax


def _framed(
    ax: Axes | None, bands: Sequence[ThirdOctaveBand], span: tuple[float, float], title: str
) -> Axes:
    """Frame bands across and what is drawn of them upwards, with a line at 0."""
    ax = style.started(ax)
    style.frame_frequencies(ax, bands[0].lower, bands[-1].upper)
    style.frame_values(ax, limits=span, title=title)
    ax.axhline(0.0, color=COLOURS["ink"], linewidth=0.8, zorder=3)
    return ax


def _draw_bars(
    ax: Axes,
    bands: Sequence[ThirdOctaveBand],
    values: ArrayLike,
    limits: FloatArray,
    looks: Sequence[Look],
) -> None:
    """Draw a bar of its look and a limit for each band, or say that nothing is known of it."""
    style.draw_bars(ax, [(band.lower, band.upper) for band in bands], values, looks)
    for band, limit in zip(bands, limits, strict=True):
        if np.isfinite(limit):
            labels.mark_across(ax, band, limit, gid="limit", **stroke("ink", "", 2.2, 4))


_ORDINALS = ("2nd", "3rd", "4th", "5th")


@house_style
def plot_distortion(
    distortion: Distortion,
    *,
    highest: float = 200.0,
    ax: Axes | None = None,
) -> Axes:
    """Plot harmonics and their total against the frequency of the fundamental.

    A harmonic is drawn where it stands above the noise; the total is of those. What all may come to
    with the noise that hides the others is hatched: no more than its upper edge. At the right stand
    the limits of `roomeq.optimiser.drive.demand`, of orders 2 to 5.

    Parameters
    ----------
    distortion : Distortion
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
    ax = style.started(ax)
    if np.isfinite(total).any():
        broad = stroke("ink", "", 5.0, 2.5) | {"alpha": 0.4}
        ax.plot(axis, total, label="broad: total above noise", **broad)
    ax.plot(axis, bound, label="at most, with noise", **stroke("quiet", "", 0.7))
    for level in dict.fromkeys(HARMONIC_LIMITS_DB):  # strokes at the right edge, equal ones as one
        limits = zip(_ORDINALS, HARMONIC_LIMITS_DB, strict=True)
        of = [name for name, limit in limits if limit == level]
        text = f"limit {' and '.join(of)} {signed(level, digits=0)} dB".replace("-", "\u2212")
        edge: Look = {"transform": ax.get_yaxis_transform(), "color": COLOURS["ink"]}
        ax.plot([0.94, 1.0], [level, level], label=text, linewidth=2.3, zorder=5, **edge)
    span = style.level_span([*bound, *HARMONIC_LIMITS_DB], least=60.0, most=80.0, step=10.0)
    title = "Harmonic relative to the fundamental, in percent and dB"
    labels.frame_levels(ax, "How hard it works: distortion while measuring", axis, span, title)
    hidden = ax.fill_between(axis, np.fmax(total, span[0]), np.fmax(bound, span[0]), zorder=1)
    hidden.set(facecolor="none", edgecolor=COLOURS["dots"], hatch="////", linewidth=0.0)
    edges = np.abs(np.linspace(-1.0, 1.0, axis.size)) > 0.75
    for index, (name, row) in enumerate(zip(_ORDINALS, amplitude_ratio_db(ratios), strict=False)):
        look = style.seat_stroke(index) | {"zorder": 3}
        if np.isfinite(row).any():
            ax.plot(axis, row, gid=name, **look)
            top = int(np.nanargmax(row - 100.0 * edges))  # at an edge only if nowhere else
            bold: Look = {"color": look["color"], "fontweight": "bold"}
            labels.write_at(ax, name, (float(axis[top]), float(row[top])), (0, 7), zorder=5, **bold)
    ax.yaxis.set_major_formatter(lambda db, _: f"{100.0 * amplitude_ratio(db):.3g} %   {db:g}")
    return ax
