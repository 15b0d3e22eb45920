"""From a room file's tables to amplifier, load, driver, high-pass and wanted level.

Conventions
-----------
A value that cannot be is a `RoomFileError` with its key; above all a load below the amplifier's
minimum. What had to be taken for granted is added to the room's assumptions.

From a room file's tables to what joining needs: time reference, paths, processor, mains.

A value that cannot be is a `RoomFileError` with its key. Delays are ms in the file, s inside.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from msgspec.structs import asdict

from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.base.errors import FileFaultError
from roomeq.base.levels import power_mean_db
from roomeq.base.survey import Source, Survey
from roomeq.device.amplifier import Amplifier
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.driver import Box, ClosedBox, Driver, VentedBox
from roomeq.device.output_table import OutputTable
from roomeq.device.processor import DelayRange
from roomeq.device.profile import Device
from roomeq.importers.room_file.equipment_schema import ProcessorTable
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.stated import stated_filters
from roomeq.importers.text.band_table import named_band, output_table_from_levels, read_output_table
from roomeq.importers.text.export import read_one_response
from roomeq.importers.text.microphone import MicrophoneResponse, apply_microphone
from roomeq.room.equipment import Equipment, WantedLevel
from roomeq.room.room import JoiningSetup, PathResponse, Room

if TYPE_CHECKING:
    from roomeq.importers.recorded_sweeps import SweepReading

_ROOM_GAIN_DB = 35.0
"""Of 3800 third octaves in random rooms the level at the seats lay 20 dB below to 28 dB above that
outdoors at 1 m."""
_USUAL_SENSITIVITY_DB, _UNKNOWN_DRIVER_DB = 90.0, 45.0  # common practice, no source


def with_equipment(
    room: Room,
    room_file: RoomFile,
    *,
    sweeps: SweepReading | None = None,
    microphone: MicrophoneResponse | None = None,
) -> Room:
    """Return a room with what its file says of equipment and wanted level, and for joining.

    Parameters
    ----------
    room : Room
    room_file : RoomFile
    sweeps : SweepReading, optional
        With which the recorded sweeps were read; it tells the distortion at the main seat.
    microphone : MicrophoneResponse, optional
        That of the file.

    Raises
    ------
    RoomFileError
        If a value cannot be: a load below the amplifier's minimum, a high-pass that the device
        does not have, a seat that was not measured, a wanted level without measurements in dB SPL.
    MeasurementFileError
        If the table of maximum output or the response of the path cannot be read.
    """
    equipment = _equipment(room_file, room.device)
    assumptions = [*room.assumptions, *_assumptions(room_file, room.device, equipment)]
    wanted = _wanted(room_file, room, equipment, sweeps, assumptions)
    if "mains" in room.survey.sources:
        assumptions += _unstated(room_file)
    return replace(
        room,
        equipment=equipment,
        wanted=wanted,
        joining=_setup(room_file, microphone),
        assumptions=tuple(dict.fromkeys(assumptions)),
        findings=(*room.findings, *_doubts(room_file, room, equipment)),
    )


def _doubts(room_file: RoomFile, room: Room, equipment: Equipment) -> Iterator[str]:
    """Yield where voltage, rating, sensitivity and measured level contradict each other."""
    amplifier, load, volts = equipment.amplifier, equipment.load, equipment.measuring_voltage
    place = ("amplifier", "measuring_voltage")
    if amplifier is not None and volts is not None:
        rated = amplifier.ratings[-1].voltage if load is None else amplifier.rated_voltage(load)
        if volts > 1.1 * rated:
            message = f"{volts:g} V is more than the {rated:.1f} V that the amplifier is rated for"
            yield str(room_file.fault(message, *place, remedy="volts at the terminals, r.m.s."))
    if volts is not None and room.level_reference == "spl":
        driver = room_file.driver
        allowed = _ROOM_GAIN_DB if driver else _UNKNOWN_DRIVER_DB
        expected = driver.sensitivity_db if driver else _USUAL_SENSITIVITY_DB
        expected += 20.0 * math.log10(volts / 2.83)
        measured = _level_near(room, equipment.measuring_frequency or 50.0)
        if abs(measured - expected) > allowed:
            message = (
                f"{volts:g} V would give some {expected:.0f} dB SPL at 1 m, but {measured:.0f} dB "
                f"SPL were measured at the seats at {equipment.measuring_frequency:g} Hz"
            )
            yield str(room_file.fault(message, *place, remedy="state volts, not millivolts"))
    vented = equipment.box is not None and equipment.box.unloads_below is not None
    off = equipment.protection_known and equipment.protection is None
    if vented and off and room_file.headroom is None:
        yield (
            "a vented box and its high-pass off: below its tuning nothing holds the driver. Engage "
            "the high-pass, or state a wanted level in [headroom] to know what is left"
        )


def _level_near(room: Room, frequency: float) -> float:
    """Return the power mean over seats of the third octave nearest to a frequency, in dB."""
    survey = room.survey.of_source(room.source)
    axis = common_axis(survey)
    near = np.argmin(np.abs(np.log(axis / frequency)))
    return float(power_mean_db(seat_levels_db(survey, at=axis[[near]], fraction=3).ravel()))


def _equipment(room_file: RoomFile, device: Device) -> Equipment:
    stated, box, amplifier, driver = room_file.amplifier, _box(room_file), None, None
    if stated is not None:
        with room_file.faults_at("amplifier", "ratings"):
            amplifier = Amplifier(ratings=stated.ratings, minimum_load_ohm=stated.minimum_load_ohm)
    if room_file.driver is not None and box is not None:
        count = 1 if room_file.load is None else room_file.load.drivers
        driver = Driver(box=box, count=count, **asdict(room_file.driver))
    protection = _protection(room_file, device)
    with room_file.faults_at("load"):
        return Equipment(
            amplifier=amplifier,
            load=room_file.load,
            box=box,
            driver=driver,
            output=_output(room_file),
            measuring_voltage=None if stated is None else stated.measuring_voltage,
            measuring_frequency=None if stated is None else stated.measuring_frequency,
            protection=protection,
            protection_known=room_file.device.present.protection is not None,
        )


def _box(room_file: RoomFile) -> Box | None:
    stated = room_file.box
    if stated is None:
        return None
    if stated.kind == "closed":
        return ClosedBox(resonance=stated.resonance, q=stated.q)
    return VentedBox(**{key: value for key, value in asdict(stated).items() if key != "kind"})


def _output(room_file: RoomFile) -> OutputTable | None:
    if room_file.output is None:
        return None
    figures = asdict(room_file.output)
    file, levels = figures.pop("file"), figures.pop("levels")
    if file is not None:
        return read_output_table(room_file.resolve(file), **figures)
    return output_table_from_levels(levels, **figures)


def _protection(room_file: RoomFile, device: Device) -> CrossoverFilter | None:
    """Return the device's high-pass as stated; refuse one that it does not offer."""
    stated, offered = room_file.device.present.protection, device.protection

    def refused(message: str, remedy: str, *key: str) -> FileFaultError:
        return room_file.fault(message, "device", "present", "protection", *key, remedy=remedy)

    if stated is None:
        return None
    if offered is None and not stated.off:
        remedy = "one of another device belongs into [[path]]"
        raise refused("the device has no protective high-pass", remedy)
    if stated.off and offered is not None and not offered.can_bypass:
        raise refused("the device's high-pass cannot be switched off", "leave it out", "off")
    if stated.off or offered is None:
        return None
    order = stated.order or (offered.orders[0] if len(offered.orders) == 1 else None)
    if order is None or order not in offered.orders:
        said = f"order {order or 'unstated'} is not on offer"
        raise refused(said, f"one of {', '.join(map(str, offered.orders))}", "order")
    if stated.corner is None or stated.corner not in offered.corners:
        corners = ", ".join(f"{corner:g}" for corner in offered.corners)
        said = f"{stated.corner or 0:g} Hz is not on offer"
        raise refused(said, f"one of {corners} Hz", "corner")
    return CrossoverFilter(
        kind="high_pass", family=offered.family, order=order, corner=stated.corner
    )


