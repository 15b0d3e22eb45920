"""The reference of keys: the page is what the tables say, and every key can be asked for."""

import importlib.util

import pytest
from places import SAMPLES

from roomeq.base.toml_keys import key_tables
from roomeq.cli.main import main
from roomeq.importers.device_profile import ProfileTables
from roomeq.importers.room_file.schema import RoomTables
from roomeq.report.text.keys import keys_text
from roomeq.report.text.layout import WIDTH

PAGE = SAMPLES / "KEYS.md"


def sample_module(name):
    spec = importlib.util.spec_from_file_location(name, SAMPLES / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_is_in_step():
    made = sample_module("make_keys_page").keys_page()
    assert PAGE.read_text("utf-8") == made, "python sample_measurements/make_keys_page.py"


def test_the_page_has_a_row_for_every_key():
    lines = PAGE.read_text("utf-8").splitlines()
    for kind in (RoomTables, ProfileTables):
        for table in key_tables(kind):
            for row in table.keys:
                assert any(line.startswith(f"| `{row.name}` |") for line in lines)
    assert all(line.count(" | ") == 5 for line in lines if line.startswith("| `"))


def test_all_keys_one_table_or_one_key():
    everything = keys_text(None)
    assert max(map(len, everything.splitlines())) <= WIDTH
    for name in ("amplifier.ratings", "[[amplifier.ratings]]"):
        found = keys_text(name)
        assert "power_w = 400" in found
        assert "minimum_load_ohm" not in found
    assert "minimum_load_ohm" in keys_text("amplifier")
    assert "power_w" in keys_text("amplifier")  # the tables within it too
    corners = keys_text("corner")
    assert "[[path]] of the room file" in corners
    assert "[crossover] of the room file" in corners
    assert "family" not in corners
    only = keys_text("crossover.corner")
    assert "20 to 300 Hz" in only
    assert "[[path]]" not in only


def test_an_unknown_name_is_told_the_nearest(capsys):
    with pytest.raises(ValueError, match=r"no key or table .*nearest: .lower_limit."):
        keys_text("lower_limt")
    assert main(["keys", "lower_limt"]) == 2
    assert "nearest: 'lower_limit'" in capsys.readouterr().err


def test_the_command_prints_it(capsys):
    assert main(["keys", "target"]) == 0
    assert "lower_limit = 25" in capsys.readouterr().out
