"""Splitting boxes of labels, and counting small ones out.

Conventions
-----------
Nodes as in `roomeq.optimiser.bands.bound`. A split halves the labels of one band: no setting is
lost and none appears twice.
"""

from __future__ import annotations

import heapq
import itertools
from dataclasses import replace

import numpy as np
from numpy.typing import DTypeLike, NDArray

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.bound import Nodes, Relaxation
from roomeq.optimiser.bands.problem import LabelArray


class OpenNodes:
    """Nodes still open, lowest bound first; equal bounds in the order they came."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int, Nodes]] = []
        self._counter = itertools.count()

    def __len__(self) -> int:
        return len(self._heap)

    def push(self, nodes: Nodes) -> None:
        """Add nodes, one by one, in single precision: any weights give a true bound."""
        for number in range(len(nodes)):
            one = nodes.take([number])
            stored = _with_precision(one, np.float32)
            heapq.heappush(self._heap, (float(one.bound[0]), next(self._counter), stored))

    def pop(self, count: int) -> Nodes:
        """Remove and return the nodes with the lowest bounds."""
        taken = [heapq.heappop(self._heap)[2] for _ in range(min(count, len(self._heap)))]
        return _with_precision(Nodes.joined(taken), np.float64)

    def lowest_bound(self) -> float:
        """Return the lowest bound of an open node, infinite if there is none."""
        return self._heap[0][0] if self._heap else float("inf")


def _with_precision(nodes: Nodes, dtype: DTypeLike) -> Nodes:
    weights, multipliers = nodes.weights.astype(dtype), nodes.multipliers.astype(dtype)
    return replace(nodes, weights=weights, multipliers=multipliers)


def _spread(relaxation: Relaxation, weights: FloatArray) -> FloatArray:
    """Return how far each band's mix is from being one label, shape (N, B).

    The weighted square of the labels' tables about their mix: zero where one label has it all.
    """
    tables = relaxation.problem.fit
    squares = (tables**2).sum(axis=2)
    mixed = weights.transpose(1, 0, 2) @ tables
    return np.asarray((weights * squares).sum(axis=2) - (mixed**2).sum(axis=2).T)


def split(relaxation: Relaxation, nodes: Nodes) -> Nodes:
    """Return two nodes for each node, shape (2 N, ...); every node must allow several settings.

    The band whose mix is furthest from one label is cut at its mean label; weight beyond the cut
    moves to the label next to it.
    """
    number = np.arange(nodes.allowed.shape[2])
    counts = nodes.allowed.sum(axis=2)
    spread = _spread(relaxation, nodes.weights) + 1e-9 * counts
    band = np.where(counts > 1, spread, -1.0).argmax(axis=1)
    each = np.arange(len(nodes))
    labels, mix = nodes.allowed[each, band], nodes.weights[each, band]
    mean = (mix * number).sum(axis=1) / mix.sum(axis=1)
    highest = np.where(labels, number, -1).max(axis=1)
    lowest = np.where(labels, number, len(number)).min(axis=1)
    cut = np.clip(np.floor(mean), lowest, highest - 1)[:, None]
    halves = []
    for side in (labels & (number <= cut), labels & (number > cut)):
        allowed, weights = nodes.allowed.copy(), nodes.weights.copy()
        allowed[each, band] = side
        nearest = np.where(side, np.abs(number - cut), np.inf).argmin(axis=1)
        kept = mix * side
        kept[each, nearest] += mix.sum(axis=1) - kept.sum(axis=1)
        weights[each, band] = kept
        halves.append(replace(nodes, allowed=allowed, weights=weights))
    return Nodes.joined(halves)


def settings_of_small(nodes: Nodes, *, largest: int = 64) -> tuple[LabelArray, Nodes]:
    """Return all settings of nodes with at most `largest` of them, and the other nodes."""
    sizes = nodes.allowed.sum(axis=2).astype(np.float64).prod(axis=1)
    small = sizes <= largest
    bands = nodes.allowed.shape[1]
    parts = [np.zeros((0, bands), dtype=np.int64)]
    for allowed in nodes.allowed[small]:
        grids = np.meshgrid(*(np.flatnonzero(labels) for labels in allowed), indexing="ij")
        parts.append(np.stack([grid.ravel() for grid in grids], axis=1))
    return np.concatenate(parts), nodes.take(~small)


def restricted(nodes: Nodes, allowed: NDArray[np.bool_]) -> Nodes:
    """Return nodes with fewer labels allowed; nodes left without any label in a band go."""
    mask = nodes.allowed & allowed
    kept = np.flatnonzero(np.all(np.any(mask, axis=2), axis=1))
    nodes, mask = nodes.take(kept), mask[kept]
    weights = nodes.weights * mask
    node, band = np.nonzero(weights.sum(axis=2) < 1e-9)
    weights[node, band, mask[node, band].argmax(axis=1)] = 1.0
    weights /= weights.sum(axis=2, keepdims=True)
    return replace(nodes, allowed=mask, weights=weights)
