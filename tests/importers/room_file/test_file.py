"""Room file: what TOML (the open standard, toml.io v1.0.0) and the room's own sense allow."""

import re
from pathlib import Path

import pytest

from roomeq.base.errors import RoomFileError
from roomeq.importers.room_file.reading import read_room_file

FULL = """\
format = 1
name = "Lakeside cabin"
story = "Two sofas."
[record]
date = 2024-05-01
by = "the owner"
instrument = "class 2 meter"
conditions = "quiet"
drive_level = "0.1 V"
[[seats]]
name = "sofa left"
weight = 2
[[seats]]
name = "sofa right"
[[measurements]]
seat = "sofa left"
source = "sub"
route = "subwoofer_output"
file = "left.txt"
frequency_unit = "Hz"
level_column = 2
[[measurements]]
file = "both.csv"
source = "mains"
columns = { "sofa left" = "Seat 1", "sofa right" = 3 }
[levels]
comparable = true
repeatability_db = 0.4
[microphone]
file = "microphone.txt"
kind = "response"
[device]
profile = "nine_band"
[device.present]
gains_db = [0, 0, -1.5]
level_db = 0.0
polarity = "normal"
phase_deg = 0.0
[[path]]
kind = "low_pass"
family = "linkwitz_riley"
order = 4
corner = 80.0
where = "processor"
[crossover]
corner = 80
[target]
shape = "shelf"
shelf_gain_db = 4.0
shelf_corner = 60.0
lower_limit = 25.0
level_from = "mains"
[limits]
filter_boost_db = 3.0
drive_boost_db = 6.0
no_boost_below = 25.0
locked = [20]
unlocked = [100]
[fit]
excess_weight = 2.0
[room]
length = 6.0
width = 4.0
height = 2.5
temperature = 20.0
"""

