"""Minimum phase, excess phase and group delay."""

import math

import numpy as np
import pyfar
import pytest
from scipy import signal
from scipy.integrate import cumulative_trapezoid

from roomeq.analysis.phase import (
    estimate_excess_group_delay,
    estimate_group_delay,
    estimate_minimum_phase_deg,
    estimate_phase_parts,
)
from roomeq.base.errors import MissingPhaseError
from roomeq.base.response import FrequencyResponse

RATE = 48_000
AXIS = np.geomspace(10.0, 300.0, 1200)


def peaking(frequencies, *, centre, gain_db, quality):
    """W3C Audio EQ Cookbook, analogue peakingEQ: H = (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)."""
    a = 10 ** (gain_db / 40)
    s = 1j * np.asarray(frequencies) / centre
    return (s**2 + s * a / quality + 1) / (s**2 + s / (a * quality) + 1)


def two_paths(frequencies, *, strength, delay):
    return 1 + strength * np.exp(-2j * np.pi * frequencies * delay)


def two_paths_excess_delay(frequencies, *, strength, delay):
    """Closed form: none while the later path is weaker, else that of the all-pass left over.

    1 + g z = g z (1 + z' / g), with z' conjugate to z on the axis; the minimum-phase twin is
    g (1 + z / g). The quotient's phase is -omega tau + 2 arg(1 + exp(j omega tau) / g).
    """
    if strength < 1:
        return np.zeros(frequencies.size)
    turned = np.exp(2j * np.pi * frequencies * delay) / strength
    return delay - 2 * delay * (turned / (1 + turned)).real


def windowed(delays, *, axis, at, fraction=12):
    """Mean over df of a delay within a window, by scipy's integral."""
    half = 2 ** (0.5 / fraction)
    low, high = np.maximum(at / half, axis[0]), np.minimum(at * half, axis[-1])
    area = cumulative_trapezoid(delays, axis, initial=0)
    return (np.interp(high, axis, area) - np.interp(low, axis, area)) / (high - low)


@pytest.mark.parametrize("order", [-4, -1, 1, 2, 8])
def test_a_steady_slope_has_ninety_degrees_per_six_decibels(order):
    # Bode: s ** n has n * 90 degrees. Exact, whatever the spacing.
    for axis in (AXIS, np.linspace(15, 200, 371), np.array([20.0, 80.0])):
        phase_deg = estimate_minimum_phase_deg(axis, 20 * order * np.log10(axis))
        np.testing.assert_allclose(phase_deg, 90 * order, atol=1e-8)


@pytest.mark.parametrize("gain_db", [-12.0, -6.0, 6.0])
@pytest.mark.parametrize("centre", [25.0, 50.0, 100.0])
def test_peaking_filters_are_minimum_phase(centre, gain_db):
    # the skirts beyond the data are the only approximation: the shorter they are cut, the worse
    for axis, error_deg in ((np.geomspace(4.0, 800.0, 2000), 0.4), (AXIS, 3.5)):
        transfer = peaking(axis, centre=centre, gain_db=gain_db, quality=4.318)
        phase_deg = estimate_minimum_phase_deg(axis, 20 * np.log10(np.abs(transfer)))
        np.testing.assert_allclose(phase_deg, np.angle(transfer, deg=True), atol=error_deg)


def test_a_peaking_filter_has_the_published_phase():
    # Check values section 2: 50 Hz, Q 4.318, +6 dB, 48 kHz: +15.997 degrees at 40, -15.678 at 63
    b = [1.000533700380, -1.998884704458, 0.998393817778]
    a = [1.0, -1.998884704458, 0.998927518159]
    axis = np.geomspace(2.0, 1000.0, 4000)
    _, transfer = signal.freqz(b, a, worN=axis, fs=RATE)
    phase_deg = estimate_minimum_phase_deg(axis, 20 * np.log10(np.abs(transfer)))
    found = np.interp([40.0, 50.0, 63.0], axis, phase_deg)
    np.testing.assert_allclose(found, [15.997, 0.0, -15.678], atol=0.03)


def test_high_pass_and_low_pass_of_a_subwoofer():
    sos = np.concatenate(
        (
            signal.butter(4, 20, "highpass", fs=RATE, output="sos"),
            signal.butter(4, 100, fs=RATE, output="sos"),
        )
    )
    axis = np.geomspace(5.0, 400.0, 2000)
    _, transfer = signal.sosfreqz(sos, worN=axis, fs=RATE)
    level_db = 20 * np.log10(np.abs(transfer))
    phase_deg = np.rad2deg(np.unwrap(np.angle(transfer)))
    phase_deg += 360 * round((estimate_minimum_phase_deg(axis, level_db) - phase_deg)[1000] / 360)
    np.testing.assert_allclose(estimate_minimum_phase_deg(axis, level_db), phase_deg, atol=1.0)


