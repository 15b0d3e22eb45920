"""Propose band gains: the problem built from a survey, solved, judged and explained.

Conventions
-----------
Gains are absolute settings in dB, one for each band of the equaliser; frequencies in Hz.
"""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.doing import each
from roomeq.base.levels import FloatArray, readonly
from roomeq.base.survey import Source, Survey
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.profile import Device
from roomeq.optimiser.bands.fit import (
    BandGainFit,
    ChoiceRow,
    ChosenGains,
    NoChange,
    chosen_labels,
    judge_improvement,
)
from roomeq.optimiser.bands.fit_data import prepare_fit
from roomeq.optimiser.bands.problem import BandGainProblem, nearest_labels
from roomeq.optimiser.bands.reasons import band_axis, explain_bands, explained_choice
from roomeq.optimiser.bands.search import TIE_SHARE, BandGainSolution, solve_from
from roomeq.optimiser.bands.task import BandGainTask, estimate_plain_figures
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.span import within_spans
from roomeq.wanted.target import Target, with_limit_estimate

_LIMIT_TOLERANCE_DB = 0.005

LEAST_IMPROVEMENT_DB = 0.7
"""0.5 dB of a plain deviation: against the aim nearly all is an excess, which counts twice."""
BARE_ROLL_OFF_DB = 1.0
"""Weighted deviation below which nothing but a roll-off is there; common practice, no source."""


