"""The search for band gains: bounds and optima against brute-force enumeration.

Band tables come from the peaking section of the W3C Audio EQ Cookbook through `scipy.signal`, J and
the limits from their definitions written out here, and the best setting and the tie-break from an
enumeration of every setting of a reduced equaliser. scipy's differential evolution is an outside
competitor on nine bands.
"""

from __future__ import annotations

import inspect
import itertools
import math
from dataclasses import fields
from functools import cache, partial
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import differential_evolution
from scipy.signal import freqz, sosfreqz

from roomeq.optimiser.bands import branching as tie_break_module
from roomeq.optimiser.bands import search as search_module
from roomeq.optimiser.bands.bound import Relaxation
from roomeq.optimiser.bands.branching import settings_of_small, split
from roomeq.optimiser.bands.problem import BandGainProblem, nearest_labels
from roomeq.optimiser.bands.search import solve_band_gains, solve_from
from roomeq.optimiser.bands.start import descend, start_setting
from roomeq.wanted.loss import Loss

RATE = 48000.0
FIT = 20.0 * 2.0 ** (np.arange(73) / 24.0)
LIMIT = 10.0 * 2.0 ** (np.arange(236) / 48.0)
CENTRES = 10.0 ** (np.arange(13, 22) / 10.0)  # IEC 61260-1 exact mid-bands, 20 to 125 Hz

DRAWS = "rng" if "rng" in inspect.signature(differential_evolution).parameters else "seed"  # < 1.15


def constant_q(gain_db):
    return 4.318


def following_q(gain_db):
    return 4.318 * (0.2 + 0.8 * abs(gain_db) / 12.0)


def cookbook(centre, q, gain_db):
    """W3C Audio EQ Cookbook, peakingEQ: b and a."""
    a, w0 = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * centre / RATE
    alpha = math.sin(w0) / (2.0 * q)
    b = np.array([1.0 + alpha * a, -2.0 * math.cos(w0), 1.0 - alpha * a])
    return b, np.array([1.0 + alpha / a, -2.0 * math.cos(w0), 1.0 - alpha / a])


AXES = {"fit": FIT, "limit": LIMIT}


@cache
def band_db(axis, centre, law, gain):
    b, a = cookbook(centre, law(gain), gain)
    return 20.0 * np.log10(np.abs(freqz(b, a, worN=AXES[axis], fs=RATE)[1]))


def table(axis, centre, law, gains):
    return np.array([band_db(axis, centre, law, gain) for gain in gains])


def device(law, grids):
    return {
        "gains_db": tuple(np.asarray(g, dtype=float) for g in grids.values()),
        "tables_db": tuple(table("fit", c, law, g) for c, g in grids.items()),
        "limit_frequencies": LIMIT,
        "limit_tables_db": tuple(table("limit", c, law, g) for c, g in grids.items()),
    }


def room(seed):
    """Error of an average over seats, and what of a shortfall is asked for: both invented."""
    rng = np.random.default_rng(seed)

    def shape():
        return np.exp(-((np.log2(FIT / rng.uniform(20, 160)) / rng.uniform(0.1, 0.4)) ** 2))

    error = sum(rng.uniform(-12, 9) * shape() for _ in range(9))
    error -= error.mean()
    excused = rng.uniform(0, 8) * (25.0 / FIT) ** 2 + rng.uniform(0, 10) * shape()
    short = np.where(error < 0, np.minimum(error + excused, 0.0), error)
    return error, short, rng


def make_problem(seed, law, grids, *, cap=3.0, present=None, loss=None):
    """`cap` is a number or a curve; below 25 Hz it is 0.5 dB at most."""
    error, short, rng = room(seed)
    present = np.zeros(len(grids)) if present is None else np.asarray(present, dtype=float)
    responses = [table("fit", c, law, [g])[0] for c, g in zip(grids, present, strict=True)]
    return BandGainProblem(
        error_db=error,
        shortfall_db=short,
        frequency_weights=rng.uniform(0.2, 1.0, FIT.size) * (FIT < 140.0),
        filter_cap_db=np.where(LIMIT < 25.0, 0.5, cap),
        present_gains_db=present,
        present_response_db=np.sum(responses, axis=0),
        loss=loss or Loss(),
        **device(law, grids),
    )