def test_agrees_with_the_cepstrum():
    # pyfar.dsp.minimum_phase (homomorphic, a full spectrum, no assumption at the ends) defines the
    # same phase for a filter that was delayed by half its length.
    b, a = signal.iirpeak(60, 3, fs=RATE)
    length = 2**16
    impulse = np.zeros(length)
    impulse[0] = 1
    response = impulse + 0.8 * signal.lfilter(b, a, impulse)
    twin = pyfar.dsp.minimum_phase(pyfar.Signal(np.roll(response, 4000), RATE), truncate=False)
    spectrum = np.fft.rfft(twin.time[0], length)
    axis = np.fft.rfftfreq(length, 1 / RATE)
    used = (axis > 4) & (axis < 2000)
    level_db = 20 * np.log10(np.abs(np.fft.rfft(response)))[used]
    phase_deg = estimate_minimum_phase_deg(axis[used], level_db)
    bass = (axis[used] > 10) & (axis[used] < 300)
    np.testing.assert_allclose(phase_deg[bass], np.angle(spectrum, deg=True)[used][bass], atol=0.15)


def test_an_all_pass_with_delay_is_all_excess():
    # Cookbook APF at 50 Hz, Q 1.5, as a digital filter; scipy tells its group delay
    turn = 2 * math.pi * 50 / RATE
    alpha = math.sin(turn) / 3
    b = [1 - alpha, -2 * math.cos(turn), 1 + alpha]
    _, samples = signal.group_delay((b, b[::-1]), w=AXIS, fs=RATE)
    _, transfer = signal.freqz(b, b[::-1], worN=AXIS, fs=RATE)
    delay = 0.0123
    response = FrequencyResponse.from_pressure(
        AXIS, -2.5 * transfer * np.exp(-2j * np.pi * AXIS * delay)
    )
    expected = samples / RATE + delay
    np.testing.assert_allclose(estimate_group_delay(response), expected, atol=2e-6)
    at = np.geomspace(10, 300, 90)
    found = estimate_excess_group_delay(response, at=at)
    np.testing.assert_allclose(found, windowed(expected, axis=AXIS, at=at), atol=2e-6)


def test_group_delay_agrees_with_pyfar():
    b, a = signal.butter(4, 40, fs=RATE)
    impulse = np.zeros(2**16)
    impulse[100] = 1
    filtered = signal.lfilter(b, a, impulse)
    axis = np.fft.rfftfreq(impulse.size, 1 / RATE)
    used = (axis > 10) & (axis < 200)
    response = FrequencyResponse.from_pressure(axis[used], np.fft.rfft(filtered)[used])
    # pyfar divides by the spectrum, which is zero at half the sampling rate
    with np.errstate(divide="ignore", invalid="ignore"):
        theirs = pyfar.dsp.group_delay(pyfar.Signal(filtered, RATE)).squeeze()[used] / RATE
    np.testing.assert_allclose(estimate_group_delay(response), theirs, atol=2e-5)


@pytest.mark.parametrize("strength", [0.5, 0.7, 1.5, 2.0])
@pytest.mark.parametrize("spacing", ["linear", "logarithmic"])
def test_a_reflection_is_excess_only_if_it_is_stronger_than_the_direct_sound(spacing, strength):
    axis = np.arange(10.0, 400.5, 0.5) if spacing == "linear" else np.geomspace(10, 400, 900)
    bulk = 0.004
    pressure = two_paths(axis, strength=strength, delay=0.01) * np.exp(-2j * np.pi * axis * bulk)
    at = np.geomspace(20, 200, 80)
    found = estimate_excess_group_delay(FrequencyResponse.from_pressure(axis, pressure), at=at)
    dense = bulk + two_paths_excess_delay(axis, strength=strength, delay=0.01)
    # 1.1 ms: the comb goes on beyond the data, which ends it with a steady slope
    np.testing.assert_allclose(found, windowed(dense, axis=axis, at=at), atol=1.1e-3)


