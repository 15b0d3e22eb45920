"""Plots over time: decay times by band, the level as it dies away, an impulse response.

Conventions
-----------
Decay times in s for 60 dB, as `roomeq.analysis.sweeps.decay` gives them. Where the band filter's
own ringing governs, the bar is grey and crossed out; what was not measured is said, never drawn as
0. Levels in dB below the strongest moment of each band. Of an impulse response zero in time is as
the response has it, and the level is below the largest amplitude, the largest within each hundredth
of a second. Numbers come from `roomeq.analysis.sweeps`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomeq.analysis.sweeps.decay import Decay
from roomeq.analysis.sweeps.windowing import DecayLines, ImpulseWindow, window_values
from roomeq.base.levels import amplitude_ratio_db
from roomeq.base.recording import ImpulseResponse
from roomeq.report.plots import labels, style
from roomeq.report.plots.style import COLOURS, house_style, stroke

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LANE_DB = 40.0


@house_style
def plot_decay(before: Decay, *, predicted: Decay | None = None, ax: Axes | None = None) -> Axes:
    """Plot decay times by band: before, and upon it, narrower, as predicted.

    Parameters
    ----------
    before : Decay
    predicted : Decay, optional
        In the same bands.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If the bands differ.
    ImportError
        If matplotlib is not installed.
    """
    from matplotlib.patches import Patch

    shown = [(before, _BEFORE, "measured")]
    if predicted is not None:
        for name in ("frequencies", "bandwidths"):
            if not np.array_equal(getattr(before, name), getattr(predicted, name)):
                raise ValueError("before and predicted must be in the same bands")
        shown = [(before, _BEFORE, "before"), (predicted, _PREDICTED, "predicted")]
    ax = style.started(ax)
    half = before.bandwidths / 2.0  # edges: their product is the centre squared
    root = np.sqrt(half**2 + before.frequencies**2)
    low, high = root - half, root + half
    known = np.concatenate([entry.times for entry, *_ in shown])
    top = 1.15 * float(np.nanmax(known)) if np.isfinite(known).any() else 1.0
    for row, (entry, look, _) in enumerate(shown):
        narrow = (high / low) ** (0.28 * row)
        looks = [_FILTER if rings else look for rings in entry.governed_by_filter]
        unknown = " not known" if entry is shown[-1][0] else ""
        edges = list(zip(low * narrow, high / narrow, strict=True))
        style.draw_bars(ax, edges, entry.times, looks, unknown=unknown)
    style.frame_frequencies(ax, low[0], high[-1])
    style.frame_values(ax, limits=(0.0, top), title="Decay time for 60 dB in s")
    key = [Patch(label=text, **look) for _, look, text in shown]
    if any(entry.governed_by_filter[np.isfinite(entry.times)].any() for entry, *_ in shown):
        key.append(Patch(label="the band filter rings", **_FILTER))
    ax.legend(handles=key, loc="upper left", bbox_to_anchor=(1.02, 1.0), frameon=False)
    return style.titled(ax, "How long it rings")


_BEFORE = style.filling("ink", "////")
_PREDICTED = style.filling("blue", ground="blue")
_FILTER = style.filling("quiet", "xxxx", ground="hair")


@house_style
def plot_decay_lines(
    before: DecayLines, *, predicted: DecayLines | None = None, ax: Axes | None = None
) -> Axes:
    """Plot the level over time in every third octave, one lane of 40 dB each.

    The ground of a lane is 40 dB below the strongest moment, of each line its own. The bar on it is
    as long as the band filter by itself takes to fall by 30 dB: nothing can be seen to fall faster.

    Parameters
    ----------
    before : DecayLines
    predicted : DecayLines, optional
        In the same bands.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If the bands differ.
    ImportError
        If matplotlib is not installed.
    """
    if predicted is not None and predicted.bands != before.bands:
        raise ValueError("before and predicted must be in the same bands")
    ax = style.started(ax, height=0.5 * len(before.bands))
    places = -1.2 * _LANE_DB * np.arange(len(before.bands))
    for index, (place, band) in enumerate(zip(places, before.bands, strict=True)):
        ax.axhline(place, color=COLOURS["hair"], linewidth=0.7, zorder=0)
        level = place + np.maximum(before.level_db[index] + _LANE_DB, 0.0)
        ground = ax.fill_between(before.times, place, level, zorder=1)
        ground.set(facecolor=COLOURS["wash"], edgecolor="none")
        ax.plot(before.times, level, gid=f"before {band.label} Hz", **stroke("ink", "", 1.0))
        if predicted is not None:
            level = place + np.maximum(predicted.level_db[index] + _LANE_DB, 0.0)
            look = stroke("blue", "4 1.2", 1.8)
            ax.plot(predicted.times, level, gid=f"predicted {band.label} Hz", **look)
        look = stroke("ink", "", 3.0) | {"solid_capstyle": "butt"}
        ax.plot([0.0, before.own_times[index]], [place, place], gid="filter", **look)
    style.frame_across(ax, 0.0, float(before.times[-1]), title="Time in s")
    ax.grid(True, axis="x", color=COLOURS["hair"], linewidth=0.7)
    ax.set_ylim(places[-1] - 2.0, _LANE_DB + 2.0)
    names = [f"{band.label} Hz" for band in before.bands]
    style.frame_rows(ax, names=names, title="Band", places=places)
    labels.scale_bar(ax, float(places[-1]), 20.0)
    key = "line: before\n" + ("dashed: predicted,\n" if predicted is not None else "")
    key += "from its own peak\n\nbar: the filter\nalone, 30 dB"
    ax.text(1.03, 1.0, key, va="top", transform=ax.transAxes)
    return style.titled(ax, "How the sound dies away, third octave by third octave")


@house_style
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

    if response.samples.ndim != 1:
        raise ValueError("the response holds several: plot one of them")
    first, last = -1.15 * window.before - 0.02, min(1.35 * window.length, response.end)
    inside = (response.times >= first) & (response.times <= last)
    times, samples = response.times[inside], response.samples[inside]
    rows = samples / np.abs(samples).max(), window_values(times, window=window)
    figure = Figure(figsize=(7.2, 5.9), layout="constrained")
    upper, lower = figure.subplots(2, 1)
    looks = {"response": stroke("ink", "", 0.9), "window": stroke("rust", "4 1.3", 1.6)}
    blocks = np.arange(0, times.size, max(1, round(0.01 * response.sample_rate)))
    for row, (name, look) in zip(rows, looks.items(), strict=True):
        upper.plot(times, 100.0 * row, gid=name, **look)
        largest = np.maximum.reduceat(np.abs(row), blocks)
        level_db = amplitude_ratio_db(np.maximum(largest, 1e-9))
        lower.plot(times[blocks], level_db, gid=name, **look)
    style.frame_values(upper, limits=(-105.0, 105.0), title="Amplitude in percent of the largest")
    style.frame_values(lower, limits=(-80.0, 5.0), title="Level in dB below the largest")
    for ax, title in ((upper, ""), (lower, "Time in s")):
        style.frame_across(ax, first, last, title=title)
        for left, right in ((first, -window.before), (window.length, max(last, window.length))):
            labels.hatch_span(ax, left, right)
    words = f"dashed: window,\nflat to {window.flat:.2f} s,\nends at {window.length:.2f} s"
    upper.text(1.03, 1.0, f"{words}\n\nhatched: cut off", transform=upper.transAxes, va="top")
    style.titled(upper, "Impulse response and window")
    return figure
