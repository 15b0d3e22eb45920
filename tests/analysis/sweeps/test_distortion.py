import numpy as np
import pytest

from roomeq.analysis.sweeps.distortion import (
    Distortion,
    distortion_by_band,
    estimate_distortion,
    harmonic_window,
)
from roomeq.analysis.sweeps.excitation import excitation_of
from roomeq.analysis.sweeps.sweep import sweep_signal
from roomeq.base.bands import third_octave_bands
from roomeq.base.recording import Recording, SweepDescription

SECOND, THIRD = 0.1, 0.05


def bent(sweep, rate, *, second=SECOND, third=THIRD, noise=0.0, tail=4.0):
    """y = x + a2 x^2 + a3 x^3 after one second of silence."""
    played = sweep_signal(sweep, sample_rate=rate)
    heard = played + second * played**2 + third * played**3
    samples = np.concatenate((np.zeros(rate), heard, np.zeros(round(tail * rate))))
    samples += noise * np.random.default_rng(0).standard_normal(samples.size)
    return Recording(samples=samples, sample_rate=rate)


def inner(distortion, lowest, highest):
    axis = distortion.frequencies
    return (axis >= lowest) & (axis <= highest)


def test_a_polynomial_to_a_millionth():
    # Novak et al. 2015 (check values, section 4): for a unit sweep |H1| = 1 + 3 a3 / 4,
    # |H2| = a2 / 2 at -90 degrees, |H3| = a3 / 4 at 180 degrees, nothing above.
    sweep = SweepDescription(start=20.0, stop=2000.0, length=8.0, level_dbfs=0.0)
    found = estimate_distortion(bent(sweep, 48000), sweep=sweep, start=1.0)
    middle = inner(found, 60.0, 1200.0)
    expected = np.array([1 + 0.75 * THIRD, SECOND / 2, THIRD / 4, 0.0, 0.0])
    magnitude = np.abs(found.harmonics[:, middle])
    np.testing.assert_allclose(magnitude - expected[:, np.newaxis], 0.0, atol=1e-6)
    np.testing.assert_allclose(np.angle(found.harmonics[1, middle], deg=True), -90.0, atol=1e-3)
    np.testing.assert_allclose(np.angle(-found.harmonics[2, middle], deg=True), 0.0, atol=1e-3)
    total = np.hypot(SECOND / 2, THIRD / 4) / (1 + 0.75 * THIRD)
    np.testing.assert_allclose(found.total[middle], total, atol=1e-6)
    np.testing.assert_allclose(
        found.ratios_db[0, middle], 20 * np.log10(SECOND / 2 / 1.0375), atol=1e-3
    )


@pytest.mark.parametrize(("rate", "level_dbfs"), [(44100, 0.0), (48000, -12.0)])
def test_the_default_band_beyond_its_last_frequency(rate, level_dbfs):
    # A sweep to 500 Hz: the fifth harmonic of 400 Hz lies at 2 kHz, where no sweep went.
    # Amplitude A instead of 1: H1 = 1 + 3 a3 A^2 / 4, H2 = a2 A / 2, H3 = a3 A^2 / 4.
    sweep = SweepDescription(level_dbfs=level_dbfs)
    found = estimate_distortion(bent(sweep, rate), sweep=sweep, start=1.0)
    middle = inner(found, 40.0, 250.0)
    size = sweep.amplitude
    expected = np.array([1 + 0.75 * THIRD * size**2, SECOND * size / 2, THIRD * size**2 / 4, 0, 0])
    magnitude = np.abs(found.harmonics[:, middle])
    np.testing.assert_allclose(magnitude - expected[:, np.newaxis], 0.0, atol=1e-6)
    whole = inner(found, 12.0, 445.0)
    np.testing.assert_allclose(
        np.abs(found.harmonics[:3, whole]), np.tile(expected[:3], (whole.sum(), 1)).T, atol=2e-3
    )
    assert found.frequencies[-1] * 5 > 2000.0


