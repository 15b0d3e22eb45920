"""Plot of an impulse response, with the window that was laid over it.

Conventions
-----------
Time in s, zero as the response has it; level in dB below the largest amplitude, the largest
within each hundredth of a second. Numbers come from
`roomeq.analysis.sweeps`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from roomeq.analysis.sweeps.windowing import ImpulseWindow, window_values
from roomeq.base.levels import amplitude_ratio_db
from roomeq.base.recording import ImpulseResponse
from roomeq.report.plots.style import COLOURS, frame_values, house_style, nice_step, titled

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["plot_impulse_response"]


@house_style()
def plot_impulse_response(response: ImpulseResponse, *, window: ImpulseWindow) -> Figure:
    """Plot amplitude and level over time, and the window in force; what it cuts off is hatched.

    Parameters
    ----------
    response : ImpulseResponse
        One response, before windowing.
    window : ImpulseWindow

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        If the response holds several.
    ImportError
        If matplotlib is not installed.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import MultipleLocator

    if response.samples.ndim != 1:
        raise ValueError("the response holds several: plot one of them")
    first, last = -1.15 * window.before - 0.02, min(1.35 * window.length, response.end)
    inside = (response.times >= first) & (response.times <= last)
    times, samples = response.times[inside], response.samples[inside]
    rows = samples / np.abs(samples).max(), window_values(times, window=window)
    figure = Figure(figsize=(7.2, 5.9))
    upper, lower = (figure.add_axes((0.09, foot, 0.70, 0.33)) for foot in (0.52, 0.10))
    looks: tuple[dict[str, Any], ...] = (
        {"label": "response", "color": COLOURS["ink"], "linewidth": 0.9},
        {"label": "window", "color": COLOURS["rust"], "linewidth": 1.6, "linestyle": (0, (4, 1.3))},
    )
    blocks = np.arange(0, times.size, max(1, round(0.01 * response.sample_rate)))
    for row, look in zip(rows, looks, strict=True):
        upper.plot(times, 100.0 * row, **look)
        largest = np.maximum.reduceat(np.abs(row), blocks)
        lower.plot(times[blocks], amplitude_ratio_db(np.maximum(largest, 1e-9)), **look)
    for ax, title, limits, step in (
        (upper, "Amplitude in percent of the largest", (-105.0, 105.0), 50.0),
        (lower, "Level in dB below the largest", (-80.0, 5.0), 20.0),
    ):
        frame_values(ax, own=False, limits=limits, title=title, step=step)
        ax.set_xlim(first, last)
        ax.xaxis.set_major_locator(MultipleLocator(nice_step(last - first)))
        for left, right in ((first, -window.before), (window.length, max(last, window.length))):
            ground = ax.axvspan(left, right, facecolor="none", hatch="////", linewidth=0.0)
            ground.set(edgecolor=COLOURS["hair"], zorder=0)
    lower.set_xlabel("Time in s", loc="right")
    words = f"dashed: window,\nflat to {window.flat:.2f} s,\nends at {window.length:.2f} s"
    upper.text(1.03, 1.0, f"{words}\n\nhatched: cut off", transform=upper.transAxes, va="top")
    titled(upper, "Impulse response and window")
    return figure