def test_at_given_frequencies_a_narrow_rise_is_averaged_and_not_missed():
    # A strong reflection close to balance: at 50 Hz the closed form rises to 101 tau within about
    # half a hertz. On a coarse axis it lies between the points; its mean over the window does not.
    axis = np.arange(10.0, 800.0, 0.05)
    pressure = two_paths(axis, strength=1.02, delay=0.01)
    at = np.array([30.0, 49.0, 51.0, 80.0])
    response = FrequencyResponse.from_pressure(axis, pressure)
    found = estimate_excess_group_delay(response, at=at)
    dense = two_paths_excess_delay(axis, strength=1.02, delay=0.01)
    half = 2 ** (1 / 24)
    expected = [dense[(axis >= f / half) & (axis <= f * half)].mean() for f in at]
    np.testing.assert_allclose(found, expected, atol=3e-3)
    assert found[1] > 0.15
    assert dense[np.searchsorted(axis, at[1])] < found[1] / 2


def test_several_responses_at_once():
    transfers = np.array(
        [peaking(AXIS, centre=centre, gain_db=-9, quality=3) for centre in (30, 60)]
    )
    at = AXIS[::20]
    together = estimate_excess_group_delay(FrequencyResponse.from_pressure(AXIS, transfers), at=at)
    for transfer, row in zip(transfers, together, strict=True):
        response = FrequencyResponse.from_pressure(AXIS, transfer)
        alone = estimate_excess_group_delay(response, at=at)
        np.testing.assert_allclose(row, alone, atol=1e-12)
    level_db = 20 * np.log10(np.abs(transfers))
    assert estimate_minimum_phase_deg(AXIS, level_db).shape == (2, AXIS.size)


def test_phase_is_never_invented():
    response = FrequencyResponse.from_level(AXIS, np.zeros(AXIS.size))
    with pytest.raises(MissingPhaseError, match="level only"):
        estimate_group_delay(response)
    with pytest.raises(MissingPhaseError, match="level only"):
        estimate_excess_group_delay(response, at=[50.0])


def test_what_is_misused_is_refused():
    with pytest.raises(ValueError, match="at least two"):
        estimate_minimum_phase_deg([50.0], [0.0])
    with pytest.raises(ValueError, match="finite"):
        estimate_minimum_phase_deg(AXIS, np.full(AXIS.size, -np.inf))
    single = FrequencyResponse.from_pressure([50.0], [1.0 + 0j])
    with pytest.raises(ValueError, match="at least two"):
        estimate_group_delay(single)
    silent = FrequencyResponse.from_pressure(AXIS, np.zeros(AXIS.size))
    with pytest.raises(ValueError, match="finite"):
        estimate_excess_group_delay(silent, at=[50.0])


def test_phase_parts_of_a_delayed_all_pass():
    # all-pass of second order: level 0 dB, group delay by the derivative of its phase
    # -2 arctan(x / (Q (1 - x^2))): 2 Q (1 + x^2) / (Q^2 (1 - x^2)^2 + x^2) / (2 pi f0), x = f / f0
    centre, quality, delay = 60.0, 2.0, 0.012
    x = AXIS / centre
    turned = (1 - x**2 - 1j * x / quality) / (1 - x**2 + 1j * x / quality)
    late = np.exp(-2j * np.pi * AXIS * delay)
    at = np.geomspace(20.0, 200.0, 40)
    found = estimate_phase_parts(FrequencyResponse.from_pressure(AXIS, turned * late), at=at)
    x = at / centre
    own = 2 * quality * (1 + x**2) / (quality**2 * (1 - x**2) ** 2 + x**2) / (2 * np.pi * centre)
    assert found.group_delay + found.delay == pytest.approx(own + delay, abs=2e-4)
    assert found.minimum_group_delay == pytest.approx(0.0, abs=1e-6)  # the level is even
    assert found.delay == pytest.approx(np.median(own) + delay, abs=2e-4)
    left = np.interp(at, AXIS, np.unwrap(np.angle(turned))) - 2 * np.pi * at * (delay - found.delay)
    apart = np.angle(np.exp(1j * (np.deg2rad(found.phase_deg) - left)))
    assert np.abs(apart).max() < 0.02
    assert np.abs(found.phase_deg).max() <= 180.0


def test_the_group_delay_of_a_minimum_phase_system_is_that_of_its_level():
    system = peaking(AXIS, centre=50.0, gain_db=9.0, quality=4.0)
    response = FrequencyResponse.from_pressure(AXIS, system * np.exp(-2j * np.pi * AXIS * 0.02))
    found = estimate_phase_parts(response, at=np.geomspace(25.0, 120.0, 30))
    assert found.delay == pytest.approx(0.02, abs=3e-4)
    assert found.group_delay == pytest.approx(found.minimum_group_delay, abs=5e-4)
    with pytest.raises(MissingPhaseError):
        estimate_phase_parts(FrequencyResponse.from_level(AXIS, np.zeros(AXIS.size)), at=[50.0])
