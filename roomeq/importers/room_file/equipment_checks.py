"""What a room file's tables on amplifier, driver, filters, delays and mains must satisfy together.

Conventions
-----------
As in `roomeq.importers.room_file.checks`: nothing is repaired, every contradiction is yielded with
the path of its key and a remedy. What the values refuse by themselves (a load below the amplifier's
minimum) is raised where they are built, in `roomeq.importers.equipment`.
"""

from __future__ import annotations

from collections.abc import Iterator

from roomeq.base.toml_lines import KeyPath
from roomeq.base.toml_tables import Plausible
from roomeq.importers.room_file.equipment_schema import (
    CORNER_SPAN,
    HIGH_PASS_SPAN,
    AmplifierTable,
    BoxTable,
    OutputLevelsTable,
    ProcessorTable,
    ProtectionTable,
)
from roomeq.importers.room_file.file import Finding, RoomFile, findings_in, needs_one
from roomeq.importers.text.band_grid import named_band


def equipment_findings(room: RoomFile) -> Iterator[Finding]:
    """Yield what cannot be in the tables on amplifier, driver, filters, delays and mains."""
    yield from findings_in(room.amplifier, ("amplifier",), _amplifier)
    yield from findings_in(room.box, ("box",), _box)
    if room.driver is not None and room.box is None:
        yield (
            "how far a driver moves depends on its box, which is not stated",
            ("driver",),
            "add [box], or leave [driver] out"
            if room.subwoofer is None
            else "add box = { ... }, or leave driver out",
        )
    yield from findings_in(room.output, ("output",), _output)
    if room.headroom is not None:
        for key in ("wanted_spl_db", "room_gain_db"):
            yield from _by_band(getattr(room.headroom, key), ("headroom", key))
    yield from _protection(room)
    yield from _filters(room)
    yield from _timing(room)
    yield from findings_in(room.processor, ("processor",), _delays)
    yield from _present_delay(room)
    yield from findings_in(room.processor, ("processor",), _choices)
    if room.mains is not None and room.mains.tuning is not None and room.mains.kind == "closed":
        yield (
            "'tuning' belongs to a vented box",
            ("mains", "tuning"),
            'leave it out, or write box = "vented"',
        )


def _amplifier(given: AmplifierTable) -> Iterator[Finding]:
    if not given.ratings:
        yield (
            "no rating is given",
            ("ratings",),
            "write [[amplifier.ratings]] with power_w and load_ohm",
        )
    volts = given.measuring_voltage
    if (volts is None) != (given.measuring_frequency is None):
        absent = "measuring_voltage" if volts is None else "measuring_frequency"
        yield (
            f"{absent!r} is missing",
            (),
            "the voltage at the terminals and the frequency at which it was read, both",
        )


def _box(given: BoxTable) -> Iterator[Finding]:
    for key in ("tuning", "compliance_ratio"):
        if given.kind == "vented" and getattr(given, key) is None:
            yield f"a vented box needs {key!r}", (), f"write {key} = ..."
        if given.kind == "closed" and getattr(given, key) is not None:
            yield (
                f"{key!r} belongs to a vented box",
                (key,),
                'leave it out, or write kind = "vented"',
            )


def _output(given: OutputLevelsTable) -> Iterator[Finding]:
    remedy = 'a table of two columns, or levels = { "20" = 95.0, "25" = 101.0 }'
    yield from needs_one(given, "file", "levels", remedy)
    yield from _by_band(given.levels, ("levels",))


def _by_band(levels: dict[str, float] | float | None, path: KeyPath) -> Iterator[Finding]:
    """Yield what is no third octave in a table by nominal frequency."""
    if not isinstance(levels, dict):
        return
    if not levels:
        yield "no band is given", path, 'as { "20" = 95.0 }'
    seen = set()
    for key in levels:
        band = named_band(key)
        if band is None:
            yield (
                f"{key!r} is no third-octave band",
                (*path, key),
                'nominal frequencies in quotes, as { "31.5" = 95.0 }',
            )
        elif band in seen:
            yield (
                f"the band of {band.label} Hz occurs twice",
                (*path, key),
                "take one of the two out",
            )
        seen.add(band)


def _protection(room: RoomFile) -> Iterator[Finding]:
    given = room.device.present.protection
    if given is None:
        return
    yield from findings_in(given, ("device", "present", "protection"), _own_high_pass)
    for index, entry in enumerate(room.path):
        if entry.kind == "high_pass" and not entry.where and entry.corner == given.corner:
            yield (
                f"a high-pass at {entry.corner:g} Hz is stated twice",
                ("path", index, "corner"),
                "the device's own belongs into [device.present.protection] alone; for "
                'another one say where = "..."',
            )


def _own_high_pass(given: ProtectionTable) -> Iterator[Finding]:
    if given.off and (given.corner is not None or given.order is not None):
        yield (
            "a high-pass that is off has neither corner nor order",
            ("off",),
            "leave out 'off', or the other keys",
        )
    if not given.off and given.corner is None:
        yield (
            "it is not said where the high-pass stands",
            (),
            "write corner = ..., or off = true; leave the table out where it is not known",
        )


