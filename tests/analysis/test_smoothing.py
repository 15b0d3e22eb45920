"""Fractional-octave smoothing, band levels and interpolation."""

import math

import numpy as np
import pyfar
import pytest

from roomeq.analysis.smoothing import (
    band_levels_db,
    smooth_power,
    smooth_power_db,
)
from roomeq.base.bands import ThirdOctaveBand, logarithmic_axis, third_octave_bands

# Window edges of 50 Hz: f * 2 ** (-1 / (2 N)) and f * 2 ** (1 / (2 N)), check values section 5
EDGES_OF_50_HZ = {
    1: (35.355, 70.711),
    3: (44.5449, 56.1231),
    6: (47.1937, 52.9732),
    12: (48.5766, 51.4651),
    24: (49.2832, 50.7267),
}


def direct_mean(frequencies, power, *, at, fraction):
    """The definition, summed interval by interval with math.fsum."""
    x = np.log(frequencies)
    half = math.log(2.0) / (2 * fraction)
    low, high = max(math.log(at) - half, x[0]), min(math.log(at) + half, x[-1])
    inside = np.flatnonzero((x > low) & (x < high))
    places = [low, *x[inside], high]
    values = [np.interp(low, x, power), *power[inside], np.interp(high, x, power)]
    parts = [
        (places[i + 1] - places[i]) * (values[i] + values[i + 1]) / 2
        for i in range(len(places) - 1)
    ]
    return math.fsum(parts) / (high - low)


@pytest.mark.parametrize("fraction", [1, 3, 12, 48])
@pytest.mark.parametrize("slope_db_per_octave", [-96.0, 0.0, 96.0])
@pytest.mark.parametrize("spacing", ["linear", "logarithmic", "irregular"])
def test_agrees_with_the_direct_sum_also_on_steep_slopes(spacing, slope_db_per_octave, fraction):
    rng = np.random.default_rng(7)
    axis = {
        "linear": np.linspace(5.0, 640.0, 2541),
        "logarithmic": np.geomspace(5.0, 640.0, 700),
        "irregular": np.sort(rng.uniform(5.0, 640.0, 600)),
    }[spacing]
    power = rng.exponential(size=axis.size) * 10 ** (slope_db_per_octave * np.log2(axis / 50) / 10)
    at = np.concatenate(([axis[0], axis[-1]], rng.uniform(axis[0], axis[-1], 40)))
    truth_db = 10 * np.log10(
        [direct_mean(axis, power, at=frequency, fraction=fraction) for frequency in at]
    )
    smoothed_db = 10 * np.log10(smooth_power(axis, power, at=at, fraction=fraction))
    # Asked for are 1e-6 dB; nothing is subtracted, so rounding alone is left.
    np.testing.assert_allclose(smoothed_db, truth_db, rtol=0, atol=1e-10)
    from_levels_db = smooth_power_db(axis, 10 * np.log10(power), at=at, fraction=fraction)
    np.testing.assert_allclose(from_levels_db, truth_db, rtol=0, atol=1e-10)


def test_a_long_spectrum_on_a_steep_slope_agrees_with_the_direct_sum():
    # 120,000 bins: several blocks, and windows of every number of pieces. A running sum is
    # wrong here by more than the whole value (checked beside).
    axis = np.arange(1, 120_001) * 0.05
    power = (axis / 50.0) ** (-96.0 / (10 * math.log10(2.0)))
    at = logarithmic_axis(10.0, 5000.0, per_octave=48)[::37]
    truth = np.array([direct_mean(axis, power, at=frequency, fraction=3) for frequency in at])
    np.testing.assert_allclose(smooth_power(axis, power, at=at, fraction=3), truth, rtol=1e-12)
    running = np.cumsum(power)
    low, high = np.searchsorted(axis, [at[-1] * 2 ** (-1 / 6), at[-1] * 2 ** (1 / 6)])
    assert abs((running[high] - running[low]) / power[low:high].sum() - 1) > 0.5


@pytest.mark.parametrize(("fraction", "edges"), EDGES_OF_50_HZ.items())
def test_the_window_has_the_published_edges(fraction, edges):
    # A step at an edge: 0 up to the edge, 1 beyond. Only energy inside the window counts.
    axis = np.linspace(20.0, 110.0, 900_001)  # 0.0001 Hz
    for edge, outwards in zip(edges, (-1, 1), strict=True):
        for distance, counts in ((0.001, False), (-0.001, True)):
            beyond = (axis - edge) * outwards > distance
            mean = smooth_power(axis, beyond.astype(float), at=[50.0], fraction=fraction)[0]
            assert (mean > 0) == counts


