"""Crossover filters against closed forms at the corner, scipy.signal and pyfar."""

import numpy as np
import pyfar
import pytest
import scipy.signal

from roomeq.base.levels import amplitude_ratio_db
from roomeq.device.crossover import CrossoverFilter, chain_response


def low_pass(family, order):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=80.0)


@pytest.mark.parametrize("kind", ["low_pass", "high_pass"])
@pytest.mark.parametrize("order", range(1, 9))
def test_butterworth_is_scipys(kind, order):
    frequencies = np.geomspace(10, 1000, 50)
    b, a = scipy.signal.butter(order, 2 * np.pi * 80, kind.removesuffix("_pass"), analog=True)
    _, expected = scipy.signal.freqs(b, a, worN=2 * np.pi * frequencies)
    found = CrossoverFilter(kind=kind, family="butterworth", order=order, corner=80.0)
    np.testing.assert_allclose(found.response(frequencies), expected, rtol=1e-9)


@pytest.mark.parametrize(
    ("family", "order", "corner_db", "octave_beyond_db"),  # closed forms |H|^2 = 1/(1+(f/fc)^2n)
    [
        ("butterworth", 1, -3.0103, -6.99),
        ("butterworth", 2, -3.0103, -12.30),
        ("butterworth", 4, -3.0103, -24.10),
        ("butterworth", 8, -3.0103, -48.16),
        ("linkwitz_riley", 2, -6.0206, -13.98),
        ("linkwitz_riley", 4, -6.0206, -24.61),
        ("linkwitz_riley", 8, -6.0206, -48.20),
    ],
)
def test_levels_at_corner_and_octave(family, order, corner_db, octave_beyond_db):
    levels_db = amplitude_ratio_db(low_pass(family, order).response([80.0, 160.0]))
    assert levels_db[0] == pytest.approx(corner_db, abs=1e-4)
    assert levels_db[1] == pytest.approx(octave_beyond_db, abs=0.005)


@pytest.mark.parametrize(("order", "polarity"), [(2, -1), (4, 1), (6, -1), (8, 1)])
def test_linkwitz_riley_sum_is_all_pass(order, polarity):
    # Linkwitz, JAES 24(1) 1976: low-pass plus high-pass is an all-pass
    frequencies = np.geomspace(10, 1000, 200)
    low = low_pass("linkwitz_riley", order)
    high = CrossoverFilter(kind="high_pass", family="linkwitz_riley", order=order, corner=80.0)
    total = low.response(frequencies) + polarity * high.response(frequencies)
    np.testing.assert_allclose(np.abs(total), 1.0, atol=1e-12)


def test_same_low_pass_twice():
    # closed form: a fourth-order Linkwitz-Riley twice is -12.0412 dB at its corner
    twice = (low_pass("linkwitz_riley", 4),) * 2
    assert amplitude_ratio_db(chain_response(twice, [80.0]))[0] == pytest.approx(-12.0412, abs=1e-4)
    assert chain_response((), [80.0]) == 1.0


@pytest.mark.parametrize(
    ("family", "order", "octave_inside_db"),  # the same closed forms
    [
        ("butterworth", 2, -0.263),
        ("linkwitz_riley", 2, -1.938),
        ("butterworth", 4, -0.017),
        ("linkwitz_riley", 4, -0.527),
        ("linkwitz_riley", 8, -0.034),
    ],
)
def test_level_one_octave_inside(family, order, octave_inside_db):
    level_db = amplitude_ratio_db(low_pass(family, order).response([40.0]))[0]
    assert level_db == pytest.approx(octave_inside_db, abs=0.0006)


@pytest.mark.parametrize(
    ("family", "order"),
    [("butterworth", order) for order in (1, 2, 3, 4, 6, 8)]
    + [("linkwitz_riley", order) for order in (2, 4, 6, 8)],
)
def test_phase_at_the_corner_is_45_degrees_for_each_order(family, order):
    at_corner = low_pass(family, order).response([80.0])[0]
    turned = at_corner * np.exp(1j * np.pi / 4 * order)
    assert turned.imag == pytest.approx(0.0, abs=1e-12)
    assert turned.real > 0


def digital(kind, family, order, corner=80.0, sample_rate=48000.0):
    return CrossoverFilter(
        kind=kind, family=family, order=order, corner=corner, sample_rate=sample_rate
    )