def by_definition(problem, response):
    """J of responses, shape (N, F): the statement's loss above what no shape can mend."""
    w, r = problem.frequency_weights, problem.loss.excess_weight
    mean = (response * w).sum(axis=1)
    x = response - mean[:, None]
    over = np.where(problem.error_db + x > 0.0, problem.error_db + x, 0.0)
    under = np.where(problem.shortfall_db + x < 0.0, problem.shortfall_db + x, 0.0)
    cut = np.where(mean < 0.0, mean, 0.0)
    least = r * max(float(problem.error_db @ w), 0.0) ** 2
    return ((r * over**2 + under**2) * w).sum(axis=1) + 0.01 * cut**2 - least


def enumerate_all(problem):
    """Every setting with J and feasibility from the definitions, nothing from the package."""
    settings = np.array(list(itertools.product(*(range(g.size) for g in problem.gains_db))))
    bands = range(len(problem.gains_db))
    response = sum(problem.tables_db[b][settings[:, b]] for b in bands)
    rows = sum(problem.limit_tables_db[b][settings[:, b]] for b in bands)
    over = (rows - problem.filter_cap_db).max(axis=1)
    return SimpleNamespace(
        settings=settings,
        objective=by_definition(problem, response),
        feasible=over <= 1e-9,
        boost=np.maximum(rows.max(axis=1), 0.0),
        gains=np.stack([problem.gains_db[b][settings[:, b]] for b in bands], axis=1),
    )


FOUR = dict.fromkeys(CENTRES[[1, 3, 4, 6]], np.arange(-8.0, 6.1, 2.0))
# 3 dB but for 0.5 dB around 50 Hz, as in a dip, and less than that where a driver has no headroom
BARRED = np.where(np.abs(np.log2(LIMIT / 50.0)) < 0.25, 0.5, 3.0)
TIGHT_AT_80 = 3.0 - 3.0 * np.exp(-((np.log2(LIMIT / 80.0) / 0.3) ** 2))
CASES = {
    "constant Q, default loss": (1, constant_q, FOUR, {}),
    "plain loss": (2, constant_q, FOUR, {"loss": Loss(excess_weight=1.0)}),
    "r = 3": (4, constant_q, FOUR, {"loss": Loss(excess_weight=3.0)}),
    "Q follows gain": (5, following_q, FOUR, {}),
    "bands stand elsewhere": (3, following_q, FOUR, {"present": [-2.0, 4.0, 0.0, -6.0]}),
    "bands stand off their grids": (5, following_q, FOUR, {"present": [1.0, -3.0, -8.0, 2.0]}),
    "barred in a dip": (12, following_q, FOUR, {"cap": BARRED}),
    "cap by frequency": (24, following_q, FOUR, {"cap": TIGHT_AT_80, "present": [0, 0, 2.0, 0]}),
    "a lock": (7, constant_q, {**FOUR, CENTRES[4]: np.array([-4.0])}, {"cap": 2.0}),
    "a lock that boosts": (
        8,
        following_q,
        {**FOUR, CENTRES[3]: np.array([3.0])},
        {"present": [0, 3.0, 0, 0], "cap": 3.5},
    ),
    "uneven grids": (
        9,
        following_q,
        {CENTRES[0]: [-6.0, -1.0, 0.0], CENTRES[2]: np.arange(-9.0, 4.0), CENTRES[8]: [-2.0, 1.5]},
        {"present": [-1.0, 0.0, 1.5]},
    ),
    "a single band": (10, constant_q, {CENTRES[5]: np.arange(-12.0, 6.5, 0.5)}, {}),
    "all bands locked": (11, constant_q, {c: np.array([-1.0]) for c in CENTRES[:3]}, {}),
}


@cache
def case_of(name):
    seed, law, grids, changes = CASES[name]
    problem = make_problem(seed, law, grids, **changes)
    return SimpleNamespace(problem=problem, truth=enumerate_all(problem), name=name)


@cache
def solved(name, **options):
    return solve_band_gains(case_of(name).problem, **options)


@pytest.fixture(scope="module", params=CASES)
def case(request):
    return case_of(request.param)


