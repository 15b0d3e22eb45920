"""Plots of a plan: what would change at the seats, and by which settings.

Conventions
-----------
Levels and gains in dB, frequencies in Hz, as in `roomeq.plan.plan`. Numbers are computed elsewhere.
Every function takes axes, or makes some, and returns them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import FloatArray, power_mean_db
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.plan.plan import BandSetting, Plan
from roomeq.report.plots.labels import (
    EndLabel,
    label_ends,
    mark_corner,
    mark_span,
)
from roomeq.report.plots.style import (
    COLOURS,
    SEAT_STROKES,
    DecibelsPerDecade,
    Stroke,
    frame_levels,
    frame_rows,
    house_style,
    level_span,
    level_title,
    started,
    titled,
)
from roomeq.report.text.layout import signed, signed_setting
from roomeq.report.text.wording import reason_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from roomeq.plan.joining import SeatLossRow
    from roomeq.plan.records import SeatResult

__all__ = ["plot_band_gains", "plot_equaliser", "plot_prediction", "seat_rows"]


def seat_rows(plan: Plan, seat: str | None) -> list[int]:
    """Return the rows of a plan's curves that belong to one seat, or to all.

    Raises
    ------
    ValueError
        If the plan has no such seat.
    """
    names = [entry.seat for entry in plan.seats]
    if seat is None:
        return list(range(len(names)))
    if seat not in names:
        raise ValueError(f"the plan has no seat {seat!r}, only {', '.join(names)}")
    return [names.index(seat)]


@house_style()
def plot_prediction(
    plan: Plan,
    *,
    seat: str | None = None,
    db_per_decade: DecibelsPerDecade = 50,
    ax: Axes | None = None,
) -> Axes:
    """Plot level before, as predicted, and the target.

    It is the level of the fitted source, or of subwoofer and mains together where the plan joins
    them; the title says so. Of all seats the power average is shown, and the span from the quietest
    to the loudest, hatched before and filled as predicted. Where nothing is boosted, and what is
    not judged, is hatched.

    Parameters
    ----------
    plan : Plan
    seat : str, optional
        One seat alone.
    db_per_decade : {25, 50}
        Proportion of the axes (IEC 60263).
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If the plan predicts nothing at such a seat.
    ImportError
        If matplotlib is not installed.
    """
    levels = _levels(plan, seat)
    axis, before, predicted, target = levels.axis, levels.before, levels.predicted, levels.target
    ax, own = started(ax)
    means = [power_mean_db(rows, weights=levels.weights) for rows in (before, predicted)]
    if len(before) > 1:
        span = ax.fill_between(axis, before.min(axis=0), before.max(axis=0), zorder=1)
        span.set(facecolor="none", edgecolor=COLOURS["dots"], hatch="....", linewidth=0.0)
        span = ax.fill_between(axis, predicted.min(axis=0), predicted.max(axis=0), zorder=1.5)
        span.set(facecolor=COLOURS["blue"], alpha=0.16, linewidth=0.0)
    curves_db = {"before": means[0], "predicted": means[1], "target": target}
    if np.allclose(before, predicted, rtol=0.0, atol=1e-6):
        del curves_db["before"]
    for name, values in curves_db.items():
        ax.plot(axis, values, label=name, zorder=3, **_CURVES[name].settings)
    shown = np.concatenate([before.ravel(), predicted.ravel(), target])
    frame_levels(
        ax,
        own=own,
        frequencies=(float(axis[0]), float(axis[-1])),
        levels=level_span(shown),
        title=level_title(plan.level_reference),
        db_per_decade=db_per_decade,
    )
    words = {name: name for name in curves_db}
    if "before" not in curves_db:
        words["predicted"] = "before and predicted"
    ends = [
        EndLabel(
            place=float(values[-1]),
            text=words[name],
            colour=_CURVES[name].colour,
            bold=name == "predicted",
        )
        for name, values in curves_db.items()
    ]
    label_ends(ax, ends)
    _mark_limits(ax, plan, levels)
    where = "power average and span of the seats" if len(before) > 1 else levels.seats[0]
    what = "What would change" if plan.joining is None else "Subwoofer and mains together"
    titled(ax, f"{what}: {where}")
    return ax


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Levels:
    """What a plan predicts at some seats: rows by seat, and up to where it is judged."""

    seats: tuple[str, ...]
    weights: tuple[float, ...]
    axis: FloatArray
    before: FloatArray
    predicted: FloatArray
    target: FloatArray
    judged_up_to: float


def _levels(plan: Plan, seat: str | None) -> _Levels:
    """Return the levels at one seat or at all: of the sum where the plan joins the mains."""
    sum_, curves = plan.joining, plan.curves
    if sum_ is None:
        rows = seat_rows(plan, seat)
        axis, weights = np.array(curves.frequencies), np.array(curves.frequency_weights)
        judged = axis[weights > 0]
        every: Sequence[SeatResult | SeatLossRow] = plan.seats
        target = curves.target_level_db
        before, predicted = curves.before_level_db, curves.predicted_level_db
        judged_up_to = float(judged[-1] if judged.size else axis[-1])
    else:
        names = [row.seat for row in sum_.seats]
        if seat is not None and seat not in names:
            raise ValueError(
                f"the sum with the mains is not predicted at {seat!r}, only at {', '.join(names)}"
            )
        rows = list(range(len(names))) if seat is None else [names.index(seat)]
        axis, every, target = np.array(sum_.frequencies), sum_.seats, sum_.target_level_db
        before, predicted = sum_.before_level_db, sum_.after_level_db
        judged_up_to = (sum_.bands or sum_).highest
    return _Levels(
        seats=tuple(every[row].seat for row in rows),
        weights=tuple(every[row].weight for row in rows),
        axis=axis,
        before=np.array(before)[rows],
        predicted=np.array(predicted)[rows],
        target=np.array(target),
        judged_up_to=judged_up_to,
    )


_CURVES = {
    "before": Stroke(colour="quiet", dashes=(4, 1.5), width=1.5),
    "predicted": Stroke(colour="blue", width=2.4),
    "target": Stroke(colour="rust", dashes=(1, 1.2), width=1.6),
}


def _mark_limits(ax: Axes, plan: Plan, levels: _Levels) -> None:
    """Mark where nothing is boosted, what was not judged, and the crossover."""
    start, end = float(levels.axis[0]), float(levels.axis[-1])
    floor = plan.evidence.no_boost_below
    mark_span(ax, start, floor, f"no boost below {floor:.0f} Hz", at_top=False)
    mark_span(ax, levels.judged_up_to, end, "not judged", at_top=False)
    if plan.target.corner is not None:
        mark_corner(ax, plan.target.corner)


@house_style()
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

    ax, own = started(ax)
    device = plan.device
    steps = round((device.highest_db - device.lowest_db) / device.step_db)
    grid = device.lowest_db + device.step_db * np.arange(steps + 1)
    places = -np.arange(len(plan.bands), dtype=np.float64)
    ax.axvline(0.0, color=COLOURS["quiet"], linewidth=0.8, zorder=0)
    for place, band in zip(places, plan.bands, strict=True):
        ax.plot(grid, np.full(grid.size, place), marker="|", markersize=3, **_RANGE)
        _move(ax, float(place), band)
    pad = 0.08 * (device.highest_db - device.lowest_db)
    ax.set_xlim(device.lowest_db - pad, device.highest_db + pad)
    ax.set_ylim(places[-1] - 0.6, 0.6)
    ax.set_xlabel(f"Gain in dB, one tick for each step of {device.step_db:g} dB", loc="right")
    names = [f"{band.label} Hz" for band in plan.bands]
    reasons = [reason_text(band, plan) for band in plan.bands]
    frame_rows(ax, own=own, names=names, title="Band", places=places, inches=0.34, remarks=reasons)
    ax.xaxis.set_major_locator(MultipleLocator(3.0))
    ax.annotate(
        "Why not more", (1.035, 1.015), xycoords="axes fraction", va="bottom", annotation_clip=False
    )
    titled(ax, "Band gains: \u25cb now, \u25cf to be set")
    return ax


_RANGE: dict[str, Any] = {
    "color": COLOURS["quiet"],
    "linewidth": 0.6,
    "markeredgewidth": 0.6,
    "zorder": 1,
}


def _move(ax: Axes, place: float, band: BandSetting) -> None:
    """Draw a band's gain now, its gain as proposed, and the way between."""
    changed = band.gain_db != band.present_db
    if changed:
        ax.plot(
            [band.present_db, band.gain_db],
            [place, place],
            color=COLOURS["blue"],
            linewidth=3.0,
            solid_capstyle="butt",
            zorder=2,
        )
        ax.plot(band.gain_db, place, marker="o", markersize=8, color=COLOURS["blue"], zorder=4)
        ax.annotate(
            f"{signed_setting(band.gain_db)} dB".replace("-", "\u2212"),
            xy=(band.gain_db, place),
            xytext=(0, 6),
            textcoords="offset points",
            ha="center",
            fontsize=7.5,
            fontweight="bold",
            color=COLOURS["blue"],
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
            zorder=5,
        )
    ax.plot(
        band.present_db,
        place,
        marker="o",
        markersize=6.5,
        markerfacecolor="white",
        markeredgecolor=COLOURS["ink"],
        markeredgewidth=1.2,
        zorder=3,
    )


