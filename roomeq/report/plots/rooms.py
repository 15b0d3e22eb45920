"""Pictures of many rooms: all of them before and after, and with one voicing.

Conventions
-----------
Weighted deviations in dB; a curve is the share of the rooms, in percent, that is no further off, by
the linear rule of `numpy.quantile`. Numbers are computed elsewhere. Rooms judged by the sum with
mains or by several subwoofers, and rooms that failed are left out, and the title says how many.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from roomeq.jobs.voice import Voicing
from roomeq.plan.rooms import RoomRow
from roomeq.report.plots import style
from roomeq.report.plots.style import house_style, stroke

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SHARES = (0.1, 0.5, 0.9)
_STROKES = {
    "now": stroke("rust", "5 2"),
    "with the proposal": stroke("blue", "", 2.2),
    "voiced": stroke("blue", "", 2.2),
    "with its own setting": stroke("teal", "1 1.2"),
    "lost against its own": stroke("plum", "7 1.5 1 1.5"),
}


@house_style
def plot_rooms(rows: Sequence[RoomRow], *, ax: Axes | None = None) -> Axes:
    """Draw the deviations of many rooms, now and with their proposals.

    Parameters
    ----------
    rows : sequence of RoomRow
    ax : matplotlib axes, optional

    Raises
    ------
    ValueError
        If no room was done for the subwoofer alone.
    """
    drawn = [row for row in rows if row.status == "done" and row.judged == "subwoofer"]
    if not drawn:
        raise ValueError("no room was done for the subwoofer alone: there is nothing to draw")
    left_out = len(rows) - len(drawn)
    apart = f"; {left_out} left out, set together, joined or failed" if left_out else ""
    sets = {
        "now": [row.deviation_before_db or 0.0 for row in drawn],
        "with the proposal": [row.deviation_after_db or 0.0 for row in drawn],
    }
    return _shares(sets, f"{len(drawn)} rooms, now and with their proposals{apart}", ax)


@house_style
def plot_voicing(voicing: Voicing, *, ax: Axes | None = None) -> Axes:
    """Draw the deviations of all rooms, now, voiced and with settings of their own; what they lose.

    Parameters
    ----------
    voicing : Voicing
    ax : matplotlib axes, optional
    """
    sets = {
        "now": [room.before_db for room in voicing.rooms],
        "voiced": [room.voiced_db for room in voicing.rooms],
        "with its own setting": [room.own_db for room in voicing.rooms],
        "lost against its own": [room.loses_db for room in voicing.rooms],
    }
    return _shares(sets, f"{len(voicing.rooms)} rooms with one voicing", ax)


def _shares(sets: Mapping[str, Sequence[float]], title: str, ax: Axes | None) -> Axes:
    """Draw which share of the rooms is no further off, and mark tenths and median."""
    ax = style.started(ax)
    for label, values in sets.items():
        tenths, look = np.quantile(values, _SHARES), _STROKES[label]
        figures = " / ".join(f"{value:.1f}" for value in tenths)
        shares = np.linspace(0.0, 100.0, len(values))
        ax.plot(np.sort(values), shares, label=f"{label}\n{figures} dB", **look)
        ax.plot(tenths, 100.0 * np.array(_SHARES), "o", color=look["color"], markersize=4)
    style.frame_values(ax, limits=(0.0, 100.0), title="Rooms no further off, in %")
    ax.set_xlim(left=0.0)
    ax.set_xlabel("Weighted deviation in dB", loc="right")
    words = "Best tenth / median / worst tenth"
    ax.legend(title=words, loc="upper left", bbox_to_anchor=(1.02, 1.0), frameon=False)
    return style.titled(ax, title)
