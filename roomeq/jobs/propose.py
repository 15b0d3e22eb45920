"""From a room to a plan: the one thin driver that runs the chain.

Conventions
-----------
Nothing here computes acoustics and nothing is written; figures come from `roomeq.optimiser`.
"""

from __future__ import annotations

import datetime
import math

import numpy as np

from roomeq.base.cautions import CautionCode
from roomeq.base.levels import power_ratio
from roomeq.device.high_pass import HighPass
from roomeq.device.profile import LevelKnob
from roomeq.jobs.cautions import proposal_cautions, recording_cautions
from roomeq.jobs.drive.bands import BandSearch, fit_room
from roomeq.jobs.propose_joined import (
    Q_FACTORS,
    path_cautions,
    proposal_of_joined,
    proposal_with_mains,
)
from roomeq.optimiser.bands.fit import BandGainFit, ChosenGains
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.plan import PLAN_FORMAT, Plan
from roomeq.plan.recordings import recording_rows
from roomeq.plan.records import (
    Curves,
    DeviceRecord,
    Evidence,
    InputRecord,
    LevelSetting,
    PresentRecord,
    QCheck,
    SeatResult,
    TargetRecord,
    rows_of,
)
from roomeq.room.recording_weights import weighed_room
from roomeq.room.room import Room

__all__ = ["fit_room_gains", "propose", "release"]


def propose(
    room: Room,
    *,
    best: bool = False,
    node_limit: int | None = None,
    keep_bands: bool = False,
    joined: JoiningRecord | None = None,
    chosen: ChosenGains | None = None,
    date: datetime.date | None = None,
    by: str | None = None,
) -> Plan:
    """Propose band gains for a room.

    Parameters
    ----------
    room : Room
        As read by `roomeq.importers.room.read_room`.
    best : bool
        Propose the best setting itself; by default one within 2 % of what it gains that moves
        fewer bands.
    node_limit : int, optional
        Most nodes of the search for the proof; the optimiser's default otherwise.
    keep_bands : bool
        Join subwoofer and mains only: bands and level stay as they are.
    joined : JoiningRecord, optional
        A joining found otherwise, as from levels alone; bands and level then stay.
    chosen : ChosenGains, optional
        Gains chosen otherwise, as for many rooms: they are judged only, no seat is left out.
    date : datetime.date, optional
        When the plan is made; today by default.
    by : str, optional
        Who makes it.

    Returns
    -------
    Plan

    Raises
    ------
    ValueError
        If nothing can be fitted, or only the mains were measured.
    """
    if room.source == "mains":
        raise ValueError("the subwoofer was not measured: add its files, with source = 'sub'")
    recordings = recording_rows(room)
    as_measured = weighed_room(room)
    search = BandSearch(node_limit=node_limit, best=best, chosen=chosen, leave_out=chosen is None)
    if joined is None:
        found = proposal_with_mains(as_measured, search, keep_bands=keep_bands)
    else:
        found = proposal_of_joined(as_measured, search, joined)
    room, fit, joining = found.room, found.fit, found.joining
    level = choose_level(
        fit.level_change_db if joining is None else joining.settings.level_change_db,
        knob=room.device.level,
        present_db=room.present.level_db,
        highest_change_db=fit.highest_level_change_db if joining is None else math.inf,
    )
    q_checks = _q_checks(room, fit) if joining is None else found.q_checks
    seats = _seat_results(fit)
    return Plan.copied(
        found,
        format=PLAN_FORMAT,
        roomeq_version=release(),
        room=room.name,
        record=room.record,
        source=room.source,
        level_reference=room.level_reference,
        inputs=tuple(InputRecord.copied(entry, file=entry.path) for entry in room.inputs),
        device=_device_record(room),
        target=_target_record(room),
        bands=fit.bands,
        level=level,
        present=_present_record(as_measured),
        no_change=fit.no_change if joining is None else joining.no_change,
        seats=seats,
        evidence=_evidence(room, fit, q_checks),
        curves=_curves(fit),
        cautions=(
            *recording_cautions(recordings),
            *path_cautions(as_measured, joining),
            *found.joining_cautions,
            *proposal_cautions(room, fit, level, q_checks, seats=seats, joining=joining),
            *(c for c in found.cautions if joining is None or c.code is not CautionCode.JOIN_AGAIN),
        ),
        assumptions=(*room.assumptions, *found.assumptions),
        notes=room.notes,
        recordings=recordings,
        choices=fit.choices,
        findings=room.findings,
        date=date or datetime.date.today(),
        by=by,
    )


