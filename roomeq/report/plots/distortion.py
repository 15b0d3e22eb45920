"""Plot of the distortion that a recorded sweep tells.

Conventions
-----------
Ratios to the fundamental in dB, and in percent of its amplitude, over the fundamental in Hz. What
noise hides is a bound and drawn as one. Numbers are computed in `roomeq.analysis.sweeps`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.base.levels import amplitude_ratio_db
from roomeq.optimiser.drive.clean_drive import HARMONIC_LIMITS_DB
from roomeq.report.plots.labels import EndLabel, framed_levels, write_at
from roomeq.report.plots.style import (
    COLOURS,
    SEAT_STROKES,
    DecibelsPerDecade,
    Stroke,
    house_style,
    level_span,
    started,
)
from roomeq.report.text.layout import signed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_distortion"]

_ORDINALS = ("2nd", "3rd", "4th", "5th")
_TOTAL = Stroke(colour="dots", width=5.0, zorder=2.5)
_LEAST_NAMED = 4  # points


@house_style()
def plot_distortion(
    distortion: Distortion,
    *,
    limits_db: ArrayLike | None = HARMONIC_LIMITS_DB,
    highest: float = 200.0,
    db_per_decade: DecibelsPerDecade = 50,
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
        `roomeq.optimiser.drive.clean_drive` by default, None for none.
    highest : float
        Hz of the fundamental up to which it is drawn.
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
        db_per_decade=db_per_decade,
    )
