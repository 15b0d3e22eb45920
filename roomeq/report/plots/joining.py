"""Plots of subwoofer and mains: do they add, and at which delay.

Conventions
-----------
Levels in dB, frequencies in Hz, delays in s (shown in ms; positive is later). Polarity normal is a
solid line, inverted a dashed one. Numbers are computed elsewhere. Every function takes axes, or
makes some, and returns them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, level_mean_db
from roomeq.base.response import LevelReference
from roomeq.device.processor import JoiningSettings, Polarity
from roomeq.optimiser.joining.alignment import Alignment
from roomeq.plan.alignment import AlignmentRecord
from roomeq.plan.joining import JoiningRecord
from roomeq.report.plots.labels import (
    Curve,
    EndLabel,
    draw_curves,
    label_ends,
    mark_corner,
    write_at,
)
from roomeq.report.plots.style import (
    COLOURS,
    DecibelsPerDecade,
    Stroke,
    frame_values,
    house_style,
    level_span,
    level_title,
    nice_step,
    started,
    titled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_delay_map", "plot_joining", "plot_joining_map", "plot_sum"]

_CURVES = {
    "subwoofer alone": Stroke(colour="teal", dashes=(1.2, 1.2), width=1.2),
    "mains alone": Stroke(colour="amber", dashes=(7, 1.5, 1.2, 1.5), width=1.2),
    "both, inverted": Stroke(colour="rust", dashes=(4, 1.5), width=1.3),
    "both, normal": Stroke(colour="blue", width=1.3),
    "target": Stroke(colour="ink", dashes=(1, 2.5), width=1.0),
}
_POLARITIES = (
    Stroke(colour="blue", width=1.8),
    Stroke(colour="rust", dashes=(4, 1.5), width=1.5),
)


@house_style()
def plot_sum(
    frequencies: ArrayLike,
    *,
    sub_db: ArrayLike,
    mains_db: ArrayLike,
    normal_db: ArrayLike,
    inverted_db: ArrayLike,
    target_db: ArrayLike | None = None,
    corner: float | None = None,
    inverted: bool = False,
    level_reference: LevelReference = "relative",
    db_per_decade: DecibelsPerDecade = 50,
    ax: Axes | None = None,
) -> Axes:
    """Plot subwoofer and mains alone, and both together in either polarity.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    sub_db, mains_db, normal_db, inverted_db : array_like, shape (F,)
        Levels alone, and of the sum with normal and inverted polarity of the subwoofer.
    target_db : array_like, shape (F,), optional
    corner : float, optional
        Crossover corner in Hz.
    inverted : bool
        Whether it is the sum with inverted polarity that counts: the one that does is drawn heavy.
    level_reference : {"relative", "spl"}
    db_per_decade : {25, 50}
        Proportion of the axes (IEC 60263).
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If shapes differ.
    ImportError
        If matplotlib is not installed.
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    given = (sub_db, mains_db, inverted_db, normal_db, target_db)
    heavy = "both, inverted" if inverted else "both, normal"
    curves = []
    for (name, stroke), values in zip(_CURVES.items(), given, strict=True):
        if values is None:
            continue
        levels = np.asarray(values, dtype=np.float64)
        if levels.shape != axis.shape:
            raise ValueError(f"{name}: {axis.size} levels are needed, got shape {levels.shape}")
        if name == heavy:
            thick = replace(stroke, width=2.4)
            curves.append(Curve(name=name, levels=levels, stroke=thick, bold=True, zorder=3))
        else:
            curves.append(Curve(name=name, levels=levels, stroke=stroke))
    ax = draw_curves(
        ax,
        axis,
        curves,
        heading="Do subwoofer and mains add?",
        levels=level_span([curve.levels for curve in curves], most=50.0),
        title=level_title(level_reference),
        db_per_decade=db_per_decade,
    )
    if corner is not None:
        mark_corner(ax, corner)
    return ax


@house_style()
def plot_joining(
    fit: Alignment,
    *,
    settings: JoiningSettings | None = None,
    seat: str | None = None,
    level_reference: LevelReference = "relative",
    db_per_decade: DecibelsPerDecade = 50,
    ax: Axes | None = None,
) -> Axes:
    """Plot subwoofer, mains and their sum in either polarity at a joining's delay.

    The polarity of the settings is drawn heavy.

    Parameters
    ----------
    fit : Alignment
    settings : JoiningSettings, optional
        Those proposed by default; only the polarity is varied.
    seat : str, optional
        One seat; the level mean over all by default.
    level_reference, db_per_decade, ax
        As for `plot_sum`.

    Returns
    -------
    Axes

    Raises
    ------
    TypeError
        If it is no alignment: a plan keeps levels only, which `plot_joining_map` draws.
    ValueError
        If there is no such seat.
    ImportError
        If matplotlib is not installed.
    """
    if not isinstance(fit, Alignment):
        raise TypeError(
            f"plot_joining draws join(room).fit, got {type(fit).__name__}; what a plan keeps is "
            "drawn by plot_joining_map(plan.joining)"
        )
    data, chosen = fit.data, fit.chosen.settings if settings is None else settings
    if seat is not None and seat not in data.seats:
        raise ValueError(f"no seat {seat!r} in this joining, only {', '.join(data.seats)}")

    def mean_db(levels: FloatArray) -> FloatArray:
        if seat is not None:
            return np.asarray(levels[data.seats.index(seat)])
        return level_mean_db(levels, weights=data.seat_weights)

    drawn = plot_sum(
        data.frequencies,
        sub_db=mean_db(data.with_transfers(mains=0.0).predicted_level_db(chosen)),
        mains_db=mean_db(data.with_transfers(sub=0.0).predicted_level_db(chosen)),
        normal_db=mean_db(data.predicted_level_db(replace(chosen, inverted=False))),
        inverted_db=mean_db(data.predicted_level_db(replace(chosen, inverted=True))),
        corner=data.corner,
        inverted=chosen.inverted,
        level_reference=level_reference,
        db_per_decade=db_per_decade,
        ax=ax,
    )
    where = "level mean" if seat is None else seat
    delay = f"{round(chosen.delay_ms, 1) or 0.0:+.1f}".replace("-", "\u2212").replace("+0.0", "0.0")
    polarity = "inverted" if chosen.inverted else "normal"
    titled(drawn, f"Do they add at {delay} ms, {polarity}: {where}")
    return drawn