def fit_band_gains(
    survey: Survey,
    *,
    equaliser: FixedBandEqualiser | Device,
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

    Within the limits; single seats are reported. See `roomeq.optimiser.bands.fit_data` for what is
    corrected and what is excused.

    Parameters
    ----------
    survey : Survey
        What was measured.
    equaliser : FixedBandEqualiser or Device
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
    TypeError
        If the survey or the equaliser is something else.
    ValueError
        If the source was not measured, nothing can be fitted, a gain is off the device's grid, or
        chosen gains are not allowed.
    """
    if not isinstance(survey, Survey):
        raise TypeError(
            f"the first argument is a Survey, got {type(survey).__name__}: make one of arrays with "
            "Survey.from_levels(frequencies, level_db)"
        )
    if isinstance(equaliser, Device):
        equaliser = equaliser.equaliser
    if not isinstance(equaliser, FixedBandEqualiser):
        raise TypeError(
            f"equaliser is a Device or a FixedBandEqualiser, got {type(equaliser).__name__}: "
            "read_device(name), or FixedBandEqualiser.from_centres([20, 25, 31.5, ...])"
        )
    target = target or Target()
    limits = limits or Limits()
    present = equaliser.checked_gains_db(
        np.zeros(len(equaliser.bands)) if present_gains_db is None else present_gains_db
    )
    if corner is None:
        corner = min((f.corner for f in target.path if f.kind == "low_pass"), default=None)
    target = with_limit_estimate(
        survey, target=target, equaliser=equaliser, present_gains_db=present, source=source
    )
    data = prepare_fit(
        survey,
        equaliser=equaliser,
        target=target,
        present_gains_db=present,
        source=source,
        clear_of=corner if source == "both" else None,
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
    return replace(fit, left_out_db=_left_out_db(task, problem, fit)) if leave_out else fit


def _no_change(
    task: BandGainTask,
    problem: BandGainProblem,
    best_gains_db: FloatArray,
    *,
    repeatability_db: float | None,
) -> NoChange | None:
    """Say why even the best setting is not worth a change; never while a limit is broken."""
    data, equaliser, present = task.data, task.equaliser, task.present_gains_db
    rows = problem.limit_frequencies
    over = equaliser.response_db(present, rows) - replace(task, by_seats=False).cap_db(rows)
    offered = problem.setting_gains_db(nearest_labels(problem.gains_db, present))
    if over.max() > _LIMIT_TOLERANCE_DB or np.abs(offered - present).max() > 1e-9:
        return None

    def excess_db(response_db: FloatArray) -> FloatArray:
        return np.maximum(data.level_error_db + response_db - data.mean_db(response_db), 0.0)

    fall = excess_db(data.present_db) - excess_db(data.response_db(equaliser, best_gains_db))
    inside = [band_axis(data, band) for band in equaliser.bands]
    found = judge_improvement(
        task.deviation_db(present) - task.deviation_db(best_gains_db),
        repeatability_db=repeatability_db,
        least_improvement_db=LEAST_IMPROVEMENT_DB,
        excess_fall_db=max((float(fall[one].mean()) for one in inside if one.any()), default=0.0),
    )
    if found is None and task.target.highest_lower_limit is not None:
        # a fall that a higher limit explains all but wholly is no reason to change anything
        target = replace(task.target, lower_limit=task.target.highest_lower_limit)
        excused = replace(data, allowance_db=target.allowance_db(data.frequencies))
        other = replace(task, data=excused, target=target)
        if other.deviation_db(present) <= BARE_ROLL_OFF_DB:
            found = NoChange.ROLL_OFF
    return found


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
    if chosen is not None and chosen.level_change_db is not None:
        change_db = chosen.level_change_db + data.mean_db(
            data.response_db(equaliser, gains) - data.present_db
        )
        loudness = replace(
            loudness,
            level_change_db=chosen.level_change_db,
            loudness_change_db=change_db,
            loudness_cut_db=0.0,
        )
    labels = chosen_labels(problem, gains)
    bands = explain_bands(task, problem, labels=labels, best_gains_db=best)
    if chosen is not None:
        otherwise_db = problem.setting_gains_db(solution.labels)
        bands = explained_choice(bands, otherwise_db=otherwise_db, reason=chosen.reason)
    rows, response_db = task.rows(), data.response_db(equaliser, gains)
    boosts_db = equaliser.response_db(gains, rows)
    locked_db = equaliser.response_db(task.locked_gains_db, rows)
    over = locked_db - task.cap.at(rows)
    loudest, held = int(np.argmax(boosts_db)), int(np.argmax(over))
    reached = rows >= task.limits.lowest_signal
    driven = int(np.argmax(np.where(reached, boosts_db, -np.inf)))
    drive_db = float(boosts_db[driven]) + loudness.level_change_db
    if task.limits.drive_by_frequency:  # against all bands at 0 at the same loudness, as they are
        drive_db -= data.mean_db(data.present_db)
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
        drive_boost_db=drive_db,
        drive_boost_frequency=float(rows[driven]),
        dip_boost_db=max(0.0, float(raised_db.max(initial=0.0))),
        lock_excess_db=max(0.0, float(over[held])) if task.locked_gains_db.any() else 0.0,
        lock_excess_frequency=float(rows[held]),
        left_out_db=(),
        **asdict(loudness),
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
    freed = replace(task, limits=replace(limits, no_boost_below=0.0)).problem()
    found = freed.objective(solve_from(freed, solution.best_gains_db))
    return max(0.0, solution.best_deviation_db - math.sqrt(float(found)))


def _left_out_db(
    task: BandGainTask, problem: BandGainProblem, fit: BandGainFit
) -> tuple[float, ...]:
    """Choose gains without each seat in turn, and see how they do there.

    Descent from the best setting of all seats chooses them; it is not proven each time.
    """
    data = task.data
    if len(data.seats) < 3:
        return ()
    found = []
    for index, _ in enumerate(each(data.seats, lambda seat: f"choosing without {seat}")):
        others = replace(task, data=data.without_seat(index))
        fewer = replace(
            problem,
            error_db=others.data.error_db,
            shortfall_db=others.data.shortfall_db,
            filter_cap_db=others.cap_db(problem.limit_frequencies),
        )
        labels = solve_from(fewer, fit.best_gains_db)
        after = fit.by_seat_at_gains_db(task.equaliser, problem.setting_gains_db(labels))
        found.append(float(after[index]))
    return tuple(found)
