"""The loss and the band-gain problem, against their formulas written out element by element."""

from __future__ import annotations

import math

import numpy as np
import pytest

from roomeq.optimiser.problem import BandGainProblem, Loss


def loss_by_formula(error, trust, r, d):
    """The loss as shared definitions state it: excess, shortfall, tail; one number at a time."""
    if error > 0:
        return r * error**2
    size = -error
    return trust * size**2 if size <= d else trust * d * (2 * size - d)


def make_problem(seed=0, seats=3, frequencies=12, rows=5, counts=(4, 3), **changes):
    rng = np.random.default_rng(seed)
    values = {
        "error_db": rng.normal(0.0, 6.0, (seats, frequencies)),
        "seat_weights": rng.uniform(0.5, 2.0, seats),
        "frequency_weights": rng.uniform(0.1, 1.0, frequencies),
        "trust": rng.uniform(0.0, 1.0, (seats, frequencies)),
        "gains_db": tuple(np.arange(k) - 1.0 for k in counts),
        "tables_db": tuple(rng.normal(0.0, 3.0, (k, frequencies)) for k in counts),
        "limit_frequencies": np.linspace(20.0, 60.0, rows),
        "limit_tables_db": tuple(rng.normal(0.0, 3.0, (k, rows)) for k in counts),
        "filter_cap_db": rng.uniform(1.0, 5.0, rows),
        "drive_boost_db": 6.0,
    }
    return BandGainProblem(**{**values, **changes})


@pytest.mark.parametrize(("r", "d"), [(2.0, 6.0), (1.0, math.inf), (3.0, 0.5)])
def test_loss_is_its_formula(r, d):
    errors = np.concatenate([np.linspace(-30.0, 30.0, 61), [-d, -6.0, 0.0]])
    errors = errors[np.isfinite(errors)]
    for trust in (0.0, 0.3, 1.0):
        expected = [loss_by_formula(error, trust, r, d) for error in errors]
        found = Loss(excess_weight=r, tail_start_db=d).value(errors, trust=trust)
        np.testing.assert_allclose(found, expected, rtol=1e-13, atol=0)


def test_default_loss():
    assert Loss().value(3.0) == 18.0  # r = 2
    assert Loss().value(-3.0) == 9.0
    assert Loss().value(-10.0) == 6.0 * (20.0 - 6.0)  # d = 6 dB


@pytest.mark.parametrize("changes", [{"excess_weight": 0.5}, {"excess_weight": math.nan}])
def test_loss_refuses_excess_weight(changes):
    with pytest.raises(ValueError, match="excess_weight"):
        Loss(**changes)


@pytest.mark.parametrize("start", [0.0, -1.0, math.nan])
def test_loss_refuses_tail_start(start):
    with pytest.raises(ValueError, match="tail_start_db"):
        Loss(tail_start_db=start)


@pytest.mark.parametrize(("r", "d"), [(2.0, 6.0), (1.0, math.inf), (3.0, 1.5)])
def test_objective_is_the_weighted_mean_of_the_loss(r, d):
    problem = make_problem(loss=Loss(excess_weight=r, tail_start_db=d))
    p = problem.seat_weights / problem.seat_weights.sum()
    w = problem.frequency_weights / problem.frequency_weights.sum()
    mean = sum(p[s] * w[f] * problem.error_db[s, f] for s in range(len(p)) for f in range(len(w)))
    for labels in ([0, 0], [3, 1], [1, 2]):
        response = problem.tables_db[0][labels[0]] + problem.tables_db[1][labels[1]]
        offset = response - (w * response).sum()
        expected = sum(
            p[s]
            * w[f]
            * loss_by_formula(problem.error_db[s, f] - mean + offset[f], problem.trust[s, f], r, d)
            for s in range(len(p))
            for f in range(len(w))
        )
        assert float(problem.objective(labels)) == pytest.approx(expected, rel=1e-12)
        assert float(problem.offset_objective(offset)) == pytest.approx(expected, rel=1e-12)


def test_slope_and_curvature_are_the_derivatives():
    problem = make_problem()
    folded = problem.frequency_loss
    for offset in np.random.default_rng(1).uniform(-20.0, 20.0, (20, 12)):
        step = 1e-5
        value, slope, _ = folded.expansion(offset)
        above, below = folded.value(offset + step), folded.value(offset - step)
        np.testing.assert_allclose(value, folded.value(offset), rtol=1e-12)
        np.testing.assert_allclose(slope, (above - below) / (2 * step), atol=1e-6)
        _, slope_above, curvature = folded.expansion(offset + 1e-7)
        np.testing.assert_allclose(slope_above - slope, 1e-7 * curvature, atol=1e-12)


def test_far_offsets_stay_with_their_own_frequency():
    problem = make_problem()
    far = np.full(12, 1e5)
    expected = float(problem.offset_objective(far))
    error = problem.error_db - problem.mean_error_db + 1e5
    direct = problem.seat_weights @ Loss().value(error, trust=problem.trust)
    assert expected == pytest.approx(float(direct @ problem.frequency_weights), rel=1e-9)


