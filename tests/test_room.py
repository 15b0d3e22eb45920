"""Rooms put together: what is stated counts, what is not is estimated and said."""

from pathlib import Path

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES

from roomeq.device.crossover import CrossoverFilter
from roomeq.errors import RoomFileError
from roomeq.optimiser.target import lower_roll_off_db
from roomeq.room_reading import read_room, room_from_exports

SAMPLES = Path(__file__).parents[1] / "sample_measurements"

ROOM = """\
format = 1
name = "Test room"

[[measurements]]
seat = "sofa"
file = "sofa.csv"

[levels]
comparable = true

[device]
profile = "nine_band"

[device.present]
gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]

[target]
"""


def write_response(path, level_db, header="level (dB SPL)"):
    rows = [f"{f:.5f},{v:.5f}" for f, v in zip(FREQUENCIES, level_db, strict=True)]
    path.write_text(f"frequency (Hz),{header}\n" + "\n".join(rows) + "\n", "utf-8")


@pytest.fixture
def folder(tmp_path):
    low_pass = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=90.0)
    level = 75 + 20 * np.log10(np.abs(low_pass.response(FREQUENCIES)))
    level = level + lower_roll_off_db(FREQUENCIES, lower_limit=24.0, order=4)
    write_response(tmp_path / "sofa.csv", level)
    (tmp_path / "room.toml").write_text(ROOM, "utf-8")
    return tmp_path


def changed(folder, old, new):
    path = folder / "room.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    return folder


def says(room, words):
    return any(words in text for text in room.assumptions)


def test_what_is_not_stated_is_estimated_and_said(folder):
    room = read_room(folder)
    assert room.corner_origin == "estimated"
    assert room.corner == pytest.approx(90, rel=0.15)
    assert says(room, "crossover corner is not stated")
    # the low-pass that nobody stated lowers the mean it is judged by: a rough figure
    assert room.target.lower_limit == pytest.approx(24.0, rel=0.1)
    assert says(room, "lower limit is taken for 22 Hz")
    assert room.level_reference == "spl"


def test_what_is_stated_counts(folder):
    path = '[[path]]\nkind = "low_pass"\nfamily = "butterworth"\norder = 4\ncorner = 85\n\n'
    changed(folder, "[target]\n", path + "[target]\nlower_limit = 22\nlevel_spl_db = 78\n")
    room = read_room(folder)
    assert (room.corner, room.corner_origin) == (85.0, "path")
    assert [str(entry) for entry in room.target.path] == ["low-pass Butterworth 24 dB/oct at 85 Hz"]
    assert room.target.lower_limit == 22.0
    assert room.target.level_db == 78.0
    assert not says(room, "corner")
    assert not says(room, "lower limit")


def test_known_low_pass_is_taken_out_before_the_lower_limit_is_estimated(folder):
    path = '[[path]]\nkind = "low_pass"\nfamily = "linkwitz_riley"\norder = 4\ncorner = 90\n\n'
    room = read_room(changed(folder, "[target]\n", path + "[target]\n"))
    assert room.target.lower_limit == pytest.approx(24.0, rel=0.04)


def test_corner_alone_can_be_stated(folder):
    changed(folder, "[target]\n", "[crossover]\ncorner = 88\n\n[target]\n")
    room = read_room(folder)
    assert (room.corner, room.corner_origin, room.target.path) == (88.0, "stated", ())
    assert says(room, "not the low-pass itself")


def test_present_gains_by_name_and_in_order(folder):
    changed(
        folder, "gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]", 'gains_db = { "31.5" = -3, "80" = 2 }'
    )
    assert read_room(folder).present.gains_db.tolist() == [0, 0, -3, 0, 0, 0, 2, 0, 0]


@pytest.mark.parametrize(
    ("gains", "said"),
    [
        ('{ "160" = -3 }', "'160' is none of the device's bands"),
        ("[0, 0]", "needs 9 gains"),
        ("[0, 0, 0.3, 0, 0, 0, 0, 0, 0]", "band 31.5 Hz cannot be set to 0.3 dB"),
    ],
)
def test_present_gains_that_the_device_does_not_have(folder, gains, said):
    changed(folder, "[0, 0, 0, 0, 0, 0, 0, 0, 0]", gains)
    with pytest.raises(RoomFileError) as fault:
        read_room(folder)
    assert said in str(fault.value)
    assert "line 15" in str(fault.value)


