"""Joining a room: what is on offer, what is found, two answers from levels."""

import json
from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import JOINED_TOML, write_joined_room

from roomeq.device.profile import FilterChoice
from roomeq.joining_proposal import join
from roomeq.report.room_joining_text import room_joining_text
from roomeq.room_reading import read_room


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    return read_room(write_joined_room(tmp_path_factory.mktemp("joined")))


@pytest.fixture(scope="module")
def found(room):
    return join(room)


def changed(room, **joining):
    return replace(room, joining=replace(room.joining, **joining))


def test_finds_the_second_low_pass_the_delay_and_the_inversion(found):
    record = found.record
    assert record is not None
    assert [("amplifier" in one) for one in record.bypass] == [True]
    assert record.settings.inverted
    assert record.flip_gain_db >= 1.0  # the rule: no flip for less
    # 3 ms late, less the 0.9 ms by which a closed box of 25 Hz leads at 80 Hz:
    # atan(1.414 * 0.3125 / (1 - 0.3125**2)) = 26.1 degrees; the shortest that does as well is taken
    assert -3.0 <= record.settings.delay_ms < -1.0
    assert record.deviation_db < 0.5 * record.deviation_before_db
    assert found.path is not None
    assert found.path.recommended is not None
    assert found.estimate is not None
    assert found.estimate.best.engaged == ((0, 1),)


def test_now_is_what_was_measured_and_not_what_a_bypass_would_leave(room, found):
    fixed = join(changed(room, fixed=(0, 1)))
    assert fixed.record is not None
    assert fixed.record.bypass == ()
    assert fixed.record.bypass_gain_db is None
    now = fixed.record.deviation_before_db
    assert found.record.deviation_before_db == pytest.approx(now, abs=1e-9)
    np.testing.assert_allclose(found.record.before_level_db, fixed.record.before_level_db)
    assert found.record.bypass_gain_db >= 0.1


def test_pairs_are_ranked_where_the_processor_offers_them(room, found):
    assert found.corners is None
    assert "[processor]" in found.corners_missing
    choice = FilterChoice(
        family="linkwitz_riley", orders=(4,), corners=(60.0, 80.0, 100.0, 1000.0), can_bypass=False
    )
    offered = join(changed(room, high_pass=choice, low_pass=choice, same_corner=True))
    assert offered.corners is not None
    assert {entry.pair.corner for entry in offered.corners.ranked} == {60.0, 80.0, 100.0}
    assert offered.corners.chosen.pair.corner == 80.0
    unstated = join(changed(room, high_pass=choice, mains_path=None))
    assert unstated.corners is None
    assert "[[mains_path]]" in unstated.corners_missing


def test_text_and_json_hold_the_answer(found):
    text = " ".join(room_joining_text(found).split())
    assert "Bypass: low-pass Linkwitz-Riley 24 dB/oct at 80 Hz in the amplifier" in text
    assert "Polarity: inverted (now normal)" in text
    assert "Other corners and slopes were not tried" in text
    assert "Turn the volume down" in text
    report = json.loads(found.to_json())
    assert report["joining"]["settings"]["inverted"] is True
    assert report["engaged"]["verdict"] == "identified"
    assert report["pairs"] == []


def test_levels_alone_give_the_same_verdict_with_their_doubt(tmp_path):
    toml = JOINED_TOML.replace("common_reference = true", "common_reference = false")
    four = ("sub", "mains", "both", "difference")
    folder = write_joined_room(tmp_path, toml=toml, late=-0.0075, sources=four)
    found = join(read_room(folder))
    assert found.record is None
    assert found.levels is not None
    assert found.doubtful
    # with phase the sum as measured can be formed; levels must tell the same deviation
    timed = join(read_room(write_joined_room(tmp_path, late=-0.0075, sources=four)))
    assert timed.record is not None
    assert found.levels.if_late.deviation_before_db == pytest.approx(
        timed.record.deviation_before_db, abs=0.1
    )
    assert "Joining from levels alone" in room_joining_text(found)


@pytest.mark.parametrize(
    ("sources", "said"),
    [
        (("sub",), "against one time reference"),
        (("sub", "mains", "both"), "'difference'"),
    ],
)
def test_too_few_measurements_are_refused_with_what_is_missing(tmp_path, sources, said):
    toml = JOINED_TOML.replace("common_reference = true", "common_reference = false")
    room = read_room(write_joined_room(tmp_path, toml=toml, sources=sources))
    with pytest.raises(ValueError, match=said):
        join(room)


def test_without_a_corner_there_is_nothing_to_join(room):
    with pytest.raises(ValueError, match="crossover's corner"):
        join(replace(room, corner=None))
