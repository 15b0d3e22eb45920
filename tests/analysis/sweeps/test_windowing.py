import math

import numpy as np
import pytest

from roomeq.analysis.sweeps.windowing import (
    FLAT_PER_DECAY,
    ImpulseWindow,
    apply_window,
    choose_steady_window,
    choose_window,
    window_values,
)
from roomeq.base.recording import ImpulseResponse

RATE = 2000.0


def ringing(decay_time, *, frequencies=(20.0, 40.0, 80.0, 160.0), end=6.0, noise=0.0):
    times = np.arange(-0.5, end, 1 / RATE)
    after = np.maximum(times, 0.0)
    samples = np.zeros(times.size)
    for frequency in frequencies:
        samples += np.sin(2 * np.pi * frequency * after)
    samples *= np.exp(-3 * math.log(10) * after / decay_time)
    samples += noise * np.random.default_rng(3).standard_normal(times.size)
    return ImpulseResponse(
        samples=samples, sample_rate=RATE, start=-0.5, lowest=12.0, highest=300.0
    )


@pytest.mark.parametrize("decay_time", [0.8, 1.0, 1.5])
@pytest.mark.parametrize("noise", [0.0, 1e-3, 1e-2])
def test_the_window_is_flat_for_the_decay(decay_time, noise):
    window = choose_window(ringing(decay_time, noise=noise))
    assert window.flat >= 0.95 * FLAT_PER_DECAY * decay_time
    assert window.flat <= 2.2 * decay_time
    assert window.decay_time == pytest.approx(decay_time, rel=0.1)
    assert window.covers_decay
    assert window.lowest_resolvable == pytest.approx(1 / window.length)


def test_a_recording_that_ends_too_soon_says_so():
    window = choose_window(ringing(1.5, end=1.0))
    assert window.basis == "available"
    assert window.length == pytest.approx(1.0, abs=0.01)
    assert not window.covers_decay


def test_an_unmeasurable_decay_is_assumed_and_said():
    window = choose_window(ringing(1.0, noise=10.0))
    assert window.basis == "assumed"
    assert math.isnan(window.decay_time)
    assert not window.covers_decay


def test_less_than_an_octave_is_no_reason_to_fail():
    narrow = ImpulseResponse(
        samples=ringing(1.0).samples, sample_rate=RATE, start=-0.5, lowest=40.0, highest=60.0
    )
    assert choose_window(narrow).basis == "assumed"


@pytest.mark.parametrize(("decay_time", "cost_db"), [(1.0, 2.0), (2.0, 4.7)])
def test_a_taper_on_half_a_second_costs_level_at_a_peak(decay_time, cost_db):
    # Arithmetic: the peak of a mode with decay rate d is the integral of exp(-d t) times the
    # window, against 1 / d. For a taper over the last fifth of 0.5 s:
    rate = 3 * math.log(10) / decay_time
    times = (np.arange(400_000) + 0.5) / 400_000 * 0.5
    window = window_values(times, window=ImpulseWindow(before=0.0, length=0.5))
    expected = 20 * math.log10(rate * np.mean(np.exp(-rate * times) * window) * 0.5)
    response = ringing(decay_time, frequencies=(50.0,), end=8.0)

    def peak_db(length):
        cut = apply_window(response, window=ImpulseWindow(before=0.2, length=length))
        return 20 * math.log10(abs(np.exp(-2j * np.pi * 50.0 * cut.times) @ cut.samples))

    found = peak_db(0.5) - peak_db(7.0)
    assert found == pytest.approx(expected, abs=0.1)
    assert -found < cost_db  # the issue speaks of 2 to 5 dB; measured here against arithmetic
    chosen = choose_window(response)
    assert peak_db(chosen.length) - peak_db(7.0) == pytest.approx(0.0, abs=0.01)


def test_shape_of_the_window():
    window = ImpulseWindow(before=0.4, length=1.0)
    times = np.array([-0.5, -0.4, -0.3, -0.2, 0.0, 0.8, 0.9, 1.0, 1.1])
    values = window_values(times, window=window)
    np.testing.assert_allclose(values, [0, 0, 0.5, 1, 1, 1, 0.5, 0, 0], atol=1e-12)


def test_energy_of_the_window():
    # Against the sum over a fine grid.
    window = ImpulseWindow(before=0.4, length=1.3)
    times = np.arange(-0.5, 1.4, 1e-5)
    summed = 1e-5 * np.sum(window_values(times, window=window) ** 2)
    assert window.energy == pytest.approx(summed, rel=1e-5)


def test_a_windowed_response_is_cut_and_keeps_its_time():
    response = ringing(1.0)
    cut = apply_window(response, window=ImpulseWindow(before=0.25, length=0.8))
    assert cut.start == pytest.approx(-0.25)
    assert cut.end == pytest.approx(0.8, abs=2 / RATE)
    inner = slice(round(0.25 * RATE), round(0.8 * RATE))
    offset = round(0.25 * RATE)
    np.testing.assert_array_equal(
        cut.samples[inner], response.samples[inner.start + offset : inner.stop + offset]
    )


def test_misuse():
    with pytest.raises(ValueError, match="finite times"):
        ImpulseWindow(before=0.1, length=math.nan)
    with pytest.raises(ValueError, match="finite times"):
        ImpulseWindow(before=-0.1, length=1.0)
    with pytest.raises(ValueError, match="the window ends at 9"):
        apply_window(ringing(1.0), window=ImpulseWindow(before=0.1, length=9.0))
    early = ImpulseResponse(
        samples=np.ones(10), sample_rate=RATE, start=-1.0, lowest=10.0, highest=100.0
    )
    with pytest.raises(ValueError, match="beyond time zero"):
        choose_window(early)


def struck(decay_time=0.5, *, centre=170.0, level=0.05):
    """A response in which a slam holds up one octave: what it adds takes 8 s to decay."""
    plain = ringing(decay_time, noise=1e-5)
    times = plain.times
    slam = np.random.default_rng(8).standard_normal(times.size)
    slam *= np.exp(-3 * math.log(10) * np.maximum(times, 0.0) / 8.0)
    spectrum = np.fft.rfft(slam)
    axis = np.fft.rfftfreq(times.size, 1 / RATE)
    spectrum[(axis < centre / 1.3) | (axis > centre * 1.3)] = 0.0
    slam = np.fft.irfft(spectrum, times.size)
    samples = plain.samples + level * slam / np.abs(slam).max() * (times > 0)
    return ImpulseResponse(
        samples=samples, sample_rate=RATE, start=-0.5, lowest=12.0, highest=300.0
    )


def test_a_slam_that_feigns_decay_does_not_lengthen_the_window():
    one = struck(level=0.5)
    assert choose_window(one).flat > 4.0  # nearly all of the response
    window = choose_steady_window(one, plain=choose_window(one), disturbed=True)
    assert window.basis == "early decay"
    # between what the true decay time of 0.5 s asks for and what twice that asks for; the octave's
    # own envelope adds a quarter
    assert 0.95 * FLAT_PER_DECAY * 0.5 <= window.flat <= 2.5 * FLAT_PER_DECAY * 0.5


@pytest.mark.parametrize("disturbed", [False, True])
@pytest.mark.parametrize("decay_time", [0.4, 1.0])
def test_without_a_slam_the_window_stays_what_the_decay_asks_for(decay_time, disturbed):
    one = ringing(decay_time, noise=1e-4)
    window = choose_steady_window(one, plain=choose_window(one), disturbed=disturbed)
    assert window.flat >= 0.95 * FLAT_PER_DECAY * decay_time
