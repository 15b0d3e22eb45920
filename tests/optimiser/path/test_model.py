"""Levels of chains, against scipy's analogue filters; derivatives, against differences."""

import numpy as np
import pytest
import scipy.signal

from roomeq.optimiser.path.hypotheses import Part, levels_of, priors

AXIS = np.geomspace(10.0, 400.0, 60)
SILENT = np.full(AXIS.size, -300.0)


def butterworth(order, corner, kind):
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    return np.abs(scipy.signal.freqs(b, a, worN=2 * np.pi * AXIS)[1])


CHAIN = (
    Part((), 30.0, 0.5, q=0.9, q_spread=0.4),
    Part(((3, 1),), 20.0, 0.3, high=True),
    Part(((2, 2), (4, 1)), 80.0, 0.6),
)
CENTRE = priors(CHAIN)[0]


def test_level_is_scipys():
    found, _ = levels_of(CHAIN, AXIS, SILENT)(CENTRE)
    w = 2 * np.pi * 30.0
    box = scipy.signal.freqs([1, 0, 0], [1, w / 0.9, w * w], worN=2 * np.pi * AXIS)[1]
    low = butterworth(2, 80.0, "low") ** 2 * butterworth(4, 80.0, "low")
    expected = 20 * np.log10(np.abs(box) * low * butterworth(3, 20.0, "high"))
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_noise_adds_in_power():
    alone, _ = levels_of(CHAIN, AXIS, SILENT)(CENTRE)
    found, _ = levels_of(CHAIN, AXIS, np.full(AXIS.size, -20.0))(CENTRE)
    np.testing.assert_allclose(10 ** (found / 10), 10 ** (alone / 10) + 0.01, rtol=1e-9)


@pytest.mark.parametrize("place", range(6))
def test_derivatives_are_differences(place):
    noise_db = np.full(AXIS.size, -30.0)
    at = CENTRE + 0.1
    step = np.zeros(at.size)
    step[place] = 1e-5
    higher, lower = (levels_of(CHAIN, AXIS, noise_db)(at + sign * step)[0] for sign in (1, -1))
    _, slope = levels_of(CHAIN, AXIS, noise_db)(at)
    np.testing.assert_allclose(slope[:, place], (higher - lower) / 2e-5, atol=1e-5)
    assert np.abs(slope[:, place]).max() > 0.01
