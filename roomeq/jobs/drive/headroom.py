"""Drive in a proposal: protective high-pass first, then the bands, then headroom with their gains.

Conventions
-----------
Levels and gains in dB, frequencies in Hz. Nothing here computes acoustics; figures come from
`roomeq.optimiser`, for the main seat through `roomeq.jobs.drive.scene`.

What to be careful of before turning up: codes, with the figure and the band they speak of.

Codes only; `roomeq.report.text.headroom` has the words. Values in dB; degrees for "join_again", ohm
for "minimum_impedance_assumed". A load below the amplifier's minimum is no caution:
`roomeq.device.amplifier` refuses it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import ThirdOctaveBand, logarithmic_axis
from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.levels import FloatArray
from roomeq.device.crossover import (
    CrossoverFilter,
    chain_response,
    filter_of,
    high_pass_change_db,
)
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.jobs.drive.bands import BandSearch, fit_room
from roomeq.jobs.drive.scene import DriveScene, electrical_filters
from roomeq.optimiser.bands.fit import BandGainFit
from roomeq.optimiser.bands.reasons import cancelled_bands
from roomeq.optimiser.drive.demand import LARGEST_EXTRAPOLATION_DB, BandExtra, estimate_extra_drive
from roomeq.optimiser.drive.headroom import Headroom, drive_by_frequency
from roomeq.optimiser.drive.protection import ProtectionChoice
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.records import HeadroomRecord, QCheck
from roomeq.room.equipment import Equipment
from roomeq.room.room import Room

ALLOWED_BOOST_DB = 0.5
NOTICEABLE_TURN_DEG = 5.0


def boost_notes(
    equaliser: FixedBandEqualiser,
    gains_db: ArrayLike,
    *,
    high_pass: CrossoverFilter | None,
    cancelled: Iterable[ThirdOctaveBand] = (),
) -> Iterator[Caution]:
    """Return what is boosted although it must not be: below the high-pass, into cancellations.

    Parameters
    ----------
    equaliser : FixedBandEqualiser
    gains_db : array_like, shape (B,)
        Gain of every band, set or proposed.
    high_pass : CrossoverFilter or None
        Protective high-pass.
    cancelled : iterable of ThirdOctaveBand
        Bands in which the seats have a cancellation.

    Raises
    ------
    ValueError
        If a gain is off the device's grid.
    """
    gains, places = equaliser.checked_gains_db(gains_db), []
    if high_pass is not None:
        axis = logarithmic_axis(min(5.0, 0.5 * high_pass.corner), high_pass.corner, per_octave=48)
        most = axis[int(np.argmax(equaliser.response_db(gains, axis)))]
        places.append((CautionCode.BOOST_BELOW_HIGH_PASS, float(most)))
    places += [(CautionCode.BOOST_INTO_CANCELLATION, band.centre) for band in cancelled]
    for code, frequency in places:
        boosted = float(equaliser.response_db(gains, [frequency])[0])
        if boosted > ALLOWED_BOOST_DB:
            yield Caution(code=code, value=boosted, frequency=frequency)


def headroom_notes(headroom: Headroom, *, equipment: Equipment) -> Iterator[Caution]:
    """Return what the figures of a headroom leave open or warn of.

    Parameters
    ----------
    headroom : Headroom
    equipment : Equipment
        What it was estimated with.
    """
    first = headroom.first
    if first is not None and (first.left_db or 0.0) < -0.05:
        lacking_db, code = -(first.left_db or 0.0), CautionCode.LEVEL_TOO_HIGH
        yield Caution(code=code, value=lacking_db, frequency=first.band.centre)
    risen = [entry for entry in headroom.bands if entry.distortion_db is not None]
    most = max(risen, key=lambda entry: entry.rise_db, default=None)
    if most is not None and most.rise_db > LARGEST_EXTRAPOLATION_DB:
        code, centre = CautionCode.DISTORTION_EXTRAPOLATED, most.band.centre
        yield Caution(code=code, value=most.rise_db, frequency=centre)
    if equipment.amplifier is not None and equipment.measuring_voltage is None:
        yield Caution(code=CautionCode.MEASURING_VOLTAGE_UNKNOWN)
    if not headroom.room_gain_known:
        yield Caution(code=CautionCode.ROOM_GAIN_UNKNOWN)


def protection_notes(choice: ProtectionChoice, *, crossover: float | None) -> Iterator[Caution]:
    """Return what a changed high-pass asks for: joining anew where it turns the phase.

    Parameters
    ----------
    choice : ProtectionChoice
    crossover : float or None
        Crossover corner in Hz; in degrees there, positive is lead.
    """
    if crossover is None or not choice.changes:
        return
    both = (filter_of(choice.present), filter_of(choice.high_pass))
    now, then = (chain_response((one,), [crossover]) for one in both)
    turn = float(np.angle(then / now, deg=True)[0])
    if abs(turn) > NOTICEABLE_TURN_DEG:
        yield Caution(code=CautionCode.JOIN_AGAIN, value=turn, frequency=crossover)


def wiring_notes(equipment: Equipment, *, hum: bool = False) -> Iterator[Caution]:
    """Return the cautions that belong where amplifiers and loads are connected, or hum is heard.

    Parameters
    ----------
    equipment : Equipment
    hum : bool
        Whether a recording holds hum.
    """
    if equipment.load is not None and equipment.load.minimum_assumed:
        code = CautionCode.MINIMUM_IMPEDANCE_ASSUMED
        yield Caution(code=code, value=equipment.load.minimum_ohm)
    if equipment.amplifier is not None:
        yield Caution(code=CautionCode.LICENSED_MAINS_WORK)
    if hum:
        yield Caution(code=CautionCode.NEVER_LIFT_EARTH)


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
        return _with_demand(found, present)
    scene = DriveScene(room, room.wanted)
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
    tuning = None if box is None else box.unloads_below
    known = [f for f in (room.limits.no_boost_below, tuning) if f is not None]
    floor = max(known, default=None)
    limits = replace(room.limits, no_boost_below=floor, high_pass_corner=corner)
    return replace(room, limits=limits)


def _room_behind(scene: DriveScene, high_pass: CrossoverFilter | None) -> Room:
    """Return the room as it is to be fitted: behind a high-pass, within its headroom."""
    room = _with_floor(scene.room, high_pass)
    before = room.equipment.protection
    if high_pass != before:
        survey = room.survey.filtered(room.source, partial(chain_response, (high_pass,)))
        survey = survey.filtered(room.source, partial(chain_response, (before,)), inverse=True)
        room = replace(room, survey=survey)
    if scene.wanted.drive_limit == "flat":
        return room
    flat = scene.headroom(scene.flat_gains_db, high_pass)
    by_frequency = drive_by_frequency(flat, flat_db=room.limits.drive_boost_db)
    return replace(room, limits=replace(room.limits, drive_by_frequency=by_frequency))


def _with_demand(
    found: Proposal, high_pass: CrossoverFilter | None, headroom: Headroom | None = None
) -> Proposal:
    """Return a proposal with what the gains cost, and what to be careful of."""
    room, fit, equaliser = found.room, found.fit, found.room.equaliser
    extra = estimate_extra_drive(
        equaliser,
        fit.gains_db,
        level_change_db=fit.level_change_db,
        box=room.equipment.box,
        filters=electrical_filters(room, high_pass),
    )
    left = () if headroom is None else headroom_notes(headroom, equipment=room.equipment)
    choice, cancelled = found.protection, cancelled_bands(fit.data, equaliser)
    cautions = (
        *left,
        *boost_notes(equaliser, fit.gains_db, high_pass=high_pass, cancelled=cancelled),
        *(() if choice is None else protection_notes(choice, crossover=room.corner)),
        *wiring_notes(room.equipment, hum=any(one.hum for one in room.recordings)),
    )
    return replace(found, extra_drive=extra, cautions=cautions)


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
        assumptions=tuple(_assumptions(scene, choice)),
    )
    return _with_demand(described, high_pass, headroom)


def _assumptions(scene: DriveScene, choice: ProtectionChoice) -> Iterator[str]:
    if scene.left_out:
        yield (
            f"no level was measured at {', '.join(scene.left_out)} Hz at seat "
            f"{scene.wanted.main_seat}: what is wanted there is left out"
        )
    before, after = filter_of(choice.present), filter_of(choice.high_pass)
    change = high_pass_change_db(before, after, scene.centres)
    most = int(np.argmax(np.abs(change)))
    if change[most] != 0.0:
        yield (
            "the proposed high-pass is reckoned into what was measured: "
            f"{change[most]:+.1f} dB at {scene.bands[most].label} Hz, also in what is called now"
        )


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
    scene = DriveScene(room, room.wanted)
    if gains_db is not None:
        high_pass = filter_of(scene.protection(gains_db).high_pass)
    return _room_behind(scene, high_pass), high_pass
