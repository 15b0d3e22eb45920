"""Cautions of a proposal: what the reader should know before turning a knob.

Conventions
-----------
Codes with their figures; the words are in `roomeq.report.wording`.
"""

from __future__ import annotations

import numpy as np

from roomeq.analysis.odd_seat import estimate_odd_seat
from roomeq.optimiser.band_gain_fit import BandGainFit
from roomeq.plan import Caution, CautionCode, LevelSetting, QCheck
from roomeq.plan_joining import JoiningRecord
from roomeq.recording_rows import RecordingRow
from roomeq.room import Room

__all__ = ["proposal_cautions", "recording_cautions"]

NOTICEABLE_DB = 0.5
HARD_WORK_DB = 3.0
NOTICED = 0.95
"""Noise that leaves a band more weight is not worth a word; common practice, no source."""


def recording_cautions(recordings: tuple[RecordingRow, ...]) -> tuple[Caution, ...]:
    """Say which recordings count less than fully, and by how much."""
    found = []
    for row in recordings:
        name = f"{row.file} ({row.seat})"
        if row.counts <= 0.0:
            found.append(Caution(code=CautionCode.RECORDING_LEFT_OUT, name=name))
        elif row.counts < 1.0:
            code = CautionCode.RECORDING_COUNTS_LESS
            found.append(Caution(code=code, value=row.counts, name=name))
    return tuple(found)


def _noise_caution(room: Room, fit: BandGainFit) -> tuple[Caution, ...]:
    """Say which bands count less because of noise, with the smallest weight it leaves them."""
    data, lowered = fit.data, {}
    lowest, highest = room.used_span(room.source)
    for band in room.equaliser.bands:
        low, high = max(band.lower, lowest), min(band.upper, highest)
        inside = (data.frequencies >= low) & (data.frequencies <= high)
        least = float(data.noise_weights[inside].min(initial=1.0))
        if least < NOTICED:
            lowered[band.label] = least
    if not lowered:
        return ()
    code, least = CautionCode.BANDS_IN_NOISE, min(lowered.values())
    return (Caution(code=code, value=least, name=", ".join(lowered)),)


def proposal_cautions(
    room: Room,
    fit: BandGainFit,
    level: LevelSetting,
    q_checks: tuple[QCheck, ...],
    *,
    joining: JoiningRecord | None = None,
) -> tuple[Caution, ...]:
    """Collect the cautions that belong to this plan; with joining, seats are judged by the sum."""
    data = fit.data
    found = [*_setting_cautions(fit, level)]
    if joining is None:
        gained = 0.0 if fit.no_change else fit.deviation_before_db - fit.deviation_db
        worse = dict(zip(data.seats, fit.after_by_seat_db - fit.before_by_seat_db, strict=True))
        found += _unmeasured_caution(fit)
    else:
        gained = joining.judged[0] - joining.judged[1]
        worse = {row.seat: row.after_db - row.before_db for row in joining.seat_rows}
    found += [*_q_cautions(q_checks, gained), *_seat_cautions(worse)]
    if data.band_levels:
        found.append(Caution(code=CautionCode.BAND_LEVELS_ONLY))
    if len(data.seats) < 3:
        found.append(Caution(code=CautionCode.FEW_SEATS, value=float(len(data.seats))))
    if not data.noise_known:
        found.append(Caution(code=CautionCode.NOISE_UNKNOWN))
    found += _noise_caution(room, fit)
    odd = estimate_odd_seat(data.error_db, frequencies=data.frequencies, seats=data.seats)
    if odd is not None:
        found.append(
            Caution(code=CautionCode.ONE_SEAT_STANDS_OUT, value=odd.distance_db, name=odd.seat)
        )
    return tuple(found)


def _setting_cautions(fit: BandGainFit, level: LevelSetting) -> list[Caution]:
    found = []
    if level.upstream_db:
        found.append(Caution(code=CautionCode.LEVEL_OUTSIDE_RANGE, value=level.upstream_db))
    if fit.loudness_cut_db > 0:
        found.append(Caution(code=CautionCode.LOUDNESS_CUT, value=fit.loudness_cut_db))
    if not fit.proven:
        found.append(Caution(code=CautionCode.NOT_PROVEN, value=fit.gap_db))
    if fit.drive_boost_db > HARD_WORK_DB:
        found.append(Caution(code=CautionCode.WORKS_HARDER, value=fit.drive_boost_db))
    return found


def _q_cautions(q_checks: tuple[QCheck, ...], gained_db: float) -> list[Caution]:
    """Say that Q is assumed, and where the improvement would be lost at another."""
    found = [Caution(code=CautionCode.Q_ASSUMED)] if q_checks else []
    for check in q_checks if gained_db > 0 else ():
        if check.before_db - check.after_db < min(NOTICEABLE_DB, 0.5 * gained_db):
            found.append(Caution(code=CautionCode.IMPROVEMENT_LOST_AT_OTHER_Q, value=check.factor))
    return found


def _seat_cautions(worse_db: dict[str, float]) -> list[Caution]:
    seat = max(worse_db, key=lambda name: worse_db[name])
    if worse_db[seat] <= NOTICEABLE_DB:
        return []
    return [Caution(code=CautionCode.SEAT_GETS_WORSE, value=float(worse_db[seat]), name=seat)]


def _unmeasured_caution(fit: BandGainFit) -> list[Caution]:
    if not fit.left_out or fit.no_change is not None:
        return []
    change = float(np.mean([seat.after_db - seat.before_db for seat in fit.left_out]))
    if change <= 0:
        return []
    return [Caution(code=CautionCode.UNMEASURED_SEAT_MAY_GET_WORSE, value=change)]
