"""The sum of subwoofers against closed forms: two equal ones in phase, inverted, late."""

from dataclasses import replace

import numpy as np
import pytest

from roomeq.base.errors import MissingPhaseError
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.room.together import common_seats, seat_pressures, summed_survey

# 10 to 200 Hz with 50 Hz among them
AXIS = 50.0 * 2.0 ** (np.arange(-112, 97) / 48.0)
ONE = 1e4 * np.exp(-2j * np.pi * AXIS * 0.005)
IN_PHASE_DB = 20.0 * np.log10(2.0)
IN_POWER_DB = 10.0 * np.log10(2.0)


def survey(rows, *, axis=AXIS, weights=None, comparable=True, **response):
    made = tuple(
        Measurement(seat=seat, response=FrequencyResponse.from_pressure(axis, pressure, **response))
        for seat, pressure in rows
    )
    return Survey(measurements=made, seat_weights=weights, levels_comparable=comparable)


def summed_db(*pressures, coherent=True):
    """Return what the sum has over the first, in dB, and the response."""
    parts = [survey([("sofa", pressure)]) for pressure in pressures]
    response = summed_survey(parts, coherent=coherent).measurements[0].response
    return response.level_db - 20.0 * np.log10(np.abs(pressures[0])), response


def test_two_equal_sources_in_phase_give_6_db_more():
    more_db, response = summed_db(ONE, ONE)
    np.testing.assert_allclose(more_db, IN_PHASE_DB, atol=1e-9)
    np.testing.assert_allclose(response.pressure, 2.0 * ONE, rtol=1e-12)


def test_four_give_12_db_and_two_at_half_the_pressure_3_5_db():
    np.testing.assert_allclose(summed_db(ONE, ONE, ONE, ONE)[0], 2 * IN_PHASE_DB, atol=1e-9)
    np.testing.assert_allclose(summed_db(ONE, 0.5 * ONE)[0], 20 * np.log10(1.5), atol=1e-9)


def test_an_inverted_one_cancels():
    assert summed_db(ONE, -0.999 * ONE)[0].max() < -59.9  # 20 lg 0.001
    np.testing.assert_allclose(summed_db(ONE, -0.5 * ONE)[0], -IN_PHASE_DB, atol=1e-9)


def test_one_that_is_late_by_half_a_period_leaves_a_null_there():
    # |1 + exp(-j 2 pi f t)| = 2 |cos(pi f t)|: nothing at 50 Hz for t = 10 ms, all at 100 Hz
    more_db, _ = summed_db(ONE, ONE * np.exp(-2j * np.pi * AXIS * 0.01))
    expected_db = 20.0 * np.log10(2.0 * np.abs(np.cos(np.pi * AXIS * 0.01)) + 1e-12)
    clear = np.abs(AXIS - 50.0) > 0.5
    np.testing.assert_allclose(more_db[clear], expected_db[clear], atol=1e-6)
    assert AXIS[more_db.argmin()] == pytest.approx(50.0)
    assert more_db.min() < -100.0
    assert more_db[np.isclose(AXIS, 100.0)] == pytest.approx(IN_PHASE_DB)


def test_without_a_common_time_zero_powers_add_and_there_is_no_phase():
    more_db, response = summed_db(ONE, -ONE, coherent=False)
    np.testing.assert_allclose(more_db, IN_POWER_DB, atol=1e-9)
    assert not response.has_phase
    with pytest.raises(MissingPhaseError):
        _ = response.pressure


def test_one_without_phase_takes_the_phase_of_the_sum():
    bare = Survey.from_levels(AXIS, 20.0 * np.log10(np.abs(ONE))[None], seats=["sofa"])
    bare = replace(bare, levels_comparable=True)
    response = (
        summed_survey([survey([("sofa", ONE)]), bare], coherent=True).measurements[0].response
    )
    assert not response.has_phase
    np.testing.assert_allclose(
        response.level_db - 20.0 * np.log10(np.abs(ONE)), IN_POWER_DB, atol=1e-9
    )


