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
    both = [before] if predicted is None else [before, predicted]
    if predicted is not None and not (
        before.frequencies.shape == predicted.frequencies.shape
        and np.allclose(before.frequencies, predicted.frequencies)
        and np.allclose(before.bandwidths, predicted.bandwidths)
    ):
        raise ValueError("before and predicted must be in the same bands")
    ax, own = started(ax)
    lower, upper = _edges(before)
    known = np.concatenate([entry.times for entry in both])
    top = 1.15 * float(np.nanmax(known)) if np.isfinite(known).any() else 1.0
    for index in range(before.frequencies.size):
        middle = float(np.sqrt(lower[index] * upper[index]))
        parts = [(lower[index], upper[index])]
        if predicted is not None:
            narrow = (upper[index] / lower[index]) ** 0.04
            parts = [(lower[index], middle * narrow), (middle / narrow, upper[index])]
        for number, (entry, (low, high)) in enumerate(zip(both, parts, strict=True)):
            _bar(ax, entry, index, float(low), float(high), predicted=number == 1)
    frame_frequencies(ax, lowest=float(lower[0]), highest=float(upper[-1]))
    title, step = "Decay time for 60 dB in s", nice_step(top)
    frame_values(ax, own=own, limits=(0.0, top), title=title, step=step)
    _key(ax, both)
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


def _bar(ax: Axes, decay: Decay, index: int, low: float, high: float, *, predicted: bool) -> None:
    time = float(decay.times[index])
    if not np.isfinite(time):
        place = float(np.sqrt(low * high))
        ax.text(place, 0.0, " not known", rotation=90, ha="center", va="bottom", fontsize=7.5)
        return
    look = _PREDICTED if predicted else _BEFORE
    if decay.governed_by_filter[index]:
        look = _FILTER
    log_bar(ax, lower=low, upper=high, height=time, look=look)


def _key(ax: Axes, both: list[Decay]) -> None:
    """Write what the bars mean, each beside a patch of its look."""
    from matplotlib.patches import Rectangle

    entries = [("before" if len(both) > 1 else "measured", _BEFORE)]
    entries += [("predicted", _PREDICTED)] if len(both) > 1 else []
    if any(entry.governed_by_filter[np.isfinite(entry.times)].any() for entry in both):
        entries.append(("the band filter rings", _FILTER))
    for number, (text, look) in enumerate(entries):
        top = 0.98 - 0.085 * number
        patch = Rectangle((1.035, top - 0.05), 0.035, 0.05, transform=ax.transAxes, clip_on=False)
        patch.set(linewidth=0.8, **look)
        ax.add_patch(patch)
        ax.text(1.085, top - 0.025, text, transform=ax.transAxes, va="center")
