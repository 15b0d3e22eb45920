"""Plots of subwoofer and mains: do they add, and at which delay.

Conventions
-----------
Levels in dB, frequencies in Hz, delays in s (shown in ms; positive is later). Polarity normal is a
solid line, inverted a dashed one. Numbers are computed elsewhere. Every function takes axes, or
makes some, and returns them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomeq.base.levels import FloatArray, power_mean_db, power_ratio, power_ratio_db, signed
from roomeq.base.response import LevelReference
from roomeq.device.processor import JoiningSettings, Polarity
from roomeq.optimiser.joining.alignment import Alignment
from roomeq.plan.alignment import AlignmentRecord
from roomeq.plan.joining import JoiningRecord
from roomeq.report.plots import labels, style
from roomeq.report.plots.style import COLOURS, Look, house_style, stroke

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_CURVES = {
    "subwoofer alone": stroke("teal", "1.2 1.2", 1.2),
    "mains alone": stroke("amber", "7 1.5 1.2 1.5", 1.2),
    "both, inverted": stroke("rust", "4 1.5"),
    "both, normal": stroke("blue"),
}
_POLARITIES = (stroke("blue", "", 1.8), stroke("rust", "4 1.5", 1.5))


@house_style
def plot_joining(
    fit: Alignment | JoiningRecord,
    *,
    settings: JoiningSettings | None = None,
    level_reference: LevelReference = "relative",
    ax: Axes | None = None,
) -> Axes:
    """Plot subwoofer, mains and their sum in either polarity at a joining's delay.

    The polarity of the settings is drawn heavy. The power average over the seats is shown.

    Parameters
    ----------
    fit : Alignment or JoiningRecord
        ``join(room).fit``, or ``plan.joining``, which has the bands in as proposed.
    settings : JoiningSettings, optional
        Of an alignment: those proposed by default; only the polarity is varied.
    level_reference : {"relative", "spl"}
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If settings are given with a record, which has its own.
    ImportError
        If matplotlib is not installed.
    """
    if isinstance(fit, JoiningRecord) and settings is not None:
        raise ValueError("a record keeps the levels of its own settings: give no others")
    if not isinstance(fit, JoiningRecord):
        fit = JoiningRecord.of(fit, measured=fit.data, settings=settings)
    chosen = fit.settings.settings()
    weights = [row.weight for row in fit.seats]
    means = [power_mean_db(levels, weights=weights) for levels in _kept_levels(fit)]
    ax, axis = style.started(ax), np.array(fit.frequencies)
    for (name, look), level_db in zip(_CURVES.items(), means, strict=True):
        heavy = {"linewidth": 2.4, "zorder": 3} if name == f"both, {chosen.polarity}" else {}
        ax.plot(axis, level_db, label=name, **look | heavy)
    delay = signed(chosen.delay_ms).replace("-", "\u2212")
    heading = f"Do they add at {delay} ms, {chosen.polarity}: power average"
    span, title = style.level_span(means, most=50.0), style.level_title(level_reference)
    labels.frame_levels(ax, heading, axis, span, title)
    labels.mark_corner(ax, fit.corner)
    return ax


def _kept_levels(record: JoiningRecord) -> tuple[FloatArray, ...]:
    """Return levels of subwoofer, mains, and both with inverted and normal polarity, (S, F).

    Powers of both polarities add to twice those of the parts.
    """
    kept = record.sub_level_db, record.mains_level_db, record.after_level_db
    sub, mains, both = map(np.array, kept)
    rest = 2.0 * (power_ratio(sub) + power_ratio(mains)) - power_ratio(both)
    other = power_ratio_db(np.maximum(rest, 1e-12 * power_ratio(both)))
    return (sub, mains, both, other) if record.settings.inverted else (sub, mains, other, both)


@house_style
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
    milliseconds = np.array(record.map_delays_ms)
    values = np.array([record.map_normal_db, record.map_inverted_db])
    ax = style.started(ax)
    for name, row, look in zip(Polarity, values, _POLARITIES, strict=True):
        ax.plot(milliseconds, row, label=f"{name} polarity", **look)
    span = max(0.0, float(np.floor(values.min() - 1.0))), float(np.ceil(values.max() + 0.2))
    title = "Filters as proposed, before the bands: what the sum loses around the crossover in dB"
    style.frame_values(ax, limits=span, title=title)
    title = "Delay of the subwoofer against the mains in ms (positive is later)"
    style.frame_across(ax, float(milliseconds[0]), float(milliseconds[-1]), title=title)
    ax.tick_params(axis="x", length=4, labelsize=8)
    labels.name_ends(ax)
    chosen = record.chosen.settings
    other = record.normal if chosen.inverted else record.inverted
    marks = [("as it is", record.present.settings, "o"), ("other polarity", other.settings, "^")]
    settled = fit.settings if isinstance(fit, JoiningRecord) else chosen
    alike = (settled.delay_ms, settled.inverted) == (chosen.delay_ms, chosen.inverted)
    best = "proposed" if alike else "best before the bands"
    for name, place, marker in marks if record.kept else [*marks, (best, chosen, "D")]:
        value = np.interp(place.delay_ms, milliseconds, values[int(place.inverted)])
        drawn = ax.plot(place.delay_ms, value, marker, gid=name, zorder=5, clip_on=False)[0]
        drawn.set(color=COLOURS["ink"], markersize=7, markeredgewidth=1.2)
        drawn.set_markerfacecolor(COLOURS["ink"] if name == best else "white")
        share = (place.delay_ms - milliseconds[0]) / (milliseconds[-1] - milliseconds[0])
        beside: Look = {"ha": "left" if share < 0.04 else "right" if share > 0.96 else "center"}
        beside |= {"va": "top", "fontsize": 8, "zorder": 6}
        labels.write_at(ax, name, (place.delay_ms, float(value)), (0, -8), pad=0.6, **beside)
    return style.titled(ax, "Which delay joins them")
