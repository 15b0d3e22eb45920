"""Drive in a proposal: protective high-pass first, then the bands, then headroom with their gains.

Conventions
-----------
Levels and gains in dB, frequencies in Hz. Nothing here computes acoustics; figures come from
`roomeq.optimiser`, for the main seat through `roomeq.jobs.drive.scene`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.cautions import Caution
from roomeq.base.levels import FloatArray
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.driver import VentedBox
from roomeq.device.high_pass import filter_of
from roomeq.jobs.drive.bands import BandSearch, fit_room
from roomeq.jobs.drive.scene import (
    DriveScene,
    electrical_filters,
    high_pass_change_db,
)
from roomeq.optimiser.bands.fit import BandGainFit
from roomeq.optimiser.bands.reasons import cancelled_bands
from roomeq.optimiser.drive.cautions import (
    boost_notes,
    headroom_notes,
    protection_notes,
    wiring_notes,
)
from roomeq.optimiser.drive.demand import BandExtra, estimate_extra_drive
from roomeq.optimiser.drive.protection import ProtectionChoice
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.records import HeadroomRecord, QCheck
from roomeq.room.room import Room


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """Settings of the subwoofer, and what they ask of amplifier and driver.

    Attributes
    ----------
    room : Room
        As it will be: the chosen high-pass reckoned into the measurements, limits that follow.
    fit : BandGainFit
    protection : ProtectionChoice or None
        None where no level is wanted, so that nothing can be said of the high-pass.
    extra_drive : tuple of BandExtra
    headroom : HeadroomRecord or None
    cautions : tuple of Caution
        Of drive and wiring.
    assumptions : tuple of str
        What was taken for granted on the way.
    joining : JoiningRecord or None
        None where nothing is joined.
    joining_cautions : tuple of Caution
    q_checks : tuple of QCheck
        Deviation of the sum with the mains, if every Q were a multiple of the assumed one.
    """

    room: Room
    fit: BandGainFit
    protection: ProtectionChoice | None = None
    extra_drive: tuple[BandExtra, ...] = ()
    headroom: HeadroomRecord | None = None
    cautions: tuple[Caution, ...] = ()
    assumptions: tuple[str, ...] = ()
    joining: JoiningRecord | None = None
    joining_cautions: tuple[Caution, ...] = ()
    q_checks: tuple[QCheck, ...] = ()


def fit_within_headroom(room: Room, search: BandSearch) -> Proposal:
    """Choose the high-pass, fit the bands behind it, and tell what is left.

    The high-pass is chosen with all bands at 0, and once more with the gains that were found: where
    that changes it, the bands are fitted again.

    Parameters
    ----------
    room : Room
    search : BandSearch

    Raises
    ------
    ValueError
        If the main seat has no levels where the bands are, or a wanted level is given in none of
        its bands.
    """
    if room.wanted is None:
        present = room.equipment.protection
        room = _with_floor(room, present)
        found = Proposal(room=room, fit=fit_room(room, search))
        wiring = wiring_notes(room.equipment, hum=_hums(room))
        return _with_demand(found, present, after=wiring)
    scene = DriveScene.of(room, room.wanted)
    choice = scene.protection(scene.flat_gains_db)
    behind = _room_behind(scene, filter_of(choice.high_pass))
    fit = fit_room(behind, search)
    again = scene.protection(fit.gains_db)
    if again.high_pass != choice.high_pass:
        behind = _room_behind(scene, filter_of(again.high_pass))
        fit = fit_room(behind, search)
    return _described(scene, Proposal(room=behind, fit=fit), again)


def _with_floor(room: Room, high_pass: CrossoverFilter | None) -> Room:
    """Return a room in which nothing is boosted below a high-pass or a vented box's tuning."""
    box, corner = room.equipment.box, None if high_pass is None else high_pass.corner
    tuning = box.tuning if isinstance(box, VentedBox) else None
    known = [f for f in (room.limits.no_boost_below, tuning) if f is not None]
    floor = max(known, default=None)
    limits = replace(room.limits, no_boost_below=floor, high_pass_corner=corner)
    return replace(room, limits=limits)


