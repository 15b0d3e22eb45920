"""A good setting in a few milliseconds: continuous fit, rounding, pair descent.

Conventions
-----------
Positions are labels taken as real numbers: between two labels a table is interpolated linearly.
Everything is deterministic. The result keeps every limit; what is left to the proof is to tell how
far it is from the best.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.bound import Relaxation
from roomeq.optimiser.bands.problem import BandGainProblem, LabelArray

TOLERANCE_DB = 1e-9
"""Limits are held to within this, which is what rounding of sums can do."""

_WINDOW = 6  # labels to either side that a pair move may take
_TRIED = 64  # pair moves evaluated exactly in one round, the most promising first
_ROUNDS = 200
_MIX_STEPS = 8
_CLOSE_DB = 3.0  # slack within which a limit row is looked at when pair moves are ranked


def start_setting(problem: BandGainProblem) -> LabelArray:
    """Return a good feasible setting, shape (B,), without any proof.

    A convex fit in positions, rounded, repaired where it breaks a limit, and improved by moves of
    one or two bands at a time until none helps; the same from the rounded minimiser over mixes of
    labels; the better of the two.
    """
    highest = problem.allowed.sum(axis=1) - 1
    labels = np.clip(np.rint(_fitted_positions(problem)).astype(np.int64), 0, highest)
    visited: set[bytes] = set()
    best = descend(problem, feasible_near(problem, labels), visited=visited)
    relaxation = Relaxation.of_limits(problem)
    mixed, _ = relaxation.tighten(relaxation.root(best), threshold=np.inf, iterations=_MIX_STEPS)
    # Where it meets the way of the first descent it would end where that did.
    other = descend(problem, feasible_near(problem, mixed.rounded()[0]), visited=visited)
    return min((best, other), key=problem.objective)


def _nearest_to_zero(problem: BandGainProblem) -> LabelArray:
    return np.asarray(np.abs(problem.gains).argmin(axis=1), dtype=np.int64)


def _interpolated(
    stacked: FloatArray, lower: LabelArray, part: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the sum over bands at positions and each band's slope per label."""
    bands = np.arange(len(lower))
    upper = np.minimum(lower + 1, stacked.shape[1] - 1)
    low: FloatArray = stacked[bands, lower]
    slope: FloatArray = stacked[bands, upper] - low
    return np.asarray(low.sum(axis=0) + part @ slope), slope