@house_style()
def plot_equaliser(
    equaliser: FixedBandEqualiser,
    gains_db: ArrayLike,
    *,
    limit_db: float | None = None,
    no_boost_below: float | None = None,
    frequencies: ArrayLike | None = None,
    db_per_decade: DecibelsPerDecade = 25,
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
    frequencies : array_like, shape (F,), optional
        Hz; 14 to 180 Hz by default.
    db_per_decade : {25, 50}
        Proportion of the axes (IEC 60263).
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
    axis: FloatArray = np.asarray(
        logarithmic_axis(14.0, 180.0, per_octave=48) if frequencies is None else frequencies,
        dtype=np.float64,
    )
    ax, own = started(ax)
    ax.axhline(0.0, color=COLOURS["quiet"], linewidth=0.8, zorder=1)
    for index in np.flatnonzero(gains):
        part = equaliser.band_table_db(int(index), axis, gains_db=gains[index : index + 1])[0]
        stroke = SEAT_STROKES[int(index) % len(SEAT_STROKES)]
        label = f"{equaliser.labels[index]} Hz"
        ax.fill_between(axis, 0.0, part, color=COLOURS[stroke.colour], alpha=0.10, zorder=1)
        ax.plot(axis, part, label=label, zorder=2, **stroke.settings | {"linewidth": 1.0})
        if axis[0] <= equaliser.centres[index] <= axis[-1]:
            _name_part(
                ax, float(equaliser.centres[index]), float(gains[index]), label, stroke.colour
            )
    total = equaliser.response_db(gains, axis)
    ax.plot(axis, total, color=COLOURS["ink"], linewidth=2.4, label="sum", zorder=4)
    shown = [*gains, *total, 0.0, 0.0 if limit_db is None else limit_db]
    frame_levels(
        ax,
        own=own,
        frequencies=(float(axis[0]), float(axis[-1])),
        levels=level_span([min(shown) - 1.5, max(shown) + 1.5], least=10.0),
        title="Gain in dB",
        db_per_decade=db_per_decade,
    )
    ends = [EndLabel(place=float(total[-1]), text="sum of all bands", bold=True)]
    if limit_db is not None:
        ax.axhline(limit_db, color=COLOURS["rust"], linewidth=1.2, linestyle=(0, (5, 2)), zorder=3)
        text = f"limit of boost {signed(limit_db)} dB"
        ends.append(EndLabel(place=limit_db, text=text, colour="rust"))
    label_ends(ax, ends)
    if no_boost_below is not None:
        text = f"no boost below {no_boost_below:.0f} Hz"
        mark_span(ax, float(axis[0]), no_boost_below, text, at_top=False)
    titled(ax, "What the equaliser does, and each band's part in it")
    return ax


def _name_part(ax: Axes, centre: float, gain_db: float, label: str, colour: str) -> None:
    ax.annotate(
        label.removesuffix(" Hz"),
        xy=(centre, max(gain_db, 0.0)),
        xytext=(0, 4),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=7.5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
        fontweight="bold",
        color=COLOURS[colour],
        zorder=5,
    )
