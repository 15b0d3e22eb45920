"""Verification of a joining: does the sum look as predicted, or like another setting.

Conventions
-----------
Levels in dB, on the plan's axis of the sum, smoothed over 1/12 octave as the prediction is. One
offset over all seats is removed, since the levels of two measuring days need not compare. What the
sum would be in the other polarity, or with the subwoofer g times as loud, follows from the plan's
levels of subwoofer, mains and sum::

    |M - S|^2    =  2 (|S|^2 + |M|^2) - |S + M|^2
    |M + g S|^2  =  g^2 |S|^2 + |M|^2 + g (|S + M|^2 - |S|^2 - |M|^2)
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from roomeq.analysis.smoothing import smooth_power_db
from roomeq.analysis.survey_levels import has_band_levels
from roomeq.base.levels import FloatArray, power_mean_db
from roomeq.base.survey import Survey
from roomeq.optimiser.joining.data import SMOOTHING_FRACTION
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.verification import (
    JoiningCheck,
    JoiningLook,
    SeatCheck,
    StatedJoiningSetting,
)

__all__ = ["check_joining", "joining_stated_otherwise"]

_SAME_MS = 0.006  # a plan shows two decimals, and that is what is set
_SAME_DEG = 1e-9
_CLEARLY = 0.5  # another setting must leave at most this share of the difference
LOSS_AGREES_DB = 0.5
"""More than this above the prediction, and the parts do not join as planned. In 80 rooms made by
code: of 240 with the right setting and each response off by 0.3 to 1 dB, none; with the polarity
wrong all 80; with the delay in the wrong branch 61 of 65 (the others lose little either way)."""


def check_joining(
    record: JoiningRecord,
    survey: Survey,
    *,
    tolerance_db: float,
    loss_db: float | None = None,
    offset_db: float = 0.0,
) -> JoiningCheck | None:
    """Compare the sum of subwoofer and mains, measured again, with what a plan predicted.

    Parameters
    ----------
    record : JoiningRecord
    survey : Survey
    tolerance_db : float
        A seat agrees within twice this, as for the subwoofer alone.
    loss_db : float, optional
        What the sum loses, where subwoofer and mains were measured again as well. Otherwise it
        follows from the level of both.
    offset_db : float
        Level by which the subwoofer alone differs from its prediction at all seats.

    Returns
    -------
    JoiningCheck or None
        By the loss alone, with no seats, where subwoofer and mains together were not measured
        again at a seat of the plan, in narrow bands and over its axis; None where that is not known
        either.
    """
    axis = np.array(record.frequencies)
    rows = [row.seat for row in record.seats]
    measured = _measured(survey, rows, axis)
    if not measured:
        return None if loss_db is None else _check_of_loss(record, survey, loss_db)
    seats = list(measured)
    index = [rows.index(seat) for seat in seats]
    again = np.array([measured[seat] for seat in seats])
    if loss_db is None:
        planned = np.array(record.after_level_db)[index]
        loss_db = record.loss_db + _octave_mean_db(record, axis, planned - again + offset_db)
    octaves = np.abs(np.log2(axis / record.corner))
    judged = octaves <= 1.0 + 1e-9  # beyond that nothing tells one setting from another
    looks = {
        look: levels[index][:, judged] for look, levels in _predictions(record, offset_db).items()
    }
    left = {look: _difference_db(again[:, judged], levels) for look, levels in looks.items()}
    by_seat = left[JoiningLook.AS_PLANNED]
    agrees = bool(np.all(by_seat <= 2.0 * tolerance_db))
    total = {look: float(np.sqrt(np.mean(values**2))) for look, values in left.items()}
    nearest = min(total, key=lambda look: total[look])
    if agrees or total[nearest] > _CLEARLY * total[JoiningLook.AS_PLANNED]:
        nearest = JoiningLook.AS_PLANNED if agrees else JoiningLook.SOMETHING_ELSE
    return JoiningCheck(
        agrees=agrees,
        looks_like=nearest,
        seats=tuple(
            SeatCheck(
                seat=seat, difference_db=float(value), agrees=bool(value <= 2.0 * tolerance_db)
            )
            for seat, value in zip(seats, by_seat, strict=True)
        ),
        corner=record.corner,
        loss_db=loss_db,
        predicted_loss_db=record.loss_db,
    )


def _check_of_loss(record: JoiningRecord, survey: Survey, loss_db: float) -> JoiningCheck | None:
    """Compare what the sum loses with the prediction at the seats measured again."""
    again = set(survey.of_source("sub").seats) & set(survey.of_source("mains").seats)
    rows = [row for row in record.seats if row.seat in again]
    if not rows:
        return None
    predicted = float(np.average([r.after_db for r in rows], weights=[r.weight for r in rows]))
    agrees = loss_db <= predicted + LOSS_AGREES_DB
    return JoiningCheck(
        agrees=agrees,
        looks_like=JoiningLook.AS_PLANNED if agrees else JoiningLook.SOMETHING_ELSE,
        seats=(),
        corner=record.corner,
        loss_db=loss_db,
        predicted_loss_db=predicted,
    )


def joining_stated_otherwise(
    record: JoiningRecord,
    *,
    delay: float | None = None,
    polarity: Literal["normal", "inverted"] | None = None,
    phase_deg: float | None = None,
) -> tuple[StatedJoiningSetting, ...]:
    """Return the settings that are stated to be others than a plan's.

    Parameters
    ----------
    record : JoiningRecord
    delay : float, optional
        Of the subwoofer against the mains, in s; positive is later.
    polarity : {"normal", "inverted"}, optional
    phase_deg : float, optional
        Of the phase control.

    Returns
    -------
    tuple of StatedJoiningSetting
        Delay, polarity, phase; what is not stated is not compared.
    """
    planned, found = record.settings, []
    if delay is not None and abs(1e3 * delay - planned.delay_ms) > _SAME_MS:
        stated_ms = round(1e3 * delay, 6)
        found.append(
            StatedJoiningSetting(label="delay_ms", planned=planned.delay_ms, stated=stated_ms)
        )
    wanted = planned.settings().polarity
    if polarity is not None and polarity != wanted:
        found.append(StatedJoiningSetting(label="polarity", planned=wanted, stated=polarity))
    if phase_deg is not None and abs(phase_deg - planned.phase_deg) > _SAME_DEG:
        found.append(
            StatedJoiningSetting(label="phase_deg", planned=planned.phase_deg, stated=phase_deg)
        )
    return tuple(found)


def _octave_mean_db(record: JoiningRecord, axis: FloatArray, rows: FloatArray) -> float:
    """Return the mean of levels over the octave around the corner and over the seats."""
    inside = (axis >= record.lowest * (1 - 1e-9)) & (axis <= record.highest * (1 + 1e-9))
    return float(np.mean(rows[:, inside]))


def _measured(survey: Survey, seats: list[str], axis: FloatArray) -> dict[str, FloatArray]:
    """Return the level of both together at each seat of the plan, power mean over repeats."""
    if "both" not in survey.sources or has_band_levels(survey.of_source("both")):
        return {}
    found: dict[str, list[FloatArray]] = {}
    for entry in survey.of_source("both").measurements:
        own = entry.response.frequencies
        covered = own[0] <= axis[0] * (1 + 1e-9) and own[-1] >= axis[-1] * (1 - 1e-9)
        if entry.seat in seats and covered:
            level = smooth_power_db(
                own, entry.response.level_db, at=axis, fraction=SMOOTHING_FRACTION
            )
            found.setdefault(entry.seat, []).append(level)
    return {seat: power_mean_db(np.array(levels), axis=0) for seat, levels in found.items()}


def _predictions(record: JoiningRecord, offset_db: float) -> dict[JoiningLook, FloatArray]:
    """Return the level of the sum as planned, in the other polarity, as before, at another level.

    Another level is that by which the subwoofer alone differs.
    """
    planned = np.array(record.after_level_db)
    sub, mains = (10.0 ** (np.array(r) / 10) for r in (record.sub_level_db, record.mains_level_db))
    parts, level = sub + mains, 10.0 ** (offset_db / 20)
    louder = level**2 * sub + mains + level * (10.0 ** (planned / 10) - parts)
    other = np.maximum(2.0 * parts - 10.0 ** (planned / 10), 1e-4 * parts)
    return {
        JoiningLook.AS_PLANNED: planned,
        JoiningLook.OTHER_POLARITY: np.asarray(10.0 * np.log10(other)),
        JoiningLook.AS_BEFORE: np.array(record.before_level_db),
        JoiningLook.OTHER_LEVEL: np.asarray(10.0 * np.log10(np.maximum(louder, 1e-4 * parts))),
    }


def _difference_db(measured: FloatArray, predicted: FloatArray) -> FloatArray:
    """Return the root mean square difference at each seat, one median offset removed."""
    difference = measured - predicted
    difference = difference - np.median(difference)
    return np.asarray(np.sqrt(np.mean(difference**2, axis=1)))
