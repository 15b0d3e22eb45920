"""A room as it is to be set: the sum is that of plain numpy, from the pressures as measured."""

from dataclasses import replace

import numpy as np
import pytest
from subwoofer_rooms import AXIS, SEATS, SHARED, digital_band, echoes, late, write_several

from roomeq.device.processor import JoiningSettings
from roomeq.importers.room import read_room
from roomeq.jobs.propose_several import OneSetting, _within_drive, room_as_set, settings_of
from roomeq.jobs.several.task import several_task
from roomeq.optimiser.several.choose import choose_together

FRONT, BACK = echoes(1), late(echoes(2), 0.003)


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    return read_room(
        write_several(tmp_path_factory.mktemp("two"), {"front": FRONT, "back": BACK}, mains=FRONT)
    )


def one_setting(room, name, *, gains=None, **setting):
    one = next(one for one in room.subwoofers if one.name == name)
    gains_db = np.zeros(9)
    for band, gain in (gains or {}).items():
        gains_db[band] = gain
    return OneSetting(subwoofer=one, gains_db=gains_db, setting=JoiningSettings(**setting))


def test_what_is_set_now_changes_nothing(room):
    settings = [one_setting(room, name) for name in ("front", "back")]
    after = room_as_set(room, settings)
    before, after = (one.survey.of_source("sub").measurements for one in (room, after))
    for was, now in zip(before, after, strict=True):
        np.testing.assert_allclose(now.response.pressure, was.response.pressure, rtol=1e-9)


def test_the_sum_as_set_is_that_of_numpy(room):
    settings = [
        one_setting(room, "front", gains={3: -5.0, 6: 2.5}, level_change_db=-2.0),
        one_setting(room, "back", gains={3: 4.0}, level_change_db=3.0, delay=0.0042, inverted=True),
    ]
    after = room_as_set(room, settings).survey.of_source("sub")
    forty, eighty = 10.0**1.6, 10.0**1.9  # IEC 61260-1
    front = digital_band(AXIS, centre=forty, gain_db=-5.0)
    front = front * digital_band(AXIS, centre=eighty, gain_db=2.5) * 10.0 ** (-2.0 / 20.0)
    back = -digital_band(AXIS, centre=forty, gain_db=4.0) * 10.0 ** (3.0 / 20.0)
    for row, entry in enumerate(after.measurements):
        assert entry.seat == SEATS[row]
        expected = FRONT[row] * front + late(BACK[row] * back, 0.0042)
        np.testing.assert_allclose(
            entry.response.pressure, expected, atol=1e-4 * np.abs(expected).max()
        )


def test_what_stands_is_divided_out(tmp_path):
    forty = 10.0**1.6
    heard = -late(BACK * digital_band(AXIS, centre=forty, gain_db=-6.0), 0.004)
    folder = write_several(tmp_path, {"front": FRONT, "back": heard})
    text = (folder / "room.toml").read_text("utf-8")
    at = text.rindex("gains_db")
    own = text[at:].replace("[0, 0, 0, 0, 0, 0, 0, 0, 0]", "{ 40 = -6 }", 1)
    own = own.replace('polarity = "normal"', 'polarity = "inverted"\ndelay_ms = 4', 1)
    (folder / "room.toml").write_text(text[:at] + own, "utf-8")
    room = read_room(folder)
    settings = [one_setting(room, name) for name in ("front", "back")]
    after = room_as_set(room, settings).survey
    for row, entry in enumerate(after.measurements):
        expected = FRONT[row] + BACK[row]
        np.testing.assert_allclose(
            entry.response.pressure, expected, atol=1e-4 * np.abs(expected).max()
        )


def test_mains_stay_and_both_as_measured_go(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, mains=FRONT)
    text = (folder / "room.toml").read_text("utf-8")
    text += '[[measurements]]\nfile = "0 left.txt"\nseat = "left"\nsource = "both"\n'
    (folder / "room.toml").write_text(text, "utf-8")
    room = read_room(folder)
    assert "both" in room.survey.sources
    after = room_as_set(room, [one_setting(room, name) for name in ("front", "back")])
    assert after.survey.sources == ("sub", "mains")
    for row, entry in enumerate(after.survey.of_source("mains").measurements):
        np.testing.assert_allclose(
            entry.response.pressure, FRONT[row], atol=1e-5 * np.abs(FRONT).max()
        )


def test_the_room_may_be_louder_by_what_is_left(room):
    settings = [one_setting(room, name) for name in ("front", "back")]
    limits = room_as_set(room, settings, most_louder_db=1.5).limits
    assert limits.drive_boost_db == 1.5
    assert room_as_set(room, settings).limits.drive_boost_db == 0.0


def test_what_was_found_is_set_on_the_right_subwoofer(room):
    task = several_task(room, room.subwoofers)
    found = choose_together(task, evaluations=1500, contributions=False)
    settings = settings_of(room.subwoofers, found)
    assert [one.subwoofer.name for one in settings] == ["front", "back"]
    for one, gains, setting in zip(settings, found.gains_db, found.settings, strict=True):
        assert one.gains_db.tolist() == gains.tolist()
        assert one.setting == setting
    whole = np.zeros((len(SEATS), AXIS.size), complex)
    for one, heard in zip(settings, (FRONT, BACK), strict=True):
        bands = np.prod(
            [
                digital_band(AXIS, centre=10.0 ** (1.3 + 0.1 * b), gain_db=gain)
                for b, gain in enumerate(one.gains_db)
            ],
            axis=0,
        )
        gain = 10.0 ** (one.setting.level_change_db / 20.0) * (
            -1.0 if one.setting.inverted else 1.0
        )
        whole += late(heard * bands * gain, one.setting.delay)
    after = room_as_set(room, settings).survey.of_source("sub")
    for row, entry in enumerate(after.measurements):
        np.testing.assert_allclose(
            entry.response.pressure, whole[row], atol=1e-4 * np.abs(whole).max()
        )


def test_a_fed_one_is_set_as_its_feeder_and_keeps_its_own_polarity(tmp_path):
    more = {"front": "delay_highest_ms = 8", "back": 'fed_by = "front"'}
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, own=SHARED, more=more)
    room = read_room(folder)
    found = choose_together(
        several_task(room, room.subwoofers), evaluations=1500, contributions=False
    )
    front, back = settings_of(room.subwoofers, found)
    assert back.subwoofer.fed_by == "front"
    assert back.gains_db.tolist() == front.gains_db.tolist()
    assert (back.setting.delay, back.setting.level_change_db) == (
        front.setting.delay,
        front.setting.level_change_db,
    )
    other = replace(back, setting=replace(back.setting, inverted=not back.setting.inverted))
    ratio = other.change(AXIS) / back.change(AXIS)
    np.testing.assert_allclose(ratio, -1.0, rtol=1e-9)


def test_the_drive_limit_of_a_fed_one_holds_for_all(tmp_path):
    """Bands at 0, level 3 dB up, 1 dB granted: in steps of half a dB all come down by 2 dB."""
    more = {"back": 'fed_by = "front"\nlimits = { drive_boost_db = 1 }'}
    room = read_room(write_several(tmp_path, {"front": FRONT, "back": BACK}, own=SHARED, more=more))
    asked = [one_setting(room, name, level_change_db=3.0) for name in ("front", "back")]
    settings, left_db = _within_drive(room, asked)
    assert [one.setting.level_change_db for one in settings] == [1.0, 1.0]
    assert left_db == 0.0