def test_cases_are_what_they_say():
    for name in ("barred in a dip", "cap by frequency"):
        seed, law, grids, _ = CASES[name]
        tight = case_of(name).truth
        loose = enumerate_all(make_problem(seed, law, grids))
        best = tight.objective[tight.feasible].min()
        # The bound of 3 dB alone costs something, and the lower cap more.
        assert loose.objective.min() + 0.1 < loose.objective[loose.feasible].min() < best - 0.1
    skirt = table("fit", CENTRES[4], following_q, [4.0, 6.0])[:, 0]
    assert skirt[1] < skirt[0]  # falling skirts: more gain, less response away from the centre
    for name in CASES:
        problem = case_of(name).problem
        assert np.any(problem.shortfall_db > problem.error_db + 0.5)  # something is excused
        now = by_definition(problem, problem.present_response_db[None])[0]
        assert problem.present_objective == pytest.approx(now, rel=1e-12)


@pytest.mark.parametrize("gap_db", [0.0, 0.05])
def test_optimum_is_that_of_the_enumeration(case, gap_db):
    solution = solved(case.name, gap_db=gap_db)
    best = case.truth.objective[case.truth.feasible].min()
    assert solution.proven
    assert solution.lower_bound <= best + 1e-12
    assert solution.best_deviation_db <= math.sqrt(best) + gap_db + 1e-9
    assert solution.gap_db <= gap_db + 1e-9
    number = np.flatnonzero((case.truth.settings == solution.best_labels).all(axis=1))[0]
    assert case.truth.feasible[number]
    assert solution.objective == pytest.approx(case.truth.objective[number], rel=1e-12)
    np.testing.assert_array_equal(solution.best_gains_db, case.truth.gains[number])


def test_search_does_not_live_on_its_start(case, monkeypatch):
    """From the feasible setting with the largest J, and without counting small boxes out."""
    truth = case.truth
    worst = truth.settings[np.where(truth.feasible, truth.objective, -1.0).argmax()]
    best = truth.objective[truth.feasible].min()
    monkeypatch.setattr(search_module, "start_setting", lambda problem: worst)
    monkeypatch.setattr(search_module, "descend", lambda problem, labels: labels)
    monkeypatch.setattr(search_module, "settings_of_small", partial(settings_of_small, largest=1))
    for node_limit in (10, 50_000):
        solution = solve_band_gains(case.problem, gap_db=0.0, tie_share=0.0, node_limit=node_limit)
        assert solution.lower_bound <= best + 1e-9
    assert solution.objective == pytest.approx(best, rel=1e-12)


@pytest.mark.parametrize("node_limit", [1, 20])
def test_node_limit_leaves_a_true_bound(case, node_limit):
    solution = solve_band_gains(case.problem, gap_db=0.0, tie_share=0.0, node_limit=node_limit)
    assert solution.nodes <= node_limit
    assert solution.lower_bound <= case.truth.objective[case.truth.feasible].min() + 1e-12
    assert solution.lower_bound > 0.0
    assert solution.proven == (solution.gap_db <= 1e-9)


def test_every_tangent_lies_under_every_setting(case):
    """LB <= J(k) row by row, at arbitrary mixes and multipliers, not only at good ones."""
    problem, truth = case.problem, case.truth
    relaxation = Relaxation.of_limits(problem)
    rng = np.random.default_rng(0)
    node = relaxation.root(start_setting(problem))
    for scale in (0.0, 0.01, 1.0, 30.0):
        weights = rng.exponential(size=node.weights.shape) ** 4 * problem.allowed
        object.__setattr__(node, "weights", weights / weights.sum(axis=2, keepdims=True))
        held = scale * rng.exponential(size=node.multipliers.shape)
        object.__setattr__(node, "multipliers", held)
        bound, reduced = relaxation.reduced_costs(node)
        bands = np.arange(truth.settings.shape[1])
        each = bound[0] + reduced[0][bands, truth.settings].sum(axis=1)
        assert np.all(each[truth.feasible] <= truth.objective[truth.feasible] + 1e-9)
    # Tangents at settings that break a row only just, without multipliers from before: there
    # what a broken row adds to the bound is seen at the settings beside it.
    over = problem.limit_response_db(truth.settings) - problem.filter_cap_db
    order = np.argsort(np.abs(over.max(axis=1) - 0.1))
    for labels in truth.settings[order[:200]]:
        bound, reduced = relaxation.reduced_costs(relaxation.root(labels))
        each = bound[0] + reduced[0][np.arange(len(labels)), truth.settings].sum(axis=1)
        assert np.all(each[truth.feasible] <= truth.objective[truth.feasible] + 1e-9)


