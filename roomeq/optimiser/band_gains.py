"""Propose band gains: the problem built from a survey, solved, judged and explained.

Conventions
-----------
Gains are absolute settings in dB, one for each band of the equaliser; frequencies in Hz.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.levels import FloatArray, readonly
from roomeq.optimiser.band_gain_fit import (
    BandGainFit,
    ChosenGains,
    LeftOutSeat,
    chosen_labels,
    judge_improvement,
)
from roomeq.optimiser.deviations import (
    centred_error_db,
    fitted_deviation_db,
    seat_deviations_db,
)
from roomeq.optimiser.fit_data import CLEAR_SHARE_OF_CORNER, FitData, prepare_fit
from roomeq.optimiser.limits import (
    BandFreedom,
    Limits,
    allowed_gains_db,
    band_freedoms,
    limit_axis,
)
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.problem import BandGainProblem, LabelArray
from roomeq.optimiser.reasons import cancelled_bands, explain_bands, explained_choice
from roomeq.optimiser.search import BandGainSolution, solve_band_gains
from roomeq.optimiser.target import Target
from roomeq.survey import Source, Survey

__all__ = ["BandGainTask", "fit_band_gains"]

LIMIT_TOLERANCE_DB = 0.005
_REFINEMENTS = 4
_POINTS_BETWEEN_ROWS = 33


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandGainTask:
    """Everything that a problem is built from.

    Attributes
    ----------
    data : FitData
    equaliser : FixedBandEqualiser
    limits : Limits
    loss : Loss
    floor : float
        Hz below which nothing is boosted.
    freedoms : tuple of BandFreedom
        How far each band may move.
    present_gains_db : ndarray, shape (B,)
    loudness_change_db : float
        Wanted change of loudness in dB.
    clear_of : float or None
        Hz above which nothing is fitted, to keep clear of the crossover.
    """

    data: FitData
    equaliser: FixedBandEqualiser
    limits: Limits
    loss: Loss
    floor: float
    freedoms: tuple[BandFreedom, ...]
    present_gains_db: FloatArray
    loudness_change_db: float = 0.0
    clear_of: float | None = None

    def problem(self, further_rows: ArrayLike = ()) -> BandGainProblem:
        """Tabulate exact filter responses and limits for the search.

        Parameters
        ----------
        further_rows : array_like
            Further frequencies in Hz at which the limits are held.
        """
        data, equaliser = self.data, self.equaliser
        rows = np.union1d(
            limit_axis(equaliser, floor=self.floor), np.asarray(further_rows, dtype=np.float64)
        )
        allowed = allowed_gains_db(
            equaliser, freedoms=self.freedoms, present_gains_db=self.present_gains_db
        )
        return BandGainProblem(
            error_db=data.error_db,
            seat_weights=data.seat_weights,
            frequency_weights=data.frequency_weights,
            trust=data.trust,
            gains_db=allowed,
            tables_db=tuple(
                data.table_db(equaliser, index, gains) for index, gains in enumerate(allowed)
            ),
            limit_frequencies=rows,
            limit_tables_db=tuple(
                equaliser.band_table_db(index, rows, gains_db=gains)
                for index, gains in enumerate(allowed)
            ),
            filter_cap_db=self.limits.cap_db(rows, floor=self.floor),
            drive_boost_db=self.limits.drive_db(rows),
            level_change_db=self.loudness_change_db,
            loss=self.loss,
        )

    def solve(
        self, *, prove: bool, node_limit: int | None
    ) -> tuple[BandGainProblem, BandGainSolution]:
        """Solve; where a peak between the rows breaks a limit, hold the limit there and repeat."""
        further: list[float] = []
        options = {} if node_limit is None else {"node_limit": node_limit}
        for attempt in itertools.count():
            problem = self.problem(further)
            solution = solve_band_gains(problem, prove=prove, **options)
            broken = self._peaks_over_limit(problem, solution)
            if not broken or attempt == _REFINEMENTS:
                break
            further += broken
        return problem, solution

    def _peaks_over_limit(
        self, problem: BandGainProblem, solution: BandGainSolution
    ) -> list[float]:
        """Return frequencies between the rows at which a found setting breaks a limit, in Hz."""
        rows = problem.limit_frequencies
        broken = []
        for labels in (solution.labels, solution.best_labels):
            gains = problem.setting_gains_db(labels)
            mean_db, rise_db = float(problem.mean_response_db(labels)), problem.level_change_db
            on_rows = problem.limit_response_db(labels)
            tops = _tops(on_rows) | _tops(on_rows - self.limits.drive_db(rows))
            for top in np.flatnonzero(tops) + 1:
                between = np.geomspace(rows[top - 1], rows[top + 1], _POINTS_BETWEEN_ROWS)
                response = self.equaliser.response_db(gains, between)
                drive_cap_db = self.limits.drive_db(between) - max(0.0, rise_db) + mean_db
                cap = np.minimum(self.limits.cap_db(between, floor=self.floor), drive_cap_db)
                worst = int(np.argmax(response - cap))
                if response[worst] > cap[worst] + LIMIT_TOLERANCE_DB:
                    broken.append(float(between[worst]))
        return broken


def fit_band_gains(
    survey: Survey,
    *,
    equaliser: FixedBandEqualiser,
    target: Target | None = None,
    limits: Limits | None = None,
    present_gains_db: ArrayLike | None = None,
    corner: float | None = None,
    clear_of_corner: bool = False,
    source: Source = "sub",
    loss: Loss | None = None,
    repeatability_db: float | None = None,
    prove: bool = True,
    node_limit: int | None = None,
    chosen: ChosenGains | None = None,
    leave_out: bool = True,
) -> BandGainFit:
    """Choose band gains that bring every seat nearer to the target within the limits.

    Parameters
    ----------
    survey : Survey
        What was measured.
    equaliser : FixedBandEqualiser
        What the device offers.
    target : Target, optional
        Flat by default.
    limits : Limits, optional
    present_gains_db : array_like, shape (B,), optional
        Gains that were set while measuring; all 0 by default.
    corner : float, optional
        Crossover corner in Hz; by default that of the lowest low-pass in the target's path.
    clear_of_corner : bool
        Fit only below 0.7 times the corner: where it is no more than an estimate, or the filter is
        not known. With ``source="both"`` that is always so.
    source : {"sub", "both", "mains"}
        Which measurements to use.
    loss : Loss, optional
    repeatability_db : float, optional
        Standard deviation of a repeated measurement: smaller improvements are not proposed.
    prove : bool
        Search until the gap to the proven bound is at most 0.05 dB, or the node limit.
    node_limit : int, optional
        Most nodes of the search.
    chosen : ChosenGains, optional
        Gains that were chosen otherwise: they are judged and explained in place of the best ones,
        which then only give the bound.
    leave_out : bool
        Choose gains without each seat in turn as well, and judge them there.

    Returns
    -------
    BandGainFit

    Raises
    ------
    ValueError
        If the source was not measured, nothing can be fitted, a gain is off the device's grid, or
        chosen gains are not allowed.
    InfeasibleSettingsError
        If locked bands break a limit on their own.
    """
    target = target or Target()
    limits = limits or Limits()
    present = equaliser.checked_gains_db(
        np.zeros(len(equaliser.bands)) if present_gains_db is None else present_gains_db
    )
    if corner is None:
        corner = min((f.corner for f in target.path if f.kind == "low_pass"), default=None)
    clear_of_corner = clear_of_corner or source == "both"
    data = prepare_fit(
        survey,
        equaliser=equaliser,
        target=target,
        present_gains_db=present,
        corner=corner,
        source=source,
        clear_of_corner=clear_of_corner,
    )
    floor = limits.floor(target.lower_limit)
    wanted_db = _wanted_loudness_change_db(data, target)
    if chosen is not None:
        wanted_db = chosen.loudness_change_db(data, equaliser=equaliser)
    task = BandGainTask(
        data=data,
        equaliser=equaliser,
        limits=limits,
        loss=loss or Loss(),
        floor=floor,
        freedoms=band_freedoms(
            equaliser,
            limits=limits,
            floor=floor,
            corner=corner,
            seen=data.frequencies[data.frequency_weights > 0],
        ),
        present_gains_db=present,
        loudness_change_db=wanted_db
        if chosen is not None
        else min(wanted_db, _lowest_drive_db(limits, equaliser, floor)),
        clear_of=CLEAR_SHARE_OF_CORNER * corner if corner and clear_of_corner else None,
    )
    problem, solution = task.solve(prove=prove, node_limit=node_limit)
    fit = _judged(
        task,
        problem,
        solution,
        wanted_db=wanted_db,
        repeatability_db=repeatability_db,
        chosen=chosen,
    )
    return replace(fit, left_out=_leave_each_seat_out(task)) if leave_out else fit


def _tops(values: FloatArray) -> NDArray[np.bool_]:
    """Return which of the inner values are no lower than both neighbours."""
    return np.asarray((values[1:-1] >= values[:-2]) & (values[1:-1] >= values[2:]))


def _lowest_drive_db(limits: Limits, equaliser: FixedBandEqualiser, floor: float) -> float:
    """Return what the drive may rise everywhere: all that a change of loudness may take, in dB."""
    return float(limits.drive_db(limit_axis(equaliser, floor=floor)).min())


def _wanted_loudness_change_db(data: FitData, target: Target) -> float:
    """Return how much louder the seats should be than at the present gains, in dB."""
    if target.level_db is None:
        return 0.0
    present_error_db = data.level_db - data.target_db - target.level_db
    return -float(data.seat_weights @ present_error_db @ data.frequency_weights)


def _judged(
    task: BandGainTask,
    problem: BandGainProblem,
    solution: BandGainSolution,
    *,
    wanted_db: float,
    repeatability_db: float | None,
    chosen: ChosenGains | None,
) -> BandGainFit:
    """Decide whether the found setting is worth a change, and collect the evidence."""
    data, equaliser, present = task.data, task.equaliser, task.present_gains_db

    def deviation_db(gains_db: FloatArray) -> float:
        return fitted_deviation_db(data, data.response_db(equaliser, gains_db), loss=task.loss)

    candidate = problem.setting_gains_db(solution.labels)
    before_db, candidate_db = deviation_db(present), deviation_db(candidate)
    present_labels = _labels_within_limits(problem, present)
    no_change = None
    if present_labels is not None:
        no_change = judge_improvement(before_db - candidate_db, repeatability_db=repeatability_db)
    labels = solution.labels
    if no_change is not None and present_labels is not None:
        labels = present_labels
    if chosen is not None:
        labels, no_change = chosen_labels(problem, chosen.gains_db), None
        candidate = problem.setting_gains_db(labels)
        candidate_db = deviation_db(candidate)
    gains = problem.setting_gains_db(labels)
    response_db = data.response_db(equaliser, gains)
    boosts_db = problem.limit_response_db(labels)
    loudest = int(np.argmax(boosts_db))
    change_db = float((data.present_db - response_db) @ data.frequency_weights)
    rise_db = max(0.0, task.loudness_change_db) - float(response_db @ data.frequency_weights)
    bands = explain_bands(
        data,
        problem,
        equaliser,
        labels=labels,
        best_gains_db=solution.best_gains_db,
        present_gains_db=present,
        freedoms=task.freedoms,
        floor=task.floor,
        cancelled=cancelled_bands(data, equaliser),
        clear_of=task.clear_of,
    )
    if chosen is not None:
        bands = explained_choice(bands, otherwise_db=problem.setting_gains_db(solution.labels))
    return BandGainFit(
        data=data,
        loss=task.loss,
        gains_db=readonly(gains),
        candidate_gains_db=readonly(candidate),
        best_gains_db=readonly(solution.best_gains_db),
        present_gains_db=present,
        response_db=readonly(response_db),
        bands=bands,
        no_change=no_change,
        deviation_before_db=before_db,
        deviation_db=deviation_db(gains),
        candidate_deviation_db=candidate_db,
        best_deviation_db=solution.best_deviation_db,
        lower_bound_db=solution.lower_bound_db,
        gap_db=solution.gap_db,
        proven=solution.proven,
        nodes=solution.nodes,
        floor=task.floor,
        filter_boost_db=float(boosts_db[loudest]),
        filter_boost_frequency=float(problem.limit_frequencies[loudest]),
        drive_boost_db=float(boosts_db[loudest]) + rise_db,
        drive_boost_frequency=float(problem.limit_frequencies[loudest]),
        level_change_db=task.loudness_change_db + change_db,
        loudness_change_db=task.loudness_change_db,
        loudness_cut_db=wanted_db - task.loudness_change_db,
        left_out=(),
    )


def _labels_within_limits(problem: BandGainProblem, gains_db: FloatArray) -> LabelArray | None:
    """Return the labels of gains, or None where they are not allowed or break a limit."""
    try:
        labels = chosen_labels(problem, gains_db)
    except ValueError:
        return None
    return labels if problem.feasible(labels, LIMIT_TOLERANCE_DB) else None


def _leave_each_seat_out(task: BandGainTask) -> tuple[LeftOutSeat, ...]:
    """Choose gains without each seat in turn, and see how they do there.

    The start heuristic of the search chooses them; it is not proven each time.
    """
    data = task.data
    if len(data.seats) < 3:
        return ()

    def by_seat_db(gains_db: FloatArray) -> FloatArray:
        error_db = centred_error_db(data, data.response_db(task.equaliser, gains_db))
        return seat_deviations_db(data, error_db, loss=task.loss)

    before = by_seat_db(task.present_gains_db)
    left_out = []
    for index, seat in enumerate(data.seats):
        solution = solve_band_gains(
            replace(task, data=data.without_seat(index)).problem(), prove=False
        )
        after = by_seat_db(solution.gains_db)
        left_out.append(
            LeftOutSeat(seat=seat, before_db=float(before[index]), after_db=float(after[index]))
        )
    return tuple(left_out)