def _filters(room: RoomFile) -> Iterator[Finding]:
    """Yield filters that do not exist, or whose corner is not plausible."""
    for table, entries in (("path", room.path), ("mains_path", room.mains_path)):
        for index, entry in enumerate(entries):
            span = CORNER_SPAN if entry.kind == "low_pass" else HIGH_PASS_SPAN
            place: KeyPath = (table, index)
            yield from _outside(entry.corner, (*place, "corner"), span)
            yield from _order(entry.order, entry.family, (*place, "order"))
    for index, one in enumerate(room.mains_path):
        if one.kind == "low_pass":
            yield (
                "a low-pass in the mains' path is no part of a crossover to a subwoofer",
                ("mains_path", index, "kind"),
                'kind = "high_pass"; the subwoofer\'s low-pass belongs into [[path]]',
            )
    for index, filter_ in enumerate(room.path):
        if filter_.kind == "high_pass" and not filter_.can_bypass:
            yield (
                "'can_bypass' is for low-passes; no high-pass of the path is switched off",
                ("path", index, "can_bypass"),
                "leave it out",
            )


def _outside(corner: float, path: KeyPath, span: tuple[float, float]) -> Iterator[Finding]:
    """Yield that a corner lies outside a span of plausible ones."""
    refusal = Plausible(*span, "Hz").refusal(corner)
    if refusal is not None:
        yield refusal[0], path, refusal[1]


def _order(order: int, family: str, path: KeyPath) -> Iterator[Finding]:
    even = family == "linkwitz_riley"
    if not 1 <= order <= 8 or (even and order % 2):
        orders = "2, 4, 6 or 8" if even else "1 to 8"
        yield (
            f"order {order} does not exist for {family!r}",
            path,
            f"{orders}; an order is 6 dB per octave",
        )


def _timing(room: RoomFile) -> Iterator[Finding]:
    if room.timing is None or not room.timing.common_reference:
        return
    several = {entry.subwoofer or entry.place for entry in room.measurements} - {None}
    if not several and not {entry.source for entry in room.measurements} & {"mains", "both"}:
        yield (
            "a common time reference is stated, but the mains were not measured",
            ("timing", "common_reference"),
            'add measurements with source = "mains", or leave [timing] out',
        )
    if room.timing.subwoofer is not None:
        yield (
            "with a common time reference the phase tells whether the subwoofer is "
            f"{room.timing.subwoofer}: it needs no statement",
            ("timing", "subwoofer"),
            "take one of the two back",
        )
    for index, entry in enumerate(room.measurements):
        if entry.source not in ("sub", "mains"):
            continue
        if entry.kind == "sweep" and entry.loopback_channel is None:
            yield (
                f"{entry.file!r} was recorded without a loopback: it has no absolute time",
                ("measurements", index),
                "record with a loopback and name loopback_channel, or take back "
                "common_reference = true",
            )
        if entry.kind == "band_levels":
            yield (
                f"{entry.file!r} holds band levels: they have no phase to be compared",
                ("measurements", index),
                "measure narrow-band responses with phase, or take back common_reference = true",
            )


def _delays(given: ProcessorTable) -> Iterator[Finding]:
    keys = ("delay_lowest_ms", "delay_highest_ms", "delay_step_ms")
    absent = [key for key in keys if getattr(given, key) is None]
    if 0 < len(absent) < 3:
        yield (
            f"{absent[0]!r} is missing",
            (),
            "lowest, highest and step of the delay, all three; 0 to 0 for no delay",
        )
    lowest, highest = given.delay_lowest_ms, given.delay_highest_ms
    if lowest is not None and highest is not None and lowest > highest:
        yield (
            f"{lowest:g} ms exceeds delay_highest_ms, {highest:g} ms",
            ("delay_lowest_ms",),
            "exchange the two; delaying the mains counts as negative",
        )


def _present_delay(room: RoomFile) -> Iterator[Finding]:
    """Yield a present delay that the processor cannot have been set to; one of several has own."""
    given, delay_ms = room.processor, room.device.present.delay_ms
    if given is None or given.delay_lowest_ms is None or given.delay_highest_ms is None:
        return
    if room.subwoofer is not None:
        return
    lowest, highest = given.delay_lowest_ms, given.delay_highest_ms
    if delay_ms is not None and not lowest <= delay_ms <= highest:
        yield (
            f"{delay_ms:g} ms is none that [processor] offers ({lowest:g} to {highest:g} ms)",
            ("device", "present", "delay_ms"),
            "correct one of them; a delay of the subwoofer is positive, one of the mains negative",
        )


def _choices(given: ProcessorTable) -> Iterator[Finding]:
    for name, span in (("high_pass", HIGH_PASS_SPAN), ("low_pass", CORNER_SPAN)):
        choice = getattr(given, name)
        if choice is None:
            continue
        for index, order in enumerate(choice.orders):
            yield from _order(order, choice.family, (name, "orders", index))
        for index, corner in enumerate(choice.corners):
            yield from _outside(corner, (name, "corners", index), span)
        for key in ("orders", "corners"):
            if not getattr(choice, key):
                yield (
                    "there is nothing to choose from",
                    (name, key),
                    f"list the {key}, or leave {name} out",
                )
