"""Plain figures, by their definitions in numpy."""

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES, nine_bands, random_levels_db, survey_of

from roomeq.optimiser.bands.fit_data import prepare_fit
from roomeq.optimiser.bands.task import BandGainTask, estimate_plain_figures, seat_errors_db
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import Target


def prepared(seed, **response):
    return prepare_fit(
        survey_of(random_levels_db(seed), weights={"seat 1": 2.0}, **response),
        equaliser=nine_bands(),
        target=Target(shape="tilt", tilt_db_per_octave=-1.0, lower_limit=35.0),
        present_gains_db=np.zeros(9),
    )


@pytest.fixture(scope="module")
def data():
    return prepared(1)


def test_errors_are_the_seats_own_less_the_common_level_and_the_loudness_of_the_bands(data):
    response = np.linspace(-6, 3, data.frequencies.size)
    by_hand = data.seat_db - data.level_db + response - np.mean(response)
    np.testing.assert_allclose(seat_errors_db(data, response), by_hand)
    # the same everywhere is loudness alone
    louder = seat_errors_db(data, response + 4.0)
    np.testing.assert_allclose(louder, by_hand, atol=1e-12)


@pytest.mark.parametrize("slope", [0.0, 5.0])
def test_plain_figures_by_numpy(data, slope):
    response = slope * np.log2(data.frequencies / 50)
    error = data.seat_db - data.level_db + response - np.mean(response)
    found = estimate_plain_figures(data, response)
    power = 10 * np.log10(np.average(10 ** (error / 10), axis=0, weights=[2, 1, 1, 1, 1]))
    # weights over frequency are equal here, so numpy's plain standard deviation does
    assert found.average_sd_db == pytest.approx(np.std(power))
    np.testing.assert_allclose(found.by_seat_db, np.std(error, axis=1))
    assert found.seat_sd_db == pytest.approx(
        np.average(np.std(error, axis=1), weights=[2, 1, 1, 1, 1])
    )
    assert found.largest_excess_db == pytest.approx(error.max())
    # nothing is excused in them: the limit of 35 Hz allows 12 dB at 22 Hz, and more below
    assert data.allowance_db.max() > 12


def test_plain_figures_count_by_frequency_weight():
    # 10 dB or less above the noise counts nothing, 20 dB wholly
    snr = np.where(FREQUENCIES < 28.2, 5.0, np.where(FREQUENCIES < 56.2, 16.0, 40.0))
    faded = prepared(2, snr_db=snr)
    weights = faded.frequency_weights
    error = seat_errors_db(faded, np.zeros(weights.size))
    loud = np.where(weights == 0, 40.0, 0.0)  # what is not fitted is nobody's excess
    found = estimate_plain_figures(faded, loud)
    power = 10 * np.log10(np.average(10 ** (error / 10), axis=0, weights=faded.seat_weights))

    def spread(values):  # by the definition of a weighted standard deviation
        mean = np.average(values, weights=weights)
        return np.sqrt(np.average((values - mean) ** 2, weights=weights))

    assert len(set(np.round(weights, 9))) == 3
    assert found.average_sd_db == pytest.approx(spread(power))
    np.testing.assert_allclose(found.by_seat_db, [spread(seat) for seat in error])
    assert found.largest_excess_db == pytest.approx(error[:, weights > 0].max())
    assert found.largest_excess_db < 40


def test_drive_by_frequency_is_told_against_bands_at_rest_at_the_same_loudness():
    """6 dB everywhere: behind bands that raise the mean by m and a peak by p, 6 + m - p are left.

    Where they stand so already, and nothing moves: a level that was turned down by m for them.
    """
    present = np.array([0, 0, 0, 4.0, 0, 0, 0, 0, 0])
    flat = Target(lower_limit=12.0)
    fitted = prepare_fit(
        survey_of(random_levels_db(1)),
        equaliser=nine_bands(),
        target=flat,
        present_gains_db=present,
    )
    task = BandGainTask(
        data=fitted,
        equaliser=nine_bands(),
        target=flat,
        limits=Limits(no_boost_below=0.0, drive_by_frequency=((10.0, 6.0), (300.0, 6.0))),
        loss=Loss(),
        corner=None,
        present_gains_db=present,
    )
    bands_db = nine_bands().response_db(present, fitted.frequencies)
    peak_db = nine_bands().response_db(present, np.geomspace(35.0, 45.0, 4000)).max()
    left_db = 6.0 + bands_db @ fitted.frequency_weights - peak_db
    assert 2.1 < left_db < 2.9
    assert task.loudness(present).highest_level_change_db == pytest.approx(left_db, abs=1e-3)
