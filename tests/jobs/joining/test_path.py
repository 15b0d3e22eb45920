"""What a room tells of its path: asked only where there is something to say."""

from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import write_joined_room

from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.equaliser import BandShape
from roomeq.importers.room import read_room
from roomeq.jobs.joining.path import described_path, engaged_rows, estimated_path
from roomeq.optimiser.path.estimate import PathVerdict

pytestmark = pytest.mark.usefixtures("joining_once")


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
    rows = engaged_rows(estimate)
    assert rows is not None
    assert rows["taken"] == "seat"
    assert rows["candidates"]
    assert engaged_rows(None) is None


def test_a_low_pass_that_cannot_be_bypassed_is_not_offered(room):
    estimate = estimated_path(replace(room, joining=replace(room.joining, fixed=(0,))))
    assert estimate is not None
    assert estimate.analysis is not None
    advised = estimate.analysis.recommended
    assert advised is not None
    assert [one.where for one in advised.filters] == ["amplifier"]
    assert advised.alternatives == ()
    assert estimated_path(room).analysis.recommended.alternatives  # the processor's does as well


def test_one_low_pass_is_spoken_of_where_anything_is_known_of_the_mains(room):
    single = replace(room, path=room.path[:1])
    unstated = replace(single, joining=replace(room.joining, mains_path=None))
    assert described_path(unstated) is not None  # the mains were measured
    stated = replace(single, survey=room.survey.of_source("sub"))
    assert described_path(stated) is not None  # their filter is stated


def test_a_low_pass_that_cannot_be_bypassed_is_not_named(room):
    fixed = replace(room, joining=replace(room.joining, fixed=(1,)))
    analysis = described_path(fixed)
    assert analysis.recommended is not None
    assert [one.where for one in analysis.recommended.filters] == ["processor"]
    neither = replace(room, joining=replace(room.joining, fixed=(0, 1)))
    assert described_path(neither).recommended is None


def test_seats_are_not_asked_for_another_source_or_band_levels(room):
    far = replace(room, joining=replace(room.joining, path_response=None))
    assert estimated_path(replace(far, source="both")) is None
    coarse = tuple(
        replace(m, response=replace(m.response, resolution="third_octave"))
        for m in room.survey.measurements
    )
    assert estimated_path(replace(far, survey=replace(room.survey, measurements=coarse))) is None


@pytest.fixture
def asked(monkeypatch):
    """Return what was asked of the estimate, which is not made."""
    calls = []

    def estimate_path(response, **options):
        calls.append((response, options))

    monkeypatch.setattr("roomeq.optimiser.path.estimation.estimate_path", estimate_path)
    return calls


def test_present_bands_are_taken_out_of_seats_and_of_levels(room, asked):
    gains = np.array([0, 0, 0, -6.0, 0, 0, 3.0, 0, 0])
    present = replace(room.present, gains_db=gains)
    far = replace(room, joining=replace(room.joining, path_response=None))
    estimated_path(far)
    estimated_path(replace(far, present=present))
    flat, bare = (response for response, _ in asked)
    bands_db = room.equaliser.response_db(gains, flat.frequencies)
    seats_db = np.broadcast_to(bands_db, flat.level_db.shape)
    np.testing.assert_allclose(flat.level_db - bare.level_db, seats_db, atol=1e-9)
    asked.clear()
    axis = np.geomspace(10.0, 300.0, 50)
    bell = 6.0 * np.exp(-0.5 * (np.log2(axis / 40.0) / 0.3) ** 2)
    shape = BandShape(gain_db=6.0, frequencies=axis, response_db=bell)
    shaped = replace(room.equaliser, shapes=tuple((shape,) for _ in gains))
    close = room.joining.path_response.response
    estimated_path(replace(room, present=present, device=replace(room.device, equaliser=shaped)))
    taken = close.level_db - asked[0][0].level_db
    np.testing.assert_allclose(taken, shaped.response_db(gains, close.frequencies), atol=1e-9)
    assert np.abs(taken).max() > 1.0


def test_what_is_stated_to_be_in_the_path_is_told_and_that_nothing_was_stated(room, asked):
    far = replace(room, joining=replace(room.joining, path_response=None))
    for origin, described in (("path", room.path), ("none", ()), ("unknown", None)):
        path = room.path if origin == "path" else ()
        estimated_path(replace(far, path=path, corner_origin=origin))
        assert asked[-1][1]["described"] == described
        assert asked[-1][1]["taken"] == "seat"
    limited = replace(room.target, lower_limit=26.0, lower_limit_estimated=False)
    estimated_path(replace(room, target=limited))
    assert asked[-1][1]["lower_limit"] == 26.0
    estimated_path(replace(room, target=replace(limited, lower_limit_estimated=True)))
    assert asked[-1][1]["lower_limit"] is None


def test_the_protective_high_pass_and_the_mains_are_told_to_the_estimate(room, asked):
    high_pass = CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=20.0)
    protected = replace(room, equipment=replace(room.equipment, protection=high_pass))
    estimated_path(protected)
    _, options = asked[0]
    assert options["described"] == room.path
    assert options["protection"] == high_pass
    assert options["mains"] == room.joining.mains_filters
    assert options["taken"] == "close"


@pytest.mark.parametrize(("points", "enough"), [(15, False), (16, True)])
def test_seats_are_judged_from_15_to_400_hz_by_sixteen_points_or_more(room, asked, points, enough):
    far = replace(room, joining=replace(room.joining, path_response=None))
    estimated_path(far)
    axis = asked.pop()[0].frequencies  # 24 to the octave
    assert 15.0 <= axis[0] < 15.0 * 2 ** (1 / 24)
    assert 400.0 / 2 ** (1 / 24) < axis[-1] <= 400.0

    def ended(response):
        low = response.frequencies <= axis[points - 1] * 1.01
        return FrequencyResponse.from_pressure(response.frequencies[low], response.pressure[low])

    few = tuple(
        replace(one, response=ended(one.response))
        for one in room.survey.of_source("sub").measurements
    )
    estimated_path(replace(far, survey=replace(room.survey, measurements=few)))
    assert [response.frequencies.size for response, _ in asked] == ([16] if enough else [])
