"""The search: the best setting, a proven lower bound, and the setting to propose.

Conventions
-----------
J in dB squared, deviations ``sqrt(J)`` in dB. `best` is the setting with the smallest J found, the
*proposed* setting the one that the tie-break picks within a tolerance of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from roomeq.levels import FloatArray
from roomeq.optimiser.problem import BandGainProblem, LabelArray, LimitSlack
from roomeq.optimiser.start import choose_start

__all__ = ["BandGainSolution", "solve_band_gains"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandGainSolution:
    """What the search found.

    Attributes
    ----------
    labels, gains_db : ndarray, shape (B,)
        The proposed setting, after the tie-break.
    best_labels, best_gains_db : ndarray, shape (B,)
        The setting with the smallest J found.
    proposed_objective, objective : float
        J of the proposed and of the best setting, in dB squared.
    lower_bound : float
        No feasible setting has a smaller J, in dB squared.
    nodes : int
        Nodes of the search whose bound was computed.
    proven : bool
        Whether the gap asked for was reached.
    tie_break_exact : bool
        Whether the tie-break is proven to be the one the rule asks for.
    slack : LimitSlack
        How far the proposed setting stays from the limits.
    """

    labels: LabelArray
    gains_db: FloatArray
    best_labels: LabelArray
    best_gains_db: FloatArray
    proposed_objective: float
    objective: float
    lower_bound: float
    nodes: int
    proven: bool
    tie_break_exact: bool
    slack: LimitSlack

    @property
    def deviation_db(self) -> float:
        """Weighted deviation of the proposed setting, in dB."""
        return math.sqrt(self.proposed_objective)

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

    @property
    def filter_slack_db(self) -> float:
        """Smallest slack of the filter limit at the proposed setting, in dB."""
        return self.slack.filter_slack_db

    @property
    def filter_slack_frequency(self) -> float:
        """Where the filter limit is closest, in Hz."""
        return self.slack.filter_frequency

    @property
    def drive_slack_db(self) -> float:
        """Smallest slack of the drive limit at the proposed setting, in dB."""
        return self.slack.drive_slack_db

    @property
    def drive_slack_frequency(self) -> float:
        """Where the drive limit is closest, in Hz."""
        return self.slack.drive_frequency


def solve_band_gains(
    problem: BandGainProblem,
    *,
    gap_db: float = 0.05,
    tie_break_db: float = 0.1,
    node_limit: int = 200_000,
    time_limit: float | None = None,
    prove: bool = True,
) -> BandGainSolution:
    """Return the start with the trivial bound 0 (the proof follows)."""
    labels = choose_start(problem)
    gains = problem.setting_gains_db(labels)
    objective = float(problem.objective(labels))
    return BandGainSolution(
        labels=labels,
        gains_db=gains,
        best_labels=labels,
        best_gains_db=gains,
        proposed_objective=objective,
        objective=objective,
        lower_bound=0.0,
        nodes=0,
        proven=math.sqrt(objective) <= gap_db,
        tie_break_exact=False,
        slack=problem.slack(labels),
    )
