"""What can be set in a room to join subwoofer and mains, and what is set.

Conventions
-----------
Delays in s, those of the subwoofer against the mains: positive is later.
"""

from __future__ import annotations

from dataclasses import dataclass

from roomeq.device.processor import DelayRange, JoiningSettings, LevelRange
from roomeq.device.profile import PhaseControl
from roomeq.room.room import Room


@dataclass(frozen=True, slots=True, kw_only=True)
class JoiningOffer:
    """What can be set in a room, and what is set.

    Attributes
    ----------
    present : JoiningSettings
    delays : DelayRange
    delay_stated : bool
        Whether the delays on offer are stated.
    phase_control : PhaseControl or None
    levels : LevelRange
        Changes of the level knob, at most 6 dB either way.
    can_invert : bool
    """

    present: JoiningSettings
    delays: DelayRange
    delay_stated: bool
    phase_control: PhaseControl | None
    levels: LevelRange
    can_invert: bool


def joining_offer(room: Room) -> JoiningOffer:
    """Return what can be set in a room.

    Raises
    ------
    ValueError
        If a present phase is stated, but the device has no phase control.
    """
    device, stated = room.device, room.present
    phase_deg, control = stated.phase_deg or 0.0, device.phase
    if phase_deg and control is None:
        raise ValueError(
            f"phase_deg = {phase_deg:g} is stated under [device.present], but the device has no "
            "phase control"
        )
    return JoiningOffer(
        present=JoiningSettings(
            delay=room.joining.present_delay,
            inverted=stated.polarity == "inverted",
            phase_deg=phase_deg,
            phase_frequency=None if control is None else control.frequency,
        ),
        delays=room.joining.delays or DelayRange(),
        delay_stated=room.joining.delays is not None,
        phase_control=control,
        levels=_levels(room),
        can_invert=device.polarity,
    )


def _levels(room: Room) -> LevelRange:
    """Return the level changes that the knob can make, at most 6 dB either way."""
    widest = LevelRange()
    knob, present = room.device.level, room.present.level_db
    if knob is None:
        return widest
    if present is None:
        return LevelRange(step_db=knob.step_db)
    return LevelRange(
        lowest_db=min(0.0, max(widest.lowest_db, knob.lowest_db - present)),
        highest_db=max(0.0, min(widest.highest_db, knob.highest_db - present)),
        step_db=knob.step_db,
    )
