"""Means of sampled curves over many windows at once, at a cost that does not depend on their width.

Conventions
-----------
The last axis is frequency, in Hz, positive and strictly increasing. Between two samples a curve
runs straight over the coordinate of the mean (ln f or f), and a window is cut exactly, also inside
an interval.

Sums over windows are usually differences of one running sum, which loses the digits of everything
below the loudest part: on a slope of 96 dB per octave nothing is left. Here nothing is subtracted.
Samples are added up between neighbouring window edges, and windows are put together from runs of
1, 2, 4 ... such pieces. The cost grows with the samples in reach of the windows (once) and with the
number of windows times its logarithm.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray

Coordinate = Literal["log", "linear"]
Transform = Callable[[FloatArray], FloatArray]
IndexArray = NDArray[np.intp]

_BLOCK = 32768  # samples looked at together: they stay in the processor's cache


def mean_over_windows(
    frequencies: FloatArray,
    values: FloatArray,
    *,
    lower: FloatArray,
    upper: FloatArray,
    over: Coordinate = "log",
    transform: Transform | None = None,
) -> FloatArray:
    """Return means of sampled curves over windows.

    Parameters
    ----------
    frequencies : ndarray, shape (F,)
        Hz, positive and strictly increasing, at least two; not checked again.
    values : ndarray, shape (R, F)
        Curves.
    lower, upper : ndarray, shape (G,)
        Edges of the windows in Hz, ``lower <= upper``; what lies outside the data is cut off. Each
        window must meet the data, if only in a point.
    over : {"log", "linear"}
        Mean over d ln f or over df; the curves run straight between samples on that scale.
    transform : callable, optional
        Applied to `values`, any columns of them, before the mean is taken.

    Returns
    -------
    ndarray, shape (R, G)
        Integral over the window divided by its width.
    """
    data = _Samples(frequencies, values, over=over, transform=transform)
    low = np.maximum(lower, frequencies[0])
    high = np.minimum(upper, frequencies[-1])
    last = frequencies.size - 2
    first = np.clip(np.searchsorted(frequencies, low, side="right") - 1, 0, last)
    final = np.clip(np.searchsorted(frequencies, high, side="right") - 1, 0, last)
    if over == "log":
        low, high = np.log(low), np.log(high)
    total = _ragged_ends(data, low=low, high=high, first=first, final=final)
    inner = final - first > 2
    if inner.any():
        total[:, inner] += _sums(data, begin=first[inner] + 2, end=final[inner])
    inside = first == final  # within one interval the mean is the value at the window's middle
    at_left = data.x(first)
    share = (0.5 * (low + high) - at_left) / (data.x(first + 1) - at_left)
    straight = data.at(first) * (1.0 - share) + data.at(first + 1) * share
    return np.where(inside, straight, total / np.where(inside, 1.0, high - low))


class _Samples:
    """Sampled curves, looked at in small parts so that no long array is made."""

    __slots__ = ("_transform", "axis", "logarithmic", "values")

    def __init__(
        self, axis: FloatArray, values: FloatArray, *, over: Coordinate, transform: Transform | None
    ) -> None:
        self.axis, self.values = axis, values
        self.logarithmic, self._transform = over == "log", transform

    def x(self, where: IndexArray | slice) -> FloatArray:
        part = self.axis[where]
        return np.log(part) if self.logarithmic else part

    def at(self, where: IndexArray | slice) -> FloatArray:
        part = self.values[:, where]
        return part if self._transform is None else self._transform(part)

    def weighted(self, start: int, stop: int) -> FloatArray:
        """Values times the mean width of both intervals beside them."""
        x = self.x(slice(start - 1, stop + 1))
        width = x[2:] - x[:-2]
        width *= 0.5
        return self.at(slice(start, stop)) * width


def _ragged_ends(
    data: _Samples, *, low: FloatArray, high: FloatArray, first: IndexArray, final: IndexArray
) -> FloatArray:
    """Integrate the cut intervals at both ends of the windows, and half of their inner neighbours.

    A window runs from interval `first` to interval `final`. The whole intervals between contribute
    ``sum of h (v_left + v_right) / 2``: the samples from ``first + 2`` to ``final - 1`` with the
    mean of both widths, which the caller adds, and the outermost two with half a width, added here.
    """
    left, right = data.x(first + 1), data.x(final)
    inner_left, inner_right = data.at(first + 1), data.at(final)
    rest, begun = left - low, high - right
    slack = 0.5 * rest / (left - data.x(first))
    total = rest * (inner_left * (1.0 - slack) + data.at(first) * slack)
    slack = 0.5 * begun / (data.x(final + 1) - right)
    total += begun * (inner_right * (1.0 - slack) + data.at(final + 1) * slack)
    between = final - first >= 2
    width = data.x(np.where(between, first + 2, first + 1)) - left
    total += 0.5 * width * inner_left
    width = right - data.x(np.where(between, final - 1, final))
    total += 0.5 * width * inner_right
    return np.asarray(total)


def _sums(data: _Samples, *, begin: IndexArray, end: IndexArray) -> FloatArray:
    """Return weighted values summed from `begin` to before `end`, never subtracting, shape (R, G).

    Stage one adds between neighbouring edges, block by block (pairwise within a piece); stage two
    puts windows together from runs of 1, 2, 4 ... such pieces. Every ``begin < end``.
    """
    block = max(_BLOCK // max(len(data.values), 1), 1)
    starts = np.arange(int(begin.min()), int(end.max()), block)
    cuts = np.sort(np.concatenate((begin, end, starts)))
    cuts = cuts[np.concatenate(([True], cuts[1:] > cuts[:-1]))]
    left, right = np.searchsorted(cuts, begin), np.searchsorted(cuts, end)
    pieces = np.empty((len(data.values), cuts.size - 1))
    bounds = np.append(np.searchsorted(cuts, starts), cuts.size - 1)
    for start, this, following in zip(starts, bounds[:-1], bounds[1:], strict=True):
        part = data.weighted(int(start), int(cuts[following]))
        pieces[:, this:following] = np.add.reduceat(part, cuts[this:following] - start, axis=1)
    count = right - left
    total = np.zeros((len(data.values), begin.size))
    step, longest = 1, int(count.max())
    while True:
        take = np.flatnonzero(count & step)
        total[:, take] += pieces[:, left[take]]
        left[take] += step
        if 2 * step > longest:
            return total
        pieces = pieces[:, :-step] + pieces[:, step:]
        step *= 2
