"""Plots of several subwoofers: what arrives from each at every seat, and how the seats differ.

Conventions
-----------
Levels in dB, frequencies in Hz. Numbers come from the plan; only levels are formed here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomeq.analysis.smoothing import smooth_power_db
from roomeq.base.levels import amplitude_ratio_db
from roomeq.plan.plan import Plan
from roomeq.report.plots.labels import shortened
from roomeq.report.plots.multiples import levels_page
from roomeq.report.plots.style import (
    Stroke,
    frame_frequencies,
    frame_values,
    house_style,
    nice_step,
    seat_stroke,
    started,
    titled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_TOGETHER = Stroke(colour="blue", width=2.2, zorder=3.0)
_STROKES = {
    "before": Stroke(colour="quiet", dashes=(5, 2), width=1.4),
    "predicted": Stroke(colour="teal", width=2.2),
}
_FRACTION = 12


@house_style()
def plot_subwoofers(plan: Plan) -> Figure:
    """Plot each of several subwoofers and all together at every seat, as proposed.

    Levels are smoothed in power over a twelfth of an octave.

    Raises
    ------
    ValueError
        If the plan is of one subwoofer.
    ImportError
        If matplotlib is not installed.
    """
    if plan.together is None:
        raise ValueError("the plan is of one subwoofer")
    points = np.array(plan.together.points)
    reach = 2.0 ** (0.5 / _FRACTION)
    axis = points[(points >= points[0] * reach) & (points <= points[-1] / reach)]
    parts = {
        shortened(name): one.set_together.pressures
        for name, one in plan.subwoofers.items()
        if one.set_together is not None
    }
    strokes = {name: seat_stroke(index + 1) for index, name in enumerate(parts)}
    levels_db = {
        name: smooth_power_db(points, amplitude_ratio_db(rows), at=axis, fraction=_FRACTION)
        for name, rows in (parts | {"together": np.sum(list(parts.values()), axis=0)}).items()
    }
    seats = plan.together.seats
    panels = {s: {name: rows[n] for name, rows in levels_db.items()} for n, s in enumerate(seats)}
    strokes["together"] = _TOGETHER
    heading = "Each subwoofer and all together at every seat, as proposed"
    return levels_page(panels, axis, plan.level_reference, strokes=strokes, heading=heading)


@house_style()
def plot_variation(plan: Plan, *, ax: Axes | None = None) -> Axes:
    """Plot how the seats differ over frequency, before and predicted: standard deviation by weight.

    Parameters
    ----------
    plan : Plan
    ax : Axes, optional

    Raises
    ------
    ValueError
        If there is one seat only.
    ImportError
        If matplotlib is not installed.
    """
    if len(plan.seats) < 2:
        raise ValueError("there is one seat only")
    axis, made = started(ax)
    weights = np.array([seat.weight for seat in plan.seats])
    weights = weights / weights.sum()
    frequencies, most = np.array(plan.curves.frequencies), 0.0
    rows = (plan.curves.before_level_db, plan.curves.predicted_level_db)
    for (name, stroke), levels in zip(_STROKES.items(), map(np.array, rows), strict=True):
        spread = np.sqrt(weights @ (levels - weights @ levels) ** 2)
        axis.plot(frequencies, spread, label=name, **stroke.settings)
        most = max(most, float(spread.max()))
    frame_frequencies(axis, lowest=float(frequencies[0]), highest=float(frequencies[-1]))
    top = float(np.ceil(most + 0.5))
    title = "Standard deviation in dB"
    frame_values(axis, own=made, limits=(0.0, top), title=title, step=nice_step(top))
    axis.legend(loc="upper right", frameon=False, handlelength=3.2)
    return titled(axis, "How the seats differ, before and predicted")
