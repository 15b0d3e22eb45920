"""The search: the best setting, a proven lower bound, and the setting to propose.

Conventions
-----------
J in dB squared, deviations ``sqrt(J)`` in dB. `best` is the setting with the smallest J found, the
*proposed* setting the one that the tie-break picks within a tolerance of it. The search is
deterministic.

How it goes: the start (`roomeq.optimiser.bands.start`), then branch and bound over boxes of labels,
the box with the lowest bound first and many at a time. On random rooms the bound of the root alone
mostly closes a gap of 0.05 dB; tests/benchmarks/bench_band_gains.py prints how often.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roomeq.base.levels import FloatArray, readonly
from roomeq.optimiser.bands.bound import Nodes, Relaxation
from roomeq.optimiser.bands.branching import OpenNodes, break_tie, settings_of_small, split
from roomeq.optimiser.bands.problem import BandGainProblem, LabelArray, nearest_labels
from roomeq.optimiser.bands.start import TOLERANCE_DB, descend, feasible_near, start_setting

_ROOT_STEPS = 60
_NODE_STEPS = 6
_BATCH = 128
TIE_SHARE = 0.02
"""A twentieth would cost 0.03 to 0.06 dB of the average's standard deviation, a tenth 0.1 dB."""
_TIE_NODES = 5_000  # with steps of 0.1 dB one room in twelve asks for ten times as many
_POLISHED = 600  # nodes during which the optimum itself is looked for, whatever gap is allowed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandGainSolution:
    """What the search found.

    Attributes
    ----------
    labels, gains_db : ndarray, shape (B,)
        The proposed setting, after the tie-break.
    best_labels, best_gains_db : ndarray, shape (B,)
        The setting with the smallest J found.
    objective : float
        J of the best setting, in dB squared.
    lower_bound : float
        No feasible setting has a smaller J, in dB squared.
    nodes : int
        Nodes of the search whose bound was computed.
    proven : bool
        Whether the gap asked for was reached.
    tie_break_exact : bool
        Whether the tie-break is proven to be the one the rule asks for.
    """

    labels: LabelArray
    gains_db: FloatArray
    best_labels: LabelArray
    best_gains_db: FloatArray
    objective: float
    lower_bound: float
    nodes: int
    proven: bool
    tie_break_exact: bool

    @property
    def best_deviation_db(self) -> float:
        """Weighted deviation of the best setting found, in dB."""
        return math.sqrt(self.objective)

    @property
    def lower_bound_db(self) -> float:
        """Deviation that no feasible setting falls below, in dB."""
        return math.sqrt(self.lower_bound)

    @property
    def gap_db(self) -> float:
        """What is left between the best deviation and the bound, in dB."""
        return self.best_deviation_db - self.lower_bound_db


class _Search:
    """Branch and bound: the incumbent, what is open, and the least bound of what was closed."""

    def __init__(self, problem: BandGainProblem, start: LabelArray, *, gap_db: float) -> None:
        self.problem = problem
        self.relaxation = Relaxation.of_limits(problem)
        self.gap_db = gap_db
        self.best = start
        self.objective = float(problem.objective(start))
        self.open = OpenNodes()
        self.closed = math.inf
        self.nodes = 0

    def threshold(self, gap_db: float) -> float:
        """Return the J at which a bound leaves no more than a gap."""
        return max(0.0, math.sqrt(self.objective) - gap_db) ** 2

    @property
    def lower_bound(self) -> float:
        """No feasible setting has a smaller J."""
        return max(0.0, min(self.closed, self.open.lowest_bound(), self.objective))

    def run(self, *, node_limit: int) -> None:
        """Search until the gap is closed or the limit is reached; the root is always bounded."""
        root = self.relaxation.root(self.best)
        self._bound(root, steps=_ROOT_STEPS, gap_db=0.0)
        while self.open:
            gap_db = 0.0 if self.nodes < _POLISHED else self.gap_db
            room = (node_limit - self.nodes) // 2
            if room <= 0 or self.open.lowest_bound() >= self.threshold(gap_db):
                return
            parents = self.open.pop(min(_BATCH, room))
            halves = split(self.relaxation, parents)
            self._bound(halves, steps=_NODE_STEPS, gap_db=gap_db)

    def _bound(self, nodes: Nodes, *, steps: int, gap_db: float) -> None:
        """Bound nodes, offer the settings they suggest, and keep open what may hold a better one.

        Settings counted out need no bound: none is worth less than the incumbent afterwards.
        """
        self.nodes += len(nodes)
        settings, nodes = settings_of_small(nodes)
        self._offer(settings)
        tightened, struck = self.relaxation.tighten(
            nodes, threshold=self.threshold(gap_db), iterations=steps
        )
        self.closed = min(self.closed, struck)
        self._offer(tightened.rounded())
        finished = tightened.bound >= self.threshold(gap_db)
        if finished.any():
            self.closed = min(self.closed, float(tightened.bound[finished].min()))
        self.open.push(tightened.take(~finished))

    def _offer(self, settings: LabelArray) -> None:
        """Take the best of some settings, improved by descent, if it beats the incumbent."""
        if len(settings) == 0:
            return
        objective = self.problem.objective(settings)
        better = np.flatnonzero(objective < self.objective)
        better = better[self.problem.excess(settings[better]) <= TOLERANCE_DB]
        if better.size:
            found = settings[better[np.argmin(objective[better])]]
            self.best = descend(self.problem, found)
            self.objective = float(self.problem.objective(self.best))


