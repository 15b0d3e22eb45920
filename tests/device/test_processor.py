"""Signs, units and grids of the joining settings.

The phase control against scipy.signal's analogue all-pass and closed forms.
"""

import math

import numpy as np
import pytest
import scipy.signal

from roomeq.device.processor import (
    DelayRange,
    JoiningSettings,
    LevelRange,
    all_pass_response,
    lag_at_deg,
    phase_settings_deg,
)
from roomeq.device.profile import PhaseControl
from roomeq.importers.device_profile import read_device


def test_positive_delay_is_later():
    # a later impulse: numpy's FFT of a unit impulse moved by 3 ms
    rate, late = 1000, 3
    impulse = np.zeros(200)
    impulse[late] = 1.0
    frequencies = np.fft.rfftfreq(200, 1 / rate)
    response = JoiningSettings(delay=late / rate).response(frequencies)
    np.testing.assert_allclose(response, np.fft.rfft(impulse), atol=1e-12)


def test_distance_is_that_of_sound():
    # 343.2 m/s at 20 degrees Celsius (ISO 9613-1); 1 ft = 0.3048 m exactly
    settings = JoiningSettings(delay=-0.010)
    assert settings.delay_ms == pytest.approx(-10.0)
    assert settings.distance == pytest.approx(-3.432)
    assert settings.distance_ft == pytest.approx(-3.432 / 0.3048)


def test_response_is_the_product_of_its_parts():
    frequencies = np.array([20.0, 80.0, 140.0])
    settings = JoiningSettings(
        delay=0.002, inverted=True, phase_deg=90, phase_frequency=80, level_change_db=-6
    )
    w0 = 2 * np.pi * 80
    _, turned = scipy.signal.freqs([-1 / w0, 1], [1 / w0, 1], worN=2 * np.pi * frequencies)
    expected = -(10**-0.3) * np.exp(-2j * np.pi * frequencies * 0.002) * turned
    np.testing.assert_allclose(settings.response(frequencies), expected, rtol=1e-12)
    assert settings.polarity == "inverted"
    assert JoiningSettings().polarity == "normal"


def test_grids_hold_whole_steps_only():
    np.testing.assert_allclose(
        DelayRange(lowest=-0.00025, highest=0.0003, step=0.0001).values,
        np.array([-2, -1, 0, 1, 2, 3]) * 1e-4,
        atol=1e-12,
    )
    np.testing.assert_array_equal(
        LevelRange(lowest_db=-1, highest_db=1, step_db=0.5).values_db, [-1, -0.5, 0, 0.5, 1]
    )
    assert DelayRange().values.size == 401


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"delay": float("nan")}, "must be finite"),
        ({"phase_deg": 200.0, "phase_frequency": 80.0}, "within 0 to 180"),
        ({"phase_deg": 15.0}, "needs phase_frequency"),
    ],
)
def test_refuses_settings(change, message):
    with pytest.raises(ValueError, match=message):
        JoiningSettings(**change)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"step": 0.0}, "step"),
        ({"step": float("nan")}, "step"),
        ({"lowest": 0.01, "highest": 0.0}, "lowest <= highest"),
        ({"lowest": 0.00011, "highest": 0.00019, "step": 0.0001}, "no step"),
    ],
)
def test_refuses_ranges(change, message):
    with pytest.raises(ValueError, match=message):
        _ = DelayRange(**change).values


FREQUENCIES = np.geomspace(10, 500, 60)


@pytest.mark.parametrize("lag_deg", [15.0, 90.0, 150.0])
def test_is_scipys_first_order_all_pass(lag_deg):
    # (1 - s/w0) / (1 + s/w0), w0 from the lag at 80 Hz: 2 atan(80 / f0)
    w0 = 2 * np.pi * 80.0 / math.tan(math.radians(lag_deg) / 2)
    _, expected = scipy.signal.freqs([-1 / w0, 1], [1 / w0, 1], worN=2 * np.pi * FREQUENCIES)
    found = all_pass_response(FREQUENCIES, lag_deg=lag_deg, frequency=80.0)
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    np.testing.assert_allclose(np.abs(found), 1.0, rtol=1e-12)


def test_ends_are_nothing_and_a_flip():
    np.testing.assert_array_equal(all_pass_response([40, 80], lag_deg=0, frequency=80), [1, 1])
    np.testing.assert_allclose(
        all_pass_response([20, 80, 200], lag_deg=180, frequency=80), -1, atol=1e-12
    )


@pytest.mark.parametrize("lag_deg", [0.0, 30.0, 90.0, 135.0, 180.0])
def test_lag_is_what_was_set_at_its_frequency(lag_deg):
    assert lag_at_deg(80.0, lag_deg=lag_deg, frequency=80.0) == pytest.approx(lag_deg, abs=1e-9)
    phase = np.angle(all_pass_response([80.0], lag_deg=lag_deg, frequency=80.0), deg=True)
    assert abs(phase[0]) == pytest.approx(lag_deg, abs=1e-9)


def test_lag_elsewhere_is_the_closed_form():
    # 90 degrees at 80 Hz: f0 = 80 Hz, lag 2 atan(f / 80); group delay at DC 1 / (pi f0)
    lag = lag_at_deg([0.01, 40.0, 160.0], lag_deg=90, frequency=80)
    expected = 2 * np.degrees(np.arctan([0.01 / 80, 0.5, 2.0]))
    np.testing.assert_allclose(lag, expected, rtol=1e-12)
    assert lag[0] / 360 / 0.01 == pytest.approx(1 / (math.pi * 80), rel=1e-6)


def test_settings_are_the_devices_steps():
    control = read_device("nine_band").phase
    np.testing.assert_array_equal(phase_settings_deg(control), np.arange(0, 181, 20))
    uneven = PhaseControl(lowest_deg=0, highest_deg=100, step_deg=45, frequency=80)
    np.testing.assert_array_equal(phase_settings_deg(uneven), [0, 45, 90])


@pytest.mark.parametrize("lag_deg", [-1.0, 180.5, float("nan")])
def test_refuses_what_a_first_order_all_pass_cannot_do(lag_deg):
    with pytest.raises(ValueError, match="lags by 0 to 180 degrees"):
        all_pass_response([80.0], lag_deg=lag_deg, frequency=80.0)


@pytest.mark.parametrize("frequency", [0.0, -80.0, float("nan"), float("inf")])
def test_refuses_a_frequency(frequency):
    with pytest.raises(ValueError, match="finite and positive"):
        lag_at_deg([80.0], lag_deg=90, frequency=frequency)


def test_refuses_a_range_beyond_half_a_turn():
    control = PhaseControl(lowest_deg=0, highest_deg=360, step_deg=15, frequency=80)
    with pytest.raises(ValueError, match="0 to 180"):
        phase_settings_deg(control)