@pytest.mark.parametrize(("exponent", "published_db"), [(2, 0.0383), (4, 0.1524), (-4, 0.1524)])
def test_a_slope_over_a_third_of_an_octave(exponent, published_db):
    # Check values section 5: power proportional to f ** 2 and f ** 4, mean over d ln f. The
    # published numbers belong to a third of the base-ten octave, as bands have; a smoothing window
    # of 2 ** (1 / 3) has sinh(x) / x with x = exponent * ln(2) / 6, a little more.
    axis = np.geomspace(20.0, 200.0, 20_001)
    band = ThirdOctaveBand(number=17)
    level_db = 10 * exponent * np.log10(axis / band.centre)
    assert band_levels_db(axis, level_db, bands=[band])[0] == pytest.approx(published_db, abs=6e-5)
    x = exponent * math.log(2.0) / 6
    smoothed_db = smooth_power_db(axis, level_db, at=[band.centre], fraction=3)[0]
    assert smoothed_db == pytest.approx(10 * math.log10(math.sinh(x) / x), abs=1e-5)


def test_linear_and_logarithmic_axes_agree():
    def level_db(f):
        return 6 * np.sin(9 * np.log(f)) + 8 * np.log2(f)

    linear, logarithmic = np.linspace(10, 400, 39_001), np.geomspace(10, 400, 8001)
    at = logarithmic_axis(15, 250, per_octave=24)
    for fraction in (1, 6, 48):
        np.testing.assert_allclose(
            smooth_power_db(linear, level_db(linear), at=at, fraction=fraction),
            smooth_power_db(logarithmic, level_db(logarithmic), at=at, fraction=fraction),
            atol=2e-4,  # both axes interpolate: the error falls with the square of the spacing
        )


@pytest.mark.parametrize("level_db", [-31.7, 0.1, 83.3])
def test_a_constant_stays_to_the_last_bit(level_db):
    axis = np.geomspace(9.7, 1234.5, 3001)
    at = logarithmic_axis(10, 1200, per_octave=48)
    for fraction in (1, 3, 48):
        smoothed_db = smooth_power_db(axis, np.full(axis.size, level_db), at=at, fraction=fraction)
        assert (smoothed_db == level_db).all()
        power = smooth_power(axis, np.full(axis.size, 10.0**level_db), at=at, fraction=fraction)
        assert (power == 10.0**level_db).all()


def test_a_comb_rises_by_three_decibels():
    # H = 1 + exp(-j omega tau) over many periods: power +3.01 dB (check values section 5)
    axis = np.linspace(1000.0, 5000.0, 400_001)
    power = np.abs(1 + np.exp(-2j * np.pi * axis)) ** 2
    smoothed_db = 10 * np.log10(smooth_power(axis, power, at=[2000.0, 4000.0], fraction=3))
    np.testing.assert_allclose(smoothed_db, 10 * math.log10(2.0), atol=5e-3)


def test_a_window_between_two_samples_gives_the_interpolated_value():
    axis = np.array([20.0, 25.0, 31.5, 40.0])
    power = np.array([1.0, 4.0, 2.0, 8.0])
    at = np.array([22.0, 28.0, 35.0])
    expected = np.interp(np.log(at), np.log(axis), power)
    np.testing.assert_allclose(smooth_power(axis, power, at=at, fraction=48), expected, rtol=1e-14)


def test_at_the_ends_the_part_inside_is_averaged():
    axis = np.linspace(20.0, 200.0, 5001)
    power = (axis / 20.0) ** 2
    octave = math.log(2.0) / 2
    # closed form: the mean of (f / 20) ** 2 over d ln f from 20 Hz half an octave upwards
    expected = (math.exp(2 * octave) - 1) / (2 * octave)
    assert smooth_power(axis, power, at=[20.0], fraction=1)[0] == pytest.approx(expected, rel=1e-5)


def test_close_to_pyfar_on_a_dense_spectrum():
    # pyfar 0.8, dsp.smooth_fractional_octave, mode "magnitude_zerophase", smooths the *magnitude*
    # with a window on a resampled logarithmic axis and fills up the ends. A complex spectrum of
    # squared magnitudes therefore gives its power mean; the window's edges are rounded to whole
    # samples there, hence the tolerance.
    rate, length = 48_000, 2**16
    axis = np.fft.rfftfreq(length, 1 / rate)
    power = 2.0 + np.cos(2 * np.pi * axis * 0.004) + 0.5 * np.sin(2 * np.pi * axis * 0.0011)
    signal = pyfar.Signal(power, rate, n_samples=length, domain="freq")
    theirs, _ = pyfar.dsp.smooth_fractional_octave(signal, 3)
    at = logarithmic_axis(100, 5000, per_octave=6)
    ours = smooth_power(axis[1:], power[1:], at=at, fraction=3)
    theirs = np.interp(at, axis, np.abs(theirs.freq[0]))
    np.testing.assert_allclose(10 * np.log10(ours / theirs), 0.0, atol=0.05)


