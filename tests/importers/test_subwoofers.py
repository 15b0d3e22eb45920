"""Several subwoofers of a room file: each with what is its own, their sum, and what is told."""

import re

import numpy as np
import pytest
from subwoofer_rooms import (
    AXIS,
    HEAD,
    OWN,
    SEATS,
    SHARED,
    echoes,
    late,
    write_response,
    write_several,
)

from roomeq.base.errors import RoomFileError
from roomeq.importers import survey_files
from roomeq.importers.room import read_room

FRONT, BACK = echoes(1), late(echoes(2), 0.003)


def level_db(pressure):
    return 20.0 * np.log10(np.abs(pressure))


def test_the_room_holds_the_sum_and_each_alone(tmp_path):
    room = read_room(write_several(tmp_path, {"front": FRONT, "back": BACK}))
    assert room.findings == ()
    assert any("all subwoofers together were not measured" in text for text in room.assumptions)
    assert room.survey.seats == SEATS
    for row, entry in enumerate(room.survey.measurements):
        expected = FRONT[row] + BACK[row]
        np.testing.assert_allclose(
            entry.response.pressure, expected, atol=2e-6 * np.abs(FRONT).max()
        )
    for one, pressures in zip(room.subwoofers, (FRONT, BACK), strict=True):
        for row, entry in enumerate(one.room.survey.measurements):
            np.testing.assert_allclose(entry.response.level_db, level_db(pressures[row]), atol=1e-4)


def test_each_has_its_own_device_limits_and_settings(tmp_path):
    more = {
        "back": 'profile = "coarse_step"\ndelay_step_ms = 0.5\nlimits = { filter_boost_db = 2 }\n'
        "box = { kind = 'closed', resonance = 35, q = 0.8 }"
    }
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, more=more)
    text = (folder / "room.toml").read_text("utf-8")
    head, front, back = text.partition('name = "front"')[0], *text.split("[[subwoofers]]")[1:]
    back = back.replace('polarity = "normal"', 'polarity = "inverted"\ndelay_ms = 3', 1)
    back = back.replace("level_db = -6", "level_db = -4", 1).replace(
        "[0, 0, 0, 0, 0, 0, 0, 0, 0]", "{ 40 = -3 }", 1
    )
    (folder / "room.toml").write_text(
        head.replace("[[subwoofers]]\n", "") + "[[subwoofers]]" + front + "[[subwoofers]]" + back,
        "utf-8",
    )
    room = read_room(folder)
    one, other = room.subwoofers
    assert (one.room.device.equaliser.step_db, other.room.device.equaliser.step_db) == (0.5, 1.5)
    assert one.room.limits.filter_boost_db != 2.0
    assert other.room.limits.filter_boost_db == 2.0
    assert (one.room.present.level_db, other.room.present.level_db) == (-6.0, -4.0)
    assert (one.room.present.polarity, other.room.present.polarity) == ("normal", "inverted")
    assert other.room.present.gains_db.tolist() == [0, 0, 0, -3.0, 0, 0, 0, 0, 0]
    assert (one.room.joining.present_delay, other.room.joining.present_delay) == (0.0, 0.003)
    assert other.room.equipment.box is not None
    assert one.room.equipment.box is None
    assert one.delays.step == pytest.approx(1e-4)
    assert other.delays.values[:3] == pytest.approx([0.0, 5e-4, 1e-3])
    # of all: no bands, the coarsest step of the two knobs
    assert room.device.level.step_db == 1.0
    assert room.device.equaliser.highest_db == room.device.equaliser.lowest_db == 0.0


def test_a_fed_one_has_the_delays_of_its_feeder_and_names_it(tmp_path):
    more = {"front": "delay_highest_ms = 8", "back": 'fed_by = "front"'}
    room = read_room(write_several(tmp_path, {"front": FRONT, "back": BACK}, own=SHARED, more=more))
    front, back = room.subwoofers
    assert (front.fed_by, back.fed_by) == (None, "front")
    assert front.delays.highest == back.delays.highest == 0.008


def test_a_fed_one_stands_as_the_one_that_feeds_it_but_for_its_polarity(tmp_path):
    own = OWN.replace("gains_db = [0, 0, 0", "gains_db = [0, 0, -3")
    folder = write_several(tmp_path, {"back": BACK, "front": FRONT}, own=own)
    text = (folder / "room.toml").read_text("utf-8")
    stated = text.index("[[subwoofers]]")
    end = text.index("[[subwoofers]]", stated + 1)
    fed = '[[subwoofers]]\nname = "back"\nfed_by = "front"\n'
    fed += '[subwoofers.present]\npolarity = "inverted"\n\n'
    (folder / "room.toml").write_text(text[:stated] + fed + text[end:], "utf-8")
    room = read_room(folder)
    back, front = (one.room for one in room.subwoofers)
    assert front.present.polarity == "normal"
    assert back.present.polarity == "inverted"
    assert back.present.gains_db.tolist() == front.present.gains_db.tolist()
    assert back.present.gains_db[2] == -3.0
    assert back.present.level_db == front.present.level_db == -6.0
    assert not [text for text in room.assumptions if "not stated: taken for 0" in text]