SMALL = """\
format = 1
name = "Cabin"
[[measurements]]
seat = "sofa"
file = "left.txt"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("left.txt", "both.csv", "microphone.txt", "close.txt"):
        (tmp_path / name).write_text("20 70\n", encoding="utf-8")
    return tmp_path


def _written(folder: Path, text: str) -> Path:
    path = folder / "room.toml"
    path.write_bytes(text.encode("utf-8"))
    return path


def _fault(folder: Path, text: str) -> RoomFileError:
    _written(folder, text)
    with pytest.raises(RoomFileError) as caught:
        read_room_file(folder)
    return caught.value


def test_reads_every_table_from_folder_or_file(folder):
    path = _written(folder, FULL)
    for given in (folder, path, str(path)):
        room = read_room_file(given)
        assert room.location == path
        assert room.folder == folder
    assert room.record.date == "2024-05-01"
    assert [(seat.name, seat.weight) for seat in room.seats] == [
        ("sofa left", 2.0),
        ("sofa right", 1.0),
    ]
    assert room.measurements[0].reading_settings() == {"frequency_unit": "Hz", "level_column": 2}
    assert room.measurements[1].columns == {"sofa left": "Seat 1", "sofa right": 3}
    assert room.levels.comparable is True
    assert room.levels.repeatability_db == 0.4
    assert room.microphone is not None
    assert room.microphone.kind == "response"
    assert room.device.present.gains_db == (0.0, 0.0, -1.5)
    assert room.path[0].corner == 80.0
    assert room.path[0].where == "processor"
    assert room.target.level_from == "mains"
    assert room.limits.locked == (20.0,)
    assert room.room is not None
    assert room.room.temperature == 20.0
    assert room.resolve("left.txt") == folder / "left.txt"


def test_what_is_not_written_is_not_stated(folder):
    _written(folder, SMALL)
    room = read_room_file(folder)
    assert room.microphone is None
    assert room.crossover is None
    assert room.device.profile is None
    assert room.device.present.gains_db is None
    assert room.limits.filter_boost_db == 3.0  # what holds without it
    assert not room.states("limits", "filter_boost_db")
    assert room.levels.comparable is False
    assert room.states("measurements", 0, "file")
    assert not room.states("measurements", 0, "source")
    assert not room.states("path")


def test_byte_order_mark_and_carriage_returns_are_no_fault(folder):
    _written(folder, "\ufeff" + SMALL.replace("\n", "\r\n"))
    assert read_room_file(folder).name == "Cabin"


def test_a_table_of_gains_by_centre(folder):
    _written(folder, SMALL + '[device.present]\ngains_db = { "31.5" = -3 }\n')
    assert read_room_file(folder).device.present.gains_db == {"31.5": -3.0}


def test_files_outside_the_folder_are_allowed(folder):
    inner = folder / "inner"
    inner.mkdir()
    _written(inner, SMALL.replace("left.txt", "../left.txt"))
    assert read_room_file(inner).measurements[0].file == "../left.txt"
    absolute = (folder / "left.txt").as_posix()
    _written(inner, SMALL.replace("left.txt", absolute))
    assert read_room_file(inner).resolve(absolute) == folder / "left.txt"


def test_missing_file_and_folder_are_named(tmp_path):
    with pytest.raises(RoomFileError, match=r"nowhere.*no such file \(give the folder"):
        read_room_file(tmp_path / "nowhere")
    with pytest.raises(RoomFileError, match=r"room\.toml.*no such file"):
        read_room_file(tmp_path)


def test_what_cannot_be_opened_is_our_own_error(tmp_path, monkeypatch):
    def refuse(self):
        raise PermissionError(13, "Permission denied")

    (tmp_path / "room.toml").touch()
    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(RoomFileError, match="cannot be read: Permission denied"):
        read_room_file(tmp_path / "room.toml")


def test_other_encodings_are_refused_with_their_line(folder):
    (folder / "room.toml").write_bytes(b'format = 1\nname = "Caf\xe9"\n')
    with pytest.raises(RoomFileError, match=r"line 2: byte 0xe9 is not UTF-8 \(save"):
        read_room_file(folder)


@pytest.mark.parametrize(
    ("text", "line", "where"),
    [
        ('format = 1\nname = "x\n', 2, "column 10"),
        ("format = 1\nname = 2,5\n", 2, "column 9"),
        ("format = 1\nformat = 1\n", 2, "column 11"),
        ("format = 1\nname = [\n", 2, None),
    ],
)
def test_toml_faults_carry_their_line(folder, text, line, where):
    error = _fault(folder, text)
    assert "not valid TOML" in str(error)
    assert error.line == line
    if where is not None:
        assert error.where == where
    assert error.remedy


@pytest.mark.parametrize("word", ["nan", "inf", "-inf"])
def test_numbers_that_are_none_are_refused_wherever_they_stand(folder, word):
    error = _fault(folder, FULL.replace("corner = 80.0", f"corner = {word}"))
    assert error.line == FULL.splitlines().index("corner = 80.0") + 1
    assert error.where == "path 1, corner"
    assert f"{word} is not a usable number" in str(error)
    assert "not a usable" in str(_fault(folder, FULL.replace("excess_weight = 2.0", "x = -inf")))


@pytest.mark.parametrize(
    ("old", "new", "where", "remedy"),
    [
        ("weight = 2", "wieght = 2", "seats 1, wieght", "nearest known key is 'weight'"),
        ("[levels]", "[level]", "level", "nearest known key is 'levels'"),
        ("[levels]", "[levels]\nno_boost_below = 3", "levels.no_boost_below", "table 'limits'"),
        ("[fit]", '[fit]\nstory = "x"', "fit.story", "belongs at the top"),
        ("level_db = 0.0", "levels_db = 0.0", "device.present.levels_db", "key is 'level_db'"),
        ("[room]", "[room]\nfile_ = 2", "room.file_", "nearest known key is"),
    ],
)
def test_unknown_keys_name_the_nearest_known(folder, old, new, where, remedy):
    text = FULL.replace(old, new, 1)
    error = _fault(folder, text)
    key = where.replace(", ", ".").split(".")[-1]
    assert error.message == f"unknown key {key!r}"
    assert error.where == where
    assert remedy in error.remedy
    assert key in text.splitlines()[error.line - 1]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("format = 1\n", "", "'format' is missing (write format = 1 at the top"),
        ('name = "sofa left"\n', "", "'name' is missing"),
        ('family = "linkwitz_riley"\n', "", "path 1: 'family' is missing (write family = \"link"),
        ("format = 1", "format = 2", "line 1, format: format 2 is not known (this release reads"),
        ("weight = 2", 'weight = "2"', 'seats 1, weight: "2" will not do (needs a number)'),
        ("weight = 2", "weight = true", "seats 1, weight: true will not do (needs a number)"),
        ("comparable = true", "comparable = 1", "1 will not do (needs true or false)"),
        ("order = 4", "order = 4.5", "4.5 will not do (needs a whole number)"),
        ('"Two sofas."', "5", 'story: 5 will not do (needs text in "quotes")'),
        ('source = "sub"', 'source = "subs"', "each of several subwoofers is measured alone"),
        ('source = "sub"', 'source = "x"', 'one of "sub", "mains", "both", "difference"'),
        ("[[path]]", "[path]", "write [[path]] with double brackets"),
        (
            "[levels]",
            "[[levels]]",
            "will not do (write [levels] with single brackets, once)",
        ),
        ('{ "sofa left" = "Seat 1"', '{ "sofa left" = 1.5', "measurements 2, columns"),
        ("gains_db = [0, 0, -1.5]", "gains_db = 3", "needs a table or a list"),
    ],
)
def test_wrong_kinds_are_refused(folder, old, new, said):
    assert said in str(_fault(folder, FULL.replace(old, new, 1)))


@pytest.mark.parametrize(
    ("old", "new", "where", "said"),
    [
        ('"Lakeside cabin"', '" "', "name", "has no name"),
        ("weight = 2", "weight = 0", "seats 1, weight", "weight 0 is not positive"),
        ('name = "sofa right"', 'name = ""', "seats 2, name", "it has no name"),
        ('name = "sofa right"', 'name = "sofa left"', "seats 1, name", "listed 2 times"),
        ('seat = "sofa left"\n', "", "measurements 1", "not said at which seat 'left.txt'"),
        ('seat = "sofa left"', 'seat = ""', "measurements 1, seat", "seat has no name"),
        ('seat = "sofa left"', 'seat = "sofa lef"', "measurements 1, seat", "'sofa left'; or list"),
        ('"sofa right" = 3', '"x" = 3', "measurements 2, columns.x", "not listed in [[seats]]"),
        (', "sofa right" = 3', "", "seats 2, name", "'sofa right' is listed but never measured"),
        ('{ "sofa left" = "Seat 1"', '{ "sofa left" = 3', "measurements 2, columns.sofa left",
         "column 3 is given to 2 seats"),
        ('{ "sofa left" = "Seat 1", "sofa right" = 3 }', "{}", "measurements 2, columns",
         "needs a column for each named seat"),
        ("columns =", 'seat = "sofa left"\ncolumns =', "measurements 2, columns", "both 'seat'"),
        ("columns =", "level_column = 2\ncolumns =", "measurements 2, columns", "both 'level_col"),
        ('file = "both.csv"', 'file = "both.csv"\nkind = "band_levels"', "measurements 2, columns",
         'belongs to kind = "response", not "band_levels"'),
        ('file = "left.txt"', 'file = "left.txt"\nkind = "band_levels"',
         "measurements 1, level_column",
         'belongs to kind = "response", not "band_levels"'),
        ('source = "mains"', 'source = "mains"\nroute = "subwoofer_output"',
         "measurements 2, route", "contradicts route"),
        ('"left.txt"', '"Left.tx"', "measurements 1, file", "nearest there: 'left.txt'"),
        ('"left.txt"', '"a\\\\left.txt"', "measurements 1, file", "write / between folders"),
        ('"left.txt"', '"."', "measurements 1, file", "this is a folder"),
        ('"left.txt"', '"/dev/zero"', "measurements 1, file", "this is a pipe or device"),
        ('"left.txt"', '"qqqqqqq"', "measurements 1, file", "relative to the folder"),
        ('"left.txt"', '""', "measurements 1, file", "there is no file ''"),
        ('"microphone.txt"', '"mike.txt"', "microphone.file", "there is no file 'mike.txt'"),
        ('"nine_band"', '"box.toml"', "device.profile", "there is no file 'box.toml'"),
        ("repeatability_db = 0.4", "repeatability_db = 0", "levels.repeatability_db", "0.01 to 10"),
        ("[0, 0, -1.5]", "[0, 0, -150]", "device.present.gains_db 3", "-150 dB is not plausible"),
        ("\nlevel_db = 0.0", "\nlevel_db = 99", "device.present.level_db", "99 dB is not plaus"),
        ("phase_deg = 0.0", "phase_deg = 361", "device.present.phase_deg", "-360 to 360 degrees"),
        ('kind = "response"\n', "", "microphone", "'kind' is missing (give all of file, kind"),
        ('file = "microphone.txt"\n', "", "microphone",
         "needs one of 'file' and 'already_applied'"),
        ('file = "microphone.txt"\nkind = "response"\n', "", "microphone",
         "needs one of 'file' and"),
        ('kind = "response"\n', 'kind = "response"\nalready_applied = true\n',
         "microphone.already_applied", "both 'file' and 'already_applied' are given"),
        ("corner = 80.0", "corner = 0.08", "path 1, corner", "5 to 300 Hz is accepted"),
        ("corner = 80.0", "corner = 8", "path 1, corner", "20 to 300 Hz is accepted"),
        ("corner = 80\n", "corner = 301\n", "crossover.corner", "301 Hz is not plausible"),
        ("order = 4", "order = 3", "path 1, order", "order 3 does not exist"),
        ("order = 4", "order = 0", "path 1, order", "2, 4, 6 or 8"),
        ("shelf_gain_db = 4.0\n", "", "target.shape", "needs 'shelf_gain_db'"),
        ('shape = "shelf"', 'shape = "flat"', "target.shelf_gain_db", 'belongs to shape = "shelf"'),
        ("lower_limit = 25.0", 'lower_limit = 25.0\nnear_field_file = "close.txt"',
         "target.near_field_file", "both 'lower_limit' and"),
        ('level_from = "mains"', 'level_from = "mains"\nlevel_spl_db = 75', "target.level_from",
         "both 'level_spl_db' and"),
        ('source = "mains"', 'source = "both"', "target.level_from", "which were not measured"),
        ("shelf_gain_db = 4.0", "shelf_gain_db = 40", "target.shelf_gain_db", "-20 to 20 dB"),
        ("shelf_corner = 60.0", "shelf_corner = 6", "target.shelf_corner", "6 Hz is not"),
        ("lower_limit = 25.0", "lower_limit = 1", "target.lower_limit", "5 to 80 Hz"),
        ('level_from = "mains"', "level_spl_db = 7", "target.level_spl_db", "30 to 130 dB SPL"),
        ("filter_boost_db = 3.0", "filter_boost_db = -3", "limits.filter_boost_db", "-3 dB"),
        ("drive_boost_db = 6.0", "drive_boost_db = -6", "limits.drive_boost_db", "0 to 30 dB"),
        ("no_boost_below = 25.0", "no_boost_below = 250", "limits.no_boost_below", "5 to 125 Hz"),
        ("excess_weight = 2.0", "excess_weight = 0.5", "fit.excess_weight", "1 to 100"),
        ("length = 6.0", "length = 600", "room.length", "lengths are in metres"),
        ("height = 2.5", "height = -1", "room.height", "0.5 to 100 m"),
        ("temperature = 20.0", "temperature = 68", "room.temperature", "not in degrees Fahrenheit"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(folder, old, new, where, said):
    assert old in FULL
    text = FULL.replace(old, new, 1)
    error = _fault(folder, text)
    assert error.where == where
    assert said in str(error)
    assert error.remedy
    assert error.line is not None
    last = re.split(r"[., ]+", where)[-1]
    if last.isidentifier() and last != "name":
        assert last in text.splitlines()[error.line - 1]


def test_tilt_and_points_need_their_own_keys(folder):
    assert "needs 'file'" in str(_fault(folder, SMALL + '[target]\nshape = "points"\n'))
    text = SMALL + '[target]\nshape = "tilt"\ntilt_db_per_octave = -20\n'
    assert "-20 dB per octave is not plausible" in str(_fault(folder, text))
    text = SMALL + '[target]\nshape = "points"\nfile = "gone.txt"\n'
    assert _fault(folder, text).where == "target.file"
    _written(folder, SMALL + '[target]\nshape = "points"\nfile = "close.txt"\n')
    assert read_room_file(folder).target.file == "close.txt"


def test_no_measurement_is_refused(folder):
    assert "no measurement" in str(_fault(folder, 'format = 1\nname = "x"\nmeasurements = []\n'))


def test_a_butterworth_may_be_odd_and_a_protective_high_pass_low(folder):
    filters = '[[path]]\nkind = "high_pass"\nfamily = "butterworth"\norder = 3\ncorner = 15\n'
    _written(folder, SMALL + filters)
    assert read_room_file(folder).path[0].order == 3
    assert "order 9" in str(_fault(folder, SMALL + filters.replace("order = 3", "order = 9")))


def test_a_table_of_bands_may_hold_the_seats_that_are_listed(folder):
    listed = '[[seats]]\nname = "elsewhere"\n'
    table = '[[measurements]]\nfile = "both.csv"\nkind = "band_levels"\n'
    _written(folder, 'format = 1\nname = "x"\n' + listed + table)
    assert read_room_file(folder).seats[0].name == "elsewhere"
