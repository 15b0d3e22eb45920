"""Small multiples: the same picture for every seat, on the same axes, to compare seats by.

Conventions
-----------
Levels in dB, phases in degrees, group delays in ms, frequencies in Hz. Every function makes a
figure of its own and returns it. Numbers are computed elsewhere.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.phase import estimate_phase_parts
from roomeq.analysis.smoothing import smooth_power_db
from roomeq.analysis.survey_levels import common_axis
from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db, power_mean_db
from roomeq.base.survey import Survey
from roomeq.plan.plan import Plan
from roomeq.report.plots import labels, style
from roomeq.report.plots.plan import seat_lines, shown_levels
from roomeq.report.plots.style import Look, house_style, stroke

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from roomeq.optimiser.joining.data import JoiningData

_PANEL_LETTERS = 11.0  # to the inch, of a panel's name

Panels = Mapping[str, Mapping[str, tuple[FloatArray, Look]]]
"""Lines by name for each panel, all on one axis: what is drawn and how it looks."""


def _page(
    panels: Panels,
    axis: FloatArray,
    *,
    heading: str,
    title: str,
    limits: tuple[float, float],
    aspect: float = 0.62,
    remarks: Sequence[str] = (),
) -> Figure:
    """Draw a panel for each name, all on the same axes, with one key above them."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine
    from matplotlib.lines import Line2D

    count = len(panels)
    columns = min(math.ceil(math.sqrt(count)), 4)
    rows, width = math.ceil(count / columns), 10.0 / (columns + 1)  # of a panel, in inches
    page = max(6.2, columns * (width + 0.2) + 0.8), rows * (width * aspect + 0.6) + 1.4
    figure = Figure(figsize=page, layout=ConstrainedLayoutEngine(wspace=0.07, hspace=0.04))
    looks = {label: look for lines in panels.values() for label, (_, look) in lines.items()}
    handles = [Line2D([], [], label=label, **look) for label, look in looks.items()]
    key: Look = {"loc": "outside upper left", "frameon": False, "handlelength": 3.2}
    key |= {"title": "\n".join(textwrap.wrap(heading, int(11 * page[0]))), "alignment": "left"}
    key["title_fontproperties"] = {"size": 10.0, "weight": "bold"}
    figure.legend(handles=handles, ncols=len(handles), **key)
    places = np.reshape([*panels, *[""] * (rows * columns - count)], (rows, columns)).tolist()
    axes = figure.subplot_mosaic(places, empty_sentinel="", sharex=True, sharey=True)
    for index, (name, lines) in enumerate(panels.items()):
        ax = axes[name]
        for label, (values, look) in lines.items():
            ax.plot(axis, values, label=label, **look)
        style.frame_frequencies(ax, axis[0], axis[-1], sparse=True)
        style.frame_values(ax, limits=limits, title="")
        ax.set(box_aspect=aspect, xlabel="")
        ax.tick_params(labelbottom=index + columns >= count)
        words = "\n".join(textwrap.wrap(labels.shortened(name), int(_PANEL_LETTERS * width)))
        ax.set_title(words, loc="left", pad=3, fontsize=8.5, fontweight="bold")
        if remarks:
            corner: Look = {"xycoords": "axes fraction", "ha": "right", "va": "bottom"}
            labels.write_at(ax, remarks[index], (0.985, 0.03), **corner)
    ax.set_xlabel("Frequency in Hz", loc="right")
    figure.supylabel(title, fontsize=8.5)
    return figure


def levels_page(panels: Panels, axis: FloatArray, reference: str, **page: Any) -> Figure:
    """Draw panels of levels in the proportions of IEC 60263: 50 dB are as long as a decade."""
    shown = [values for lines in panels.values() for values, _ in lines.values()]
    limits = style.level_span(np.concatenate(shown), most=50.0)
    aspect = (limits[1] - limits[0]) / 50.0 / math.log10(axis[-1] / axis[0])
    title = style.level_title(reference)
    return _page(panels, axis, limits=limits, aspect=aspect, title=title, **page)


@house_style
def plot_every_seat(plan: Plan) -> Figure:
    """Plot before, predicted and target at every seat: of the sum where the plan joins the mains.

    Raises
    ------
    ImportError
        If matplotlib is not installed.
    """
    shown = shown_levels(plan)
    rows = zip(shown.seats, shown.before, shown.predicted, strict=True)
    panels = {seat: seat_lines(plan, before, then, shown) for seat, before, then in rows}
    played = "both" if plan.joining is not None else plan.source
    what = {"sub": "subwoofer", "both": "subwoofer and mains together"}.get(played, "mains")
    heading = f"Every seat, before and predicted: {what}"
    return levels_page(panels, shown.axis, plan.level_reference, heading=heading)