def test_places_are_read_with_the_device_of_the_one_that_was_tried(tmp_path):
    more = {"back": 'profile = "coarse_step"'}
    folder = write_several(
        tmp_path, {"front": FRONT, "back": BACK}, more=more, places={"door": BACK, "stove": FRONT}
    )
    text = (folder / "room.toml").read_text("utf-8")
    text = text.replace('place = "door"', 'place = "door"\nsubwoofer = "back"')
    (folder / "room.toml").write_text(text, "utf-8")
    room = read_room(folder)
    assert [one.name for one in room.places] == ["door", "stove"]
    assert [one.room.device.equaliser.step_db for one in room.places] == [1.5, 0.5]
    found = room.places[0].room.survey
    assert found.seats == SEATS
    np.testing.assert_allclose(
        found.measurements[1].response.level_db, level_db(BACK[1]), atol=1e-4
    )
    # what stands somewhere else to be tried is no part of the sum
    np.testing.assert_allclose(
        room.survey.measurements[1].response.level_db, level_db(FRONT[1] + BACK[1]), atol=1e-3
    )


def test_places_alone_make_a_room(tmp_path):
    room = read_room(write_several(tmp_path, {}, places={"door": BACK, "stove": FRONT}))
    assert room.subwoofers == ()
    assert [one.name for one in room.places] == ["door", "stove"]
    assert room.survey.seats == SEATS


# --------------------------------------------------------------- faults point at the right line


def line_of(folder, words, *, nth=0):
    lines = (folder / "room.toml").read_text("utf-8").splitlines()
    return [n for n, line in enumerate(lines, 1) if words in line][nth]


def test_a_file_of_the_second_that_cannot_be_read_is_named_with_its_line(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK})
    text = (folder / "room.toml").read_text("utf-8")
    text = text.replace('file = "1 right.txt"', 'file = "1 right.txt"\nlevel_column = 9')
    (folder / "room.toml").write_text(text, "utf-8")
    with pytest.raises(Exception, match=r"1 right\.txt"):
        read_room(folder)


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ("profile = 'no_such_profile'", "profile = "),
        ("limits = { locked = [41] }", "limits = "),
        ("limits = { locked = [4000] }", "limits = "),
    ],
)
def test_a_fault_in_what_is_its_own_points_at_its_own_table(tmp_path, more, key):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, more={"back": more})
    with pytest.raises(RoomFileError) as caught:
        read_room(folder)
    assert re.search(rf"line {line_of(folder, key)}\b", str(caught.value)), caught.value


def test_a_fault_in_present_gains_points_below_its_subwoofer(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK})
    text = (folder / "room.toml").read_text("utf-8")
    at = text.rindex("gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]")
    text = text[:at] + "gains_db = { 41 = -3 }" + text[text.index("\n", at) :]
    (folder / "room.toml").write_text(text, "utf-8")
    with pytest.raises(RoomFileError) as caught:
        read_room(folder)
    assert f"line {line_of(folder, '41 = -3')}" in str(caught.value)


def test_a_fault_at_a_place_points_at_its_measurement(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, places={"door": BACK})
    text = (folder / "room.toml").read_text("utf-8")
    text = text.replace('file = "2 middle.txt"', 'file = "2 middle.txt"\nlevel_column = 9')
    (folder / "room.toml").write_text(text, "utf-8")
    with pytest.raises(Exception, match=r"2 middle\.txt"):
        read_room(folder)


def test_no_common_seat_points_at_the_subwoofers(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT[:1], "back": BACK[:1]})
    text = (folder / "room.toml").read_text("utf-8")
    at = text.rindex('seat = "left"')
    (folder / "room.toml").write_text(text[:at] + 'seat = "stool"' + text[at + 13 :], "utf-8")
    with pytest.raises(RoomFileError, match="at no seat were all subwoofers measured") as caught:
        read_room(folder)
    assert f"line {line_of(folder, '[[subwoofers]]')}" in str(caught.value)


# ----------------------------------------------------------------------------- what is told


def findings(folder):
    return " ".join(read_room(folder).findings)


