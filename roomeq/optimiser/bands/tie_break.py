"""The setting to propose: few and small moves among settings that are as good as the best.

Conventions
-----------
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
nothing is left. Each stage ends when every box is proven empty; when nodes or time run out, the
setting is a good one but `exact` is False.
"""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.bound import Nodes, Relaxation
from roomeq.optimiser.bands.branching import OpenNodes, restricted, settings_of_small, split
from roomeq.optimiser.bands.problem import LabelArray
from roomeq.optimiser.bands.stacked import StackedTables
from roomeq.optimiser.bands.start import TOLERANCE_DB, descend

__all__ = ["SettingKey", "break_tie", "setting_keys"]

_SAME = 1e-9  # dB; criteria closer than this are equal
_UNLIMITED_DB = 1e3
_MOVE_SCALE = 0.1  # brings a sum of gains to the size of the other limit rows
_ROOT_STEPS, _NODE_STEPS = 40, 8
_BATCH = 64
_SMALL = 256
_REACH = 3  # labels to either side in the local search for a good example

SettingKey = tuple[int, float, float, tuple[float, ...]]


def setting_keys(tables: StackedTables, settings: LabelArray) -> list[SettingKey]:
    """Return what the rule compares: bands moved, largest boost, sum of |gain|, gains."""
    gains = tables.gains[np.arange(settings.shape[1]), settings]
    off = moved_bands(tables, settings).sum(axis=1)
    boosts = largest_boost(tables, settings)
    moves = np.abs(gains).sum(axis=1)
    # Rounding makes sums that differ by rounding errors equal.
    return [
        (int(count), round(float(boost), 9), round(float(move), 9), tuple(gain.tolist()))
        for count, boost, move, gain in zip(off, boosts, moves, gains, strict=True)
    ]


def moved_bands(tables: StackedTables, settings: LabelArray) -> NDArray[np.bool_]:
    """Return which bands of settings are away from where they stand, shape (..., B)."""
    gains = tables.gains[np.arange(settings.shape[-1]), settings]
    return np.asarray(np.abs(gains - tables.problem.present_gains_db) > _SAME)