def test_bound_and_struck_labels_hold_in_every_box(case):
    problem, truth = case.problem, case.truth
    relaxation = Relaxation.of_limits(problem)
    nodes = relaxation.root(start_setting(problem))
    threshold = float(np.quantile(truth.objective[truth.feasible], 0.02))
    bands = np.arange(truth.settings.shape[1])
    for _ in range(4):
        before = nodes.allowed
        nodes, struck = relaxation.tighten(nodes, threshold=threshold, iterations=6)
        assert struck >= threshold
        for allowed, old, bound in zip(nodes.allowed, before, nodes.bound, strict=True):
            inside = allowed[bands, truth.settings].all(axis=1) & truth.feasible
            assert np.all(truth.objective[inside] >= bound - 1e-9)
            left_out = old[bands, truth.settings].all(axis=1) & truth.feasible & ~inside
            assert np.all(truth.objective[left_out] >= struck - 1e-9)
        nodes = nodes.take((nodes.allowed.sum(axis=2) > 1).any(axis=1))
        if len(nodes) == 0:
            return
        nodes = split(relaxation, nodes)


def test_split_halves_and_counting_out():
    problem = make_problem(1, constant_q, FOUR)
    relaxation = Relaxation.of_limits(problem)
    nodes = relaxation.root(start_setting(problem))
    for _ in range(5):
        nodes = split(relaxation, nodes)
        np.testing.assert_allclose(nodes.weights.sum(axis=2), 1.0)
        assert np.all(nodes.weights[~nodes.allowed] == 0.0)
    settings, rest = settings_of_small(nodes, largest=10**6)
    assert len(rest) == 0
    assert len(settings) == 8**4
    assert len(np.unique(settings, axis=0)) == 8**4
    leaves = []
    while len(nodes):
        nodes = split(relaxation, nodes)
        assert nodes.allowed.any(axis=2).all()
        several = nodes.allowed.sum(axis=(1, 2)) > 4
        leaves.append(nodes.allowed[~several].argmax(axis=2))
        nodes = nodes.take(several)
    assert len(np.unique(np.concatenate(leaves), axis=0)) == sum(map(len, leaves)) == 8**4


def deviation_db(problem, labels):
    return math.sqrt(float(problem.objective(labels)))


def tolerance_db(problem, best_db, share):
    """Share of what the best gains over the present gains, whether or not those are allowed."""
    present = by_definition(problem, problem.present_response_db[None])[0]
    return share * max(math.sqrt(present) - best_db, 0.0)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.6])
def test_tie_break_is_the_rule(case, share):
    """Fewest bands away from where they stand, smallest largest boost, smallest sum of |gain|,
    then by centre.
    """
    problem, truth = case.problem, case.truth
    solution = solved(case.name, gap_db=0.0, tie_share=share)
    best = math.sqrt(truth.objective[truth.feasible].min())
    within = best + tolerance_db(problem, best, share) + 1e-12
    good = truth.feasible & (np.sqrt(truth.objective) <= within)
    keys = sorted(
        (
            int(np.count_nonzero(np.abs(gains - problem.present_gains_db) > 1e-9)),
            round(float(boost), 8),
            round(float(np.abs(gains).sum()), 8),
            tuple(gains),
        )
        for gains, boost in zip(truth.gains[good], truth.boost[good], strict=True)
    )
    assert solution.tie_break_exact
    assert tuple(solution.gains_db) == keys[0][3]


def test_two_per_cent_is_what_may_be_given_away(case):
    default, stated = solved(case.name, gap_db=0.0), solved(case.name, gap_db=0.0, tie_share=0.02)
    np.testing.assert_array_equal(default.labels, stated.labels)


def test_ties_of_the_cases_are_not_empty():
    """The rule has something to choose from, and moves differ from gains."""
    chosen = 0
    for name in CASES:
        solution = solved(name, gap_db=0.0, tie_share=0.1)
        chosen += not np.array_equal(solution.labels, solution.best_labels)
    assert chosen >= 5


