"""Plot of a verification: what was predicted against what was measured again.

Conventions
-----------
Levels in dB on the plan's axis in Hz. One offset is removed from what was measured again, as
`roomeq.jobs.verify` does, and stated. Numbers are computed elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomeq.analysis.survey_levels import seat_levels_db
from roomeq.base.bands import third_octave_band
from roomeq.base.levels import level_mean_db
from roomeq.base.survey import Survey
from roomeq.jobs.verify import Verification, verify
from roomeq.plan.plan import Plan
from roomeq.report.plots.labels import (
    EndLabel,
    label_ends,
)
from roomeq.report.plots.plan import seat_rows
from roomeq.report.plots.style import (
    COLOURS,
    DecibelsPerDecade,
    Stroke,
    frame_levels,
    house_style,
    level_span,
    level_title,
    started,
    titled,
)
from roomeq.report.text.layout import signed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_verification"]


@house_style()
def plot_verification(
    plan: Plan,
    survey: Survey,
    *,
    found: Verification | None = None,
    seat: str | None = None,
    db_per_decade: DecibelsPerDecade = 50,
    ax: Axes | None = None,
) -> Axes:
    """Plot what was predicted and what was measured again.

    Of several seats the level mean is shown (each counting alike, as in the verification). The band
    around the prediction is the tolerance; third octaves that differ by more, averaged over the
    seats, are marked.

    Parameters
    ----------
    plan : Plan
    survey : Survey
        Measured with the plan's settings in force.
    found : Verification, optional
        What `roomeq.jobs.verify.verify` says of them; asked for if it is not given.
    seat : str, optional
        One seat alone; third octaves are then not marked.
    db_per_decade : {25, 50}
        Proportion of the axes (IEC 60263).
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If the survey does not fit the plan, or the seat was not measured again.
    ImportError
        If matplotlib is not installed.
    """
    found = verify(plan, survey) if found is None else found
    chosen, axis = survey.of_source(plan.source), np.array(plan.curves.frequencies)
    names = [plan.seats[row].seat for row in seat_rows(plan, seat)]
    again = [name for name in names if name in chosen.seats]
    if not again:
        raise ValueError(f"not measured again: {', '.join(names)}")
    rows = [[entry.seat for entry in plan.seats].index(name) for name in again]
    predicted = level_mean_db(np.array(plan.curves.predicted_level_db)[rows])
    levels = seat_levels_db(chosen, at=axis)
    measured = level_mean_db(levels[[chosen.seats.index(name) for name in again]])
    measured = measured - found.offset_db
    room_db = 5.0 if seat is None and not all(check.agrees for check in found.bands) else 0.0
    ax, own = started(ax)
    tolerance = found.tolerance_db
    ax.fill_between(
        axis, predicted - tolerance, predicted + tolerance, color=COLOURS["wash"], zorder=1
    )
    ax.plot(axis, predicted, color=COLOURS["blue"], linewidth=2.4, label="predicted", zorder=2)
    stroke = Stroke(colour="rust", dashes=(4, 1.3), width=1.6)
    ax.plot(axis, measured, label="measured again", zorder=3, **stroke.settings)
    frame_levels(
        ax,
        own=own,
        frequencies=(float(axis[0]), float(axis[-1])),
        levels=level_span([*predicted, *measured, max(*predicted, *measured) + room_db]),
        title=level_title(plan.level_reference),
        db_per_decade=db_per_decade,
    )
    ends = [
        EndLabel(
            place=float(predicted[-1]), text=f"predicted \u00b1 {tolerance:.1f} dB", colour="blue"
        ),
        EndLabel(place=float(measured[-1]), text="measured again", colour="rust", bold=True),
    ]
    label_ends(ax, ends)
    removed = f"{signed(found.offset_db)} dB taken out of what was measured again"
    ax.annotate(
        removed.replace("-", "\u2212"),
        xy=(0.0, 0.0),
        xycoords="axes fraction",
        xytext=(0, -29),
        textcoords="offset points",
        va="center",
        fontsize=7.5,
        annotation_clip=False,
    )
    if seat is None:
        _mark_bands(ax, plan, found)
    verdict = "It came true" if found.agrees else "It did not come true"
    if not found.agrees and found.close:
        verdict = "The subwoofer alone came true, its sum with the mains did not"
    titled(ax, verdict if seat is None else f"Predicted and measured again at {seat}")
    return ax


def _mark_bands(ax: Axes, plan: Plan, found: Verification) -> None:
    """Mark third octaves that differ, averaged over the seats, by more than the tolerance."""
    centres = {setting.label: setting.centre for setting in plan.bands}
    for check in found.bands:
        if check.agrees:
            continue
        band = third_octave_band(centres[check.label])
        ax.plot(
            [band.lower * 1.01, band.upper / 1.01],
            [0.99, 0.99],
            transform=ax.get_xaxis_transform(),
            color=COLOURS["rust"],
            linewidth=3.0,
            solid_capstyle="butt",
            label=f"differs {check.label} Hz",
        )
        ax.annotate(
            signed(check.difference_db).replace("-", "\u2212"),
            xy=(band.centre, 0.965),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="top",
            fontsize=8,
            fontweight="bold",
            color=COLOURS["rust"],
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
        )
