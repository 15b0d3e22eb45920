"""What a fit found: its derived figures by their definitions."""

from types import SimpleNamespace

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES, nine_bands, random_levels_db, survey_of

from roomeq.optimiser.band_gain_fit import (
    ChosenGains,
    NoChange,
    chosen_labels,
    judge_improvement,
)
from roomeq.optimiser.band_gains import fit_band_gains
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.target import Target

EQUALISER = nine_bands()
PRESENT = np.array([0, -3.0, 0, 2.0, 0, -1.5, 0, 4.0, 0])
LOSS = Loss(excess_weight=3.0, tail_start_db=4.0)


@pytest.fixture(scope="module")
def found():
    """A room measured through gains, with unlike seats, a tilted target and a wanted level."""
    through = random_levels_db(3) + EQUALISER.response_db(PRESENT, FREQUENCIES)
    return fit_band_gains(
        survey_of(through, weights={"seat 2": 3.0}),
        equaliser=EQUALISER,
        target=Target(shape="tilt", tilt_db_per_octave=-1.0, level_db=68.0),
        present_gains_db=PRESENT,
        loss=LOSS,
        prove=False,
    )


def mean_over_all(data, values):
    return data.seat_weights @ values @ data.frequency_weights


def test_levels_follow_from_gains_and_knob(found):
    data = found.data
    change = EQUALISER.response_db(found.gains_db, data.frequencies) - EQUALISER.response_db(
        PRESENT, data.frequencies
    )
    np.testing.assert_allclose(
        found.predicted_level_db, data.level_db + change + found.level_change_db, atol=1e-9
    )


def test_the_wanted_level_is_reached_and_drawn(found):
    data = found.data
    assert found.loudness_cut_db == 0.0
    assert found.loudness_change_db != pytest.approx(found.level_change_db, abs=0.05)
    # prediction less target has no mean: both stand where 68 dB was asked for
    above = found.predicted_level_db - found.target_level_db
    assert mean_over_all(data, above) == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(
        found.target_level_db, 68.0 - np.log2(data.frequencies / 50), atol=1e-9
    )


def test_before_is_what_was_measured_and_after_what_is_predicted(found):
    data = found.data
    for level, error, by_seat in (
        (data.level_db, found.error_before_db, found.before_by_seat_db),
        (found.predicted_level_db, found.error_after_db, found.after_by_seat_db),
    ):
        raw = level - data.target_db
        np.testing.assert_allclose(error, raw - mean_over_all(data, raw), atol=1e-9)
        loss = LOSS.value(error, trust=data.trust)
        np.testing.assert_allclose(by_seat, np.sqrt(loss @ data.frequency_weights))
    assert found.deviation_before_db == pytest.approx(
        np.sqrt(data.seat_weights @ found.before_by_seat_db**2)
    )


def test_plain_figures_are_of_before_and_after(found):
    for figures, error in (
        (found.plain_before, found.error_before_db),
        (found.plain_after, found.error_after_db),
    ):
        assert figures.largest_excess_db == pytest.approx(error.max())
    assert found.plain_after != found.plain_before


@pytest.mark.parametrize("factor", [0.7, 1.4])
def test_another_q_changes_the_prediction_by_both_responses(found, factor):
    data, other = found.data, nine_bands().scaled_q(factor)
    change = other.response_db(found.gains_db, data.frequencies) - other.response_db(
        PRESENT, data.frequencies
    )
    raw = data.level_db + change - data.target_db
    error = raw - mean_over_all(data, raw)
    loss = LOSS.value(error, trust=data.trust)
    after = np.sqrt(data.seat_weights @ loss @ data.frequency_weights)
    before_db, after_db = found.deviation_at_q_db(EQUALISER, factor=factor)
    assert after_db == pytest.approx(after, abs=1e-9)
    assert before_db == pytest.approx(found.deviation_before_db, abs=1e-9)


def test_table_has_a_row_for_each_band(found):
    frame = found.to_frame()
    assert frame["gain_db"].tolist() == found.gains_db.tolist()
    assert len(frame) == 9


def test_other_gains_leave_at_each_seat_what_the_loss_says(found):
    data = found.data
    np.testing.assert_allclose(
        found.by_seat_at_gains_db(EQUALISER, found.gains_db), found.after_by_seat_db, atol=1e-9
    )
    np.testing.assert_allclose(
        found.by_seat_at_gains_db(EQUALISER, PRESENT), found.before_by_seat_db, atol=1e-9
    )
    other = np.array([0, 0, -6.0, 0, 2.0, 0, 0, 0, 0])
    whole = fit_band_gains(
        survey_of(
            random_levels_db(3) + EQUALISER.response_db(other, FREQUENCIES),
            weights={"seat 2": 3.0},
        ),
        equaliser=EQUALISER,
        target=Target(shape="tilt", tilt_db_per_octave=-1.0, level_db=68.0),
        present_gains_db=other,
        loss=LOSS,
        prove=False,
    )  # the same room, measured through these gains
    np.testing.assert_allclose(
        found.by_seat_at_gains_db(EQUALISER, other), whole.before_by_seat_db, atol=0.02
    )
    # the mean square over seats, by weight, is what the fit makes small
    squares = data.seat_weights @ found.by_seat_at_gains_db(EQUALISER, found.gains_db) ** 2
    assert np.sqrt(squares) == pytest.approx(found.deviation_db, abs=1e-6)
    with pytest.raises(ValueError, match="step"):
        found.by_seat_at_gains_db(EQUALISER, other + 0.1)


@pytest.mark.parametrize(
    ("improvement_db", "repeatability_db", "why"),
    [
        (0.5, None, None),
        (0.499, None, NoChange.IMPROVEMENT_TOO_SMALL),
        (0.7, 0.8, NoChange.WITHIN_REPEATABILITY),
        (0.8, 0.8, None),
        (0.3, 0.8, NoChange.IMPROVEMENT_TOO_SMALL),
        (-2.0, None, NoChange.IMPROVEMENT_TOO_SMALL),
    ],
)
def test_what_is_worth_a_change(improvement_db, repeatability_db, why):
    assert judge_improvement(improvement_db, repeatability_db=repeatability_db) is why


def test_labels_of_chosen_gains_are_their_places_and_others_are_refused():
    problem = SimpleNamespace(gains_db=[np.array([-6.0, -3.0, 0.0]), np.array([0.0])])
    assert chosen_labels(problem, np.array([-3.0, 0.0])).tolist() == [1, 0]
    for gains in ([-3.5, 0.0], [-3.0, 0.5]):
        with pytest.raises(ValueError, match="not all among those"):
            chosen_labels(problem, np.array(gains))


def test_chosen_gains_change_loudness_by_knob_and_mean_response(found):
    data, gains = found.data, np.array([0, 0, -4.0, 0, 0, 0, 2.0, 0, 0])
    at = EQUALISER.response_db(gains, data.frequencies)
    was = EQUALISER.response_db(PRESENT, data.frequencies)
    wanted = -1.5 + np.average(at - was, weights=data.frequency_weights)
    chosen = ChosenGains(gains_db=gains, level_change_db=-1.5)
    assert chosen.loudness_change_db(data, equaliser=EQUALISER) == pytest.approx(wanted, abs=1e-6)
