"""Evidence of a chain, against the closed form for a linear one; fits, against what was put in."""

import numpy as np
import pytest
import scipy.stats

from roomeq.base.response import FrequencyResponse
from roomeq.optimiser.path.hypotheses import Part, levels_of
from roomeq.optimiser.path.observation import Observation, observe
from roomeq.optimiser.path.search import Errors, fit_chain

AXIS = np.geomspace(20.0, 200.0, 25)


def errors_of(level, *, ripples=(0.5,)):
    seen = Observation(
        frequencies=AXIS,
        level_db=level,
        noise_db=np.full(AXIS.size, -300.0),
        spread_db=np.linspace(0.2, 0.6, AXIS.size),
    )
    return Errors(seen, drift_db=1.0, ripples_db=ripples, lengths=(0.3,), least_db=0.1)


def covariance(ripple):
    """Return noise, drift with 1.2 octaves (Gaussian), ripple with 0.3 octaves (Matern, 3/2)."""
    apart = np.abs(np.log2(AXIS)[:, np.newaxis] - np.log2(AXIS))
    scaled = np.sqrt(3.0) * apart / 0.3
    noise = np.diag(np.linspace(0.2, 0.6, AXIS.size) ** 2 + 0.01)
    drift = np.exp(-0.5 * (apart / 1.2) ** 2)
    return noise + drift + ripple**2 * (1 + scaled) * np.exp(-scaled)


def test_evidence_of_a_gain_is_the_density_of_a_normal_distribution():
    # with a normal prior, 100 dB wide, the level is normal: no approximation is left
    rng = np.random.default_rng(3)
    ripples = (0.3, 1.5)
    for level in rng.multivariate_normal(np.zeros(AXIS.size), covariance(0.5), size=3) - 40.0:
        errors = errors_of(level, ripples=ripples)
        fit = fit_chain((), errors, 0)
        densities = [
            scipy.stats.multivariate_normal(cov=covariance(ripple) + 100.0**2).pdf(level)
            for ripple in ripples
        ]
        constant = 0.5 * AXIS.size * np.log(2 * np.pi)
        expected = np.log(np.mean(densities)) + constant
        # the fit is made with the first ripple; the other one's likeliest gain is elsewhere
        assert errors.evidence(fit) == pytest.approx(expected, abs=0.1)


def test_what_was_put_in_comes_out():
    axis = np.arange(10.0, 300.0, 0.5)
    chain = (Part((), 32.0, 0.5, q=0.75, q_spread=0.4), Part(((2, 2),), 80.0, 0.6))
    truth = np.array([60.0, 0.0, np.log(28.0), np.log(0.9), np.log(71.0)])
    level, _ = levels_of(chain, axis, np.full(axis.size, -300.0))(truth)
    seen = observe(FrequencyResponse.from_level(axis, level))
    errors = Errors(seen, drift_db=0.2, ripples_db=(0.05,), lengths=(0.3,), least_db=0.03)
    fit = fit_chain(chain, errors, 0)
    assert np.exp(fit.parameters[2:]) == pytest.approx([28.0, 0.9, 71.0], rel=0.02)
    spreads = errors.parameter_spreads(fit)[2:]
    assert (np.abs(fit.parameters - truth)[2:] < 3 * spreads).all()
    assert np.abs(fit.left_db).max() < 0.3


def test_the_size_of_ripple_is_told_from_what_is_left():
    rng = np.random.default_rng(5)
    ripples = (0.1, 1.0, 4.0)
    for index, ripple in enumerate(ripples):
        left = rng.multivariate_normal(np.zeros(AXIS.size), covariance(ripple))
        assert errors_of(left, ripples=ripples).likeliest(left) == index
