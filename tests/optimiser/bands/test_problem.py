"""The loss and the band-gain problem, against their formulas written out element by element."""

from __future__ import annotations

import math

import numpy as np
import pytest

from roomeq.optimiser.bands.problem import BandGainProblem
from roomeq.wanted.loss import Loss

MEAN_CUT = 0.01  # weight of a squared mean cut, as the statement of the problem has it


def loss_by_formula(d, z, r):
    """Loss of one error: an excess d counts r times, a shortfall z once."""
    if d > 0:
        return r * d**2
    return z**2 if z < 0 else 0.0


def objective_by_formula(problem, response, r):
    """J of a response by sums over single frequencies."""
    w = [each / sum(problem.frequency_weights) for each in problem.frequency_weights]
    mean = sum(each * e for each, e in zip(w, response, strict=True))
    total = MEAN_CUT * mean**2 if mean < 0 else 0.0
    for each, d, z, e in zip(w, problem.error_db, problem.shortfall_db, response, strict=True):
        total += each * loss_by_formula(d + e - mean, z + e - mean, r)
    mean_error = sum(each * d for each, d in zip(w, problem.error_db, strict=True))
    return total - r * max(mean_error, 0.0) ** 2


def make_problem(seed=0, frequencies=12, rows=5, counts=(4, 3), **changes):
    rng = np.random.default_rng(seed)
    error = rng.normal(0.0, 6.0, frequencies)
    values = {
        "error_db": error,
        "shortfall_db": error + rng.choice([0.0, 1.0, 9.0], frequencies),
        "frequency_weights": rng.uniform(0.1, 1.0, frequencies),
        "gains_db": tuple(np.arange(k) - 1.0 for k in counts),
        "tables_db": tuple(rng.normal(0.0, 3.0, (k, frequencies)) for k in counts),
        "limit_frequencies": np.linspace(20.0, 60.0, rows),
        "limit_tables_db": tuple(rng.normal(0.0, 3.0, (k, rows)) for k in counts),
        "filter_cap_db": rng.uniform(1.0, 5.0, rows),
        "present_gains_db": np.zeros(len(counts)),
        "present_response_db": rng.normal(0.0, 3.0, frequencies),
    }
    return BandGainProblem(**{**values, **changes})


@pytest.mark.parametrize("r", [2.0, 1.0, 3.5])
def test_loss_is_its_formula(r):
    errors = np.linspace(-30.0, 30.0, 121)
    for excused in (0.0, 0.25, 6.0, 40.0):
        short = errors + excused
        expected = [loss_by_formula(d, z, r) for d, z in zip(errors, short, strict=True)]
        np.testing.assert_allclose(Loss(excess_weight=r).value(errors, short), expected, rtol=1e-13)
    plain = [loss_by_formula(d, d, r) for d in errors]
    np.testing.assert_allclose(Loss(excess_weight=r).value(errors), plain, rtol=1e-13)


def test_default_loss():
    assert Loss().value(3.0) == 18.0  # an excess counts twice
    assert Loss().value(-3.0) == 9.0
    assert Loss().value(-10.0, -4.0) == 16.0  # 6 dB of a shortfall are excused
    assert Loss().value(-10.0, 0.0) == 0.0


@pytest.mark.parametrize("weight", [0.5, math.nan, math.inf])
def test_loss_refuses_excess_weight(weight):
    with pytest.raises(ValueError, match="excess_weight"):
        Loss(excess_weight=weight)


@pytest.mark.parametrize("r", [2.0, 1.0, 3.5])
def test_objective_is_the_weighted_mean_of_the_loss(r):
    problem = make_problem(loss=Loss(excess_weight=r))
    signs = set()
    for labels in np.ndindex(4, 3):
        response = problem.tables_db[0][labels[0]] + problem.tables_db[1][labels[1]]
        expected = objective_by_formula(problem, response, r)
        assert float(problem.objective(labels)) == pytest.approx(expected, rel=1e-12)
        assert float(problem.response_objective(response)) == pytest.approx(expected, rel=1e-12)
        signs.add(bool(response @ problem.frequency_weights < 0))
    assert signs == {True, False}  # a mean cut costs, a mean boost does not: both were there
    now = objective_by_formula(problem, problem.present_response_db, r)
    assert problem.present_objective == pytest.approx(now, rel=1e-12)


def test_a_response_that_is_the_same_everywhere_is_loudness_but_for_a_cut():
    problem = make_problem()
    rest = float(problem.response_objective(np.zeros(12)))
    assert float(problem.response_objective(np.full(12, 5.0))) == pytest.approx(rest, rel=1e-12)
    cut = float(problem.response_objective(np.full(12, -5.0)))
    assert cut - rest == pytest.approx(0.01 * 25.0, rel=1e-9)


