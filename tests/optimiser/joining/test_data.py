"""Data of the joining problem: closed forms of crossovers, smoothing, offsets.

What explains a measured sum: faults put into invented rooms, and found again.
"""

from contextlib import nullcontext
from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import (
    CORNER,
    FREQUENCIES,
    delayed,
    linkwitz_riley,
    modal_seats,
    modal_survey,
    survey_of,
)

from roomeq.analysis.smoothing import smooth_power_db
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.joining.data import explain_sum, joining_axes
from roomeq.optimiser.joining.survey import prepare_joining
from roomeq.wanted.target import Target

LOW, HIGH = linkwitz_riley("low", 4), linkwitz_riley("high", 4)


def prepared(survey, **others):
    return prepare_joining(survey, corner=CORNER, **others)


def test_linkwitz_riley_sum_is_an_all_pass():
    # Linkwitz, JAES 24(1) 1976: low-pass and high-pass of fourth order sum to a constant level
    data = prepared(survey_of(LOW, HIGH))
    # the pressure between measured points is interpolated: 1200 points over 5 octaves
    np.testing.assert_allclose(np.abs(data.predicted_sum(JoiningSettings())), 1.0, atol=1e-4)
    np.testing.assert_allclose(data.predicted_level_db(JoiningSettings()), 0.0, atol=1e-3)


@pytest.mark.parametrize(
    ("delay_ms", "level_db"),  # 20 lg|cos(pi fc tau)| of a fourth-order Linkwitz-Riley at 80 Hz
    [(0.5, -0.069), (1.0, -0.277), (2.0, -1.147), (3.125, -3.010)],
)
def test_delay_error_at_the_corner_is_the_closed_form(delay_ms, level_db):
    data = prepared(survey_of(LOW, HIGH))
    at = int(np.argmin(np.abs(data.points - CORNER)))
    scaled = delay_ms / 1e3 * 80.0 / CORNER
    total = data.predicted_sum(JoiningSettings(delay=scaled))
    assert 20 * np.log10(abs(total[0, at])) == pytest.approx(level_db, abs=2e-3)
    null = data.predicted_sum(JoiningSettings(delay=0.00625 * 80.0 / CORNER))
    assert abs(null[0, at]) < 1e-3


def test_present_settings_are_taken_out():
    present = JoiningSettings(delay=0.003, inverted=True, phase_deg=60, phase_frequency=80)
    survey = survey_of(LOW * present.response(FREQUENCIES), HIGH)
    data = prepared(survey, present=present)
    np.testing.assert_allclose(data.predicted_level_db(JoiningSettings()), 0.0, atol=0.01)
    np.testing.assert_allclose(
        data.predicted_sum(present), prepared(survey).predicted_sum(JoiningSettings()), atol=1e-3
    )


def test_smoothed_power_is_that_of_the_levels():
    # the same rule as for every other level: 1/12-octave power mean
    data = prepared(modal_survey(1))
    settings = JoiningSettings(delay=0.004, inverted=True, level_change_db=2.0)
    fine = 20 * np.log10(np.abs(data.predicted_sum(settings)))
    expected = smooth_power_db(data.points, fine, at=data.frequencies, fraction=12)
    np.testing.assert_allclose(data.predicted_level_db(settings), expected, atol=1e-9)


def test_target_is_the_shape_alone():
    low = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=CORNER)
    tilted = Target(shape="tilt", tilt_db_per_octave=-1.0, path=(low,), lower_limit=60.0)
    data = prepared(modal_survey(2), target=tilted)
    np.testing.assert_allclose(data.target_db, -np.log2(data.frequencies / 50.0), atol=1e-12)


