"""The lower bound in small random problems: against enumeration, and against scipy's convex fit.

Tables are random numbers, no filters: three bands of four labels, five limit rows. The least over
all mixes of labels, which the bound comes up to, is found by sequential quadratic programming
(`scipy.optimize.minimize`, SLSQP) from the statement of the problem.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.optimize import minimize

from roomeq.optimiser.bands.bound import Nodes, Relaxation
from roomeq.optimiser.bands.problem import BandGainProblem
from roomeq.optimiser.bands.search import solve_band_gains
from roomeq.wanted.loss import Loss

BANDS, LABELS, FREQUENCIES, ROWS, AT_REST = 3, 4, 12, 5, 2
EVERY = np.array(list(itertools.product(range(LABELS), repeat=BANDS)))
SEEDS = range(12)


def random_problem(seed, order=(0, 1, 2)):
    """Return a problem with its bands in an order; what scatters is no multiple of the gain."""
    rng = np.random.default_rng(seed)
    error = rng.normal(0.0, 5.0, FREQUENCIES)
    gains = np.arange(LABELS) - float(AT_REST)
    shapes = rng.normal(0.0, 2.0, (BANDS, 1, FREQUENCIES + ROWS))
    scatter = rng.normal(0.0, 0.3, (BANDS, LABELS, FREQUENCIES + ROWS))
    tables = (gains[:, None] * shapes + scatter * (gains != 0.0)[:, None])[list(order)]
    return BandGainProblem(
        error_db=error,
        shortfall_db=error + rng.choice([0.0, 2.0], FREQUENCIES),
        frequency_weights=rng.uniform(0.1, 1.0, FREQUENCIES),
        gains_db=(gains,) * BANDS,
        tables_db=tuple(tables[..., :FREQUENCIES]),
        limit_frequencies=np.linspace(20.0, 60.0, ROWS),
        limit_tables_db=tuple(tables[..., FREQUENCIES:]),
        filter_cap_db=rng.uniform(0.1, 2.0, ROWS),
        present_gains_db=np.zeros(BANDS),
        present_response_db=np.zeros(FREQUENCIES),
        loss=Loss(excess_weight=float(rng.choice([1.0, 2.0, 3.0]))),
    )


def by_definition(problem, weights):
    """J of mixes of labels, (N, B, K), from its statement, and by how much each breaks a limit."""
    w, r = problem.frequency_weights, problem.loss.excess_weight
    response = np.einsum("nbk,bkf->nf", weights, np.array(problem.tables_db))
    rows = np.einsum("nbk,bkr->nr", weights, np.array(problem.limit_tables_db))
    mean = response @ w
    offset = response - mean[:, None]
    over = np.maximum(problem.error_db + offset, 0.0)
    under = np.minimum(problem.shortfall_db + offset, 0.0)
    least = r * max(problem.error_db @ w, 0.0) ** 2
    value = (r * over**2 + under**2) @ w + 0.01 * np.minimum(mean, 0.0) ** 2 - least
    return value, rows - problem.filter_cap_db


def enumerated(problem):
    value, over = by_definition(problem, np.eye(LABELS)[EVERY])
    return value, over.max(axis=1) <= 1e-9


def least_of_mixes(problem, allowed):
    """Return the least J over mixes of allowed labels that keep the limits, by scipy."""
    place = np.flatnonzero(allowed)

    def mix(part):
        weights = np.zeros(BANDS * LABELS)
        weights[place] = part
        return weights.reshape(1, BANDS, LABELS)

    even = allowed / allowed.sum(axis=1, keepdims=True)
    found = minimize(
        lambda part: by_definition(problem, mix(part))[0][0],
        even.ravel()[place],
        method="SLSQP",
        bounds=[(0.0, 1.0)] * place.size,
        constraints=[
            {"type": "eq", "fun": lambda part: mix(part).sum(axis=2)[0] - 1.0},
            {"type": "ineq", "fun": lambda part: -by_definition(problem, mix(part))[1][0]},
        ],
        options={"ftol": 1e-10, "maxiter": 200},
    )
    assert by_definition(problem, mix(found.x))[1].max() < 1e-6
    return found.fun


def boxes(problem, rng, count):
    """Return nodes of random sets of labels, each with a random mix to begin with."""
    allowed = rng.random((count, BANDS, LABELS)) < 0.7
    allowed[..., AT_REST] = True  # so that each holds a setting that keeps the limits
    weights = rng.exponential(size=allowed.shape) * allowed
    return Nodes(
        allowed=allowed,
        weights=weights / weights.sum(axis=2, keepdims=True),
        multipliers=rng.exponential(size=(count, problem.caps.size)),
        bound=np.full(count, -np.inf),
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_no_setting_lies_below_the_bound_of_its_box(seed):
    problem, rng = random_problem(seed), np.random.default_rng(seed)
    value, feasible = enumerated(problem)
    relaxation = Relaxation.of_limits(problem)
    for iterations, threshold in ((1, np.inf), (3, value[feasible].min()), (20, np.inf)):
        nodes = boxes(problem, rng, 8)
        found, struck = relaxation.tighten(nodes, threshold=threshold, iterations=iterations)
        for before, after, bound in zip(nodes.allowed, found.allowed, found.bound, strict=True):
            was, still = (np.all(a[np.arange(BANDS), EVERY], axis=1) for a in (before, after))
            assert np.all(value[feasible & still] >= bound - 1e-9)
            assert np.all(value[feasible & was & ~still] >= struck - 1e-9)
            assert not np.any(still & ~was)


def test_bound_comes_up_to_the_least_of_the_mixes():
    """The dual of a convex problem: never above its least value, and near it after many steps."""
    left = []
    for seed in SEEDS[:6]:
        problem, rng = random_problem(seed), np.random.default_rng(seed)
        nodes = boxes(problem, rng, 4)
        found, struck = Relaxation.of_limits(problem).tighten(
            nodes, threshold=np.inf, iterations=60, patient=True
        )
        assert struck == np.inf
        np.testing.assert_array_equal(found.allowed, nodes.allowed)
        for allowed, bound in zip(nodes.allowed, found.bound, strict=True):
            least = least_of_mixes(problem, allowed)
            assert bound <= least + 1e-5
            left.append((least - bound) / (1.0 + least))
    assert np.median(left) < 1e-6  # 3e-8
    assert np.mean(left) < 2e-4  # 1.2e-4


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1)])
def test_search_finds_the_best_in_any_order_of_bands(order):
    for seed in SEEDS:
        value, feasible = enumerated(random_problem(seed))
        found = solve_band_gains(random_problem(seed, order), gap_db=0.0, tie_share=0.0)
        best = value[feasible].min()
        assert found.objective == pytest.approx(best, rel=1e-12)
        assert found.lower_bound <= best + 1e-12
        assert found.proven
