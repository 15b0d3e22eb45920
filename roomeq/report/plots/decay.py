"""Plot of decay times: how long it rings, band by band.

Conventions
-----------
Decay times in s for 60 dB, as `roomeq.analysis.sweeps.decay` gives them. Where the band filter's
own ringing governs, the bar is grey and crossed out; what was not measured is said, never drawn as
0.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from roomeq.analysis.sweeps.decay import Decay
from roomeq.base.levels import FloatArray
from roomeq.report.plots.style import (
    COLOURS,
    frame_frequencies,
    frame_values,
    house_style,
    log_bar,
    nice_step,
    started,
    titled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_decay"]


@house_style()
def plot_decay(before: Decay, *, predicted: Decay | None = None, ax: Axes | None = None) -> Axes:
    """Plot decay times by band, before and as predicted.

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
    shown = [(before, _BEFORE, "measured")]
    if predicted is not None:
        if before.frequencies.shape != predicted.frequencies.shape or not (
            np.allclose(before.frequencies, predicted.frequencies)
            and np.allclose(before.bandwidths, predicted.bandwidths)
        ):
            raise ValueError("before and predicted must be in the same bands")
        shown = [(before, _BEFORE, "before"), (predicted, _PREDICTED, "predicted")]
    ax, own = started(ax)
    lower, upper = _edges(before)
    known = np.concatenate([entry.times for entry, *_ in shown])
    top = 1.15 * float(np.nanmax(known)) if np.isfinite(known).any() else 1.0
    for index, (low, high) in enumerate(zip(lower.tolist(), upper.tolist(), strict=True)):
        middle, narrow = float(np.sqrt(low * high)), (high / low) ** 0.04
        parts = [(low, high)]
        if predicted is not None:
            parts = [(low, middle * narrow), (middle / narrow, high)]
        for (entry, look, _), part in zip(shown, parts, strict=True):
            _bar(ax, entry, index, *part, look)
    frame_frequencies(ax, lowest=float(lower[0]), highest=float(upper[-1]))
    title, step = "Decay time for 60 dB in s", nice_step(top)
    frame_values(ax, own=own, limits=(0.0, top), title=title, step=step)
    key = [(text, look) for _, look, text in shown]
    if any(entry.governed_by_filter[np.isfinite(entry.times)].any() for entry, *_ in shown):
        key.append(("the band filter rings", _FILTER))
    _write_key(ax, key)
    titled(ax, "How long it rings")
    return ax


def _edges(decay: Decay) -> tuple[FloatArray, FloatArray]:
    """Return band edges whose product is the centre squared and whose difference the width."""
    half = decay.bandwidths / 2.0
    root = np.sqrt(half**2 + decay.frequencies**2)
    return np.asarray(root - half), np.asarray(root + half)


_BEFORE: dict[str, Any] = {"facecolor": "white", "edgecolor": COLOURS["ink"], "hatch": "////"}
_PREDICTED = {**_BEFORE, "facecolor": COLOURS["blue"], "edgecolor": COLOURS["blue"], "hatch": ""}
_FILTER = {"facecolor": COLOURS["hair"], "edgecolor": COLOURS["quiet"], "hatch": "xxxx"}


def _bar(ax: Axes, decay: Decay, index: int, low: float, high: float, look: dict[str, Any]) -> None:
    time = float(decay.times[index])
    if not np.isfinite(time):
        place = float(np.sqrt(low * high))
        ax.text(place, 0.0, " not known", rotation=90, ha="center", va="bottom", fontsize=7.5)
        return
    look = _FILTER if decay.governed_by_filter[index] else look
    log_bar(ax, lower=low, upper=high, height=time, look=look)


def _write_key(ax: Axes, entries: list[tuple[str, dict[str, Any]]]) -> None:
    """Write what the bars mean, each beside a patch of its look."""
    from matplotlib.patches import Rectangle

    for number, (text, look) in enumerate(entries):
        top = 0.98 - 0.085 * number
        patch = Rectangle((1.035, top - 0.05), 0.035, 0.05, transform=ax.transAxes, clip_on=False)
        patch.set(linewidth=0.8, **look)
        ax.add_patch(patch)
        ax.text(1.085, top - 0.025, text, transform=ax.transAxes, va="center")
