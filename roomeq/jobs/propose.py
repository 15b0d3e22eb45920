"""From a room to a plan: the one thin driver that runs the chain.

Conventions
-----------
Nothing here computes acoustics and nothing is written; figures come from `roomeq.optimiser`.
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from roomeq.base.levels import power_ratio
from roomeq.device.profile import LevelKnob
from roomeq.jobs.cautions import proposal_cautions, recording_cautions
from roomeq.jobs.propose_joined import (
    Q_FACTORS,
    path_cautions,
    proposal_of_joined,
    proposal_with_mains,
)
from roomeq.optimiser.bands.fit import BandGainFit, ChosenGains
from roomeq.optimiser.bands.gains import fit_band_gains
from roomeq.optimiser.bands.search import TIE_SHARE
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.plan import (
    PLAN_FORMAT,
    BandSetting,
    CautionCode,
    Curves,
    DeviceRecord,
    Evidence,
    InputRecord,
    LevelSetting,
    Plan,
    QCheck,
    SeatResult,
    TargetRecord,
)
from roomeq.plan.recordings import recording_rows
from roomeq.plan.records import rows_of
from roomeq.room.recording_weights import weighed_room
from roomeq.room.room import Room

__all__ = ["fit_room_gains", "propose"]


def propose(
    room: Room,
    *,
    best: bool = False,
    node_limit: int | None = None,
    keep_bands: bool = False,
    joined: JoiningRecord | None = None,
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

    Returns
    -------
    Plan

    Raises
    ------
    ValueError
        If nothing can be fitted.
    InfeasibleSettingsError
        If locked bands break a limit on their own.
    """
    recordings = recording_rows(room)
    as_measured = weighed_room(room)
    fit_bands = partial(_fit, node_limit=node_limit, best=best)
    if joined is None:
        joint = proposal_with_mains(as_measured, fit=fit_bands, keep_bands=keep_bands)
    else:
        joint = proposal_of_joined(as_measured, joined, fit=fit_bands)
    joining, drive = joint.record, joint.drive
    room, fit = drive.room, drive.fit
    level = choose_level(
        fit.level_change_db if joining is None else joint.level_change_db,
        knob=room.device.level,
        present_db=room.present.level_db,
        highest_change_db=fit.highest_level_change_db if joining is None else math.inf,
    )
    q_checks = _q_checks(room, fit) if joining is None else joint.q_checks
    seats = _seat_results(fit)
    return Plan(
        format=PLAN_FORMAT,
        roomeq_version=_version(),
        room=room.name,
        record=room.record,
        source=room.source,
        level_reference=room.level_reference,
        inputs=tuple(
            InputRecord(file=entry.path, role=entry.role, sha256=entry.sha256)
            for entry in room.inputs
        ),
        device=_device_record(room),
        target=_target_record(room),
        bands=tuple(
            BandSetting(
                label=band.label,
                centre=band.centre,
                present_db=band.present_db,
                gain_db=band.gain_db,
                best_gain_db=band.best_gain_db,
                error_db=band.error_db,
                spread_db=band.spread_db,
                remaining_db=band.remaining_db,
                reason=band.reason,
            )
            for band in fit.bands
        ),
        level=level,
        no_change=fit.no_change if joining is None else joining.no_change,
        seats=seats,
        evidence=_evidence(room, fit, q_checks),
        curves=_curves(fit),
        cautions=(
            *recording_cautions(recordings),
            *path_cautions(as_measured, joining),
            *joint.cautions,
            *proposal_cautions(room, fit, level, q_checks, seats=seats, joining=joining),
            *(c for c in drive.cautions if joining is None or c.code is not CautionCode.JOIN_AGAIN),
        ),
        assumptions=(*room.assumptions, *drive.assumptions, *joint.assumptions),
        notes=room.notes,
        protection=drive.protection,
        extra_drive=drive.extra_drive,
        headroom=drive.headroom,
        recordings=recordings,
        joining=joining,
        choices=fit.choices,
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
    ValueError, InfeasibleSettingsError
        As `propose`.
    """
    return _fit(weighed_room(room), prove=prove, node_limit=node_limit, leave_out=leave_out)


def _fit(
    room: Room,
    *,
    node_limit: int | None,
    chosen: ChosenGains | None = None,
    prove: bool = True,
    leave_out: bool = True,
    best: bool = False,
) -> BandGainFit:
    return fit_band_gains(
        room.survey,
        equaliser=room.equaliser,
        target=room.target,
        limits=room.limits,
        present_gains_db=room.present.gains_db,
        corner=room.corner,
        source=room.source,
        loss=room.loss,
        repeatability_db=room.repeatability_db,
        prove=prove,
        node_limit=node_limit,
        chosen=chosen,
        leave_out=leave_out,
        tie_share=0.0 if best else TIE_SHARE,
    )


def _version() -> str:
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
    if knob is None:
        return LevelSetting(
            exact_change_db=exact_change_db,
            change_db=0.0,
            setting_db=None,
            residual_db=exact_change_db,
            upstream_db=exact_change_db,
        )
    step = knob.step_db
    if present_db is None:
        change = round(exact_change_db / step) * step
        while change > highest_change_db + 1e-9:
            change -= step
        return LevelSetting(
            exact_change_db=exact_change_db,
            change_db=change,
            setting_db=None,
            residual_db=exact_change_db - change,
            upstream_db=0.0,
        )
    wanted = knob.lowest_db + round((present_db + exact_change_db - knob.lowest_db) / step) * step
    while wanted - present_db > highest_change_db + 1e-9:
        wanted -= step
    setting = min(max(wanted, knob.lowest_db), knob.highest_db)
    residual = exact_change_db - (setting - present_db)
    outside = not math.isclose(setting, wanted, abs_tol=1e-9)
    return LevelSetting(
        exact_change_db=exact_change_db,
        change_db=setting - present_db,
        setting_db=setting,
        residual_db=residual,
        upstream_db=residual if outside else 0.0,
    )


def _device_record(room: Room) -> DeviceRecord:
    equaliser = room.equaliser
    return DeviceRecord(
        name=room.device.name,
        profile=room.device.profile,
        labels=equaliser.labels,
        lowest_db=equaliser.lowest_db,
        highest_db=equaliser.highest_db,
        step_db=equaliser.step_db,
        q_gain_db=tuple(equaliser.q_law.gain_db.tolist()),
        q=tuple(equaliser.q_law.q.tolist()),
        q_measured=equaliser.q_law.measured,
        sample_rate=equaliser.sample_rate,
        measured_shapes=equaliser.shapes is not None,
    )


def _target_record(room: Room) -> TargetRecord:
    target = room.target
    return TargetRecord(
        shape=target.shape,
        tilt_db_per_octave=target.tilt_db_per_octave,
        shelf_gain_db=target.shelf_gain_db,
        shelf_corner=target.shelf_corner,
        points=target.points,
        lower_limit=target.lower_limit,
        lower_limit_order=target.lower_limit_order,
        lower_limit_estimated=target.lower_limit_estimated,
        upper_limit=target.upper_limit,
        near_field=target.near_field is not None,
        path=tuple(str(entry) for entry in room.path),
        corner=room.corner,
        level_db=target.level_db,
    )


def _seat_results(fit: BandGainFit) -> tuple[SeatResult, ...]:
    left_out = {entry.seat: entry.after_db for entry in fit.left_out}
    return tuple(
        SeatResult(
            seat=seat,
            weight=float(weight),
            before_db=float(before),
            after_db=float(after),
            left_out_after_db=left_out.get(seat),
        )
        for seat, weight, before, after in zip(
            fit.data.seats,
            fit.data.seat_weights,
            fit.plain_before.by_seat_db.tolist(),
            fit.plain_after.by_seat_db.tolist(),
            strict=True,
        )
    )


def _q_checks(room: Room, fit: BandGainFit) -> tuple[QCheck, ...]:
    equaliser = room.equaliser
    if equaliser.q_law.measured or equaliser.shapes is not None:
        return ()
    checks = []
    for factor in Q_FACTORS:
        before_db, after_db = fit.deviation_at_q_db(equaliser, factor=factor)
        checks.append(QCheck(factor=factor, before_db=before_db, after_db=after_db))
    return tuple(checks)


def _evidence(room: Room, fit: BandGainFit, q_checks: tuple[QCheck, ...]) -> Evidence:
    before, after = fit.plain_before, fit.plain_after
    return Evidence(
        deviation_before_db=fit.deviation_before_db,
        deviation_db=fit.deviation_db,
        candidate_deviation_db=fit.candidate_deviation_db,
        best_deviation_db=fit.best_deviation_db,
        lower_bound_db=fit.lower_bound_db,
        gap_db=fit.gap_db,
        proven=fit.proven,
        nodes=fit.nodes,
        average_sd_before_db=before.average_sd_db,
        average_sd_after_db=after.average_sd_db,
        seat_sd_before_db=before.seat_sd_db,
        seat_sd_after_db=after.seat_sd_db,
        largest_excess_before_db=before.largest_excess_db,
        largest_excess_after_db=after.largest_excess_db,
        filter_boost_db=fit.filter_boost_db,
        filter_boost_frequency=fit.filter_boost_frequency,
        drive_boost_db=fit.drive_boost_db,
        drive_boost_frequency=fit.drive_boost_frequency,
        power_ratio=float(power_ratio(fit.drive_boost_db)),
        filter_boost_limit_db=room.limits.filter_boost_db,
        drive_boost_limit_db=float(room.limits.drive_db(np.array([fit.drive_boost_frequency]))[0]),
        no_boost_below=fit.floor,
        excess_weight=fit.loss.excess_weight,
        floor_cost_db=fit.floor_cost_db,
        dip_boost_db=fit.dip_boost_db,
        repeatability_db=room.repeatability_db,
        q_checks=q_checks,
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
