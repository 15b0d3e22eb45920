"""From a room file's tables to amplifier, load, driver, high-pass and wanted level.

Conventions
-----------
A value that cannot be is a `RoomFileError` with its key; above all a load below the amplifier's
minimum. What had to be taken for granted is added to the room's assumptions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.base.digests import InputFile, read_input_file
from roomeq.base.survey import Source, Survey
from roomeq.device.amplifier import Amplifier, Load, PowerRating
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.driver import Box, ClosedBox, Driver, VentedBox
from roomeq.device.output_table import OutputTable
from roomeq.device.profile import Device
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.text.band_grid import named_band
from roomeq.importers.text.output_table import output_table_from_levels, read_output_table
from roomeq.optimiser.drive.clean_drive import DistortionEvidence
from roomeq.room.equipment import Equipment, WantedLevel
from roomeq.room.room import Room

if TYPE_CHECKING:
    from roomeq.importers.recorded_sweeps import SweepReading

__all__ = ["choose_main_seat", "with_headroom"]


def with_headroom(room: Room, room_file: RoomFile, *, sweeps: SweepReading | None) -> Room:
    """Return a room with what its file says of amplifier, load, driver and wanted level.

    Parameters
    ----------
    room : Room
    room_file : RoomFile
    sweeps : SweepReading or None
        With which the recorded sweeps were read; it tells the distortion at the main seat.

    Raises
    ------
    RoomFileError
        If a value cannot be: a load below the amplifier's minimum, a high-pass that the device
        does not have, a seat that was not measured, a wanted level without measurements in dB SPL.
    MeasurementFileError
        If the table of maximum output cannot be read.
    """
    equipment = _equipment(room_file, room.device)
    assumptions = _assumptions(room_file, room.device, equipment)
    wanted = None
    if room_file.headroom is not None:
        wanted = _wanted(room_file, room, equipment, sweeps, assumptions)
    return replace(
        room,
        equipment=equipment,
        wanted=wanted,
        assumptions=tuple(dict.fromkeys([*room.assumptions, *assumptions])),
        inputs=(*room.inputs, *_inputs(room_file)),
    )


def _inputs(room_file: RoomFile) -> tuple[InputFile, ...]:
    if room_file.output is None or room_file.output.file is None:
        return ()
    return (read_input_file(room_file.output.file, role="maximum_output", folder=room_file.folder),)


def _equipment(room_file: RoomFile, device: Device) -> Equipment:
    amplifier, load, box = _amplifier(room_file), _load(room_file), _box(room_file)
    stated = room_file.amplifier
    protection = _protection(room_file, device)
    try:
        return Equipment(
            amplifier=amplifier,
            load=load,
            box=box,
            driver=_driver(room_file, box, load),
            output=_output(room_file),
            measuring_voltage=None if stated is None else stated.measuring_voltage,
            measuring_frequency=None if stated is None else stated.measuring_frequency,
            protection=protection,
            protection_known=room_file.device.present.protection is not None,
        )
    except ValueError as error:
        raise room_file.fault(str(error), "load") from None


def _amplifier(room_file: RoomFile) -> Amplifier | None:
    stated = room_file.amplifier
    if stated is None:
        return None
    ratings = tuple(
        PowerRating(power_w=rating.power_w, load_ohm=rating.load_ohm) for rating in stated.ratings
    )
    try:
        return Amplifier(ratings=ratings, minimum_load_ohm=stated.minimum_load_ohm)
    except ValueError as error:
        raise room_file.fault(str(error), "amplifier", "ratings") from None


def _load(room_file: RoomFile) -> Load | None:
    stated = room_file.load
    if stated is None:
        return None
    try:
        return Load(
            driver_nominal_ohm=stated.driver_nominal_ohm,
            in_series=stated.in_series,
            in_parallel=stated.in_parallel,
            driver_minimum_ohm=stated.driver_minimum_ohm,
        )
    except ValueError as error:
        raise room_file.fault(str(error), "load") from None


def _box(room_file: RoomFile) -> Box | None:
    stated = room_file.box
    if stated is None:
        return None
    if stated.tuning is None or stated.compliance_ratio is None:
        return ClosedBox(resonance=stated.resonance, q=stated.q)
    return VentedBox(
        tuning=stated.tuning,
        resonance=stated.resonance,
        q=stated.q,
        compliance_ratio=stated.compliance_ratio,
        leakage_q=stated.leakage_q,
    )


def _driver(room_file: RoomFile, box: Box | None, load: Load | None) -> Driver | None:
    stated = room_file.driver
    if stated is None or box is None:
        return None
    return Driver(
        box=box,
        piston_area_m2=stated.piston_area_m2,
        largest_displacement=stated.largest_displacement,
        sensitivity_db=stated.sensitivity_db,
        count=1 if load is None else load.drivers,
    )


def _output(room_file: RoomFile) -> OutputTable | None:
    stated = room_file.output
    if stated is None:
        return None
    if stated.file is not None:
        return read_output_table(
            room_file.resolve(stated.file),
            edition=stated.edition,
            distance=stated.distance,
            detector=stated.detector,
        )
    return output_table_from_levels(
        stated.levels or {},
        edition=stated.edition,
        distance=stated.distance,
        detector=stated.detector,
    )


def _protection(room_file: RoomFile, device: Device) -> CrossoverFilter | None:
    """Return the device's high-pass as stated; refuse one that it does not offer."""
    stated = room_file.device.present.protection
    place = ("device", "present", "protection")
    if stated is None:
        return None
    offered = device.protection
    if offered is None:
        if stated.off:
            return None
        raise room_file.fault(
            "the device has no protective high-pass",
            *place,
            remedy="one of another device belongs into [[path]]",
        )
    if stated.off:
        if not offered.can_bypass:
            raise room_file.fault(
                "the device's high-pass cannot be switched off",
                *place,
                "off",
                remedy="leave it out",
            )
        return None
    order = stated.order
    if order is None and len(offered.orders) == 1:
        order = offered.orders[0]
    if order not in offered.orders:
        raise room_file.fault(
            "the order is not stated" if order is None else f"order {order} is not on offer",
            *place,
            "order",
            remedy=f"one of {', '.join(map(str, offered.orders))}",
        )
    if stated.corner is None or stated.corner not in offered.corners:
        raise room_file.fault(
            f"{stated.corner or 0:g} Hz is not on offer",
            *place,
            "corner",
            remedy=f"one of {', '.join(f'{corner:g}' for corner in offered.corners)} Hz",
        )
    return CrossoverFilter(
        kind="high_pass", family=offered.family, order=order, corner=stated.corner
    )


