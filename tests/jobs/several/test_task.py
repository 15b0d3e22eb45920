"""The problem of several subwoofers as stated from a room: what is set now is taken out."""

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

from roomeq.importers.room import read_room
from roomeq.jobs.several.task import several_task

FRONT, BACK = echoes(1), late(echoes(2), 0.003)


def peaking(axis, *, centre, gain_db, q=4.318):
    """Return a peaking section of the W3C Audio EQ Cookbook in the analogue domain."""
    s, a = 1j * axis / centre, 10.0 ** (gain_db / 40.0)
    return (s**2 + s * a / q + 1.0) / (s**2 + s / (a * q) + 1.0)


def changed(folder, old, new, *, last=False):
    text = (folder / "room.toml").read_text("utf-8")
    assert old in text
    at = text.rindex(old) if last else text.index(old)
    (folder / "room.toml").write_text(text[:at] + new + text[at + len(old) :], "utf-8")
    return folder


def at_points(pressures, points):
    turned = np.unwrap(np.angle(pressures), axis=1)
    level = np.log(np.abs(pressures))
    return np.array(
        [
            np.exp(np.interp(np.log(points), np.log(AXIS), a) + 1j * np.interp(points, AXIS, b))
            for a, b in zip(level, turned, strict=True)
        ]
    )


def test_present_delay_polarity_and_bands_are_taken_out_of_what_was_measured(tmp_path):
    centre = 10.0**1.6  # 40 Hz, IEC 61260-1
    heard = -late(BACK, 0.004) * peaking(AXIS, centre=centre, gain_db=-6.0)
    folder = write_several(tmp_path, {"front": FRONT, "back": heard})
    changed(folder, "[0, 0, 0, 0, 0, 0, 0, 0, 0]", "{ 40 = -6 }", last=True)
    changed(folder, 'polarity = "normal"', 'polarity = "inverted"\ndelay_ms = 4', last=True)
    room = read_room(folder)
    task = several_task(room, room.subwoofers)
    back = task.sources[1]
    assert (back.present.delay, back.present.inverted) == (0.004, True)
    assert task.equalisers[1].present_gains_db.tolist() == [0, 0, 0, -6.0, 0, 0, 0, 0, 0]
    ratio = back.pressures / at_points(BACK, task.points)
    clear = np.abs(at_points(BACK, task.points)) > 0.3 * np.abs(BACK).max()
    # one factor for all: level comparable, so seats keep theirs; the digital band differs by 0.1 dB
    np.testing.assert_allclose(np.abs(ratio[clear]), 1.0, atol=0.02)
    np.testing.assert_allclose(np.angle(ratio[clear], deg=True), 0.0, atol=1.5)


def test_what_can_be_set_is_what_each_offers(tmp_path):
    own = OWN.replace("delay_highest_ms = 20\n", "")
    more = {
        "front": "delay_highest_ms = 2\ndelay_step_ms = 0.5",
        "back": 'profile = "coarse_step"',
    }
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, own=own, more=more)
    room = read_room(folder)
    front, back = several_task(room, room.subwoofers).sources
    assert front.delays == pytest.approx([0.0, 5e-4, 1e-3, 1.5e-3, 2e-3])
    assert back.delays.tolist() == [0.0]
    assert front.polarities == (1.0, -1.0)
    # knobs end at 0 dB and stand at -6 dB: at most 6 dB more, in their own steps
    assert front.levels_db.max() == pytest.approx(6.0)
    assert set(np.diff(front.levels_db).round(6)) == {0.5}
    assert set(np.diff(back.levels_db).round(6)) == {1.0}


def test_without_a_polarity_switch_the_polarity_stays(tmp_path):
    (tmp_path / "plain.toml").write_text(
        'format = 1\nname = "Plain"\npolarity = false\n[equaliser]\ncentres = [40, 80]\n'
        "lowest_db = -6\nhighest_db = 3\nstep_db = 1\nq = 4\nq_measured = true\n",
        "utf-8",
    )
    own = OWN.replace("gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]\n", "").replace("level_db = -6\n", "")
    more = {"back": 'profile = "plain.toml"'}
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, own=own, more=more)
    room = read_room(folder)
    task = several_task(room, room.subwoofers)
    assert task.sources[1].polarities == (1.0,)
    assert task.sources[1].levels_db.tolist() == [0.0]
    assert [len(bands.gains_db) for bands in task.equalisers] == [9, 2]


def test_a_fed_one_shares_the_equaliser_and_is_fed_by_its_feeder(tmp_path):
    more = {"back": 'fed_by = "front"'}
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, own=SHARED, more=more)
    room = read_room(folder)
    task = several_task(room, room.subwoofers)
    assert [source.equaliser for source in task.sources] == [0, 0]
    assert [source.fed_by for source in task.sources] == [None, 0]
    assert len(task.equalisers) == 1


def test_limits_of_each_are_its_own(tmp_path):
    more = {"back": "limits = { filter_boost_db = 2, locked = [63] }"}
    room = read_room(write_several(tmp_path, {"front": FRONT, "back": BACK}, more=more))
    front, back = several_task(room, room.subwoofers).equalisers
    assert back.gains_db[5].tolist() == [0.0]  # 63 Hz stays
    assert front.gains_db[5].size > 10
    assert back.cap_db.max() <= 2.0 + 1e-9 < front.cap_db.max()


def test_limits_of_a_fed_one_hold_for_the_bands_that_feed_it(tmp_path):
    more = {"back": 'fed_by = "front"\nlimits = { filter_boost_db = 2, no_boost_below = 50 }'}
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, own=SHARED, more=more)
    room = read_room(folder)
    cap_db = several_task(room, room.subwoofers).equalisers[0].cap_db
    assert cap_db.max() == pytest.approx(2.0)
    alone = several_task(room, room.subwoofers[:1]).equalisers[0].cap_db
    assert alone.max() > 2.5
    assert np.sum(cap_db < 1.0) > np.sum(alone < 1.0)  # nothing is boosted below 50 Hz


def test_without_phase_or_a_common_time_zero_it_is_refused_and_said_what_is_missing(tmp_path):
    head = HEAD.replace("common_reference = true", "common_reference = false")
    room = read_room(write_several(tmp_path, {"front": FRONT, "back": BACK}, head=head))
    said = "need one time zero and phase.*common_reference = true"
    with pytest.raises(ValueError, match=said):
        several_task(room, room.subwoofers)


@pytest.mark.parametrize("seat", SEATS)
def test_one_seat_without_phase_is_refused(tmp_path, seat):
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK})
    write_response(folder / f"1 {seat}.txt", BACK[0], phase=False)
    room = read_room(folder)
    with pytest.raises(ValueError, match="need one time zero and phase"):
        several_task(room, room.subwoofers)
