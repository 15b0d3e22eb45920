"""The search for band gains: bounds and optima against brute-force enumeration.

Band tables come from the peaking section of the W3C Audio EQ Cookbook through `scipy.signal`, J and
the limits from their definitions written out here, and the best setting and the tie-break from an
enumeration of every setting of a reduced equaliser.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import fields
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import freqz, sosfreqz

from roomeq.errors import InfeasibleSettingsError
from roomeq.optimiser import search as search_module
from roomeq.optimiser import tie_break as tie_break_module
from roomeq.optimiser.bound import Relaxation
from roomeq.optimiser.branching import settings_of_small, split
from roomeq.optimiser.problem import BandGainProblem, Loss
from roomeq.optimiser.search import solve_band_gains
from roomeq.optimiser.stacked import StackedTables
from roomeq.optimiser.start import choose_start, descend

RATE = 48000.0
FIT = 20.0 * 2.0 ** (np.arange(73) / 24.0)
LIMIT = 10.0 * 2.0 ** (np.arange(236) / 48.0)
CENTRES = 10.0 ** (np.arange(13, 22) / 10.0)  # IEC 61260-1 exact mid-bands, 20 to 125 Hz


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


def table(frequencies, centre, law, gains):
    rows = []
    for gain in gains:
        b, a = cookbook(centre, law(gain), gain)
        rows.append(20.0 * np.log10(np.abs(freqz(b, a, worN=frequencies, fs=RATE)[1])))
    return np.array(rows)


def device(law, grids):
    return {
        "gains_db": tuple(np.asarray(g, dtype=float) for g in grids.values()),
        "tables_db": tuple(table(FIT, c, law, g) for c, g in grids.items()),
        "limit_frequencies": LIMIT,
        "limit_tables_db": tuple(table(LIMIT, c, law, g) for c, g in grids.items()),
    }


def room(seed, seats=3):
    """Error at some seats: shared and private peaks and dips, invented."""
    rng = np.random.default_rng(seed)
    error = np.zeros((seats, FIT.size))
    for count, shared in ((6, True), (4, False)):
        for _ in range(count):
            shape = np.exp(-((np.log2(FIT / rng.uniform(20, 160)) / rng.uniform(0.1, 0.4)) ** 2))
            size = rng.uniform(-12, 9, size=1 if shared else seats)
            error += size[:, None] * shape
    return error, rng


def make_problem(seed, law, grids, *, seats=3, cap=3.0, drive=6.0, level=0.0, loss=None):
    error, rng = room(seed, seats)
    return BandGainProblem(
        error_db=error,
        seat_weights=rng.uniform(0.3, 2.0, seats),
        frequency_weights=rng.uniform(0.2, 1.0, FIT.size) * (FIT < 140.0),
        trust=rng.uniform(0.0, 1.0, error.shape),
        filter_cap_db=np.where(LIMIT < 25.0, 0.5, cap),
        drive_boost_db=drive,
        level_change_db=level,
        loss=loss or Loss(),
        **device(law, grids),
    )


def enumerate_all(problem):
    """Every setting with J and feasibility from the definitions, nothing from the package."""
    settings = np.array(list(itertools.product(*(range(g.size) for g in problem.gains_db))))
    bands = range(len(problem.gains_db))
    response = sum(problem.tables_db[b][settings[:, b]] for b in bands)
    rows = sum(problem.limit_tables_db[b][settings[:, b]] for b in bands)
    w, p = problem.frequency_weights, problem.seat_weights
    mean = response @ w
    error = problem.error_db - (p @ problem.error_db) @ w
    r, d = problem.loss.excess_weight, problem.loss.tail_start_db
    objective = np.zeros(len(settings))
    for s in range(len(p)):
        e = error[s] + response - mean[:, None]
        short = np.where(-e <= d, e**2, d * (2.0 * -e - d) if math.isfinite(d) else e**2)
        objective += p[s] * np.where(e > 0.0, r * e**2, problem.trust[s] * short) @ w
    over_filter = (rows - problem.filter_cap_db).max(axis=1)
    raised = max(0.0, problem.level_change_db)
    over_drive = (rows - problem.drive_boost_db).max(axis=1) - mean + raised
    return SimpleNamespace(
        settings=settings,
        objective=objective,
        feasible=np.maximum(over_filter, over_drive) <= 1e-9,
        over_filter=over_filter,
        over_drive=over_drive,
        boost=np.maximum(rows.max(axis=1), 0.0),
        gains=problem.setting_gains_db(settings),
    )


FOUR = dict.fromkeys(CENTRES[[1, 3, 4, 6]], np.arange(-8.0, 6.1, 2.0))
# 6 dB but for 1 dB around 30 Hz, as where a driver has little headroom
TIGHT_AT_30 = 6.0 - 5.0 * np.exp(-((np.log2(LIMIT / 30.0) / 0.3) ** 2))
CASES = {
    "constant Q, default loss": (1, constant_q, FOUR, {}),
    "plain least squares": (
        2,
        constant_q,
        FOUR,
        {"loss": Loss(excess_weight=1, tail_start_db=1e9)},
    ),
    "no tail at all": (3, following_q, FOUR, {"loss": Loss(tail_start_db=math.inf)}),
    "r = 3, short tail": (4, constant_q, FOUR, {"loss": Loss(excess_weight=3, tail_start_db=2.0)}),
    "Q follows gain": (5, following_q, FOUR, {}),
    "both limits": (12, following_q, FOUR, {"cap": 3.0, "drive": 4.0, "level": 1.5}),
    "drive by frequency": (10, following_q, FOUR, {"drive": TIGHT_AT_30, "level": 0.5}),
    "a lock": (7, constant_q, {**FOUR, CENTRES[4]: np.array([-4.0])}, {"cap": 2.0}),
    "a lock that boosts": (8, following_q, {**FOUR, CENTRES[3]: np.array([3.0])}, {}),
    "uneven grids": (
        9,
        following_q,
        {CENTRES[0]: [-6.0, -1.0, 0.0], CENTRES[2]: np.arange(-9.0, 4.0), CENTRES[8]: [-2.0, 1.5]},
        {},
    ),
    "a single band": (10, constant_q, {CENTRES[5]: np.arange(-12.0, 6.5, 0.5)}, {}),
    "all bands locked": (11, constant_q, {c: np.array([-1.0]) for c in CENTRES[:3]}, {}),
    "a single seat": (12, following_q, FOUR, {"seats": 1}),
}


@pytest.fixture(scope="module", params=CASES)
def case(request):
    seed, law, grids, changes = CASES[request.param]
    problem = make_problem(seed, law, grids, **changes)
    return SimpleNamespace(problem=problem, truth=enumerate_all(problem), name=request.param)


def test_cases_are_what_they_say():
    problem = make_problem(*CASES["both limits"][:3], **CASES["both limits"][3])
    truth = enumerate_all(problem)
    best = truth.objective[truth.feasible].min()
    for kept in (truth.over_filter, truth.over_drive):
        # Each limit alone costs something, and both together more than either.
        alone = truth.objective[kept <= 0.0].min()
        assert truth.objective.min() + 0.1 < alone < best - 0.1
    skirt = table(FIT, CENTRES[4], following_q, [4.0, 6.0])[:, 0]
    assert skirt[1] < skirt[0]  # falling skirts: more gain, less response away from the centre


@pytest.mark.parametrize("gap_db", [0.0, 0.05])
def test_optimum_is_that_of_the_enumeration(case, gap_db):
    solution = solve_band_gains(case.problem, gap_db=gap_db)
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
    monkeypatch.setattr(search_module, "start_setting", lambda tables: worst)
    monkeypatch.setattr(search_module, "descend", lambda tables, labels: labels)
    monkeypatch.setattr(search_module, "settings_of_small", partial(settings_of_small, largest=1))
    for node_limit in (10, 50_000):
        solution = solve_band_gains(
            case.problem, gap_db=0.0, tie_break_db=0.0, node_limit=node_limit
        )
        assert solution.lower_bound <= best + 1e-9
    assert solution.objective == pytest.approx(best, rel=1e-12)


@pytest.mark.parametrize("node_limit", [1, 20])
def test_node_limit_leaves_a_true_bound(case, node_limit):
    solution = solve_band_gains(case.problem, gap_db=0.0, node_limit=node_limit)
    assert solution.nodes <= node_limit
    assert solution.lower_bound <= case.truth.objective[case.truth.feasible].min() + 1e-12
    assert solution.lower_bound > 0.0
    assert solution.proven == (solution.gap_db <= 1e-9)


def test_every_tangent_lies_under_every_setting(case):
    """LB <= J(k) row by row, at arbitrary mixes and multipliers, not only at good ones."""
    problem, truth = case.problem, case.truth
    tables = StackedTables.from_problem(problem)
    relaxation = Relaxation.of_limits(tables)
    rng = np.random.default_rng(0)
    node = relaxation.root(choose_start(problem))
    for scale in (0.0, 0.01, 1.0, 30.0):
        weights = rng.exponential(size=node.weights.shape) ** 4 * tables.allowed
        object.__setattr__(node, "weights", weights / weights.sum(axis=2, keepdims=True))
        held = scale * rng.exponential(size=node.multipliers.shape)
        object.__setattr__(node, "multipliers", held)
        bound, reduced = relaxation.reduced_costs(node)
        bands = np.arange(truth.settings.shape[1])
        each = bound[0] + reduced[0][bands, truth.settings].sum(axis=1)
        assert np.all(each[truth.feasible] <= truth.objective[truth.feasible] + 1e-9)


def test_bound_and_struck_labels_hold_in_every_box(case):
    problem, truth = case.problem, case.truth
    tables = StackedTables.from_problem(problem)
    relaxation = Relaxation.of_limits(tables)
    nodes = relaxation.root(choose_start(problem))
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


def test_bound_is_tight_without_limits():
    """Plain least squares with tables linear in gain and a fine grid is an ordinary fit."""
    rng = np.random.default_rng(5)
    shapes, gains = rng.normal(size=(3, FIT.size)), np.linspace(-10.0, 10.0, 4001)
    problem = BandGainProblem(
        error_db=rng.normal(0.0, 4.0, (2, FIT.size)),
        seat_weights=np.ones(2),
        frequency_weights=np.ones(FIT.size),
        trust=np.ones((2, FIT.size)),
        gains_db=(gains,) * 3,
        tables_db=tuple(gains[:, None] * shape for shape in shapes),
        limit_frequencies=np.zeros(0),
        limit_tables_db=(np.zeros((4001, 0)),) * 3,
        filter_cap_db=np.zeros(0),
        drive_boost_db=math.inf,
        loss=Loss(excess_weight=1.0, tail_start_db=math.inf),
    )
    solution = solve_band_gains(problem, gap_db=1e-4, tie_break_db=0.0)
    error = (problem.error_db - problem.error_db.mean()).ravel()
    centred = np.tile((shapes - shapes.mean(axis=1, keepdims=True)).T, (2, 1))
    _, residual, _, _ = np.linalg.lstsq(centred, -error, rcond=None)
    exact = float(residual[0]) / error.size
    assert solution.proven
    assert solution.lower_bound <= solution.objective
    assert solution.best_deviation_db == pytest.approx(math.sqrt(exact), abs=2e-4)


def test_split_halves_and_counting_out():
    problem = make_problem(1, constant_q, FOUR)
    tables = StackedTables.from_problem(problem)
    relaxation = Relaxation.of_limits(tables)
    nodes = relaxation.root(choose_start(problem))
    for _ in range(5):
        nodes = split(relaxation, nodes)
        np.testing.assert_allclose(nodes.weights.sum(axis=2), 1.0)
        assert np.all(nodes.weights[~nodes.allowed] == 0.0)
    settings, rest = settings_of_small(nodes, largest=10**6)
    assert len(rest) == 0
    assert len(settings) == 8**4
    assert len(np.unique(settings, axis=0)) == 8**4


@pytest.mark.parametrize("tie_break_db", [0.1, 1.0])
def test_tie_break_is_the_rule(case, tie_break_db):
    """Fewest bands off 0, smallest largest boost, smallest sum of |gain|, then by centre."""
    solution = solve_band_gains(case.problem, tie_break_db=tie_break_db)
    truth = case.truth
    good = truth.feasible & (
        np.sqrt(truth.objective) <= solution.best_deviation_db + tie_break_db + 1e-12
    )
    keys = sorted(
        (
            int(np.count_nonzero(gains)),
            round(float(boost), 8),
            round(float(np.abs(gains).sum()), 8),
            tuple(gains),
        )
        for gains, boost in zip(truth.gains[good], truth.boost[good], strict=True)
    )
    assert solution.tie_break_exact
    assert tuple(solution.gains_db) == keys[0][3]


def test_tie_break_does_not_live_on_local_search(case, monkeypatch):
    """The same rule without its local search and without counting small boxes out."""
    expected = solve_band_gains(case.problem, tie_break_db=0.6)
    monkeypatch.setattr(tie_break_module, "_locally_improved", lambda search, chosen: chosen)
    monkeypatch.setattr(tie_break_module, "_examples", lambda search, boxes, wanted: [])
    monkeypatch.setattr(tie_break_module, "_SMALL", 1)
    solution = solve_band_gains(case.problem, tie_break_db=0.6)
    assert solution.tie_break_exact
    np.testing.assert_array_equal(solution.labels, expected.labels)


@pytest.mark.parametrize("found", [(-3.0, -1.0), (-2.0, -2.0), (-1.0, -3.0)])
def test_tie_break_by_centre(found):
    """Two bands with one shape: only their sum matters, and neither can do it alone."""
    shape = np.exp(-((np.log2(FIT / 50.0) / 0.3) ** 2))
    gains = np.arange(-3.0, 1.0, 0.5)
    tables = gains[:, None] * shape
    problem = BandGainProblem(
        error_db=4.0 * shape[None],
        seat_weights=np.ones(1),
        frequency_weights=np.ones(FIT.size),
        trust=np.ones((1, FIT.size)),
        gains_db=(gains, gains),
        tables_db=(tables, tables),
        limit_frequencies=FIT,
        limit_tables_db=(tables, tables),
        filter_cap_db=np.full(FIT.size, 3.0),
        drive_boost_db=6.0,
    )
    solution = solve_band_gains(problem, tie_break_db=0.001)
    np.testing.assert_array_equal(solution.gains_db, [-3.0, -1.0])
    # The last stage alone, from each setting that is equal in everything else.
    search = tie_break_module._TieBreak(
        StackedTables.from_problem(problem), target=1e-6, node_limit=1000, deadline=None
    )
    labels = np.searchsorted(gains, found)
    first = tie_break_module._first_in_order(search, search.relaxation.root(labels), labels)
    np.testing.assert_array_equal(gains[first], [-3.0, -1.0])


def test_without_tie_break_or_proof():
    problem = make_problem(5, following_q, FOUR)
    plain = solve_band_gains(problem, tie_break_db=0.0)
    np.testing.assert_array_equal(plain.labels, plain.best_labels)
    unproven = solve_band_gains(problem, prove=False)
    np.testing.assert_array_equal(unproven.labels, choose_start(problem))
    assert unproven.lower_bound == 0.0
    assert not unproven.proven
    late = solve_band_gains(problem, time_limit=0.0)
    assert late.lower_bound <= plain.objective
    assert late.nodes == 1


def test_start_is_feasible_and_no_pair_move_helps(case):
    problem, truth = case.problem, case.truth
    start = choose_start(problem)
    number = np.flatnonzero((truth.settings == start).all(axis=1))[0]
    assert truth.feasible[number]
    changed = (truth.settings != start).sum(axis=1)
    near = (np.abs(truth.settings - start).max(axis=1) <= 6) & (changed <= 2) & truth.feasible
    # The ranking is by a second-order expansion, so a move may be missed, but not by much.
    assert math.sqrt(truth.objective[number]) <= math.sqrt(truth.objective[near].min()) * 1.005
    best = truth.objective[truth.feasible].min()
    assert math.sqrt(truth.objective[number]) <= 1.03 * math.sqrt(best)


def test_descent_never_makes_worse():
    problem = make_problem(6, following_q, FOUR, cap=1.5, drive=2.5)
    tables = StackedTables.from_problem(problem)
    truth = enumerate_all(problem)
    for number in np.flatnonzero(truth.feasible)[::97]:
        end = descend(tables, truth.settings[number])
        assert float(problem.objective(end)) <= truth.objective[number] + 1e-12
        assert bool(problem.feasible(end))
        changed = (truth.settings != end).sum(axis=1)
        near = (np.abs(truth.settings - end).max(axis=1) <= 6) & (changed <= 2) & truth.feasible
        assert float(problem.objective(end)) <= truth.objective[near].min() * 1.02


def test_descent_stops_where_an_earlier_one_came_by():
    tables = StackedTables.from_problem(make_problem(6, following_q, FOUR, cap=1.5, drive=2.5))
    start = np.argmin(np.where(tables.allowed, np.abs(tables.gains), np.inf), axis=1)
    visited = set()
    end = descend(tables, start, visited=visited)
    assert not np.array_equal(end, start)
    assert {start.tobytes(), end.tobytes()} <= visited
    np.testing.assert_array_equal(descend(tables, start, visited=visited), start)
    np.testing.assert_array_equal(descend(tables, start), end)


def test_one_node_is_tightened_as_several_are():
    tables = StackedTables.from_problem(make_problem(6, following_q, FOUR, cap=1.5, drive=2.5))
    relaxation = Relaxation.of_limits(tables)
    one = relaxation.root(choose_start(tables.problem))
    two = one.take(np.zeros(2, dtype=np.intp))
    one, _ = relaxation.tighten(one, threshold=np.inf, iterations=12, patient=True)
    two, _ = relaxation.tighten(two, threshold=np.inf, iterations=12, patient=True)
    np.testing.assert_allclose(two.bound, np.repeat(one.bound, 2), rtol=1e-9)
    np.testing.assert_allclose(two.weights, np.repeat(one.weights, 2, axis=0), atol=1e-7)


def test_locks_against_the_filter_limit():
    locked = {CENTRES[3]: np.array([6.0]), CENTRES[6]: np.arange(-6.0, 0.5)}
    with pytest.raises(InfeasibleSettingsError, match=r"filter boost limit: at the lowest"):
        solve_band_gains(make_problem(1, constant_q, locked, drive=20.0))


def test_locks_against_the_drive_limit():
    locked = {CENTRES[3]: np.array([2.5]), CENTRES[6]: np.array([-1.0])}
    with pytest.raises(InfeasibleSettingsError, match="drive boost"):
        choose_start(make_problem(1, constant_q, locked, drive=1.0))


def test_locks_that_only_conflict_jointly():
    """Each limit row could be kept alone, but no setting keeps both: the enumeration says so."""
    gains = np.array([0.0, 1.0])
    rows = (np.array([[0.0, 3.0], [3.0, 0.0]]), np.array([[1.0, 1.0], [1.0, 1.0]]))
    problem = BandGainProblem(
        error_db=np.zeros((1, 2)),
        seat_weights=[1.0],
        frequency_weights=[1.0, 1.0],
        trust=np.ones((1, 2)),
        gains_db=(gains, gains),
        tables_db=(np.zeros((2, 2)), np.zeros((2, 2))),
        limit_frequencies=[40.0, 60.0],
        limit_tables_db=rows,
        filter_cap_db=[3.0, 3.0],
        drive_boost_db=9.0,
    )
    assert not enumerate_all(problem).feasible.any()
    with pytest.raises(InfeasibleSettingsError, match=r"filter boost .* 1\.00 dB at 60 Hz"):
        choose_start(problem)


def test_a_level_rise_alone_breaks_the_drive_limit():
    with pytest.raises(InfeasibleSettingsError, match="drive boost"):
        choose_start(
            make_problem(1, constant_q, {c: [0.0] for c in CENTRES[:2]}, drive=3.0, level=3.5)
        )


@pytest.mark.parametrize(
    "changes",
    [
        {"gap_db": -0.1},
        {"gap_db": math.nan},
        {"node_limit": 0},
        {"time_limit": -1.0},
        {"time_limit": math.nan},
        {"tie_break_db": math.nan},
    ],
)
def test_refuses(changes):
    with pytest.raises(ValueError, match=r"must not be negative|needs gap_db"):
        solve_band_gains(make_problem(1, constant_q, FOUR), **changes)


NINE = {c: np.arange(-24, (0 if c < 25.0 else 12) + 1) * 0.5 for c in CENTRES}


@pytest.fixture(scope="module")
def nine():
    return make_problem(21, following_q, NINE, seats=4)


@pytest.fixture(scope="module")
def nine_solved(nine):
    return solve_band_gains(nine)


def changed(problem, **changes):
    names = [f.name for f in fields(problem) if f.init]
    return BandGainProblem(**{**{n: getattr(problem, n) for n in names}, **changes})


def test_drive_limit_by_frequency_binds_where_it_is_low():
    """The enumeration says that the tight place costs something, and where it holds."""
    seed, law, grids, changes = CASES["drive by frequency"]
    truth = enumerate_all(make_problem(seed, law, grids, **changes))
    loose = enumerate_all(make_problem(seed, law, grids, level=0.5))
    best = truth.objective[truth.feasible].min()
    assert loose.objective[loose.feasible].min() + 0.1 < best
    solution = solve_band_gains(make_problem(seed, law, grids, **changes))
    assert abs(math.log2(solution.drive_slack_frequency / 30.0)) < 0.5
    mean = float(np.mean(TIGHT_AT_30))
    flat = enumerate_all(make_problem(seed, law, grids, drive=mean, level=0.5))
    assert not np.array_equal(flat.feasible, truth.feasible)


@pytest.mark.parametrize("name", CASES)
def test_constant_drive_limit_is_the_scalar_to_the_last_bit(name):
    seed, law, grids, changes = CASES[name]
    if np.ndim(changes.get("drive", 6.0)):
        changes = {**changes, "drive": 3.0}
    scalar = make_problem(seed, law, grids, **changes)
    scalar = changed(scalar)  # normalised weights are normalised again in both
    array = changed(scalar, drive_boost_db=np.full(LIMIT.size, scalar.drive_boost_db))
    assert np.shape(array.drive_cap_db) == LIMIT.shape
    one, other = solve_band_gains(scalar), solve_band_gains(array)
    np.testing.assert_array_equal(one.labels, other.labels)
    np.testing.assert_array_equal(one.best_labels, other.best_labels)
    assert (one.lower_bound, one.nodes, one.slack) == (other.lower_bound, other.nodes, other.slack)
    settings = np.array(list(itertools.product(*(range(g.size) for g in scalar.gains_db))))
    np.testing.assert_array_equal(scalar.excess_db(settings), array.excess_db(settings))


def test_same_input_same_output(nine, nine_solved):
    again = solve_band_gains(changed(nine))
    np.testing.assert_array_equal(again.labels, nine_solved.labels)
    assert (again.lower_bound, again.nodes) == (nine_solved.lower_bound, nine_solved.nodes)


def test_root_alone_is_not_called_a_proof(nine):
    whole = solve_band_gains(nine, gap_db=0.0, tie_break_db=0.0)
    root = solve_band_gains(nine, gap_db=0.0, tie_break_db=0.0, node_limit=1)
    assert root.nodes == 1 < whole.nodes
    assert not root.proven
    assert root.gap_db > 0.0
    assert root.lower_bound < whole.lower_bound
    assert whole.gap_db <= 1e-9


@pytest.mark.parametrize("seed", range(30, 36))
def test_start_of_nine_bands_keeps_tight_limits(seed):
    problem = make_problem(seed, following_q, NINE, seats=4, cap=1.0, drive=2.5)
    start = choose_start(problem)
    assert bool(problem.feasible(start))
    proven = solve_band_gains(problem, tie_break_db=0.0, node_limit=100)
    assert float(problem.objective(start)) <= 1.05 * proven.objective


@pytest.mark.parametrize("what", ["offset", "order", "twice", "weights"])
def test_unchanged_by(nine, nine_solved, what):
    order = np.array([2, 0, 3, 1])
    twice = {n: np.repeat(getattr(nine, n), 2, axis=0) for n in ("error_db", "trust")}
    variants = {
        "offset": {"error_db": nine.error_db + 17.0},
        "order": {n: getattr(nine, n)[order] for n in ("error_db", "trust", "seat_weights")},
        "twice": {**twice, "seat_weights": np.repeat(nine.seat_weights, 2)},
        "weights": {
            "seat_weights": 10.0 * nine.seat_weights,
            "frequency_weights": 10.0 * nine.frequency_weights,
        },
    }
    other = solve_band_gains(changed(nine, **variants[what]))
    np.testing.assert_array_equal(other.labels, nine_solved.labels)
    np.testing.assert_array_equal(other.best_labels, nine_solved.best_labels)
    assert other.deviation_db == pytest.approx(nine_solved.deviation_db, abs=1e-9)
    assert other.lower_bound_db <= other.best_deviation_db


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

    response, mean = cascade(axis), float(cascade(FIT) @ nine.frequency_weights)
    assert response.max() <= 3.0 + 0.01
    assert response[axis < 24.9].max() <= 0.5 + 0.01
    assert (response - mean).max() <= 6.0 + 0.01
    if which == "gains_db":
        assert nine_solved.filter_slack_db == pytest.approx(
            min((3.0 - response[axis >= 25.0]).min(), (0.5 - response[axis < 25.0]).min()), abs=0.05
        )
        assert nine_solved.drive_slack_db == pytest.approx(6.0 - (response - mean).max(), abs=0.05)


def test_proposal_is_as_good_as_it_says(nine, nine_solved):
    assert nine_solved.proven
    assert nine_solved.tie_break_exact
    assert nine_solved.deviation_db <= nine_solved.best_deviation_db + 0.1 + 1e-9
    assert nine_solved.deviation_db == pytest.approx(
        math.sqrt(float(nine.objective(nine_solved.labels))), rel=1e-12
    )
    bands = np.count_nonzero
    assert bands(nine_solved.gains_db) <= bands(nine_solved.best_gains_db)
