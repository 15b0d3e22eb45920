"""Lost, repeated and held samples, in plain signals; no sweep is needed."""

import numpy as np
import pytest

from roomeq.analysis.recordings.samples import find_dropouts, find_jumps, smallest_step

RATE = 48000
TIMES = np.arange(2 * RATE) / RATE


def tone(frequency=60.0, level=0.3, noise=1e-4, seed=0):
    random = np.random.default_rng(seed)
    return level * np.sin(2 * np.pi * frequency * TIMES) + noise * random.standard_normal(
        TIMES.size
    )


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_the_step_of_a_quantiser_is_seen(bits):
    step = 2.0 ** -(bits - 1)
    assert smallest_step(np.round(tone() / step) * step) == pytest.approx(step)


def test_a_signal_without_steps_shows_none():
    assert smallest_step(tone()) == 0.0
    assert smallest_step(np.zeros(100)) == 0.0


@pytest.mark.parametrize(("count", "seen"), [(8, False), (32, True), (500, True)])
def test_a_block_that_stands_still_is_seen_from_24_samples_on(count, seen):
    samples = tone()
    samples[30000 : 30000 + count] = 0.0
    found = find_dropouts(samples, step=0.0, sample_rate=RATE)
    assert bool(found) is seen
    if seen:
        assert (found[0].first, found[0].stop) == (30000, 30000 + count)


@pytest.mark.parametrize("level", [0.5, 0.05, 0.005, 0.001])
def test_tops_and_bends_of_a_quantised_bass_tone_are_no_dropouts(level):
    # The top of a sine stays within a step q for sqrt(2 q / a) / (pi f) seconds: up to 68 samples.
    step = 2.0**-15
    beating = level * np.sin(2 * np.pi * 10 * TIMES) * np.sin(2 * np.pi * 0.7 * TIMES)
    assert find_dropouts(np.round(beating / step) * step, step=step, sample_rate=RATE) == []


@pytest.mark.parametrize("count", [64, 441, 480, 1024, 4800, 8192])
@pytest.mark.parametrize("noise", [0.0, 0.01])
def test_a_repeated_block_is_seen_whatever_the_noise(count, noise):
    samples = tone(frequency=61.7, noise=noise)
    samples[40000 : 40000 + count] = samples[40000 - count : 40000]
    found = find_dropouts(samples, step=0.0, sample_rate=RATE)
    assert [(one.first, one.stop) for one in found] == [(40000, 40000 + count)]


def test_noise_of_a_coarse_quantiser_repeats_nothing():
    step = 2.0**-15
    quiet = np.round(2.0 * np.random.default_rng(1).standard_normal(TIMES.size)) * step
    assert find_dropouts(quiet, step=step, sample_rate=RATE) == []
    idle = step * np.tile(np.arange(64) % 5, 1000)  # a pattern of the last bits, as converters have
    assert find_dropouts(idle, step=step, sample_rate=RATE) == []


@pytest.mark.parametrize(("jump", "seen"), [(0.002, False), (0.02, True), (0.2, True)])
def test_a_jump_is_seen_from_a_fiftieth_of_the_peak_on(jump, seen):
    # Third difference of noise: sqrt(20) times its sigma (binomial 1, 3, 3, 1), here 4.5e-4.
    samples = tone()
    samples[50000:] += jump
    found = find_jumps(samples, step=0.0)
    assert bool(found) is seen
    if seen:
        assert abs(found[0].first - 50000) <= 2


def test_a_smooth_signal_and_coarse_steps_do_not_jump():
    assert find_jumps(tone(noise=0.0), step=0.0) == []
    step = 2.0**-15
    for level, frequency in ((0.003, 60.0), (0.0005, 4.0)):
        slow = tone(level=level, frequency=frequency, noise=0.0)
        assert find_jumps(np.round(slow / step) * step, step=step) == []
