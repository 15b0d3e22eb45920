"""Propose band gains: the problem built from a survey, solved, judged and explained.

Conventions
-----------
Gains are absolute settings in dB, one for each band of the equaliser; frequencies in Hz.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.bands import logarithmic_axis
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.levels import FloatArray, readonly
from roomeq.optimiser.band_gain_fit import (
    BandGainFit,
    ChoiceRow,
    ChosenGains,
    LeftOutSeat,
    NoChange,
    chosen_labels,
    judge_improvement,
    weighted_deviation_db,
)
from roomeq.optimiser.deviations import estimate_plain_figures
from roomeq.optimiser.fit_data import FitData, prepare_fit, with_limit_estimate, within_spans
from roomeq.optimiser.limits import (
    LOWEST_SIGNAL,
    BandFreedom,
    BoostCap,
    Limits,
    allowed_gains_db,
    band_freedoms,
    limit_axis,
)
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.problem import BandGainProblem
from roomeq.optimiser.reasons import BandScene, explain_bands, explained_choice
from roomeq.optimiser.search import TIE_SHARE, BandGainSolution, solve_band_gains, solve_from
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
    target : Target
    limits : Limits
    loss : Loss
    corner : float or None
        Stated crossover corner in Hz.
    present_gains_db : ndarray, shape (B,)
    """

    data: FitData
    equaliser: FixedBandEqualiser
    target: Target
    limits: Limits
    loss: Loss
    corner: float | None
    present_gains_db: FloatArray

    @property
    def floor(self) -> float:
        """Hz below which nothing is boosted."""
        return self.limits.floor(self.target)

    @property
    def freedoms(self) -> tuple[BandFreedom, ...]:
        """How far each band may move."""
        return band_freedoms(
            self.equaliser,
            limits=self.limits,
            floor=self.floor,
            corner=self.corner,
            seen=self.data.frequencies[self.data.frequency_weights > 0],
        )

    @property
    def locked_gains_db(self) -> FloatArray:
        """Present gains of the locked bands, 0 elsewhere, shape (B,)."""
        locked = [freedom is BandFreedom.LOCKED for freedom in self.freedoms]
        return np.where(locked, self.present_gains_db, 0.0)

    def cap_db(self, frequencies: FloatArray) -> FloatArray:
        """Return the most that the summed response may reach, in dB, shape (G,).

        Where locked bands alone reach further they stay, and the others need not undo it.
        """
        cap = BoostCap.of(self.data, limits=self.limits, target=self.target).at(frequencies)
        if not self.locked_gains_db.any():
            return cap
        return np.maximum(cap, self.equaliser.response_db(self.locked_gains_db, frequencies))

    def rows(self, further: ArrayLike = ()) -> FloatArray:
        """Return the frequencies at which the cap is held, in Hz: an even axis and its jumps."""
        edges = BoostCap.of(self.data, limits=self.limits, target=self.target).edges
        return np.unique(np.concatenate([limit_axis(self.equaliser), edges, np.asarray(further)]))

    def problem(self, further_rows: ArrayLike = ()) -> BandGainProblem:
        """Tabulate exact filter responses and limits for the search.

        Parameters
        ----------
        further_rows : array_like
            Further frequencies in Hz at which the limits are held.
        """
        data, equaliser = self.data, self.equaliser
        rows = self.rows(further_rows)
        allowed = allowed_gains_db(
            equaliser, freedoms=self.freedoms, present_gains_db=self.present_gains_db
        )
        return BandGainProblem(
            error_db=data.error_db,
            shortfall_db=data.shortfall_db,
            frequency_weights=data.frequency_weights,
            gains_db=allowed,
            tables_db=tuple(
                data.table_db(equaliser, index, gains) for index, gains in enumerate(allowed)
            ),
            limit_frequencies=rows,
            limit_tables_db=tuple(
                equaliser.band_table_db(index, rows, gains_db=gains)
                for index, gains in enumerate(allowed)
            ),
            filter_cap_db=self.cap_db(rows),
            present_gains_db=self.present_gains_db,
            present_response_db=data.present_db,
            loss=self.loss,
        )

    def solve(
        self, *, prove: bool, node_limit: int | None, tie_share: float = TIE_SHARE
    ) -> tuple[BandGainProblem, BandGainSolution]:
        """Solve; where a peak between the rows breaks a limit, hold the limit there and repeat."""
        further: list[float] = []
        options = {} if node_limit is None else {"node_limit": node_limit}
        for attempt in itertools.count():
            problem = self.problem(further)
            solution = solve_band_gains(problem, prove=prove, tie_share=tie_share, **options)
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
            over = problem.limit_response_db(labels) - problem.filter_cap_db
            for top in np.flatnonzero(_tops(over) & (over[1:-1] > -1.0)) + 1:
                between = np.geomspace(rows[top - 1], rows[top + 1], _POINTS_BETWEEN_ROWS)
                excess = self.equaliser.response_db(gains, between) - self.cap_db(between)
                worst = int(np.argmax(excess))
                if excess[worst] > LIMIT_TOLERANCE_DB:
                    broken.append(float(between[worst]))
        return broken

    def deviation_db(self, gains_db: FloatArray) -> float:
        """Return the weighted deviation with gains, in dB."""
        response_db = self.data.response_db(self.equaliser, gains_db)
        return weighted_deviation_db(self.data, response_db, loss=self.loss)

    def loudness(self, gains_db: FloatArray) -> _Loudness:
        """Return what the drive limit leaves of a loudness, with gains."""
        data, equaliser, target = self.data, self.equaliser, self.target
        kinks = [max(self.floor, 10.0), *(f for f, _ in self.limits.drive_by_frequency)]
        fine = np.append(logarithmic_axis(10.0, 300.0, per_octave=384), kinks)
        boost_db = equaliser.response_db(gains_db, fine)
        most_db = self.limits.granted_level_db(fine, boost_db, self.floor)
        now_db = data.mean_db(data.present_db)
        if self.limits.drive_by_frequency:  # told against all bands at 0 at the same loudness
            most_db += now_db
        wanted_db = 0.0
        if target.level_db is not None:
            wanted_db = target.level_db - (data.level_db + now_db)
        keeps_db = now_db - data.mean_db(data.response_db(equaliser, gains_db))
        moves = bool(np.any(gains_db != self.present_gains_db)) or wanted_db > 0
        asked_db = keeps_db + wanted_db
        change_db = min(asked_db, most_db) if moves else asked_db
        return _Loudness(
            level_change_db=change_db,
            highest_level_change_db=max(most_db, change_db),
            loudness_change_db=change_db - keeps_db,
            loudness_cut_db=asked_db - change_db,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Loudness:
    level_change_db: float
    highest_level_change_db: float
    loudness_change_db: float
    loudness_cut_db: float


def fit_band_gains(
    survey: Survey,
    *,
    equaliser: FixedBandEqualiser,
    target: Target | None = None,
    limits: Limits | None = None,
    present_gains_db: ArrayLike | None = None,
    corner: float | None = None,
    source: Source = "sub",
    loss: Loss | None = None,
    repeatability_db: float | None = None,
    prove: bool = True,
    node_limit: int | None = None,
    chosen: ChosenGains | None = None,
    leave_out: bool = True,
    tie_share: float = TIE_SHARE,
) -> BandGainFit:
    """Choose band gains that bring the average over the seats nearer to the target.

    Within the limits; single seats are reported. See `roomeq.optimiser.fit_data` for what is
    corrected and what is excused.

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
        Crossover corner in Hz, as stated; by default that of the lowest low-pass in the target's
        path.
    source : {"sub", "both", "mains"}
        Which measurements to use; with "both" only what lies below 0.7 times the corner.
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
    tie_share : float
        What may be given away for fewer moves, as a share of what the best setting gains; 0
        proposes the best itself.

    Returns
    -------
    BandGainFit

    Raises
    ------
    ValueError
        If the source was not measured, nothing can be fitted, a gain is off the device's grid, or
        chosen gains are not allowed.
    """
    target = target or Target()
    limits = limits or Limits()
    present = equaliser.checked_gains_db(
        np.zeros(len(equaliser.bands)) if present_gains_db is None else present_gains_db
    )
    if corner is None:
        corner = min((f.corner for f in target.path if f.kind == "low_pass"), default=None)
    clear_of = corner if source == "both" else None
    target = with_limit_estimate(
        survey, target=target, equaliser=equaliser, present_gains_db=present, source=source
    )
    data = prepare_fit(
        survey,
        equaliser=equaliser,
        target=target,
        present_gains_db=present,
        source=source,
        clear_of=clear_of,
    )
    task = BandGainTask(
        data=data,
        equaliser=equaliser,
        target=target,
        limits=limits,
        loss=loss or Loss(),
        corner=corner,
        present_gains_db=present,
    )
    problem, solution = task.solve(prove=prove, node_limit=node_limit, tie_share=tie_share)
    fit = _judged(task, problem, solution, repeatability_db=repeatability_db, chosen=chosen)
    return (
        replace(fit, left_out=_leave_each_seat_out(task, problem, solution)) if leave_out else fit
    )


def _tops(values: FloatArray) -> NDArray[np.bool_]:
    """Return which of the inner values are no lower than both neighbours."""
    return np.asarray((values[1:-1] >= values[:-2]) & (values[1:-1] >= values[2:]))


def _no_change(
    task: BandGainTask,
    problem: BandGainProblem,
    best_gains_db: FloatArray,
    *,
    repeatability_db: float | None,
) -> NoChange | None:
    """Say why even the best setting is not worth a change; never while a limit is broken."""
    data, equaliser = task.data, task.equaliser
    rows = problem.limit_frequencies
    cap = BoostCap.of(data, limits=task.limits, target=task.target, by_seats=False).at(rows)
    cap = np.maximum(cap, equaliser.response_db(task.locked_gains_db, rows))
    over = equaliser.response_db(task.present_gains_db, rows) - cap
    if over.max() > LIMIT_TOLERANCE_DB or not _on_offer(problem, task.present_gains_db):
        return None

    def excess_db(response_db: FloatArray) -> FloatArray:
        return np.maximum(data.error_db + response_db - data.mean_db(response_db), 0.0)

    best_db = data.response_db(equaliser, best_gains_db)
    fall = excess_db(data.present_db) - excess_db(best_db)
    inside = [
        (data.frequencies >= band.lower) & (data.frequencies < band.upper)
        for band in equaliser.bands
    ]
    return judge_improvement(
        task.deviation_db(task.present_gains_db) - task.deviation_db(best_gains_db),
        repeatability_db=repeatability_db,
        excess_fall_db=max((float(fall[one].mean()) for one in inside if one.any()), default=0.0),
    )


def _on_offer(problem: BandGainProblem, gains_db: FloatArray) -> bool:
    """Return whether every band may stay where it is."""
    pairs = zip(problem.gains_db, gains_db, strict=True)
    return all(np.abs(allowed - gain).min() <= 1e-9 for allowed, gain in pairs)


def _judged(
    task: BandGainTask,
    problem: BandGainProblem,
    solution: BandGainSolution,
    *,
    repeatability_db: float | None,
    chosen: ChosenGains | None,
) -> BandGainFit:
    """Decide whether the found setting is worth a change, and collect the evidence."""
    data, equaliser, present = task.data, task.equaliser, task.present_gains_db
    candidate, best = problem.setting_gains_db(solution.labels), solution.best_gains_db
    no_change = _no_change(task, problem, best, repeatability_db=repeatability_db)
    gains = candidate if no_change is None else present
    if chosen is not None:
        gains = candidate = problem.setting_gains_db(chosen_labels(problem, chosen.gains_db))
        no_change = None
    loudness = task.loudness(gains)
    if chosen is not None:
        change_db = chosen.level_change_db + data.mean_db(
            data.response_db(equaliser, gains) - data.present_db
        )
        loudness = replace(
            loudness,
            level_change_db=chosen.level_change_db,
            loudness_change_db=change_db,
            loudness_cut_db=0.0,
        )
    bands = explain_bands(
        BandScene(
            data=data,
            problem=problem,
            equaliser=equaliser,
            freedoms=task.freedoms,
            limits=task.limits,
            floor=task.floor,
            upper_limit=task.target.upper_limit,
            clears_corner=task.corner is not None and data.frequencies[-1] < task.corner,
        ),
        labels=chosen_labels(problem, gains),
        best_gains_db=best,
    )
    if chosen is not None:
        bands = explained_choice(bands, otherwise_db=problem.setting_gains_db(solution.labels))
    rows, response_db = task.rows(), data.response_db(equaliser, gains)
    boosts_db = equaliser.response_db(gains, rows)
    locked_db = equaliser.response_db(task.locked_gains_db, rows)
    over = locked_db - BoostCap.of(data, limits=task.limits, target=task.target).at(rows)
    loudest, held = int(np.argmax(boosts_db)), int(np.argmax(over))
    reached = rows >= max(LOWEST_SIGNAL, task.limits.high_pass_corner or 0.0)
    driven = int(np.argmax(np.where(reached, boosts_db, -np.inf)))
    dipped = within_spans(data.dips, data.frequencies)
    raised_db = (response_db - data.mean_db(response_db))[dipped]
    return BandGainFit(
        data=data,
        loss=task.loss,
        gains_db=readonly(gains),
        candidate_gains_db=readonly(candidate),
        best_gains_db=readonly(best),
        present_gains_db=present,
        response_db=readonly(response_db),
        bands=bands,
        choices=_choices(task, best=best, proposal=gains),
        no_change=no_change,
        deviation_before_db=task.deviation_db(present),
        deviation_db=task.deviation_db(gains),
        candidate_deviation_db=task.deviation_db(candidate),
        best_deviation_db=solution.best_deviation_db,
        lower_bound_db=solution.lower_bound_db,
        gap_db=solution.gap_db,
        proven=solution.proven,
        nodes=solution.nodes,
        floor=task.floor,
        floor_cost_db=_floor_cost_db(task, solution),
        filter_boost_db=float(boosts_db[loudest]),
        filter_boost_frequency=float(rows[loudest]),
        drive_boost_db=float(boosts_db[driven]) + loudness.level_change_db,
        drive_boost_frequency=float(rows[driven]),
        dip_boost_db=max(0.0, float(raised_db.max(initial=0.0))),
        lock_excess_db=max(0.0, float(over[held])) if task.locked_gains_db.any() else 0.0,
        lock_excess_frequency=float(rows[held]),
        level_change_db=loudness.level_change_db,
        highest_level_change_db=loudness.highest_level_change_db,
        loudness_change_db=loudness.loudness_change_db,
        loudness_cut_db=loudness.loudness_cut_db,
        left_out=(),
    )


def _choices(
    task: BandGainTask, *, best: FloatArray, proposal: FloatArray
) -> tuple[ChoiceRow, ...]:
    """Return now, the best and the proposal in figures."""
    data, present = task.data, task.present_gains_db
    now = estimate_plain_figures(data, data.present_db)

    def row(setting: Literal["now", "best", "proposal"], gains_db: FloatArray) -> ChoiceRow:
        figures = estimate_plain_figures(data, data.response_db(task.equaliser, gains_db))
        change = figures.by_seat_db - now.by_seat_db
        worst = int(np.argmax(change))
        stays = setting == "now"
        return ChoiceRow(
            setting=setting,
            gains_db=tuple(gains_db.tolist()),
            moved=int(np.count_nonzero(np.abs(gains_db - present) > 1e-9)),
            deviation_db=task.deviation_db(gains_db),
            average_sd_db=figures.average_sd_db,
            seat_sd_db=figures.seat_sd_db,
            largest_excess_db=figures.largest_excess_db,
            worst_seat=data.seats[worst],
            worst_seat_db=float(change[worst]),
            loudness_db=0.0 if stays else task.loudness(gains_db).loudness_change_db,
        )

    return row("now", present), row("best", best), row("proposal", proposal)


def _floor_cost_db(task: BandGainTask, solution: BandGainSolution) -> float | None:
    """Return what it costs not to know the lower limit; None where it is known."""
    target, limits = task.target, task.limits
    stated = target.lower_limit is not None and not target.lower_limit_estimated
    if stated or limits.no_boost_below is not None:
        return None
    freed = replace(task, limits=replace(limits, no_boost_below=0.0))
    found = solve_from(freed.problem(), solution.best_gains_db)
    return max(0.0, solution.best_deviation_db - math.sqrt(found.objective))


def _leave_each_seat_out(
    task: BandGainTask, problem: BandGainProblem, solution: BandGainSolution
) -> tuple[LeftOutSeat, ...]:
    """Choose gains without each seat in turn, and see how they do there.

    Descent from the best setting of all seats chooses them; it is not proven each time.
    """
    data = task.data
    if len(data.seats) < 3:
        return ()

    def by_seat_db(gains_db: FloatArray) -> FloatArray:
        response_db = data.response_db(task.equaliser, gains_db)
        return estimate_plain_figures(data, response_db).by_seat_db

    before, left_out = by_seat_db(task.present_gains_db), []
    for index, seat in enumerate(data.seats):
        others = replace(task, data=data.without_seat(index))
        fewer = replace(
            problem,
            error_db=others.data.error_db,
            shortfall_db=others.data.shortfall_db,
            filter_cap_db=others.cap_db(problem.limit_frequencies),
        )
        after = by_seat_db(solve_from(fewer, solution.best_gains_db).gains_db)
        left_out.append(
            LeftOutSeat(seat=seat, before_db=float(before[index]), after_db=float(after[index]))
        )
    return tuple(left_out)