def _room_behind(scene: DriveScene, high_pass: CrossoverFilter | None) -> Room:
    """Return the room as it is to be fitted: behind a high-pass, within its headroom."""
    room = _with_floor(scene.room, high_pass)
    before = room.equipment.protection
    if high_pass != before:
        survey = room.survey
        for one, inverse in ((high_pass, False), (before, True)):
            if one is not None:
                survey = survey.filtered(room.source, one.response, inverse=inverse)
        room = replace(room, survey=survey)
    if scene.wanted.drive_limit == "flat":
        return room
    limits = replace(room.limits, drive_by_frequency=scene.drive_limits(high_pass))
    return replace(room, limits=limits)


def _with_demand(
    found: Proposal,
    high_pass: CrossoverFilter | None,
    *,
    before: tuple[Caution, ...] = (),
    after: tuple[Caution, ...],
) -> Proposal:
    """Return a proposal with what the gains cost, and what they boost although they must not."""
    room, fit, equaliser = found.room, found.fit, found.room.equaliser
    extra = estimate_extra_drive(
        equaliser,
        fit.gains_db,
        level_change_db=fit.level_change_db,
        box=room.equipment.box,
        filters=electrical_filters(room, high_pass),
    )
    marked = zip(equaliser.bands, cancelled_bands(fit.data, equaliser), strict=True)
    boosts = boost_notes(
        equaliser,
        fit.gains_db,
        high_pass=high_pass,
        cancelled=[band for band, is_cancelled in marked if is_cancelled],
    )
    return replace(found, extra_drive=extra, cautions=(*before, *boosts, *after))


def _hums(room: Room) -> bool:
    """Return whether hum of the mains was heard in a recording."""
    return any(recorded.hum for recorded in room.recordings)


def _described(scene: DriveScene, found: Proposal, choice: ProtectionChoice) -> Proposal:
    """Return what the gains that were found leave, and what to be careful of.

    Where the drive follows the headroom, the level is what all bands can give.
    """
    room, fit, wanted = found.room, found.fit, scene.wanted
    high_pass = filter_of(choice.high_pass)
    headroom, quieter_db = scene.headroom(fit.gains_db, high_pass), 0.0
    first = headroom.first
    if wanted.drive_limit == "headroom" and first is not None:
        quieter_db = max(0.0, fit.loudness_cut_db, -(first.left_db or 0.0))
        fit = fit.turned_down(quieter_db - fit.loudness_cut_db)
        headroom = scene.headroom(fit.gains_db, high_pass, quieter_db=quieter_db)
    described = replace(
        found,
        fit=fit,
        protection=choice,
        headroom=HeadroomRecord.of(
            headroom,
            equipment=room.equipment,
            wanted=wanted,
            quieter_db=quieter_db,
            drive_limits_db=room.limits.drive_db(scene.centres).tolist(),
        ),
        assumptions=_assumptions(scene, choice),
    )
    joining = protection_notes(choice, crossover=room.corner)
    wiring = wiring_notes(room.equipment, hum=_hums(room))
    return _with_demand(
        described,
        high_pass,
        before=headroom_notes(headroom, equipment=room.equipment),
        after=(*joining, *wiring),
    )


def _assumptions(scene: DriveScene, choice: ProtectionChoice) -> tuple[str, ...]:
    found = []
    if scene.left_out:
        found.append(
            f"no level was measured at {', '.join(scene.left_out)} Hz at seat "
            f"{scene.wanted.main_seat}: what is wanted there is left out"
        )
    before, after = filter_of(choice.present), filter_of(choice.high_pass)
    change = high_pass_change_db(before, after, scene.centres)
    most = int(np.argmax(np.abs(change)))
    if change[most] != 0.0:
        found.append(
            "the proposed high-pass is reckoned into what was measured: "
            f"{change[most]:+.1f} dB at {scene.bands[most].label} Hz, also in what is called now"
        )
    return tuple(found)


def room_behind_protection(
    room: Room, gains_db: FloatArray | None
) -> tuple[Room, CrossoverFilter | None]:
    """Return a room behind the protective high-pass that goes with gains, and that high-pass.

    Without gains it is the present one. Limits follow, as for `fit_within_headroom`.

    Raises
    ------
    ValueError
        As for `fit_within_headroom`.
    """
    high_pass = room.equipment.protection
    if room.wanted is None:
        return _with_floor(room, high_pass), high_pass
    scene = DriveScene.of(room, room.wanted)
    if gains_db is not None:
        high_pass = filter_of(scene.protection(gains_db).high_pass)
    return _room_behind(scene, high_pass), high_pass
