"""A proven lower bound on J for boxes of labels, many boxes at once.

Conventions
-----------
A *node* allows a set of labels for each band. Arrays over nodes are ``(N, B, K)`` for labels,
``(N, F)`` for frequencies and ``(N, R)`` for limit rows. Bounds are in dB squared.

The bound
---------
For offsets x0, slopes ``g = F'(x0)`` and multipliers ``mu >= 0`` on rows ``A`` with caps c,

    LB = sum_f F_f(x0_f) - g.x0 - mu.c + sum_b min_k (g.D_b[k] + mu.A_b[k]),

because a tangent lies under a convex function, ``mu.(A - c) <= 0`` for every feasible setting, and
what is left separates by band. It holds for *any* x0 and mu; how tight it is depends on both. The
best x0 is the minimiser of J over the convex hull of the tables of a node, so x0 is kept as a mix
of labels (`weights`) and improved by pairwise conditional-gradient steps in all bands at once,
their lengths from a small quadratic programme with the true curvature and a line search. The best
mu belongs to the same minimiser; it is found by the method of multipliers: a *fixed* estimate of mu
while x0 settles, renewed every few steps. Renewing it together with x0 makes both oscillate, and
the search then needs about a hundred times the nodes.

Labels go as well: a label whose reduced cost lifts the bound to the threshold cannot belong to a
setting that is still looked for, so it is struck from the node (only the bound's own inequality is
used, so tables need not rise with the label).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.problem import BandGainProblem, LabelArray

_ROWS_KEPT = 100  # limit rows of a relaxation
_PENALTY = 1.0  # of the method of multipliers, in dB squared per dB squared
_RENEWED = 4  # steps between renewals of the multipliers
_TRIAL_STEPS = np.array([[1.0], [0.5], [0.2], [0.05]])
_SWEEPS = 4  # coordinate sweeps of the quadratic programme for the step
_FEW = 4  # nodes for which that is quicker one by one
_ROUNDING = 1e-11  # share of the terms of the bound that is given away for rounding errors


class _ByNode:
    """Arrays whose first axis is nodes."""

    __slots__ = ()

    def take(self, which: NDArray[np.bool_] | NDArray[np.intp] | list[int]) -> Self:
        """Return some of the nodes."""
        names = self.__dataclass_fields__  # type: ignore[attr-defined]
        return type(self)(**{name: getattr(self, name)[which] for name in names})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nodes(_ByNode):
    """Boxes of labels with what their bound was taken from.

    Attributes
    ----------
    allowed : ndarray of bool, shape (N, B, K)
        Labels that each node allows.
    weights : ndarray, shape (N, B, K)
        The mix of labels at which the tangent is taken.
    multipliers : ndarray, shape (N, R)
        Multipliers of the limit rows, not negative.
    bound : ndarray, shape (N,)
        No feasible setting within a node, struck labels included only as far as the threshold of
        the search went, has a smaller J.
    """

    allowed: NDArray[np.bool_]
    weights: FloatArray
    multipliers: FloatArray
    bound: FloatArray

    def __len__(self) -> int:
        return len(self.bound)

    @staticmethod
    def joined(parts: list[Nodes]) -> Nodes:
        """Return the nodes of all parts in turn."""
        names = Nodes.__dataclass_fields__
        return Nodes(**{n: np.concatenate([getattr(part, n) for part in parts]) for n in names})

    def rounded(self) -> LabelArray:
        """Return the allowed labels nearest to the mean label of each mix, shape (N, B)."""
        number = np.arange(self.allowed.shape[2])
        mean = (self.weights * number).sum(axis=2)
        distance = np.where(self.allowed, np.abs(number - mean[..., None]), np.inf)
        return np.asarray(distance.argmin(axis=2), dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tangent(_ByNode):
    """Bound, reduced costs and what a step needs, at the mixes of some nodes."""

    offset: FloatArray
    slack: FloatArray  # row minus cap
    curvature: FloatArray
    multipliers: FloatArray
    cost: FloatArray  # (N, B, K)
    least: LabelArray  # label of least cost, (N, B)
    reduced: FloatArray  # cost less the least of the band, infinite where not allowed
    bound: FloatArray


class Relaxation:
    """The convex relaxation of a problem, for many nodes at once.

    Parameters
    ----------
    problem : BandGainProblem
        Tables of the problem.
    rows : ndarray, shape (B, K, R)
        Limit rows used in the bound; leaving some out keeps the bound true.
    caps : ndarray, shape (R,)
        Right sides; they may be changed later, which leaves earlier bounds as they were.
    """

    def __init__(self, problem: BandGainProblem, *, rows: FloatArray, caps: FloatArray) -> None:
        self.problem = problem
        self.bands, self.labels, _ = problem.fit.shape
        self.fit = problem.fit.reshape(self.bands * self.labels, -1)
        self.rows = np.ascontiguousarray(rows).reshape(self.bands * self.labels, -1)
        self.caps = np.array(caps, dtype=np.float64)

    @classmethod
    def of_limits(cls, problem: BandGainProblem) -> Relaxation:
        """Return the relaxation with an even selection of the problem's own limit rows."""
        step = max(1, problem.caps.size // _ROWS_KEPT)
        return cls(problem, rows=problem.rows[..., ::step], caps=problem.caps[::step])

    def root(self, labels: LabelArray) -> Nodes:
        """Return the node of all labels, its mix put on one setting."""
        weights = np.zeros((1, self.bands, self.labels))
        weights[0, np.arange(self.bands), labels] = 1.0
        return Nodes(
            allowed=self.problem.allowed[None].copy(),
            weights=weights,
            multipliers=np.zeros((1, self.caps.size)),
            bound=np.full(1, -np.inf),
        )

    def tighten(self, nodes: Nodes, *, threshold: float, iterations: int) -> tuple[Nodes, float]:
        """Raise the bounds of nodes and strike labels that cannot lie below the threshold.

        Parameters
        ----------
        nodes : Nodes
            Nodes to work on; the bounds they bring are kept where they are higher.
        threshold : float
            J from which on settings are of no interest; a node stops when its bound reaches it.
        iterations : int
            Steps at most.

        Returns
        -------
        nodes : Nodes
            In the same order.
        struck : float
            No feasible setting with a struck label has a smaller J (infinite if none was struck).
        """
        if len(nodes) == 0:
            return nodes, np.inf
        allowed, weights = nodes.allowed.copy(), nodes.weights.copy()
        multipliers, bound = nodes.multipliers.copy(), nodes.bound.copy()
        mask, mix, held = nodes.allowed, nodes.weights, nodes.multipliers
        live, fresh = np.arange(len(nodes)), np.full(len(nodes), -np.inf)
        struck = np.inf
        for iteration in range(iterations):
            at = self._tangent(mask, mix, held)
            raised = at.bound > fresh
            fresh = np.maximum(at.bound, fresh)
            multipliers[live[raised]] = at.multipliers[raised]
            settled = np.array_equal(at.multipliers, held)
            if (iteration + 1) % _RENEWED == 0:
                held = at.multipliers
            done = at.bound >= threshold
            lifted = at.bound[:, None, None] + at.reduced
            gone = mask & (lifted >= threshold) & ~done[:, None, None]
            if gone.any():
                struck = min(struck, float(lifted[gone].min()))
                mask = mask & ~gone
                mix, settled = _moved(mix, mask, at.least), False
            allowed[live], weights[live] = mask, mix
            bound[live] = np.maximum(bound[live], fresh)
            if iteration == iterations - 1 or done.all():
                break
            if done.any():
                going = ~done
                live, fresh, at = live[going], fresh[going], at.take(going)
                mask, mix, held = mask[going], mix[going], held[going]
            stepped = self._stepped(mix, at, held)
            if settled and np.array_equal(stepped, mix):
                break  # every further step would be the same
            mix = stepped
        return Nodes(allowed=allowed, weights=weights, multipliers=multipliers, bound=bound), struck

    def reduced_costs(self, nodes: Nodes) -> tuple[FloatArray, FloatArray]:
        """Return bounds, shape (N,), and what each label adds to them, shape (N, B, K).

        The bound of a setting, or of a set of labels for each band, is the bound plus the least of
        its labels' costs in each band; labels that are not allowed cost infinitely much.
        """
        at = self._tangent(nodes.allowed, nodes.weights, nodes.multipliers)
        return at.bound, at.reduced

    def _tangent(self, allowed: NDArray[np.bool_], mix: FloatArray, held: FloatArray) -> _Tangent:
        """Return the bound and the reduced costs at the mixes."""
        flat = mix.reshape(len(mix), -1)
        offset = flat @ self.fit
        slack = flat @ self.rows - self.caps
        value, slope, curvature = self.problem.frequency_loss.expansion(offset)
        multipliers = np.maximum(held + _PENALTY * slack, 0.0)
        cost = (slope @ self.fit.T + multipliers @ self.rows.T).reshape(mix.shape)
        masked = np.where(allowed, cost, np.inf)
        lowest = masked.min(axis=2)
        total, at_mix = value.sum(axis=1), (slope * offset).sum(axis=1)
        limits = multipliers @ self.caps
        size = total + np.abs(at_mix) + np.abs(lowest).sum(axis=1) + np.abs(limits) + 1.0
        return _Tangent(
            offset=offset,
            slack=slack,
            curvature=curvature,
            multipliers=multipliers,
            cost=cost,
            least=masked.argmin(axis=2),
            reduced=masked - lowest[..., None],
            bound=total - limits + lowest.sum(axis=1) - at_mix - _ROUNDING * size,
        )

    def _stepped(self, mix: FloatArray, at: _Tangent, held: FloatArray) -> FloatArray:
        """Return mixes moved in every band from its dearest label in use to its cheapest."""
        dearest = np.where(mix > 1e-12, at.cost, -np.inf).argmax(axis=2)
        node, band = np.arange(len(mix))[:, None], np.arange(self.bands)
        to, off = (node, band, at.least), (node, band, dearest)
        to_row, off_row = (self.labels * band + which for which in (at.least, dearest))
        change = self.fit[to_row] - self.fit[off_row]
        hessian = (change * at.curvature[:, None]) @ change.transpose(0, 2, 1)
        # Rows that are active, or could become so within the step, take part.
        near = np.flatnonzero((held + _PENALTY * (at.slack + 0.5) > 0.0).any(axis=0))
        row_change = self.rows[to_row[..., None], near] - self.rows[off_row[..., None], near]
        active = at.multipliers[:, None, near] > 0.0
        hessian += _PENALTY * ((row_change * active) @ row_change.transpose(0, 2, 1))
        length = _box_minimiser(at.cost[to] - at.cost[off], hessian, mix[off])
        moved, row_moved = length[:, None] @ change, length[:, None] @ row_change
        merit = self.problem.frequency_loss.value(at.offset[:, None] + _TRIAL_STEPS * moved)
        trial = (held + _PENALTY * at.slack)[:, None, near] + _PENALTY * _TRIAL_STEPS * row_moved
        over = np.maximum(trial, 0.0)
        total = merit.sum(axis=2) + (over**2).sum(axis=2) / (2.0 * _PENALTY)
        length *= _TRIAL_STEPS[total.argmin(axis=1), 0, None]
        result = mix.copy()
        result[to] += length
        result[off] -= length
        return np.maximum(result, 0.0)


def _moved(mix: FloatArray, keep: NDArray[np.bool_], to: LabelArray) -> FloatArray:
    """Return mixes with the weight of labels that are not kept moved to one label a band."""
    lost = (mix * ~keep).sum(axis=2)
    result = mix * keep
    node, band = np.arange(len(mix))[:, None], np.arange(mix.shape[1])
    result[node, band, to] += lost
    return np.asarray(result)


def _box_minimiser(gradient: FloatArray, hessian: FloatArray, high: FloatArray) -> FloatArray:
    """Return about the minimisers of quadratics over ``0 <= length <= high``, shape (N, B)."""
    if len(gradient) <= _FEW:
        return np.array(list(map(_box_minimiser_of_one, gradient, hessian, high)))
    # Bands first, so that each pass works on contiguous rows of nodes.
    slope = np.array(gradient.T, order="C")
    columns = np.ascontiguousarray(hessian.transpose(1, 2, 0))
    curvature = np.einsum("bbn->bn", columns) + 1e-9
    length = np.zeros_like(slope)
    top = np.ascontiguousarray(high.T)
    bands = list(zip(slope, columns, curvature, length, top, strict=True))
    for _ in range(_SWEEPS):
        for own_slope, column, own_curvature, own_length, own_top in bands:
            stepped = own_length - own_slope / own_curvature
            stepped = np.minimum(np.maximum(stepped, 0.0), own_top)
            slope += column * (stepped - own_length)
            own_length[:] = stepped
    return np.ascontiguousarray(length.T)


def _box_minimiser_of_one(
    gradient: FloatArray, hessian: FloatArray, high: FloatArray
) -> list[float]:
    """Return the same of one node, shape (B,): for few of them arrays take six times as long."""
    slope, columns, top = gradient.tolist(), hessian.tolist(), high.tolist()
    length = [0.0] * len(slope)
    for _ in range(_SWEEPS):
        for band, column in enumerate(columns):
            stepped = length[band] - slope[band] / (column[band] + 1e-9)
            stepped = min(max(stepped, 0.0), top[band])
            moved = stepped - length[band]
            if moved:
                slope = [own + moved * pull for own, pull in zip(slope, column, strict=True)]
                length[band] = stepped
    return length
