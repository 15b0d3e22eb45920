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
from roomeq.importers.room_file.findings import Finding
from roomeq.importers.text.band_grid import named_band

__all__ = ["headroom_findings"]


def headroom_findings(room: RoomFile) -> Iterator[Finding]:
    """Yield what cannot be in the tables on amplifier, load, driver and wanted level."""
    yield from _amplifier(room)
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
    volts = given.measuring_voltage
    if (volts is None) != (given.measuring_frequency is None):
        absent = "measuring_voltage" if volts is None else "measuring_frequency"
        yield Finding(
            message=f"{absent!r} is missing",
            path=("amplifier",),
            remedy="the voltage at the terminals and the frequency at which it was read, both",
        )


def _driver(room: RoomFile) -> Iterator[Finding]:
    if room.box is not None:
        box = room.box
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
    if room.driver is not None and room.box is None:
        yield Finding(
            message="how far a driver moves depends on its box, which is not stated",
            path=("driver",),
            remedy="add [box], or leave [driver] out",
        )


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
    yield from _by_band(given.levels, ("output", "levels"))


def _headroom(room: RoomFile) -> Iterator[Finding]:
    given = room.headroom
    if given is None:
        return
    if isinstance(given.wanted_spl_db, dict):
        yield from _by_band(given.wanted_spl_db, ("headroom", "wanted_spl_db"))
    yield from _by_band(given.room_gain_db, ("headroom", "room_gain_db"))


def _by_band(levels: dict[str, float] | None, path: KeyPath) -> Iterator[Finding]:
    """Yield what is no third octave in a table by nominal frequency."""
    if levels is None:
        return
    if not levels:
        yield Finding(message="no band is given", path=path, remedy='as { "20" = 95.0 }')
    seen = {}
    for key in levels:
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


def _protection(room: RoomFile) -> Iterator[Finding]:
    given = room.device.present.protection
    if given is None:
        return
    path: KeyPath = ("device", "present", "protection")
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
