"""The steps of a joining, shared by `join` and `propose`: filters, polarity, delay.

Conventions
-----------
Delays in s, those of the subwoofer against the mains: positive is later. Each step takes what is
set so far and returns what is set then. Nothing here computes acoustics; figures come from
`roomeq.optimiser`.

What can be set in a room to join subwoofer and mains, and what is set.

Delays in s, those of the subwoofer against the mains: positive is later.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from roomeq.base.errors import MissingPhaseError
from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.crossover_sum import Meeting, find_meeting
from roomeq.device.processor import DelayRange, JoiningSettings, LevelRange
from roomeq.device.profile import LevelKnob
from roomeq.jobs.joining.path import described_path
from roomeq.optimiser.joining.alignment import Alignment, align
from roomeq.optimiser.joining.data import JoiningData
from roomeq.optimiser.joining.polarity import judge_polarity, polarity_axis
from roomeq.optimiser.joining.survey import joint_pressures, prepare_joining
from roomeq.plan.alignment import PolarityRecord
from roomeq.room.room import Room


@dataclass(frozen=True, slots=True, kw_only=True)
class JoiningOffer:
    """What can be set in a room, and what is set.

    Attributes
    ----------
    present : JoiningSettings
    delays : DelayRange
    levels : LevelRange
        Changes of the level knob, at most 6 dB either way.
    """

    present: JoiningSettings
    delays: DelayRange
    levels: LevelRange


def joining_offer(room: Room) -> JoiningOffer:
    """Return what can be set in a room.

    Raises
    ------
    ValueError
        If a present phase is stated, but the device has no phase control.
    """
    device, stated = room.device, room.present
    control = device.phase
    return JoiningOffer(
        present=JoiningSettings(
            delay=room.joining.present_delay,
            inverted=stated.polarity == "inverted",
            phase_deg=stated.phase_deg or 0.0,
            phase_frequency=None if control is None else control.frequency,
        ),
        delays=room.joining.delays or DelayRange(),
        levels=_levels(device.level, stated.level_db),
    )


def _levels(knob: LevelKnob | None, present_db: float | None) -> LevelRange:
    """Return the level changes that a knob can make, at most 6 dB either way."""
    widest = LevelRange() if knob is None else LevelRange(step_db=knob.step_db)
    if knob is None or present_db is None:
        return widest
    return replace(
        widest,
        lowest_db=min(0.0, max(widest.lowest_db, knob.lowest_db - present_db)),
        highest_db=max(0.0, min(widest.highest_db, knob.highest_db - present_db)),
    )


_IN_PHASE = 0.5  # cosine at the corner, by the filters alone


def advised_bypass(room: Room) -> tuple[CrossoverFilter, ...]:
    """Return the low-passes to switch off, decided by the filters alone."""
    analysis = described_path(room)
    advised = None if analysis is None else analysis.recommended
    return () if advised is None else advised.filters


def with_bypass(room: Room, bypassed: tuple[CrossoverFilter, ...]) -> Room:
    """Return the room with low-passes switched off: measurements, path and target follow.

    Of two that are alike only one goes for each.

    Raises
    ------
    ValueError
        If one of them is not in the path.
    """
    if not bypassed:
        return room
    left = []
    for path in (list(room.path), list(room.target.path)):
        for one in bypassed:
            path.remove(one)
        left.append(tuple(path))
    return replace(
        room,
        survey=room.survey.filtered("sub", partial(chain_response, bypassed), inverse=True),
        path=left[0],
        corner=min(one.corner for one in left[0] if one.kind == "low_pass"),
        target=replace(room.target, path=left[1]),
    )


def mains_filters(room: Room) -> tuple[CrossoverFilter, ...]:
    """Return the mains' high-passes; one like the first low-pass left where none are stated."""
    stated = room.joining.mains_filters
    if stated is not None:
        return stated
    return tuple(replace(one, kind="high_pass") for one in room.path if one.kind == "low_pass")[:1]


