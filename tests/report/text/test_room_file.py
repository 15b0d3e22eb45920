"""The room file to begin with: TOML as the standard library reads it, and every key in it."""

import re
import tomllib

import msgspec
import numpy as np
import pytest
from places import SAMPLES

from roomeq.base.toml_keys import key_tables
from roomeq.cli.main import main
from roomeq.importers.file_contents import FolderEntry
from roomeq.importers.folder import FolderContents
from roomeq.importers.room import read_room
from roomeq.importers.room_file.schema import RoomTables
from roomeq.report.text.room_file import room_file_text, start_text

FOUND = FolderContents(
    name="Küche",
    entries=(
        FolderEntry(
            table="measurements",
            keys={"file": 'so"fa.txt', "seat": "sofa", "source": "sub"},
            why="text export",
        ),
        FolderEntry(table="measurements", keys={"file": "chair.txt", "seat": "chair"}, why="ex"),
        FolderEntry(
            table="measurements",
            keys={"file": "bad.txt", "seat": "bad"},
            why="",
            left_out="line 3\nis\x00broken",
        ),
        FolderEntry(table="seats", keys={"name": "sofa"}, why="", left_out="list all"),
        FolderEntry(table="timing", keys={"common_reference": True}, why="loopbacks"),
    ),
    ignored=("photo.jpg",),
)
TEXT = room_file_text(FOUND)


def test_what_is_told_stands_there_and_nothing_else():
    assert tomllib.loads(TEXT) == {
        "format": 1,
        "name": "Küche",
        "measurements": [
            {"file": 'so"fa.txt', "seat": "sofa", "source": "sub"},
            {"file": "chair.txt", "seat": "chair"},
        ],
        "timing": {"common_reference": True},
    }


def test_every_other_key_is_explained_in_one_line():
    for table in key_tables(RoomTables):
        assert table.header in TEXT
        for row in table.keys:
            assert re.search(rf"^(# )?{row.name} = ", TEXT, re.MULTILINE), row.name
    lines = TEXT.splitlines()
    assert any(line.startswith("# lower_limit = 25 ") and "6 dB down" in line for line in lines)
    assert any(line.startswith("# [amplifier] ") and "ratings" in line for line in lines)


def test_each_commented_table_is_valid_once_its_marks_are_taken_away():
    """Values by themselves; that `description` and `reference` exclude each other is said."""
    blocks = [block for block in TEXT.split("\n\n") if re.search(r"^# \[", block, re.MULTILINE)]
    assert len(blocks) > 20
    for block in blocks:
        lines = [line.removeprefix("# ") for line in block.splitlines()]
        start = next(i for i, line in enumerate(lines) if line.startswith("["))
        stated = "\n".join(lines[start:])
        needed = "" if stated.startswith("[amplifier]") else 'format = 1\nname = "x"\n'
        if stated.startswith("[subwoofers."):
            needed += '[[subwoofers]]\nname = "x"\n'
        if re.match(r"\[+(subwoofers\.)?amplifier", stated):
            tomllib.loads(stated)  # one needs the other
            continue
        if not re.search(r"^\[\[measurements\]\]", stated, re.MULTILINE):
            stated += '\n[[measurements]]\nfile = "x.txt"\n'
        msgspec.convert(tomllib.loads(needed + stated), RoomTables)


def test_a_source_is_asked_for_where_it_is_not_told():
    blocks = re.split(r"\n(?=(?:# )?\[\[measurements\]\])", TEXT)[1:4]
    assert ["# source = " in block for block in blocks] == [False, True, True]
    assert "# left out: line 3 is broken" in TEXT


def test_what_was_concluded_is_told():
    text = start_text(FOUND, file="somewhere/room.toml")
    assert "Written: somewhere/room.toml" in text
    assert "so\"fa.txt (seat 'sofa'): text export" in text
    assert "taken for sub: chair.txt, bad.txt" not in text
    assert "taken for sub: chair.txt" in text
    assert "[timing]: loopbacks" in text
    assert "Not looked at: photo.jpg" in text
    assert "list all" not in text  # of the seats, which are no finding


@pytest.mark.parametrize(
    ("room", "seats"),
    [
        ("lakeside_cabin", {"sofa left", "sofa middle", "sofa right", "reading bench"}),
        ("brick_cellar", {"front left", "front middle", "front right", "stools left"}),
        ("rented_hall", {"second row left", "last row"}),
        ("ferry_office", {"bench left", "bench middle", "bench right", "ticket window"}),
    ],
)
def test_a_sample_room_without_its_file_is_read_as_with_it(room, seats, tmp_path, capsys):
    folder = tmp_path / room
    folder.mkdir()
    for path in (SAMPLES / room).iterdir():
        if path.is_file() and path.name != "room.toml":
            (folder / path.name).write_bytes(path.read_bytes())
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert main(["start", str(folder)]) in (0, 1)
    printed = capsys.readouterr().out
    assert printed.startswith(f"Written: {folder / 'room.toml'}")
    assert f"{room}: measurements" in printed  # the check
    found, wanted = read_room(folder).survey, read_room(SAMPLES / room).survey
    assert seats <= set(found.seats)
    levels = {(m.file, m.seat): m.response.level_db for m in found.measurements}
    for one in wanted.measurements:
        file_levels = [value for (file, _), value in levels.items() if file == one.file]
        if room != "rented_hall":  # C weighting stands nowhere in its table
            assert any(np.array_equal(one.response.level_db, value) for value in file_levels)
    assert {m.source for m in wanted.measurements} == {m.source for m in found.measurements}
    after = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert after.pop("room.toml")
    assert after == before
