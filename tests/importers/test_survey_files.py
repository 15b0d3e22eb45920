"""Survey from files: a room with a known truth is written out and must come back.

Outside the project: IEC 61672-1 (C weighting at 20 Hz is -6.2 dB, at 31.5 Hz -3.0 dB) and FIPS 180
(SHA-256 by Python's hashlib).
"""

import hashlib
from pathlib import Path

import numpy as np
import pytest

from roomeq.base.errors import MeasurementFileError, RoomFileError
from roomeq.base.response import FrequencyResponse
from roomeq.importers import room as importers_room
from roomeq.importers import survey_files
from roomeq.importers.room import room_from_exports
from roomeq.importers.room_file.reading import read_room_file
from roomeq.importers.survey_files import read_survey
from roomeq.importers.text.export import TextExport

AXIS = np.geomspace(15.0, 200.0, 60)
START = 'format = 1\nname = "Cabin"\n'
SEATS = '[[seats]]\nname = "right"\nweight = 3\n[[seats]]\nname = "left"\n'


def _export(folder: Path, name: str, levels, unit="dB SPL") -> str:
    folder.mkdir(exist_ok=True)
    rows = [f"{f:.6f}\t{v:.4f}\n" for f, v in zip(AXIS, levels, strict=True)]
    text = f"Frequency (Hz)\tLevel ({unit})\n" + "".join(rows)
    (folder / name).write_text(text, encoding="utf-8")
    return name


def _measured(seat: str, file: str, *lines: str) -> str:
    named = [f'seat = "{seat}"'] if seat else []
    return "\n".join(["[[measurements]]", *named, f'file = "{file}"', *lines]) + "\n"


def _read(folder: Path, text: str):
    (folder / "room.toml").write_text(START + text, encoding="utf-8")
    return read_survey(read_room_file(folder))


@pytest.fixture
def levels(tmp_path):
    rng = np.random.default_rng(3)
    found = {name: np.round(75.0 + rng.normal(0, 3, AXIS.size), 4) for name in ("left", "right")}
    for name, values in found.items():
        _export(tmp_path, f"{name}.txt", values)
    return found


def test_seats_come_in_the_listed_order_with_their_weights(tmp_path, levels):
    route = 'route = "subwoofer_output"'
    both = _measured("left", "left.txt", route) + _measured("right", "right.txt")
    found = _read(tmp_path, SEATS + both)
    assert found.survey.seats == ("right", "left")
    assert found.survey.weights.tolist() == [0.75, 0.25]
    assert found.survey.levels_comparable is False
    for measurement in found.survey.measurements:
        assert measurement.file == f"{measurement.seat}.txt"
        np.testing.assert_allclose(measurement.response.frequencies, AXIS, atol=1e-6)
        np.testing.assert_allclose(measurement.response.level_db, levels[measurement.seat])
    assert found.survey.at_seat("left")[0].route == "subwoofer_output"
    assert found.findings == ()
    assert found.repeatability_db is None
    assert any("repeatability is not known" in note for note in found.notes)