def test_tie_break_does_not_live_on_counting_out(case, monkeypatch):
    """The same rule without counting small boxes out."""
    expected = solved(case.name, gap_db=0.0, tie_share=0.6)
    monkeypatch.setattr(tie_break_module, "_SMALL", 1)
    solution = solve_band_gains(case.problem, gap_db=0.0, tie_share=0.6)
    assert solution.tie_break_exact
    np.testing.assert_array_equal(solution.labels, expected.labels)


def test_a_band_is_moved_where_it_leaves_its_place():
    problem = make_problem(3, following_q, FOUR, present=[-2.0, 4.0, 0.0, -6.0])
    stands = nearest_labels(problem.gains_db, problem.present_gains_db)
    settings = stands + np.vstack([np.zeros((1, 4), int), np.diag([1, -1, 1, 1])])
    expected = np.vstack([np.zeros((1, 4), bool), np.eye(4, dtype=bool)])
    np.testing.assert_array_equal(tie_break_module.moved_bands(problem, settings), expected)


@pytest.mark.parametrize("found", [(-3.0, -1.0), (-2.0, -2.0), (-1.0, -3.0)])
def test_tie_break_by_centre(found):
    """Two bands with one shape: only their sum matters, and neither can do it alone."""
    shape = np.exp(-((np.log2(FIT / 50.0) / 0.3) ** 2))
    gains = np.arange(-3.0, 1.0, 0.5)
    tables = gains[:, None] * shape
    problem = BandGainProblem(
        error_db=4.0 * shape,
        shortfall_db=4.0 * shape,
        frequency_weights=np.ones(FIT.size),
        gains_db=(gains, gains),
        tables_db=(tables, tables),
        limit_frequencies=FIT,
        limit_tables_db=(tables, tables),
        filter_cap_db=np.full(FIT.size, 3.0),
        present_gains_db=np.zeros(2),
        present_response_db=np.zeros(FIT.size),
    )
    solution = solve_band_gains(problem, tie_share=0.001)
    np.testing.assert_array_equal(solution.gains_db, [-3.0, -1.0])
    # The last stage alone, from each setting that is equal in everything else.
    search = tie_break_module._TieBreak(
        problem,
        target=solution.objective + 1e-6,
        node_limit=1000,
    )
    labels = np.searchsorted(gains, found)
    first = tie_break_module._first_in_order(search, search.relaxation.root(labels), labels)
    np.testing.assert_array_equal(gains[first], [-3.0, -1.0])


def test_without_tie_break_or_proof():
    problem = make_problem(5, following_q, FOUR)
    plain = solve_band_gains(problem, tie_share=0.0)
    np.testing.assert_array_equal(plain.labels, plain.best_labels)
    unproven = solve_band_gains(problem, prove=False)
    np.testing.assert_array_equal(unproven.labels, start_setting(problem))
    assert unproven.lower_bound == 0.0
    assert not unproven.proven


def test_start_is_feasible_and_no_pair_move_helps(case):
    problem, truth = case.problem, case.truth
    start = start_setting(problem)
    number = np.flatnonzero((truth.settings == start).all(axis=1))[0]
    assert truth.feasible[number]
    changed = (truth.settings != start).sum(axis=1)
    near = (np.abs(truth.settings - start).max(axis=1) <= 6) & (changed <= 2) & truth.feasible
    # The ranking is by a second-order expansion, so a move may be missed, but not by much.
    assert math.sqrt(truth.objective[number]) <= math.sqrt(truth.objective[near].min()) * 1.005
    best = truth.objective[truth.feasible].min()
    assert math.sqrt(truth.objective[number]) <= 1.03 * math.sqrt(best)


def test_descent_stops_where_an_earlier_one_came_by():
    problem = make_problem(6, following_q, FOUR, cap=1.5)
    start = np.argmin(np.where(problem.allowed, np.abs(problem.gains), np.inf), axis=1)
    visited = set()
    end = descend(problem, start, visited=visited)
    assert not np.array_equal(end, start)
    assert {start.tobytes(), end.tobytes()} <= visited
    np.testing.assert_array_equal(descend(problem, start, visited=visited), start)
    np.testing.assert_array_equal(descend(problem, start), end)


