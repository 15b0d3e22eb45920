"""Levels of a survey on one axis.

Signal-to-noise ratio by band and seat.
"""

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES, survey_of

from roomeq.analysis.survey_levels import (
    band_signal_to_noise_db,
    common_axis,
    has_band_levels,
    seat_excess_group_delays,
    seat_levels_db,
    survey_signal_to_noise,
)
from roomeq.base.bands import third_octave_band, third_octave_bands
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey

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


def test_a_third_of_what_is_needed_must_be_there():
    part = FrequencyResponse.from_level([70, 100, 300], [70, 70, 70])
    survey = Survey(measurements=(one("a", part),))
    said = r"leaves too little of the 20 to 113 Hz that is needed \('a' starts at 70 Hz\)"
    with pytest.raises(ValueError, match=said):
        common_axis(survey, lowest=20, highest=113)  # 0.69 of 2.5 octaves
    assert common_axis(survey, lowest=40, highest=113)[0] >= 70  # 0.69 of 1.5 octaves
    ends = FrequencyResponse.from_level([5, 10, 30], [70, 70, 70])
    named = Measurement(seat="b", response=ends, file="short.txt")
    both = Survey(measurements=(one("a", part), named))
    with pytest.raises(ValueError, match=r"nothing of .*'a' starts at 70, 'short\.txt' ends at 30"):
        common_axis(both, lowest=20, highest=113)


def test_levels_are_power_means_over_a_twelfth_of_an_octave():
    # by the definition of smoothing, on a dense logarithmic grid
    level = 70 + 10 * np.sin(40 * np.log(FREQUENCIES))
    dense = np.geomspace(40 * 2 ** (-1 / 24), 40 * 2 ** (1 / 24), 4001)
    power = np.interp(np.log(dense), np.log(FREQUENCIES), 10 ** (level / 10))
    found = seat_levels_db(survey_of(level), at=np.array([40.0]))
    assert found[0, 0] == pytest.approx(10 * np.log10(power.mean()), abs=0.02)


def test_phase_of_a_repeat_counts_where_the_first_has_none():
    delayed = np.exp(-2j * np.pi * FREQUENCIES * 0.004)
    without = FrequencyResponse.from_level(FREQUENCIES, np.zeros(FREQUENCIES.size))
    with_phase = FrequencyResponse.from_pressure(FREQUENCIES, delayed)
    survey = Survey(measurements=(one("a", without), one("a", with_phase)))
    delays = seat_excess_group_delays(survey, at=np.array([30.0, 60.0]))
    np.testing.assert_allclose(delays, 0.004, rtol=1e-6)


AXIS = np.arange(10.0, 400.0, 0.5)


def measured(seat, snr_db, *, axis=AXIS, source="sub"):
    snr = None if snr_db is None else np.broadcast_to(snr_db, axis.shape)
    response = FrequencyResponse.from_level(axis, np.full(axis.size, 80.0), snr_db=snr)
    return Measurement(seat=seat, source=source, response=response)


def test_a_band_is_the_power_mean_within_it():
    # 10 lg of the mean of the ratios as powers; edges of IEC 61260-1: 10^(1/20) either way
    snr = np.where(AXIS < 50.0, 10.0, 30.0)
    response = measured("a", snr).response
    centre = 1000 * 10 ** (-13 / 10)
    inside = snr[(centre * 10**-0.05 <= AXIS) & (centre * 10**0.05 >= AXIS)]
    wanted = 10 * np.log10(np.mean(10 ** (inside / 10)))
    assert band_signal_to_noise_db(response, third_octave_band(50.0)) == pytest.approx(wanted)
    assert band_signal_to_noise_db(response, third_octave_band(31.5)) == pytest.approx(10.0)


def test_few_frequencies_are_interpolated():
    coarse = np.array([10.0, 40.0, 160.0, 400.0])
    response = measured("a", np.array([0.0, 20.0, 40.0, 40.0]), axis=coarse).response
    found = band_signal_to_noise_db(response, third_octave_band(80.0))
    # 80 Hz (exact 79.43) is half way on a logarithmic axis
    assert found == pytest.approx(20.0 + 20.0 * np.log(79.43 / 40.0) / np.log(4.0), abs=0.01)


def test_seats_and_bands_repeats_and_what_is_not_known():
    survey = Survey(
        measurements=(
            measured("a", 30.0),
            measured("b", None),
            measured("a", 12.0),
            measured("c", 25.0),
            measured("c", None),
        )
    )
    found = survey_signal_to_noise(survey)
    assert list(found.index) == ["a", "b", "c"]
    labels = [band.label for band in third_octave_bands(16.0, 160.0)]
    assert [third_octave_band(f).label for f in found.columns] == labels
    np.testing.assert_allclose(found.loc["a"], 12.0)  # the worst of the repeats
    assert np.isnan(found.loc["b"]).all()
    np.testing.assert_allclose(found.loc["c"], 25.0)


def test_only_bands_that_all_measurements_cover():
    short = np.arange(30.0, 90.0, 0.5)
    survey = Survey(measurements=(measured("a", 30.0), measured("b", 20.0, axis=short)))
    found = survey_signal_to_noise(survey)
    assert found.columns[0] == pytest.approx(31.62, abs=0.01)
    assert found.columns[-1] == pytest.approx(79.43, abs=0.01)
    np.testing.assert_allclose(found, np.repeat([[30.0], [20.0]], 5, axis=1))


def test_misuse():
    mixed = Survey(measurements=(measured("a", 30.0), measured("a", 30.0, source="mains")))
    with pytest.raises(ValueError, match=r"one source at a time.*of_source"):
        survey_signal_to_noise(mixed)
    high = Survey(measurements=(measured("a", 30.0, axis=np.arange(300.0, 400.0)),))
    with pytest.raises(ValueError, match="no third octave"):
        survey_signal_to_noise(high)