def test_repeats_of_one_are_averaged_before_the_sum():
    again = survey([("sofa", 0.8 * ONE), ("sofa", 1.2 * ONE)])
    response = (
        summed_survey([survey([("sofa", ONE)]), again], coherent=True).measurements[0].response
    )
    np.testing.assert_allclose(response.pressure, 2.0 * ONE, rtol=1e-12)
    powers = summed_survey([survey([("sofa", ONE)]), again], coherent=False)
    more_db = powers.measurements[0].response.level_db - 20.0 * np.log10(np.abs(ONE))
    np.testing.assert_allclose(more_db, 10.0 * np.log10(1.0 + (0.64 + 1.44) / 2.0), atol=1e-9)


def test_seats_are_those_that_all_have_and_weigh_what_they_weigh_least():
    first = survey([("a", ONE), ("b", ONE), ("c", ONE)], weights={"a": 2.0, "b": 1.0, "c": 1.0})
    other = survey([("c", ONE), ("a", ONE)], weights={"a": 0.5, "c": 1.0})
    assert common_seats([first, other]) == ("a", "c")
    whole = summed_survey([first, other], coherent=True)
    assert whole.seats == ("a", "c")
    assert whole.seat_weights == {"a": 0.5, "c": 1.0}


def test_levels_compare_only_where_they_do_for_each():
    rows = [("a", ONE), ("b", ONE)]
    both = [survey(rows), survey(rows, comparable=False)]
    assert not summed_survey(both, coherent=True).levels_comparable
    assert summed_survey(both[:1] * 2, coherent=True).levels_comparable


def test_the_axis_reaches_as_far_as_all_and_the_other_is_interpolated():
    # a pure delay between points 48 to the octave: level and phase are smooth
    own = np.geomspace(20.0, 120.0, 400)
    other = survey([("sofa", 1e4 * np.exp(-2j * np.pi * own * 0.005))], axis=own)
    response = (
        summed_survey([survey([("sofa", ONE)]), other], coherent=True).measurements[0].response
    )
    assert 20.0 <= response.frequencies[0] < 20.4
    assert 118.0 < response.frequencies[-1] <= 120.0
    expected = 2e4 * np.exp(-2j * np.pi * response.frequencies * 0.005)
    np.testing.assert_allclose(response.pressure, expected, rtol=1e-3)


def test_signal_to_noise_is_that_of_the_sum_over_all_noise():
    def noisy(pressure, snr_db):
        return survey([("sofa", pressure)], snr_db=np.full(AXIS.size, snr_db))

    def snr(*parts):
        return summed_survey(parts, coherent=True).measurements[0].response.snr_db

    # in phase: 6 dB more signal, noises of 20 dB below each add to 3 dB more
    np.testing.assert_allclose(snr(noisy(ONE, 20.0), noisy(ONE, 20.0)), 20.0 + IN_POWER_DB)
    # half cancelled: a quarter of the power over noise of 1/100 + 1/400
    expected = 10.0 * np.log10(0.25 / (0.01 + 0.0025))
    np.testing.assert_allclose(snr(noisy(ONE, 20.0), noisy(-0.5 * ONE, 20.0)), expected)
    assert snr(noisy(ONE, 20.0), survey([("sofa", ONE)])) is None


def test_pressures_at_seats_are_means_over_repeats():
    again = survey([("a", ONE), ("b", 3.0 * ONE), ("a", 2.0 * ONE)])
    rows = seat_pressures(again, ["b", "a"], AXIS[5:9])
    np.testing.assert_allclose(rows, [3.0 * ONE[5:9], 1.5 * ONE[5:9]], rtol=1e-12)


def test_no_common_seat_is_refused():
    with pytest.raises(ValueError, match="at no seat were all subwoofers measured"):
        summed_survey([survey([("a", ONE)]), survey([("b", ONE)])], coherent=True)


def test_no_common_frequencies_are_refused():
    high = survey([("a", ONE)], axis=AXIS * 100.0)
    with pytest.raises(ValueError, match=r"seat 'a'.*share no frequencies"):
        summed_survey([survey([("a", ONE)]), high], coherent=True)


def test_unlike_references_are_refused():
    other = survey([("a", ONE)], level_reference="relative")
    with pytest.raises(ValueError, match=r"seat 'a'.* and .*measure alike"):
        summed_survey([survey([("a", ONE)], level_reference="spl"), other], coherent=True)
