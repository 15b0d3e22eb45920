"""A response made ready: points, delay, noise, against what was put in."""

import numpy as np
import pytest
import scipy.stats

from roomeq.base.response import FrequencyResponse
from roomeq.optimiser.path.observation import observe, rice_mean, rice_spread

AXIS = np.arange(10.0, 500.0, 0.5)


def clean():
    s = 1j * AXIS / 80.0
    t = 1j * AXIS / 30.0
    return 1 / (1 + np.sqrt(2) * s + s**2) ** 2 * t**2 / (t**2 + t / 0.8 + 1)


def noisy(snr_db, *, seed=1, delay=0.0):
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((2, AXIS.size)) / np.sqrt(2) * 10 ** (-snr_db / 20)
    signal = clean() / np.abs(clean()).max()
    return (signal + noise[0] + 1j * noise[1]) * np.exp(-2j * np.pi * AXIS * delay)


@pytest.mark.parametrize("amplitude", [0.0, 0.3, 1.0, 2.0, 5.0])
def test_rice_mean_is_scipys(amplitude):
    component = 0.5
    expected = scipy.stats.rice(amplitude / component, scale=component).mean()
    noise = np.array([component * np.sqrt(2)])
    found, change = rice_mean(np.array([amplitude]), noise)
    assert found[0] == pytest.approx(expected, abs=0.007 * component)
    higher, _ = rice_mean(np.array([amplitude]), noise * 1.0001)
    assert change[0] == pytest.approx((higher[0] - found[0]) / np.log(1.0001), rel=1e-3)


@pytest.mark.parametrize("phase", [True, False])
@pytest.mark.parametrize("snr_db", [20.0, 30.0, 40.0])
def test_noise_is_found(snr_db, phase):
    pressure = noisy(snr_db)
    if phase:
        response = FrequencyResponse.from_pressure(AXIS, pressure)
    else:
        response = FrequencyResponse.from_level(AXIS, 20 * np.log10(np.abs(pressure)))
    seen = observe(response)
    # relative to the largest value, which at 20 dB holds up to 2 dB of noise itself
    assert seen.signal_to_noise_db == pytest.approx(
        snr_db + 20 * np.log10(np.abs(pressure).max()), abs=1.2
    )
    assert (seen.pressure is not None) == phase


@pytest.mark.parametrize("delay", [-0.01, 0.0, 0.0345, 0.12])
def test_delay_is_taken_out_and_kept(delay):
    seen = observe(FrequencyResponse.from_pressure(AXIS, noisy(60.0, delay=delay)))
    index = int(np.argmin(np.abs(seen.frequencies - 60.0)))
    back = seen.pressure * np.exp(-2j * np.pi * seen.frequencies * seen.delay)
    at = np.interp(seen.frequencies[index], AXIS, np.unwrap(np.angle(noisy(60.0, delay=delay))))
    turned = np.angle(back[index] * np.exp(-1j * at))
    assert turned == pytest.approx(0.0, abs=0.05)
    no_delay = observe(FrequencyResponse.from_pressure(AXIS, noisy(60.0)))
    assert seen.delay - no_delay.delay == pytest.approx(delay, abs=2e-4)


def test_points_are_24_to_the_octave_and_counted():
    seen = observe(FrequencyResponse.from_pressure(AXIS, noisy(40.0)))
    assert np.diff(np.log2(seen.frequencies[seen.counts > 6])).max() < 2.1 / 24
    assert seen.counts[-1] > seen.counts[0] >= 1
    inside = np.abs(seen.frequencies / 60.0 - 1) < 0.3
    expected = np.interp(seen.frequencies[inside], AXIS, np.abs(clean()) / np.abs(clean()).max())
    np.testing.assert_allclose(
        seen.amplitude[inside], expected / np.abs(noisy(40.0)).max(), rtol=0.02
    )


def test_span_leaves_out_the_deep_fall_and_the_far_noise():
    seen = observe(FrequencyResponse.from_pressure(AXIS, noisy(40.0)))
    level_db = 20 * np.log10(np.abs(clean()) / np.abs(clean()).max())
    first = AXIS[level_db > -15.5][0]
    assert seen.frequencies[0] == pytest.approx(first, rel=0.06)
    seen = observe(FrequencyResponse.from_pressure(AXIS, noisy(6.0)))
    lost = AXIS[(level_db < -4) & (AXIS > 50)][0]
    assert 3.2 * lost < seen.frequencies[-1] < 5.0 * lost  # two octaves into it
    assert seen.frequencies[-1] < 0.9 * AXIS[-1]


def test_passband():
    seen = observe(FrequencyResponse.from_pressure(AXIS, noisy(80.0)))
    level_db = 20 * np.log10(np.abs(clean()) / np.abs(clean()).max())
    edges = AXIS[level_db >= -3][[0, -1]]
    assert seen.passband == pytest.approx(tuple(edges), rel=0.04)


def test_stated_signal_to_noise_ratio_is_believed():
    seen = observe(
        FrequencyResponse.from_pressure(AXIS, noisy(60.0), snr_db=np.full(AXIS.size, 25.0))
    )
    stated = seen.amplitude * 10 ** (-25 / 20)
    floor = 10 ** (-55 / 20)  # leakage, hum and rounding go no lower
    np.testing.assert_allclose(seen.noise, np.maximum(stated, floor), rtol=0.05)


def test_smoothed_noise_is_not_taken_for_a_clean_response():
    # neighbours share their noise, so that their differences say too little: groups do not
    raw = np.abs(noisy(30.0))
    smoothed = np.convolve(np.pad(raw, 1, mode="edge"), np.full(3, 1 / 3), mode="valid")
    seen = observe(FrequencyResponse.from_level(AXIS, 20 * np.log10(smoothed)))
    assert seen.signal_to_noise_db == pytest.approx(30.0, abs=5.0)


@pytest.mark.parametrize(
    ("response", "message"),
    [
        (FrequencyResponse.from_level(AXIS, np.zeros((2, AXIS.size))), "one response at a time"),
        (
            FrequencyResponse.from_level(AXIS, np.zeros(AXIS.size), resolution="third_octave"),
            "too coarse",
        ),
        (FrequencyResponse.from_level(AXIS[:10], np.zeros(10)), "at least 16 points"),
    ],
)
def test_refuses(response, message):
    with pytest.raises(ValueError, match=message):
        observe(response)


def test_spread_of_an_amplitude_is_that_of_a_rice_distribution():
    noise = 0.3
    signal = np.array([0.0, 0.1, 0.3, 0.6, 2.0])
    truth = scipy.stats.rice(signal / (noise / np.sqrt(2)), scale=noise / np.sqrt(2))
    found = rice_spread(truth.mean(), np.full(signal.shape, noise))
    np.testing.assert_allclose(found, truth.std(), rtol=0.02)
