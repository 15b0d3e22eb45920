"""What a room file's tables on joining subwoofer and mains must satisfy together.

Conventions
-----------
As in `roomeq.importers.room_file.checks`: nothing is repaired, every contradiction is yielded with
the path of its key and a remedy.
"""

from __future__ import annotations

from collections.abc import Iterator

from roomeq.base.toml_lines import KeyPath
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.findings import Finding, outside
from roomeq.importers.room_file.joining_schema import CORNER_SPAN, HIGH_PASS_SPAN

__all__ = ["joining_findings"]


def joining_findings(room: RoomFile) -> Iterator[Finding]:
    """Yield what cannot be in the tables on filters, delays and mains."""
    yield from _filters(room)
    yield from _timing(room)
    yield from _processor(room)
    yield from _mains(room)


def _filters(room: RoomFile) -> Iterator[Finding]:
    """Yield filters that do not exist, or whose corner is not plausible."""
    for table, entries in (("path", room.path), ("mains_path", room.mains_path)):
        for index, entry in enumerate(entries):
            span = CORNER_SPAN if entry.kind == "low_pass" else HIGH_PASS_SPAN
            place: KeyPath = (table, index)
            yield from outside(entry.corner, (*place, "corner"), *span, "Hz")
            yield from _order(entry.order, entry.family, (*place, "order"))
    for index, one in enumerate(room.mains_path):
        if one.kind == "low_pass":
            yield Finding(
                message="a low-pass in the mains' path is no part of a crossover to a subwoofer",
                path=("mains_path", index, "kind"),
                remedy='kind = "high_pass"; the subwoofer\'s low-pass belongs into [[path]]',
            )
    for number, filter_ in enumerate(room.path):
        if filter_.kind == "high_pass" and not filter_.can_bypass:
            yield Finding(
                message="'can_bypass' is for low-passes; no high-pass of the path is switched off",
                path=("path", number, "can_bypass"),
                remedy="leave it out",
            )


def _order(order: int, family: str, path: KeyPath) -> Iterator[Finding]:
    even = family == "linkwitz_riley"
    if not 1 <= order <= 8 or (even and order % 2):
        orders = "2, 4, 6 or 8" if even else "1 to 8"
        yield Finding(
            message=f"order {order} does not exist for {family!r}",
            path=path,
            remedy=f"{orders}; an order is 6 dB per octave",
        )


def _timing(room: RoomFile) -> Iterator[Finding]:
    sources = {entry.source for entry in room.measurements}
    if room.timing is not None and room.timing.common_reference and not sources & {"mains", "both"}:
        yield Finding(
            message="a common time reference is stated, but the mains were not measured",
            path=("timing", "common_reference"),
            remedy='add measurements with source = "mains", or leave [timing] out',
        )

    if room.timing is None or not room.timing.common_reference:
        return
    if room.timing.subwoofer is not None:
        yield Finding(
            message="with a common time reference the phase tells whether the subwoofer is "
            f"{room.timing.subwoofer}: it needs no statement",
            path=("timing", "subwoofer"),
            remedy="take one of the two back",
        )
    for index, entry in enumerate(room.measurements):
        untimed = entry.kind == "sweep" and entry.loopback_channel is None
        if untimed and entry.source in ("sub", "mains"):
            yield Finding(
                message=f"{entry.file!r} was recorded without a loopback: it has no absolute time",
                path=("measurements", index),
                remedy="record with a loopback and name loopback_channel, or take back "
                "common_reference = true",
            )
        if entry.kind == "band_levels" and entry.source in ("sub", "mains"):
            yield Finding(
                message=f"{entry.file!r} holds band levels: they have no phase to be compared",
                path=("measurements", index),
                remedy="measure narrow-band responses with phase, or take back "
                "common_reference = true",
            )


def _processor(room: RoomFile) -> Iterator[Finding]:
    given = room.processor
    if given is None:
        return
    keys = ("delay_lowest_ms", "delay_highest_ms", "delay_step_ms")
    values = [getattr(given, key) for key in keys]
    if 0 < sum(value is not None for value in values) < 3:
        absent = next(key for key, value in zip(keys, values, strict=True) if value is None)
        yield Finding(
            message=f"{absent!r} is missing",
            path=("processor",),
            remedy="lowest, highest and step of the delay, all three; 0 to 0 for no delay",
        )
    elif values[0] is not None and values[1] is not None and values[0] > values[1]:
        yield Finding(
            message=f"{values[0]:g} ms exceeds delay_highest_ms, {values[1]:g} ms",
            path=("processor", "delay_lowest_ms"),
            remedy="exchange the two; delaying the mains counts as negative",
        )
    elif values[0] is not None and values[1] is not None:
        yield from _present_delay(room, values[0], values[1])
    for name, span in (("high_pass", HIGH_PASS_SPAN), ("low_pass", CORNER_SPAN)):
        choice = getattr(given, name)
        if choice is None:
            continue
        for index, order in enumerate(choice.orders):
            yield from _order(order, choice.family, ("processor", name, "orders", index))
        for index, corner in enumerate(choice.corners):
            yield from outside(corner, ("processor", name, "corners", index), *span, "Hz")
        for key in ("orders", "corners"):
            if not getattr(choice, key):
                yield Finding(
                    message="there is nothing to choose from",
                    path=("processor", name, key),
                    remedy=f"list the {key}, or leave {name} out",
                )


def _present_delay(room: RoomFile, lowest_ms: float, highest_ms: float) -> Iterator[Finding]:
    """Yield a present delay that the processor cannot have been set to."""
    delay_ms = room.device.present.delay_ms
    if delay_ms is not None and not lowest_ms <= delay_ms <= highest_ms:
        yield Finding(
            message=f"{delay_ms:g} ms is none that [processor] offers ({lowest_ms:g} to "
            f"{highest_ms:g} ms)",
            path=("device", "present", "delay_ms"),
            remedy="correct one of them; a delay of the subwoofer is positive, one of the mains "
            "negative",
        )


def _mains(room: RoomFile) -> Iterator[Finding]:
    given = room.mains
    if given is None:
        return
    if given.tuning is not None and given.kind == "closed":
        yield Finding(
            message="'tuning' belongs to a vented box",
            path=("mains", "tuning"),
            remedy='leave it out, or write box = "vented"',
        )
