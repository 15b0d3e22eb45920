"""What the search works on."""

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES, nine_bands, random_levels_db, survey_of

from roomeq.analysis.dips import estimate_trust
from roomeq.bands import third_octave_bands
from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.fit_data import fit_span, prepare_fit
from roomeq.optimiser.target import Target
from roomeq.response import FrequencyResponse
from roomeq.survey import Measurement, Survey

EQUALISER = nine_bands()
LOW_PASS = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=80.0)


def prepared(survey, **changes):
    settings = {
        "equaliser": EQUALISER,
        "target": Target(),
        "present_gains_db": np.zeros(9),
        "corner": None,
    }
    return prepare_fit(survey, **(settings | changes))


def test_span_and_weights_fade_above_the_corner():
    data = prepared(survey_of(np.full(FREQUENCIES.size, 70.0)), corner=80.0)
    assert fit_span(EQUALISER, corner=80.0, clear_of_corner=False)[1] == pytest.approx(
        113.1, abs=0.1
    )
    weights = data.frequency_weights
    assert weights.sum() == pytest.approx(1.0)
    half_way = weights[np.argmin(np.abs(data.frequencies - 80 * 2**0.25))]
    # the fade is linear over half an octave, so half-way it is half (within one of 24 points)
    assert half_way / weights.max() == pytest.approx(0.5, abs=1 / 12)
    assert data.frequencies[-1] <= 80 * 2**0.5


def test_clear_of_the_corner_nothing_above_seventy_per_cent_counts():
    data = prepared(survey_of(np.full(FREQUENCIES.size, 70.0)), corner=100.0, clear_of_corner=True)
    assert data.frequencies.max() <= 70.0


def test_weights_fade_below_the_lower_limit():
    data = prepared(survey_of(np.full(FREQUENCIES.size, 70.0)), target=Target(lower_limit=40.0))
    relative = data.frequency_weights / data.frequency_weights.max()
    assert (relative[data.frequencies < 28.2] == 0).all()
    assert (relative[data.frequencies >= 40.0] == 1).all()


def test_present_gains_and_target_are_divided_out():
    gains = np.array([0, 0, 3, -6, 0, 2, 0, 0, 0])
    shape = Target(shape="tilt", tilt_db_per_octave=-2.0, path=(LOW_PASS,))
    truth = 70 + shape.relative_db(FREQUENCIES) + EQUALISER.response_db(gains, FREQUENCIES)
    data = prepared(survey_of(truth), target=shape, present_gains_db=gains)
    # what is left is the smoothing's own curvature error
    np.testing.assert_allclose(data.error_db - 70, 0, atol=0.2)


def test_offsets_are_removed_unless_levels_are_comparable():
    levels = random_levels_db(1, seats=3)
    shifted = levels + np.array([[5.0], [-3.0], [0.0]])
    reference = prepared(survey_of(levels, comparable=False))
    # seats are brought to their common mean, so all of them may move together
    moved = prepared(survey_of(shifted, comparable=False)).error_db - reference.error_db
    np.testing.assert_allclose(moved, moved[0, 0], atol=1e-9)
    comparable = prepared(survey_of(shifted))
    assert comparable.seat_offsets_db.tolist() == [0, 0, 0]
    assert np.abs(comparable.error_db - reference.error_db).max() > 2


def test_noise_weights_ramp_from_ten_to_twenty_db():
    snr = np.where(FREQUENCIES < 28.18, 5.0, np.where(FREQUENCIES < 56.2, 15.0, 40.0))
    data = prepared(survey_of(np.full(FREQUENCIES.size, 70.0), snr_db=snr))
    by_band = {
        band.label: data.noise_weights[
            (data.frequencies > band.lower * 1.01) & (data.frequencies < band.upper / 1.01)
        ]
        for band in third_octave_bands(20, 125)
    }
    assert set(by_band["20"]) == {0.0}
    np.testing.assert_allclose(by_band["40"], 0.5)
    assert set(by_band["100"]) == {1.0}
    assert data.noise_known
    assert not prepared(survey_of(np.full(FREQUENCIES.size, 70.0))).noise_known


def test_all_noise_is_refused():
    survey = survey_of(np.full(FREQUENCIES.size, 70.0), snr_db=np.zeros(FREQUENCIES.size))
    with pytest.raises(ValueError, match="within 10 dB of the noise"):
        prepared(survey)


def test_short_measurements_are_refused():
    short = FREQUENCIES > 200
    with pytest.raises(ValueError, match="leaves nothing of"):
        prepared(survey_of(np.full(short.sum(), 70.0), frequencies=FREQUENCIES[short]))


