"""Fitting hypotheses: what was put in comes out, and derivatives agree with differences."""

import numpy as np
import pytest
import scipy.signal

from roomeq.base.response import FrequencyResponse
from roomeq.optimiser.path.classes import class_hypothesis, tried_pairs
from roomeq.optimiser.path.fit import _Problem, _Settings, fit_hypotheses
from roomeq.optimiser.path.observation import observe
from roomeq.optimiser.path.starts import FLAT_WEIGHT, LowPassHypothesis, Parameter, fit_batch

AXIS = np.geomspace(12.0, 400.0, 122)


def butterworth(order, corner, kind="low"):
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * AXIS)[1]


def second_order(corner, q):
    w = 2 * np.pi * corner
    return scipy.signal.freqs([1, 0, 0], [1, w / q, w * w], worN=2 * np.pi * AXIS)[1]


def seen_of(pressure, *, phase=True):
    if phase:
        return observe(FrequencyResponse.from_pressure(AXIS, pressure))
    return observe(FrequencyResponse.from_level(AXIS, 20 * np.log10(np.abs(pressure))))


@pytest.mark.parametrize("phase", [True, False])
def test_what_was_put_in_comes_out(phase):
    clean = butterworth(2, 80.0) ** 2 * second_order(33.0, 0.9)
    seen = seen_of(-0.2 * clean * np.exp(-2j * np.pi * AXIS * 0.0151), phase=phase)
    found = fit_hypotheses(seen, [class_hypothesis(2, 2)], use_phase=phase, model_error_db=0.1)
    assert found.corner[0] == pytest.approx(80.0, rel=1e-3)
    assert found.driver_order[0] == 2
    assert found.driver[0, :2] == pytest.approx([33.0, 0.9], rel=0.02)
    assert np.isnan(found.driver[0, 2:]).all()
    level = found.level[0] * np.abs(0.2 * clean).max()
    assert abs(level) == pytest.approx(0.2, rel=0.01)
    if phase:
        assert level < 0  # inverted
        assert found.delay[0] == pytest.approx(0.0151, abs=2e-5)
    else:
        assert np.isnan(found.delay[0])
    assert found.squares[0] < 1.0 + 2.0 * np.log(AXIS.size)


def test_wrong_ones_fit_worse():
    seen = seen_of(butterworth(4, 70.0) * second_order(30.0, 0.7))
    keys = [(4, 1), (2, 2), (3, 1), (5, 1), (1, 4)]
    found = fit_hypotheses(
        seen, [class_hypothesis(*key) for key in keys], use_phase=True, model_error_db=0.1
    )
    assert int(np.argmin(found.squares)) == 0
    assert np.sort(found.squares)[1] > 100.0


def test_known_filters_are_not_fitted():
    protective = butterworth(4, 25.0, "high")
    seen = seen_of(butterworth(2, 90.0) * protective * second_order(35.0, 0.7))
    known = np.interp(seen.frequencies, AXIS, protective.real) + 1j * np.interp(
        seen.frequencies, AXIS, protective.imag
    )
    found = fit_hypotheses(
        seen, [class_hypothesis(2, 1)], use_phase=True, model_error_db=0.1, known=known
    )
    assert found.driver_order[0] == 2
    assert found.driver[0, 0] == pytest.approx(35.0, rel=0.03)


def test_stated_corner_is_held():
    seen = seen_of(butterworth(2, 80.0) ** 2 * second_order(33.0, 0.9))
    poles = class_hypothesis(2, 2).poles
    found = fit_hypotheses(
        seen,
        [LowPassHypothesis(poles=poles, corner=120.0, corner_spread=1e-5)],
        use_phase=False,
        model_error_db=0.1,
    )
    assert found.corner[0] == pytest.approx(120.0, rel=1e-3)
    assert found.squares[0] > 100


def test_two_corners():
    seen = seen_of(butterworth(2, 80.0) * butterworth(2, 140.0) * second_order(30.0, 0.7))
    pair = next(
        entry
        for entry in tried_pairs()
        if [(one.family, one.order) for one in entry.pair] == [("butterworth", 2)] * 2
    )
    found = fit_hypotheses(seen, [pair.hypothesis], use_phase=True, model_error_db=0.1)
    assert found.corner[0] == pytest.approx(80.0, rel=0.01)
    assert found.higher_corner[0] == pytest.approx(140.0, rel=0.01)


@pytest.mark.parametrize("phase", [True, False])
def test_derivatives_are_those_of_differences(phase):
    rng = np.random.default_rng(5)
    clean = butterworth(3, 70.0) * second_order(33.0, 0.9)
    noise = 0.05 * (rng.standard_normal(AXIS.size) + 1j * rng.standard_normal(AXIS.size))
    seen = seen_of(clean + noise, phase=phase)
    hypotheses = [class_hypothesis(3, 2), tried_pairs()[9].hypothesis]
    batch = fit_batch(seen, hypotheses, (4,))
    problem = _Problem(_Settings(seen, None, 0.3), batch, use_phase=phase)
    at = batch.start.copy()
    at[:, Parameter.DELAY] = 1.7
    _, slope = problem.residuals(at)
    for column in Parameter:
        if column == Parameter.RATIO or (phase and column == Parameter.NOISE):
            rows = [1] if column == Parameter.RATIO else []
        else:
            rows = [0, 1]
        step = np.zeros_like(at)
        step[:, column] = 1e-6
        difference = (problem.residuals(at + step)[0] - problem.residuals(at - step)[0]) / 2e-6
        for row in rows:
            scale = max(np.abs(difference[row]).max(), 1e-3)
            # amplitudes leave out how the noise's share changes with the signal: a few per cent
            tolerance = 1e-5 if phase or column == Parameter.NOISE else 0.12
            assert np.abs(slope[row, column] - difference[row]).max() < tolerance * scale


def test_what_freedom_costs_is_the_width_of_the_likelihood():
    # the integral of likelihood times prior, by the trapezoidal rule, against Laplace's formula
    rng = np.random.default_rng(5)
    noise = 0.01 * rng.standard_normal((2, AXIS.size))
    seen = seen_of(butterworth(2, 80.0) + noise[0] + 1j * noise[1])
    batch = fit_batch(seen, [class_hypothesis(2, 1)], [0])
    problem = _Problem(_Settings(seen, None, 0.1), batch, use_phase=True)
    at, squares = problem.solve_from_delays(batch.start)
    free = [Parameter.CORNER, Parameter.DELAY, Parameter.LEVEL]
    change = problem.residuals(at)[1][0, free]
    white = np.linalg.inv(np.linalg.cholesky(change @ change.T)).T
    steps = np.stack(np.meshgrid(*[np.arange(-4.0, 5.0)] * 3, indexing="ij"), axis=-1)
    tried = np.tile(at, (9**3, 1))
    tried[:, free] += steps.reshape(-1, 3) @ white.T
    many = _Problem(_Settings(seen, None, 0.1), batch.rows(np.zeros(9**3, int)), use_phase=True)
    left = (many.residuals(tried)[0] ** 2).sum(axis=1)
    prior = np.prod(FLAT_WEIGHT[free] / np.sqrt(2 * np.pi))
    evidence = np.exp(-0.5 * (left - squares)).sum() * abs(np.linalg.det(white)) * prior
    assert problem.occam(at)[0] == pytest.approx(-2 * np.log(evidence), abs=0.05)