def test_noise_is_told_from_distortion():
    sweep = SweepDescription(level_dbfs=-20.0, sample_rate=8000)
    noisy = estimate_distortion(
        bent(sweep, 8000, second=0.3, third=0.0, noise=1e-3), sweep=sweep, start=1.0
    )
    middle = inner(noisy, 30.0, 300.0)
    assert noisy.above_noise[0, middle].mean() > 0.95
    # Rayleigh statistics: twice the rms is passed in exp(-4) = 1.8 % of all cases.
    assert noisy.above_noise[2:, middle].mean() < 0.08
    # The noise stated agrees with what the empty orders show: three standard errors,
    # 0.42 dB over 20 seeds.
    shown = np.sqrt(np.mean(np.abs(noisy.harmonics[3:, middle]) ** 2))
    stated = np.sqrt(np.mean(noisy.noise[3:, middle] ** 2))
    assert 20 * np.log10(shown / stated) == pytest.approx(0.0, abs=1.25)


def test_without_a_tail_the_noise_is_not_known():
    sweep = SweepDescription(level_dbfs=0.0, sample_rate=8000)
    found = estimate_distortion(bent(sweep, 8000, tail=0.5), sweep=sweep, start=1.0)
    assert np.isnan(found.noise).all()
    assert not found.above_noise.any()


def test_orders_that_the_rate_cannot_carry_are_nan():
    sweep = SweepDescription(level_dbfs=0.0, sample_rate=3000)
    found = estimate_distortion(bent(sweep, 3000), sweep=sweep, start=1.0)
    top = 0.42 * 3000
    for order in (2, 3, 4, 5):
        carried = order * found.frequencies <= top
        np.testing.assert_array_equal(np.isfinite(found.ratios[order - 2]), carried)
    assert np.isfinite(found.total).all()


def test_window_lengths_follow_the_gaps():
    # The window of order n ends before order n - 1 begins: L ln(n / (n - 1)) later.
    sweep = SweepDescription(level_dbfs=0.0, sample_rate=8000)
    played = excitation_of(sweep, sample_rate=8000)
    for order in (2, 3, 4, 5):
        gap = sweep.growth * np.log(order / (order - 1))
        ahead = sweep.growth * np.log((order + 1) / order)
        _, window = harmonic_window(order, played, 8000.0)
        assert window.size / 8000.0 < gap + 0.3 * ahead


def test_misuse():
    sweep = SweepDescription(sample_rate=8000)
    recording = bent(sweep, 8000, tail=0.0)
    for start in (-1.0, 5.0, float("nan")):
        with pytest.raises(ValueError, match="does not lie within"):
            estimate_distortion(recording, sweep=sweep, start=start)


def test_by_third_octave_it_is_the_ratio_of_energies():
    # Two bands by hand: a fundamental of 1 and 2 in half of a band each has a mean square of 2.5.
    axis = 1000.0 * 2.0 ** (np.arange(-131, -112) / 24)
    low, high = third_octave_bands(25.0, 31.5)
    harmonics = np.zeros((5, axis.size), dtype=complex)
    harmonics[0] = 1.0
    inside = np.flatnonzero((axis >= high.lower) & (axis < high.upper))
    harmonics[0, inside[::2]] = 2.0
    harmonics[1] = 0.1j
    harmonics[2] = -0.02
    noise = np.full((5, axis.size), 0.015)
    noise[4] = np.nan
    found = Distortion(frequencies=axis, harmonics=harmonics, noise=noise)
    ratios_db, total = distortion_by_band(found, bands=[low, high])
    share = np.where(np.abs(harmonics[0, inside]) > 1.5, 4.0, 1.0).mean()
    np.testing.assert_allclose(ratios_db[0], [-20.0, -20.0 - 10.0 * np.log10(share)], atol=1e-9)
    assert np.isnan(ratios_db[1:]).all()  # 0.02 is less than twice the noise, or nothing is known
    np.testing.assert_allclose(total, [0.1, 0.1 / np.sqrt(share)])


def test_a_band_in_noise_has_no_total_and_one_outside_is_refused():
    axis = 1000.0 * 2.0 ** (np.arange(-131, -112) / 24)
    harmonics = np.ones((5, axis.size), dtype=complex)
    noise = np.ones((5, axis.size))
    found = Distortion(frequencies=axis, harmonics=harmonics, noise=noise)
    ratios_db, total = distortion_by_band(found, bands=third_octave_bands(25.0, 31.5))
    assert np.isnan(ratios_db).all()
    assert np.isnan(total).all()
    with pytest.raises(ValueError, match="80 Hz"):
        distortion_by_band(found, bands=third_octave_bands(80.0, 80.0))
