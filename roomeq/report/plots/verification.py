"""Plots that compare: what was predicted with what was measured again, or several responses.

Conventions
-----------
Levels in dB on the plan's axis in Hz. One offset is removed from what was measured again, as
`roomeq.jobs.verify` does, and stated. Several responses stand as measured: nothing is smoothed or
shifted here; band levels carry a mark at each band. Numbers are computed elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from roomeq.analysis.survey_levels import seat_levels_db
from roomeq.base.bands import third_octave_band
from roomeq.base.levels import FloatArray, level_mean_db, signed
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Source, Survey
from roomeq.jobs.verify import verify
from roomeq.jobs.verifying.parts import measured_levels_db
from roomeq.plan.plan import Plan
from roomeq.plan.verification import Verification
from roomeq.report.plots import labels, style
from roomeq.report.plots.plan import shown_levels
from roomeq.report.plots.style import COLOURS, Look, house_style, stroke

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@house_style
def plot_verification(
    plan: Plan,
    survey: Survey,
    *,
    found: Verification | None = None,
    source: Source | None = None,
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
    source : {"sub", "mains", "both"}, optional
        What is shown: what the verification tells band by band, by default; ``both`` is the sum
        with the mains where the plan joins them.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If the survey does not fit the plan, or no seat was measured again.
    ImportError
        If matplotlib is not installed.
    """
    found = verify(plan, survey) if found is None else found
    of = cast("Source", found.source) if source is None else source
    axis, *both = _compared(plan, survey, of)
    predicted, measured = level_mean_db(both[0]), level_mean_db(both[1]) - found.offset_db
    marked = of == found.source
    told = [*predicted, *measured]
    if marked and not all(check.agrees for check in found.bands):
        told.append(max(told) + 4.0)  # room for what is marked
    tolerance = found.tolerance_db
    ax = style.started(ax)
    text = f"predicted \u00b1 {tolerance:.1f} dB"
    ax.plot(axis, predicted, label=text, **stroke("blue", "", 2.4))
    ax.plot(axis, measured, label="measured again", **stroke("rust", "4 1.3", 1.6, 3))
    span, title = style.level_span(told, least=15), style.level_title(plan.level_reference)
    labels.frame_levels(ax, _verdict(found, of), axis, span, title)
    low, high = predicted - tolerance, predicted + tolerance
    ax.fill_between(axis, low, high, color=COLOURS["wash"], zorder=1)
    removed = f"{signed(found.offset_db)} dB taken out of what was measured again"
    foot: Look = {"xycoords": "axes fraction", "annotation_clip": False, "bbox": None}
    labels.write_at(ax, removed, (0, 0), (0, -23), ha="left", va="center", **foot)
    if marked:
        _mark_bands(ax, plan, found)
    return ax


def _verdict(found: Verification, source: Source) -> str:
    joined = found.joining
    if source != found.source and joined is not None:
        return (
            f"Subwoofer and mains together: around {joined.corner:.0f} Hz they lose "
            f"{joined.loss_db:.1f} dB, {joined.predicted_loss_db:.1f} dB predicted"
        )
    if found.only_sum_differs:
        return "The subwoofer alone came true, its sum with the mains did not"
    return "It came true" if found.agrees else "It did not come true"


def _compared(
    plan: Plan, survey: Survey, source: Source
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the axis, and levels predicted and measured again, rows by seats that have both."""
    joined = plan.joining is not None and source == "both"
    shown = shown_levels(plan, alone=not joined)
    if joined:
        again = measured_levels_db(survey, list(shown.seats), shown.axis)
    else:
        chosen = survey.of_source(plan.source)
        levels = seat_levels_db(chosen, at=shown.axis)
        again = dict(zip(chosen.seats, levels, strict=True))
    rows = [row for row, name in enumerate(shown.seats) if name in again]
    if not rows:
        raise ValueError(f"not measured again: {', '.join(shown.seats)}")
    return shown.axis, shown.predicted[rows], np.array([again[shown.seats[row]] for row in rows])


def _mark_bands(ax: Axes, plan: Plan, found: Verification) -> None:
    """Mark third octaves that differ, averaged over the seats, by more than the tolerance."""
    centres = {setting.label: setting.centre for setting in plan.bands}
    for check in found.bands:
        if check.agrees:
            continue
        band = third_octave_band(centres[check.label])
        red: Look = {"color": COLOURS["rust"]}
        above = {"transform": ax.get_xaxis_transform(), "gid": f"differs {check.label} Hz"}
        labels.mark_across(ax, band, 0.99, linewidth=3.0, **above, **red)
        text = signed(check.difference_db)
        look = {"xycoords": ("data", "axes fraction"), "va": "top", "fontweight": "bold", **red}
        labels.write_at(ax, text, (band.centre, 0.965), pad=0.8, fontsize=8, **look)


@house_style
def plot_responses(
    responses: Mapping[str, FrequencyResponse],
    *,
    lowest: float | None = None,
    highest: float | None = None,
    title: str = "Responses side by side",
    ax: Axes | None = None,
) -> Axes:
    """Plot the levels of responses, each under its name.

    For example one measurement through several windows, or a seat measured twice.

    Parameters
    ----------
    responses : mapping of str to FrequencyResponse
        One response each.
    lowest, highest : float, optional
        Hz; what all of them cover, by default.
    title : str
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If there is no response, one holds several, or nothing lies in the span.
    ImportError
        If matplotlib is not installed.
    """
    if not responses:
        raise ValueError("needs at least one response")
    axes = [response.frequencies for response in responses.values()]
    low = max(float(axis[0]) for axis in axes) if lowest is None else lowest
    high = min(float(axis[-1]) for axis in axes) if highest is None else highest
    curves = {name: _within(name, entry, low, high) for name, entry in responses.items()}
    ax = style.started(ax)
    for index, (name, (axis, level)) in enumerate(curves.items()):
        banded = responses[name].resolution == "third_octave"
        marks: Look = {"marker": "o", "markersize": 4} if banded else {}
        ax.plot(axis, level, label=name, **style.seat_stroke(index), **marks)
    references = {response.level_reference for response in responses.values()}
    reference = "spl" if references == {"spl"} else "relative"
    span = style.level_span(np.concatenate([level for _, level in curves.values()]))
    return labels.frame_levels(ax, title, (low, high), span, style.level_title(reference))


def _within(
    name: str, response: FrequencyResponse, low: float, high: float
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    if response.stored.ndim != 1:
        raise ValueError(f"{name!r} holds several responses: plot one of them")
    inside = (response.frequencies >= low) & (response.frequencies <= high)
    if inside.sum() < 2:
        raise ValueError(f"{name!r} has nothing to draw between {low:g} and {high:g} Hz")
    return response.frequencies[inside], response.level_db[inside]