@pytest.mark.parametrize("seed", [2, 3, 5])
def test_one_node_is_tightened_as_several_are(seed):
    problem = make_problem(seed, following_q, FOUR, cap=1.5)
    relaxation = Relaxation.of_limits(problem)
    one = relaxation.root(start_setting(problem))
    two = one.take(np.zeros(2, dtype=np.intp))
    one, _ = relaxation.tighten(one, threshold=np.inf, iterations=6)
    two, _ = relaxation.tighten(two, threshold=np.inf, iterations=6)
    np.testing.assert_allclose(two.bound, np.repeat(one.bound, 2), rtol=1e-9)
    np.testing.assert_allclose(two.weights, np.repeat(one.weights, 2, axis=0), atol=1e-7)


@pytest.mark.parametrize(
    "changes",
    [
        {"gap_db": -0.1},
        {"gap_db": math.nan},
        {"node_limit": 0},
        {"tie_share": math.nan},
        {"tie_share": -0.1},
        {"tie_share": 1.0},
    ],
)
def test_refuses(changes):
    with pytest.raises(ValueError, match="needs gap_db"):
        solve_band_gains(make_problem(1, constant_q, FOUR), **changes)


STANDS = [0.0, 0.0, -3.0, 0.0, 2.0, 0.0, 0.0, -1.5, 0.0]
NINE = {c: np.arange(-24, (0 if c < 25.0 else 12) + 1) * 0.5 for c in CENTRES}


@cache
def solved_nine(seed, *, cap=3.0, gap_db):
    """The problem, and what the search finds of it before it breaks ties."""
    problem = make_problem(seed, following_q, NINE, cap=cap)
    return problem, solve_band_gains(problem, gap_db=gap_db, tie_share=0.0)


@pytest.fixture(scope="module")
def nine():
    return make_problem(21, following_q, NINE, present=STANDS)


@pytest.fixture(scope="module")
def nine_solved(nine):
    return solve_band_gains(nine)


ON_FIT = ("error_db", "shortfall_db", "frequency_weights", "present_response_db")
BY_BAND = ("gains_db", "tables_db", "limit_tables_db", "present_gains_db")


def changed(problem, **changes):
    names = [f.name for f in fields(problem) if f.init]
    return BandGainProblem(**{**{n: getattr(problem, n) for n in names}, **changes})


def test_same_input_same_output(nine, nine_solved):
    again = solve_band_gains(changed(nine))
    np.testing.assert_array_equal(again.labels, nine_solved.labels)
    assert (again.lower_bound, again.nodes) == (nine_solved.lower_bound, nine_solved.nodes)


def test_root_alone_is_not_called_a_proof(nine):
    whole = solve_band_gains(nine, gap_db=0.0, tie_share=0.0)
    root = solve_band_gains(nine, gap_db=0.0, tie_share=0.0, node_limit=1)
    assert root.nodes == 1 < whole.nodes
    assert not root.proven
    assert root.gap_db > 0.0
    assert root.lower_bound < whole.lower_bound
    assert whole.gap_db <= 1e-9


@pytest.mark.parametrize("seed", range(30, 36))
def test_start_of_nine_bands_keeps_tight_limits(seed):
    problem = make_problem(seed, following_q, NINE, cap=1.0)
    start = start_setting(problem)
    assert bool(problem.feasible(start))
    proven = solve_band_gains(problem, tie_share=0.0, node_limit=100)
    assert float(problem.objective(start)) <= 1.05 * proven.objective


