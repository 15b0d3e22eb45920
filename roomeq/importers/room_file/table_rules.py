"""What the keys of one table of a room file must satisfy together, by the kind of table.

Conventions
-----------
Every table is looked at wherever it stands, so that what one of several subwoofers has of its own
is held to the same rules. A key counts as given where it differs from what holds without it. Where
from and to a number is plausible stands beside its key in the schema.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from msgspec import Struct
from msgspec.structs import fields

from roomeq.base.toml_lines import KeyPath
from roomeq.base.toml_tables import Plausible
from roomeq.device.crossover import MainsBox
from roomeq.importers.room_file.equipment_schema import (
    CORNER_SPAN,
    HIGH_PASS_SPAN,
    AmplifierTable,
    BoxTable,
    FilterTable,
    HeadroomTable,
    OutputLevelsTable,
    ProcessorTable,
    ProtectionTable,
    SubFilterTable,
)
from roomeq.importers.room_file.file import Finding, RoomFile
from roomeq.importers.room_file.schema import (
    CalibrationTable,
    MeasurementTable,
    MicrophoneTable,
    SeatTable,
    SubwooferTable,
    SweepTable,
)
from roomeq.importers.room_file.wanted_schema import TargetTable
from roomeq.importers.text.band_table import named_band

_Keys = tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Rules:
    """What holds between the keys of a table.

    Attributes
    ----------
    named : tuple of str
        Names, which are not blank.
    one_of, not_both : tuple of tuple of str
        Pairs of keys of which exactly one, or at most one, is given.
    together : tuple of tuple of str
        Keys that are given all or none.
    only_with : tuple
        A key, words it may hold, and keys that mean something with these words alone.
    needed_with : tuple
        The same; and with these words they are needed.
    """

    named: _Keys = ()
    one_of: tuple[_Keys, ...] = ()
    not_both: tuple[_Keys, ...] = ()
    together: tuple[_Keys, ...] = ()
    only_with: tuple[tuple[str, _Keys, _Keys], ...] = ()
    needed_with: tuple[tuple[str, _Keys, _Keys], ...] = ()


_COLUMNS = ("columns", "frequency_column", "level_column", "phase_column")
_CELLS = ("decimal", "delimiter", "encoding")
_UNITS = ("frequency_unit", "level_unit", "phase_unit")
_RULES: dict[type, _Rules] = {
    RoomFile: _Rules(named=("name",)),
    SeatTable: _Rules(named=("name",)),
    SubwooferTable: _Rules(named=("name",)),
    MeasurementTable: _Rules(
        named=("seat", "place"),
        not_both=(("seat", "columns"), ("level_column", "columns")),
        only_with=(
            ("kind", ("response",), _COLUMNS + _UNITS),
            ("kind", ("response", "band_levels"), ("weighting", *_CELLS)),
            ("kind", ("sweep",), ("channel", "loopback_channel")),
            ("source", ("sub",), ("subwoofer", "place")),
        ),
    ),
    SweepTable: _Rules(one_of=(("description", "reference"),)),
    CalibrationTable: _Rules(one_of=(("file", "level_dbfs"),)),
    MicrophoneTable: _Rules(one_of=(("file", "already_applied"),), together=(("file", "kind"),)),
    TargetTable: _Rules(
        not_both=(("lower_limit", "near_field_file"), ("level_spl_db", "level_from")),
        needed_with=(
            ("shape", ("tilt",), ("tilt_db_per_octave",)),
            ("shape", ("shelf",), ("shelf_gain_db", "shelf_corner")),
            ("shape", ("points",), ("file",)),
        ),
    ),
    AmplifierTable: _Rules(together=(("measuring_voltage", "measuring_frequency"),)),
    BoxTable: _Rules(needed_with=(("kind", ("vented",), ("tuning", "compliance_ratio")),)),
    MainsBox: _Rules(only_with=(("box", ("vented",), ("tuning",)),)),
    OutputLevelsTable: _Rules(one_of=(("file", "levels"),)),
    ProtectionTable: _Rules(one_of=(("off", "corner"),), not_both=(("off", "order"),)),
    SubFilterTable: _Rules(only_with=(("kind", ("low_pass",), ("can_bypass",)),)),
    ProcessorTable: _Rules(together=(("delay_lowest_ms", "delay_highest_ms", "delay_step_ms"),)),
}


def table_findings(table: Struct, path: KeyPath = ()) -> Iterator[Finding]:
    """Yield what cannot be within a table, and within every table that it holds."""
    name = next((key for key in reversed(path) if isinstance(key, str)), "name")
    for message, key, remedy in (*_by_rules(table, name), *_by_values(table)):
        yield message, (*path, *key), remedy
    for field in table.__struct_fields__:
        value = getattr(table, field)
        if isinstance(value, Struct):
            yield from table_findings(value, (*path, field))
        for index, one in enumerate(value if isinstance(value, tuple) else ()):
            if isinstance(one, Struct):
                yield from table_findings(one, (*path, field, index))


_fields = cache(fields)


def _by_rules(table: Struct, name: str) -> Iterator[Finding]:
    """Yield what breaks the rules for a kind of table, which stands under a name."""
    rules, look_up = _RULES.get(type(table), _Rules()), f"what they mean: roomeq keys {name}"
    values = {field.encode_name: getattr(table, field.name) for field in _fields(type(table))}
    without = {field.encode_name: field.default for field in _fields(type(table))}
    given = {key: value for key, value in values.items() if value != without[key]}
    for key in rules.named:
        if not given.get(key, "x").strip():
            yield f"{'it' if key == 'name' else f'the {key}'} has no name", (key,), "give it one"
    for one, other in (*rules.one_of, *rules.not_both):
        if one in given and other in given:
            yield f"both {one!r} and {other!r} are given", (other,), f"give one; {look_up}"
    for one, other in rules.one_of:
        if one not in given and other not in given:
            yield f"needs one of {one!r} and {other!r}", (), look_up
    for keys in rules.together:
        missing = [key for key in keys if key not in given]
        if 0 < len(missing) < len(keys):
            listed = ", ".join(keys)
            yield f"{missing[0]!r} is missing", (), f"give all of {listed}, or none; {look_up}"
    for choice, words, keys in (*rules.only_with, *rules.needed_with):
        chosen, fitting = values[choice], " or ".join(f'"{word}"' for word in words)
        for key in keys:
            if key in given and chosen not in words:
                said = f'{key!r} belongs to {choice} = {fitting}, not "{chosen}"'
                yield said, (key,), f"leave it out, or correct the {choice}"
    for choice, words, keys in rules.needed_with:
        for key in keys:
            if key not in given and values[choice] in words:
                said = f'{choice} = "{values[choice]}" needs {key!r}'
                yield said, (choice,), f"write {key} = ..."


def _by_values(table: Any) -> Iterator[Finding]:
    """Yield values that cannot be in a table of their kind."""
    match table:
        case SeatTable() if not table.weight > 0:
            remedy = "a positive number; leave a seat out that is not to count"
            yield f"weight {table.weight:g} is not positive", ("weight",), remedy
        case MeasurementTable():
            yield from _measurement(table)
        case CalibrationTable(same_gain=False):
            remedy = "leave [calibration] out: levels are then relative; or calibrate again"
            yield "the gain was not the same for calibration and sweeps", ("same_gain",), remedy
        case AmplifierTable(ratings=()):
            remedy = "write [[amplifier.ratings]] with power_w and load_ohm"
            yield "no rating is given", ("ratings",), remedy
        case OutputLevelsTable():
            yield from _by_band(table.levels, "levels")
        case HeadroomTable():
            yield from _by_band(table.wanted_spl_db, "wanted_spl_db")
            yield from _by_band(table.room_gain_db, "room_gain_db")
        case FilterTable():
            yield from _corner(table.corner, table.kind, ("corner",))
            yield from _order(table.order, table.family, ("order",))
        case ProcessorTable():
            yield from _processor(table)


def _measurement(entry: MeasurementTable) -> Iterator[Finding]:
    if entry.kind != "band_levels" and entry.seat is None and entry.columns is None:
        remedy = 'write seat = "...", or columns = { "seat" = column, ... } for several in one file'
        yield f"it is not said at which seat {entry.file!r} was measured", (), remedy
    if entry.columns is not None:
        if not entry.columns or not all(seat.strip() for seat in entry.columns):
            yield "needs a column for each named seat", ("columns",), '{ "seat" = column, ... }'
        counts = Counter(entry.columns.values())
        for seat, column in entry.columns.items():
            if counts[column] > 1:
                said = f"column {column!r} is given to {counts[column]} seats"
                yield said, ("columns", seat), "one recording belongs to one seat"
    if entry.source == "mains" and entry.route == "subwoofer_output":
        remedy = "the mains do not play through the subwoofer output: correct one of them"
        yield f'source "mains" contradicts route "{entry.route}"', ("route",), remedy
    for key in ("channel", "loopback_channel"):
        channel = getattr(entry, key)
        if channel is not None and channel < 1:
            yield f"channel {channel} does not exist", (key,), "channels count from 1"
    if entry.kind == "sweep" and entry.loopback_channel == (entry.channel or 1):
        said = "microphone and loopback are the same channel"
        yield said, ("loopback_channel",), "name the other one"


def _by_band(levels: dict[str, float] | float | None, key: str) -> Iterator[Finding]:
    """Yield what is no third octave in a table by nominal frequency."""
    if not isinstance(levels, dict):
        return
    if not levels:
        yield "no band is given", (key,), 'as { "20" = 95.0 }'
    seen = set()
    for label in levels:
        band = named_band(label)
        if band is None or band in seen:
            why = "is no third-octave band" if band is None else "is given twice"
            remedy = 'nominal frequencies in quotes, each once, as { "31.5" = 95.0 }'
            yield f"{label!r} {why}", (key, label), remedy
        seen.add(band)


def _order(order: int, family: str, key: KeyPath) -> Iterator[Finding]:
    """Yield that a family of filters has no such order."""
    even = family == "linkwitz_riley"
    if not 1 <= order <= 8 or (even and order % 2):
        orders = "2, 4, 6 or 8" if even else "1 to 8"
        said = f"order {order} does not exist for {family!r}"
        yield said, key, f"{orders}; an order is 6 dB per octave"


def _corner(corner: float, kind: str, key: KeyPath) -> Iterator[Finding]:
    """Yield that a filter of a kind hardly has such a corner."""
    span = CORNER_SPAN if kind == "low_pass" else HIGH_PASS_SPAN
    if refusal := Plausible(*span, "Hz").refusal(corner):
        yield refusal[0], key, refusal[1]


def _processor(given: ProcessorTable) -> Iterator[Finding]:
    lowest, highest = given.delay_lowest_ms, given.delay_highest_ms
    if lowest is not None and highest is not None and lowest > highest:
        said = f"{lowest:g} ms exceeds delay_highest_ms, {highest:g} ms"
        remedy = "exchange the two; delaying the mains counts as negative"
        yield said, ("delay_lowest_ms",), remedy
    for name in ("high_pass", "low_pass"):
        choice = getattr(given, name)
        if choice is None:
            continue
        for key in ("orders", "corners"):
            if not getattr(choice, key):
                remedy = f"list the {key}, or leave {name} out"
                yield "there is nothing to choose from", (name, key), remedy
        for index, order in enumerate(choice.orders):
            yield from _order(order, choice.family, (name, "orders", index))
        for index, corner in enumerate(choice.corners):
            yield from _corner(corner, name, (name, "corners", index))
