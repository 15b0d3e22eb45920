"""What was chosen, put into a plan: settings, seats, evidence, curves, cautions.

Conventions
-----------
Nothing here computes acoustics; figures come from `roomeq.optimiser`.

Cautions of a proposal: what the reader should know before turning a knob.

Codes with their figures; the words are in `roomeq.report.text.wording`.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence

import numpy as np

from roomeq.analysis.seats import estimate_odd_seat
from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.levels import power_ratio
from roomeq.device.crossover import HighPass
from roomeq.device.profile import LevelKnob
from roomeq.jobs.drive.headroom import Proposal
from roomeq.jobs.propose_joined import Q_FACTORS, path_cautions
from roomeq.optimiser.bands.fit import BandGainFit
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.plan.joining import JoiningSeatRow
from roomeq.plan.plan import PLAN_FORMAT, Plan
from roomeq.plan.recordings import RecordingRow, recording_rows
from roomeq.plan.records import (
    Curves,
    DeviceRecord,
    Evidence,
    LevelSetting,
    PresentRecord,
    QCheck,
    SeatResult,
    TargetRecord,
)
from roomeq.room.room import Room

NOTICEABLE_DB, NOTICED_DB = 0.5, 0.05
HARD_WORK_DB = 3.0
NOTICED = 0.95
"""Noise that leaves a band more weight is not worth a word; common practice, no source."""


def _recording_cautions(recordings: tuple[RecordingRow, ...]) -> Iterator[Caution]:
    """Say which recordings count less than fully, and by how much."""
    for row in recordings:
        name = f"{row.file} ({row.seat})"
        if row.counts <= 0.0:
            yield Caution(code=CautionCode.RECORDING_LEFT_OUT, name=name)
        elif row.counts < 1.0:
            yield Caution(code=CautionCode.RECORDING_COUNTS_LESS, value=row.counts, name=name)


def _noise_caution(room: Room, fit: BandGainFit) -> Iterator[Caution]:
    """Say which bands count less because of noise, with the smallest weight it leaves them."""
    data, lowered = fit.data, {}
    lowest, highest = room.used_span(room.source)
    for band in room.equaliser.bands:
        low, high = max(band.lower, lowest), min(band.upper, highest)
        inside = (data.frequencies >= low) & (data.frequencies <= high)
        least = float(data.noise_weights[inside].min(initial=1.0))
        if least < NOTICED:
            lowered[band.label] = least
    if lowered:
        least, names = min(lowered.values()), ", ".join(lowered)
        yield Caution(code=CautionCode.BANDS_IN_NOISE, value=least, name=names)


def _proposal_cautions(
    found: Proposal,
    now: FitData,
    level: LevelSetting,
    q_checks: tuple[QCheck, ...],
    seats: tuple[SeatResult, ...],
) -> Iterator[Caution]:
    """Collect the cautions that belong to this plan; with joining, seats are judged by the sum."""
    room, fit, joining = found.room, found.fit, found.joining
    data = fit.data
    rows: Sequence[SeatResult | JoiningSeatRow] = seats
    gained, no_change = fit.deviation_before_db - fit.deviation_db, fit.no_change
    rise_db, harder = fit.drive_boost_db, CautionCode.WORKS_HARDER
    if joining is not None:
        rows, no_change = joining.seat_rows, joining.no_change
        gained = joining.judged[0] - joining.judged[1]
        # A joined subwoofer has the level that the mains ask for, not the loudness it had.
        rise_db, harder = fit.filter_boost_db + level.change_db, CautionCode.WORKS_HARDER_AS_SET
    yield from _setting_cautions(room, fit, level)
    rises = ((row.after_db - row.before_db, row.seat) for row in rows)
    worse_db, seat = max(rises, default=(0.0, ""))
    if worse_db > NOTICEABLE_DB:
        yield Caution(code=CautionCode.SEAT_GETS_WORSE, value=worse_db, name=seat)
    if rise_db > HARD_WORK_DB:
        yield Caution(code=harder, value=rise_db)
    if no_change is None:
        yield from _unmeasured_caution(rows)
    if q_checks:
        assumed = room.equaliser.assumed_q_labels if room.equaliser.found else ()
        yield Caution(code=CautionCode.Q_ASSUMED, name=", ".join(assumed) or None)
    for check in q_checks if no_change is None else ():
        if check.before_db - check.after_db < min(NOTICEABLE_DB, 0.5 * gained):
            yield Caution(code=CautionCode.IMPROVEMENT_LOST_AT_OTHER_Q, value=check.factor)
    if data.band_levels:
        yield Caution(code=CautionCode.BAND_LEVELS_ONLY)
    if len(data.seats) < 3:
        yield Caution(code=CautionCode.FEW_SEATS, value=float(len(data.seats)))
    if not data.noise_known:
        yield Caution(code=CautionCode.NOISE_UNKNOWN)
    yield from _noise_caution(room, fit)
    odd = estimate_odd_seat(now.frequencies, now.seat_error_db, seats=now.seats)  # as `check` does
    if odd is not None:
        code = CautionCode.ONE_SEAT_STANDS_OUT
        yield Caution(code=code, value=odd.distance_db, name=odd.seat)


def _setting_cautions(room: Room, fit: BandGainFit, level: LevelSetting) -> Iterator[Caution]:
    if level.upstream_db:
        yield Caution(code=CautionCode.LEVEL_OUTSIDE_RANGE, value=level.upstream_db)
    held_at = None if room.limits.drive_by_frequency else fit.held_at
    yield from loudness_caution(room, fit.loudness_cut_db, held_at=held_at)
    if fit.lock_excess_db > NOTICED_DB:
        code, at = CautionCode.LOCK_BEYOND_LIMIT, fit.lock_excess_frequency
        yield Caution(code=code, value=fit.lock_excess_db, frequency=at)
    if fit.floor_cost_db is not None:
        code = CautionCode.LOWER_LIMIT_UNKNOWN
        yield Caution(code=code, value=fit.floor_cost_db, frequency=fit.floor)
    if not fit.proven:
        yield Caution(code=CautionCode.NOT_PROVEN, value=fit.gap_db)


def loudness_caution(
    room: Room, cut_db: float, *, held_at: float | None = None
) -> Iterator[Caution]:
    """Say that it becomes quieter than now or than wanted, and where the drive limit holds it."""
    if cut_db > NOTICEABLE_DB:
        code, name = CautionCode.LOUDNESS_CUT, "now" if room.target.level_db is None else "wanted"
        yield Caution(code=code, value=cut_db, name=name, frequency=held_at)


def _unmeasured_caution(rows: Sequence[SeatResult | JoiningSeatRow]) -> Iterator[Caution]:
    """Say that settings chosen without a seat do not help there, on average."""
    changes = [r.left_out_after_db - r.before_db for r in rows if r.left_out_after_db is not None]
    if changes and np.mean(changes) > NOTICED_DB:
        code = CautionCode.UNMEASURED_SEAT_MAY_GET_WORSE
        yield Caution(code=code, value=float(np.mean(changes)))


def plan_of(
    found: Proposal,
    *,
    given: Room,
    before: BandGainFit | None = None,
    date: datetime.date | None = None,
    by: str | None = None,
) -> Plan:
    """Return the plan of what was chosen.

    Parameters
    ----------
    found : Proposal
    given : Room
        As it was read.
    before : BandGainFit, optional
        What "now" refers to, where that is not the room of the proposal at its present gains.
    date : datetime.date, optional
        When it is made; today by default.
    by : str, optional
    """
    room, fit, joining = found.room, found.fit, found.joining
    equaliser = room.equaliser
    recordings = recording_rows(given)
    now = before or fit
    change_db, highest_db = fit.level_change_db, fit.highest_level_change_db
    if joining is not None:
        change_db, highest_db = joining.settings.level_change_db, math.inf
    present_db = room.present.level_db
    level = choose_level(change_db, room.device.level, present_db, highest_change_db=highest_db)
    q_checks = _q_checks(room, fit) if joining is None else found.q_checks
    seats = SeatResult.of_columns(
        seat=fit.data.seats,
        weight=fit.data.seat_weights,
        before_db=now.plain_before.by_seat_db,
        after_db=fit.plain_after.by_seat_db,
        left_out_after_db=fit.left_out_db or (None,) * len(fit.data.seats),
    )
    return Plan.copied(
        found,
        room,
        fit,
        format=PLAN_FORMAT,
        roomeq_version=release(),
        room=room.name,
        device=DeviceRecord.copied(
            equaliser,
            room.device,
            equaliser.q_law,
            q_gain_db=equaliser.q_law.gain_db,
            q_measured=equaliser.q_law.measured,
            measured_shapes=equaliser.shapes is not None,
        ),
        target=TargetRecord.copied(
            room.target,
            room,
            near_field=room.target.near_field is not None,
            path=tuple(str(entry) for entry in room.path),
        ),
        level=level,
        present=present_record(given),
        no_change=fit.no_change if joining is None else joining.no_change,
        seats=seats,
        evidence=_evidence(room, fit, now, q_checks),
        curves=Curves.copied(
            fit,
            fit.data,
            before_level_db=now.data.measured_db,
            present_response_db=fit.data.present_db,
            average_error_db=fit.data.error_db,
            shortfall_error_db=fit.data.shortfall_db,
            trust=(),
        ),
        cautions=(
            *_recording_cautions(recordings),
            *path_cautions(given, joining),
            *found.joining_cautions,
            *_proposal_cautions(found, now.data, level, q_checks, seats),
            *(c for c in found.cautions if joining is None or c.code is not CautionCode.JOIN_AGAIN),
        ),
        assumptions=(*room.assumptions, *found.assumptions),
        recordings=recordings,
        date=date or datetime.date.today(),
        by=by,
        together=None,
        subwoofers={},
        set_together=None,
    )


def release() -> str:
    """Return the version of this release; "unknown" where it is not installed."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("roomeq")
    except PackageNotFoundError:
        return "unknown"