def test_inputs_carry_their_digests(tmp_path, levels):
    (tmp_path / "microphone.txt").write_text("Hz dB\n10 0\n300 1\n", encoding="utf-8")
    text = _measured("left", "left.txt") + '[microphone]\nfile = "microphone.txt"\n'
    found = _read(tmp_path, text + 'kind = "response"\n')
    expected = [
        (name, role, hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
        for name, role in (
            ("room.toml", "room"),
            ("left.txt", "measurement"),
            ("microphone.txt", "microphone"),
        )
    ]
    assert [(entry.file, entry.role, entry.sha256) for entry in found.inputs] == expected


def test_what_is_not_stated_is_assumed_aloud(tmp_path, levels):
    found = _read(tmp_path, _measured("left", "left.txt"))
    text = "\n".join(found.assumptions)
    assert len(found.assumptions) == 7
    for said in (
        "all seats count alike",
        "subwoofer alone",
        "not said to be comparable",
        "no microphone correction",
        "gains while measuring are not stated",
        "level, polarity and phase while measuring are not stated",
        "no filters in the subwoofer's path",
    ):
        assert said in text


def test_what_is_stated_is_not_assumed(tmp_path, levels):
    stated = 'source = "sub"'
    text = SEATS + _measured("left", "left.txt", stated) + _measured("right", "right.txt", stated)
    text += (
        "[levels]\ncomparable = false\n[microphone]\nalready_applied = true\n"
        "[device.present]\ngains_db = [0]\nlevel_db = 0\n"
    )
    filters = '[[path]]\nkind = "low_pass"\nfamily = "butterworth"\norder = 2\ncorner = 80\n'
    polarity = 'polarity = "normal"\n'
    found = _read(tmp_path, text + polarity + filters)
    assert found.assumptions == (
        "the device's phase while measuring is not stated: taken for 0 or normal",
    )
    assert _read(tmp_path, text + polarity + "phase_deg = 0\n" + filters).assumptions == ()


def test_the_files_without_a_source_are_named(tmp_path, levels):
    text = _measured("left", "left.txt", 'source = "sub"') + _measured("right", "right.txt")
    said = [a for a in _read(tmp_path, text).assumptions if "subwoofer alone" in a]
    assert said == ["what played is not stated: taken for the subwoofer alone (right.txt)"]


@pytest.mark.parametrize(("kind", "sign"), [("response", -1.0), ("correction", 1.0)])
def test_the_microphone_is_taken_out_once_and_recorded(tmp_path, levels, kind, sign):
    (tmp_path / "microphone.txt").write_text("Hz dB\n20 -2\n150 -2\n", encoding="utf-8")
    text = _measured("left", "left.txt") + _measured("right", "right.txt", "microphone = false")
    text += f'[microphone]\nfile = "microphone.txt"\nkind = "{kind}"\n'
    found = _read(tmp_path, text)
    left, right = (found.survey.at_seat(seat)[0] for seat in ("left", "right"))
    kept = (AXIS >= 20.0) & (AXIS <= 150.0)
    np.testing.assert_allclose(left.response.level_db, levels["left"][kept] - 2.0 * sign, atol=1e-9)
    np.testing.assert_allclose(right.response.level_db, levels["right"], atol=1e-9)
    assert sum("microphone" in note for note in left.notes) == 2
    assert not any("microphone" in note for note in right.notes)
    assert any(note.startswith("left.txt: microphone") for note in found.notes)
    assert any("cut off to 20 to 150 Hz" in note for note in found.notes)


def test_c_weighting_of_an_export_is_removed(tmp_path):
    text = "Frequency (Hz)\tLevel (dB SPL)\n19.9526\t73.8\n31.6228\t77.0\n"
    (tmp_path / "left.txt").write_text(text, encoding="utf-8")
    found = _read(tmp_path, _measured("left", "left.txt", 'weighting = "C"'))
    # IEC 61672-1, rounded to 0.1 dB.
    level_db = found.survey.measurements[0].response.level_db
    np.testing.assert_allclose(level_db, 80.0, atol=0.0501)


def test_a_weighting_below_forty_hertz_points_at_the_key(tmp_path, levels):
    with pytest.raises(RoomFileError, match="A weighting cannot be removed") as caught:
        _read(tmp_path, _measured("left", "left.txt", 'weighting = "A"'))
    assert caught.value.where == "measurements 1, weighting"
    assert caught.value.line == 6


def test_band_levels_give_all_their_seats(tmp_path):
    (tmp_path / "levels.csv").write_text("Hz;left;right\n20;70;71\n25;72;74\n", encoding="utf-8")
    entry = _measured("", "levels.csv", 'kind = "band_levels"', 'weighting = "C"')
    found = _read(tmp_path, SEATS + entry)
    assert found.survey.seats == ("right", "left")
    response = found.survey.at_seat("left")[0].response
    assert response.resolution == "third_octave"
    # IEC 61672-1: -6.2 dB at 20 Hz, -4.4 dB at 25 Hz.
    np.testing.assert_allclose(response.level_db, [76.2, 76.4], atol=0.0501)
    assert any("phase cannot be told" in note for note in found.notes)


@pytest.mark.parametrize(
    ("listed", "said", "where"),
    [
        ("left", "seat 'right' is not listed in [[seats]]", "measurements 1, file"),
        ("lost", "seat 'left' is not listed", "measurements 1, file"),
    ],
)
def test_seats_of_a_band_table_must_be_listed(tmp_path, listed, said, where):
    (tmp_path / "levels.csv").write_text("Hz;left;right\n20;70;71\n25;72;74\n", encoding="utf-8")
    entry = _measured("", "levels.csv", 'kind = "band_levels"')
    with pytest.raises(RoomFileError) as caught:
        _read(tmp_path, f'[[seats]]\nname = "{listed}"\n' + entry)
    assert said in str(caught.value)
    assert caught.value.where == where


def test_a_listed_seat_that_the_band_table_lacks_is_named(tmp_path):
    (tmp_path / "levels.csv").write_text("Hz;left\n20;70\n25;72\n", encoding="utf-8")
    with pytest.raises(RoomFileError, match="'right' is listed but never measured"):
        _read(tmp_path, SEATS + _measured("", "levels.csv", 'kind = "band_levels"'))


def _several(monkeypatch, names=("Seat 1", "Seat 2"), asked=None):
    """Stand in for a reader of files with several level columns."""

    def read(path, **settings):
        if asked is not None:
            asked.append((Path(path).name, settings))
        responses = tuple(
            FrequencyResponse.from_level(AXIS, np.full(AXIS.size, float(index)))
            for index in range(len(names))
        )
        return TextExport(path=str(path), names=names, responses=responses, notes=("noted",))

    monkeypatch.setattr(survey_files, "read_text_export", read)
    monkeypatch.setattr(importers_room, "read_text_export", read)


def test_several_seats_in_one_file(tmp_path, levels, monkeypatch):
    asked: list = []
    _several(monkeypatch, asked=asked)
    entry = _measured("", "left.txt", 'columns = { "left" = "Seat 1", "right" = 3 }', 'decimal=","')
    found = _read(tmp_path, SEATS + entry)
    assert asked == [("left.txt", {"level_column": ["Seat 1", 3], "decimal": ","})]
    assert found.survey.at_seat("left")[0].response.level_db[0] == 0.0
    assert found.survey.at_seat("right")[0].response.level_db[0] == 1.0
    assert "left.txt: noted" in found.notes
    assert len(found.inputs) == 2


def test_more_columns_than_seats_are_refused(tmp_path, levels, monkeypatch):
    _several(monkeypatch)
    with pytest.raises(RoomFileError, match=r"2 level columns \(Seat 1, Seat 2\) for 1 named") as e:
        _read(tmp_path, _measured("left", "left.txt"))
    assert e.value.where == "measurements 1, file"
    assert "columns = {" in e.value.remedy


@pytest.mark.parametrize(
    "error", [ValueError("no such codec"), OSError(13, "Permission denied", "left.txt")]
)
def test_what_the_reader_refuses_points_at_the_entry(tmp_path, levels, monkeypatch, error):
    def refuse(path, **settings):
        raise error

    monkeypatch.setattr(survey_files, "read_text_export", refuse)
    with pytest.raises(
        RoomFileError,
        match=r"room\.toml.*measurements 1: (no such|left.txt is)",
    ):
        _read(tmp_path, _measured("left", "left.txt"))
    monkeypatch.setattr(survey_files, "read_microphone", refuse)
    microphone = '[microphone]\nfile = "left.txt"\nkind = "response"\n'
    with pytest.raises(RoomFileError, match=r"room\.toml.*microphone: (no such|left.txt is)"):
        _read(tmp_path, _measured("left", "left.txt") + microphone)


def test_a_file_that_holds_no_table_is_named(tmp_path):
    (tmp_path / "left.txt").write_text("words only\n", encoding="utf-8")
    with pytest.raises(MeasurementFileError, match=r"left\.txt"):
        _read(tmp_path, _measured("left", "left.txt"))


def test_the_same_recording_at_two_seats_is_named(tmp_path, levels):
    _export(tmp_path, "copy.txt", levels["left"])
    text = _measured("left", "left.txt") + _measured("right", "copy.txt")
    (finding,) = _read(tmp_path, text).findings
    assert "'left' (sub, left.txt) and 'right' (sub, copy.txt) are the same recording" in finding


def test_a_copy_at_another_level_is_named_unless_it_is_of_the_same_seat(tmp_path, levels):
    _export(tmp_path, "copy.txt", levels["left"] + 2.0)
    text = _measured("left", "left.txt")
    (finding,) = _read(tmp_path, text + _measured("right", "copy.txt")).findings
    assert "copy.txt) are the same recording, 2.0 dB apart: was one file" in finding
    assert not _read(tmp_path, text + _measured("left", "copy.txt")).findings
    moved = levels["left"] + 2.0 + np.linspace(0.0, 0.03, levels["left"].size)
    _export(tmp_path, "copy.txt", moved)
    assert not _read(tmp_path, text + _measured("right", "copy.txt")).findings


def test_repeats_tell_the_repeatability_unless_it_is_stated(tmp_path, levels):
    _export(tmp_path, "again.txt", levels["left"] + 1.0)
    text = _measured("left", "left.txt") + _measured("left", "again.txt")
    comparable = "[levels]\ncomparable = true\n"
    found = _read(tmp_path, text + comparable)
    assert found.repeatability_db == pytest.approx(np.sqrt(0.5), abs=1e-3)
    assert any("repeats of a seat lie 0.71 dB apart" in note for note in found.notes)
    assert _read(tmp_path, text).repeatability_db == pytest.approx(0.0, abs=1e-3)
    stated = _read(tmp_path, text + comparable + "repeatability_db = 0.4\n")
    assert stated.repeatability_db == 0.4
    assert any("stated repeatability of 0.4 dB is used" in note for note in stated.notes)


def test_mixtures_are_found(tmp_path, levels):
    _export(tmp_path, "other.txt", levels["right"] - 80.0, unit="dB")
    text = _measured("left", "left.txt") + _measured("right", "other.txt")
    (finding,) = _read(tmp_path, text + "[levels]\ncomparable = true\n").findings
    assert "spl: left.txt; relative: other.txt" in finding
    assert _read(tmp_path, text).findings == ()
    (tmp_path / "levels.csv").write_text("Hz;right\n20;70\n25;72\n", encoding="utf-8")
    text = _measured("left", "left.txt") + _measured(
        "", "levels.csv", 'kind = "band_levels"\nweighting = "none"'
    )
    (finding,) = _read(tmp_path, text).findings
    assert "narrow: left.txt; third octave: levels.csv" in finding
    (tmp_path / "microphone.txt").write_text("Hz dB\n10 0\n300 1\n", encoding="utf-8")
    microphone = '[microphone]\nfile = "microphone.txt"\nkind = "response"\n'
    findings = _read(tmp_path, text + microphone).findings
    assert any("microphone = false" in finding for finding in findings)


def test_a_bare_list_works_and_says_what_it_assumes(tmp_path, levels):
    paths = [tmp_path / "left.txt", str(tmp_path / "right.txt")]
    found = room_from_exports(paths)
    assert found.survey.seats == ("left", "right")
    assert found.survey.sources == ("sub",)
    assert found.survey.weights.tolist() == [0.5, 0.5]
    np.testing.assert_allclose(found.survey.measurements[1].response.level_db, levels["right"])
    text = "\n".join(found.assumptions)
    for said in ("named after", "alike", "subwoofer alone", "comparable", "microphone", "0 dB"):
        assert said in text
    assert [entry.role for entry in found.inputs] == ["measurement", "measurement"]
    assert found.inputs[0].sha256 == hashlib.sha256(paths[0].read_bytes()).hexdigest()
    assert found.repeatability_db is None
    assert found.findings == ()


def test_a_bare_list_with_a_source_does_not_assume_one(tmp_path, levels):
    found = room_from_exports([tmp_path / "left.txt"], source="both")
    assert found.survey.sources == ("both",)
    assert not any("taken for the subwoofer alone" in said for said in found.assumptions)


def test_a_bare_list_names_the_same_recording(tmp_path, levels):
    _export(tmp_path, "copy.txt", levels["left"])
    (finding,) = room_from_exports([tmp_path / "left.txt", tmp_path / "copy.txt"]).findings
    assert "the same recording" in finding


def test_columns_name_the_seats_of_a_bare_list(tmp_path, levels, monkeypatch):
    _several(monkeypatch)
    found = room_from_exports([tmp_path / "left.txt"])
    assert found.survey.seats == ("Seat 1", "Seat 2")


def test_names_that_would_collide_get_their_file(tmp_path, levels, monkeypatch):
    for folder in ("a", "b"):
        _export(tmp_path / folder, "seat.txt", levels["left"] + len(folder))
    monkeypatch.chdir(tmp_path)
    found = room_from_exports(["a/seat.txt", "b/seat.txt", "left.txt"])
    assert found.survey.seats == ("a/seat", "b/seat", f"{tmp_path.name}/left")
    assert found.inputs[0].file == "a/seat.txt"
    _several(monkeypatch)
    found = room_from_exports(["left.txt", "right.txt"])
    assert found.survey.seats[1:3] == ("left, Seat 2", "right, Seat 1")
    _several(monkeypatch, names=("Level", "Level"))
    found = room_from_exports(["left.txt", "a/seat.txt"])
    assert found.survey.seats[1:3] == ("left.txt, 2. Level", "a/seat.txt, 1. Level")


def test_misuse_of_a_bare_list_raises(tmp_path, levels):
    with pytest.raises(TypeError, match="several paths, got one"):
        room_from_exports(str(tmp_path / "left.txt"))
    with pytest.raises(TypeError, match="several paths, got one"):
        room_from_exports(tmp_path / "left.txt")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="at least one"):
        room_from_exports([])
    with pytest.raises(ValueError, match="occurs twice"):
        room_from_exports([tmp_path / "left.txt", tmp_path / "." / "left.txt"])
    with pytest.raises(ValueError, match="source is one of"):
        room_from_exports([tmp_path / "left.txt"], source="main")  # type: ignore[arg-type]
    (tmp_path / "empty.txt").write_text("nothing\n", encoding="utf-8")
    with pytest.raises(MeasurementFileError, match=r"empty\.txt"):
        room_from_exports([tmp_path / "empty.txt"])
    with pytest.raises(FileNotFoundError):
        room_from_exports([tmp_path / "gone.txt"])