@pytest.mark.parametrize("kind", ["low_pass", "high_pass"])
@pytest.mark.parametrize("order", range(1, 9))
def test_digital_butterworth_is_scipys(kind, order):
    # scipy.signal.butter warps its corner as ours does; zpk keeps the digits that b and a lose
    frequencies = np.geomspace(20, 20000, 60)
    zeros, poles, gain = scipy.signal.butter(
        order, 3000.0, kind.removesuffix("_pass"), fs=48000, output="zpk"
    )
    _, expected = scipy.signal.freqz_zpk(zeros, poles, gain, worN=frequencies, fs=48000)
    found = digital(kind, "butterworth", order, corner=3000.0).response(frequencies)
    np.testing.assert_allclose(found, expected, rtol=1e-7)


@pytest.mark.parametrize("order", [1, 2, 3, 4, 8])
def test_digital_butterworth_is_pyfars(order):
    # pyfar runs sections; its impulse response is cut at 1 s, hence the tolerance
    impulse = pyfar.signals.impulse(48000, sampling_rate=48000)
    filtered = pyfar.dsp.filter.butterworth(impulse, order, 80.0, "lowpass")
    expected = filtered.freq[0, 20:321]
    found = digital("low_pass", "butterworth", order).response(np.arange(20.0, 321.0))
    np.testing.assert_allclose(found, expected, rtol=1e-6)


@pytest.mark.parametrize("order", [2, 4, 6, 8])
def test_digital_linkwitz_riley_is_pyfars_crossover(order):
    impulse = pyfar.signals.impulse(48000, sampling_rate=48000)
    low, high = pyfar.dsp.filter.crossover(impulse, order, 80.0).freq[:, 0, 20:321]
    axis = np.arange(20.0, 321.0)
    np.testing.assert_allclose(
        digital("low_pass", "linkwitz_riley", order).response(axis), low, rtol=1e-5
    )
    ours = digital("high_pass", "linkwitz_riley", order).response(axis)
    if order in (2, 6):
        ours = -ours  # pyfar turns the high-pass so that the sum is an all-pass
    np.testing.assert_allclose(ours, high, rtol=1e-5)


def test_digital_and_analogue_agree_in_the_bass():
    # check values, section 3: within 2.2e-4 dB over 20 to 320 Hz at 48 kHz, corner 80 Hz; that is
    # said of sums, a single steep filter far above its corner differs by more
    axis = np.geomspace(20, 160, 40)
    for family, order in [("butterworth", 4), ("linkwitz_riley", 8)]:
        digital_db = amplitude_ratio_db(digital("low_pass", family, order).response(axis))
        analogue_db = amplitude_ratio_db(low_pass(family, order).response(axis))
        assert 0 < np.abs(digital_db - analogue_db).max() < 2.5e-3


def test_nothing_is_lost_at_the_ends():
    ends = np.array([0.0, 24000.0])
    low = np.abs(digital("low_pass", "butterworth", 8).response(ends))
    high = np.abs(digital("high_pass", "butterworth", 8).response(ends))
    np.testing.assert_allclose(low, [1.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(high, [0.0, 1.0], atol=1e-12)


def test_butterworth_orders():
    assert low_pass("butterworth", 5).butterworth_orders == (5,)
    assert low_pass("linkwitz_riley", 6).butterworth_orders == (3, 3)


def test_refuses_frequencies_that_it_cannot_hold():
    with pytest.raises(ValueError, match="half the sample rate"):
        digital("low_pass", "butterworth", 2).response([25000.0])
    with pytest.raises(ValueError, match="finite and not negative"):
        low_pass("butterworth", 2).response([-1.0])
    with pytest.raises(ValueError, match="finite and not negative"):
        low_pass("butterworth", 2).response([float("nan")])


def test_says_what_it_is():
    assert str(low_pass("linkwitz_riley", 4)) == "low-pass Linkwitz-Riley 24 dB/oct at 80 Hz"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "band_pass"}, "kind is one of"),
        ({"family": "other"}, "family is one of"),
        ({"order": 0}, "order is 1 to 8"),
        ({"family": "linkwitz_riley", "order": 3}, "even order"),
        ({"corner": float("nan")}, "corner must"),
        ({"order": 2.5}, "order is 1 to 8"),
        ({"sample_rate": 160.0}, "cannot hold 80 Hz"),
        ({"sample_rate": float("nan")}, "cannot hold 80 Hz"),
    ],
)
def test_refuses(change, message):
    good = {"kind": "low_pass", "family": "butterworth", "order": 3, "corner": 80.0}
    with pytest.raises(ValueError, match=message):
        CrossoverFilter(**(good | change))
