"""Signal-to-noise ratio by band and seat."""

import numpy as np
import pytest

from roomeq.analysis.signal_to_noise import band_signal_to_noise_db, survey_signal_to_noise
from roomeq.base.bands import third_octave_band, third_octave_bands
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey

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
    assert found.seats == ("a", "b", "c")
    labels = [band.label for band in third_octave_bands(16.0, 160.0)]
    assert [third_octave_band(f).label for f in found.frequencies] == labels
    np.testing.assert_allclose(found.snr_db[0], 12.0)  # the worst of the repeats
    assert np.isnan(found.snr_db[1]).all()
    np.testing.assert_allclose(found.snr_db[2], 25.0)
    assert not found.snr_db.flags.writeable


def test_only_bands_that_all_measurements_cover():
    short = np.arange(30.0, 90.0, 0.5)
    survey = Survey(measurements=(measured("a", 30.0), measured("b", 20.0, axis=short)))
    found = survey_signal_to_noise(survey)
    assert found.frequencies[0] == pytest.approx(31.62, abs=0.01)
    assert found.frequencies[-1] == pytest.approx(79.43, abs=0.01)
    np.testing.assert_allclose(found.snr_db, np.repeat([[30.0], [20.0]], 5, axis=1))


def test_misuse():
    mixed = Survey(measurements=(measured("a", 30.0), measured("a", 30.0, source="mains")))
    with pytest.raises(ValueError, match=r"one source at a time.*of_source"):
        survey_signal_to_noise(mixed)
    high = Survey(measurements=(measured("a", 30.0, axis=np.arange(300.0, 400.0)),))
    with pytest.raises(ValueError, match="no third octave"):
        survey_signal_to_noise(high)
