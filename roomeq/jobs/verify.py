"""Verification: did what was predicted come true, and what was probably set wrongly.

Conventions
-----------
Differences are measured again minus predicted, in dB, on the plan's axis. Levels of the two
measuring days need not compare: one offset is removed first, and stated. It is the weighted median
over seats and frequencies, which a wrong band or a bad seat does not carry along, and is taken
again without what wrong bands explain once they are known. The optimiser is not run again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from roomeq.analysis.survey_levels import has_band_levels, seat_levels_db
from roomeq.base.bands import third_octave_band
from roomeq.base.levels import FloatArray
from roomeq.base.survey import Survey
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.jobs.joining.steps import present_loss
from roomeq.jobs.verify_joined import check_joining, joining_stated_otherwise
from roomeq.plan.plan import CautionCode, DeviceRecord, Plan
from roomeq.plan.verification import (
    BandCheck,
    LevelCheck,
    SeatCheck,
    StatedJoiningSetting,
    StatedSetting,
    SuspectedSetting,
    Verification,
)
from roomeq.room.room import Room

__all__ = [
    "BandCheck",
    "LevelCheck",
    "SeatCheck",
    "StatedSetting",
    "SuspectedSetting",
    "Verification",
    "equaliser_of",
    "verify",
    "verify_room",
]

AGREES_DB = 1.0
_REPEATS = 2.0  # standard deviations of a repeated measurement
_EXPLAINS = 0.5  # share of the mean square difference that a suspicion must explain
_MOST_SUSPECTS = 3
_REFINEMENTS = 20
_SAME_DB = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Difference:
    seats: tuple[str, ...]
    axis: FloatArray
    raw_db: FloatArray
    share: FloatArray
    offset_db: float

    @property
    def by_seat_db(self) -> FloatArray:
        return self.raw_db - self.offset_db

    @property
    def mean_db(self) -> FloatArray:
        return np.asarray(self.by_seat_db.mean(axis=0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Explanation:
    settings: tuple[SuspectedSetting, ...]
    response_db: FloatArray


def verify_room(plan: Plan, room: Room) -> Verification:
    """Compare a room measured after the settings were made, and what it states, with a plan.

    Parameters
    ----------
    plan : Plan
    room : Room
        As for `verify`; the settings that its file states are compared with the plan's.

    Returns
    -------
    Verification

    Raises
    ------
    ValueError
        As `verify`.
    """
    present = room.present
    gains = dict(zip(room.equaliser.labels, present.gains_db.tolist(), strict=True))
    return verify(
        plan,
        room.survey,
        stated_gains_db=gains if present.gains_stated else None,
        stated_level_db=present.level_db,
        stated_delay=room.joining.present_delay if present.delay_stated else None,
        stated_polarity=present.polarity,
        stated_phase_deg=present.phase_deg,
        sum_loss_db=None if (loss := present_loss(room)) is None else loss[1].loss_db,
    )


def verify(
    plan: Plan,
    survey: Survey | Room,
    *,
    stated_gains_db: Mapping[str, float] | None = None,
    stated_level_db: float | None = None,
    stated_delay: float | None = None,
    stated_polarity: Literal["normal", "inverted"] | None = None,
    stated_phase_deg: float | None = None,
    sum_loss_db: float | None = None,
) -> Verification:
    """Compare a measurement taken after the settings were made with a plan.

    Parameters
    ----------
    plan : Plan
    survey : Survey or Room
        Measured with the plan's settings in force; at least one of the plan's seats. A room tells
        what it states by itself, see `verify_room`.
    stated_gains_db : mapping of str to float, optional
        What the bands are said to have been set to meanwhile, by their nominal centres.
    stated_level_db : float, optional
        What the level knob is said to have been set to.
    stated_delay, stated_polarity, stated_phase_deg : optional
        The same of delay (s, of the subwoofer against the mains), polarity and phase control;
        compared where the plan joins subwoofer and mains.
    sum_loss_db : float, optional
        What their sum loses now, where both were measured again against one time reference.

    Returns
    -------
    Verification

    Raises
    ------
    TypeError
        If plan and survey are something else, or change places.
    ValueError
        If the survey has none of the plan's seats, another source, or does not reach its axis.
    """
    if not isinstance(plan, Plan) or not isinstance(survey, Survey | Room):
        raise TypeError(
            "verify(plan, survey): a Plan, then a Survey or Room measured after it was set; got "
            f"{type(plan).__name__} and {type(survey).__name__}"
        )
    if isinstance(survey, Room):
        return verify_room(plan, survey)
    difference = _difference(plan, survey)
    tolerance = max(AGREES_DB, _REPEATS * (plan.evidence.repeatability_db or 0.0))
    explained = _Explanation(settings=(), response_db=np.zeros(difference.axis.size))
    if not _all_agree(plan, difference, explained, tolerance=tolerance):
        explained = _explanation(plan, difference)
        difference = replace(
            difference,
            offset_db=_weighted_median(difference.raw_db - explained.response_db, difference.share),
        )
    agrees = _all_agree(plan, difference, explained, tolerance=tolerance)
    joining, otherwise = None, tuple[StatedJoiningSetting, ...]()
    if plan.joining is not None:
        joining = check_joining(
            plan.joining,
            survey,
            tolerance_db=tolerance,
            loss_db=sum_loss_db,
            offset_db=difference.offset_db,
        )
        otherwise = joining_stated_otherwise(
            plan.joining, delay=stated_delay, polarity=stated_polarity, phase_deg=stated_phase_deg
        )
    return Verification(
        room=plan.room,
        agrees=agrees and (joining is None or joining.agrees),
        tolerance_db=tolerance,
        offset_db=difference.offset_db,
        level=_level_check(plan, difference.offset_db, tolerance=tolerance),
        seats=_seat_checks(difference, tolerance=tolerance),
        bands=_band_checks(plan, difference, explained, tolerance=tolerance),
        suspects=() if agrees else explained.settings,
        stated=_stated(plan, stated_gains_db or {}, stated_level_db),
        not_measured_again=tuple(
            entry.seat for entry in plan.seats if entry.seat not in difference.seats
        ),
        joining=joining,
        stated_joining=otherwise,
        joining_unchecked=plan.joining is not None and joining is None,
    )


def _all_agree(
    plan: Plan, difference: _Difference, explained: _Explanation, *, tolerance: float
) -> bool:
    bands = _band_checks(plan, difference, explained, tolerance=tolerance)
    seats = _seat_checks(difference, tolerance=tolerance)
    return all(seat.agrees for seat in seats) and all(band.agrees for band in bands)


def _weighted_median(values: FloatArray, weights: FloatArray) -> float:
    """Return the median over all rows, each value counting by the weight of its column."""
    every = np.broadcast_to(weights, values.shape).ravel()
    order = np.argsort(values, axis=None, kind="stable")
    below = np.cumsum(every[order])
    return float(values.ravel()[order][np.searchsorted(below, 0.5 * below[-1])])


def _stated(
    plan: Plan, gains_db: Mapping[str, float], level_db: float | None
) -> tuple[StatedSetting, ...]:
    found = [
        StatedSetting(
            label=band.label, planned_db=band.gain_db, stated_db=float(gains_db[band.label])
        )
        for band in plan.bands
        if band.label in gains_db and abs(gains_db[band.label] - band.gain_db) > _SAME_DB
    ]
    planned = plan.level.setting_db
    if level_db is not None and planned is not None and abs(level_db - planned) > _SAME_DB:
        found.append(StatedSetting(label="level", planned_db=planned, stated_db=level_db))
    return tuple(found)


def _level_check(plan: Plan, offset_db: float, *, tolerance: float) -> LevelCheck:
    """Compare the level with what the knob gives in its steps; the prediction has it exactly."""
    planned = plan.level.setting_db
    off = offset_db + plan.level.residual_db - plan.level.upstream_db
    return LevelCheck(
        difference_db=off,
        planned_db=planned,
        looks_like_db=None if planned is None else planned + off,
        agrees=abs(off) <= tolerance,
    )


def _seat_checks(difference: _Difference, *, tolerance: float) -> tuple[SeatCheck, ...]:
    by_seat = np.sqrt(difference.by_seat_db**2 @ difference.share)
    return tuple(
        SeatCheck(seat=seat, difference_db=float(value), agrees=bool(value <= 2.0 * tolerance))
        for seat, value in zip(difference.seats, by_seat, strict=True)
    )


def _difference(plan: Plan, survey: Survey) -> _Difference:
    if plan.source not in survey.sources:
        raise ValueError(
            f"no measurement of {plan.source!r} in this survey, only {', '.join(survey.sources)}: "
            "the plan's bands are checked by what they were fitted to, so measure that again too"
        )
    chosen = survey.of_source(plan.source)
    planned = [entry.seat for entry in plan.seats]
    again = [seat for seat in planned if seat in chosen.seats]
    if not again:
        raise ValueError(
            f"none of the plan's seats was measured again: it has {', '.join(planned)}, the "
            f"measurement {', '.join(chosen.seats)}"
        )
    axis = np.array(plan.curves.frequencies)
    _check_comparable(plan, chosen, axis)
    levels = seat_levels_db(chosen, at=axis)
    measured = levels[[chosen.seats.index(seat) for seat in again]]
    predicted = np.array(plan.curves.predicted_level_db)[[planned.index(seat) for seat in again]]
    weights = np.array(plan.curves.frequency_weights)
    raw, share = measured - predicted, weights / weights.sum()
    offset = _weighted_median(raw, share)
    return _Difference(seats=tuple(again), axis=axis, raw_db=raw, share=share, offset_db=offset)


def _check_comparable(plan: Plan, chosen: Survey, axis: FloatArray) -> None:
    """Raise ValueError unless the survey holds what the plan's curves were made of."""
    in_bands = any(caution.code is CautionCode.BAND_LEVELS_ONLY for caution in plan.cautions)
    if has_band_levels(chosen) != in_bands:
        kinds = ("narrow-band responses", "third-octave band levels")
        raise ValueError(
            f"the plan was made from {kinds[in_bands]}, this measurement holds "
            f"{kinds[not in_bands]}: measure again in the same way"
        )
    for entry in chosen.measurements:
        own = entry.response.frequencies
        if in_bands:
            covered = bool(np.isin(axis.round(6), own.round(6)).all())
        else:
            covered = own[0] <= axis[0] * (1 + 1e-9) and own[-1] >= axis[-1] * (1 - 1e-9)
        if not covered:
            raise ValueError(
                f"seat {entry.seat!r}{f' ({entry.file})' if entry.file else ''}: measured from "
                f"{own[0]:.4g} to {own[-1]:.4g} Hz{', bands missing' if in_bands else ''}; the "
                f"plan needs {'every band from ' if in_bands else ''}{axis[0]:.4g} to "
                f"{axis[-1]:.4g} Hz"
            )