def fit_room_gains(
    room: Room, *, prove: bool = True, node_limit: int | None = None, leave_out: bool = True
) -> BandGainFit:
    """Choose band gains by what a room's file states, without the further checks of a plan.

    Doubtful recordings count less, as in `propose`. With ``dataclasses.replace`` a room takes other
    limits, or some of its seats only. What hangs on a wanted level (protective high-pass, headroom)
    or on the mains belongs to `propose` alone.

    Parameters
    ----------
    room : Room
    prove : bool
        Search until the gap to the proven bound is at most 0.05 dB, or the node limit.
    node_limit : int, optional
        Most nodes of the search.
    leave_out : bool
        Choose gains without each seat in turn as well, and judge them there.

    Returns
    -------
    BandGainFit

    Raises
    ------
    ValueError
        As `propose`.
    """
    search = BandSearch(prove=prove, node_limit=node_limit, leave_out=leave_out)
    return fit_room(weighed_room(room), search)


def release() -> str:
    """Return the version of this release; "unknown" where it is not installed."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("roomeq")
    except PackageNotFoundError:
        return "unknown"


def choose_level(
    exact_change_db: float,
    *,
    knob: LevelKnob | None,
    present_db: float | None,
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
        wanted = (
            start
            + round((now + exact_change_db / knob.scale - start) / knob.step_db) * knob.step_db
        )
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


def _device_record(room: Room) -> DeviceRecord:
    equaliser, law = room.equaliser, room.equaliser.q_law
    return DeviceRecord.copied(
        equaliser,
        name=room.device.name,
        profile=room.device.profile,
        q_gain_db=tuple(law.gain_db.tolist()),
        q=tuple(law.q.tolist()),
        q_measured=law.measured,
        measured_shapes=equaliser.shapes is not None,
        centres=tuple(equaliser.centres.tolist()),
    )


def _target_record(room: Room) -> TargetRecord:
    return TargetRecord.copied(
        room.target,
        near_field=room.target.near_field is not None,
        path=tuple(str(entry) for entry in room.path),
        corner=room.corner,
    )


def _present_record(room: Room) -> PresentRecord:
    present, setup, control = room.present, room.joining, room.device.phase
    return PresentRecord.copied(
        present,
        path=None if room.stated_path is None else tuple(map(str, room.stated_path)),
        mains_path=None if setup.mains_path is None else tuple(map(str, setup.mains_path)),
        protection=HighPass.of(room.equipment.protection),
        protection_known=room.equipment.protection_known,
        delay_ms=round(1e3 * setup.present_delay, 6) if present.delay_stated else None,
        phase_frequency=None if control is None else control.frequency,
        level_trim=setup.level_trim,
    )


def _seat_results(fit: BandGainFit) -> tuple[SeatResult, ...]:
    left_out = {entry.seat: entry.after_db for entry in fit.left_out}
    before, after = fit.plain_before.by_seat_db.tolist(), fit.plain_after.by_seat_db.tolist()
    return tuple(
        SeatResult(
            seat=seat,
            weight=float(fit.data.seat_weights[n]),
            before_db=before[n],
            after_db=after[n],
            left_out_after_db=left_out.get(seat),
        )
        for n, seat in enumerate(fit.data.seats)
    )


def _q_checks(room: Room, fit: BandGainFit) -> tuple[QCheck, ...]:
    equaliser = room.equaliser
    if equaliser.q_law.measured or equaliser.shapes is not None:
        return ()
    tried = {factor: fit.deviation_at_q_db(equaliser, factor=factor) for factor in Q_FACTORS}
    return tuple(
        QCheck(factor=factor, before_db=before_db, after_db=after_db)
        for factor, (before_db, after_db) in tried.items()
    )


def _evidence(room: Room, fit: BandGainFit, q_checks: tuple[QCheck, ...]) -> Evidence:
    before, after = fit.plain_before, fit.plain_after
    return Evidence.copied(
        fit,
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
        excess_weight=fit.loss.excess_weight,
        repeatability_db=room.repeatability_db,
        q_checks=q_checks,
        tail_start_db=None,
    )


def _curves(fit: BandGainFit) -> Curves:
    data = fit.data
    return Curves(
        frequencies=tuple(data.frequencies.tolist()),
        before_level_db=rows_of(data.measured_db),
        predicted_level_db=rows_of(fit.predicted_level_db),
        target_level_db=tuple(fit.target_level_db.tolist()),
        response_db=tuple(fit.response_db.tolist()),
        present_response_db=tuple(data.present_db.tolist()),
        frequency_weights=tuple(data.frequency_weights.tolist()),
        average_error_db=tuple(data.error_db.tolist()),
        shortfall_error_db=tuple(data.shortfall_db.tolist()),
    )
