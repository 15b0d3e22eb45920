"""Why each band got its gain, as codes; the report turns them into words.

Conventions
-----------
Errors are level minus target in dB. "Error" of a band is the error of the average over seats with
the whole equaliser at rest, its mean over the band; "remaining" the same with the proposal. A
reason is found by trial: what would one step more do, and what stands in its way?
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from roomeq.analysis.seats import seat_spread_db
from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray
from roomeq.base.record import Record
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.optimiser.bands.problem import BARRED_BOOST_DB, BandGainProblem, LabelArray
from roomeq.optimiser.bands.task import BandGainTask
from roomeq.wanted.limits import BandFreedom
from roomeq.wanted.span import within_spans

if TYPE_CHECKING:
    from pandas import DataFrame

TOLERANCE_DB = 1.0


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
    NOT_MEASURED = "not_measured"
    NOT_WORTH_MOVING = "not_worth_moving"
    ROLL_OFF = "roll_off"
    SUM_WITH_MAINS = "sum_with_mains"
    MANY_ROOMS = "many_rooms"


class BandSetting(Record, frozen=True, kw_only=True):
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
        Error of the average that the band meets, the standard deviation of the seats' own errors
        (by seat weight, ddof 0), and what remains of the average's; None where nothing was fitted,
        and `reason` says why.
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


def band_frame(bands: Sequence[BandSetting]) -> DataFrame:
    """Return bands as a pandas table, one row for each in rising order.

    Reasons are codes, missing where a band does what it is asked; a figure that is not known is
    missing too.

    Parameters
    ----------
    bands : sequence of BandSetting

    Returns
    -------
    DataFrame
        Columns ``band`` (nominal centre), ``centre`` in Hz, ``present_db``, ``gain_db``,
        ``best_gain_db``, ``error_db``, ``spread_db``, ``remaining_db``, ``reason``.
    """
    from pandas import DataFrame, Series

    columns: dict[str, object] = {"band": [band.label for band in bands]}
    for name in BandSetting.__struct_fields__[1:-1]:
        columns[name] = Series([getattr(band, name) for band in bands], dtype=float)
    columns["reason"] = [None if band.reason is None else str(band.reason) for band in bands]
    return DataFrame(columns)


def cancelled_bands(data: FitData, equaliser: FixedBandEqualiser) -> list[ThirdOctaveBand]:
    """Return the bands whose centre lies in a dip that no boost may fill."""
    marked = within_spans(data.dips, equaliser.centres)
    return [band for band, is_so in zip(equaliser.bands, marked, strict=True) if is_so]


def band_axis(data: FitData, band: ThirdOctaveBand) -> NDArray[np.bool_]:
    """Return which frequencies of the axis lie in a band, shape (F,)."""
    return np.asarray((data.frequencies >= band.lower) & (data.frequencies < band.upper))


def explain_bands(
    task: BandGainTask,
    problem: BandGainProblem,
    *,
    labels: LabelArray,
    best_gains_db: FloatArray,
) -> tuple[BandSetting, ...]:
    """Explain a setting band by band.

    Parameters
    ----------
    task : BandGainTask
    problem : BandGainProblem
        In tables.
    labels : ndarray, shape (B,)
        The proposed setting on the problem's grids.
    best_gains_db : ndarray, shape (B,)

    Returns
    -------
    tuple of BandSetting
    """
    data, freedoms = task.data, task.freedoms
    gains_db = problem.setting_gains_db(labels)
    offset_db = problem.response_db(labels) - problem.mean_response_db(labels)
    level_error_db = data.level_error_db
    after_db = level_error_db + offset_db
    short_db = data.excused_db(level_error_db) + offset_db
    explained = []
    for index, band in enumerate(task.equaliser.bands):
        inside = band_axis(data, band) & (data.frequency_weights > 0)
        error_db = spread_db = remaining_db = None
        reason = _reason_by_freedom(task, band, freedoms[index])
        if inside.any():
            error_db = float(level_error_db[inside].mean())
            remaining_db = float(after_db[inside].mean())
            seats_db = data.seat_error_db[:, inside].mean(axis=1)
            spread_db = float(seat_spread_db(seats_db, weights=data.seat_weights))
            if reason is None:
                asked_db = min(float(short_db[inside].mean()), remaining_db)
                if remaining_db < 0:
                    asked_db = float(np.minimum(short_db[inside], 0.0).mean())
                reason = _reason_by_trial(
                    task, problem, labels, index, remaining_db=remaining_db, asked_db=asked_db
                )
        explained.append(
            BandSetting(
                label=band.label,
                centre=band.centre,
                present_db=float(problem.present_gains_db[index]),
                gain_db=float(gains_db[index]),
                best_gain_db=float(best_gains_db[index]),
                error_db=error_db,
                spread_db=spread_db,
                remaining_db=remaining_db,
                reason=reason,
            )
        )
    return tuple(explained)


def _reason_by_freedom(
    task: BandGainTask, band: ThirdOctaveBand, freedom: BandFreedom
) -> Reason | None:
    """Return why a band may not move, or why nothing is known of it."""
    data = task.data
    if freedom is BandFreedom.LOCKED:
        return Reason.LOCKED
    if freedom is BandFreedom.AT_REST:
        return Reason.ABOVE_CROSSOVER
    within = band_axis(data, band)
    if within.any() and data.noise_weights[within].mean() < 0.5:
        return Reason.NOISE
    if freedom is BandFreedom.UNSEEN or not within.any():
        # nothing is fitted near the crossover where both play
        clear = task.corner is not None and data.frequencies[-1] < task.corner
        near = clear and band.upper > data.frequencies[-1]
        return Reason.NEAR_CROSSOVER if near else Reason.NOT_MEASURED
    return None


def _reason_by_trial(
    task: BandGainTask,
    problem: BandGainProblem,
    labels: LabelArray,
    index: int,
    *,
    remaining_db: float,
    asked_db: float,
) -> Reason | None:
    """Try one step against what remains and say what stands in its way.

    `asked_db` is what of a remaining shortfall is neither excused nor cancelled.
    """
    data, band, upper_limit = task.data, task.equaliser.bands[index], task.target.upper_limit
    gain = float(problem.gains_db[index][labels[index]])
    if abs(remaining_db) <= TOLERANCE_DB:
        return None if gain != 0 else Reason.WITHIN_TOLERANCE
    boost = remaining_db < 0
    inside = band_axis(data, band) & (data.frequency_weights > 0)
    filled_db = float(problem.response_db(labels)[inside].mean())
    short = float(data.level_error_db[inside].mean()) < -TOLERANCE_DB
    left_alone = boost and short and filled_db <= BARRED_BOOST_DB
    if left_alone and within_spans(data.dips, data.frequencies[inside]).mean() > 0.5:
        return Reason.CANCELLATION
    excused_db = float(data.allowance_db[inside].mean())
    if left_alone and asked_db >= -TOLERANCE_DB and excused_db >= -0.5 * remaining_db:
        at_top = upper_limit is not None and band.upper >= upper_limit
        return Reason.NEAR_CROSSOVER if at_top else Reason.ROLL_OFF
    trial = np.array(labels)
    trial[index] += 1 if boost else -1
    if not 0 <= trial[index] < problem.label_counts[index]:
        cut_only = task.freedoms[index] is BandFreedom.CUT_ONLY
        return Reason.BELOW_LIMIT if boost and cut_only else Reason.HELD_BY_RANGE
    better = problem.objective(trial) < problem.objective(labels) - 1e-9
    if better and not problem.feasible(trial):
        return _limit_in_the_way(task, problem, trial)
    return Reason.NOT_WORTH_MOVING if better or gain == 0 else None


def _limit_in_the_way(task: BandGainTask, problem: BandGainProblem, trial: LabelArray) -> Reason:
    """Return the limit that a better step would break."""
    data, upper_limit = task.data, task.target.upper_limit
    _, frequency = problem.tightest(trial)
    if frequency <= task.floor:
        return Reason.BELOW_LIMIT
    if upper_limit is not None and frequency >= upper_limit:
        return Reason.NEAR_CROSSOVER
    if within_spans(data.dips, np.array([frequency]))[0]:
        return Reason.CANCELLATION
    distance = np.abs(np.log(data.frequencies / frequency))
    near = distance <= distance.min() + 1e-9  # two, where the place lies half-way between them
    if data.few_seats_short[near].any():
        share = data.share_short[near]
        differ = bool(((share > 0.0) & (share < 1.0)).any())
        return Reason.SEATS_DISAGREE if differ else Reason.NOT_WORTH_MOVING
    held = task.limits.drive_db([frequency])[0] < task.limits.filter_boost_db
    return Reason.HELD_BY_DRIVE_BOOST if held else Reason.HELD_BY_FILTER_BOOST


def explained_choice(
    bands: tuple[BandSetting, ...], *, otherwise_db: FloatArray, reason: Reason
) -> tuple[BandSetting, ...]:
    """Return reasons in which a band set otherwise than `otherwise_db` follows what chose it.

    Parameters
    ----------
    bands : tuple of BandSetting
    otherwise_db : array_like, shape (B,)
        What the subwoofer alone would have chosen; a band set alike keeps its reason.
    reason : Reason
        The sum with the mains, or many rooms.
    """
    elsewise = np.abs([band.gain_db for band in bands] - otherwise_db) > 1e-9
    return tuple(
        structs.replace(band, reason=reason) if moved else band
        for band, moved in zip(bands, elsewise, strict=True)
    )
