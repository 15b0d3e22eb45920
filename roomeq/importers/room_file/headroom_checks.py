"""What a room file's tables on amplifier, load, driver and wanted level must satisfy together.

Conventions
-----------
As in `roomeq.importers.room_file.checks`: nothing is repaired, every contradiction is yielded with
the path of its key and a remedy. What the values refuse by themselves (a load below the amplifier's
minimum) is raised where they are built, in `roomeq.importers.equipment`.
"""

from __future__ import annotations

from collections.abc import Iterator

from roomeq.base.toml_lines import KeyPath
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.findings import Finding, outside
from roomeq.importers.text.band_grid import named_band

__all__ = ["headroom_findings"]


def headroom_findings(room: RoomFile) -> Iterator[Finding]:
    """Yield what cannot be in the tables on amplifier, load, driver and wanted level."""
    yield from _amplifier(room)
    yield from _load(room)
    yield from _driver(room)
    yield from _output(room)
    yield from _headroom(room)
    yield from _protection(room)


def _amplifier(room: RoomFile) -> Iterator[Finding]:
    given = room.amplifier
    if given is None:
        return
    if not given.ratings:
        yield Finding(
            message="no rating is given",
            path=("amplifier", "ratings"),
            remedy="write [[amplifier.ratings]] with power_w and load_ohm",
        )
    for index, rating in enumerate(given.ratings):
        path: KeyPath = ("amplifier", "ratings", index)
        yield from outside(rating.power_w, (*path, "power_w"), 1.0, 20000.0, "W")
        yield from outside(rating.load_ohm, (*path, "load_ohm"), 0.5, 100.0, "ohm")
    least = given.minimum_load_ohm
    yield from outside(least, ("amplifier", "minimum_load_ohm"), 0.5, 100.0, "ohm")
    volts = given.measuring_voltage
    yield from outside(volts, ("amplifier", "measuring_voltage"), 0.001, 300.0, "V")
    at = given.measuring_frequency
    yield from outside(at, ("amplifier", "measuring_frequency"), 10.0, 300.0, "Hz")
    if (volts is None) != (at is None):
        absent = "measuring_voltage" if volts is None else "measuring_frequency"
        yield Finding(
            message=f"{absent!r} is missing",
            path=("amplifier",),
            remedy="the voltage at the terminals and the frequency at which it was read, both",
        )


def _load(room: RoomFile) -> Iterator[Finding]:
    given = room.load
    if given is None:
        return
    for key in ("driver_nominal_ohm", "driver_minimum_ohm"):
        yield from outside(getattr(given, key), ("load", key), 0.5, 100.0, "ohm")
    for key in ("in_series", "in_parallel"):
        count = getattr(given, key)
        if not 1 <= count <= 64:
            yield Finding(
                message=f"{count} drivers cannot be",
                path=("load", key),
                remedy="a whole number of at least 1",
            )


def _driver(room: RoomFile) -> Iterator[Finding]:
    if room.box is not None:
        box = room.box
        yield from outside(box.resonance, ("box", "resonance"), 5.0, 150.0, "Hz")
        yield from outside(box.q, ("box", "q"), 0.1, 5.0, "as a Q")
        yield from outside(box.tuning, ("box", "tuning"), 5.0, 100.0, "Hz")
        yield from outside(box.compliance_ratio, ("box", "compliance_ratio"), 0.05, 50.0, "times")
        yield from outside(box.leakage_q, ("box", "leakage_q"), 1.0, 1000.0, "as a Q")
        for key in ("tuning", "compliance_ratio"):
            if box.kind == "vented" and getattr(box, key) is None:
                yield Finding(
                    message=f"a vented box needs {key!r}",
                    path=("box",),
                    remedy=f"write {key} = ...",
                )
            if box.kind == "closed" and getattr(box, key) is not None:
                yield Finding(
                    message=f"{key!r} belongs to a vented box",
                    path=("box", key),
                    remedy='leave it out, or write kind = "vented"',
                )
    driver = room.driver
    if driver is None:
        return
    if room.box is None:
        yield Finding(
            message="how far a driver moves depends on its box, which is not stated",
            path=("driver",),
            remedy="add [box], or leave [driver] out",
        )
    area, moves = driver.piston_area_m2, driver.largest_displacement
    yield from outside(area, ("driver", "piston_area_m2"), 0.002, 1.0, "m^2", "of one driver")
    path = ("driver", "largest_displacement")
    yield from outside(moves, path, 0.0005, 0.1, "m", "one way, in metres")
    yield from outside(driver.sensitivity_db, ("driver", "sensitivity_db"), 60.0, 120.0, "dB SPL")


def _output(room: RoomFile) -> Iterator[Finding]:
    given = room.output
    if given is None:
        return
    if (given.file is None) == (given.levels is None):
        yield Finding(
            message="needs one of 'file' and 'levels'",
            path=("output",),
            remedy='a table of two columns, or levels = { "20" = 95.0, "25" = 101.0 }',
        )
    yield from outside(given.distance, ("output", "distance"), 0.1, 20.0, "m")
    yield from _by_band(given.levels, ("output", "levels"), 30.0, 140.0)


def _headroom(room: RoomFile) -> Iterator[Finding]:
    given = room.headroom
    if given is None:
        return
    wanted, path = given.wanted_spl_db, ("headroom", "wanted_spl_db")
    if isinstance(wanted, dict):
        yield from _by_band(wanted, path, 30.0, 130.0)
    else:
        yield from outside(wanted, path, 30.0, 130.0, "dB SPL")
    yield from outside(given.distance, ("headroom", "distance"), 0.3, 50.0, "m")
    yield from _by_band(given.room_gain_db, ("headroom", "room_gain_db"), -40.0, 40.0)


def _by_band(
    levels: dict[str, float] | None, path: KeyPath, lowest: float, highest: float
) -> Iterator[Finding]:
    """Yield what is no third octave, or no plausible figure, in a table by nominal frequency."""
    if levels is None:
        return
    if not levels:
        yield Finding(message="no band is given", path=path, remedy='as { "20" = 95.0 }')
    seen = {}
    for key, level in levels.items():
        band = named_band(key)
        if band is None:
            yield Finding(
                message=f"{key!r} is no third-octave band",
                path=(*path, key),
                remedy='nominal frequencies in quotes, as { "31.5" = 95.0 }',
            )
        elif band in seen:
            yield Finding(
                message=f"the band of {band.label} Hz occurs twice",
                path=(*path, key),
                remedy="take one of the two out",
            )
        seen[band] = key
        yield from outside(level, (*path, key), lowest, highest, "dB")


def _protection(room: RoomFile) -> Iterator[Finding]:
    given = room.device.present.protection
    if given is None:
        return
    path: KeyPath = ("device", "present", "protection")
    yield from outside(given.corner, (*path, "corner"), 5.0, 120.0, "Hz")
    if given.off and (given.corner is not None or given.order is not None):
        yield Finding(
            message="a high-pass that is off has neither corner nor order",
            path=(*path, "off"),
            remedy="leave out 'off', or the other keys",
        )
    if not given.off and given.corner is None:
        yield Finding(
            message="it is not said where the high-pass stands",
            path=path,
            remedy="write corner = ..., or off = true; leave the table out where it is not known",
        )
    for index, entry in enumerate(room.path):
        if entry.kind == "high_pass" and not entry.where and entry.corner == given.corner:
            yield Finding(
                message=f"a high-pass at {entry.corner:g} Hz is stated twice",
                path=("path", index, "corner"),
                remedy="the device's own belongs into [device.present.protection] alone; for "
                'another one say where = "..."',
            )
