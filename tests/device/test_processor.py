"""Signs, units and grids of the joining settings."""

import numpy as np
import pytest
import scipy.signal

from roomeq.device.processor import DelayRange, JoiningSettings, LevelRange


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
