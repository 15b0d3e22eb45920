"""Splitting boxes of labels, and counting small ones out.

Conventions
-----------
Nodes as in `roomeq.optimiser.bands.bound`. A split halves the labels of one band: no setting is
lost and none appears twice.

The setting to propose: few and small moves among settings that are as good as the best.

Settings are *equally good* when they keep every limit and their deviation ``sqrt(J)`` lies within a
tolerance of the best found. Among them the rule takes

1. the fewest bands away from where they stand,
2. then the smallest largest boost: ``max(0, max_f E_f)`` over the limit frequencies,
3. then the smallest sum of ``|gain|``,
4. then the lexicographically smallest gains, bands in the order they are given (by centre).

Largest boost and not largest E: where no setting boosts, the largest E is a trace of a skirt at the
end of the axis, a little below 0, and making it smaller still would ask for larger cuts.

The search is exact. Sets of bands that move are disjoint boxes of labels, bounded like any other,
in growing number; in the first number that holds an equally good setting each later criterion
becomes one more limit (no boost above what is known to be possible, and so on), lowered until
nothing is left. Each stage ends when every box is proven empty; when nodes run out, the setting is
a good one but `exact` is False.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import DTypeLike, NDArray

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.bound import Nodes, Relaxation
from roomeq.optimiser.bands.problem import BandGainProblem, LabelArray
from roomeq.optimiser.bands.start import TOLERANCE_DB


class OpenNodes:
    """Nodes still open, lowest bound first; equal bounds in the order they came."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int, Nodes]] = []
        self._counter = itertools.count()

    def __len__(self) -> int:
        return len(self._heap)

    def push(self, nodes: Nodes) -> None:
        """Add nodes, one by one, in single precision: any weights give a true bound."""
        stored = _with_precision(nodes, np.float32)
        for number, bound in enumerate(nodes.bound.tolist()):
            heapq.heappush(self._heap, (bound, next(self._counter), stored.take([number])))

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
    mean = (mix * number).sum(axis=1)
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
        labels = [np.flatnonzero(of_band) for of_band in allowed]
        counts = [of_band.size for of_band in labels]
        places = np.unravel_index(np.arange(math.prod(counts)), counts)
        parts.append(np.stack([own[at] for own, at in zip(labels, places, strict=True)], axis=1))
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


_SAME = 1e-9  # dB; criteria closer than this are equal
_UNLIMITED_DB = 1e3
_MOVE_SCALE = 0.1  # brings a sum of gains to the size of the other limit rows
_ROOT_STEPS, _NODE_STEPS = 40, 6
_BATCH = 64
_SMALL = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """What a setting must fulfil at one stage, beyond the limits and the target."""

    boost_db: float = math.inf
    move_db: float = math.inf


def moved_bands(problem: BandGainProblem, settings: LabelArray) -> NDArray[np.bool_]:
    """Return which bands of settings are away from where they stand, shape (..., B)."""
    away = problem.setting_gains_db(settings) - problem.present_gains_db
    return np.asarray(np.abs(away) > _SAME)


