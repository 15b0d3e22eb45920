"""Keys of a file, told from its tables: against the JSON Schema (2020-12) that msgspec makes of
the same tables, and against TOML as the standard library reads it."""

import tomllib
from typing import Annotated, Literal

import msgspec
import pytest

from roomeq.base.toml_keys import key_tables, toml_value
from roomeq.base.toml_tables import Plausible, StrictTable, plausible_span
from roomeq.device.amplifier import MINIMUM_SHARE
from roomeq.importers.device_profile import ProfileTables
from roomeq.importers.room import DEFAULT_PROFILE
from roomeq.importers.room_file.equipment_schema import CORNER_SPAN
from roomeq.importers.room_file.schema import RoomTables
from roomeq.wanted.limits import UNKNOWN_LOWER_LIMIT

FILES = (RoomTables, ProfileTables)
EVERY = [
    pytest.param(kind, table, row, id=f"{table.name}.{row.name}")
    for kind in FILES
    for table in key_tables(kind)
    for row in table.keys
]


class Wheel(StrictTable, frozen=True, kw_only=True):
    """``[[wheels]]``: what it rolls on.

    Attributes
    ----------
    spokes : 32
        How many.
    tyre
        Of rubber, and that
        in two lines.
    """

    spokes: Annotated[int, Plausible(1, 64, "spokes")]
    tyre: Literal["thin", "thick"] = "thin"


class Bicycle(StrictTable, frozen=True, kw_only=True):
    """``bicycle.toml``: a bicycle.

    Attributes
    ----------
    bell
        Whether it rings.
    mass : 12.5
        With lamp; without it the mean.
    wheels : "none"
        There are none.

    Raises
    ------
    ValueError
        Never.
    """

    bell: bool = False
    mass: Annotated[float | None, Plausible(1.0, 40.0, "kg")] = None
    wheels: tuple[Wheel, ...] = ()


def test_a_table_is_told_with_all_that_its_fields_say():
    top, wheels = key_tables(Bicycle)
    assert (top.name, top.header, top.meaning) == ("", "", "a bicycle")
    assert (wheels.name, wheels.header) == ("wheels", "[[wheels]]")
    assert wheels.meaning == "what it rolls on"
    assert [row.name for row in top.keys] == ["bell", "mass", "wheels"]
    bell, mass, none = top.keys
    assert (bell.accepted, bell.default, bell.example) == ("true or false", "false", "true")
    assert mass.explained == "With lamp; 1 to 40 kg; default the mean"
    assert (mass.unit, mass.accepted, mass.example) == ("kg", "1 to 40", "12.5")
    assert (none.example, none.explained) == ('"none"', "There are none")
    spokes, tyre = wheels.keys
    assert spokes.explained == "How many; 1 to 64 spokes; required"
    assert tyre.explained == ('Of rubber, and that in two lines; "thin" or "thick"; default "thin"')
    assert tyre.example == '"thick"'


def test_figures_in_the_words_are_those_of_the_rules():
    """A default that is a rule elsewhere is told in words; they are to name its figure."""
    rows = {f"{t.name}.{row.name}": row for t in key_tables(RoomTables) for row in t.keys}
    assert f"{UNKNOWN_LOWER_LIMIT:g} Hz" in rows["target.lower_limit"].default
    assert f"{MINIMUM_SHARE:g} times" in rows["load.driver_minimum_ohm"].default
    assert f"{CORNER_SPAN[0]:g} Hz" in rows["path.corner"].meaning
    assert DEFAULT_PROFILE in rows["device.profile"].default


def schema_tables(kind):
    """Yield name, properties and required keys of every table in the JSON Schema."""
    schema = msgspec.json.schema(kind)
    known = schema["$defs"]

    def inner(entry):
        for part in entry.get("anyOf", [entry]):
            part = part.get("items", part) if isinstance(part.get("items"), dict) else part
            if "$ref" in part:
                return part["$ref"].rsplit("/", 1)[1]
        return None

    def visit(name, path):
        table = known[name]
        yield path, table["properties"], set(table.get("required", ()))
        for key, entry in table["properties"].items():
            if inner(entry):
                yield from visit(inner(entry), f"{path}.{key}".lstrip("."))

    yield from visit(schema["$ref"].rsplit("/", 1)[1], "")


@pytest.mark.parametrize("kind", FILES)
def test_no_key_of_the_schema_is_left_out_or_told_otherwise(kind):
    told = {table.name: table for table in key_tables(kind)}
    tables = list(schema_tables(kind))
    assert [path for path, _, _ in tables] == list(told)
    for path, properties, required in tables:
        rows = {row.name: row for row in told[path].keys}
        tables_within = {name.rsplit(".", 1)[-1] for name in told if name.startswith(path)}
        assert set(properties) - set(rows) <= tables_within
        for name, row in rows.items():
            entry = properties[name]
            assert row.required == (name in required), name
            words = entry.get("enum") or next(
                (part["enum"] for part in entry.get("anyOf", ()) if "enum" in part), []
            )
            for word in filter(None, words):
                assert toml_value(word) in row.accepted, (name, word)
            if entry.get("default") not in (None, (), [], ""):
                assert tomllib.loads(f"x = {row.default}")["x"] == entry["default"]


@pytest.mark.parametrize(("kind", "table", "row"), EVERY)
def test_every_key_has_a_meaning_and_an_example_that_is_accepted(kind, table, row):
    assert row.meaning
    assert "\n" not in row.explained
    value = tomllib.loads(f"x = {row.example}")["x"]
    if value == "none":
        assert row.name.endswith("path")
        return
    entry = field_of(kind, [*filter(None, table.name.split(".")), row.name])
    msgspec.convert(value, entry.type)
    span = plausible_span(entry.type)
    figures = value.values() if isinstance(value, dict) else value
    for figure in figures if isinstance(value, dict | list) else [value]:
        assert span is None or span.refusal(figure) is None


def field_of(kind, names):
    for name in names:
        (entry,) = [f for f in msgspec.structs.fields(kind) if f.encode_name == name]
        kind = next(
            (part for part in walked(entry.type) if isinstance(part, type(StrictTable))), kind
        )
    return entry


def walked(annotation):
    yield annotation
    for part in getattr(annotation, "__args__", ()):
        yield from walked(part)
    if hasattr(annotation, "__origin__") and hasattr(annotation, "__metadata__"):
        yield from walked(annotation.__origin__)


@pytest.mark.parametrize(("kind", "table", "row"), EVERY)
def test_a_quantity_names_its_unit(kind, table, row):
    """A key named after its unit has that one; frequencies, times and lengths have theirs."""
    suffixes = {"_db": "dB", "_ms": "ms", "_ohm": "ohm", "_deg": "degrees", "_w": "W", "_m2": "m^2"}
    bare = dict.fromkeys(("corner", "corners", "frequency", "lower_limit", "sample_rate"), "Hz")
    bare |= dict.fromkeys(("length", "width", "height", "distance"), "m")
    wanted = bare.get(row.name) or next(
        (unit for suffix, unit in suffixes.items() if row.name.endswith(suffix)), None
    )
    if wanted is not None:
        assert row.unit.startswith(wanted)


@pytest.mark.parametrize(
    "value", ['a "b" \\ é', True, 3, 0.5, [20, 31.5], {"sofa left": 2, "31.5": -1.0}]
)
def test_a_value_is_written_as_toml_reads_it(value):
    assert tomllib.loads(f"x = {toml_value(value)}")["x"] == value
