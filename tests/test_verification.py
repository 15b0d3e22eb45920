"""Verification: a room measured again through known settings."""

from pathlib import Path

import numpy as np
import pytest

from roomeq.cli import main
from roomeq.plan import write_plan
from roomeq.proposal import propose
from roomeq.report.verification_text import verification_text
from roomeq.response import FrequencyResponse
from roomeq.room_reading import read_room
from roomeq.survey import Measurement, Survey
from roomeq.verification import equaliser_of, verify

SAMPLES = Path(__file__).parents[1] / "sample_measurements"


@pytest.fixture(scope="module")
def room():
    return read_room(SAMPLES / "lakeside_cabin")


@pytest.fixture(scope="module")
def plan(room):
    return propose(room, node_limit=1)


def measured_again(room, gains_db, *, offset_db=0.0, seats=None):
    """Measure the sample room again through other gains: synthetic instrument."""
    equaliser = room.equaliser
    measurements = []
    for entry in room.survey.measurements:
        axis = entry.response.frequencies
        change = equaliser.response_db(gains_db, axis) - equaliser.response_db(
            room.present.gains_db, axis
        )
        level = entry.response.level_db + change + offset_db
        if seats is None or entry.seat in seats:
            response = FrequencyResponse.from_level(axis, level)
            measurements.append(Measurement(seat=entry.seat, response=response))
    return Survey(measurements=tuple(measurements))


def test_what_was_set_as_planned_agrees(room, plan):
    found = verify(plan, measured_again(room, plan.gains_db, offset_db=plan.level.exact_change_db))
    assert found.agrees
    assert found.offset_db == pytest.approx(0, abs=0.1)
    assert found.suspects == ()
    assert max(abs(band.difference_db) for band in found.bands) < 0.2
    assert "It came true" in verification_text(found)


def test_level_is_told_apart_from_bands(room, plan):
    off = plan.level.exact_change_db - 7.0
    found = verify(plan, measured_again(room, plan.gains_db, offset_db=off))
    assert found.agrees
    assert found.offset_db == pytest.approx(-7.0, abs=0.1)


@pytest.mark.parametrize("label", ["40", "50", "63"])
def test_a_band_left_where_it_was_is_named(room, plan, label):
    index = plan.device.labels.index(label)
    gains = list(plan.gains_db)
    gains[index] = 0.0 if abs(gains[index]) >= 3 else gains[index] - 6.0
    found = verify(plan, measured_again(room, gains))
    assert not found.agrees
    assert found.suspects[0].label == label
    assert found.suspects[0].looks_like_db == pytest.approx(gains[index], abs=0.5)
    assert found.suspects[0].planned_db == plan.gains_db[index]
    assert f"{label} Hz: planned" in verification_text(found)


def test_what_no_band_explains_is_said(room, plan):
    survey = measured_again(room, plan.gains_db)
    random = np.random.default_rng(3)
    rows = []
    for entry in survey.measurements:
        axis = entry.response.frequencies
        wave = 6 * np.sin(2 * np.pi * np.log2(axis / 20) * 3.1 + random.uniform(0, 0.3))
        rows.append(
            Measurement(
                seat=entry.seat,
                response=FrequencyResponse.from_level(axis, entry.response.level_db + wave),
            )
        )
    found = verify(plan, Survey(measurements=tuple(rows)))
    assert not found.agrees
    assert found.suspects == ()
    assert "No single band explains it" in verification_text(found)


def test_some_seats_are_enough_but_none_are_not(room, plan):
    two = [entry.seat for entry in plan.seats][:2]
    found = verify(plan, measured_again(room, plan.gains_db, seats=two))
    assert [entry.seat for entry in found.seats] == two
    assert len(found.not_measured_again) == len(plan.seats) - 2
    assert "Not measured again" in verification_text(found)
    other = Survey(
        measurements=(Measurement(seat="balcony", response=room.survey.measurements[0].response),)
    )
    with pytest.raises(ValueError, match="none of the plan's seats was measured again"):
        verify(plan, other)


def test_equaliser_comes_back_from_the_plan(room, plan):
    again = equaliser_of(plan.device)
    axis = np.geomspace(15, 200, 50)
    np.testing.assert_array_equal(
        again.response_db(plan.gains_db, axis), room.equaliser.response_db(plan.gains_db, axis)
    )


def test_on_the_command_line_the_old_room_does_not_verify(plan, tmp_path, capsys):
    write_plan(plan, tmp_path / "cabin.json")
    words = ["verify", str(tmp_path / "cabin.json"), str(SAMPLES / "lakeside_cabin")]
    assert main(words) == 1
    assert "It did not come true" in capsys.readouterr().out
    assert main([*words, "--json"]) == 1
    assert '"agrees": false' in capsys.readouterr().out
