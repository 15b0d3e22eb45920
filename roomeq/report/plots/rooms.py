"""Pictures of many rooms: all of them before and after.

Conventions
-----------
Weighted deviations in dB; a curve is the share of the rooms, in percent, that is no further off.
Numbers are computed elsewhere. Rooms joined with mains, whose figures are those of the sum, and
rooms that failed are left out, and the title says how many.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from roomeq.base.replacing import replacing
from roomeq.plan.rooms import RoomRow
from roomeq.report.plots.style import COLOURS, house_style, started, titled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_rooms", "write_rooms_picture"]

_TENTHS = {0.1: "best tenth", 0.5: "median", 0.9: "worst tenth"}


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
    drawn = [row for row in rows if row.status == "done" and not row.joined]
    if not drawn:
        raise ValueError("no room was done for the subwoofer alone: there is nothing to draw")
    ax, _ = started(ax)
    shares = 100.0 * (np.arange(len(drawn)) + 1.0) / len(drawn)
    sets = {
        "now": (COLOURS["rust"], [row.deviation_before_db for row in drawn]),
        "with the proposal": (COLOURS["blue"], [row.deviation_after_db for row in drawn]),
    }
    for label, (colour, found) in sets.items():
        values = np.sort(np.array(found, dtype=np.float64))
        ax.step(values, shares, where="post", color=colour, label=label)
        for share, name in _TENTHS.items():
            at = float(np.quantile(values, share))
            ax.plot([at], [100.0 * share], "o", color=colour, markersize=4)
            ax.annotate(
                f"{name} {at:.1f} dB",
                (at, 100.0 * share),
                (4, -9),
                fontsize=7,
                textcoords="offset points",
                color=colour,
            )
    ax.set_xlabel("Weighted deviation in dB")
    ax.set_ylabel("Rooms no further off, in %")
    ax.set_xlim(left=0.0)
    ax.legend(loc="lower right")
    left_out = len(rows) - len(drawn)
    apart = f"; {left_out} left out, joined or failed" if left_out else ""
    return titled(ax, f"{len(drawn)} rooms, now and with their proposals{apart}")


def write_rooms_picture(rows: Sequence[RoomRow], path: Path) -> None:
    """Write `plot_rooms` as a PNG.

    Raises
    ------
    ValueError
        As `plot_rooms`.
    """
    from matplotlib import pyplot as plt

    figure: Any = plot_rooms(rows).figure
    with replacing(path) as temporary:
        figure.savefig(temporary, format="png", bbox_inches="tight")
    plt.close(figure)
