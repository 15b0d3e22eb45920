"""The fewest moves among settings that are nearly as good as the best.

Conventions
-----------
As in `roomeq.optimiser.several.model`. A move is a delay, level, polarity or gain that is not what
is set now; equalisers that are set alike count once.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.optimiser.several.model import LIMIT_TOLERANCE_DB, Model, Setting, State
from roomeq.optimiser.several.search import improved

TIE_SHARE = 0.02
"""Of what the best gains in deviation, may be lost to fewer moves."""
_ROUNDS = 4
_SAME = 1e-6


def tie_loss(best: State, before: State) -> float:
    """Return the loss up to which a setting is tied with the best."""
    deviation = math.sqrt(best.loss)
    return (deviation + TIE_SHARE * max(math.sqrt(before.loss) - deviation, 0.0)) ** 2


def with_few_moves(model: Model, best: State, before: State, *, limit: float) -> State:
    """Return a setting of no more loss than the limit that moves little.

    Each time the cheapest move is put back; between the rounds what is still moved is improved.
    """
    state = _shifted(model, best, before)
    for _ in range(_ROUNDS):
        fewer = _put_back(model, state, before, limit)
        if fewer is state:
            break
        moved = model.free[np.abs(fewer.x - before.x)[model.free] > _SAME]
        set_to = [tuple(fewer.x[at]) for at in model.gain_places]
        for one, at in zip(set_to, model.gain_places, strict=True):
            moved = np.setdiff1d(moved, at) if set_to.count(one) > 1 else moved
        state = improved(model, fewer, until=math.inf, pairs=False, movable=moved)
    return state


def count_moves(model: Model, x: FloatArray, signs: FloatArray, before: State) -> int:
    """Return how many things are not as they are set now."""
    n = model.n
    own = np.unique(model.lines)
    moved = np.abs(x - before.x) > _SAME
    bands = {(*x[at], *before.x[at]): int(moved[at].sum()) for at in model.gain_places}
    turned = int(np.sum(signs != before.signs))
    return turned + int(moved[own].sum() + moved[n + own].sum()) + sum(bands.values())


def _shifted(model: Model, state: State, before: State) -> State:
    """Delay, turn or raise all alike where that leaves more as it stands: the loss is the same."""
    n, own = model.n, np.unique(model.lines)
    best, fewest = state, count_moves(model, state.x, state.signs, before)
    turns = (1.0, -1.0) if model.invertible.all() else (1.0,)
    delays, levels = (
        sorted({0.0, *(before.x[at] - state.x[at]).tolist()}, key=abs) for at in (own, n + own)
    )
    for turn, delay, level in itertools.product(turns, delays, levels):
        x, signs = state.x.copy(), turn * state.signs
        x[own] += delay
        x[n + own] += level
        if count_moves(model, x, signs, before) >= fewest:
            continue
        on_grid = model.rounded(x)
        trial = model.state(on_grid, signs, state.level)
        if np.abs(on_grid - x).max() < _SAME and trial.excess <= LIMIT_TOLERANCE_DB:
            best, fewest = trial, count_moves(model, on_grid, signs, before)
    return best


def _put_back(model: Model, state: State, before: State, limit: float) -> State:
    """Put things back to where they stand, the cheapest first, as long as the loss is tied."""
    while True:
        now = count_moves(model, state.x, state.signs, before)
        tied = []
        for x, signs in _fewer(model, state, before):
            saved = now - count_moves(model, x, signs, before)
            if saved > 0:
                trial = model.state(x, signs, state.level)
                if trial.merit <= limit:
                    tied.append((max(trial.loss - state.loss, 0.0) / saved, trial))
        if not tied:
            return state
        state = min(tied, key=lambda pair: pair[0])[1]


def _fewer(model: Model, state: State, before: State) -> Iterator[Setting]:
    """Yield settings with one thing, or one block, put back or set as in another equaliser."""
    standing, n = model.rounded(before.x), model.n
    lines = [np.array([line, n + line]) for line in np.unique(model.lines)]
    for places in [*model.free[:, None], *lines, *model.gain_places]:
        x = state.x.copy()
        x[places] = standing[places]
        yield x, state.signs
    for places, others in itertools.permutations(model.gain_places, 2):
        if len(places) == len(others):
            x = state.x.copy()
            x[places] = x[others]
            if np.abs(model.rounded(x) - x).max() < _SAME:
                yield x, state.signs
    for i in np.flatnonzero(model.invertible & (state.signs != before.signs)):
        signs = state.signs.copy()
        signs[i] = before.signs[i]
        yield state.x, signs
    yield standing, np.where(model.invertible, before.signs, state.signs)