def test_three_times_the_same_recording_is_said_once_for_each_copy(tmp_path, levels):
    for name in ("copy.txt", "third.txt"):
        _export(tmp_path, name, levels["left"])
    paths = [tmp_path / name for name in ("left.txt", "copy.txt", "third.txt")]
    assert len(room_from_exports(paths).findings) == 2


def test_columns_by_heading_and_by_number_through_the_real_reader(tmp_path):
    rows = [f"{f:.4f};{60 + i % 7};{70 + i % 5};{80 + i % 3}\n" for i, f in enumerate(AXIS)]
    text = "Frequency [Hz];Seat 1 [dB];Seat 2 [dB];Seat 3 [dB]\n" + "".join(rows)
    (tmp_path / "all.csv").write_text(text, encoding="utf-8")
    columns = 'columns = { "left" = "Seat 3", "right" = 2 }'
    found = _read(tmp_path, SEATS + _measured("", "all.csv", columns))
    left, right = (found.survey.at_seat(seat)[0].response.level_db for seat in ("left", "right"))
    assert left.tolist() == [80.0 + i % 3 for i in range(AXIS.size)]
    assert right.tolist() == [60.0 + i % 7 for i in range(AXIS.size)]
    only = 'columns = { "left" = "Seat 2" }'
    (single,) = _read(tmp_path, _measured("", "all.csv", only)).survey.measurements
    assert single.response.level_db[0] == 70.0
    with pytest.raises(RoomFileError, match="3 level columns"):
        _read(tmp_path, _measured("left", "all.csv"))
    bare = room_from_exports([tmp_path / "all.csv"])
    assert bare.survey.seats == ("Seat 1", "Seat 2", "Seat 3")