@house_style
def plot_parts(plan: Plan, *, before: JoiningData | None = None) -> Figure:
    """Plot subwoofer, mains and their sum, before and as proposed: power averages over the seats.

    Parameters
    ----------
    plan : Plan
    before : JoiningData, optional
        As measured, from `roomeq.jobs.joining.steps.present_data`; without it, the sum alone is
        drawn before.

    Raises
    ------
    ValueError
        If the plan does not join subwoofer and mains.
    ImportError
        If matplotlib is not installed.
    """
    record = plan.joining
    if record is None:
        raise ValueError("the plan does not join subwoofer and mains")
    weights = [row.weight for row in record.seats]

    def means(rows: Mapping[str, ArrayLike]) -> Mapping[str, tuple[FloatArray, Look]]:
        levels = {name: power_mean_db(np.array(row), weights=weights) for name, row in rows.items()}
        return {name: (level_db, _PARTS[name]) for name, level_db in levels.items()}

    now: dict[str, ArrayLike] = {}
    if before is not None:
        for name, silent in (("subwoofer", "mains"), ("mains", "sub")):
            part = before.with_transfers(**{silent: 0.0})
            now[name] = part.predicted_level_db(before.present)
    now["both"] = record.before_level_db
    then = {"subwoofer": record.sub_level_db, "mains": record.mains_level_db}
    then["both"] = record.after_level_db
    losses = (record.loss_before_db, record.loss_db)
    return levels_page(
        {"before": means(now), "as proposed": means(then)},
        np.array(record.frequencies),
        plan.level_reference,
        heading="Subwoofer, mains and both: power average over the seats",
        remarks=[f"loses {loss:.1f} dB at {record.corner:.0f} Hz" for loss in losses],
    )


_PARTS = {
    "subwoofer": stroke("teal", "1.2 1.2"),
    "mains": stroke("amber", "7 1.5 1.2 1.5"),
    "both": stroke("blue", "", 2.2),
}
_MEASURED, _MINIMUM = stroke("blue", "", 1.8), stroke("rust", "4 1.3")


def plot_phase(survey: Survey) -> Figure:
    """Plot the phase at every seat, less a delay, which is told.

    Parameters
    ----------
    survey : Survey
        Of one source.

    Raises
    ------
    ValueError
        If no measurement has phase.
    ImportError
        If matplotlib is not installed.
    """
    return _phase_page(survey, of_phase=True)


def plot_group_delay(survey: Survey) -> Figure:
    """Plot the group delay at every seat, and that of the minimum phase; as `plot_phase`.

    Where both part, an equaliser mends nothing.
    """
    return _phase_page(survey, of_phase=False)


@house_style
def _phase_page(survey: Survey, *, of_phase: bool) -> Figure:
    told = [entry for entry in reversed(survey.measurements) if entry.response.has_phase]
    if not told:
        raise ValueError("no measurement has phase")
    axis = common_axis(Survey(measurements=tuple(told)), lowest=16.0, highest=160.0)
    first = {entry.seat: entry.response for entry in told}  # of repeats the first
    parts = {s: estimate_phase_parts(first[s], at=axis) for s in survey.seats if s in first}
    heading = "Phase at the seats" if of_phase else "Group delay at the seats"
    silent = [seat for seat in survey.seats if seat not in first]
    heading += f"; measured without phase: {', '.join(silent)}" if silent else ""
    page: Look = {"heading": heading}
    page["remarks"] = [f"{1e3 * one.delay:.1f} ms taken out" for one in parts.values()]
    if of_phase:
        panels = {
            s: {"measured": (_cut_at_turns(p.phase_deg), _MEASURED)} for s, p in parts.items()
        }
        figure = _page(panels, axis, title="Phase in degrees", limits=(-180.0, 180.0), **page)
        figure.axes[0].set_yticks([-180.0, -90.0, 0.0, 90.0, 180.0])
        return figure
    delays = {
        seat: {
            "measured": (1e3 * one.group_delay, _MEASURED),
            "minimum phase, from the level": (1e3 * one.minimum_group_delay, _MINIMUM),
        }
        for seat, one in parts.items()
    }
    every = [values for lines in delays.values() for values, _ in lines.values()]
    low, high = np.percentile(every, (1.0, 99.0))
    ticks = style.round_steps().tick_values(low, max(high, low + 20.0))
    limits = float(ticks[0]), float(ticks[-1])
    return _page(delays, axis, title="Group delay in ms", limits=limits, **page)


def _cut_at_turns(phase_deg: FloatArray) -> FloatArray:
    """Return a phase with a gap where it passes from one end of the turn to the other."""
    cut = np.array(phase_deg)
    cut[1:][np.abs(np.diff(phase_deg)) > 180.0] = np.nan
    return cut


_OCTAVE_PART = 12
_TOGETHER = stroke("blue", "", 2.2, 3)


@house_style
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
    reach = 2.0 ** (0.5 / _OCTAVE_PART)
    axis = points[(points >= points[0] * reach) & (points <= points[-1] / reach)]
    parts = {labels.shortened(name): own.pressures for name, own in plan.each_together.items()}
    looks = {name: style.seat_stroke(index + 1) for index, name in enumerate(parts)}
    looks["together"] = _TOGETHER
    lines = parts | {"together": np.sum(list(parts.values()), axis=0)}

    def smoothed(pressure: ComplexArray) -> FloatArray:
        return smooth_power_db(points, amplitude_ratio_db(pressure), at=axis, fraction=_OCTAVE_PART)

    panels = {
        seat: {name: (smoothed(rows[n]), looks[name]) for name, rows in lines.items()}
        for n, seat in enumerate(plan.together.seats)
    }
    heading = "Each subwoofer and all together at every seat, as proposed"
    return levels_page(panels, axis, plan.level_reference, heading=heading)