def test_without_a_common_time_zero_the_powers_are_added_and_it_is_said(tmp_path):
    head = HEAD.replace("common_reference = true", "common_reference = false")
    folder = write_several(tmp_path, {"front": FRONT, "back": -FRONT}, head=head)
    assert "not said to be measured against one time zero" in findings(folder)
    room = read_room(folder)
    assert not room.survey.measurements[0].response.has_phase
    np.testing.assert_allclose(
        room.survey.measurements[0].response.level_db,
        level_db(FRONT[0]) + 10.0 * np.log10(2.0),
        atol=1e-4,
    )


def test_one_file_without_phase_is_said(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK})
    write_response(folder / "1 middle.txt", BACK[1], phase=False)
    assert "a response of the subwoofers has no phase" in findings(folder)


def test_a_measured_sum_that_agrees_is_no_finding_and_one_that_does_not_is(tmp_path):
    whole = FRONT + BACK
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, together=1.4 * whole)
    assert findings(folder) == ""  # a level of its own is granted
    assert not any("were not measured" in text for text in read_room(folder).assumptions)
    for row, seat in enumerate(SEATS):
        write_response(folder / f"2 {seat}.txt", (FRONT - BACK)[row])
    said = findings(folder)
    assert "is not the sum of its parts" in said
    apart = [
        np.std(level_db(FRONT[row] - BACK[row])[(AXIS > 20) & (AXIS < 125)]) for row in range(3)
    ]
    assert max(apart) > 3.0
    assert re.search(r"at seat (left|middle|right) they lie \d+\.\d dB apart", said)


def test_a_measured_sum_at_another_seat_is_not_judged(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, together=(FRONT - BACK)[:1])
    text = (folder / "room.toml").read_text("utf-8")
    at = text.rindex('seat = "left"')
    (folder / "room.toml").write_text(text[:at] + 'seat = "stool"' + text[at + 13 :], "utf-8")
    assert findings(folder) == ""


def test_what_is_told_of_one_has_its_name_and_what_of_all_has_none(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, places={"door": BACK})
    text = (folder / "room.toml").read_text("utf-8")
    at = text.rindex("phase_deg = 0\n")
    (folder / "room.toml").write_text(text[:at] + text[at + 14 :], "utf-8")
    told = read_room(folder).assumptions
    own = [text for text in told if text.startswith("back: ")]
    assert any("phase while measuring is not stated" in text for text in own)
    assert not any(text.startswith("front: ") for text in told)
    assert len(told) == len(set(told))


def test_the_microphone_file_is_read_once(tmp_path, monkeypatch):
    (tmp_path / "microphone.txt").write_text("10 1\n100 -2\n400 0\n", encoding="utf-8")
    (tmp_path / "close.txt").write_text("10 70\n100 72\n400 70\n", encoding="utf-8")
    head = f'{HEAD}[microphone]\nfile = "microphone.txt"\nkind = "response"\n'
    head += '[path_response]\nfile = "close.txt"\ntaken = "close"\n'
    parts = {"front": FRONT, "back": BACK}
    more = {"together": FRONT + BACK, "places": {"door": BACK}, "mains": FRONT}
    write_several(tmp_path, parts, head=head, **more)
    read, opened = survey_files.read_microphone, []

    def counted(path, **how):
        return opened.append(path) or read(path, **how)

    monkeypatch.setattr(survey_files, "read_microphone", counted)
    room = read_room(tmp_path)
    assert len(opened) == 1
    added_db = np.interp(np.log(AXIS), np.log([10, 100, 400]), [1, -2, 0])
    for of, pressures in zip((*room.subwoofers, *room.places), (FRONT, BACK, BACK), strict=True):
        for row, entry in enumerate(of.room.survey.measurements):
            expected = level_db(pressures[row]) - added_db
            np.testing.assert_allclose(entry.response.level_db, expected, atol=1e-4)


def test_a_seat_where_they_cancel_is_not_taken_for_another_gain(tmp_path):
    back = echoes(2)
    back[1] = 0.9 * late(FRONT[1], 0.0002)
    room = read_room(write_several(tmp_path, {"front": -FRONT, "back": back}))
    level = [np.median(level_db(entry.response.pressure)) for entry in room.survey.measurements]
    assert level[1] < min(level[0], level[2]) - 12.0
    assert room.findings == ()


def test_another_gain_at_a_seat_is_told_of_the_one_that_had_it(tmp_path):
    louder = np.array([[1.0], [10.0], [1.0]])
    room = read_room(write_several(tmp_path, {"front": FRONT, "back": BACK * louder}))
    assert all(text.startswith("back: ") for text in room.findings)
    assert any("'middle'" in text and "dB louder than the others" in text for text in room.findings)
