"""Level and bands by the sum: the definition by numpy and scipy, full enumeration, limits."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from formulas import peaking_coefficients
from joining_rooms import CORNER, FREQUENCIES, linkwitz_riley, modal_survey, survey_of

from roomeq.analysis.smoothing import smooth_power
from roomeq.base.bands import third_octave_band
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.equaliser import BandShape, FixedBandEqualiser, QLaw
from roomeq.device.processor import JoiningSettings, LevelRange
from roomeq.importers.device_profile import read_device
from roomeq.optimiser.bands.fit_data import prepare_fit
from roomeq.optimiser.bands.gains import BandGainTask
from roomeq.optimiser.joining.sum_bands import SumBands, band_responses
from roomeq.optimiser.joining.sum_search import solve_sum_bands
from roomeq.optimiser.joining.survey import prepare_joining
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import Target

LOW, HIGH = (
    CrossoverFilter(kind=kind, family="linkwitz_riley", order=4, corner=CORNER)
    for kind in ("low_pass", "high_pass")
)


def small_equaliser(step_db=3.0):
    return FixedBandEqualiser(
        bands=tuple(third_octave_band(f) for f in (40, 63)),
        lowest_db=-12.0,
        highest_db=6.0,
        step_db=step_db,
        q_law=QLaw.constant(3.0),
        sample_rate=48000.0,
    )


def problem_of(
    survey,
    *,
    equaliser=None,
    present=None,
    levels=None,
    limits=None,
    target=None,
    comparable=True,
):
    equaliser = equaliser or small_equaliser()
    survey = replace(survey, levels_comparable=comparable)
    target = target or Target(path=(LOW,), lower_limit=25.0, lower_limit_order=2)
    gains = np.zeros(len(equaliser.bands)) if present is None else np.array(present)
    data = prepare_joining(
        survey,
        corner=CORNER,
        target=target,
        span=(25.0, 2.0 * CORNER),
    )
    task = BandGainTask(
        data=prepare_fit(survey, equaliser=equaliser, target=target, present_gains_db=gains),
        equaliser=equaliser,
        target=target,
        limits=limits or Limits(),
        loss=Loss(),
        corner=CORNER,
        present_gains_db=gains,
    )
    return SumBands(
        data=data,
        joining=JoiningSettings(delay=0.001, inverted=True),
        task=task,
        levels=levels or LevelRange(step_db=1.0),
        mains_filters=(HIGH,),
    )


def peaking(centre, gain_db, points, q=3.0):
    b, a = peaking_coefficients(centre=centre, q=q, gain_db=gain_db, sample_rate=48000)
    return scipy.signal.freqz(b, a, worN=points, fs=48000)[1]


def defined_db(bands, gains_db, level_db):
    """Return sqrt(F) straight from its definition."""
    data = bands.data
    change = -np.exp(-2j * np.pi * data.points * 0.001) * 10 ** (level_db / 20)
    for band, gain in zip(bands.task.equaliser.bands, gains_db, strict=True):
        change = change * peaking(band.centre, gain, data.points)

    def smooth_db(rows):
        power = 10 ** (-data.seat_offsets_db / 10) @ np.abs(rows) ** 2 / len(rows)
        return 10 * np.log10(smooth_power(data.points, power, at=data.frequencies, fraction=6))

    axis = data.frequencies
    alone = (axis >= 1.25 * CORNER * (1 - 1e-9)) & (axis <= 2 * CORNER * (1 + 1e-9))
    ratio = (axis[alone] / CORNER) ** 4
    shape_db = bands.task.target.shape_db(axis)
    mains_db = (smooth_db(data.mains) - shape_db)[alone] - 20 * np.log10(ratio / (1 + ratio))
    error = smooth_db(data.sub * change + data.mains) - shape_db - mains_db.mean()
    allowance = 10 * np.log10(1 + 3 * (25.0 / axis) ** 4)
    excess, short = np.maximum(error, 0), np.minimum(error + allowance, 0)
    for low, high in bands.task.data.dips:
        inside = (axis >= low) & (axis <= high) & (axis <= CORNER)
        short = np.where(inside, np.maximum(short, -6.0), short)
    for low, high in bands.task.data.nulls:
        short = np.where((axis >= low) & (axis <= high) & (axis <= CORNER), 0.0, short)
    own = bands.task.data.frequencies
    mean = np.mean(
        sum(
            20 * np.log10(np.abs(peaking(b.centre, g, own)))
            for b, g in zip(bands.task.equaliser.bands, gains_db, strict=True)
        )
    )
    return np.sqrt(np.mean(2 * excess**2 + short**2) + 0.01 * min(mean, 0.0) ** 2)


def notched(survey, depth_db):
    """Return the survey with a dip of half an octave at 45 Hz in the subwoofer at every seat."""

    def dip(axis):
        return 10 ** (-depth_db * np.exp(-((np.log2(axis / 45.0) / 0.22) ** 2)) / 20)

    return survey.filtered("sub", dip)


@pytest.mark.parametrize(
    ("seed", "depth_db"),
    [(0, 0.0), (1, 11.0), (2, 40.0), (0, 40.0)],  # none, a dip, a narrow null
)
def test_deviation_is_its_definition(seed, depth_db):
    bands = problem_of(notched(modal_survey(seed), depth_db))
    assert bool(bands.task.data.dips) or not depth_db
    assert bool(bands.task.data.nulls) is (depth_db > 11.0)
    for gains, level in (([0, 0], 0.0), ([-6, 3], 2.0), ([-12, -9], -3.0), ([6, 6], 0.0)):
        assert bands.deviation_db(np.array(gains), level) == pytest.approx(
            defined_db(bands, gains, level), abs=1e-6
        )


def tilted_problem(seed):
    """Return a problem with a tilted target, and a seat whose level does not compare."""
    survey = modal_survey(seed)
    apart = tuple(
        replace(m, response=m.response.filtered([1.0 + (m.seat == "seat 2")] * FREQUENCIES.size))
        for m in survey.measurements
    )
    target = Target(
        shape="tilt", tilt_db_per_octave=-1.5, path=(LOW,), lower_limit=25.0, lower_limit_order=2
    )
    return problem_of(replace(survey, measurements=apart), target=target, comparable=False)


def test_tilt_and_levels_that_do_not_compare_are_in_the_definition():
    bands = tilted_problem(1)
    offsets = bands.data.seat_offsets_db
    assert offsets[1] - offsets[[0, 2]].mean() > 3.0
    for gains, level in (([0.0, 0.0], 0.0), ([-6.0, 3.0], 2.0)):
        found = bands.deviation_db(np.array(gains), level)
        assert found == pytest.approx(defined_db(bands, gains, level), abs=1e-6)
    setting = bands.setting(bands.nearest(np.array([-6.0, 3.0])))
    for row in (block := bands.at_all_levels(bands.nearest(setting.gains_db)))[[0, -1]]:
        one = bands.setting(row)
        found = np.sqrt(bands.values(block)[row[-1]])  # beside the first as by itself
        expected = bands.deviation_db(one.gains_db, one.level_change_db)
        assert [one.deviation_db, found] == pytest.approx([expected] * 2, abs=1e-9)
    turned = -np.exp(-2j * np.pi * bands.data.points * 0.001)
    for band, gain in zip(bands.task.equaliser.bands, (-6.0, 3.0), strict=True):
        turned = turned * peaking(band.centre, gain, bands.data.points)
    power = np.abs(bands.data.sub * turned + bands.data.mains) ** 2
    axis = bands.data.frequencies
    level_db = 10 * np.log10(smooth_power(bands.data.points, power, at=axis, fraction=6))
    expected = np.std(level_db - bands.data.target_db, axis=1)
    np.testing.assert_allclose(bands.seat_deviations_db(setting), expected, atol=1e-9)


def test_fall_of_the_excess_is_the_largest_of_a_third_octave():
    bands = tilted_problem(3)
    points, axis = bands.data.points, bands.data.frequencies
    bands = bands.with_sub(np.full(points.size, 4.0))
    setting = replace(bands.present(), gains_db=np.array([-3.0, 0.0]), level_change_db=-1.0)
    change = 10 ** (-1.0 / 20) * peaking(10**1.6, -3.0, points)
    before, after = np.maximum(bands.error_db(np.array([np.ones(points.size), change])), 0.0)
    number = np.floor(10 * np.log10(axis) + 0.5)  # IEC 61260-1: 16 is 40 Hz, 18 is 63 Hz
    falls = [(before - after)[number == n].mean() for n in (16, 18)]
    assert max(falls) > 1.0
    assert after[number == 16 + 2 * np.argmax(falls)].min() > 0.5  # nothing is cut off
    assert bands.excess_fall_db(setting) == pytest.approx(max(falls), abs=1e-3)
    low = replace(bands.present(), level_change_db=-40.0)
    assert bands.error_db(np.full((1, points.size), 0.01)).min() < 0.0  # no excess any more
    after = np.maximum(bands.error_db(np.full((1, points.size), 0.01)), 0.0)[0]
    most = max((before - after)[number == n].mean() for n in (16, 18))
    assert bands.excess_fall_db(low) == pytest.approx(most, abs=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_best_of_all_settings_is_found(seed):
    """Every label of both bands and every level; 2 % of what is gained may go for fewer moves."""
    bands = problem_of(modal_survey(seed))
    counts = [len(gains) for gains in bands.problem.gains_db]
    every = np.array(
        list(itertools.product(*map(range, counts), range(bands.level_changes_db.size)))
    )
    values = bands.values(every)
    flat = np.zeros(2)
    kept = [row for row in np.argsort(values) if bands.feasible(every[row])]
    best = float(np.sqrt(values[kept[0]]))
    found = solve_sum_bands(bands, flat)
    assert found.deviation_db >= best - 1e-9
    allowed = 0.02 * (bands.present().deviation_db - best)
    assert found.deviation_db <= best + allowed + 1e-6


@pytest.mark.parametrize(("seed", "drive_boost_db"), [(1, 0.0), (3, 2.0), (1, 6.0)])
def test_limits_of_shape_and_drive_hold(seed, drive_boost_db):
    limits = Limits(drive_boost_db=drive_boost_db)
    bands = problem_of(
        modal_survey(seed), equaliser=read_device("nine_band").equaliser, limits=limits
    )
    found = solve_sum_bands(bands, np.zeros(9))
    fine = np.geomspace(20.0, 300.0, 2000)
    response = bands.task.equaliser.response_db(found.gains_db, fine)
    assert (response <= bands.task.cap_db(fine) + 0.1).all()
    assert (response + found.level_change_db <= drive_boost_db + 0.02).all()


@pytest.mark.parametrize("thorough", [False, True])
def test_a_start_that_no_level_allows_gives_way_to_bands_at_rest(thorough):
    """6 dB in both bands where 1 dB is allowed: what is found is what is found from rest."""
    bands = problem_of(modal_survey(1), limits=Limits(filter_boost_db=1.0))
    start = np.full(2, 6.0)
    block = bands.at_all_levels(bands.nearest(start))
    assert not any(bands.feasible(row) for row in block)
    found = solve_sum_bands(bands, start, thorough=thorough)
    at_rest = solve_sum_bands(bands, np.zeros(2), thorough=thorough)
    np.testing.assert_array_equal(found.gains_db, at_rest.gains_db)
    assert found.level_change_db == at_rest.level_change_db


def test_a_level_that_fills_a_cancellation_is_refused():
    """Opposite at every frequency: 9 dB more would fill it, the power sum asks for none.

    0.7 of the mains, inverted: |1 - 0.7 g| is 1 at g = 2.86, 9.1 dB; |1|^2 + |0.7 g|^2 grows.
    """
    survey = survey_of(-0.7 * np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size))
    levels = LevelRange(lowest_db=-6.0, highest_db=12.0, step_db=1.0)
    bands = problem_of(
        survey,
        levels=levels,
        limits=Limits(drive_boost_db=24.0, high_pass_corner=25.0),  # nothing else holds it back
        target=Target(lower_limit=20.0, lower_limit_order=2),
    )
    bands = replace(bands, joining=JoiningSettings(), mains_filters=())
    zero = np.zeros(2)
    deviations = [bands.deviation_db(zero, level) for level in levels.values_db]
    assert levels.values_db[int(np.argmin(deviations))] == 9.0
    block = bands.at_all_levels(bands.nearest(zero))
    allowed = [levels.values_db[row[-1]] for row in block if bands.feasible(row)]
    assert max(allowed) == -6.0 + 3.0
    assert solve_sum_bands(bands, zero).level_change_db <= -6.0 + 3.0


@pytest.mark.parametrize(
    ("sub_db", "drive_boost_db", "said"),
    [
        (0.0, 6.0, ""),
        (0.0, 0.5, ""),
        (-10.0, 2.0, "drive"),
        (-10.0, 12.0, "range"),
        (10.0, 6.0, "range"),
    ],
)
def test_what_ends_the_level_is_told(sub_db, drive_boost_db, said):
    """A matched pair with the subwoofer off by a level that its knob cannot make good."""
    close = linkwitz_riley("low", 4) * np.exp(-2j * np.pi * FREQUENCIES * -0.001) * -1
    survey = survey_of(close * 10 ** (sub_db / 20), linkwitz_riley("high", 4))
    flat = Target(path=(LOW,), lower_limit=15.0, lower_limit_order=2)
    limits = Limits(drive_boost_db=drive_boost_db, locked=(40.0, 63.0))
    bands = problem_of(survey, limits=limits, target=flat)
    setting = solve_sum_bands(bands, np.zeros(2))
    assert bands.level_stops_at(setting) == said
    assert bands.level_stops_at(bands.setting(bands.nearest(np.zeros(2)))) == ""  # it may go on
    wanted_db = {"": 0.0, "drive": 2.0, "range": -6.0 if sub_db > 0 else 6.0}[said]
    assert setting.level_change_db == pytest.approx(wanted_db, abs=1e-9)


def test_a_drive_limit_below_the_first_step_ends_the_level():
    survey = survey_of(0.3 * linkwitz_riley("low", 4), linkwitz_riley("high", 4))
    flat = Target(path=(LOW,), lower_limit=15.0, lower_limit_order=2)
    limits = Limits(drive_boost_db=0.5, locked=(40.0, 63.0))
    bands = problem_of(survey, limits=limits, target=flat)
    bands = replace(bands, joining=JoiningSettings())
    setting = solve_sum_bands(bands, np.zeros(2))
    assert (setting.level_change_db, bands.level_stops_at(setting)) == (0.0, "drive")


@pytest.mark.parametrize("seed", [0, 2, 4])  # 1.8 to 2.1 dB are left, 0.1 to 1.8 gained
def test_two_per_cent_go_for_fewer_moves_and_no_more(seed, monkeypatch):
    """One after another, what costs least first, until the next would cost more."""
    bands = problem_of(modal_survey(seed), equaliser=read_device("nine_band").equaliser)
    found = solve_sum_bands(bands, np.zeros(9))
    monkeypatch.setattr("roomeq.optimiser.joining.sum_search.TIE_SHARE", 0.0)
    best = solve_sum_bands(bands, np.zeros(9))
    most = best.deviation_db + 0.02 * (bands.present().deviation_db - best.deviation_db)
    gains, level = best.gains_db, best.level_change_db
    place = np.flatnonzero(bands.level_changes_db == level)

    def kept(gains_db):
        return bands.feasible(np.append(bands.nearest(gains_db)[:-1], place))

    while True:
        fewer = [np.where(np.arange(9) == k, 0.0, gains) for k in np.flatnonzero(gains)]
        costs = [(bands.deviation_db(one, level), k) for k, one in enumerate(fewer) if kept(one)]
        if not costs or min(costs)[0] > most:
            break
        gains = fewer[min(costs)[1]]
    np.testing.assert_array_equal(found.gains_db, gains)
    assert np.count_nonzero(gains) < np.count_nonzero(best.gains_db)


def test_the_present_level_is_on_offer_between_the_steps():
    levels = LevelRange(lowest_db=-5.0, highest_db=-1.0, step_db=1.0)
    offered = problem_of(modal_survey(1), levels=levels).level_changes_db
    assert offered.tolist() == [-5.0, -4.0, -3.0, -2.0, -1.0, 0.0]


def test_a_flat_sum_is_left_alone():
    survey = survey_of(linkwitz_riley("low", 4), linkwitz_riley("high", 4))
    bands = problem_of(survey, target=Target(path=(LOW,)))
    bands = replace(bands, joining=JoiningSettings())
    found = solve_sum_bands(bands, np.zeros(2))
    assert found.deviation_db < 0.1
    np.testing.assert_array_equal(found.gains_db, [0.0, 0.0])
    assert found.level_change_db == 0.0


def test_present_bands_leave_the_answer_unchanged():
    """What is set while measuring is divided out: the same room, another starting point."""
    survey, equaliser = modal_survey(2), small_equaliser()
    there = survey.filtered("sub", lambda axis: equaliser.response([-6.0, 3.0], axis))
    found = solve_sum_bands(problem_of(survey), np.zeros(2))
    moved = solve_sum_bands(problem_of(there, present=[-6.0, 3.0]), np.zeros(2))
    np.testing.assert_allclose(moved.gains_db, found.gains_db, atol=3.0 + 1e-9)
    assert moved.deviation_db == pytest.approx(found.deviation_db, abs=0.1)
    same = problem_of(there, present=[-6.0, 3.0]).deviation_db(np.array([-3.0, 0.0]), 1.0)
    assert same == pytest.approx(
        problem_of(survey).deviation_db(np.array([-3.0, 0.0]), 1.0), abs=0.01
    )
    by_seat = problem_of(there, present=[-6.0, 3.0]).seat_deviations_db(found)
    np.testing.assert_allclose(by_seat, problem_of(survey).seat_deviations_db(found), atol=0.01)


@pytest.mark.parametrize(
    ("present", "allowed"), [([-6.0, 0.0], True), ([-5.0, 0.0], False), ([6.0, 6.0], False)]
)
def test_present_bands_may_be_set_on_the_grid_and_within_the_limits(present, allowed):
    bands = problem_of(modal_survey(4), present=present)
    assert bands.present_allowed is allowed
    assert (bands.present().gains_db.tolist(), bands.present().level_change_db) == (present, 0.0)
    assert bands.present().deviation_db == bands.deviation_db(np.array(present), 0.0)


def test_mains_have_to_be_measured_where_they_play_alone():
    survey = modal_survey(1)
    bands = problem_of(survey)
    near = prepare_joining(survey, corner=CORNER, span=(30.0, 1.2 * CORNER))
    with pytest.raises(ValueError, match="where they play alone"):
        SumBands(data=near, joining=bands.joining, task=bands.task, levels=bands.levels)


def test_measured_shapes_have_no_phase():
    shape = BandShape(
        gain_db=3.0, frequencies=np.array([30.0, 40.0, 50.0]), response_db=np.array([0, 3.0, 0])
    )
    measured = replace(small_equaliser(), shapes=((shape,), (shape,)))
    gains = (np.array([0.0, 3.0]), np.array([0.0, 3.0]))
    with pytest.raises(ValueError, match="carry no phase"):
        band_responses(measured, gains_db=gains, frequencies=np.array([40.0]))
