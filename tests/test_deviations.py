"""Deviations, weighted and plain."""

import numpy as np
import pytest
from synthetic_rooms import nine_bands, random_levels_db, survey_of

from roomeq.optimiser.deviations import (
    centred_error_db,
    estimate_plain_figures,
    fitted_deviation_db,
    seat_deviations_db,
    weighted_deviation_db,
)
from roomeq.optimiser.fit_data import prepare_fit
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.target import Target


@pytest.fixture(scope="module")
def data():
    return prepare_fit(
        survey_of(random_levels_db(1), weights={"seat 1": 2.0}),
        equaliser=nine_bands(),
        target=Target(),
        present_gains_db=np.zeros(9),
        corner=None,
    )


def test_weighted_deviation_by_hand():
    # excess 2 dB counts twice, shortfall 3 dB by its trust, 10 dB only linearly beyond 6 dB
    deviation = weighted_deviation_db(
        np.array([[2.0, -3.0, -10.0]]),
        seat_weights=np.array([1.0]),
        frequency_weights=np.array([0.5, 0.25, 0.25]),
        trust=np.array([[0.0, 0.5, 1.0]]),
        loss=Loss(),
    )
    by_hand = 0.5 * 2 * 4 + 0.25 * 0.5 * 9 + 0.25 * 6 * (20 - 6)
    assert deviation == pytest.approx(np.sqrt(by_hand))


def test_plain_least_squares_is_the_rms():
    error = np.array([[1.0, -2.0], [3.0, 0.0]])
    deviation = weighted_deviation_db(
        error,
        seat_weights=np.array([0.5, 0.5]),
        frequency_weights=np.array([0.5, 0.5]),
        trust=np.ones((2, 2)),
        loss=Loss(excess_weight=1.0, tail_start_db=np.inf),
    )
    assert deviation == pytest.approx(np.sqrt(np.mean(error**2)))


def test_error_is_centred_whatever_the_response(data):
    for response in (np.zeros(data.frequencies.size), np.linspace(-6, 3, data.frequencies.size)):
        error = centred_error_db(data, response)
        assert data.seat_weights @ error @ data.frequency_weights == pytest.approx(0, abs=1e-12)
    flat = np.full(data.frequencies.size, 4.0)
    assert fitted_deviation_db(data, flat, loss=Loss()) == pytest.approx(
        fitted_deviation_db(data, 0 * flat, loss=Loss())
    )


def test_plain_figures_by_numpy(data):
    error = centred_error_db(data, np.zeros(data.frequencies.size))
    found = estimate_plain_figures(data, error)
    power = 10 * np.log10(np.average(10 ** (error / 10), axis=0, weights=data.seat_weights))
    # weights over frequency are equal here (no corner, no limit), so numpy's plain std does
    assert found.average_sd_db == pytest.approx(np.std(power))
    assert found.seat_sd_db == pytest.approx(
        np.average(np.std(error, axis=1), weights=[2, 1, 1, 1, 1])
    )
    assert found.largest_excess_db == pytest.approx(error.max())


@pytest.fixture(scope="module")
def faded():
    """Frequency weights that differ, and are 0 at both ends."""
    return prepare_fit(
        survey_of(random_levels_db(2), weights={"seat 1": 2.0}),
        equaliser=nine_bands(),
        target=Target(lower_limit=35.0),
        present_gains_db=np.zeros(9),
        corner=80.0,
    )


def test_plain_figures_count_by_frequency_weight(faded):
    error = centred_error_db(faded, np.zeros(faded.frequencies.size))
    error = error.copy()
    error[:, faded.frequency_weights == 0] = 40.0  # what is not fitted is nobody's excess
    found = estimate_plain_figures(faded, error)
    weights = faded.frequency_weights
    power = 10 * np.log10(np.average(10 ** (error / 10), axis=0, weights=faded.seat_weights))

    def spread(values):  # by the definition of a weighted standard deviation
        mean = np.average(values, weights=weights)
        return np.sqrt(np.average((values - mean) ** 2, weights=weights))

    assert (weights == 0).any()
    assert found.average_sd_db == pytest.approx(spread(power))
    assert found.seat_sd_db == pytest.approx(
        np.average([spread(seat) for seat in error], weights=faded.seat_weights)
    )
    assert found.largest_excess_db == pytest.approx(error[:, weights > 0].max())
    assert found.largest_excess_db < 40


def test_seats_are_judged_with_their_trust_and_add_up(faded):
    error = centred_error_db(faded, np.zeros(faded.frequencies.size))
    loss = Loss()
    seats = seat_deviations_db(faded, error, loss=loss)
    assert faded.trust.min() < 0.9
    for row, trust, found in zip(error, faded.trust, seats, strict=True):
        by_hand = loss.value(row, trust=trust) @ faded.frequency_weights
        assert found == pytest.approx(np.sqrt(by_hand))
    whole = fitted_deviation_db(faded, np.zeros(faded.frequencies.size), loss=loss)
    assert whole == pytest.approx(np.sqrt(faded.seat_weights @ seats**2))
