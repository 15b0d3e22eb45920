"""Plot of several responses on one pair of axes: what differs between measurements.

Conventions
-----------
Levels in dB over frequencies in Hz, as measured: nothing is smoothed or shifted here. Band levels
carry a mark at each band. The axes are given, or made, and returned.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from roomeq.base.response import FrequencyResponse
from roomeq.report.plots.labels import EndLabel, framed_levels
from roomeq.report.plots.style import (
    DecibelsPerDecade,
    house_style,
    level_span,
    level_title,
    seat_stroke,
    started,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_responses"]


@house_style()
def plot_responses(
    responses: Mapping[str, FrequencyResponse],
    *,
    lowest: float | None = None,
    highest: float | None = None,
    title: str = "Responses side by side",
    db_per_decade: DecibelsPerDecade = 50,
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
    db_per_decade : {25, 50}
        Proportion of the axes (IEC 60263).
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
    ax, own = started(ax)
    ends = []
    for index, (name, (axis, level)) in enumerate(curves.items()):
        stroke = seat_stroke(index)
        banded = responses[name].resolution == "third_octave"
        marks: dict[str, Any] = {"marker": "o", "markersize": 4} if banded else {}
        ax.plot(axis, level, label=name, **stroke.settings, **marks)
        ends.append(EndLabel.of(level, stroke, name))
    references = {response.level_reference for response in responses.values()}
    return framed_levels(
        ax,
        ends,
        own=own,
        heading=title,
        frequencies=(low, high),
        levels=level_span(np.concatenate([level for _, level in curves.values()])),
        title=level_title("spl" if references == {"spl"} else "relative"),
        db_per_decade=db_per_decade,
    )


def _within(
    name: str, response: FrequencyResponse, low: float, high: float
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    if response.stored.ndim != 1:
        raise ValueError(f"{name!r} holds several responses: plot one of them")
    inside = (response.frequencies >= low) & (response.frequencies <= high)
    if inside.sum() < 2:
        raise ValueError(f"{name!r} has nothing to draw between {low:g} and {high:g} Hz")
    return response.frequencies[inside], response.level_db[inside]
