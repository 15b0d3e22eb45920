"""Drive in a proposal: protective high-pass first, then the bands, then headroom with their gains.

Conventions
-----------
Levels and gains in dB, frequencies in Hz. Nothing here computes acoustics; figures come from
`roomeq.optimiser`, for the main seat through `roomeq.jobs.drive.scene`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.driver import VentedBox
from roomeq.jobs.drive.scene import (
    DriveScene,
    electrical_filters,
    high_pass_change_db,
    playback_of,
)
from roomeq.optimiser.bands.fit import BandGainFit
from roomeq.optimiser.bands.reasons import cancelled_bands
from roomeq.optimiser.drive.cautions import (
    DriveNote,
    boost_notes,
    headroom_notes,
    protection_notes,
    wiring_notes,
)
from roomeq.optimiser.drive.demand import estimate_extra_drive
from roomeq.optimiser.drive.protection import ProtectionChoice
from roomeq.plan.drive import ExtraDriveRow, HeadroomRecord, ProtectionSetting
from roomeq.plan.records import Caution, CautionCode
from roomeq.room.room import Room

__all__ = ["DriveProposal", "fit_within_headroom", "room_behind_protection"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveProposal:
    """Band gains, and what they ask of amplifier and driver.

    Attributes
    ----------
    room : Room
        As it will be: the chosen high-pass reckoned into the measurements, limits that follow.
    fit : BandGainFit
    high_pass : CrossoverFilter or None
        Protective high-pass in force in `room`.
    protection : ProtectionSetting or None
        None where no level is wanted, so that nothing can be said of the high-pass.
    extra_drive : tuple of ExtraDriveRow
    headroom : HeadroomRecord or None
    cautions : tuple of Caution
    assumptions : tuple of str
        What was taken for granted on the way.
    """

    room: Room
    fit: BandGainFit
    high_pass: CrossoverFilter | None
    protection: ProtectionSetting | None
    extra_drive: tuple[ExtraDriveRow, ...]
    headroom: HeadroomRecord | None
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...] = ()


def fit_within_headroom(room: Room, *, fit: Callable[[Room], BandGainFit]) -> DriveProposal:
    """Choose the high-pass, let the bands be fitted behind it, and tell what is left.

    The high-pass is chosen with all bands at 0, and once more with the gains that were found: where
    that changes it, the bands are fitted again.

    Parameters
    ----------
    room : Room
    fit : callable
        Fits the band gains of a room.

    Raises
    ------
    ValueError
        If the main seat has no levels where the bands are, or a wanted level is given in none of
        its bands.
    """
    present = room.equipment.protection
    if room.wanted is None:
        room = _with_floor(room, present)
        found = fit(room)
        return DriveProposal(
            room=room,
            fit=found,
            high_pass=present,
            protection=None,
            extra_drive=_extra_drive(room, found, present),
            headroom=None,
            cautions=_cautions(
                [
                    *_boost_notes(room, found, present),
                    *wiring_notes(playback=playback_of(room.equipment), hum=_hums(room)),
                ]
            ),
        )
    scene = DriveScene.of(room, room.wanted)
    choice = scene.protection(np.zeros(len(room.equaliser.bands)))
    behind = _room_behind(scene, choice.high_pass)
    found = fit(behind)
    again = scene.protection(found.gains_db)
    if again.high_pass != choice.high_pass:
        behind = _room_behind(scene, again.high_pass)
        found = fit(behind)
    return _described(scene, behind, found, again)


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


def _extra_drive(
    room: Room, found: BandGainFit, high_pass: CrossoverFilter | None
) -> tuple[ExtraDriveRow, ...]:
    extras = estimate_extra_drive(
        room.equaliser,
        found.gains_db,
        level_change_db=found.level_change_db,
        box=room.equipment.box,
        filters=electrical_filters(room, high_pass),
    )
    return tuple(ExtraDriveRow.of(extra) for extra in extras)


def _boost_notes(
    room: Room, found: BandGainFit, high_pass: CrossoverFilter | None
) -> tuple[DriveNote, ...]:
    marked = cancelled_bands(found.data, room.equaliser)
    return boost_notes(
        room.equaliser,
        found.gains_db,
        high_pass=high_pass,
        cancelled=[b for b, is_so in zip(room.equaliser.bands, marked, strict=True) if is_so],
    )


def _hums(room: Room) -> bool:
    """Return whether hum of the mains was heard in a recording."""
    return any(recorded.hum for recorded in room.recordings)


def _cautions(notes: list[DriveNote]) -> tuple[Caution, ...]:
    return tuple(
        Caution(code=CautionCode(note.code.value), value=note.value, frequency=note.frequency)
        for note in notes
    )


def _described(
    scene: DriveScene, room: Room, found: BandGainFit, choice: ProtectionChoice
) -> DriveProposal:
    """Return what the gains that were found leave, and what to be careful of.

    Where the drive follows the headroom, the level is what all bands can give.
    """
    headroom, quieter_db = scene.headroom(found.gains_db, choice.high_pass), 0.0
    first = headroom.first
    if scene.wanted.drive_limit == "headroom" and first is not None:
        quieter_db = max(0.0, found.loudness_cut_db, -(first.least_db or 0.0))
        found = found.turned_down(quieter_db - found.loudness_cut_db)
        headroom = scene.headroom(found.gains_db, choice.high_pass, quieter_db=quieter_db)
    output = room.equipment.output
    notes = [
        *headroom_notes(headroom, playback=scene.playback),
        *_boost_notes(room, found, choice.high_pass),
        *protection_notes(choice, crossover=room.corner),
        *wiring_notes(playback=scene.playback, hum=_hums(room)),
    ]
    return DriveProposal(
        room=room,
        fit=found,
        high_pass=choice.high_pass,
        protection=ProtectionSetting.of(choice),
        extra_drive=_extra_drive(room, found, choice.high_pass),
        headroom=HeadroomRecord.of(
            headroom,
            playback=scene.playback,
            main_seat=scene.wanted.main_seat,
            output=None if output is None else str(output),
            drive_limit=scene.wanted.drive_limit,
            quieter_db=quieter_db,
            drive_limits_db=room.limits.drive_db(scene.centres).tolist(),
        ),
        cautions=_cautions(notes),
        assumptions=_assumptions(scene, choice),
    )


def _assumptions(scene: DriveScene, choice: ProtectionChoice) -> tuple[str, ...]:
    found = []
    if scene.left_out:
        found.append(
            f"no level was measured at {', '.join(scene.left_out)} Hz at seat "
            f"{scene.wanted.main_seat}: what is wanted there is left out"
        )
    change = high_pass_change_db(choice.present, choice.high_pass, scene.centres)
    most = int(np.argmax(np.abs(change)))
    if change[most] != 0.0:
        found.append(
            "the proposed high-pass is reckoned into what was measured: "
            f"{change[most]:+.1f} dB at {scene.bands[most].label} Hz, also in what is called now"
        )
    return tuple(found)


def room_behind_protection(room: Room, gains_db: FloatArray) -> tuple[Room, CrossoverFilter | None]:
    """Return a room behind the protective high-pass that goes with gains, and that high-pass.

    Limits follow, as for `fit_within_headroom`.

    Raises
    ------
    ValueError
        As for `fit_within_headroom`.
    """
    if room.wanted is None:
        present = room.equipment.protection
        return _with_floor(room, present), present
    scene = DriveScene.of(room, room.wanted)
    high_pass = scene.protection(gains_db).high_pass
    return _room_behind(scene, high_pass), high_pass
