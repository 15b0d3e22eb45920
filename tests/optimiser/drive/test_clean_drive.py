"""Rise until a harmonic reaches its limit, against harmonics of a polynomial taken by FFT."""

import numpy as np
import pytest
import scipy.fft
from headroom_rooms import distortion_of

from roomeq.analysis.sweeps.distortion import estimate_distortion
from roomeq.analysis.sweeps.sweep import sweep_signal
from roomeq.base.bands import logarithmic_axis, third_octave_bands
from roomeq.base.recording import Recording, SweepDescription
from roomeq.optimiser.drive.demand import (
    HARMONIC_LIMITS_DB,
    band_ratios_db,
    estimate_clean_rise,
)

AXIS = logarithmic_axis(18.0, 90.0, per_octave=24)
BANDS = third_octave_bands(20, 63)


def evidence(ratios_db=(-40.0, -40.0, -50.0, -50.0), level_db=90.0, above=True):
    ratios = np.array(ratios_db, dtype=float)[:, np.newaxis]
    return distortion_of(AXIS, ratios, level_db=level_db, above=above)


def _harmonics_db(amplitude, order, coefficient):
    """Return orders 2 to 5 over the fundamental of x + c x**order, by FFT of one period."""
    x = amplitude * np.cos(2 * np.pi * np.arange(64) / 64)
    lines = np.abs(scipy.fft.rfft(x + coefficient * x**order))
    return 20 * np.log10(np.maximum(lines[2:6], 1e-9) / lines[1])


@pytest.mark.parametrize("amplitude", [0.65, 0.9])
@pytest.mark.parametrize(("order", "coefficient"), [(2, -0.5), (3, -0.5), (5, -1.0)])
def test_the_assured_rise_brings_a_compressing_device_to_its_limit(order, coefficient, amplitude):
    # only the term's highest harmonic: a fifth-order term makes a third harmonic, too
    ratios = np.full(4, -250.0)
    ratios[order - 2] = _harmonics_db(amplitude, order, coefficient)[order - 2]
    found = estimate_clean_rise(evidence(ratios), bands=BANDS)
    rise_db = found.assured_db[0]
    assert 0 < rise_db < 6.0
    assert found.estimate_db[0] >= rise_db - 1e-9
    at_limit = _harmonics_db(amplitude * 10 ** (rise_db / 20), order, coefficient)
    assert at_limit[order - 2] == pytest.approx(HARMONIC_LIMITS_DB[order - 2], abs=1e-6)


def test_n_th_order_grows_by_n_minus_1_db_for_a_db():
    # power series: the limits of CTA-2010 as in CEA-2010-A are -10, -15, -20, -20 dB
    for row, (limit, order) in enumerate(zip((-10, -15, -20, -20), (2, 3, 4, 5), strict=True)):
        ratios = np.full(4, -250.0)
        ratios[row] = -30.0
        found = estimate_clean_rise(evidence(ratios), bands=BANDS)
        np.testing.assert_allclose(found.estimate_db, (limit + 30.0) / (order - 1), atol=1e-9)


def test_never_assured_more_than_6_db_above_the_measurement():
    found = estimate_clean_rise(evidence((-60.0, -60.0, -70.0, -70.0)), bands=BANDS)
    assert (found.assured_db == 6.0).all()  # common practice, no source
    assert (found.estimate_db > 12.0).all()


def test_what_exceeded_the_limit_asks_for_less():
    found = estimate_clean_rise(evidence((-7.0, -40.0, -50.0, -50.0)), bands=BANDS)
    np.testing.assert_allclose(found.estimate_db, -3.0, atol=1e-9)
    np.testing.assert_allclose(found.assured_db, -3.0, atol=1e-9)


def test_noise_limits_what_is_assured_and_is_no_distortion():
    above = np.array([True, False, True, True])[:, np.newaxis]
    found = estimate_clean_rise(evidence((-30.0, -10.0, -50.0, -60.0), above=above), bands=BANDS)
    # third order in the noise at -10 dB, taken to compress: -10 dB is -15.79 dB of the fundamental
    # as it would be without (0.3162 / 1.9487), the limit -18.71 dB (0.1778 / 1.5335)
    np.testing.assert_allclose(found.assured_db, (-18.71 + 15.80) / 2, atol=0.01)
    np.testing.assert_allclose(found.estimate_db, 10.0, atol=1e-9)  # fourth: (-20 + 50) / 3
    nothing = estimate_clean_rise(evidence(above=False), bands=BANDS)
    assert np.isnan(nothing.estimate_db).all()
    assert np.isfinite(nothing.assured_db).all()


def test_unknown_orders_and_uncovered_bands():
    ratios = (-30.0, np.nan, np.nan, np.nan)
    found = estimate_clean_rise(evidence(ratios), bands=third_octave_bands(10, 125))
    known = np.isfinite(found.estimate_db)
    # the axis reaches from 18 to 90 Hz: 20 to 80 Hz have points
    assert known.tolist() == [False] * 3 + [True] * 7 + [False] * 2
    np.testing.assert_allclose(found.estimate_db[known], 20.0, atol=1e-9)
    assert np.isnan(found.assured_db).tolist() == (~known).tolist()
    unknown = estimate_clean_rise(evidence((np.nan,) * 4), bands=BANDS)
    assert np.isnan(unknown.estimate_db).all()
    assert np.isnan(unknown.assured_db).all()


def test_a_dip_of_the_fundamental_hardly_counts():
    # one point in a band 40 dB down, its ratio 40 dB up: the harmonic itself is unchanged
    level = np.full(AXIS.size, 90.0)
    ratios = np.full((4, AXIS.size), -40.0)
    dip = int(np.argmin(np.abs(AXIS - 40.0)))
    level[dip] -= 40.0
    ratios[:, dip] += 40.0
    found, _ = band_ratios_db(distortion_of(AXIS, ratios, level_db=level), BANDS)
    low, high = BANDS[3].lower, BANDS[3].upper
    inside = np.searchsorted(AXIS, high) - np.searchsorted(AXIS, low)
    expected = -40.0 + 10 * np.log10(inside / (inside - 1 + 1e-4))  # sum of powers, by hand
    np.testing.assert_allclose(found[:, 3], expected, atol=1e-9)


def test_from_a_sweep_through_a_polynomial():
    # Novak et al. 2015: amplitude A gives H1 = 1 + 3 a3 A^2 / 4, H2 = a2 A / 2, H3 = a3 A^2 / 4
    sweep = SweepDescription(level_dbfs=-6.0)
    played = sweep_signal(sweep, sample_rate=44100)
    second, third, amplitude = 0.2, 0.02, sweep.amplitude
    heard = np.concatenate([played + second * played**2 + third * played**3, np.zeros(4 * 44100)])
    recording = Recording(samples=heard, sample_rate=44100)
    found = estimate_distortion(recording, sweep=sweep, start=0.0)
    bands = third_octave_bands(40, 200)
    ratios, above = band_ratios_db(found, bands)
    fundamental = 1 + 0.75 * third * amplitude**2
    expected = 20 * np.log10(
        np.array([second * amplitude / 2, third * amplitude**2 / 4]) / fundamental
    )
    np.testing.assert_allclose(ratios[:2], np.tile(expected[:, np.newaxis], 8), atol=0.01)
    assert above[:2].all()
    rise = estimate_clean_rise(found, bands=bands)
    limits = np.array(HARMONIC_LIMITS_DB[:2])
    best = ((limits - expected) / np.array([1.0, 2.0])).min()
    np.testing.assert_allclose(rise.estimate_db, best, atol=0.02)
