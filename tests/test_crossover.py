"""Crossover filters against closed forms at the corner and scipy.signal."""

import numpy as np
import pytest
import scipy.signal

from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.levels import amplitude_ratio_db


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
    ],
)
def test_refuses(change, message):
    good = {"kind": "low_pass", "family": "butterworth", "order": 3, "corner": 80.0}
    with pytest.raises(ValueError, match=message):
        CrossoverFilter(**(good | change))
