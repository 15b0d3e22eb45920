"""What a room tells of its path: asked only where there is something to say."""

from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import write_joined_room

from roomeq.optimiser.path_estimate import PathVerdict
from roomeq.path_figures import EngagedRows, described_path, estimated_path
from roomeq.room_reading import read_room


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    return read_room(write_joined_room(tmp_path_factory.mktemp("joined")))


def test_a_low_pass_twice_is_named_with_what_to_bypass(room):
    analysis = described_path(room)
    assert analysis is not None
    # closed form: two Linkwitz-Riley filters are 4 times 3.01 dB down at the corner
    assert analysis.at_corner_db == pytest.approx(-12.04, abs=0.01)
    assert analysis.recommended is not None
    assert [one.where for one in analysis.recommended.filters] == ["amplifier"]


def test_one_low_pass_and_no_word_of_the_mains_is_nothing_to_speak_of(room):
    alone = replace(
        room,
        path=room.path[:1],
        survey=room.survey.of_source("sub"),
        joining=replace(room.joining, mains_path=None, path_response=None),
    )
    assert described_path(alone) is None
    assert estimated_path(alone) is None
    assert described_path(replace(room, path=())) is None


def test_bands_are_taken_out_of_the_path_before_it_is_judged(room):
    gains = np.array([0, 0, 0, -6.0, 0, 0, 0, 0, 0])
    measured = room.joining.path_response
    axis = measured.response.frequencies
    heard = replace(
        measured, response=measured.response.filtered(room.equaliser.response(gains, axis))
    )
    with_bands = replace(
        room,
        present=replace(room.present, gains_db=gains),
        joining=replace(room.joining, path_response=heard),
    )
    estimate = estimated_path(with_bands)
    assert estimate is not None
    assert estimate.verdict is PathVerdict.IDENTIFIED
    assert estimate.best.engaged == ((0, 1),)
    forgotten = estimated_path(replace(with_bands, present=room.present))
    assert forgotten is not None
    assert forgotten.misfit_db > estimate.misfit_db + 0.3


def test_seats_give_only_what_can_be_known(room):
    far = replace(room, joining=replace(room.joining, path_response=None))
    estimate = estimated_path(far)
    assert estimate is not None
    assert estimate.verdict is PathVerdict.IN_ROOM
    rows = EngagedRows.of(estimate)
    assert rows is not None
    assert rows.taken == "seat"
    assert rows.candidates
    assert EngagedRows.of(None) is None


def test_a_low_pass_that_cannot_be_bypassed_is_not_offered(room):
    estimate = estimated_path(replace(room, joining=replace(room.joining, fixed=(0,))))
    assert estimate is not None
    assert estimate.analysis is not None
    advised = estimate.analysis.recommended
    assert advised is not None
    assert [one.where for one in advised.filters] == ["amplifier"]
    assert advised.alternatives == ()
    assert estimated_path(room).analysis.recommended.alternatives  # the processor's does as well
