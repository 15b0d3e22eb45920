"""The joining search against the definition of J and against complete scans."""

from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import CORNER, modal_survey

from roomeq.device.phase_control import all_pass_response
from roomeq.optimiser.deviations import weighted_deviation_db
from roomeq.optimiser.joining_search import (
    JoiningGrid,
    JoiningSurface,
    _Descent,
    refine_place,
    search_grid,
)
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings, LevelRange
from roomeq.optimiser.joining_survey import prepare_joining
from roomeq.optimiser.loss import Loss

PHASES = np.arange(0.0, 181.0, 15.0)


def prepared(seed, **others):
    survey = modal_survey(seed, **others)
    return prepare_joining(survey, corner=CORNER, common_time_reference=True)


def small_grid():
    return JoiningGrid(
        delays=DelayRange(lowest=-0.010, highest=0.010).values,
        phases_deg=PHASES,
        phase_frequency=80.0,
        level_changes_db=LevelRange(lowest_db=-4, highest_db=4, step_db=1.0).values_db,
    )


def complete_scan(surface, grid):
    """Evaluate every setting, shape (D, Q, 2, L)."""
    delays, phases = grid.delays.size, grid.phases_deg.size
    values = surface.objective(
        np.repeat(grid.delays, phases),
        np.tile(grid.phases_deg, delays),
        level_changes_db=grid.level_changes_db,
    )
    return values.reshape(delays, phases, 2, -1)


@pytest.mark.parametrize("loss", [Loss(), Loss(excess_weight=3.0, tail_start_db=2.0)])
def test_objective_is_the_definition(loss):
    # |S x + M|^2 formed as a complex sum, smoothed, against the target; loss as defined elsewhere
    data = prepared(3)
    trust = np.random.default_rng(0).uniform(0, 1, data.trust.shape)
    data = replace(data, trust=trust)
    surface = JoiningSurface(data=data, loss=loss, phase_frequency=70.0)
    for settings in (
        JoiningSettings(),
        JoiningSettings(delay=0.0037, inverted=True, level_change_db=-2.5),
        JoiningSettings(delay=-0.008, phase_deg=105, phase_frequency=70.0, level_change_db=3.0),
    ):
        expected = weighted_deviation_db(
            data.error_db(settings),
            seat_weights=data.seat_weights,
            frequency_weights=data.frequency_weights,
            trust=data.trust,
            loss=loss,
        )
        assert np.sqrt(surface.objective_of(settings)) == pytest.approx(expected, abs=1e-9)


def test_power_of_a_sum_is_three_terms():
    # |S + M|^2 = |S|^2 + |M|^2 + 2 Re{S conj(M)}, smoothed or not
    data = prepared(5)
    surface = JoiningSurface(data=data, loss=Loss(), phase_frequency=80.0)
    cross = surface.turned_cross(np.array([0.002]), np.array([45.0]))[0]
    turn = np.exp(-2j * np.pi * data.points * 0.002) * all_pass_response(
        data.points, lag_deg=45.0, frequency=80.0
    )
    expected = np.abs(data.sub * turn + data.mains) ** 2 @ data.smoothing
    np.testing.assert_allclose(
        surface.sub_power + surface.mains_power + 2 * cross, expected, rtol=1e-9
    )


@pytest.mark.parametrize("seed", range(20))
def test_finds_the_optimum_of_a_complete_scan(seed):
    data = prepared(seed)
    grid = small_grid()
    surface = JoiningSurface(data=data, loss=Loss(), phase_frequency=80.0)
    values = complete_scan(surface, grid)
    evaluated = [0]
    found = search_grid(surface, grid, evaluated=evaluated)
    for polarity in (0, 1):
        best = found[polarity, True][0]
        assert best[1] == pytest.approx(values[:, :, polarity].min(), abs=1e-9)
        place = best[0]
        assert values[place[0], place[1], polarity, place[3]] == pytest.approx(best[1], abs=1e-9)
        at_rest = found[polarity, False][0]
        assert at_rest[1] == pytest.approx(values[:, 0, polarity].min(), abs=1e-9)
        assert at_rest[0][1] == grid.rest


