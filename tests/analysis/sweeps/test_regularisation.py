import numpy as np
from recorded_rooms import plain_sweep

from roomeq.analysis.sweeps.deconvolution import FADE_ABOVE, FADE_BELOW, regularised_inverse
from roomeq.analysis.sweeps.sweep import closed_form_inverse, sweep_signal


def test_within_the_band_the_inverse_is_exact_and_outside_it_fades():
    signal = sweep_signal(plain_sweep())
    length, rate = 2 * signal.size, 6000
    inverse = regularised_inverse(signal, fft_length=length, sample_rate=rate, usable=(10.0, 500.0))
    axis = np.fft.rfftfreq(length, 1 / rate)
    product = inverse * np.fft.rfft(signal, length)
    inside = (axis >= 10.0) & (axis <= 500.0)
    np.testing.assert_allclose(product[inside], 1.0, atol=1e-12)
    assert np.abs(product).max() < 1.0 + 1e-12
    assert not inverse[(axis < 6.2) | (axis > 631.0)].any()
    edge = np.abs(inverse[np.argmin(np.abs(axis - 10.0))])
    assert np.abs(inverse[axis < 10.0]).max() < 10.0 * edge


def test_within_the_band_it_is_the_closed_form_but_for_ripple():
    # Novak et al. 2015, eq. 51: the closed form is the inverse of the same sweep, within a ripple
    # that its start and stop make (0.1 dB standard deviation, check values, section 4).
    sweep = plain_sweep(fade_in=0.0, fade_out=0.0)
    signal = sweep_signal(sweep)
    length, rate = 2 * signal.size, 6000
    usable = (10.0, 500.0)
    inverse = regularised_inverse(signal, fft_length=length, sample_rate=rate, usable=usable)
    axis = np.fft.rfftfreq(length, 1 / rate)
    inside = (axis >= 15.0) & (axis <= 400.0)
    closed = closed_form_inverse(axis[inside], sweep=sweep, sample_rate=rate)
    ratio = inverse[inside] / closed
    assert np.std(20 * np.log10(np.abs(ratio))) < 0.12
    assert np.abs(np.mean(np.angle(ratio))) < 1e-3


def test_it_is_zero_beyond_its_fades():
    signal = sweep_signal(plain_sweep())
    length, rate = 2 * signal.size, 6000
    inverse = regularised_inverse(signal, fft_length=length, sample_rate=rate, usable=(20.0, 200.0))
    axis = np.fft.rfftfreq(length, 1 / rate)
    assert not inverse[axis < 20.0 / FADE_BELOW - 0.1].any()
    assert not inverse[axis > 200.0 * FADE_ABOVE + 0.1].any()
    assert not inverse.flags.writeable


def test_nulls_outside_the_band_are_not_divided_by():
    # White noise has spectral nulls everywhere (Rayleigh); outside the band none may gain more than
    # 20 dB over the level at the band's edge.
    signal = np.random.default_rng(7).standard_normal(40_000)
    inverse = regularised_inverse(
        signal, fft_length=80_000, sample_rate=2000.0, usable=(50.0, 200.0)
    )
    axis = np.fft.rfftfreq(80_000, 1 / 2000.0)
    outside = (axis < 50.0) | (axis > 200.0)
    typical = 1 / np.sqrt(signal.size)
    assert np.abs(inverse[outside]).max() < 12 * typical