def _assumptions(room_file: RoomFile, device: Device, equipment: Equipment) -> list[str]:
    found = []
    asked = room_file.headroom is not None or equipment.measuring_voltage is not None
    if asked and device.protection is not None and not equipment.protection_known:
        found.append(
            "the protective high-pass while measuring is not stated: it stays as it is, and "
            "voltages are reckoned without it"
        )
    if equipment.driver is not None and equipment.load is None:
        found.append("the load is not stated: one driver is reckoned with")
    if room_file.headroom is None and equipment.stated:
        found.append(
            "no wanted level is stated: what the amplifier and the driver have left, and which "
            "high-pass suits them, is not looked at"
        )
    return found


def choose_main_seat(survey: Survey, *, source: Source) -> tuple[str, str]:
    """Return the seat with most weight, the first of several, and why it is that one."""
    fitted = survey.of_source(source)
    heaviest = np.flatnonzero(fitted.weights >= fitted.weights.max() * (1.0 - 1e-9))
    seat = fitted.seats[int(heaviest[0])]
    why = "it has more weight" if heaviest.size == 1 else "it comes first"
    return seat, "it is the only one" if len(fitted.seats) == 1 else why


def _wanted(
    room_file: RoomFile,
    room: Room,
    equipment: Equipment,
    sweeps: SweepReading | None,
    assumptions: list[str],
) -> WantedLevel:
    stated = room_file.headroom
    assert stated is not None
    if room.level_reference != "spl":
        raise room_file.fault(
            "a wanted level in dB SPL needs measurements in dB SPL; these are relative",
            "headroom",
            "wanted_spl_db",
            remedy="export in dB SPL, calibrate the recorded sweeps, or take [headroom] out",
        )
    seats = room.survey.of_source(room.source).seats
    seat = stated.main_seat
    if seat is None:
        seat, why = choose_main_seat(room.survey, source=room.source)
        assumptions.append(f"the wanted level is meant for seat {seat}: {why}")
    elif seat not in seats:
        raise room_file.fault(
            f"seat {seat!r} was not measured",
            "headroom",
            "main_seat",
            remedy=f"measured are {', '.join(map(repr, seats))}",
        )
    if equipment.output is not None and stated.distance is None and not equipment.knows_level:
        assumptions.append(
            "the table of maximum output is not compared with the wanted level: neither the "
            "distance to the main seat nor driver and voltage are stated"
        )
    wanted = stated.wanted_spl_db
    return WantedLevel(
        spl_db=_by_label(wanted) if isinstance(wanted, dict) else wanted,
        main_seat=seat,
        distance=stated.distance,
        room_gain_db=_by_label(stated.room_gain_db or {}),
        drive_limit=stated.drive_limit,
        distortion=_distortion(room_file, room.source, seat, sweeps, assumptions),
    )


def _by_label(levels: Mapping[str, float]) -> dict[str, float]:
    """Return levels by the bands' own labels; that every key is a band was checked."""
    named = ((named_band(key), level) for key, level in levels.items())
    return {band.label: level for band, level in named if band is not None}


def _distortion(
    room_file: RoomFile,
    source: Source,
    seat: str,
    sweeps: SweepReading | None,
    assumptions: list[str],
) -> Distortion | None:
    """Return the distortion that the first sound recording at the main seat tells."""
    if sweeps is None:
        return None
    for entry in room_file.measurements:
        if entry.kind == "sweep" and entry.seat == seat and entry.source == source:
            try:
                found = sweeps.distortion(entry)
                if found is not None:
                    DistortionEvidence.from_distortion(found)
                return found
            except ValueError as error:
                assumptions.append(f"{entry.file}: distortion cannot be told ({error})")
    return None