def _box_step(
    gradient: FloatArray, hessian: FloatArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Return a step that lowers the quadratic model inside a box around 0 (clamped Newton)."""
    step = np.zeros_like(gradient)
    free = high > low
    for _ in range(len(gradient)):
        if not free.any():
            break
        fixed = ~free
        right = -(gradient[free] + hessian[np.ix_(free, fixed)] @ step[fixed])
        step[free] = np.linalg.solve(hessian[np.ix_(free, free)], right)
        outside = free & ((step < low) | (step > high))
        if not outside.any():
            break
        step = np.clip(step, low, high)
        free &= ~outside
    return step


def _fitted_positions(
    problem: BandGainProblem, *, iterations: int = 12, penalty: float = 4.0
) -> FloatArray:
    """Return positions that about minimise J, limits kept by a quadratic penalty, shape (B,).

    Newton's method with the curvature of the piecewise quadratic loss, each step held to the
    range of the labels and to eight labels.
    """
    highest = (problem.allowed.sum(axis=1) - 1).astype(np.float64)
    position: FloatArray = _nearest_to_zero(problem).astype(np.float64)
    best, best_merit, step, halvings = position, np.inf, np.zeros_like(position), 0
    for _ in range(iterations):
        lower = np.minimum(np.floor(position), np.maximum(highest - 1, 0)).astype(np.int64)
        part = position - lower
        offset, slope = _interpolated(problem.fit, lower, part)
        value, first, curvature = problem.frequency_loss.expansion(offset)
        row, row_slope = _interpolated(problem.rows, lower, part)
        over = np.maximum(row - problem.caps, 0.0)
        merit = float(value.sum() + 0.5 * penalty * (over @ over))
        if merit >= best_merit:
            step, halvings = 0.5 * step, halvings + 1
            if halvings > 3:
                break
            position = np.clip(best + step, 0.0, highest)
            continue
        gain = best_merit - merit
        best, best_merit, halvings = position, merit, 0
        if gain < 1e-4 * merit:
            break
        broken = over > 0
        active = row_slope[:, broken]
        gradient = slope @ first + penalty * (active @ over[broken])
        hessian = (slope * curvature) @ slope.T + penalty * (active @ active.T)
        hessian[np.diag_indices_from(hessian)] += 1e-9 + 1e-4 * np.trace(hessian) / len(best)
        low, high = np.maximum(-best, -8.0), np.minimum(highest - best, 8.0)
        step = _box_step(gradient, hessian, low, high)
        position = np.clip(best + step, 0.0, highest)
    return best


def feasible_near(problem: BandGainProblem, labels: LabelArray) -> LabelArray:
    """Return a feasible setting reached from `labels` by moving one band at a time.

    Each move takes the label that lowers the excess most, where there is a choice the one that
    costs least. Where that leads nowhere it is the setting nearest to 0, which keeps every limit:
    no cap lies below 0 or below what the locked bands give.
    """
    current = labels.copy()
    band_of, label_of = np.nonzero(problem.allowed)
    excess = float(problem.excess(current))
    each = np.arange(len(current))
    for _ in range(_ROUNDS):
        if excess <= TOLERANCE_DB:
            return current
        row = problem.rows[each, current].sum(axis=0) - problem.caps
        moved = problem.rows[band_of, label_of] - problem.rows[band_of, current[band_of]]
        # Prefer small moves: what one label costs in J is small beside what a limit costs.
        cost = 1e3 * np.maximum((row + moved).max(axis=1), 0.0)
        shift = problem.fit[band_of, label_of] - problem.fit[band_of, current[band_of]]
        offsets = problem.offsets(current) + shift
        best = int(np.argmin(cost + problem.frequency_loss.value(offsets).sum(axis=1)))
        moves = current.copy()
        moves[band_of[best]] = label_of[best]
        found = float(problem.excess(moves))
        if found >= excess - 1e-12:
            break
        current, excess = moves, found
    return _nearest_to_zero(problem)


def descend(
    problem: BandGainProblem, labels: LabelArray, *, visited: set[bytes] | None = None
) -> LabelArray:
    """Improve a feasible setting by moves of one or two bands until none helps.

    Every pair of labels within a window is ranked by the second-order expansion of J; the most
    promising are then evaluated exactly.

    Parameters
    ----------
    problem : BandGainProblem
        Tables of the problem.
    labels : ndarray, shape (B,)
        Feasible setting to start from.
    visited : set of bytes, optional
        Settings of earlier descents: one that comes to any of them stops there. Those of this
        descent are added.

    Returns
    -------
    ndarray, shape (B,)
        A feasible setting.
    """
    current = labels
    objective = float(problem.objective(current))
    seen = set() if visited is None else visited
    for _ in range(_ROUNDS):
        if current.tobytes() in seen:
            break
        seen.add(current.tobytes())
        moves = _ranked_moves(problem, current)
        values = problem.objective(moves)
        better = np.flatnonzero(values < objective - 1e-12)
        better = better[np.argsort(values[better], kind="stable")]
        # Few rankings mislead about the limits, so the first handful nearly always holds one.
        for first in range(0, better.size, 8):
            tested = better[first : first + 8]
            kept = tested[problem.excess(moves[tested]) <= TOLERANCE_DB]
            if kept.size:
                current, objective = moves[kept[0]], float(values[kept[0]])
                break
        else:
            break
    return current


def _ranked_moves(problem: BandGainProblem, current: LabelArray) -> LabelArray:
    """Return the pair moves that the expansion at `current` ranks first, shape (N, B)."""
    bands, labels = problem.allowed.shape
    near = np.abs(np.arange(labels) - current[:, None]) <= _WINDOW
    band_of, label_of = np.nonzero(near & problem.allowed)
    offset = problem.offsets(current)
    _, first, curvature = problem.frequency_loss.expansion(offset)
    change = problem.fit[band_of, label_of] - problem.fit[band_of, current[band_of]]
    cross = (change * curvature) @ change.T
    alone = change @ first + 0.5 * np.diagonal(cross)
    predicted = alone[:, None] + alone + cross
    # The unmoved label of a band makes a pair a single move; two labels of one band are no pair.
    predicted[band_of[:, None] >= band_of] = np.inf
    if bands == 1:
        order = np.argsort(alone, kind="stable")
        return label_of[order][:, None].astype(np.int64)
    flat = predicted.ravel()
    promising = np.flatnonzero(flat < 0.0)
    kept = _keeps_close_rows(problem, current, (band_of, label_of), promising)
    promising = promising[kept]
    if promising.size > _TRIED:
        part = np.argpartition(flat[promising], _TRIED)[:_TRIED]
        promising = promising[np.sort(part)]
    one, other = np.divmod(promising, band_of.size)
    moves = np.repeat(current[None], promising.size, axis=0)
    each = np.arange(promising.size)
    moves[each, band_of[one]] = label_of[one]
    moves[each, band_of[other]] = label_of[other]
    return moves


def _keeps_close_rows(
    problem: BandGainProblem,
    current: LabelArray,
    moves: tuple[LabelArray, LabelArray],
    pairs: LabelArray,
) -> NDArray[np.bool_]:
    """Return which pairs of moves (flat numbers) keep the limit rows closest to their caps."""
    band_of, label_of = moves
    row = problem.rows[np.arange(len(current)), current].sum(axis=0)
    slack = problem.caps - row + TOLERANCE_DB
    close = np.flatnonzero(slack < _CLOSE_DB)
    change = problem.rows[band_of[:, None], label_of[:, None], close]
    change -= problem.rows[band_of[:, None], current[band_of][:, None], close]
    one, other = np.divmod(pairs, band_of.size)
    return np.asarray((change[one] + change[other] <= slack[close]).all(axis=1))