def choose_level(
    exact_change_db: float,
    knob: LevelKnob | None,
    present_db: float | None,
    *,
    highest_change_db: float = math.inf,
) -> LevelSetting:
    """Choose the nearest step of the level knob that the drive limit grants.

    Parameters
    ----------
    exact_change_db : float
        Wanted change in dB.
    knob : LevelKnob or None
        None where the device has none: everything is to be set upstream.
    present_db : float or None
        Present setting; None where it is not known, and with it how far the knob reaches.
    highest_change_db : float
        No higher step is chosen.

    Returns
    -------
    LevelSetting
    """
    change_db, setting_db, upstream_db = 0.0, None, exact_change_db
    if knob is not None:
        start, now = (0.0, 0.0) if present_db is None else (knob.lowest_db, present_db)
        steps = round((now + exact_change_db / knob.scale - start) / knob.step_db)
        wanted = start + steps * knob.step_db
        while (wanted - now) * knob.scale > highest_change_db + 1e-9:
            wanted -= knob.step_db
        change_db, upstream_db = wanted - now, 0.0
        if present_db is not None:
            setting_db = min(max(wanted, knob.lowest_db), knob.highest_db)
            change_db = setting_db - present_db
            if not math.isclose(setting_db, wanted, abs_tol=1e-9):
                upstream_db = exact_change_db - change_db * knob.scale
    return LevelSetting(
        exact_change_db=exact_change_db,
        change_db=change_db,
        setting_db=setting_db,
        residual_db=exact_change_db - change_db * (1.0 if knob is None else knob.scale),
        upstream_db=upstream_db,
    )


