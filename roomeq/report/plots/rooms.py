"""Pictures of many rooms: all of them before and after, and with one voicing.

Conventions
-----------
Weighted deviations in dB; a curve is the share of the rooms, in percent, that is no further off.
Numbers are computed elsewhere. Rooms judged by the sum with mains or by several subwoofers, and
rooms that failed are left out, and the title says how many.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from roomeq.base.files import replacing
from roomeq.jobs.voice import Voicing
from roomeq.plan.rooms import RoomRow
from roomeq.report.plots.style import COLOURS, house_style, started, titled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_TENTHS = (0.1, 0.5, 0.9)
_LEGEND = "Best tenth / median / worst tenth"


@house_style()
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
    ax = _shares(
        {
            "now": ("rust", [row.deviation_before_db or 0.0 for row in drawn]),
            "with the proposal": ("blue", [row.deviation_after_db or 0.0 for row in drawn]),
        },
        ax,
    )
    return titled(ax, f"{len(drawn)} rooms, now and with their proposals{apart}")


@house_style()
def plot_voicing(voicing: Voicing, *, ax: Axes | None = None) -> Axes:
    """Draw the deviations of all rooms, now, voiced and each with its own setting.

    Parameters
    ----------
    voicing : Voicing
    ax : matplotlib axes, optional
    """
    ax = _shares(
        {
            "now": ("rust", [room.before_db for room in voicing.rooms]),
            "voiced": ("blue", [room.voiced_db for room in voicing.rooms]),
            "each with its own setting": ("teal", [room.own_db for room in voicing.rooms]),
        },
        ax,
    )
    lost = np.quantile([room.loses_db for room in voicing.rooms], (0.1, 0.5, 0.9))
    words = "a tenth loses at most {:.1f} dB, half {:.1f} dB, nine tenths {:.1f} dB".format(*lost)
    return titled(ax, f"{len(voicing.rooms)} rooms with one voicing: {words}")


def _shares(sets: dict[str, tuple[str, list[float]]], ax: Axes | None) -> Axes:
    """Draw which share of the rooms is no further off, and mark tenths and median."""
    ax, _ = started(ax)
    for label, (name, found) in sets.items():
        values, colour = np.sort(np.array(found, dtype=np.float64)), COLOURS[name]
        shares = 100.0 * (np.arange(values.size) + 1.0) / values.size
        ax.step(values, shares, where="post", color=colour)
        tenths = np.quantile(values, _TENTHS)
        ax.plot(tenths, [100.0 * share for share in _TENTHS], "o", color=colour, markersize=4)
        figures = " / ".join(f"{value:.1f}" for value in tenths)
        ax.plot([], [], color=colour, label=f"{label}: {figures} dB")
    ax.set_xlabel("Weighted deviation in dB")
    ax.set_ylabel("Rooms no further off, in %")
    ax.set_xlim(left=0.0)
    ax.legend(title=_LEGEND, loc="upper left", bbox_to_anchor=(1.02, 1.0), frameon=False)
    ax.set_ylim(0.0, 100.0)
    return ax


def write_rooms_picture(rows: Sequence[RoomRow], path: Path) -> None:
    """Write `plot_rooms` as a PNG.

    Raises
    ------
    ValueError
        As `plot_rooms`.
    """
    _write(plot_rooms(rows), path)


def write_voicing_picture(voicing: Voicing, path: Path) -> None:
    """Write `plot_voicing` as a PNG."""
    _write(plot_voicing(voicing), path)


def _write(ax: Axes, path: Path) -> None:
    from matplotlib import pyplot as plt

    figure: Any = ax.figure
    with replacing(path) as temporary:
        figure.savefig(temporary, format="png", bbox_inches="tight")
    plt.close(figure)