@house_style()
def plot_delay_map(
    delays: ArrayLike,
    loss_db: ArrayLike,
    *,
    chosen: tuple[float, bool] | None = None,
    present: tuple[float, bool] | None = None,
    rival: tuple[float, bool] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Plot what the sum loses around the crossover over delay, in either polarity.

    Parameters
    ----------
    delays : array_like, shape (D,)
        Seconds, positive is later.
    loss_db : array_like, shape (2, D)
        With normal and with inverted polarity.
    chosen, present, rival : tuple of float and bool, optional
        Delay in s and whether the polarity is inverted; each is marked on its line.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If shapes differ.
    ImportError
        If matplotlib is not installed.
    """
    from matplotlib.ticker import MultipleLocator

    milliseconds = 1e3 * np.asarray(delays, dtype=np.float64)
    values = np.asarray(loss_db, dtype=np.float64)
    if milliseconds.ndim != 1 or values.shape != (2, milliseconds.size):
        raise ValueError(f"loss_db must have shape (2, {milliseconds.size})")
    ax, own = started(ax)
    for name, row, stroke in zip(Polarity, values, _POLARITIES, strict=True):
        ax.plot(milliseconds, row, label=f"{name} polarity", zorder=2, **stroke.settings)
    span = max(0.0, float(np.floor(values.min() - 1.0))), float(np.ceil(values.max() + 0.2))
    title, step = "What the sum loses around the crossover in dB", nice_step(span[1] - span[0])
    frame_values(ax, own=own, limits=span, title=title, step=step)
    first, last = float(milliseconds[0]), float(milliseconds[-1])
    ax.set_xlim(first, last)
    ax.xaxis.set_major_locator(MultipleLocator(nice_step(last - first)))
    ax.tick_params(axis="x", length=4, labelsize=8)
    ax.set_xlabel("Delay of the subwoofer against the mains in ms (positive is later)", loc="right")
    label_ends(
        ax,
        [
            EndLabel(place=float(row[-1]), text=f"{name} polarity", colour=stroke.colour)
            for name, row, stroke in zip(Polarity, values, _POLARITIES, strict=True)
        ],
    )
    marks = (("as it is", present, "o"), ("other polarity", rival, "^"), ("proposed", chosen, "D"))
    for name, place, marker in marks:
        if place is not None:
            value = float(np.interp(1e3 * place[0], milliseconds, values[int(place[1])]))
            _mark(ax, 1e3 * place[0], value, name, marker)
    titled(ax, "Which delay joins them")
    return ax


def _mark(ax: Axes, x: float, y: float, name: str, marker: str) -> None:
    ink = COLOURS["ink"]
    drawn = ax.plot(x, y, marker=marker, linestyle="none", label=name, zorder=5, clip_on=False)[0]
    drawn.set(color=ink, markerfacecolor=ink if name == "proposed" else "white")
    drawn.set(markersize=7, markeredgewidth=1.2)
    left, right = ax.get_xlim()
    share = (x - left) / (right - left)
    side = "left" if share < 0.04 else "right" if share > 0.96 else "center"
    write_at(ax, name, (x, y), (0, -8), pad=0.6, ha=side, va="top", fontsize=8, zorder=6)


def plot_joining_map(fit: Alignment | JoiningRecord, *, ax: Axes | None = None) -> Axes:
    """Plot what the sum loses over delay: as set, as proposed, and the best of the other polarity.

    The map holds for the filters as they will be, before the bands.

    Parameters
    ----------
    fit : Alignment or JoiningRecord
        ``join(room).fit``, or ``plan.joining``.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ImportError
        If matplotlib is not installed.
    """
    record = fit.alignment if isinstance(fit, JoiningRecord) else AlignmentRecord.of(fit)
    chosen = record.chosen.settings.settings()
    other = (record.normal if chosen.inverted else record.inverted).settings.settings()

    def place(settings: JoiningSettings) -> tuple[float, bool]:
        return settings.delay, settings.inverted

    return plot_delay_map(
        1e-3 * np.array(record.map_delays_ms),
        np.array([record.map_normal_db, record.map_inverted_db]),
        chosen=None if record.kept else place(chosen),
        present=place(record.present.settings.settings()),
        rival=place(other),
        ax=ax,
    )