def test_band_levels_are_power_means_over_the_bands():
    bands = third_octave_bands(20, 125)
    centres = [band.centre for band in bands]
    survey = survey_of(np.full(9, 80.0), frequencies=centres, resolution="third_octave")
    data = prepared(survey)
    assert data.band_levels
    gains = np.array([0, 0, 0, 6.0, 0, 0, 0, 0, 0])
    found = data.response_db(EQUALISER, gains)
    band = bands[3]
    inside = np.geomspace(band.lower, band.upper, 2001)  # dense power mean by numpy
    exact = 10 * np.log10(np.mean(10 ** (EQUALISER.response_db(gains, inside) / 10)))
    assert found[3] == pytest.approx(exact, abs=0.01)
    table = data.table_db(EQUALISER, 3, np.array([6.0]))
    np.testing.assert_allclose(table[0], found, atol=1e-12)
    np.testing.assert_array_equal(data.trust, 1.0)


def test_without_seat():
    data = prepared(survey_of(random_levels_db(2), weights={"seat 1": 2.0}))
    fewer = data.without_seat(0)
    assert fewer.seats == data.seats[1:]
    np.testing.assert_allclose(fewer.seat_weights, 0.25)
    np.testing.assert_array_equal(fewer.error_db, data.error_db[1:])
    assert fewer.trust.shape == fewer.error_db.shape


def test_without_seat_nothing_of_it_is_left():
    random = np.random.default_rng(5)
    pressure = [
        10 ** (row / 20) * (1 + 1.3 * np.exp(-2j * np.pi * FREQUENCIES * delay))
        for row, delay in zip(random_levels_db(2, seats=3), (0.006, 0.008, 0.011), strict=True)
    ]
    survey = Survey(
        measurements=tuple(
            Measurement(
                seat=f"seat {index}",
                response=FrequencyResponse.from_pressure(FREQUENCIES, values),
            )
            for index, values in enumerate(pressure)
        ),
        seat_weights={"seat 1": float(random.uniform(2, 4))},
    )
    tilt = Target(shape="tilt", tilt_db_per_octave=-3.0)
    data = prepared(survey, target=tilt)
    fewer = data.without_seat(1)
    kept = [0, 2]
    for name in ("level_db", "error_db", "seat_offsets_db", "excess_group_delay"):
        np.testing.assert_array_equal(getattr(fewer, name), getattr(data, name)[kept])
    np.testing.assert_array_equal(fewer.seat_weights, [0.5, 0.5])
    np.testing.assert_array_equal(fewer.frequency_weights, data.frequency_weights)
    # trust is that of a survey without the seat, phase and weights included
    expected = estimate_trust(
        data.frequencies,
        data.error_db[kept],
        excess_group_delay=data.excess_group_delay[kept],
        weights=[0.5, 0.5],
    )
    np.testing.assert_allclose(fewer.trust, expected, rtol=1e-9, atol=1e-12)
    whole = estimate_trust(
        data.frequencies,
        data.error_db,
        excess_group_delay=data.excess_group_delay,
        weights=data.seat_weights,
    )
    np.testing.assert_allclose(data.trust, whole, rtol=1e-9, atol=1e-12)
    # and both matter here, or this test could not tell
    for lacking in ({"excess_group_delay": None}, {"weights": None}):
        settings = {
            "excess_group_delay": data.excess_group_delay,
            "weights": data.seat_weights,
        }
        other = estimate_trust(data.frequencies, data.error_db, **(settings | lacking))
        assert np.abs(other - whole).max() > 0.01


def test_offsets_are_judged_only_where_it_is_fitted():
    # above the crossover the second seat hears something else: that is no offset
    level = np.full((2, FREQUENCIES.size), 70.0)
    level[1, FREQUENCIES > 100] += 30
    data = prepared(survey_of(level, comparable=False), corner=60.0)
    counted = data.frequency_weights > 0
    np.testing.assert_allclose(data.error_db[0, counted], data.error_db[1, counted], atol=0.01)
    loud = level.copy()
    loud[1, FREQUENCIES < 19.0] += 30  # below half an octave under the lower limit
    data = prepared(survey_of(loud, comparable=False), target=Target(lower_limit=28.0), corner=60.0)
    fully = data.frequencies > 21
    np.testing.assert_allclose(data.error_db[0, fully], data.error_db[1, fully], atol=0.01)


def test_weights_fade_over_half_an_octave_below_the_lower_limit():
    data = prepared(survey_of(np.full(FREQUENCIES.size, 70.0)), target=Target(lower_limit=40.0))
    relative = data.frequency_weights / data.frequency_weights.max()
    half_way = relative[np.argmin(np.abs(data.frequencies - 40 * 2**-0.25))]
    assert half_way == pytest.approx(0.5, abs=1 / 12)  # within one of 24 points an octave


def test_noise_counts_by_the_mean_over_measurements():
    level = np.full(FREQUENCIES.size, 70.0)
    responses = [
        FrequencyResponse.from_level(FREQUENCIES, level, snr_db=snr)
        for snr in (np.full(FREQUENCIES.size, 5.0), np.full(FREQUENCIES.size, 40.0), None)
    ]
    survey = Survey(
        measurements=tuple(
            Measurement(seat=f"seat {index}", response=response)
            for index, response in enumerate(responses)
        )
    )
    # 0 of the noisy one, 1 of the quiet one, 1 of the unknown one
    np.testing.assert_allclose(prepared(survey).noise_weights, 2 / 3)