def test_landscape_has_many_local_minima_and_descent_misses():
    # why nothing descends from a single start
    data = prepared(0)
    grid = small_grid()
    surface = JoiningSurface(data=data, loss=Loss(), phase_frequency=80.0)
    lowest = complete_scan(surface, grid).min(axis=-1)
    padded = np.pad(lowest, [(1, 1), (1, 1), (0, 0)], constant_values=np.inf)
    inner = padded[1:-1, 1:-1]
    around = [padded[1 + i : padded.shape[0] - 1 + i, 1 + j : padded.shape[1] - 1 + j]
              for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]  # fmt: skip
    minima = np.all([inner < other for other in around], axis=0)
    assert minima.sum() > 5
    start = (100, 0, 0, 4)  # no delay, nothing turned
    _, value = refine_place(surface, grid, start, phase_free=True)
    assert value > lowest.min() + 1e-3


def test_refining_stays_put_at_a_local_minimum_and_keeps_the_polarity():
    data = prepared(7)
    grid = small_grid()
    surface = JoiningSurface(data=data, loss=Loss(), phase_frequency=80.0)
    place, value = refine_place(surface, grid, (120, 3, 1, 2), phase_free=False)
    assert place[1:3] == (3, 1)
    again, same = refine_place(surface, grid, place, phase_free=False)
    assert (again, same) == (place, value)
    assert value <= surface.objective_of(grid.settings((120, 3, 1, 2)))


def test_more_refinement_looks_at_more_and_is_never_worse():
    surface = JoiningSurface(data=prepared(11), loss=Loss(), phase_frequency=80.0)
    counts, values = [], []
    for refined in (1, 20):
        evaluated = [0]
        found = search_grid(surface, small_grid(), refined=refined, evaluated=evaluated)
        counts.append(evaluated[0])
        values.append(found[0, True][0][1])
    assert counts[0] < counts[1]
    assert values[1] <= values[0]


def test_descents_share_what_they_saw_and_end_where_they_would_alone():
    grid = small_grid()
    surface = JoiningSurface(data=prepared(9), loss=Loss(), phase_frequency=80.0)
    shared, alone = [0], [0]
    descent = _Descent(surface, grid, shared)
    for start in [(40, 2, 0, 4), (47, 3, 0, 4), (120, 6, 1, 2), (40, 2, 0, 4)]:
        for free in (False, True):
            place, value = descent.end_of(start, phase_free=free)
            other, same = refine_place(surface, grid, start, phase_free=free, evaluated=alone)
            assert place == other
            assert value == pytest.approx(same, abs=1e-9)
    assert shared[0] < 0.6 * alone[0]


def test_one_setting_is_judged_at_its_own_phase_frequency():
    data = prepared(4)
    settings = JoiningSettings(delay=0.001, phase_deg=90.0, phase_frequency=60.0)
    for frequency in (None, 80.0):
        surface = JoiningSurface(data=data, loss=Loss(), phase_frequency=frequency)
        expected = weighted_deviation_db(
            data.error_db(settings),
            seat_weights=data.seat_weights,
            frequency_weights=data.frequency_weights,
            trust=data.trust,
            loss=Loss(),
        )
        assert np.sqrt(surface.objective_of(settings)) == pytest.approx(expected, abs=1e-9)


def test_one_setting_of_everything_is_enough():
    data = prepared(1)
    grid = JoiningGrid(delays=np.array([0.001]))
    found = search_grid(JoiningSurface(data=data, loss=Loss()), grid)
    assert found[0, False] == found[0, True]
    assert found[1, True][0][0] == (0, 0, 1, 0)


def test_coarse_grid_holds_both_ends():
    grid = JoiningGrid(delays=np.arange(12) * 1e-4, phases_deg=PHASES, phase_frequency=80.0)
    np.testing.assert_array_equal(grid.coarse("delay"), [0, 5, 10, 11])
    np.testing.assert_array_equal(grid.coarse("phase"), np.arange(13))
    fine = JoiningGrid(delays=np.zeros(1), phases_deg=np.arange(0, 181, 5.0), phase_frequency=80.0)
    np.testing.assert_array_equal(fine.coarse("phase"), np.arange(0, 37, 3))
    assert grid.size == 2 * 12 * 13


@pytest.mark.parametrize("values", [[], [0.1, 0.0], [[0.0, 0.1]], [np.nan], [0.0, np.inf]])
def test_refuses_grids(values):
    with pytest.raises(ValueError, match="delays must be finite, rising"):
        JoiningGrid(delays=np.array(values))