def test_seat_offsets_do_not_depend_on_the_phase():
    survey = survey_of([LOW, 2 * LOW], [HIGH, 2 * HIGH])
    quiet, loud = prepared(survey).seat_offsets_db
    assert loud - quiet == pytest.approx(6.0206, abs=1e-3)
    late = survey_of([delayed(LOW, 0.005), 2 * LOW], [HIGH, 2 * HIGH])
    np.testing.assert_allclose(prepared(late).seat_offsets_db, [quiet, loud], atol=1e-6)
    same = replace(survey, levels_comparable=True)
    np.testing.assert_array_equal(prepared(same).seat_offsets_db, 0.0)


def test_transfers_multiply_the_branches():
    data = prepared(survey_of(LOW, HIGH))
    other = data.with_transfers(sub=np.full(data.points.size, 2.0), mains=-1.0)
    np.testing.assert_allclose(other.sub, 2 * data.sub)
    np.testing.assert_allclose(other.mains, -data.mains)


def test_axes_stay_within_what_was_measured():
    points, axis = joining_axes((40.0, 160.0), first=50.0, last=1000.0)
    assert points[0] >= 50.0
    assert axis[0] >= 50.0
    assert 155.0 < axis[-1] <= 160.0 < points[-1]
    with pytest.raises(ValueError, match="leaves too little"):
        joining_axes((40.0, 160.0), first=150.0, last=1000.0)


def test_refuses_a_crossover_that_was_not_measured():
    # 500 Hz less an octave is measured, 500 Hz is not
    with pytest.raises(ValueError, match="crossover at 500 Hz lies outside"):
        prepare_joining(survey_of(LOW, HIGH), corner=500.0)


def test_axes_need_a_sixth_of_an_octave_and_reach_half_of_one_beyond():
    for octaves, enough in ((0.16, False), (0.18, True)):
        with nullcontext() if enough else pytest.raises(ValueError, match="too little"):
            joining_axes((50.0, 50.0 * 2**octaves), first=10.0, last=1000.0)
    near = prepared(survey_of(LOW, HIGH)).frequencies[[0, -1]] / CORNER
    assert near == pytest.approx([0.5, 2.0], rel=0.03)
    points, axis = joining_axes((40.0, 160.0), first=10.0, last=1000.0)
    reach = np.log2([axis[0] / points[0], points[-1] / axis[-1]])
    assert np.all(np.abs(reach - 1 / 12) <= 1 / 48 + 1e-6)


def test_a_seat_is_left_out_with_all_that_is_its():
    data = prepared(modal_survey(1))
    weighed = replace(data, seat_weights=[1.0, 2.0, 3.0])
    rest = weighed.without_seat(1)
    assert rest.seats == ("seat 1", "seat 3")
    assert rest.seat_weights.tolist() == [0.25, 0.75]
    for name in ("sub", "mains", "seat_offsets_db", "sum_residual_db"):
        np.testing.assert_array_equal(getattr(rest, name), getattr(data, name)[[0, 2]])
    assert replace(data, sum_residual_db=None).without_seat(0).sum_residual_db is None


INSIDE = (FREQUENCIES > 30.0) & (FREQUENCIES < 200.0)
POINTS = FREQUENCIES[INSIDE]


def parts(seed, seats=3):
    rng = np.random.default_rng(seed)
    sub = modal_seats(rng, seats) * linkwitz_riley("low", 4)
    mains = modal_seats(rng, seats) * linkwitz_riley("high", 4)
    return sub[:, INSIDE], mains[:, INSIDE]


def explained(seed, both):
    sub, mains = parts(seed)
    return explain_sum(POINTS, sub=sub, mains=mains, both=np.abs(both(sub, mains)), corner=CORNER)