def solve_band_gains(
    problem: BandGainProblem,
    *,
    gap_db: float = 0.05,
    tie_share: float = TIE_SHARE,
    node_limit: int = 50_000,
    prove: bool = True,
) -> BandGainSolution:
    """Find the best setting of a problem, prove how good it is, and pick the one to propose.

    Parameters
    ----------
    problem : BandGainProblem
        What is to be solved.
    gap_db : float
        The search stops when the best deviation is proven to lie within this of the optimum; 0 asks
        for the optimum itself. A few hundred nodes go beyond it in any case, because they cost less
        than 0.1 s and mostly turn up the optimum.
    tie_share : float
        Settings that give away no more than this share of what the best gains over the present
        gains, in ``sqrt(J)``, are equally good; the tie-break picks among them (see
        `roomeq.optimiser.bands.branching`). 0 proposes the best itself.
    node_limit : int
        Nodes bounded at most in the proof, and again in the tie-break (there 5000 at most). With
        1, only the root.
    prove : bool
        Whether to search beyond the start. Without, the bound is the trivial 0, and the tie-break
        is left out.

    Returns
    -------
    BandGainSolution
        With the gap still open where a limit stopped the search.

    Raises
    ------
    ValueError
        If a tolerance or limit is not usable.
    """
    if not (gap_db >= 0.0 and 0.0 <= tie_share < 1.0 and node_limit >= 1):
        raise ValueError(
            "needs gap_db >= 0, a tie_share from 0 to below 1 and node_limit >= 1, got "
            f"{gap_db!r}, {tie_share!r} and {node_limit!r}"
        )
    search = _Search(problem, start_setting(problem), gap_db=gap_db)
    proposed, exact = search.best, tie_share == 0.0
    if prove:
        search.run(node_limit=node_limit)
        proposed = search.best
        gain_db = math.sqrt(problem.present_objective) - math.sqrt(search.objective)
        if tie_share > 0.0:
            proposed, exact = break_tie(
                problem,
                search.best,
                tolerance_db=tie_share * max(gain_db, 0.0),
                node_limit=min(node_limit, _TIE_NODES),
            )
    lower_bound = search.lower_bound if prove else 0.0
    gap = math.sqrt(search.objective) - math.sqrt(lower_bound)
    return BandGainSolution(
        labels=readonly(proposed, dtype=np.int64),
        gains_db=readonly(problem.setting_gains_db(proposed)),
        best_labels=readonly(search.best, dtype=np.int64),
        best_gains_db=readonly(problem.setting_gains_db(search.best)),
        objective=search.objective,
        lower_bound=lower_bound,
        nodes=search.nodes,
        proven=gap <= gap_db + 1e-9,
        tie_break_exact=exact,
    )


def solve_from(problem: BandGainProblem, gains_db: FloatArray) -> LabelArray:
    """Return gains improved by descent until no move of one or two bands helps, as labels.

    Quick where the problem differs little from one that is solved: another seat left out, another
    limit.

    Parameters
    ----------
    problem : BandGainProblem
    gains_db : ndarray, shape (B,)
        Where to start; the nearest labels are taken.
    """
    return descend(problem, feasible_near(problem, nearest_labels(problem.gains_db, gains_db)))
