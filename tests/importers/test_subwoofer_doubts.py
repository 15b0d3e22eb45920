"""What does not go together in measurements of several subwoofers is said, and a clean room not."""

import numpy as np
import pytest
from subwoofer_rooms import AXIS, HEAD, SEATS, echoes, entry, late, write_response, write_several

from roomeq.analysis.phase import energy_time
from roomeq.importers.room import read_room

FRONT, BACK = echoes(1), late(echoes(2), 0.003)


def findings(folder):
    return read_room(folder).findings


@pytest.fixture
def folder(tmp_path):
    return write_several(tmp_path, {"front": FRONT, "back": BACK})


def write_back(folder, rows):
    for seat, row in zip(SEATS, rows, strict=True):
        write_response(folder / f"1 {seat}.txt", row)


def test_the_time_of_a_delayed_impulse_is_its_delay():
    # a pure delay has that group delay everywhere; an echo of equal size lies as far behind
    delayed = late(np.ones(AXIS.size, complex), 0.04)
    assert energy_time(AXIS, delayed) == pytest.approx(0.04, abs=1e-9)
    assert energy_time(AXIS, -3.0 * delayed) == pytest.approx(0.04, abs=1e-9)
    fine = np.linspace(20.0, 80.0, 4001)
    both = late(np.ones(fine.size, complex), 0.02, axis=fine)
    both = both + 0.5 * late(np.ones(fine.size), 0.12, axis=fine)
    # powers 1 and 1/4: (0.02 + 0.12 / 4) / 1.25; 60 Hz hold six whole turns of the beat
    assert energy_time(fine, both) == pytest.approx(0.04, abs=1e-4)


def test_one_file_given_to_both_is_said(folder):
    (folder / "1 left.txt").write_bytes((folder / "0 left.txt").read_bytes())
    (said,) = findings(folder)
    assert "'left' (sub, 0 left.txt) and 'left' (sub, 1 left.txt) are the same recording" in said


def test_all_together_that_is_one_of_them_is_said(tmp_path):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, together=BACK)
    said = findings(folder)
    assert sum("are the same recording" in text for text in said) == len(SEATS)


def test_a_place_may_be_that_of_a_subwoofer(tmp_path):
    folder = write_several(
        tmp_path, {"front": FRONT, "back": BACK}, places={"door": BACK, "stove": 0.9 * FRONT}
    )
    assert findings(folder) == ()


def test_a_seat_that_one_was_not_measured_at_is_said(folder):
    text = (folder / "room.toml").read_text("utf-8")
    text = text.replace(entry("1 middle.txt", "middle", subwoofer="back"), "")
    (folder / "room.toml").write_text(text, "utf-8")
    (said,) = findings(folder)
    assert "seat 'middle' is left out: back was not measured there" in said
    assert read_room(folder).survey.seats == ("left", "right")


def test_levels_that_are_not_said_to_compare_are_asked_for(tmp_path):
    head = HEAD.replace("comparable = true", "comparable = false")
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, head=head)
    (said,) = findings(folder)
    assert "comparable = true in [levels]" in said


@pytest.mark.parametrize(("gain_db", "told"), [(20.0, False), (30.0, True), (-30.0, True)])
def test_a_gain_that_was_changed_is_said(folder, gain_db, told):
    write_back(folder, BACK * 10.0 ** (gain_db / 20.0))
    said = findings(folder)
    assert bool(said) == told
    if told:
        names = ("back", "front") if gain_db > 0 else ("front", "back")
        assert said[0].startswith(f"{names[0]} is ")
        assert f"dB louder than {names[1]}" in said[0]


def test_a_time_zero_of_every_file_is_said(folder):
    write_back(folder, [late(row, by) for row, by in zip(BACK, (0.0, 0.2, 0.05), strict=True)])
    (said,) = findings(folder)
    assert "was there really one time zero" in said
    assert "at one seat" in said


@pytest.mark.parametrize(("delay", "told"), [(0.03, False), (0.16, True)])
def test_one_that_comes_far_too_late_is_said(folder, delay, told):
    write_back(folder, late(BACK, delay))
    said = findings(folder)
    assert bool(said) == told
    if told:
        assert said[0].startswith("back comes 16")
        assert "later than front" in said[0]


def test_without_a_stated_time_zero_times_are_not_judged(tmp_path):
    head = HEAD.replace("common_reference = true", "common_reference = false")
    folder = write_several(tmp_path, {"front": FRONT, "back": late(BACK, 0.2)}, head=head)
    assert not any("later than" in text for text in findings(folder))


def in_one_field(seed, *, seats=3):
    """Return echoes that fade below 25 Hz into one pressure everywhere, as in a closed room."""
    everywhere = 1.5 / (1.0 + (AXIS / 25.0) ** 4)
    rows = echoes(seed, seats=seats)
    return rows + everywhere * np.abs(rows).mean(axis=0)


@pytest.mark.parametrize("name", ["front", "back"])
def test_one_file_that_is_turned_round_is_said(tmp_path, name):
    parts = {"front": in_one_field(1), "back": in_one_field(2)}
    folder = write_several(tmp_path, parts)
    assert findings(folder) == ()
    row = list(parts).index(name)
    write_response(folder / f"{row} middle.txt", -parts[name][1])
    (said,) = findings(folder)
    assert said.startswith(f"{name} is turned round at seat 'middle': up to 19 Hz")


def test_one_that_is_turned_round_everywhere_is_not_told(tmp_path):
    parts = {"front": in_one_field(1), "back": -in_one_field(2)}
    folder = write_several(tmp_path, parts)
    assert findings(folder) == ()


def test_of_two_seats_none_is_told_to_be_turned_round(tmp_path):
    parts = {"front": in_one_field(1)[:2], "back": in_one_field(2)[:2] * [[1], [-1]]}
    assert findings(write_several(tmp_path, parts)) == ()


def test_a_room_that_turns_all_subwoofers_round_at_a_seat_is_not_told(tmp_path):
    turned = np.array([[1.0], [-1.0], [1.0]])
    parts = {"front": in_one_field(1) * turned, "back": in_one_field(2) * turned}
    assert findings(write_several(tmp_path, parts)) == ()


def test_what_begins_above_the_lowest_frequencies_tells_no_turn(tmp_path):
    parts = {"front": in_one_field(1), "back": in_one_field(2) * [[1], [-1], [1]]}
    folder = write_several(tmp_path, parts)
    for file in folder.glob("*.txt"):
        head, *lines = file.read_text("utf-8").splitlines()
        kept = [line for line in lines if float(line.split("\t")[0]) > 21.0]
        file.write_text("\n".join([head, *kept]) + "\n", "utf-8")
    assert not any("turned round" in text for text in findings(folder))