def test_leading_axes_are_kept_and_rows_do_not_mix():
    rng = np.random.default_rng(3)
    axis = np.linspace(10, 300, 2000)
    levels_db = rng.normal(size=(2, 3, axis.size)) * 6 + np.array([0.0, 400.0]).reshape(2, 1, 1)
    at = [20.0, 80.0, 40.0, 40.0]
    together = smooth_power_db(axis, levels_db, at=at, fraction=3)
    assert together.shape == (2, 3, 4)
    for place in np.ndindex(2, 3):
        alone = smooth_power_db(axis, levels_db[place], at=at, fraction=3)
        np.testing.assert_allclose(together[place], alone, rtol=1e-13)


def test_what_is_misused_is_refused():
    axis, level_db = np.linspace(20.0, 200.0, 100), np.zeros(100)
    with pytest.raises(ValueError, match=r"span 20 to 200 Hz, but 19.*nothing is extrapolated"):
        smooth_power_db(axis, level_db, at=[19.0, 50.0], fraction=3)
    with pytest.raises(ValueError, match="but nan to nan"):
        smooth_power_db(axis, level_db, at=[np.nan, 50.0], fraction=3)
    for fraction in (0, 49, -3):
        with pytest.raises(ValueError, match="between 1 and 48"):
            smooth_power_db(axis, level_db, at=[50.0], fraction=fraction)
    for fraction in (1.5, True):
        with pytest.raises(TypeError, match="whole number"):
            smooth_power_db(axis, level_db, at=[50.0], fraction=fraction)
    with pytest.raises(TypeError, match="must be real"):
        smooth_power(axis, level_db + 1j, at=[50.0], fraction=3)
    with pytest.raises(ValueError, match="do not fit"):
        smooth_power(axis, np.ones(99), at=[50.0], fraction=3)
    with pytest.raises(ValueError, match="one-dimensional and not empty"):
        smooth_power(axis, np.ones(100), at=[], fraction=3)
    with pytest.raises(ValueError, match="at least two"):
        smooth_power([50.0], [1.0], at=[50.0], fraction=3)
    for bad in (np.nan, np.inf, -1.0):
        power = np.ones(100)
        power[15] = bad
        with pytest.raises(ValueError, match="finite and not negative"):
            smooth_power(axis, power, at=[50.0], fraction=1)
        if not np.isfinite(bad):
            with pytest.raises(ValueError, match="levels must be finite"):
                smooth_power_db(axis, power, at=[50.0], fraction=1)
    for wrong in (axis[::-1], np.concatenate(([0.0], axis[1:])), np.where(axis > 60, np.nan, axis)):
        with pytest.raises(ValueError, match=r"increasing|span"):
            smooth_power_db(wrong, level_db, at=[21.0, 80.0], fraction=1)


def test_rounded_ends_of_an_axis_are_not_extrapolation():
    axis = np.linspace(20.0, 200.0, 100)
    assert smooth_power_db(axis, np.zeros(100), at=[20.0 * (1 - 1e-12)], fraction=3)[0] == 0.0


def test_band_levels_are_power_means_within_the_exact_edges():
    band = ThirdOctaveBand(number=17)
    axis = np.linspace(20, 120, 200_001)
    level_db = 20 * np.log10(axis / band.centre)
    # closed forms for power = (f / fm) ** 2 and the edges fm * 10 ** (-0.05) and fm * 10 ** 0.05
    # (IEC 61260-1:2014, 50 Hz band: 44.6684 to 56.2341 Hz)
    width, up, down = 0.1 * math.log(10), 56.2341 / 50.1187, 44.6684 / 50.1187
    pink_db = 10 * math.log10((up**2 - down**2) / 2 / width)
    pink = band_levels_db(axis, level_db, bands=[band])
    np.testing.assert_allclose(pink, pink_db, atol=5e-5)


def test_a_flat_response_has_the_same_level_in_every_band():
    bands = third_octave_bands(20, 125)
    axis = np.geomspace(20.0, 150.0, 300)  # begins within the lowest band, as exports do
    levels = band_levels_db(axis, np.full((4, 300), 71.3), bands=bands)
    assert levels.shape == (4, 9)
    np.testing.assert_allclose(levels, 71.3, rtol=1e-14)


def test_bands_outside_the_data_are_refused():
    axis = np.geomspace(21.0, 150.0, 300)
    with pytest.raises(ValueError, match=r"the 20 Hz band .* 21 to 150 Hz"):
        band_levels_db(axis, np.zeros(300), bands=third_octave_bands(20, 125))
    with pytest.raises(ValueError, match="the 400 Hz band"):
        band_levels_db(axis, np.zeros(300), bands=third_octave_bands(400, 400))
    with pytest.raises(ValueError, match="finite"):
        band_levels_db(axis, np.full(300, np.nan), bands=third_octave_bands(40, 40))
