"""Peaking sections against the W3C Audio EQ Cookbook and scipy.signal."""

import numpy as np
import pytest
import scipy.signal

from roomeq.base.levels import amplitude_ratio_db
from roomeq.device.biquads import (
    low_shelf_response,
    peaking_coefficients,
    peaking_response,
    q_of_bandwidth,
)

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


@pytest.mark.parametrize(
    ("octaves", "q"),  # computed from the Cookbook's analogue formula
    [
        (2, 0.6667),
        (1, 1.41421),
        (2 / 3, 2.14491),
        (0.5, 2.871),
        (1 / 3, 4.318473),
        (1 / 6, 8.65136),
    ],
)
def test_q_of_bandwidth(octaves, q):
    assert q_of_bandwidth(octaves) == pytest.approx(q, rel=1e-4)


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


def test_bandwidth_refuses_zero():
    with pytest.raises(ValueError, match="bandwidth"):
        q_of_bandwidth(0.0)