def largest_boost(tables: StackedTables, settings: LabelArray) -> FloatArray:
    """Return the largest boost of settings over the limit frequencies, shape (N,), in dB."""
    response = tables.problem.limit_response_db(settings)
    return np.asarray(response.max(axis=1, initial=0.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Wanted:
    """What a setting must fulfil at one stage, beyond the limits of the problem."""

    target: float
    boost_db: float
    move_db: float

    def holds(self, tables: StackedTables, settings: LabelArray) -> NDArray[np.bool_]:
        """Return which settings fulfil it, shape (N,)."""
        gains = tables.gains[np.arange(settings.shape[1]), settings]
        good = np.abs(gains).sum(axis=1) <= self.move_db
        good[good] = tables.objective(settings[good]) <= self.target
        good[good] = tables.excess(settings[good]) <= TOLERANCE_DB
        good[good] = largest_boost(tables, settings[good]) <= self.boost_db
        return np.asarray(good)


class _TieBreak:
    """The stages of the rule; `incumbent` fulfils every stage passed so far."""

    def __init__(
        self,
        tables: StackedTables,
        *,
        target: float,
        node_limit: int,
        deadline: float | None,
    ) -> None:
        self.tables = tables
        self.target = target
        # A label or node is struck only when it is clearly above the target.
        self.threshold = target + 1e-9 * (1.0 + target)
        self.nodes_left = node_limit
        self.deadline = deadline
        self.exact = True
        self._build_rows()

    def _build_rows(self) -> None:
        """Set up rows for E at the limit frequencies and the sum of |gain|."""
        problem, tables = self.tables.problem, self.tables
        number = np.minimum(
            np.arange(tables.allowed.shape[1]), tables.allowed.sum(axis=1)[:, None] - 1
        )
        limit = np.stack(
            [table[taken] for table, taken in zip(problem.limit_tables_db, number, strict=True)]
        )
        step = max(1, -(-limit.shape[2] // 80))
        kept = limit[..., ::step]
        move = _MOVE_SCALE * np.abs(tables.gains)[..., None]
        self.filter_caps = np.minimum(problem.filter_cap_db[::step], _UNLIMITED_DB)
        rows = np.concatenate([kept, move], axis=2)
        caps = np.zeros(rows.shape[2])
        self.relaxation = Relaxation(tables, rows=rows, caps=caps)
        self.limit(_Wanted(target=self.target, boost_db=math.inf, move_db=math.inf))

    def limit(self, wanted: _Wanted) -> None:
        """Make the rows of the relaxation those of a stage."""
        boost = np.minimum(self.filter_caps, wanted.boost_db)
        move = min(_MOVE_SCALE * wanted.move_db, _UNLIMITED_DB)
        self.relaxation.caps = np.concatenate([boost, [move]])

    def _exhausted(self) -> bool:
        late = self.deadline is not None and time.monotonic() >= self.deadline
        return late or self.nodes_left <= 0

    def tightened(self, nodes: Nodes, *, steps: int) -> Nodes:
        """Return the nodes that may still hold an equally good setting, tightened."""
        self.nodes_left -= len(nodes)
        result, _ = self.relaxation.tighten(nodes, threshold=self.threshold, iterations=steps)
        return result.take(result.bound < self.threshold)

    def hunt(
        self,
        nodes: Nodes,
        wanted: _Wanted,
        improve: Callable[[LabelArray], tuple[LabelArray, _Wanted | None]],
    ) -> None:
        """Search boxes for settings that are wanted until none is left.

        `improve` is handed the wanted settings that were found and returns the one to keep and what
        is wanted next (None to stop).
        """
        still: _Wanted | None = wanted
        self.limit(wanted)
        pool = OpenNodes()
        fresh = nodes
        while True:
            if len(fresh):
                settings, fresh = settings_of_small(fresh, largest=_SMALL)
                fresh = self.tightened(fresh, steps=_NODE_STEPS)
                settings = np.concatenate([settings, fresh.rounded()])
                found = settings[wanted.holds(self.tables, settings)]
                if len(found):
                    _, still = improve(found)
                    if still is None:
                        return
                    wanted = still
                    self.limit(wanted)
                pool.push(fresh)
            if not pool:
                return
            if self._exhausted():
                self.exact = False
                return
            fresh = split(self.relaxation, pool.pop(_BATCH))

    def least_key(self, settings: LabelArray) -> LabelArray:
        """Return the setting that the rule prefers."""
        keys = setting_keys(self.tables, settings)
        preferred: LabelArray = settings[min(range(len(keys)), key=keys.__getitem__)]
        return preferred


def break_tie(
    tables: StackedTables,
    best: LabelArray,
    *,
    tolerance_db: float,
    node_limit: int,
    deadline: float | None = None,
) -> tuple[LabelArray, bool]:
    """Return the setting the rule picks, and whether it is proven to be that one.

    Parameters
    ----------
    tables : StackedTables
        The problem.
    best : ndarray, shape (B,)
        The best setting found; feasible.
    tolerance_db : float
        Settings whose deviation lies within this of the best are equally good.
    node_limit : int
        Nodes to be bounded at most.
    deadline : float, optional
        Value of ``time.monotonic()`` at which to stop.
    """
    deviation = math.sqrt(float(tables.objective(best)))
    target = (deviation + tolerance_db) ** 2 * (1.0 + 1e-12)
    search = _TieBreak(tables, target=target, node_limit=node_limit, deadline=deadline)
    chosen, boxes = _fewest_bands(search, best)
    chosen = _locally_improved(search, chosen)
    chosen = _least_boost(search, boxes, chosen)
    chosen = _least_move(search, boxes, chosen)
    return _first_in_order(search, boxes, chosen), search.exact


def _fewest_bands(search: _TieBreak, best: LabelArray) -> tuple[LabelArray, Nodes]:
    """Return an equally good setting that moves the fewest bands, and the boxes with as many."""
    tables = search.tables
    home = np.abs(tables.gains - tables.problem.present_gains_db[:, None]) <= _SAME
    home &= tables.allowed
    root, _ = search.relaxation.tighten(
        search.relaxation.root(best),
        threshold=search.threshold,
        iterations=_ROOT_STEPS,
        patient=True,
    )
    bound, reduced = search.relaxation.reduced_costs(root)
    # What the bound rises by when a band stays where it stands, and when it moves.
    to_stay = np.where(home, reduced[0], np.inf).min(axis=1)
    to_move = np.where(home, np.inf, reduced[0]).min(axis=1)
    wanted = _Wanted(target=search.target, boost_db=math.inf, move_db=math.inf)
    most = int(moved_bands(tables, best).sum())
    for count in range(most + 1):
        off = _sets_of_bands(len(best), count)
        lifted = bound[0] + np.where(off, to_move, to_stay).sum(axis=1)
        off = off[lifted < search.threshold]
        if len(off) == 0:
            continue
        boxes = restricted(
            root.take(np.zeros(len(off), dtype=np.intp)),
            np.where(off[..., None], ~home, home),
        )
        boxes = search.tightened(boxes, steps=_NODE_STEPS)
        found = [best] if count == most else _examples(search, boxes, wanted)
        if not found and len(boxes):
            search.hunt(boxes, wanted, partial(_stop_with, found))
        if found:
            return search.least_key(np.stack(found)), boxes
    raise AssertionError("the best setting itself is equally good")


def _stop_with(found: list[LabelArray], settings: LabelArray) -> tuple[LabelArray, None]:
    found.extend(settings)
    return settings[0], None


def _sets_of_bands(bands: int, count: int) -> NDArray[np.bool_]:
    chosen = list(itertools.combinations(range(bands), count))
    off = np.zeros((len(chosen), bands), dtype=np.bool_)
    for row, combination in enumerate(chosen):
        off[row, list(combination)] = True
    return off


def _examples(search: _TieBreak, boxes: Nodes, wanted: _Wanted) -> list[LabelArray]:
    """Return wanted settings that descent finds inside the most promising boxes."""
    found = []
    rounded = boxes.rounded()
    for number in np.argsort(boxes.bound, kind="stable")[:6]:
        inside = replace(search.tables, allowed=boxes.allowed[number])
        start = rounded[number]
        if search.tables.excess(start) <= TOLERANCE_DB:
            start = descend(inside, start)
        if wanted.holds(search.tables, start[None])[0]:
            found.append(start)
    return found


def _locally_improved(search: _TieBreak, chosen: LabelArray) -> LabelArray:
    """Return a setting that no move of one or two moved bands makes preferable."""
    tables = search.tables
    wanted = _Wanted(target=search.target, boost_db=math.inf, move_db=math.inf)
    moved = np.flatnonzero(moved_bands(tables, chosen))
    steps = np.arange(-_REACH, _REACH + 1)
    pairs = list(itertools.combinations(moved, 2)) or [(b, b) for b in moved]
    for _ in range(100):
        moves = []
        for one, other in pairs:
            grid = np.repeat(chosen[None], steps.size**2, axis=0)
            grid[:, one] += np.repeat(steps, steps.size)
            grid[:, other] += np.tile(steps, steps.size)
            moves.append(grid)
        if not moves:
            return chosen
        settings = np.unique(np.concatenate(moves), axis=0)
        highest = tables.allowed.sum(axis=1)
        settings = settings[((settings >= 0) & (settings < highest)).all(axis=1)]
        settings = settings[wanted.holds(tables, settings)]
        better = search.least_key(np.concatenate([chosen[None], settings]))
        if np.array_equal(better, chosen):
            return chosen
        chosen = better
    return chosen


def _least_boost(search: _TieBreak, boxes: Nodes, chosen: LabelArray) -> LabelArray:
    """Return an equally good setting in the boxes whose largest boost is smallest."""
    held = [chosen]

    def wanted() -> _Wanted | None:
        boost = float(largest_boost(search.tables, held[0][None])[0])
        if boost <= _SAME:
            return None
        return _Wanted(target=search.target, boost_db=max(boost - _SAME, 0.0), move_db=math.inf)

    def improve(settings: LabelArray) -> tuple[LabelArray, _Wanted | None]:
        held[0] = _locally_improved(search, search.least_key(settings))
        return held[0], wanted()

    first = wanted()
    if first is not None:
        search.hunt(boxes, first, improve)
    return held[0]


def _least_move(search: _TieBreak, boxes: Nodes, chosen: LabelArray) -> LabelArray:
    """Return a setting with no more boost whose sum of |gain| is smallest."""
    held = [chosen]
    boost = float(largest_boost(search.tables, chosen[None])[0]) + _SAME

    def wanted() -> _Wanted:
        gains = search.tables.gains[np.arange(len(chosen)), held[0]]
        move = float(np.abs(gains).sum()) - _SAME
        return _Wanted(target=search.target, boost_db=boost, move_db=move)

    def improve(settings: LabelArray) -> tuple[LabelArray, _Wanted | None]:
        held[0] = search.least_key(settings)
        return held[0], wanted()

    search.hunt(boxes, wanted(), improve)
    return held[0]


def _first_in_order(search: _TieBreak, boxes: Nodes, chosen: LabelArray) -> LabelArray:
    """Return the setting with the smallest gains in order of the bands, all else being equal."""
    tables = search.tables
    boost = float(largest_boost(tables, chosen[None])[0]) + _SAME
    gains = tables.gains[np.arange(len(chosen)), chosen]
    wanted = _Wanted(
        target=search.target, boost_db=boost, move_db=float(np.abs(gains).sum()) + _SAME
    )
    held = [chosen]
    number = np.arange(tables.allowed.shape[1])
    search.limit(wanted)
    boxes = search.tightened(boxes, steps=2 * _NODE_STEPS)
    for band in range(len(chosen)):

        def improve(settings: LabelArray, band: int = band) -> tuple[LabelArray, _Wanted | None]:
            lower = settings[settings[:, band] < held[0][band]]
            if len(lower):
                held[0] = search.least_key(lower)
            return held[0], wanted

        mask = tables.allowed.copy()
        for fixed in range(band):
            mask[fixed] &= number == held[0][fixed]
        mask[band] &= number < held[0][band]
        search.hunt(restricted(boxes, mask), wanted, improve)
    return held[0]
