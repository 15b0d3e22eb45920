"""A response made ready: points and noise, against what was put in."""

from contextlib import nullcontext

import numpy as np
import pytest

from roomeq.base.response import FrequencyResponse
from roomeq.optimiser.path.observation import noise_power, observe

AXIS = np.arange(10.0, 500.0, 0.5)


def clean():
    s = 1j * AXIS / 80.0
    t = 1j * AXIS / 30.0
    return 1 / (1 + np.sqrt(2) * s + s**2) ** 2 * t**2 / (t**2 + t / 0.8 + 1)


def noisy(snr_db, *, seed=1):
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((2, AXIS.size)) / np.sqrt(2) * 10 ** (-snr_db / 20)
    return clean() / np.abs(clean()).max() + noise[0] + 1j * noise[1]


@pytest.mark.parametrize("phase", [True, False])
@pytest.mark.parametrize("snr_db", [20.0, 30.0, 40.0])
def test_noise_is_found(snr_db, phase):
    pressure = noisy(snr_db)
    if phase:
        response = FrequencyResponse.from_pressure(AXIS, pressure)
    else:
        response = FrequencyResponse.from_level(AXIS, 20 * np.log10(np.abs(pressure)))
    # relative to the largest value, which at 20 dB holds up to 2 dB of noise itself; within three
    # standard errors (over 200 seeds: 0.71 to 0.80 dB). It reads high by 0.53, 0.41 and 0.16 dB,
    # since octaves above the filter hold noise alone: see the closed form of the next test
    expected = snr_db + 20 * np.log10(np.abs(pressure).max())
    assert observe(response).signal_to_noise_db == pytest.approx(expected, abs=3 * 0.6)


@pytest.mark.parametrize(("signal", "low_db"), [(1.0, 0.0), (0.0, 20 * np.log10(0.655136))])
def test_noise_alone_is_taken_for_less_than_it_is(signal, low_db):
    """Rayleigh: an amplitude's variance is 1 - pi/4 = 0.655136^2 / 2 of the power, not half of it.

    Mean over 40 seeds, within three standard errors (over 200 seeds, one: 0.45 dB).
    """
    errors_db = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        noise = rng.standard_normal((2, AXIS.size)) / np.sqrt(2) * 0.01
        power = noise_power(AXIS, np.abs(signal + noise[0] + 1j * noise[1]))
        errors_db.append(np.interp(160.0, AXIS, 10 * np.log10(power)) + 40.0)
    assert np.mean(errors_db) == pytest.approx(low_db, abs=3 * 0.45 / np.sqrt(40))


def test_points_are_24_to_the_octave_power_means_of_what_there_is():
    seen = observe(FrequencyResponse.from_pressure(AXIS, noisy(60.0)))
    assert np.diff(np.log2(seen.frequencies)).min() > 0.5 / 24
    assert np.diff(np.log2(seen.frequencies[seen.frequencies > 60.0])).max() < 2.1 / 24
    inside = np.abs(seen.frequencies / 60.0 - 1) < 0.3
    expected = np.interp(seen.frequencies[inside], AXIS, 20 * np.log10(np.abs(clean())))
    left = seen.level_db[inside] - expected
    assert np.ptp(left) < 0.1


def test_spread_is_that_of_levels_in_noise():
    # 300 responses made anew: the scatter of each level is what is said of one of them
    every = [
        observe(FrequencyResponse.from_pressure(AXIS, noisy(30.0, seed=seed)))
        for seed in range(300)
    ]
    used = slice(10, 90)
    levels = np.array([seen.level_db[used] for seen in every])
    spread = np.median([seen.spread_db[used] for seen in every], axis=0)
    ratio = spread / levels.std(axis=0)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.15)
    assert np.abs(np.log(ratio)).max() < np.log(2.0)


def test_the_deep_fall_below_is_left_out():
    level = 20 * np.log10(np.abs(clean()) ** 3)
    seen = observe(FrequencyResponse.from_level(AXIS, level))
    first = AXIS[level > level.max() - 40.0][0]
    assert seen.frequencies[0] == pytest.approx(first, rel=0.06)
    assert seen.fall_seen_db == pytest.approx(70.0, abs=6.0)


def test_stated_signal_to_noise_ratio_is_believed():
    seen = observe(
        FrequencyResponse.from_pressure(AXIS, noisy(60.0), snr_db=np.full(AXIS.size, 25.0))
    )
    # the level holds both: noise is 1 / (1 + snr) of it, in power
    share_db = 10 * np.log10(1 + 10**2.5)
    strong = seen.level_db > -30.0
    np.testing.assert_allclose((seen.level_db - seen.noise_db)[strong], share_db, atol=0.05)


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


def test_what_is_used_ends_at_5_and_600_hz_40_db_below_and_70_db_above():
    axis = np.geomspace(3.0, 900.0, 2000)
    flat = observe(FrequencyResponse.from_level(axis, np.zeros(axis.size)))
    assert flat.frequencies[[0, -1]] == pytest.approx([5.0, 600.0], rel=0.03)
    assert flat.frequencies.size == round(24 * np.log2(600.0 / 5.0))
    assert flat.signal_to_noise_db == pytest.approx(70.0)  # nothing is taken for less noise
    steep = FrequencyResponse.from_level(axis, -30.0 * np.abs(np.log2(axis / 60.0)))
    assert observe(steep).level_db[[0, -1]] == pytest.approx([-39.0, -69.0], abs=1.0)


@pytest.mark.parametrize(("count", "enough"), [(15, False), (16, True)])
def test_sixteen_points_are_enough(count, enough):
    inside = np.geomspace(6.0, 500.0, count)
    axis = np.concatenate([np.geomspace(1.0, 4.9, 20), inside, np.geomspace(610.0, 900.0, 20)])
    response = FrequencyResponse.from_level(axis, np.zeros(axis.size))
    with nullcontext() if enough else pytest.raises(ValueError, match="at least 16 points"):
        observe(response)
