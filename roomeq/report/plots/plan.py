"""Plots of a plan: what would change at the seats, and by which settings.

Conventions
-----------
Levels and gains in dB, frequencies in Hz, as in `roomeq.plan.plan`. Numbers are computed elsewhere.
Every function takes axes, or makes some, and returns them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import FloatArray, power_mean_db, signed, signed_setting
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.plan.plan import Plan
from roomeq.report.plots import labels, style
from roomeq.report.plots.style import COLOURS, Look, house_style, stroke
from roomeq.report.text.wording import reason_text
from roomeq.wanted.target import Target

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownLevels:
    """What a plan predicts at the seats, rows by seat: of the sum where it joins the mains.

    Attributes
    ----------
    seats, weights : tuple
    axis : ndarray, shape (F,)
        Hz.
    before, predicted : ndarray, shape (S, F)
    target : ndarray, shape (F,)
        Behind the low-pass in the path.
    wanted : ndarray, shape (F,)
        The wanted shape alone, at the target's level.
    judged_up_to : float
        Hz.
    """

    seats: tuple[str, ...]
    weights: tuple[float, ...]
    axis: FloatArray
    before: FloatArray
    predicted: FloatArray
    target: FloatArray
    wanted: FloatArray
    judged_up_to: float

    def mean_db(self, rows: FloatArray) -> FloatArray:
        """Return the power average over the seats, by weight."""
        return power_mean_db(rows, weights=self.weights)


def shown_levels(plan: Plan, *, alone: bool = False) -> ShownLevels:
    """Return the levels at the seats; `alone` those of the fitted source in any case."""
    curves, sum_ = plan.curves, None if alone else plan.joining
    given, predicted = sum_ or curves, sum_.after_level_db if sum_ else curves.predicted_level_db
    judged = np.array(curves.frequencies)[np.array(curves.frequency_weights) > 0]
    judged_up_to = float(judged[-1] if judged.size else curves.frequencies[-1])
    axis, target = np.array(given.frequencies), np.array(given.target_level_db)
    names = ("shape", "tilt_db_per_octave", "shelf_gain_db", "shelf_corner", "points")
    stated: Any = {name: getattr(plan.target, name) for name in names}
    shape_db = Target(**stated).shape_db(axis)
    seats = (sum_ or plan).seats
    return ShownLevels(
        seats=tuple(row.seat for row in seats),
        weights=tuple(row.weight for row in seats),
        axis=axis,
        before=np.array(given.before_level_db),
        predicted=np.array(predicted),
        target=target,
        wanted=shape_db + float(np.max(target - shape_db)),  # a low-pass passes 0 dB at the most
        judged_up_to=(sum_.bands or sum_).highest if sum_ else judged_up_to,
    )


@house_style
def plot_prediction(plan: Plan, *, ax: Axes | None = None) -> Axes:
    """Plot level before, as predicted, and the target: as wanted, and behind the low-pass.

    It is the level of the fitted source, or of subwoofer and mains together where the plan joins
    them; the title says so. Of all seats the power average is shown, and the span from the quietest
    to the loudest, hatched before and filled as predicted. Where nothing is boosted, and what is
    not judged, is hatched.

    Parameters
    ----------
    plan : Plan
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ImportError
        If matplotlib is not installed.
    """
    shown = shown_levels(plan)
    axis, before, predicted, target = shown.axis, shown.before, shown.predicted, shown.target
    where = "power average and span of the seats" if len(before) > 1 else shown.seats[0]
    what = "What would change" if plan.joining is None else "Subwoofer and mains together"
    ax = style.started(ax)
    lines = seat_lines(plan, shown.mean_db(before), shown.mean_db(predicted), shown)
    for text, (level_db, look) in lines.items():
        ax.plot(axis, level_db, label=text, **look)
    levels = style.level_span([*before.ravel(), *predicted.ravel(), *target, *shown.wanted])
    title = style.level_title(plan.level_reference)
    labels.frame_levels(ax, f"{what}: {where}", axis, levels, title)
    if len(before) > 1:
        span = ax.fill_between(axis, before.min(axis=0), before.max(axis=0), zorder=1)
        span.set(facecolor="none", edgecolor=COLOURS["dots"], hatch="....", linewidth=0.0)
        span = ax.fill_between(axis, predicted.min(axis=0), predicted.max(axis=0), zorder=1.5)
        span.set(facecolor=COLOURS["blue"], alpha=0.16, linewidth=0.0)
    floor = plan.evidence.no_boost_below
    labels.mark_span(ax, float(axis[0]), floor, f"no boost below {floor:.0f} Hz")
    labels.mark_span(ax, shown.judged_up_to, float(axis[-1]), "not judged")
    if plan.target.corner is not None:
        labels.mark_corner(ax, plan.target.corner)
    return ax


def seat_lines(
    plan: Plan, before: FloatArray, predicted: FloatArray, shown: ShownLevels
) -> dict[str, tuple[FloatArray, Look]]:
    """Return the lines of a seat or an average by what is written beside them: levels and look."""
    same = np.allclose(shown.before, shown.predicted, rtol=0.0, atol=1e-6)
    lines = {} if same else {"before": (before, BEFORE)}
    lines["before and predicted" if same else "predicted"] = predicted, PREDICTED
    lines[f"target: {plan.target.shape}"] = shown.wanted, _TARGET
    if not np.allclose(shown.target, shown.wanted, rtol=0.0, atol=0.1):
        lines["target behind the low-pass"] = shown.target, _BEHIND
    return lines


BEFORE = stroke("quiet", "4 1.5", 1.5, 3)
PREDICTED = stroke("blue", "", 2.4, 3)
_TARGET = stroke("rust", "1 1.2", 1.6, 3)
_BEHIND = stroke("rust", "5 1.5 1 1.5", 0.9, 3)


@house_style
def plot_band_gains(plan: Plan, *, ax: Axes | None = None) -> Axes:
    """Plot every band's range and steps, its gain now and as proposed, and the reason.

    Parameters
    ----------
    plan : Plan
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ImportError
        If matplotlib is not installed.
    """
    from matplotlib.ticker import MultipleLocator

    ax = style.started(ax, height=0.34 * len(plan.bands))
    device = plan.device
    steps = round((device.highest_db - device.lowest_db) / device.step_db)
    grid = device.lowest_db + device.step_db * np.arange(steps + 1)
    places = -np.arange(len(plan.bands), dtype=np.float64)
    ax.axvline(0.0, color=COLOURS["quiet"], linewidth=0.8, zorder=0)
    ticks: Look = {"color": COLOURS["quiet"], "linewidth": 0.6, "markeredgewidth": 0.6}
    hollow: Look = {"markerfacecolor": "white", "markeredgecolor": COLOURS["ink"], "zorder": 3}
    blue: Look = {"color": COLOURS["blue"]}
    for place, band in zip(places.tolist(), plan.bands, strict=True):
        ax.plot(grid, np.full(grid.size, place), marker="|", markersize=3, zorder=1, **ticks)
        if band.gain_db != band.present_db:
            way = [band.present_db, band.gain_db]
            ax.plot(way, [place, place], linewidth=3.0, solid_capstyle="butt", zorder=2, **blue)
            ax.plot(band.gain_db, place, "o", markersize=8, zorder=4, **blue)
            text, bold = f"{signed_setting(band.gain_db)} dB", blue | {"fontweight": "bold"}
            labels.write_at(ax, text, (band.gain_db, place), (0, 6), zorder=5, **bold)
        ax.plot(band.present_db, place, "o", markersize=6.5, markeredgewidth=1.2, **hollow)
    pad = 0.08 * (device.highest_db - device.lowest_db)
    ax.set_xlim(device.lowest_db - pad, device.highest_db + pad)
    ax.set_ylim(places[-1] - 0.6, 0.6)
    ax.set_xlabel(f"Gain in dB, one tick for each step of {device.step_db:g} dB", loc="right")
    names = [f"{band.label} Hz" for band in plan.bands]
    remarks = [reason_text(band, plan) for band in plan.bands]
    style.frame_rows(ax, names=names, title="Band", places=places, remarks=remarks)
    ax.xaxis.set_major_locator(MultipleLocator(3.0))
    ax.annotate("Why", (1.035, 1.015), xycoords="axes fraction", va="bottom", annotation_clip=False)
    return style.titled(ax, "Band gains: \u25cb now, \u25cf to be set")


@house_style
def plot_equaliser(
    equaliser: FixedBandEqualiser,
    gains_db: ArrayLike,
    *,
    limit_db: float | None = None,
    no_boost_below: float | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Plot the summed response of the bands, and each band's part in it.

    Parameters
    ----------
    equaliser : FixedBandEqualiser
        That of a plan is given by `roomeq.jobs.verify.equaliser_of`.
    gains_db : array_like, shape (B,)
    limit_db : float, optional
        Most that the sum may boost.
    no_boost_below : float, optional
        Hz.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If a gain is none the device offers.
    ImportError
        If matplotlib is not installed.
    """
    gains = equaliser.checked_gains_db(gains_db)
    axis = logarithmic_axis(14.0, 180.0, per_octave=48)
    total = equaliser.response_db(gains, axis)
    shown = [*gains, *total, 0.0, limit_db or 0.0]
    ax = style.started(ax)
    ax.plot(axis, total, label="sum of all bands", **stroke("ink", "", 2.4, 4))
    if limit_db is not None:
        text = f"limit of boost {signed(limit_db)} dB"
        ax.axhline(limit_db, label=text, **stroke("rust", "5 2", 1.2, 2.9))
    heading = "What the equaliser does, and each band's part in it"
    levels = style.level_span([min(shown) - 1.5, max(shown) + 1.5], least=10.0)
    labels.frame_levels(ax, heading, axis, levels, "Gain in dB", db_per_decade=25)
    ax.axhline(0.0, color=COLOURS["quiet"], linewidth=0.8, zorder=1)
    for index in np.flatnonzero(gains).tolist():
        part = equaliser.band_table_db(index, axis, gains_db=gains[index : index + 1])[0]
        name, centre = equaliser.labels[index], equaliser.centres[index]
        look = style.seat_stroke(index) | {"linewidth": 1.0}
        ax.fill_between(axis, 0.0, part, color=look["color"], alpha=0.10, zorder=1)
        ax.plot(axis, part, gid=f"{name} Hz", **look)
        if axis[0] <= centre <= axis[-1]:
            place = centre, max(gains[index], 0.0)
            bold: Look = {"va": "bottom", "color": look["color"], "fontweight": "bold"}
            labels.write_at(ax, name, place, (0, 4), pad=0.5, zorder=5, **bold)
    if no_boost_below is not None:
        text = f"no boost below {no_boost_below:.0f} Hz"
        labels.mark_span(ax, float(axis[0]), no_boost_below, text)
    return ax
