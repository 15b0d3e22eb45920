"""Spans of frequencies: what the bands are fitted to, and what is left out of it.

Conventions
-----------
A span is its lowest and its highest frequency in Hz.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray
from roomeq.device.equaliser import FixedBandEqualiser

CLEAR_SHARE_OF_CORNER = 0.7
Span = tuple[float, float]


def fit_span(equaliser: FixedBandEqualiser, *, clear_of: float | None = None) -> Span:
    """Return the lowest and highest frequency that the fit looks at, in Hz.

    From the centre of the lowest band to that of the highest; 0.7 times the corner `clear_of` at
    most, where subwoofer and mains play together.
    """
    lowest, highest = equaliser.bands[0].centre, equaliser.bands[-1].centre
    if clear_of is not None:
        highest = min(highest, CLEAR_SHARE_OF_CORNER * clear_of)
    return lowest * (1.0 - 1e-9), highest * (1.0 + 1e-9)


def merged_spans(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Return spans in order, those that overlap put together."""
    merged: list[Span] = []
    for low, high in sorted(spans):
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return tuple(merged)


def within_spans(spans: tuple[Span, ...], frequencies: FloatArray) -> NDArray[np.bool_]:
    """Return which frequencies lie in one of several spans, ends included, shape (F,)."""
    found = np.zeros(frequencies.shape, dtype=np.bool_)
    for low, high in spans:
        found |= (frequencies >= low) & (frequencies <= high)
    return found
