"""Cautions of a proposal: what the reader should know before turning a knob.

Conventions
-----------
Codes with their figures; the words are in `roomeq.report.text.wording`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from roomeq.analysis.odd_seat import estimate_odd_seat
from roomeq.base.cautions import Caution, CautionCode
from roomeq.optimiser.bands.fit import BandGainFit
from roomeq.plan.joining import JoiningRecord, JoiningSeatRow
from roomeq.plan.recordings import RecordingRow
from roomeq.plan.records import LevelSetting, QCheck, SeatResult
from roomeq.room.room import Room

NOTICEABLE_DB, NOTICED_DB = 0.5, 0.05
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
    seats: tuple[SeatResult, ...],
    joining: JoiningRecord | None = None,
) -> tuple[Caution, ...]:
    """Collect the cautions that belong to this plan; with joining, seats are judged by the sum."""
    data = fit.data
    rows: Sequence[SeatResult | JoiningSeatRow] = seats
    gained, no_change = fit.deviation_before_db - fit.deviation_db, fit.no_change
    if joining is not None:
        rows, no_change = joining.seat_rows, joining.no_change
        gained = joining.judged[0] - joining.judged[1]
    found = [*_setting_cautions(room, fit, level), *_seat_cautions(rows)]
    found += _drive_caution(fit, level, joined=joining is not None)
    if no_change is None:
        found += _unmeasured_caution(rows)
    if q_checks:
        assumed = room.equaliser.assumed_q_labels if room.equaliser.found else ()
        found.append(Caution(code=CautionCode.Q_ASSUMED, name=", ".join(assumed) or None))
    if no_change is None:
        found += _q_cautions(q_checks, gained)
    if data.band_levels:
        found.append(Caution(code=CautionCode.BAND_LEVELS_ONLY))
    if len(data.seats) < 3:
        found.append(Caution(code=CautionCode.FEW_SEATS, value=float(len(data.seats))))
    if not data.noise_known:
        found.append(Caution(code=CautionCode.NOISE_UNKNOWN))
    found += _noise_caution(room, fit)
    odd = estimate_odd_seat(data.frequencies, data.seat_error_db, seats=data.seats)
    if odd is not None:
        found.append(
            Caution(code=CautionCode.ONE_SEAT_STANDS_OUT, value=odd.distance_db, name=odd.seat)
        )
    return tuple(found)


def _setting_cautions(room: Room, fit: BandGainFit, level: LevelSetting) -> list[Caution]:
    found = []
    if level.upstream_db:
        found.append(Caution(code=CautionCode.LEVEL_OUTSIDE_RANGE, value=level.upstream_db))
    if fit.loudness_cut_db > NOTICEABLE_DB:
        found.append(
            Caution(
                code=CautionCode.LOUDNESS_CUT,
                value=fit.loudness_cut_db,
                name="now" if room.target.level_db is None else "wanted",
                frequency=None if room.limits.drive_by_frequency else fit.held_at,
            )
        )
    if fit.lock_excess_db > NOTICED_DB:
        code, at = CautionCode.LOCK_BEYOND_LIMIT, fit.lock_excess_frequency
        found.append(Caution(code=code, value=fit.lock_excess_db, frequency=at))
    if fit.floor_cost_db is not None:
        code = CautionCode.LOWER_LIMIT_UNKNOWN
        found.append(Caution(code=code, value=fit.floor_cost_db, frequency=fit.floor))
    if not fit.proven:
        found.append(Caution(code=CautionCode.NOT_PROVEN, value=fit.gap_db))
    return found


def _drive_caution(fit: BandGainFit, level: LevelSetting, *, joined: bool) -> list[Caution]:
    """Say how much harder the subwoofer works: at the same loudness, or as set to join the mains.

    A joined subwoofer has the level that the mains ask for, not the loudness it had.
    """
    rise_db, code = fit.drive_boost_db, CautionCode.WORKS_HARDER
    if joined:
        rise_db, code = fit.filter_boost_db + level.change_db, CautionCode.WORKS_HARDER_AS_SET
    return [Caution(code=code, value=rise_db)] if rise_db > HARD_WORK_DB else []


def _q_cautions(q_checks: tuple[QCheck, ...], gained_db: float) -> list[Caution]:
    """Say where the improvement would be lost at another Q."""
    found = []
    for check in q_checks:
        if check.before_db - check.after_db < min(NOTICEABLE_DB, 0.5 * gained_db):
            found.append(Caution(code=CautionCode.IMPROVEMENT_LOST_AT_OTHER_Q, value=check.factor))
    return found


def _seat_cautions(rows: Sequence[SeatResult | JoiningSeatRow]) -> list[Caution]:
    """Say which seat gets worse; none where both were joined by levels alone, and none judged."""
    worst = max(rows, key=lambda row: row.after_db - row.before_db, default=None)
    if worst is None or worst.after_db - worst.before_db <= NOTICEABLE_DB:
        return []
    worse = worst.after_db - worst.before_db
    return [Caution(code=CautionCode.SEAT_GETS_WORSE, value=worse, name=worst.seat)]


def _unmeasured_caution(rows: Sequence[SeatResult | JoiningSeatRow]) -> list[Caution]:
    """Say that settings chosen without a seat do not help there, on average."""
    left_out = [row for row in rows if row.left_out_after_db is not None]
    changes = [(row.left_out_after_db or 0.0) - row.before_db for row in left_out]
    change = float(np.mean(changes)) if changes else 0.0
    if change <= NOTICED_DB:
        return []
    return [Caution(code=CautionCode.UNMEASURED_SEAT_MAY_GET_WORSE, value=change)]