def _assumptions(room_file: RoomFile, device: Device, equipment: Equipment) -> Iterator[str]:
    asked = room_file.headroom is not None or equipment.measuring_voltage is not None
    if asked and device.protection is not None and not equipment.protection_known:
        yield (
            "the protective high-pass while measuring is not stated: it stays as it is, and "
            "voltages are reckoned without it"
        )
    if equipment.driver is not None and equipment.load is None:
        yield "the load is not stated: one driver is reckoned with"
    if room_file.headroom is None and equipment.stated:
        yield (
            "no wanted level is stated: what the amplifier and the driver have left, and which "
            "high-pass suits them, is not looked at"
        )


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
) -> WantedLevel | None:
    stated = room_file.headroom
    if stated is None:
        return None
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
        distortion=_distortion(room.source, seat, sweeps, assumptions),
    )


def _by_label(levels: Mapping[str, float]) -> dict[str, float]:
    """Return levels by the bands' own labels; that every key is a band was checked."""
    named = ((named_band(key), level) for key, level in levels.items())
    return {band.label: level for band, level in named if band is not None}


def _distortion(
    source: Source, seat: str, sweeps: SweepReading | None, assumptions: list[str]
) -> Distortion | None:
    """Return the distortion that the first sound recording at the main seat tells."""
    for one in () if sweeps is None else sweeps.recordings:
        if (one.seat, one.source) == (seat, source):
            if one.distortion is not None and not one.spoilt:
                return one.distortion
            why = "left out, spoilt, or no whole sweep of a known kind"
            assumptions.append(f"{one.file}: distortion cannot be told ({why})")
    return None


