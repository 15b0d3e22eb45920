"""Levels of a survey on one axis."""

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES, survey_of

from roomeq.analysis.survey_levels import (
    common_axis,
    has_band_levels,
    seat_excess_group_delays,
    seat_levels_db,
)
from roomeq.bands import third_octave_bands
from roomeq.response import FrequencyResponse
from roomeq.survey import Measurement, Survey

CENTRES = np.array([band.centre for band in third_octave_bands(20, 125)])


def one(seat, response):
    return Measurement(seat=seat, response=response)


def test_axis_is_what_all_measurements_share():
    narrow = FrequencyResponse.from_level([20, 50, 90], [70, 70, 70])
    wide = FrequencyResponse.from_level([5, 50, 400], [70, 70, 70])
    survey = Survey(measurements=(one("a", narrow), one("b", wide)))
    axis = common_axis(survey, lowest=10)
    assert axis[0] == pytest.approx(20, rel=0.03)
    assert axis[-1] == pytest.approx(90, rel=0.03)
    np.testing.assert_allclose(np.diff(np.log2(axis)), 1 / 24)
    with pytest.raises(ValueError, match="share 20 to 90 Hz, which leaves nothing of the 100"):
        common_axis(survey, lowest=100, highest=200)


def test_band_levels_keep_their_centres():
    full = FrequencyResponse.from_level(CENTRES, np.arange(9.0), resolution="third_octave")
    part = FrequencyResponse.from_level(CENTRES[2:], np.full(7, 70.0), resolution="third_octave")
    survey = Survey(measurements=(one("a", full), one("b", part)))
    assert has_band_levels(survey)
    axis = common_axis(survey)
    np.testing.assert_array_equal(axis, CENTRES[2:])
    np.testing.assert_array_equal(seat_levels_db(survey, at=axis)[0], np.arange(2.0, 9.0))
    with pytest.raises(ValueError, match="only 2 bands"):
        common_axis(survey, highest=45)


def test_kinds_do_not_mix():
    bands = FrequencyResponse.from_level(CENTRES, np.full(9, 70.0), resolution="third_octave")
    narrow = FrequencyResponse.from_level(CENTRES, np.full(9, 70.0))
    survey = Survey(measurements=(one("a", bands), one("b", narrow)))
    with pytest.raises(ValueError, match="cannot be judged together"):
        has_band_levels(survey)


def test_repeats_are_averaged_in_power():
    # worked example: levels 70 and 80 dB have a power mean of 77.404 dB
    measurements = tuple(
        one("a", FrequencyResponse.from_level(FREQUENCIES, np.full(FREQUENCIES.size, level)))
        for level in (70.0, 80.0)
    )
    levels = seat_levels_db(Survey(measurements=measurements), at=np.array([30.0, 60.0]))
    np.testing.assert_allclose(levels, [[77.404, 77.404]], atol=5e-4)


def test_excess_group_delay_only_where_phase_is_known():
    delayed = np.exp(-2j * np.pi * FREQUENCIES * 0.004)
    with_phase = FrequencyResponse.from_pressure(FREQUENCIES, delayed)
    without = FrequencyResponse.from_level(FREQUENCIES, np.zeros(FREQUENCIES.size))
    survey = Survey(measurements=(one("a", with_phase), one("b", without)))
    delays = seat_excess_group_delays(survey, at=np.array([30.0, 60.0]))
    np.testing.assert_allclose(delays[0], 0.004, rtol=1e-6)  # a pure delay, closed form
    assert np.isnan(delays[1]).all()
    assert seat_excess_group_delays(survey_of(np.zeros(FREQUENCIES.size)), at=CENTRES) is None
