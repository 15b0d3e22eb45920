"""Crossover filters against closed forms at the corner, scipy.signal and pyfar.

Peaking sections against the W3C Audio EQ Cookbook and scipy.signal.
"""

import numpy as np
import pyfar
import pytest
import scipy.signal
from formulas import peaking_coefficients

from roomeq.base.levels import amplitude_ratio_db
from roomeq.device.crossover import (
    CrossoverFilter,
    chain_response,
    low_shelf_response,
    peaking_response,
)
from roomeq.device.equaliser import THIRD_OCTAVE_Q


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


# Audio EQ Cookbook, W3C WG Note 8 June 2021: peakingEQ, f0 50 Hz, Q 4.318, +6 dB, fs 48 kHz,
# values computed from its formulas.
COOKBOOK_FREQUENCIES = [20, 25, 31.5, 40, 44.5449, 45, 50, 56.1231, 63, 80, 100, 125]
COOKBOOK_LEVELS_DB = {
    3.0: [
        0.0367,
        0.0711,
        0.1686,
        0.6339,
        1.5001,
        1.6371,
        3.0,
        1.5002,
        0.5992,
        0.1629,
        0.0711,
        0.0367,
    ],
    6.0: [
        0.0777,
        0.1502,
        0.3541,
        1.3012,
        3.0003,
        3.2665,
        6.0,
        3.0003,
        1.2317,
        0.3422,
        0.1502,
        0.0777,
    ],
    12.0: [
        0.1921,
        0.3678,
        0.8462,
        2.8471,
        6.0005,
        6.4803,
        12.0,
        6.0005,
        2.7095,
        0.8188,
        0.3678,
        0.1921,
    ],
}


@pytest.mark.parametrize("sample_rate", [None, 48000.0])
@pytest.mark.parametrize("gain_db", sorted(COOKBOOK_LEVELS_DB))
def test_peaking_levels_are_the_cookbooks(gain_db, sample_rate):
    for sign in (1, -1):  # a cut is the exact negative
        levels_db = amplitude_ratio_db(
            peaking_response(
                COOKBOOK_FREQUENCIES,
                centre=50,
                q=4.318,
                gain_db=sign * gain_db,
                sample_rate=sample_rate,
            )
        )
        # 1.5e-4: four printed digits plus the Cookbook's own 1e-4 between analogue and digital
        np.testing.assert_allclose(sign * levels_db, COOKBOOK_LEVELS_DB[gain_db], atol=1.5e-4)


def test_peaking_coefficients_are_the_cookbooks():
    b, a = peaking_coefficients(centre=50, q=4.318, gain_db=6, sample_rate=48000)
    np.testing.assert_allclose(b, [1.000533700380, -1.998884704458, 0.998393817778], atol=1e-12)
    np.testing.assert_allclose(a, [1.0, -1.998884704458, 0.998927518159], atol=1e-12)


def test_peaking_phase_is_the_cookbooks():
    phase = np.angle(
        peaking_response([40, 50, 63], centre=50, q=4.318, gain_db=6, sample_rate=48000), deg=True
    )
    np.testing.assert_allclose(phase, [15.997, 0.0, -15.678], atol=1e-3)


@pytest.mark.parametrize("sample_rate", [8000.0, 48000.0])
def test_digital_peaking_agrees_with_scipy(sample_rate):
    frequencies = np.geomspace(10, 3000, 200)
    b, a = peaking_coefficients(centre=31.6, q=2.2, gain_db=-9, sample_rate=sample_rate)
    _, expected = scipy.signal.freqz(b, a, worN=frequencies, fs=sample_rate)
    found = peaking_response(frequencies, centre=31.6, q=2.2, gain_db=-9, sample_rate=sample_rate)
    # scipy evaluates polynomials in z, which loses digits at 31 Hz and 48 kHz: hence 1e-7
    np.testing.assert_allclose(found, expected, atol=1e-7)


def test_several_gains_and_qs_at_once():
    table = peaking_response([40, 50], centre=50, q=[1.0, 4.0], gain_db=[3.0, -6.0])
    assert table.shape == (2, 2)
    np.testing.assert_allclose(amplitude_ratio_db(table[:, 1]), [3.0, -6.0], atol=1e-12)
    one = peaking_response([40, 50], centre=50, q=4.0, gain_db=-6.0)
    np.testing.assert_array_equal(table[1], one)


def test_q_of_a_third_of_an_octave():
    # the Cookbook's analogue formula, half-gain points a third of an octave apart
    q = 1.0 / (2.0 * np.sinh(np.log(2.0) / 2.0 / 3.0))
    assert pytest.approx(q, rel=2e-4) == THIRD_OCTAVE_Q


def test_low_shelf_against_scipy():
    # Audio EQ Cookbook, lowShelf H(s) = A (s^2 + sqrt(A)/Q s + A) / (A s^2 + sqrt(A)/Q s + 1)
    a = 10 ** (6 / 40)
    frequencies = np.array([5.0, 60.0, 400.0])
    _, expected = scipy.signal.freqs(
        a * np.array([1, np.sqrt(2 * a), a]), [a, np.sqrt(2 * a), 1], worN=frequencies / 60
    )
    found = low_shelf_response(frequencies, corner=60, gain_db=6)
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    assert amplitude_ratio_db(found)[1] == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"q": 0.0}, "Q must"),
        ({"q": np.nan}, "Q must"),
        ({"gain_db": np.inf}, "gain must"),
        ({"centre": -1.0}, "centre must"),
        ({"sample_rate": 99.0}, "cannot hold 50 Hz"),
    ],
)
def test_peaking_refuses(change, message):
    settings = {"centre": 50.0, "q": 4.0, "gain_db": 3.0, "sample_rate": None} | change
    with pytest.raises(ValueError, match=message):
        peaking_response([50.0], **settings)