@pytest.mark.parametrize("what", ["weights", "frequencies", "twice", "rows", "bands"])
def test_unchanged_by(nine, nine_solved, what):
    """Weights times ten, another order, and everything twice leave the answer as it is."""
    rng = np.random.default_rng(7)
    fit, rows = rng.permutation(FIT.size), rng.permutation(LIMIT.size)
    back = slice(None, None, -1)

    def on_axis(take):
        return {
            **{n: take(getattr(nine, n)) for n in ON_FIT},
            "tables_db": tuple(take(each) for each in nine.tables_db),
        }

    variants = {
        "weights": {"frequency_weights": 10.0 * nine.frequency_weights},
        "frequencies": on_axis(lambda values: values[..., fit]),
        "twice": on_axis(lambda values: np.repeat(values, 2, axis=-1)),
        "rows": {
            "limit_frequencies": LIMIT[rows],
            "filter_cap_db": nine.filter_cap_db[rows],
            "limit_tables_db": tuple(each[:, rows] for each in nine.limit_tables_db),
        },
        "bands": {n: getattr(nine, n)[back] for n in BY_BAND},
    }
    other = solve_band_gains(changed(nine, **variants[what]))
    order = back if what == "bands" else slice(None)
    np.testing.assert_array_equal(other.labels[order], nine_solved.labels)
    np.testing.assert_array_equal(other.best_labels[order], nine_solved.best_labels)
    variant, same = changed(nine, **variants[what]), deviation_db(nine, nine_solved.labels)
    assert deviation_db(variant, other.labels) == pytest.approx(same, abs=1e-9)
    assert other.lower_bound_db <= other.best_deviation_db


def test_where_bands_stand_leaves_the_best_unchanged(nine, nine_solved):
    rest = np.zeros(9)
    other = solve_band_gains(
        changed(nine, present_gains_db=rest, present_response_db=np.zeros(FIT.size))
    )
    np.testing.assert_array_equal(other.best_labels, nine_solved.best_labels)
    assert other.lower_bound == nine_solved.lower_bound


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_never_worse_than_differential_evolution(seed):
    """scipy's differential evolution over the labels, broken limits as a penalty."""
    problem, solution = solved_nine(seed, gap_db=0.05)
    counts = np.array([g.size for g in problem.gains_db])
    bands = range(counts.size)

    def merit(columns):
        labels = np.clip(np.rint(columns.T), 0, counts - 1).astype(int)
        response = sum(problem.tables_db[b][labels[:, b]] for b in bands)
        rows = sum(problem.limit_tables_db[b][labels[:, b]] for b in bands)
        over = (rows - problem.filter_cap_db).max(axis=1)
        return by_definition(problem, response) + 1e3 * np.maximum(over - 1e-9, 0.0)

    found = differential_evolution(
        merit,
        [(0, count - 1) for count in counts],
        integrality=np.ones(counts.size, dtype=bool),
        popsize=8,
        **{DRAWS: seed},
        polish=False,
        vectorized=True,
        updating="deferred",
        maxiter=60,
    )
    assert solution.lower_bound <= found.fun + 1e-9
    assert solution.objective <= found.fun + 1e-9
    rest = by_definition(problem, np.zeros((1, FIT.size)))[0]
    assert found.fun < 0.8 * rest  # or it would be no competitor


@pytest.mark.parametrize("cap", [3.0, 1.0])
def test_descent_from_a_neighbour_ends_near_the_best(nine, nine_solved, cap):
    """Another limit, started from the answer of the first: feasible, and about as good."""
    problem = changed(nine, filter_cap_db=np.minimum(nine.filter_cap_db, cap))
    labels = solve_from(problem, nine_solved.best_gains_db)
    assert bool(problem.feasible(labels))
    found = float(problem.objective(labels))
    best = solve_band_gains(problem, gap_db=0.0, tie_share=0.0)
    assert best.lower_bound - 1e-9 <= found
    # descent is no proof: 4 per cent of the deviation are lost at the tighter cap
    assert math.sqrt(found) <= 1.05 * best.best_deviation_db
    between = solve_from(problem, nine_solved.best_gains_db + 0.2)  # nearest labels are taken
    np.testing.assert_array_equal(between, labels)