def present_record(room: Room) -> PresentRecord:
    """Return what is stated of what was set while measuring, beside bands and level.

    A polarity that all of several subwoofers have is that of all.
    """
    present, setup, control = room.present, room.joining, room.device.phase
    polarities = {one.room.present.polarity for one in room.subwoofers} or {present.polarity}
    return PresentRecord.copied(
        present,
        setup,
        room.equipment,
        path=None if room.stated_path is None else tuple(map(str, room.stated_path)),
        mains_path=None if setup.mains_path is None else tuple(map(str, setup.mains_path)),
        protection=HighPass.of(room.equipment.protection),
        delay_ms=room.joined_by["delay_ms"],
        polarity=next(iter(polarities)) if len(polarities) == 1 else None,
        phase_frequency=None if control is None else control.frequency,
    )


def _q_checks(room: Room, fit: BandGainFit) -> tuple[QCheck, ...]:
    equaliser, checks = room.equaliser, []
    if equaliser.q_law.measured or equaliser.shapes is not None:
        return ()
    for factor in Q_FACTORS:
        before_db, after_db = fit.deviation_at_q_db(equaliser, factor=factor)
        checks.append(QCheck(factor=factor, before_db=before_db, after_db=after_db))
    return tuple(checks)


def _evidence(
    room: Room, fit: BandGainFit, now: BandGainFit, q_checks: tuple[QCheck, ...]
) -> Evidence:
    before, after = now.plain_before, fit.plain_after
    return Evidence.copied(
        fit,
        fit.loss,
        room,
        deviation_before_db=now.deviation_before_db,
        average_sd_before_db=before.average_sd_db,
        average_sd_after_db=after.average_sd_db,
        seat_sd_before_db=before.seat_sd_db,
        seat_sd_after_db=after.seat_sd_db,
        largest_excess_before_db=before.largest_excess_db,
        largest_excess_after_db=after.largest_excess_db,
        power_ratio=float(power_ratio(fit.drive_boost_db)),
        filter_boost_limit_db=room.limits.filter_boost_db,
        drive_boost_limit_db=float(room.limits.drive_db(np.array([fit.drive_boost_frequency]))[0]),
        no_boost_below=fit.floor,
        q_checks=q_checks,
        tail_start_db=None,
    )
