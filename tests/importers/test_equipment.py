"""Amplifier, load, driver, high-pass and wanted level of a room file; what cannot be is said."""

import math
import re

import numpy as np
import pytest
from headroom_rooms import (
    AMPLIFIER,
    DRIVER,
    EVERYTHING,
    HEADROOM,
    LOAD,
    OUTPUT,
    PROTECTION,
    ROOM,
    write_room,
)
from places import SAMPLES

from roomeq.base.errors import RoomFileError
from roomeq.base.files import file_digest
from roomeq.base.survey import Measurement, Survey
from roomeq.device.driver import VentedBox
from roomeq.importers.equipment import choose_main_seat
from roomeq.importers.room import read_room


def fault(folder, *parts, **others):
    write_room(folder, *parts, **others)
    with pytest.raises(RoomFileError) as caught:
        read_room(folder)
    return str(caught.value)


def test_what_the_guide_shows_is_read(tmp_path):
    guide = (SAMPLES / "GUIDE.md").read_text("utf-8")
    shown = re.search(r"<!-- headroom -->\n```toml\n(.*?)```", guide, re.DOTALL).group(1)
    room = read_room(write_room(tmp_path, "\n" + shown))
    assert room.equipment.amplifier.rated_voltage(room.equipment.load) == pytest.approx(40.0)
    assert room.wanted.drive_limit == "headroom"


def test_all_that_is_stated_is_there(tmp_path):
    room = read_room(write_room(tmp_path, EVERYTHING))
    equipment, wanted = room.equipment, room.wanted
    # 400 W into 4 ohm are sqrt(1600) = 40 V; two drivers of 8 ohm side by side are 4 ohm
    assert equipment.amplifier.rated_voltage(equipment.load) == pytest.approx(40.0)
    assert equipment.load.nominal_ohm == 4.0
    assert equipment.driver.count == 2
    assert (equipment.measuring_voltage, equipment.measuring_frequency) == (2.0, 50.0)
    assert (equipment.box.resonance, equipment.box.q) == (38.0, 0.8)
    assert equipment.output.level_db.tolist() == [90, 96, 102, 108, 111, 112, 112]
    assert str(equipment.protection) == "high-pass Butterworth 12 dB/oct at 20 Hz"
    assert equipment.protection_known
    assert (wanted.spl_db, wanted.main_seat, wanted.distance) == (95.0, "sofa", 3.0)
    assert wanted.drive_limit == "flat"
    assert wanted.distortion is None  # text exports tell none
    assert "the wanted level is meant for seat sofa: it has more weight" in room.assumptions


def test_nothing_stated_is_nothing_known(tmp_path):
    room = read_room(write_room(tmp_path))
    assert not room.equipment.stated
    assert not room.equipment.protection_known
    assert room.wanted is None
    assert not any("high-pass" in text for text in room.assumptions)


def test_load_below_the_minimum_is_refused(tmp_path):
    said = fault(tmp_path, AMPLIFIER, LOAD.replace("in_parallel = 2", "in_parallel = 4"))
    assert "2 ohm (4 drivers of 8 ohm, 4 in parallel) is below the amplifier's minimum" in said
    assert "do not connect it" in said
    assert "load" in said


def test_amplifier_that_cannot_be_is_refused(tmp_path):
    said = fault(tmp_path, AMPLIFIER.replace("220.0", "100.0"))
    assert "one of them is no continuous rating" in said
    assert "amplifier.ratings" in said


@pytest.mark.parametrize(
    ("old", "new", "said", "key"),
    [
        ("corner = 20.0", "corner = 21.0", "21 Hz is not on offer", "protection.corner"),
        (
            "corner = 20.0",
            "corner = 20.0\norder = 4",
            "order 4 is not on offer",
            "protection.order",
        ),
        (
            "corner = 20.0",
            "off = true\ncorner = 20.0",
            "'off' and 'corner' are given",
            "protection",
        ),
        ("corner = 20.0", "order = 2", "needs one of 'off' and 'corner'", "protection"),
    ],
)
def test_high_pass_that_the_device_does_not_have(tmp_path, old, new, said, key):
    text = fault(tmp_path, PROTECTION.replace(old, new))
    assert said in text
    assert f"device.present.{key}" in text


def test_high_pass_switched_off_is_known(tmp_path):
    room = read_room(write_room(tmp_path, PROTECTION.replace("corner = 20.0", "off = true")))
    assert room.equipment.protection is None
    assert room.equipment.protection_known


@pytest.mark.parametrize(
    ("protection", "said"),
    [
        ("off = true", "cannot be switched off"),
        ("corner = 16.0", "16 Hz is not on offer"),
    ],
)
def test_coarse_device_has_one_high_pass(tmp_path, protection, said):
    room = ROOM.replace('"nine_band"', '"coarse_step"')
    assert said in fault(tmp_path, PROTECTION.replace("corner = 20.0", protection), room=room)