def test_present_gains_do_not_hide_the_lower_limit(folder):
    before = read_room(folder).target.lower_limit
    changed(folder, "[0, 0, 0, 0, 0, 0, 0, 0, 0]", "[6, 0, 0, 0, 0, 0, 0, 0, 0]")
    # the file holds what was measured through these gains: without them the sub falls earlier
    assert read_room(folder).target.lower_limit > before + 1.0


def test_wanted_level_needs_absolute_levels(folder):
    write_response(folder / "sofa.csv", np.zeros(FREQUENCIES.size), header="level (dB)")
    changed(folder, "[target]\n", "[target]\nlevel_spl_db = 78\n")
    with pytest.raises(RoomFileError, match="these are relative"):
        read_room(folder)


def test_level_from_the_mains(folder):
    write_response(folder / "mains.csv", np.full(FREQUENCIES.size, 81.0))
    mains = '[[measurements]]\nseat = "sofa"\nsource = "mains"\nfile = "mains.csv"\n\n[levels]'
    changed(folder, "[levels]", mains)
    changed(folder, "[target]\n", '[target]\nlevel_from = "mains"\n')
    room = read_room(folder)
    assert room.target.level_db == pytest.approx(81.0, abs=1e-6)
    assert says(room, "that of the mains: 81.0 dB")
    assert room.source == "sub"


def test_both_is_taken_where_the_subwoofer_was_not_measured_alone(folder):
    changed(folder, 'file = "sofa.csv"', 'file = "sofa.csv"\nsource = "both"')
    room = read_room(folder)
    assert room.source == "both"
    assert says(room, "below 0.7 times")


def test_mains_alone_will_not_do(folder):
    changed(folder, 'file = "sofa.csv"', 'file = "sofa.csv"\nsource = "mains"')
    with pytest.raises(RoomFileError, match="subwoofer was not measured"):
        read_room(folder)


def test_targets_from_files_are_inputs_too(folder):
    points = "frequency (Hz),level (dB)\n20,4\n40,2\n80,0\n"
    (folder / "wanted.csv").write_text(points, "utf-8")
    write_response(
        folder / "close.csv", 95 + lower_roll_off_db(FREQUENCIES, lower_limit=30.0, order=4)
    )
    changed(
        folder,
        "[target]\n",
        '[target]\nshape = "points"\nfile = "wanted.csv"\nnear_field_file = "close.csv"\n',
    )
    room = read_room(folder)
    assert room.target.points == ((20.0, 4.0), (40.0, 2.0), (80.0, 0.0))
    assert room.target.lower_limit == pytest.approx(30.0, rel=0.05)
    assert {entry.role for entry in room.inputs} >= {"target", "near_field"}


def test_bare_list_of_exports(folder):
    room = room_from_exports([folder / "sofa.csv"], crossover=90.0, lower_limit=24.0)
    assert room.survey.seats == ("sofa",)
    assert (room.corner, room.corner_origin) == (90.0, "stated")
    assert room.target.lower_limit == 24.0
    assert says(room, "the device is taken for 'nine_band'")
    assert not room.survey.levels_comparable
    low_pass = CrossoverFilter(kind="low_pass", family="butterworth", order=2, corner=70.0)
    known = room_from_exports([folder / "sofa.csv"], low_pass=low_pass)
    assert (known.corner, known.corner_origin) == (70.0, "path")
    assert known.target.path == (low_pass,)
    assert says(room, "no filters in the subwoofer's path")
    assert not says(known, "no filters in the subwoofer's path")
    for wrong in (5.0, 20000.0, float("nan")):
        with pytest.raises(ValueError, match="within 20 to 300 Hz"):
            room_from_exports([folder / "sofa.csv"], crossover=wrong)
    with pytest.raises(ValueError, match="at least one text export"):
        room_from_exports([])
    with pytest.raises(FileNotFoundError, match=r"missing\.csv"):
        room_from_exports([folder / "missing.csv"])


@pytest.mark.parametrize("name", ["lakeside_cabin", "brick_cellar", "rented_hall"])
def test_sample_rooms_read(name):
    room = read_room(SAMPLES / name)
    assert room.findings == ()
    assert len(room.survey.seats) >= 4
    assert repr(room).startswith(f"<Room {room.name}: <Survey ")