@pytest.mark.parametrize("seed", range(4))
def test_four_decibels_less_of_the_subwoofer_are_told_as_a_level(seed):
    found = explained(seed, lambda sub, mains: 10 ** (-4 / 20) * sub + mains)
    assert found.explained
    assert found.level_db == pytest.approx(-4.0, abs=0.3)
    assert (found.delay_ms, found.inverted, found.all_level_db) == (0.0, False, 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_delay_a_polarity_and_a_level_of_everything(seed):
    late = explained(seed, lambda s, m: delayed(s, 0.003, frequencies=POINTS) + m)
    assert late.explained
    assert late.delay_ms == pytest.approx(3.0, abs=0.2)
    assert (late.level_db, late.inverted) == (0.0, False)
    turned = explained(seed, lambda s, m: m - s)
    assert (turned.inverted, turned.level_db, turned.delay_ms) == (True, 0.0, 0.0)
    quieter = explained(seed, lambda s, m: 0.5 * (s + m))
    assert quieter.all_level_db == pytest.approx(20 * np.log10(0.5), abs=0.01)


def test_two_causes_together():
    found = explained(1, lambda s, m: m - 10 ** (-3 / 20) * delayed(s, 0.002, frequencies=POINTS))
    assert found.explained
    assert found.inverted
    assert found.level_db == pytest.approx(-3.0, abs=0.5)
    assert found.delay_ms == pytest.approx(2.0, abs=0.3)


def test_nothing_is_said_within_five_per_cent_and_the_difference_is_its_definition():
    assert explained(2, lambda s, m: s + m) is None
    sub, mains = parts(2)
    inside = np.abs(np.log2(POINTS / CORNER)) <= 1.0
    for factor, is_noticed in ((1.049, False), (1.06, True)):
        both = factor * np.abs(sub + mains)
        left = (both - np.abs(sub + mains))[:, inside]
        share = np.sqrt(np.mean(left**2) / np.mean(both[:, inside] ** 2))
        found = explain_sum(POINTS, sub=sub, mains=mains, both=both, corner=CORNER)
        assert (found is not None) is is_noticed
        assert bool(share > 0.05) is is_noticed
    assert found.difference == pytest.approx(share)


def test_another_room_is_not_explained():
    other = parts(9)
    found = explained(3, lambda s, m: other[0] + other[1])
    assert not found.explained
    assert (found.level_db, found.delay_ms, found.inverted) == (0.0, 0.0, False)
    assert found.all_level_db == 0.0
    assert found.left <= found.difference


@pytest.mark.parametrize(("share", "told"), [(0.32, True), (0.35, False)])
def test_an_explanation_leaves_a_third_of_the_difference_at_most(share, told):
    """An inverted subwoofer, and a wobble from point to point that nothing explains."""
    sub, mains = parts(2)
    wobble = np.where(np.arange(POINTS.size) % 2, 1.0, -1.0)
    inside = np.abs(np.log2(POINTS / CORNER)) <= 1.0

    def size(rows):
        return np.sqrt(np.mean(rows[:, inside] ** 2))

    truth, both = np.abs(mains - sub), np.abs(mains - sub)
    for _ in range(20):
        part = share * size(both - np.abs(sub + mains)) / size(truth)
        both = truth * (1.0 + part * wobble)
    found = explain_sum(POINTS, sub=sub, mains=mains, both=both, corner=CORNER)
    assert found.difference == pytest.approx(size(both - np.abs(sub + mains)) / size(both))
    assert found.explained is told
    assert found.inverted is told
    if told:
        assert found.left == pytest.approx(share * found.difference, rel=1e-3)


def test_levelled_seats_take_up_what_is_a_seats_own():
    """A seat louder in both branches has so much more offset, less the mean over the seats."""
    data = prepared(modal_survey(1))
    louder_db = np.linspace(-4.0, 6.0, len(data.seats))
    gain = 10.0 ** (louder_db[:, np.newaxis] / 20.0)
    raised = replace(data, sub=gain * data.sub, mains=gain * data.mains)
    own_db = louder_db - louder_db @ data.seat_weights
    before, after = (one.with_seats_levelled().seat_offsets_db for one in (data, raised))
    np.testing.assert_allclose(after - before, own_db, atol=1e-9)
    assert after @ data.seat_weights == pytest.approx(0.0, abs=1e-9)