def _band_checks(
    plan: Plan, difference: _Difference, explained: _Explanation, *, tolerance: float
) -> tuple[BandCheck, ...]:
    axis, mean = difference.axis, difference.mean_db
    checks = []
    for setting in plan.bands:
        band = third_octave_band(setting.centre)
        inside = (axis >= band.lower) & (axis < band.upper) & (difference.share > 0)
        if inside.any():
            value = float(mean[inside].mean())
            checks.append(
                BandCheck(
                    label=setting.label,
                    difference_db=value,
                    unexplained_db=value - float(explained.response_db[inside].mean()),
                    agrees=abs(value) <= tolerance,
                )
            )
    return tuple(checks)


def equaliser_of(device: DeviceRecord) -> FixedBandEqualiser | None:
    """Return the equaliser a plan was made for; None where its bands' shapes were measured."""
    if device.measured_shapes:
        return None
    return FixedBandEqualiser(
        bands=tuple(third_octave_band(float(label)) for label in device.labels),
        lowest_db=device.lowest_db,
        highest_db=device.highest_db,
        step_db=device.step_db,
        q_law=QLaw(
            gain_db=np.array(device.q_gain_db), q=np.array(device.q), measured=device.q_measured
        ),
        sample_rate=device.sample_rate,
    )


def _explanation(plan: Plan, difference: _Difference) -> _Explanation:
    """Name bands, one after the other, whose other setting explains most of what differs.

    The level is free in every comparison: means are taken out of differences and of changes alike.
    """
    axis, share = difference.axis, difference.share
    mean = difference.mean_db - difference.mean_db @ share
    equaliser = equaliser_of(plan.device)
    if equaliser is None:
        return _Explanation(settings=(), response_db=np.zeros(axis.size))
    whole, changes = [], []
    for index, gain in enumerate(plan.gains_db):
        planned = equaliser.band_table_db(index, axis, gains_db=np.array([gain]))
        whole.append(equaliser.band_table_db(index, axis) - planned)
        changes.append(whole[-1] - (whole[-1] @ share)[:, np.newaxis])
    found: dict[int, int] = {}
    for _ in range(_MOST_SUSPECTS):
        rest = mean - _explained(changes, found)
        best, enough = None, float(rest**2 @ share) * (1.0 - _EXPLAINS)
        for index, change in enumerate(changes):
            left = ((rest - change) ** 2) @ share
            row = int(np.argmin(left))
            if index not in found and left[row] < enough:
                best, enough = (index, row), float(left[row])
        if best is None:
            break
        found[best[0]] = best[1]
        _refine(found, mean, changes, share)
    grid = equaliser.gain_grid_db
    settings = tuple(
        SuspectedSetting(
            label=plan.bands[index].label,
            planned_db=plan.bands[index].gain_db,
            looks_like_db=float(grid[row]),
        )
        for index, row in found.items()
        if abs(grid[row] - plan.gains_db[index]) > _SAME_DB
    )
    return _Explanation(settings=settings, response_db=_explained(whole, found))


def _explained(changes: list[FloatArray], found: dict[int, int]) -> FloatArray:
    """Return what the found settings together change, in dB, shape (F,)."""
    total = np.zeros(changes[0].shape[1])
    for index, row in found.items():
        total += changes[index][row]
    return total


def _refine(
    found: dict[int, int], wanted: FloatArray, changes: list[FloatArray], share: FloatArray
) -> None:
    """Choose each found setting anew beside the others: skirts of neighbours overlap."""
    for _ in range(_REFINEMENTS):
        before = dict(found)
        for index in found:
            others = {other: row for other, row in found.items() if other != index}
            rest = wanted - _explained(changes, others)
            found[index] = int(np.argmin(((rest - changes[index]) ** 2) @ share))
        if found == before:
            break
