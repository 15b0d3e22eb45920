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
from numpy.typing import NDArray

from roomeq.analysis.dips import judge_dips
from roomeq.analysis.seats import seat_spread_db
from roomeq.bands import ThirdOctaveBand
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.levels import FloatArray
from roomeq.optimiser.deviations import centred_error_db
from roomeq.optimiser.fit_data import FitData
from roomeq.optimiser.limits import BandFreedom
from roomeq.optimiser.problem import BandGainProblem, LabelArray

__all__ = ["BandReason", "Reason", "cancelled_bands", "explain_bands", "explained_choice"]

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
    NEAR_CROSSOVER = "near_crossover"
    HELD_BY_FILTER_BOOST = "held_by_filter_boost"
    HELD_BY_DRIVE_BOOST = "held_by_drive_boost"
    HELD_BY_RANGE = "held_by_range"
    LOCKED = "locked"
    NOT_WORTH_MOVING = "not_worth_moving"
    SUM_WITH_MAINS = "sum_with_mains"


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
        Error the band meets, its standard deviation over seats (by seat weight, ddof 0), and what
        remains; None where nothing was fitted, and `reason` says why.
    reason : Reason or None
        What held it back; None where the band does what it is asked.
    """

    label: str
    centre: float
    present_db: float
    gain_db: float
    best_gain_db: float
    error_db: float | None
    spread_db: float | None
    remaining_db: float | None
    reason: Reason | None


def cancelled_bands(
    data: FitData, equaliser: FixedBandEqualiser, *, least_weight: float = 0.0
) -> tuple[bool, ...]:
    """Return for each band whether a dip within it was judged a cancellation.

    Parameters
    ----------
    data : FitData
    equaliser : FixedBandEqualiser
    least_weight : float
        Share of the seats' weight that the dip must be heard at; any seat by default.
    """
    if data.band_levels:
        return (False,) * len(equaliser.bands)
    dips = judge_dips(
        data.frequencies,
        data.error_db,
        seats=data.seats,
        excess_group_delay=data.excess_group_delay,
    )
    weights = dict(zip(data.seats, data.seat_weights.tolist(), strict=True))
    cancelled = [
        dip.frequency
        for dip in dips
        if dip.verdict == "cancellation"
        and sum(weights[seat] for seat in dip.seats) >= least_weight - 1e-9
    ]
    return tuple(
        any(band.lower <= frequency < band.upper for frequency in cancelled)
        for band in equaliser.bands
    )


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
    clear_of: float | None = None,
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
    clear_of : float, optional
        Hz above which nothing was fitted, to keep clear of the crossover.

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
        figures = _figures(data, band, at_rest_db=at_rest_db, after_db=after_db)
        reason = _reason_by_freedom(freedoms[index])
        if reason is None and (figures is None or freedoms[index] is BandFreedom.UNSEEN):
            near = clear_of is not None and band.upper > clear_of
            reason = Reason.NEAR_CROSSOVER if near else Reason.NOISE
        elif reason is None and _noisy(data, band):
            reason = Reason.NOISE
        elif reason is None and figures is not None:
            reason = _reason_by_trial(
                problem,
                trusted,
                labels=labels,
                band=index,
                figures=figures,
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
                error_db=None if figures is None else figures.error_db,
                spread_db=None if figures is None else figures.spread_db,
                remaining_db=None if figures is None else figures.remaining_db,
                reason=reason,
            )
        )
    return tuple(explained)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figures:
    error_db: float
    spread_db: float
    remaining_db: float


def _inside(data: FitData, band: ThirdOctaveBand) -> NDArray[np.bool_]:
    above = data.frequencies >= band.lower
    return above & (data.frequencies < band.upper) & (data.frequency_weights > 0)


def _figures(
    data: FitData, band: ThirdOctaveBand, *, at_rest_db: FloatArray, after_db: FloatArray
) -> _Figures | None:
    """Return the error of a band and what remains of it; None where nothing was fitted there."""
    inside = _inside(data, band)
    if not inside.any():
        return None
    before, after = at_rest_db[:, inside].mean(axis=1), after_db[:, inside].mean(axis=1)
    return _Figures(
        error_db=float(before @ data.seat_weights),
        spread_db=float(seat_spread_db(before, weights=data.seat_weights)),
        remaining_db=float(after @ data.seat_weights),
    )


def _reason_by_freedom(freedom: BandFreedom) -> Reason | None:
    if freedom is BandFreedom.LOCKED:
        return Reason.LOCKED
    if freedom is BandFreedom.AT_REST:
        return Reason.ABOVE_CROSSOVER
    return None


def _noisy(data: FitData, band: ThirdOctaveBand) -> bool:
    return bool(data.noise_weights[_inside(data, band)].mean() < 0.5)


def _reason_by_trial(
    problem: BandGainProblem,
    trusted: BandGainProblem,
    *,
    labels: LabelArray,
    band: int,
    figures: _Figures,
    below_floor: bool,
    floor: float,
    cancelled: bool,
) -> Reason | None:
    """Try one step against what remains and say what stands in its way."""
    gain = float(problem.gains_db[band][labels[band]])
    if abs(figures.remaining_db) <= TOLERANCE_DB:
        if gain != 0:
            return None
        quiet = abs(figures.error_db) <= TOLERANCE_DB and figures.spread_db > DISAGREEMENT_DB
        return Reason.SEATS_DISAGREE if quiet else Reason.WITHIN_TOLERANCE
    boost = figures.remaining_db < 0
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
    if (distrusted and not better) or figures.spread_db > max(
        DISAGREEMENT_DB, abs(figures.remaining_db)
    ):
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


def explained_choice(
    bands: tuple[BandReason, ...], *, otherwise_db: FloatArray
) -> tuple[BandReason, ...]:
    """Return reasons in which a band set otherwise than `otherwise_db` follows the sum with mains.

    Parameters
    ----------
    bands : tuple of BandReason
    otherwise_db : array_like, shape (B,)
        What the subwoofer alone would have chosen; a band set alike keeps its reason.
    """
    return tuple(
        replace(band, reason=Reason.SUM_WITH_MAINS) if abs(band.gain_db - other) > 1e-9 else band
        for band, other in zip(bands, otherwise_db, strict=True)
    )