def test_the_same_high_pass_twice(tmp_path):
    twice = '\n[[path]]\nkind = "high_pass"\nfamily = "butterworth"\norder = 2\ncorner = 20\n'
    assert "20 Hz is stated twice" in fault(tmp_path, twice, PROTECTION)
    write_room(tmp_path, twice + 'where = "source"\n', PROTECTION)
    assert len(read_room(tmp_path).path) == 2


@pytest.mark.parametrize(
    ("parts", "old", "new", "said"),
    [
        (AMPLIFIER, "measuring_frequency = 50.0", "", "'measuring_frequency' is missing"),
        (AMPLIFIER, "power_w = 400.0", "power_w = 0", "0 W is not plausible"),
        (LOAD, "in_parallel = 2", "in_parallel = 0", "0 drivers cannot be"),
        (LOAD, "in_parallel = 2", "driver_minimum_ohm = 9", "exceeds the nominal 8 ohm"),
        (DRIVER, '"closed"', '"vented"', 'kind = "vented" needs \'tuning\''),
        (DRIVER, "q = 0.8", "q = 0.8\ntuning = 25", '\'tuning\' belongs to kind = "vented"'),
        (DRIVER, "0.014", "14", "14 m is not plausible"),
        (OUTPUT, 'distance = 2.0', 'distance = 2.0\nfile = "sofa.csv"', "'file' and 'levels' are"),
        (OUTPUT, '"16" = 90', '"18" = 90', "'18' is no third-octave band"),
        (OUTPUT, '"16" = 90', '"20.0" = 90', "'20' is given twice"),
        (OUTPUT, '"CEA-2010-A"', '"CEA-2011"', "CTA-2010-B"),
        (HEADROOM, "95.0", "200.0", "200 dB SPL is not plausible"),
        (HEADROOM, "95.0", '{ "20" = 200.0 }', "headroom.wanted_spl_db.20"),
        (HEADROOM, "95.0", '95.0\nmain_seat = "stool"', "seat 'stool' was not measured"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said(tmp_path, parts, old, new, said):
    assert old in parts
    assert said in fault(tmp_path, parts.replace(old, new))


def test_driver_without_its_box(tmp_path):
    assert "depends on its box" in fault(tmp_path, DRIVER[DRIVER.index("[driver]") :])


def test_wanted_level_needs_levels_in_db_spl(tmp_path):
    assert "needs measurements in dB SPL" in fault(tmp_path, HEADROOM, header="level (dB)")


def test_vented_box_and_a_file_of_maximum_output(tmp_path):
    (tmp_path / "burst.csv").write_text("Hz,dB\n20,95\n25,101\n31.5,107\n", "utf-8")
    box = DRIVER.replace('"closed"', '"vented"\ntuning = 24.0\ncompliance_ratio = 1.5')
    output = OUTPUT[: OUTPUT.index("levels")] + 'file = "burst.csv"\n'
    room = read_room(write_room(tmp_path, box, output))
    assert isinstance(room.equipment.box, VentedBox)
    assert room.equipment.output.rms_level_db() == pytest.approx(
        np.array([95, 101, 107]) + 20 * math.log10(2)
    )
    recorded = {entry.file: entry for entry in room.inputs}["burst.csv"]
    assert recorded.role == "maximum_output"
    assert recorded.sha256 == file_digest(tmp_path / "burst.csv")
    assert "the load is not stated: one driver is reckoned with" in room.assumptions


def test_what_is_taken_for_granted_is_said(tmp_path):
    headroom = HEADROOM.replace("distance = 3.0", 'room_gain_db = { "31,5" = 4.0 }')
    room = read_room(write_room(tmp_path, OUTPUT, headroom))
    assert any("protective high-pass while measuring is not stated" in t for t in room.assumptions)
    assert any("maximum output is not compared" in t for t in room.assumptions)
    assert dict(room.wanted.room_gain_db) == {"31.5": 4.0}


@pytest.mark.parametrize(
    ("weights", "expected"),
    [
        ({"a": 1, "b": 3, "c": 1}, ("b", "it has more weight")),
        ({"a": 1, "b": 3, "c": 3}, ("b", "it comes first")),
        (None, ("a", "it comes first")),
        ("only", ("a", "it is the only one")),
    ],
)
def test_main_seat(weights, expected, tmp_path):
    room = read_room(write_room(tmp_path))
    response = room.survey.measurements[0].response
    seats = "a" if weights == "only" else "abc"
    survey = Survey(
        measurements=tuple(Measurement(seat=seat, response=response) for seat in seats),
        seat_weights=None if weights == "only" else weights,
    )
    assert choose_main_seat(survey, source="sub") == expected
