"""Bands by the complex sum: against scipy.signal, brute force and the limits."""

import itertools

import numpy as np
import pytest
import scipy.signal
from joining_rooms import CORNER, modal_survey
from synthetic_rooms import nine_bands

from roomeq.bands import third_octave_band
from roomeq.device.biquads import peaking_coefficients
from roomeq.optimiser.band_sum import BandSum, band_responses
from roomeq.optimiser.joining_survey import prepare_joining
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.problem import BandGainProblem

BANDS = (third_octave_band(40), third_octave_band(63))
GAINS = np.array([-6.0, -3.0, 0.0, 3.0])
LEVELS = np.array([-2.0, 0.0, 2.0])
ROWS = np.geomspace(20, 200, 120)


def small_problem(*, cap_db=20.0, drive_boost_db=20.0, seed=3):
    equaliser = nine_bands(bands=BANDS, sample_rate=48000)
    data = prepare_joining(
        modal_survey(seed), corner=CORNER, common_time_reference=True, span=(30.0, 160.0)
    )
    gains = (GAINS, GAINS)
    problem = BandGainProblem(
        error_db=np.zeros((3, data.frequencies.size)),
        seat_weights=np.ones(3),
        frequency_weights=np.ones(data.frequencies.size),
        trust=np.ones((3, data.frequencies.size)),
        gains_db=gains,
        tables_db=tuple(
            equaliser.band_table_db(i, data.frequencies, gains_db=GAINS) for i in range(2)
        ),
        limit_frequencies=ROWS,
        limit_tables_db=tuple(equaliser.band_table_db(i, ROWS, gains_db=GAINS) for i in range(2)),
        filter_cap_db=np.full(ROWS.size, cap_db),
        drive_boost_db=drive_boost_db,
    )
    return BandSum(
        data=data,
        problem=problem,
        responses=band_responses(equaliser, gains_db=gains, frequencies=data.points),
        level_changes_db=LEVELS,
        present_mean_db=0.0,
        loss=Loss(),
    )


def every_setting():
    return np.array(list(itertools.product(range(4), range(4), range(3))))


def test_responses_are_scipys():
    band_sum = small_problem()
    for band, table in zip(BANDS, band_sum.responses, strict=True):
        for gain, row in zip(GAINS, table, strict=True):
            b, a = peaking_coefficients(
                centre=band.centre, q=4.318, gain_db=gain, sample_rate=48000
            )
            _, expected = scipy.signal.freqz(b, a, worN=band_sum.data.points, fs=48000)
            np.testing.assert_allclose(row, expected, atol=1e-6)


def test_transfer_and_objective_are_the_definition():
    band_sum = small_problem()
    labels = np.array([0, 3, 2])
    transfer = band_sum.transfer(labels)
    expected = band_sum.responses[0][0] * band_sum.responses[1][3] * 10**0.1
    np.testing.assert_allclose(transfer, expected)
    data = band_sum.data
    power = np.abs(data.sub * expected + data.mains) ** 2 @ data.smoothing
    error = 10 * np.log10(power) - data.target_db - data.seat_offsets_db[:, None]
    error -= data.seat_weights @ error @ data.frequency_weights
    value = data.seat_weights @ Loss().value(error) @ data.frequency_weights
    assert band_sum.objective(transfer[None])[0] == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize(("cap_db", "drive_boost_db"), [(20.0, 20.0), (1.0, 20.0), (20.0, 3.0)])
def test_descent_reaches_the_best_of_all_settings(seed, cap_db, drive_boost_db):
    band_sum = small_problem(cap_db=cap_db, drive_boost_db=drive_boost_db, seed=seed)
    settings = every_setting()
    allowed = settings[band_sum.feasible(settings)]
    assert len(allowed) < len(settings) or cap_db == drive_boost_db
    values = band_sum.objective(np.array([band_sum.transfer(labels) for labels in allowed]))
    found, value = band_sum.descend(np.array([2, 2, 1]))
    assert band_sum.feasible(found[None])[0]
    assert value == pytest.approx(values.min(), rel=1e-9)
    assert band_sum.objective(band_sum.transfer(found)[None])[0] == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("cap_db", "drive_boost_db"),
    [(2.0, 4.0), (9.0, 1.5), (9.0, 4.0 - 3.0 * np.exp(-((np.log2(ROWS / 45.0) / 0.3) ** 2)))],
)
def test_limits_are_those_of_the_summed_response(cap_db, drive_boost_db):
    band_sum = small_problem(cap_db=cap_db, drive_boost_db=drive_boost_db)
    settings = every_setting()
    for labels, feasible in zip(settings, band_sum.feasible(settings), strict=True):
        gains = GAINS[labels[:2]]
        equaliser = nine_bands(bands=BANDS, sample_rate=48000)
        boost = equaliser.response_db(gains, ROWS)
        mean = np.mean(equaliser.response_db(gains, band_sum.data.frequencies))
        louder = max(0.0, LEVELS[labels[2]] + mean)
        driven = bool(np.all(boost - mean + louder <= drive_boost_db))
        expected = boost.max() <= cap_db and driven
        assert feasible == expected


def test_simplified_costs_no_more_than_allowed():
    band_sum = small_problem()
    found, value = band_sum.descend(np.array([2, 2, 1]))
    same, costs = band_sum.simplified(found, allowance_db=0.0)
    assert costs <= value + 1e-12
    np.testing.assert_array_equal(same, found)
    rest, costs = band_sum.simplified(found, allowance_db=50.0)
    np.testing.assert_array_equal(GAINS[rest[:2]], 0.0)
    assert rest[2] == found[2]
    assert np.sqrt(costs) <= np.sqrt(value) + 50.0


def test_measured_shapes_have_no_phase():
    from roomeq.device.equaliser import BandShape

    shape = BandShape(
        gain_db=3.0, frequencies=np.array([30.0, 40.0, 50.0]), response_db=np.array([0, 3.0, 0])
    )
    equaliser = nine_bands(bands=BANDS, shapes=((shape,), (shape,)))
    with pytest.raises(ValueError, match="carry no phase"):
        band_responses(equaliser, gains_db=(GAINS, GAINS), frequencies=np.array([40.0]))