@pytest.mark.parametrize("which", ["gains_db", "best_gains_db"])
def test_winner_keeps_the_limits_on_another_axis(nine, nine_solved, which):
    """Re-evaluated as a cascade by scipy.signal on an off-centre axis of 1/96 octave."""
    gains = getattr(nine_solved, which)
    sections = [
        np.concatenate(cookbook(c, following_q(g), g)) for c, g in zip(CENTRES, gains, strict=True)
    ]
    sections = np.array([s / s[3] for s in sections])
    axis = 10.0 * 2.0 ** ((np.arange(470) + 0.37) / 96.0)

    def cascade(frequencies):
        return 20.0 * np.log10(np.abs(sosfreqz(sections, worN=frequencies, fs=RATE)[1]))

    response = cascade(axis)
    assert response.max() <= 3.0 + 0.01
    assert response[axis < 24.9].max() <= 0.5 + 0.01
    if which == "gains_db":
        slack = np.where(axis < 25.0, 0.5, 3.0) - response
        slack_db, frequency = nine.tightest(nine_solved.labels)
        assert slack_db == pytest.approx(slack.min(), abs=0.05)
        nearest = axis[slack < slack_db + 0.05]
        assert np.abs(np.log2(nearest / frequency)).min() < 1 / 24
    # and what it says of J holds for the cascade as well
    objective = by_definition(nine, cascade(FIT)[None])[0]
    labels = nine_solved.labels if which == "gains_db" else nine_solved.best_labels
    said = deviation_db(nine, labels)
    assert math.sqrt(objective) == pytest.approx(said, abs=1e-9)


def test_proposal_is_as_good_as_it_says(nine, nine_solved):
    assert nine_solved.proven
    assert nine_solved.tie_break_exact
    best = nine_solved.best_deviation_db
    proposed = deviation_db(nine, nine_solved.labels)
    assert best < proposed  # something was given away
    assert proposed <= best + tolerance_db(nine, best, 0.02) + 1e-9

    def moved(gains):
        return np.count_nonzero(gains != STANDS)

    assert moved(nine_solved.gains_db) < moved(nine_solved.best_gains_db)


def test_a_choice_among_equals_that_was_not_searched_to_the_end_is_not_called_exact(
    nine, nine_solved
):
    best = nine_solved.best_labels
    _, exact = tie_break_module.break_tie(nine, best, tolerance_db=0.3, node_limit=1)
    assert not exact
    alone = solve_band_gains(nine, tie_share=0.0, node_limit=1)
    assert alone.tie_break_exact  # nothing is chosen among equals


def test_bound_start_and_search_are_no_looser_than_they_were():
    """Frozen figures, no evidence: a guard against what loosens the bound or opens more nodes.

    A tenth of the nodes is left for other libraries of linear algebra, which take other ways: numpy
    1.26 opened 4 % more in one problem.
    """
    nodes, root_gaps, start_gaps = [], [], []
    for seed, cap in itertools.product((21, 24, 26, 35), (3.0, 1.0)):
        problem, solution = solved_nine(seed, cap=cap, gap_db=0.0)
        start, relaxation = start_setting(problem), Relaxation.of_limits(problem)
        root, _ = relaxation.tighten(relaxation.root(start), threshold=math.inf, iterations=60)
        nodes.append(solution.nodes)
        root_gaps.append(solution.best_deviation_db - math.sqrt(float(root.bound[0])))
        start_gaps.append(deviation_db(problem, start) - solution.best_deviation_db)
    assert sum(nodes) <= 1380  # 1256
    assert sum(root_gaps) <= 0.556  # 0.5451 dB
    assert sum(start_gaps) <= 0.096  # 0.0873 dB


@pytest.mark.parametrize(("limit", "nodes"), [(50, 49), (51, 51), (52, 51)])
def test_nodes_are_opened_in_pairs_up_to_the_limit(limit, nodes):
    problem = make_problem(22, following_q, NINE)
    solution = solve_band_gains(problem, gap_db=0.0, tie_share=0.0, node_limit=limit)
    assert solution.nodes == nodes
    assert not solution.proven
    assert 0.0 < solution.gap_db < 0.092  # 0.0886 dB, frozen


def test_the_optimum_is_looked_for_at_first_and_then_no_more_than_the_gap_asked_for():
    """The numbers of nodes are frozen, no evidence, with a tenth more as above."""
    wide, narrow = (solved_nine(23, gap_db=gap_db)[1] for gap_db in (0.05, 0.02))
    assert 600 < wide.nodes <= 1370  # 1245
    assert wide.nodes < narrow.nodes <= 2750  # 2499
    assert 0.02 < wide.gap_db <= 0.05
    assert 0.0 < narrow.gap_db <= 0.02
    assert solved_nine(25, gap_db=0.05)[1].gap_db <= 1e-9
