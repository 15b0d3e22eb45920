"""Verification of a joining: what the sum loses, and what is stated otherwise.

Conventions
-----------
Levels in dB, on the plan's axis of the sum, smoothed over 1/12 octave as the prediction is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from roomeq.base.survey import Survey
from roomeq.jobs.verifying.parts import measured_levels_db
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.verification import JoiningCheck, StatedJoiningSetting

_Label = Literal["delay_ms", "polarity", "phase_deg"]
_SAME: dict[_Label, float] = {
    "delay_ms": 0.006,  # a plan shows two decimals, and that is what is set
    "polarity": 0.0,
    "phase_deg": 1e-9,
}
LOSS_AGREES_DB = 0.5
"""More than this above the prediction, and the parts do not join as planned. In 80 rooms made by
code: of 240 with the right setting and each response off by 0.3 to 1 dB, none; with the polarity
wrong all 80; with the delay in the wrong branch 61 of 65 (the others lose little either way)."""


def check_joining(
    record: JoiningRecord,
    survey: Survey,
    *,
    as_planned: bool,
    loss_db: float | None = None,
    offset_db: float = 0.0,
) -> JoiningCheck | None:
    """Compare what the sum of subwoofer and mains loses with what a plan predicted.

    Parameters
    ----------
    record : JoiningRecord
    survey : Survey
    as_planned : bool
        Whether the sum, where it was measured again, looks as planned.
    loss_db : float, optional
        What the sum loses, where subwoofer and mains were measured again as well. Otherwise it
        follows from the level of both.
    offset_db : float
        Level by which all differs from the prediction.

    Returns
    -------
    JoiningCheck or None
        By the loss alone where subwoofer and mains together were not measured again at a seat of
        the plan, in narrow bands and over its axis; None where that is not known either.
    """
    axis, rows = np.array(record.frequencies), [row.seat for row in record.seats]
    measured = measured_levels_db(survey, rows, axis)
    predicted = record.loss_db
    if measured and loss_db is not None:
        as_planned = as_planned and loss_db <= predicted + LOSS_AGREES_DB
    if measured and loss_db is None:
        planned = np.array(record.after_level_db)[[rows.index(seat) for seat in measured]]
        again = np.array(list(measured.values()))
        inside = (axis >= record.lowest * (1 - 1e-9)) & (axis <= record.highest * (1 + 1e-9))
        loss_db = predicted + float(np.mean((planned - again + offset_db)[:, inside]))
    if loss_db is None:
        return None
    if not measured:
        again_seats = set(survey.of_source("sub").seats) & set(survey.of_source("mains").seats)
        kept = [row for row in record.seats if row.seat in again_seats]
        if not kept:
            return None
        predicted = float(np.average([r.after_db for r in kept], weights=[r.weight for r in kept]))
        as_planned = loss_db <= predicted + LOSS_AGREES_DB
    return JoiningCheck(
        agrees=as_planned,
        by_sum=bool(measured),
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
    planned = record.settings
    return told_otherwise(
        (planned.delay_ms, planned.settings().polarity, planned.phase_deg),
        (None if delay is None else round(1e3 * delay, 6), polarity, phase_deg),
    )


def told_otherwise(
    planned: Sequence[float | str | None],
    stated: Sequence[float | str | None],
    *,
    subwoofer: str | None = None,
) -> tuple[StatedJoiningSetting, ...]:
    """Return delay in ms, polarity and phase in degrees that are stated to be others than planned.

    Parameters
    ----------
    planned, stated : sequence of float, str or None
        What is not known is not compared.
    subwoofer : str, optional
        Which of several they are of.
    """
    return tuple(
        StatedJoiningSetting(label=label, planned=one, stated=other, subwoofer=subwoofer)
        for label, one, other in zip(_SAME, planned, stated, strict=True)
        if one is not None and other is not None and not _same(label, one, other)
    )


def _same(label: _Label, one: float | str, other: float | str) -> bool:
    if isinstance(one, str) or isinstance(other, str):
        return one == other
    return abs(one - other) <= _SAME[label]