def test_plain_least_squares_over_seats_is_that_of_the_level_mean():
    """Sums of squares split into spread over the seats plus the error of the mean (Huygens)."""
    plain = Loss(excess_weight=1.0, tail_start_db=math.inf)
    rng = np.random.default_rng(3)
    error = rng.normal(0.0, 5.0, (6, 12))
    seats = make_problem(
        seats=6, error_db=error, seat_weights=np.ones(6), trust=np.ones((6, 12)), loss=plain
    )
    mean = make_problem(
        seats=1,
        error_db=error.mean(axis=0, keepdims=True),
        seat_weights=np.ones(1),
        trust=np.ones((1, 12)),
        loss=plain,
        frequency_weights=seats.frequency_weights,
        tables_db=seats.tables_db,
    )
    spread = float(error.var(axis=0) @ seats.frequency_weights)
    for labels in ([0, 0], [2, 1], [3, 2]):
        assert float(seats.objective(labels)) == pytest.approx(
            float(mean.objective(labels)) + spread, rel=1e-12
        )


def test_trust_never_excuses_an_excess():
    high = np.full((3, 12), 1.0)
    high[:, 0] = 40.0  # the mean is removed, the rest becomes a shortfall
    none = make_problem(error_db=high, trust=np.zeros((3, 12)))
    full = make_problem(error_db=high, trust=np.ones((3, 12)))
    zero = none.offset_objective(np.zeros(12))
    excess = 40.0 - none.mean_error_db
    assert float(zero) == pytest.approx(2.0 * excess**2 * none.frequency_weights[0], rel=1e-12)
    assert float(full.offset_objective(np.zeros(12))) > float(zero)


@pytest.mark.parametrize("cap", [1.0, 40.0])
@pytest.mark.parametrize("drive", [6.0, np.array([6.0, 2.0, -1.0, 4.0, 9.0])])
def test_limits_by_their_definition(cap, drive):
    problem = make_problem(
        level_change_db=1.5, filter_cap_db=cap + np.arange(5.0), drive_boost_db=drive
    )
    for labels in ([0, 0], [1, 2], [3, 0]):
        rows = problem.limit_tables_db[0][labels[0]] + problem.limit_tables_db[1][labels[1]]
        response = problem.tables_db[0][labels[0]] + problem.tables_db[1][labels[1]]
        mean = float(response @ problem.frequency_weights)
        filter_slack = problem.filter_cap_db - rows
        drive_slack = drive - (rows - mean + 1.5)
        slack = problem.slack(labels)
        assert slack.filter_slack_db == pytest.approx(filter_slack.min())
        assert slack.filter_frequency == problem.limit_frequencies[filter_slack.argmin()]
        assert slack.drive_slack_db == pytest.approx(drive_slack.min())
        assert slack.drive_frequency == problem.limit_frequencies[drive_slack.argmin()]
        least = min(filter_slack.min(), drive_slack.min())
        assert float(problem.excess_db(labels)) == pytest.approx(-least)
        assert bool(problem.feasible(labels)) == (least >= -1e-9)


def test_turning_down_gives_no_room():
    """Only a rise of the level knob counts against the drive limit."""
    still, down = make_problem(), make_problem(level_change_db=-3.0)
    assert down.drive_cap_db == still.drive_cap_db == 6.0
    assert make_problem(level_change_db=2.0).drive_cap_db == 4.0


def test_no_limit_rows():
    problem = make_problem(
        rows=0, limit_tables_db=(np.zeros((4, 0)), np.zeros((3, 0))), filter_cap_db=np.zeros(0)
    )
    assert bool(problem.feasible([0, 0]))
    assert problem.slack([0, 0]).drive_slack_db == math.inf


def test_many_settings_at_once():
    problem = make_problem()
    settings = np.array([[0, 0], [1, 2], [3, 1]])
    one_by_one = [float(problem.objective(labels)) for labels in settings]
    np.testing.assert_allclose(problem.objective(settings), one_by_one, rtol=1e-14)
    np.testing.assert_array_equal(problem.setting_gains_db(settings), settings - 1.0)


def test_arrays_are_copied_and_read_only():
    error = np.zeros((3, 12))
    problem = make_problem(error_db=error)
    error[0, 0] = 99.0
    assert problem.error_db[0, 0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        problem.error_db[0, 0] = 1.0


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"error_db": np.zeros(12)}, "seats by frequencies"),
        ({"error_db": np.full((3, 12), np.nan)}, "finite"),
        ({"trust": np.full((3, 12), 1.1)}, "between 0 and 1"),
        ({"trust": np.full((3, 12), np.nan)}, "finite"),
        ({"seat_weights": np.zeros(3)}, "seat_weights"),
        ({"seat_weights": [1.0, np.nan, 1.0]}, "seat_weights"),
        ({"frequency_weights": -np.ones(12)}, "frequency_weights"),
        ({"gains_db": (np.zeros(4), np.arange(3.0))}, "increasing"),
        ({"gains_db": (np.arange(4.0),)}, "one entry for each band"),
        ({"tables_db": (np.zeros((4, 11)), np.zeros((3, 12)))}, "tables_db"),
        ({"limit_tables_db": (np.zeros((4, 5)), np.zeros((3, 4)))}, "limit_tables_db"),
        ({"filter_cap_db": np.full(5, np.nan)}, "filter_cap_db"),
        ({"drive_boost_db": math.nan}, "drive_boost_db"),
        ({"drive_boost_db": np.full(3, 6.0)}, "drive_boost_db"),
        ({"level_change_db": math.inf}, "level_change_db"),
    ],
)
def test_refuses(changes, message):
    with pytest.raises(ValueError, match=message):
        make_problem(**changes)


@pytest.mark.parametrize("labels", [[0], [4, 0], [-1, 0], [0.5, 0]])
def test_refuses_labels(labels):
    with pytest.raises(ValueError, match="labels"):
        make_problem().objective(labels)
