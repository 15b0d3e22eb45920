"""Why each band got its gain, as codes; the report turns them into words.

Conventions
-----------
Errors are level minus target in dB. "Error" of a band is its error with the whole equaliser at
rest, "remaining" the error with the proposal; both are means over the seats (by seat weight) and
over the band. A reason is found by trial: what would one step more do, and what stands in its way?
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from roomeq.analysis.dips import judge_dips
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.levels import FloatArray
from roomeq.optimiser.deviations import centred_error_db
from roomeq.optimiser.fit_data import FitData
from roomeq.optimiser.limits import BandFreedom
from roomeq.optimiser.problem import BandGainProblem, LabelArray

__all__ = ["BandReason", "Reason", "cancelled_bands", "explain_bands"]

TOLERANCE_DB = 1.0
DISAGREEMENT_DB = 3.0


class Reason(StrEnum):
    """What held a band back, or why it was left alone."""

    WITHIN_TOLERANCE = "within_tolerance"
    SEATS_DISAGREE = "seats_disagree"
    CANCELLATION = "cancellation"
    NOISE = "noise"
    BELOW_LIMIT = "below_limit"
    ABOVE_CROSSOVER = "above_crossover"
    HELD_BY_FILTER_BOOST = "held_by_filter_boost"
    HELD_BY_DRIVE_BOOST = "held_by_drive_boost"
    HELD_BY_RANGE = "held_by_range"
    LOCKED = "locked"
    NOT_WORTH_MOVING = "not_worth_moving"


@dataclass(frozen=True, slots=True, kw_only=True)
class BandReason:
    """One band of a proposal.

    Attributes
    ----------
    label : str
        Nominal centre.
    centre : float
        Exact centre in Hz.
    present_db, gain_db, best_gain_db : float
        Gain while measuring, proposed, and of the best setting without preference for few moves.
    error_db, spread_db, remaining_db : float
        Error the band meets, its standard deviation over seats (ddof 0, unweighted), and what
        remains; NaN-free: 0 where the band lies outside what was measured, and `reason` says why.
    reason : Reason or None
        What held it back; None where the band does what it is asked.
    """

    label: str
    centre: float
    present_db: float
    gain_db: float
    best_gain_db: float
    error_db: float
    spread_db: float
    remaining_db: float
    reason: Reason | None


def cancelled_bands(data: FitData, equaliser: FixedBandEqualiser) -> tuple[bool, ...]:
    """Return for each band whether a dip within it was judged a cancellation at any seat."""
    if data.band_levels:
        return (False,) * len(equaliser.bands)
    dips = judge_dips(
        data.frequencies,
        data.error_db,
        seats=data.seats,
        excess_group_delay=data.excess_group_delay,
    )
    cancelled = [dip.frequency for dip in dips if dip.verdict == "cancellation"]
    return tuple(
        any(band.lower <= frequency < band.upper for frequency in cancelled)
        for band in equaliser.bands
    )


def band_means_db(data: FitData, error_db: FloatArray, *, lower: float, upper: float) -> FloatArray:
    """Return the mean error of each seat over a band, shape (S,); empty where nothing is there."""
    inside = (data.frequencies >= lower) & (data.frequencies < upper)
    return np.asarray(error_db[:, inside].mean(axis=1)) if inside.any() else np.zeros(0)


def explain_bands(
    data: FitData,
    problem: BandGainProblem,
    equaliser: FixedBandEqualiser,
    *,
    labels: LabelArray,
    best_gains_db: FloatArray,
    present_gains_db: FloatArray,
    freedoms: tuple[BandFreedom, ...],
    floor: float,
    cancelled: tuple[bool, ...],
) -> tuple[BandReason, ...]:
    """Explain a setting band by band.

    Parameters
    ----------
    data : FitData
    problem : BandGainProblem
    equaliser : FixedBandEqualiser
    labels : ndarray, shape (B,)
        The proposed setting on the problem's grids.
    best_gains_db, present_gains_db : ndarray, shape (B,)
    freedoms : tuple of BandFreedom
    floor : float
        Hz below which nothing is boosted.
    cancelled : tuple of bool
        Whether a dip in the band was judged a cancellation.

    Returns
    -------
    tuple of BandReason
    """
    gains_db = problem.setting_gains_db(labels)
    at_rest_db = centred_error_db(data, np.zeros(data.frequencies.size))
    after_db = problem.seat_error_db(labels)
    trusted = replace(problem, trust=np.ones(problem.trust.shape))
    explained = []
    for index, band in enumerate(equaliser.bands):
        before = band_means_db(data, at_rest_db, lower=band.lower, upper=band.upper)
        after = band_means_db(data, after_db, lower=band.lower, upper=band.upper)
        if before.size == 0:
            error = spread = remaining = 0.0
        else:
            error = float(before @ data.seat_weights)
            spread = float(before.std())
            remaining = float(after @ data.seat_weights)
        reason = _reason_by_freedom(freedoms[index])
        if reason is None and (before.size == 0 or _noisy(data, band.lower, band.upper)):
            reason = Reason.NOISE
        if reason is None:
            reason = _reason_by_trial(
                problem,
                trusted,
                labels=labels,
                band=index,
                error_db=error,
                spread_db=spread,
                remaining_db=remaining,
                below_floor=freedoms[index] is BandFreedom.CUT_ONLY,
                floor=floor,
                cancelled=cancelled[index],
            )
        explained.append(
            BandReason(
                label=band.label,
                centre=band.centre,
                present_db=float(present_gains_db[index]),
                gain_db=float(gains_db[index]),
                best_gain_db=float(best_gains_db[index]),
                error_db=error,
                spread_db=spread,
                remaining_db=remaining,
                reason=reason,
            )
        )
    return tuple(explained)


def _reason_by_freedom(freedom: BandFreedom) -> Reason | None:
    if freedom is BandFreedom.LOCKED:
        return Reason.LOCKED
    if freedom is BandFreedom.AT_REST:
        return Reason.ABOVE_CROSSOVER
    return None


def _noisy(data: FitData, lower: float, upper: float) -> bool:
    inside = (data.frequencies >= lower) & (data.frequencies < upper)
    return bool(data.noise_weights[inside].mean() < 0.5)


def _reason_by_trial(
    problem: BandGainProblem,
    trusted: BandGainProblem,
    *,
    labels: LabelArray,
    band: int,
    error_db: float,
    spread_db: float,
    remaining_db: float,
    below_floor: bool,
    floor: float,
    cancelled: bool,
) -> Reason | None:
    """Try one step against what remains and say what stands in its way."""
    gain = float(problem.gains_db[band][labels[band]])
    if abs(remaining_db) <= TOLERANCE_DB:
        if gain != 0:
            return None
        quiet = abs(error_db) <= TOLERANCE_DB and spread_db > DISAGREEMENT_DB
        return Reason.SEATS_DISAGREE if quiet else Reason.WITHIN_TOLERANCE
    boost = remaining_db < 0
    trial = np.array(labels)
    trial[band] += 1 if boost else -1
    if not 0 <= trial[band] < problem.label_counts[band]:
        return Reason.BELOW_LIMIT if boost and below_floor else Reason.HELD_BY_RANGE
    better = problem.objective(trial) < problem.objective(labels) - 1e-9
    if better and not problem.feasible(trial):
        return _limit_in_the_way(problem, trial, floor=floor)
    if boost and cancelled:
        return Reason.CANCELLATION
    distrusted = boost and trusted.objective(trial) < trusted.objective(labels) - 1e-9
    if (distrusted and not better) or spread_db > max(DISAGREEMENT_DB, abs(remaining_db)):
        return Reason.SEATS_DISAGREE
    if better:
        return Reason.NOT_WORTH_MOVING
    return Reason.WITHIN_TOLERANCE if gain == 0 else None


def _limit_in_the_way(problem: BandGainProblem, trial: LabelArray, *, floor: float) -> Reason:
    """Return the limit that a better step would break."""
    slack = problem.slack(trial)
    if slack.filter_slack_db < 0:
        if slack.filter_frequency <= floor:
            return Reason.BELOW_LIMIT
        return Reason.HELD_BY_FILTER_BOOST
    return Reason.HELD_BY_DRIVE_BOOST
