"""Search for the settings of several subwoofers: descent on continuous values, kicks, the grid.

Conventions
-----------
As in `roomeq.optimiser.several.model`. Levenberg and Marquardt's descent (D. W. Marquardt, J. Soc.
Indust. Appl. Math. 11 (1963) 431-441) from several starts, then iterated: a block of the best, one
subwoofer's delay, polarity and level or one equaliser's bands, is moved elsewhere, and the descent
starts again; the best few are rounded and improved on the grid. It stops by evaluations, and draws
the same numbers each time. "Best found"; no bound is claimed.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray
from roomeq.optimiser.several.model import LIMIT_TOLERANCE_DB, Model, State, state_at
from roomeq.optimiser.several.task import IntArray

BoolArray = NDArray[np.bool_]
Starts = Sequence[FloatArray]
_LEAST_FALL, _LEAST_FALL_DB = 1e-7, 1e-9  # of the merit, and of the output given up

_STEPS, _TRIALS = 25, 6
_DAMPING = 1e-2
_LEAST_SHARE = 2e-3  # of the merit, that a step of the descent has to gain
_GRID_SHARE = 0.3  # of the evaluations, kept for the grid
_FINALISTS = 4
_STALE = 20
_COARSE_DELAY = 0.5  # ms
_DRAWN = 24
_REACH, _DELAY_REACH = 3, 10
_FEW_STARTS = 3
_SEED = 1


def find_loudest(model: Model, *, starts: int | None = None, fine: bool = True) -> State:
    """Return the best sum in phase, over delay and polarity, and tell the model how loud it is.

    Levels and bands at rest. Delay and polarity of one source after the other, over half
    milliseconds, until nothing is louder: from all delays at one end, from one at the other, and
    from drawn ones; `starts` of them, or all. The best few go on over all choices, if `fine`.
    """
    rng = np.random.default_rng(_SEED)
    x = np.array([offered[np.abs(offered).argmin()] for offered in model.choices])
    x[model.sign_places] = [source.polarities[0] for source in model.task.sources]
    lines = model.own
    begins = [x]
    for one in (*lines, -1):
        for ends in ((model.low, model.high), (model.high, model.low)):
            begun = x.copy()
            begun[lines] = np.where(lines == one, ends[0][lines], ends[1][lines])
            begins.append(begun)
    for _ in range(2 * len(lines)):
        begun = _redrawn(model, x, rng, lines)
        begun[model.n : -model.n] = x[model.n : -model.n]
        begins.append(model.rounded(begun))
    found = [_louder(model, model.state(start), _COARSE_DELAY) for start in begins[:starts]]
    found.sort(key=lambda state: state.given_up)
    if fine:
        found = [_louder(model, state, 0.0) for state in found[:_FINALISTS]]
    best = min(found, key=lambda state: state.given_up)
    model.loudest_db -= best.given_up
    return model.state(best.x)


def _louder(model: Model, state: State, step: float) -> State:
    """Turn delay and polarity of one source after the other until nothing is louder.

    Of the delays about one is taken for each step; all without one.
    """
    while True:
        before = state.given_up
        for line in model.own:
            level = state.x[model.n + line : model.n + line + 1]
            fed = np.flatnonzero((model.lines == line) & model.invertible)
            delays = model.choices[line]
            if step:
                delays = delays[np.unique(np.round(delays / step), return_index=True)[1]]
            given_up = model.given_up_by(state, line, delays)
            k = int(given_up.argmin())
            if given_up[k] < state.given_up - _LEAST_FALL_DB:
                state = model.state(model.line_moves(state, line, delays, level)[k], state.level)
            for i in fed[fed != line]:
                turned = model.state(model.turned(state.x, i), state.level)
                state = turned if turned.given_up < state.given_up - _LEAST_FALL_DB else state
        if state.given_up >= before - 1e-6:
            return state


def search(
    model: Model, *, evaluations: int, starts: Starts = (), loudest: State | None = None
) -> State:
    """Return the best setting on the grid that was found with so many evaluations, about.

    It keeps every limit: the best sum in phase does, with all bands at 0; `loudest`, where that is
    known. Settings in `starts` are tried as well.
    """
    loudest = loudest or find_loudest(model)
    pool = _pool(model, loudest, starts, until=int((1.0 - _GRID_SHARE) * evaluations))
    # few evaluations may be spent on the way here; what they found still has to be put on the grid
    least = model.evaluations + int(_GRID_SHARE * evaluations)
    return _best_on_grid(model, loudest, pool, max(evaluations, least))


def search_coarsely(model: Model, *, evaluations: int) -> State:
    """Return the best setting between the steps that was found with few evaluations.

    For telling many problems apart: its smooth merit says how good the problem may become.
    """
    loudest = find_loudest(model, starts=_FEW_STARTS, fine=False)
    pool = _pool(model, loudest, (), until=model.evaluations + evaluations)
    return min(pool, key=model.smooth_merit)


def _pool(model: Model, loudest: State, starts: Starts, *, until: int) -> list[State]:
    """Return what descents from several starts, and from blocks moved elsewhere, came to."""
    rng = np.random.default_rng(_SEED)
    pool = [_descended(model, state) for state in _starts(model, loudest, rng)]
    pool += [_descended(model, model.state(start)) for start in starts]
    current, stale = min(pool, key=model.smooth_merit), 0
    while model.evaluations < until and model.free.size:
        if stale >= _STALE:
            current, stale = _descended(model, _drawn(model, loudest, rng)), 0
            pool.append(current)
        trial = _descended(model, _kicked(model, current, rng))
        stale += 1
        if model.smooth_merit(trial) < model.smooth_merit(current) * (1.0 - 1e-6):
            if model.smooth_merit(trial) < model.smooth_merit(current) * 0.999:
                stale = 0
            current = trial
            pool.append(trial)
    return pool


def _best_on_grid(model: Model, loudest: State, pool: list[State], evaluations: int) -> State:
    """Round the best few and improve them on the grid, then what lies near the best of them."""
    rng = np.random.default_rng(_SEED)
    best = model.state(model.rounded(loudest.x))
    taken: list[State] = []
    for state in sorted(pool, key=model.smooth_merit):
        apart = all(np.abs(state.x - other.x).max() > 0.25 for other in taken)
        if len(taken) < _FINALISTS and apart:
            taken.append(state)
            found = improved(model, _on_grid(model, state), until=evaluations, pairs=False)
            best = min(best, found, key=lambda one: one.merit)
    best = improved(model, best, until=evaluations)
    while model.evaluations < evaluations and model.free.size:
        near = _on_grid(model, _descended(model, _kicked(model, best, rng)))
        found = improved(model, near, until=evaluations, pairs=False)
        if found.merit < best.merit:
            best = improved(model, found, until=evaluations)
    return best


def _on_grid(model: Model, state: State) -> State:
    """Round to the steps, then lower bands one step at a time until each equaliser keeps its rows.

    Rounding alone breaks limits that values between the steps just keep, and moves that are judged
    by all seats are slow to mend that: with few evaluations none of the best was ever mended.
    """
    x = model.rounded(state.x)
    for e, places in enumerate(model.gain_places):
        cap_db, offered = model.task.equalisers[e].cap_db, [model.choices[p] for p in places]
        while True:
            now = x[places]
            lower = [
                gains[np.maximum(np.searchsorted(gains, g) - 1, 0)]
                for gains, g in zip(offered, now, strict=True)
            ]
            settings = np.where(np.eye(now.size, dtype=bool), lower, now)
            excess = (model.tables[e].summed(np.vstack([now, settings]))[1] - cap_db).max(axis=-1)
            k = int(excess[1:].argmin())
            if excess[0] <= LIMIT_TOLERANCE_DB or excess[1 + k] >= excess[0]:
                break
            x[places] = settings[k]
    return model.state(x, state.level)


# -- continuous values --------------------------------------------------------------------------


def _descended(model: Model, state: State) -> State:
    """Descend on all free values, polarities as they are."""
    value, damping = model.smooth_merit(state), _DAMPING
    for _ in range(_STEPS if model.free.size else 0):
        gradient, curvature = model.expansion(state)
        before = value
        for _ in range(_TRIALS):
            x = _stepped(model, state.x, gradient, curvature, damping)
            trial = model.state(x, state.level)
            reached = model.smooth_merit(trial)
            if reached < value:
                state, value, damping = trial, reached, max(damping / 5.0, 1e-7)
                break
            damping *= 6.0
        if value > before * (1.0 - _LEAST_SHARE):
            return state
    return state


def _stepped(
    model: Model, x: FloatArray, gradient: FloatArray, curvature: FloatArray, damping: float
) -> FloatArray:
    """Return the damped step, values at an end that they would pass held there."""
    free, out = model.free, x.copy()
    at_end = (x[free] <= model.low[free]) & (gradient > 0.0)
    at_end |= (x[free] >= model.high[free]) & (gradient < 0.0)
    moving = np.flatnonzero(~at_end)
    if moving.size:
        matrix = curvature[moving[:, None], moving]
        scale = matrix.diagonal() + 1e-3 * max(float(matrix.diagonal().max()), 1e-9)
        step = np.linalg.solve(matrix + damping * np.diag(scale), -gradient[moving])
        out[free[moving]] += step
    return np.clip(out, model.low, model.high)


def _starts(model: Model, loudest: State, rng: Generator) -> list[State]:
    """Return what to start from: as it stands, in phase, each polarity turned, drawn ones."""
    found = [model.state(np.clip(model.present(), model.low, model.high)), loudest]
    for i in np.flatnonzero(model.invertible):
        found.append(model.state(model.turned(loudest.x, i)))
    return found + [_drawn(model, loudest, rng) for _ in range(2)]


def _redrawn(model: Model, x: FloatArray, rng: Generator, lines: IntArray) -> FloatArray:
    """Draw delay, level and polarity of some lines anew, levels rather high."""
    n, x = model.n, x.copy()
    for line in lines:
        x[line] = rng.uniform(model.low[line], model.high[line])
        low, high = model.low[n + line], model.high[n + line]
        x[n + line] = max(low, high - abs(rng.normal(0.0, 4.0)))
    turn = model.invertible & (rng.uniform(size=n) < 0.5)
    return model.turned(x, turn & (model.lines[:, None] == lines).any(axis=1))


def _best_of_draws(model: Model, draw: Callable[[], FloatArray]) -> State:
    given = model.judged(np.array([draw() for _ in range(_DRAWN)]))
    return state_at(given, int(model.smooth_merit(given).argmin()))


def _drawn(model: Model, loudest: State, rng: Generator) -> State:
    """Return the best of some settings drawn at random, bands at rest."""
    return _best_of_draws(model, lambda: _redrawn(model, loudest.x, rng, model.own))


def _kicked(model: Model, state: State, rng: Generator) -> State:
    """Move a block elsewhere: lines, the bands of an equaliser, or both; the best of some draws."""
    lines, equalisers = model.own, len(model.task.equalisers)
    kind = rng.integers(4) if equalisers else 0
    x = state.x.copy()
    if kind > 0:
        places = model.gain_places[rng.integers(equalisers)]
        x[places] = 0.0 if kind == 1 else x[places] + rng.normal(0.0, 4.0, len(places))
        x = np.clip(x, model.low, model.high)
    if kind in (2, 3) and rng.uniform() < 0.5:
        return model.state(x, state.level)
    moved = rng.choice(lines, size=min(len(lines), 1 + int(rng.uniform() < 0.3)), replace=False)
    return _best_of_draws(model, lambda: _redrawn(model, x, rng, moved))


# -- the grid -----------------------------------------------------------------------------------


def improved(
    model: Model, state: State, *, until: float, pairs: bool = True, movable: IntArray | None = None
) -> State:
    """Improve a setting on the grid by near moves, until none is better or evaluations are spent.

    Delay with level of a line and single bands, and where these end pairs of bands of one
    equaliser. Only the places `movable` are moved, and no polarity; all by default.
    """
    may, flips = np.zeros(state.x.size, dtype=bool), movable is None
    may[model.free if movable is None else movable] = True
    while model.evaluations < until:
        before = state.merit
        state = _round_of_moves(model, state, may, pairs=False, flips=flips)
        if state.merit < before - _LEAST_FALL:
            continue
        if not pairs:
            return state
        state = _round_of_moves(model, state, may, pairs=True, flips=flips)
        for line in map(int, np.flatnonzero(may[: model.n] & flips)):  # to any delay
            level = state.x[model.n + line : model.n + line + 1]
            moves = model.line_moves(state, line, model.choices[line], level)
            state = _improved_by(model, state, moves)
        if state.merit >= before - _LEAST_FALL:
            return state
    return state


def _round_of_moves(
    model: Model, state: State, may: BoolArray, *, pairs: bool, flips: bool
) -> State:
    for line in model.own:
        moves = model.line_moves(
            state,
            line,
            _near(model, state, line, may, _DELAY_REACH),
            _near(model, state, model.n + line, may, _REACH),
            flips=flips,
        )
        state = _improved_by(model, state, moves)
    for e in range(len(model.task.equalisers)):
        moves = _band_moves(model, state, e, may, pairs=pairs)
        if len(moves):
            state = _improved_by(model, state, moves)
    return state


def _improved_by(model: Model, state: State, moves: FloatArray) -> State:
    """Return the best of the moves if it is better."""
    merits = model.merits(moves, state.level)
    k = int(merits.argmin())
    better = bool(merits[k] < state.merit - _LEAST_FALL)
    return model.state(moves[k], state.level) if better else state


def _near(model: Model, state: State, place: int, may: BoolArray, reach: int) -> FloatArray:
    """Return the choices near what is set at a place, that among them."""
    if not may[place]:
        return np.asarray(state.x[place : place + 1])
    at = int(np.abs(model.choices[place] - state.x[place]).argmin())
    return np.asarray(model.choices[place][max(at - reach, 0) : at + reach + 1])


def _band_moves(model: Model, state: State, e: int, may: BoolArray, *, pairs: bool) -> FloatArray:
    """Return settings that differ in one band of an equaliser, or in two by small steps."""
    found, near = [], dict[int, FloatArray]()
    for place in model.gain_places[e].tolist():
        values = _near(model, state, place, may, 2 if pairs else _REACH)
        near[place] = values[values != state.x[place]]
    for chosen in itertools.combinations(near, 2 if pairs else 1):
        for moved in itertools.product(*(near[place] for place in chosen)):
            x = state.x.copy()
            x[list(chosen)] = moved
            found.append(x)
    return np.array(found)