class _TieBreak:
    """The stages of the rule."""

    def __init__(self, problem: BandGainProblem, *, target: float, node_limit: int) -> None:
        self.problem = problem
        self.target = target
        # A label or node is struck only when it is clearly above the target.
        self.threshold = target + 1e-9 * (1.0 + target)
        self.nodes_left = node_limit
        self.exact = True
        # Rows for E at the limit frequencies, and one for the sum of |gain|.
        step = max(1, -(-problem.limits.shape[2] // 80))
        move = _MOVE_SCALE * np.abs(problem.gains)[..., None]
        rows = np.concatenate([problem.limits[..., ::step], move], axis=2)
        self.filter_caps = np.minimum(problem.filter_cap_db[::step], _UNLIMITED_DB)
        self.relaxation = Relaxation(problem, rows=rows, caps=np.zeros(rows.shape[2]))
        self.limit(_Wanted())

    def limit(self, wanted: _Wanted) -> None:
        """Make the rows of the relaxation those of a stage."""
        boost = np.minimum(self.filter_caps, wanted.boost_db)
        move = min(_MOVE_SCALE * wanted.move_db, _UNLIMITED_DB)
        self.relaxation.caps = np.concatenate([boost, [move]])

    def holds(self, settings: LabelArray, wanted: _Wanted) -> NDArray[np.bool_]:
        """Return which settings are equally good and wanted, shape (N,)."""
        problem = self.problem
        good = np.abs(problem.setting_gains_db(settings)).sum(axis=1) <= wanted.move_db
        good[good] = problem.objective(settings[good]) <= self.target
        good[good] = problem.excess(settings[good]) <= TOLERANCE_DB
        good[good] = problem.largest_boost(settings[good]) <= wanted.boost_db
        return np.asarray(good)

    def tightened(self, nodes: Nodes, *, steps: int) -> Nodes:
        """Return the nodes that may still hold an equally good setting, tightened."""
        self.nodes_left -= len(nodes)
        result, _ = self.relaxation.tighten(nodes, threshold=self.threshold, iterations=steps)
        return result.take(result.bound < self.threshold)

    def hunt(
        self,
        nodes: Nodes,
        chosen: LabelArray,
        *,
        beyond: Callable[[LabelArray], _Wanted | None],
        pick: Callable[[LabelArray, LabelArray], LabelArray] | None = None,
    ) -> LabelArray:
        """Search boxes for settings beyond the chosen one until none is left; return the last.

        `beyond` says what is wanted beyond a setting, None to stop; `pick` takes one of those that
        were found, handed the chosen one too, by default the one that the rule prefers.
        """
        pool, fresh, wanted = OpenNodes(), nodes, beyond(chosen)
        while wanted is not None:
            self.limit(wanted)
            if len(fresh):
                settings, fresh = settings_of_small(fresh, largest=_SMALL)
                fresh = self.tightened(fresh, steps=_NODE_STEPS)
                settings = np.concatenate([settings, fresh.rounded()])
                found = settings[self.holds(settings, wanted)]
                if len(found):
                    chosen = self.preferred(found) if pick is None else pick(found, chosen)
                    wanted = beyond(chosen)
                pool.push(fresh)
            if wanted is None or not pool:
                break
            if self.nodes_left <= 0:
                self.exact = False
                break
            fresh = split(self.relaxation, pool.pop(_BATCH))
        return chosen

    def preferred(self, settings: LabelArray) -> LabelArray:
        """Return the setting that the rule prefers."""
        problem = self.problem
        off = moved_bands(problem, settings).sum(axis=1)
        gains = problem.setting_gains_db(settings)
        # Rounding makes sums that differ by rounding errors equal.
        boosts = problem.largest_boost(settings).round(9)
        moves = np.abs(gains).sum(axis=1).round(9)
        order = np.lexsort((*gains.T[::-1], moves, boosts, off))
        return np.asarray(settings[order[0]])


def break_tie(
    problem: BandGainProblem, best: LabelArray, *, tolerance_db: float, node_limit: int
) -> tuple[LabelArray, bool]:
    """Return the setting the rule picks, and whether it is proven to be that one.

    Parameters
    ----------
    problem : BandGainProblem
        The problem.
    best : ndarray, shape (B,)
        The best setting found; feasible.
    tolerance_db : float
        Settings whose deviation lies within this of the best are equally good.
    node_limit : int
        Nodes to be bounded at most.
    """
    deviation = math.sqrt(float(problem.objective(best)))
    target = (deviation + tolerance_db) ** 2 * (1.0 + 1e-12)
    search = _TieBreak(problem, target=target, node_limit=node_limit)
    chosen, boxes = _fewest_bands(search, best)
    chosen = _least_boost(search, boxes, chosen)
    chosen = _least_move(search, boxes, chosen)
    return _first_in_order(search, boxes, chosen), search.exact


def _fewest_bands(search: _TieBreak, best: LabelArray) -> tuple[LabelArray, Nodes]:
    """Return an equally good setting that moves the fewest bands, and the boxes with as many."""
    problem = search.problem
    home = np.abs(problem.gains - problem.present_gains_db[:, None]) <= _SAME
    home &= problem.allowed
    root, _ = search.relaxation.tighten(
        search.relaxation.root(best),
        threshold=search.threshold,
        iterations=_ROOT_STEPS,
    )
    bound, reduced = search.relaxation.reduced_costs(root)
    # What the bound rises by when a band stays where it stands, and when it moves.
    to_stay = np.where(home, reduced[0], np.inf).min(axis=1)
    to_move = np.where(home, np.inf, reduced[0]).min(axis=1)

    def first_found(chosen: LabelArray) -> _Wanted | None:
        return _Wanted() if chosen is best else None

    most = int(moved_bands(problem, best).sum())
    for count in range(most + 1):
        off = _sets_of_bands(len(best), count)
        lifted = bound[0] + np.where(off, to_move, to_stay).sum(axis=1)
        off = off[lifted < search.threshold]
        boxes = restricted(
            root.take(np.zeros(len(off), dtype=np.intp)),
            np.where(off[..., None], ~home, home),
        )
        boxes = search.tightened(boxes, steps=_NODE_STEPS)
        chosen = best if count == most else search.hunt(boxes, best, beyond=first_found)
        if count == most or chosen is not best:
            return chosen, boxes
    raise AssertionError("the best setting itself is equally good")


def _sets_of_bands(bands: int, count: int) -> NDArray[np.bool_]:
    chosen = np.array(list(itertools.combinations(range(bands), count)), dtype=np.intp)
    off = np.zeros((len(chosen), bands), dtype=np.bool_)
    np.put_along_axis(off, chosen, True, axis=1)
    return off


def _least_boost(search: _TieBreak, boxes: Nodes, chosen: LabelArray) -> LabelArray:
    """Return an equally good setting in the boxes whose largest boost is smallest."""

    def beyond(chosen: LabelArray) -> _Wanted | None:
        boost = float(search.problem.largest_boost(chosen))
        return None if boost <= _SAME else _Wanted(boost_db=max(boost - _SAME, 0.0))

    return search.hunt(boxes, chosen, beyond=beyond)


def _least_move(search: _TieBreak, boxes: Nodes, chosen: LabelArray) -> LabelArray:
    """Return a setting with no more boost whose sum of |gain| is smallest."""
    boost = float(search.problem.largest_boost(chosen)) + _SAME

    def beyond(chosen: LabelArray) -> _Wanted:
        move = float(np.abs(search.problem.setting_gains_db(chosen)).sum())
        return _Wanted(boost_db=boost, move_db=move - _SAME)

    return search.hunt(boxes, chosen, beyond=beyond)


def _first_in_order(search: _TieBreak, boxes: Nodes, chosen: LabelArray) -> LabelArray:
    """Return the setting with the smallest gains in order of the bands, all else being equal."""
    problem = search.problem
    equal = _Wanted(
        boost_db=float(problem.largest_boost(chosen)) + _SAME,
        move_db=float(np.abs(problem.setting_gains_db(chosen)).sum()) + _SAME,
    )
    number = np.arange(problem.allowed.shape[1])
    search.limit(equal)
    boxes = search.tightened(boxes, steps=2 * _NODE_STEPS)
    for band in range(len(chosen)):

        def lower(found: LabelArray, chosen: LabelArray, band: int = band) -> LabelArray:
            below = found[found[:, band] < chosen[band]]
            return search.preferred(below) if len(below) else chosen

        mask = problem.allowed.copy()
        for fixed in range(band):
            mask[fixed] &= number == chosen[fixed]
        mask[band] &= number < chosen[band]
        chosen = search.hunt(restricted(boxes, mask), chosen, beyond=lambda _: equal, pick=lower)
    return chosen