def _setup(room_file: RoomFile, microphone: MicrophoneResponse | None) -> JoiningSetup:
    timing, processor = room_file.timing, room_file.processor or ProcessorTable()
    mains_stated = room_file.states("mains_path")
    return JoiningSetup(
        common_time_reference=None if timing is None else timing.common_reference,
        subwoofer_is=None if timing is None else timing.subwoofer,
        present_delay=1e-3 * (room_file.device.present.delay_ms or 0.0),
        delays=_delays(room_file, processor),
        high_pass=processor.high_pass,
        low_pass=processor.low_pass,
        same_corner=processor.same_corner,
        mains=room_file.mains,
        mains_path=stated_filters(room_file.mains_path) if mains_stated else None,
        fixed=tuple(index for index, one in enumerate(room_file.path) if not one.can_bypass),
        path_response=_path_response(room_file, microphone),
        level_trim=processor.level_trim,
    )


def _delays(room_file: RoomFile, given: ProcessorTable) -> DelayRange | None:
    figures = (given.delay_lowest_ms, given.delay_highest_ms, given.delay_step_ms)
    stated = [1e-3 * figure for figure in figures if figure is not None]
    if not stated:  # else all three, as the reader of the file makes sure
        return None
    lowest, highest, step = stated
    delays = DelayRange(lowest=lowest, highest=highest, step=step)
    with room_file.faults_at("processor", "delay_step_ms"):
        delays.values  # noqa: B018 - refuses a range without a step in it
    return delays


def _path_response(
    room_file: RoomFile, microphone: MicrophoneResponse | None
) -> PathResponse | None:
    given = room_file.path_response
    if given is None:
        return None
    response = read_one_response(room_file.resolve(given.file), named_in="[path_response]")
    if given.taken == "close" and microphone is not None:
        response = apply_microphone(response, microphone)
    return PathResponse(response=response, taken=given.taken, file=given.file)


def _unstated(room_file: RoomFile) -> Iterator[str]:
    """Return what is not stated although the mains were measured."""
    if room_file.timing is None:
        yield (
            "it is not stated whether subwoofer and mains were measured against one time "
            "reference ([timing]): taken for not"
        )
    if not room_file.states("mains_path"):
        yield (
            "no filters in the mains' path are stated: taken for a high-pass like the subwoofer's "
            "low-pass"
        )
    if room_file.device.present.delay_ms is None:
        yield (
            "the delay of the subwoofer while measuring is not stated: taken for 0 ms, delays "
            "are changes from what is set"
        )
