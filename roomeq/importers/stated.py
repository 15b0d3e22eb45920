"""What a room file states of settings, target and limits, for the device that it names.

Conventions
-----------
A value that the device cannot have is a `RoomFileError` with its key. Frequencies in Hz, levels in
dB.
"""

from __future__ import annotations

import numpy as np

from roomeq.base.errors import FileFaultError
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.profile import Device
from roomeq.importers.room_file.equipment_schema import FilterTable
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.text.export import read_one_response
from roomeq.room.room import PresentSettings
from roomeq.wanted.limits import Limits
from roomeq.wanted.target import NearField, Target

_SHOWN = "state what the device shows"
_NOT_THERE = "leave it out, or name another device profile"
_SAME_IN_TARGET = ("shape", "tilt_db_per_octave", "shelf_gain_db", "shelf_corner", "lower_limit")


def stated_filters(tables: tuple[FilterTable, ...]) -> tuple[CrossoverFilter, ...]:
    """Return the filters of ``[[path]]`` or ``[[mains_path]]``."""
    keys = FilterTable.__struct_fields__
    return tuple(CrossoverFilter(**{key: getattr(entry, key) for key in keys}) for entry in tables)


def present_settings(room_file: RoomFile, device: Device) -> PresentSettings:
    """Return what the device was set to while measuring."""
    stated = room_file.device.present
    gains = np.zeros(len(device.equaliser.bands))
    if isinstance(stated.gains_db, dict):
        for centre, gain in stated.gains_db.items():
            gains[_band_named(room_file, device, "device", "present", "gains_db", centre)] = gain
    elif stated.gains_db is not None:
        gains = np.array(stated.gains_db, dtype=np.float64)
    with room_file.faults_at("device", "present", "gains_db", remedy=_SHOWN):
        checked = device.equaliser.checked_gains_db(gains)
    _check_knobs(room_file, device)
    return PresentSettings(
        gains_db=checked,
        level_db=stated.level_db,
        polarity=stated.polarity,
        phase_deg=stated.phase_deg,
        gains_stated=stated.gains_db is not None,
        delay_stated=stated.delay_ms is not None,
    )


def _band_named(
    room_file: RoomFile, device: Device, *path: str | int, label: str | float = ""
) -> int:
    with room_file.faults_at(*path, remedy="spell it as the device does"):
        return device.equaliser.index_of(label or str(path[-1]))


def _check_knobs(room_file: RoomFile, device: Device) -> None:
    """Raise if the level, phase or polarity stated is none that the device can be set to."""
    stated = room_file.device.present
    level, phase = device.level, device.phase

    def fault(said: str, key: str, remedy: str = _SHOWN) -> FileFaultError:
        return room_file.fault(said, "device", "present", key, remedy=remedy)

    def check(key: str, value: float, unit: str, *span: float) -> None:
        lowest, highest, step = span
        steps = (value - lowest) / step
        if not (lowest <= value <= highest and abs(steps - round(steps)) < 1e-6):
            said = f"the device offers {lowest:g} to {highest:g} {unit} in steps of {step:g}"
            raise fault(f"{value:g} {unit} cannot be set: {said}", key)

    if level is not None and stated.level_db is not None:
        span = (level.lowest_db, level.highest_db, level.step_db)
        check("level_db", stated.level_db, "dB", *span)
    if stated.phase_deg and phase is None:
        said = f"{stated.phase_deg:g} degrees are stated, but the device has no phase control"
        raise fault(said, "phase_deg", _NOT_THERE)
    if stated.phase_deg and phase is not None:
        span = (phase.lowest_deg, phase.highest_deg, phase.step_deg)
        check("phase_deg", stated.phase_deg, "degrees", *span)
    if stated.polarity == "inverted" and not device.polarity:
        said = "'inverted' is stated, but the device has no polarity switch"
        raise fault(said, "polarity", _NOT_THERE)


def stated_target(room_file: RoomFile, path: tuple[CrossoverFilter, ...]) -> Target:
    """Return the target as it is stated; limits and level may have to be estimated."""
    stated, box = room_file.target, room_file.box
    order = stated.lower_limit_order
    if order is None and box is not None:
        order = 2 if box.kind == "closed" else 4
    points: tuple[tuple[float, float], ...] = ()
    near_field = None
    if stated.file is not None:
        wanted = read_one_response(room_file.resolve(stated.file), named_in="[target]")
        points = tuple(zip(wanted.frequencies.tolist(), wanted.level_db.tolist(), strict=True))
    if stated.near_field_file is not None:
        close = read_one_response(room_file.resolve(stated.near_field_file), named_in="[target]")
        with room_file.faults_at("target", "near_field_file"):
            near_field = NearField(frequencies=close.frequencies, level_db=close.level_db)
    return Target(
        **{key: value for key, value in stated.stated().items() if key in _SAME_IN_TARGET},
        points=points,
        lower_limit_order=order,
        near_field=near_field,
        path=tuple(entry for entry in path if entry.kind == "low_pass"),
        level_db=stated.level_spl_db,
    )


def stated_limits(room_file: RoomFile, device: Device) -> Limits:
    """Return the limits, with bands by their nominal centres."""
    stated, bands = room_file.limits, device.equaliser.bands
    locked, unlocked = (
        tuple(
            bands[_band_named(room_file, device, "limits", key, index, label=label)].nominal
            for index, label in enumerate(getattr(stated, key))
        )
        for key in ("locked", "unlocked")
    )
    for index, centre in enumerate(unlocked):
        if centre in locked:
            raise room_file.fault(
                f"{centre:g} Hz is both locked and unlocked",
                *("limits", "unlocked", index),
                remedy="take it out of one of the two",
            )
    return Limits(**(stated.stated() | {"locked": locked, "unlocked": unlocked}))