def joining_data(
    room: Room, offer: JoiningOffer, *, corner: float | None = None, highest: float | None = None
) -> JoiningData:
    """Return subwoofer and mains of a room as they were measured.

    From the lowest band to twice the corner that is left behind an advised bypass, which is looked
    for unless given, or to `highest` in Hz; what the sum loses is judged around that corner, by
    every command.

    Raises
    ------
    ValueError
        As for `roomeq.optimiser.joining.survey.prepare_joining`.
    """
    corner = corner or with_bypass(room, advised_bypass(room)).corner
    assert corner is not None
    lowest = min(room.equaliser.bands[0].lower, 0.5 * corner)
    return prepare_joining(
        room.survey,
        corner=corner,
        target=room.target,
        present=offer.present,
        span=(lowest, highest or 2.0 * corner),
    )


def present_data(room: Room) -> JoiningData | None:
    """Return subwoofer and mains as they were measured; None where they cannot be judged.

    `check` and `verify` look at rooms in which nothing need be joined: what is missing is no error.
    """
    if room.corner is None or not room.joining.common_time_reference:
        return None
    try:
        return joining_data(room, joining_offer(room))
    except (MissingPhaseError, ValueError):
        return None


def align_room(room: Room, data: JoiningData, *, told_inverted: bool | None) -> Alignment:
    """Choose delay and polarity behind the filters that stay.

    Parameters
    ----------
    room : Room
    data : JoiningData
        With the filters as they will be.
    told_inverted : bool or None
        As `told_setting` gives it.
    """
    return align(
        data,
        delays=joining_offer(room).delays,
        phase_control=room.device.phase,
        can_invert=room.device.polarity,
        told_inverted=told_inverted,
    )


def told_setting(left: Room, polarity: PolarityRecord | None) -> bool | None:
    """Return the setting of the polarity that the tests tell; None where they do not.

    Nor is it told where the filters alone do not bring both to the corner in phase: right polarity
    and right setting are not the same then.

    Parameters
    ----------
    left : Room
        With the filters that stay.
    polarity : PolarityRecord or None
    """
    if polarity is None or polarity.inverted is None:
        return None
    assert left.corner is not None
    low, high = (
        chain_response(e, [left.corner]) for e in (left.path, left.joining.mains_filters or ())
    )
    in_phase = np.cos(np.angle(low * np.conj(high)))[0] >= _IN_PHASE
    return polarity.inverted if in_phase else None


def room_polarity(room: Room, data: JoiningData) -> tuple[PolarityRecord | None, str]:
    """Test how the subwoofer is wired against the mains, known filters and boxes taken out.

    Parameters
    ----------
    room : Room
    data : JoiningData
        As measured: its seats, weights and present settings.

    Returns
    -------
    found : PolarityRecord or None
    obstacle : str
        Why nothing was tested; empty where it was.
    """
    setup = room.joining
    if room.subwoofers:
        return None, "the sum of several subwoofers has no one polarity"
    if room.corner_origin != "path" or setup.mains_path is None:
        return None, "the filters of both paths are not described"
    if room.equaliser.shapes is not None and room.present.gains_db.any():
        return None, "the phase of the bands in force is not known"
    axis = polarity_axis()
    pressures = joint_pressures(room.survey, data.seats, axis)
    if pressures is None:
        return None, f"{axis[0]:.0f} to {axis[-1]:.0f} Hz were not measured of both"
    box, mains, protection = room.equipment.box, setup.mains, room.equipment.protection
    sub_path = chain_response((*room.path, protection), axis) * data.present.response(axis)
    mains_path = chain_response(setup.mains_path, axis)
    if room.present.gains_db.any():
        sub_path = sub_path * room.equaliser.response(room.present.gains_db, axis)
    if box is not None and mains is not None:  # of both or of neither
        sub_path = sub_path * box.pressure_ratio(axis)
        mains_path = mains_path * mains.roll_off.response(axis)
    sub, other = pressures[0] / sub_path, pressures[1] / mains_path
    test = judge_polarity(sub, other, seat_weights=data.seat_weights)
    return PolarityRecord.of(test, boxes=box is not None and mains is not None), ""


def meeting_of(left: Room) -> Meeting | None:
    """Return where both meet by the filters that stay; None where those are not stated."""
    mains = left.joining.mains_filters
    if left.corner is None or left.corner_origin != "path" or mains is None:
        return None
    return find_meeting(left.path, mains, corner=left.corner)
