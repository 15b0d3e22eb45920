"""Bound and start in small random problems: against enumeration, and against scipy's convex fits.

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
from roomeq.optimiser.bands.start import (
    _fitted_positions,
    _ranked_moves,
    feasible_near,
)
from roomeq.wanted.loss import Loss

BANDS, LABELS, FREQUENCIES, ROWS, AT_REST = 3, 4, 12, 5, 2
EVERY = np.array(list(itertools.product(range(LABELS), repeat=BANDS)))
SEEDS = range(12)


def random_problem(seed, scatter_db=0.3):
    """Return a problem in whose tables scatter is added to multiples of the gain."""
    rng = np.random.default_rng(seed)
    error = rng.normal(0.0, 5.0, FREQUENCIES)
    gains = np.arange(LABELS) - float(AT_REST)
    shapes = rng.normal(0.0, 2.0, (BANDS, 1, FREQUENCIES + ROWS))
    scatter = rng.normal(0.0, scatter_db, (BANDS, LABELS, FREQUENCIES + ROWS))
    tables = gains[:, None] * shapes + scatter * (gains != 0.0)[:, None]
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
    """Return J of every setting, and its largest excess over a limit."""
    value, over = by_definition(problem, np.eye(LABELS)[EVERY])
    return value, over.max(axis=1)


def moved(labels, most):
    """Return the numbers of all settings that differ from one in at most so many bands."""
    return np.flatnonzero((labels != EVERY).sum(axis=1) <= most)


def least_of_mixes(problem, allowed):
    """Return the least J over mixes of allowed labels that keep the limits, by scipy."""
    free = np.flatnonzero(allowed)

    def judged(part):
        weights = np.zeros(BANDS * LABELS)
        weights[free] = part
        value, over = by_definition(problem, weights.reshape(1, BANDS, LABELS))
        return value[0], -over[0], weights.reshape(BANDS, LABELS).sum(axis=1) - 1.0

    found = minimize(
        lambda part: judged(part)[0],
        (allowed / allowed.sum(axis=1, keepdims=True)).ravel()[free],
        method="SLSQP",
        bounds=[(0.0, 1.0)] * free.size,
        constraints=[
            {"type": kind, "fun": lambda part, at=at: judged(part)[at]}
            for at, kind in ((1, "ineq"), (2, "eq"))
        ],
        options={"ftol": 1e-10, "maxiter": 200},
    )
    assert judged(found.x)[1].min() > -1e-6
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


def test_bound_comes_up_to_the_least_of_the_mixes():
    """The dual of a convex problem: never above its least value, and near it after many steps."""
    left = []
    for seed in SEEDS[:6]:
        problem, rng = random_problem(seed), np.random.default_rng(seed)
        nodes = boxes(problem, rng, 4)
        found, struck = Relaxation.of_limits(problem).tighten(
            nodes, threshold=np.inf, iterations=60
        )
        assert struck == np.inf
        value, excess = enumerated(problem)
        for allowed, bound in zip(found.allowed, found.bound, strict=True):
            inside = np.all(allowed[np.arange(BANDS), EVERY], axis=1) & (excess <= 1e-9)
            assert bound <= value[inside].min() + 1e-9
            least = least_of_mixes(problem, allowed)
            assert bound <= least + 1e-5
            left.append((least - bound) / (1.0 + least))
    assert np.median(left) < 1e-6  # 3e-8
    assert np.mean(left) < 2e-4  # 1.2e-4


@pytest.mark.parametrize("seed", SEEDS)
def test_a_broken_limit_is_mended_band_by_band_at_least_cost(seed):
    """The move of one band with the least excess, a thousandth of a dB of it against J."""
    problem = random_problem(seed)
    value, excess = enumerated(problem)
    for number in np.flatnonzero(excess > 0.1)[::3]:
        at = number
        while excess[at] > 1e-9:
            near = moved(EVERY[at], 1)
            best = near[np.argmin(1e3 * np.maximum(excess[near], 0.0) + value[near])]
            nowhere = excess[best] >= excess[at]
            at = np.flatnonzero((EVERY == AT_REST).all(axis=1))[0] if nowhere else best
        np.testing.assert_array_equal(feasible_near(problem, EVERY[number]), EVERY[at])


@pytest.mark.parametrize("seed", SEEDS)
def test_pairs_of_moves_are_those_predicted_to_help_and_to_keep_close_limits(seed):
    """Second-order expansion of J, and the limits with less than 3 dB of slack."""
    problem = random_problem(seed)
    _, excess = enumerated(problem)
    offsets, rows = problem.offsets(EVERY), problem.limit_response_db(EVERY)
    for at in np.flatnonzero(excess <= 1e-9)[::5]:
        _, slope, curvature = problem.frequency_loss.expansion(offsets[at])
        change, slack = offsets - offsets[at], problem.filter_cap_db - rows[at]
        helps = change @ slope + 0.5 * change**2 @ curvature < 0.0
        kept = ((rows - rows[at] <= slack + 1e-9) | (slack >= 3.0)).all(axis=1)
        near = moved(EVERY[at], 2)
        found = _ranked_moves(problem, EVERY[at])
        assert set(map(tuple, found)) == set(map(tuple, EVERY[near[(helps & kept)[near]]]))


def test_positions_are_those_of_a_convex_fit_with_a_penalty():
    """Tables linear in the gain; scipy's L-BFGS-B on J and two times the squared excess."""
    for seed in SEEDS:
        problem = random_problem(seed, scatter_db=0.0)

        def merit(position, problem=problem):
            gains = np.maximum(0.0, 1.0 - np.abs(position[:, None] - np.arange(LABELS)))
            value, over = by_definition(problem, gains[None])
            return value[0] + 2.0 * np.sum(np.maximum(over, 0.0) ** 2)

        found = minimize(
            merit, np.full(BANDS, 1.5), method="L-BFGS-B", bounds=[(0.0, LABELS - 1.0)] * BANDS
        )
        assert merit(_fitted_positions(problem)) == pytest.approx(found.fun, rel=1e-6)
