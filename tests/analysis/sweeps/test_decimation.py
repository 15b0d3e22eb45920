import numpy as np
import pytest
import scipy.signal

from roomeq.analysis.sweeps.deconvolution import choose_decimation, decimate


def tone(frequency, frames, rate):
    return np.cos(2 * np.pi * frequency * np.arange(frames) / rate)


@pytest.mark.parametrize("factor", [2, 12, 25])
@pytest.mark.parametrize("part", [0.0, 0.3, 1.0])
def test_the_passband_is_kept(factor, part):
    rate, frames = 48000, 96001
    passband = 0.3 * rate / factor
    low = decimate(tone(part * passband, frames, rate), factor=factor)
    assert low.size == -(-frames // factor)
    inner = slice(low.size // 4, 3 * low.size // 4)
    exact = tone(part * passband, frames, rate)[::factor]
    np.testing.assert_allclose(low[inner], exact[inner], atol=1e-6)


@pytest.mark.parametrize("factor", [12, 25])
def test_what_would_fold_into_the_passband_is_rejected(factor):
    # Kaiser's design formulas: 120 dB.
    rate, frames = 48000, 96000
    passband = 0.3 * rate / factor
    for frequency in (rate / factor - passband, rate / factor, 0.45 * rate):
        low = decimate(tone(frequency, frames, rate), factor=factor)
        assert np.abs(low[low.size // 4 : 3 * low.size // 4]).max() < 1e-6


def test_blocks_agree_with_scipy():
    # scipy.signal.upfirdn with a filter of the same kind: the same passband signal.
    rng = np.random.default_rng(5)
    rate, factor = 48000, 40
    noise = rng.standard_normal(200_003)
    sos = scipy.signal.butter(8, 200, fs=rate, output="sos")
    noise = scipy.signal.sosfiltfilt(sos, noise)
    low = decimate(noise, factor=factor)
    taps = scipy.signal.firwin(4001, 600, window=("kaiser", 14), fs=rate)
    other = scipy.signal.upfirdn(taps, noise, 1, factor)[2000 // factor :][: low.size]
    np.testing.assert_allclose(low[100:-100], other[100:-100], atol=1e-5 * np.abs(noise).max())


def test_a_short_signal_and_a_factor_of_one():
    np.testing.assert_array_equal(decimate([1.0, 2.0], factor=1), [1.0, 2.0])
    low = decimate([1.0, 0.0, 0.0], factor=2)
    assert low.shape == (2,)


def test_the_factor_leaves_room():
    assert choose_decimation(48000, highest=300.0) == 40
    assert choose_decimation(44100, highest=300.0) == 36
    assert choose_decimation(1000, highest=300.0) == 1
    for rate in (44100, 48000, 88200, 96000, 192000):
        assert rate / choose_decimation(rate, highest=400.0) >= 1600.0