def test_an_excuse_lifts_a_shortfall_and_never_an_excess():
    error = np.array([8.0, *np.full(11, -4.0)])
    even = {"error_db": error, "frequency_weights": np.ones(12)}
    none = make_problem(shortfall_db=error, **even)
    some = make_problem(shortfall_db=np.array([8.0, *np.full(11, -1.0)]), **even)
    whole = make_problem(shortfall_db=np.maximum(error, 0.0), **even)
    found = [float(p.response_objective(np.zeros(12))) for p in (none, some, whole)]
    excess = 2.0 * 8.0**2 / 12
    assert found == pytest.approx([excess + 11 * 16 / 12, excess + 11 * 1 / 12, excess])
    # what is excused must not be made worse: a cut below the excuse counts again
    deeper = np.zeros(12)
    deeper[1] = -6.0  # leaves 6 dB at one place, and 0.5 dB more elsewhere by the mean
    moved = float(whole.response_objective(deeper))
    assert moved == pytest.approx((2 * 8.5**2 + 5.5**2 + 10 * 0.0) / 12 + 0.01 * 0.25)


def test_slope_and_curvature_are_the_derivatives():
    loss = make_problem().frequency_loss
    for offset in np.random.default_rng(1).uniform(-20.0, 20.0, (20, 13)):
        step = 1e-5
        value, slope, _ = loss.expansion(offset)
        above, below = loss.value(offset + step), loss.value(offset - step)
        np.testing.assert_allclose(value, loss.value(offset), rtol=1e-12)
        np.testing.assert_allclose(slope, (above - below) / (2 * step), atol=1e-6)
        _, slope_above, curvature = loss.expansion(offset + 1e-7)
        np.testing.assert_allclose(slope_above - slope, 1e-7 * curvature, atol=1e-12)


def test_loss_is_convex_at_every_frequency():
    loss = make_problem().frequency_loss
    offsets = np.linspace(-40.0, 40.0, 4001)[:, None] * np.ones(13)
    second = np.diff(loss.value(offsets), n=2, axis=0)
    assert second.min() > -1e-9
    assert second.max() > 0


def test_frequencies_without_weight_count_nowhere():
    weights = np.random.default_rng(2).uniform(0.1, 1.0, 12)
    weights[[0, 7]] = 0.0
    problem = make_problem(frequency_weights=weights)
    wild = np.array(problem.error_db)
    wild[[0, 7]] = 500.0
    other = make_problem(
        frequency_weights=weights,
        error_db=wild,
        shortfall_db=np.maximum(wild, problem.shortfall_db),
    )
    for labels in ([0, 0], [3, 2]):
        assert float(problem.objective(labels)) == float(other.objective(labels))


@pytest.mark.parametrize("cap", [1.0, 40.0])
def test_limits_by_their_definition(cap):
    problem = make_problem(filter_cap_db=cap + np.arange(5.0))
    for labels in ([0, 0], [1, 2], [3, 0]):
        rows = problem.limit_tables_db[0][labels[0]] + problem.limit_tables_db[1][labels[1]]
        slack = problem.filter_cap_db - rows
        found, frequency = problem.tightest(labels)
        assert found == pytest.approx(slack.min())
        assert frequency == problem.limit_frequencies[slack.argmin()]
        assert bool(problem.feasible(labels)) == (slack.min() >= -1e-9)


def test_no_limit_rows():
    problem = make_problem(
        rows=0, limit_tables_db=(np.zeros((4, 0)), np.zeros((3, 0))), filter_cap_db=np.zeros(0)
    )
    assert bool(problem.feasible([0, 0]))
    assert problem.tightest([0, 0])[0] == math.inf


def test_many_settings_at_once():
    problem = make_problem()
    settings = np.array([[0, 0], [1, 2], [3, 1]])
    one_by_one = [float(problem.objective(labels)) for labels in settings]
    np.testing.assert_allclose(problem.objective(settings), one_by_one, rtol=1e-14)
    np.testing.assert_array_equal(problem.setting_gains_db(settings), settings - 1.0)
    means = [float(problem.mean_response_db(labels)) for labels in settings]
    np.testing.assert_allclose(problem.mean_response_db(settings), means, rtol=1e-14)


def test_arrays_are_copied_and_read_only():
    error = np.zeros(12)
    problem = make_problem(error_db=error, shortfall_db=np.ones(12))
    error[0] = 99.0
    assert problem.error_db[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        problem.error_db[0] = 1.0


def test_a_band_with_fewer_gains_has_no_more_labels():
    problem = make_problem(counts=(4, 2, 3))
    assert problem.allowed.sum(axis=1).tolist() == [4, 2, 3]
    assert problem.allowed[:, 0].all()


def test_what_only_cuts_has_no_boost():
    problem = make_problem(limit_tables_db=(np.full((4, 5), -2.0), np.full((3, 5), -0.5)))
    assert problem.largest_boost(np.zeros((1, 2), dtype=int)).tolist() == [0.0]


def test_what_is_prepared_cannot_be_changed():
    problem = make_problem()
    for values in (problem.frequency_loss.error_db, problem.error_db, problem.gains_db[0]):
        with pytest.raises(ValueError, match="read-only"):
            values[0] = 1.0
