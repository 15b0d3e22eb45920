"""Band gains from surveys: known truth comes back, limits hold, nothing irrelevant matters."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from formulas import peaking_coefficients
from synthetic_rooms import FREQUENCIES, bump_db, nine_bands, random_levels_db, survey_of

from roomeq.base.bands import third_octave_bands
from roomeq.base.survey import Survey
from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.bands.gains import fit_band_gains
from roomeq.optimiser.bands.reasons import Reason
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import Target

EQUALISER = nine_bands()
FREE = Limits(filter_boost_db=20, drive_boost_db=40, no_boost_below=0)
PLAIN = Loss(excess_weight=1.0)


def fit(survey, **changes):
    usual = {"equaliser": EQUALISER, "prove": False, "leave_out": False}
    return fit_band_gains(survey, **(usual | changes))


def reasons_of(found):
    return {band.label: band.reason for band in found.bands}


@pytest.mark.parametrize(
    "truth",
    [
        [0, 0, 0, -6, 0, 0, 0, 0, 0],
        [0, -3, -4.5, -8, 0, -2.5, 0, -3, 0],
        [-6, 0, 0, -6, 0, 0, -6, 0, 0],
    ],
)
def test_a_room_that_is_an_equaliser_is_undone(truth):
    # synthetic instrument: the room is the exact inverse of a setting of the device
    levels = 75 - EQUALISER.response_db(truth, FREQUENCIES)
    found = fit(survey_of(np.array([levels] * 3)), limits=FREE, loss=PLAIN, prove=True)
    # a level common to all bands is no part of the shape; smoothing blurs the room a little
    change = found.best_gains_db - truth
    assert np.abs(change - np.median(change)).max() <= 1.0
    assert found.deviation_db < 0.4
    assert found.proven


def test_measured_through_gains_the_same_settings_come_out():
    levels = random_levels_db(3)
    present = np.array([0, -3, 0, 2, 0, -1.5, 0, 4, 0])
    through = levels + EQUALISER.response_db(present, FREQUENCIES)
    one = fit(survey_of(levels))
    other = fit(survey_of(through), present_gains_db=present)
    # smoothing comes after the gains, so the two fits are not equal to the last digit
    np.testing.assert_allclose(other.candidate_gains_db, one.candidate_gains_db, atol=0.5)
    assert other.candidate_deviation_db == pytest.approx(one.candidate_deviation_db, abs=0.1)


def test_what_does_not_matter():
    levels = random_levels_db(4)
    found = fit(survey_of(levels))
    shuffled = survey_of(levels[::-1])
    twice = Survey(
        measurements=tuple(
            replace(m, seat=f"{m.seat} {copy}")
            for copy in "ab"
            for m in survey_of(levels).measurements
        ),
        levels_comparable=True,
    )
    weights = {f"seat {i + 1}": 10.0 for i in range(5)}
    for same in (
        survey_of(levels + 11.0),
        shuffled,
        twice,
        survey_of(levels, weights=weights),
    ):
        other = fit(same)
        assert other.gains_db.tolist() == found.gains_db.tolist()
        assert other.deviation_db == pytest.approx(found.deviation_db, abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_limits_hold_by_scipy_on_another_axis(seed):
    # independent re-evaluation: scipy.signal at 48 kHz, 1/96 octave, off-centre
    equaliser = nine_bands(sample_rate=48000.0)
    limits = Limits(filter_boost_db=2.0, drive_boost_db=4.0)
    found = fit(survey_of(random_levels_db(seed)), equaliser=equaliser, limits=limits)
    axis = 10.013 * 2 ** (np.arange(470) / 96)
    summed = np.zeros(axis.size)
    for band, gain in zip(equaliser.bands, found.gains_db, strict=True):
        b, a = peaking_coefficients(centre=band.centre, q=4.318, gain_db=gain, sample_rate=48000)
        _, response = scipy.signal.freqz(b, a, worN=axis, fs=48000)
        summed += 20 * np.log10(np.abs(response))
    assert summed.max() <= 2.0 + 0.01
    assert summed[axis <= 32.0].max() <= 0.5 + 0.01
    reached = summed[axis >= 20.0] + found.level_change_db
    assert reached.max() <= 4.0 + 0.01
    assert reached[axis[axis >= 20.0] <= 32.0].max() <= 3.0 + 0.01


def test_before_is_judged_at_its_best_level():
    flat = fit(survey_of(np.full((3, FREQUENCIES.size), 92.0)))
    assert flat.deviation_before_db == pytest.approx(0, abs=1e-9)
    assert flat.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    assert set(reasons_of(flat).values()) == {Reason.WITHIN_TOLERANCE}
    assert flat.level_change_db == pytest.approx(0, abs=1e-9)


def test_improvement_within_repeatability_is_not_proposed():
    survey = survey_of(random_levels_db(6))
    gained = fit(survey)
    improvement = gained.deviation_before_db - gained.best_deviation_db
    assert improvement > 0.5
    kept = fit(survey, repeatability_db=20.0)  # above the fall of any band's excess, too
    assert kept.no_change is NoChange.WITHIN_REPEATABILITY
    assert not kept.gains_db.any()
    assert kept.deviation_db == pytest.approx(kept.deviation_before_db)
    assert fit(survey, repeatability_db=improvement - 0.1).no_change is None


def test_present_gains_that_break_a_limit_do_not_stay():
    present = np.zeros(9)
    present[4] = 6.0
    levels = np.full((3, FREQUENCIES.size), 75.0) + EQUALISER.response_db(present, FREQUENCIES)
    found = fit(survey_of(levels), present_gains_db=present)
    assert found.no_change is None
    assert found.gains_db[4] < 6.0
    assert found.filter_boost_db <= 3.0


def test_wanted_level_moves_the_knob_and_is_cut_at_the_drive_limit():
    levels = np.full((3, FREQUENCIES.size), 70.0)
    known = {"lower_limit": 20.0}
    up = fit(survey_of(levels), target=Target(level_db=74.0, **known))
    assert up.level_change_db == pytest.approx(4.0)
    assert up.predicted_level_db.mean() == pytest.approx(74.0)
    cut = fit(survey_of(levels), target=Target(level_db=79.0, **known))
    assert cut.level_change_db == pytest.approx(6.0)
    assert cut.loudness_cut_db == pytest.approx(3.0)
    assert cut.drive_boost_db == pytest.approx(6.0, abs=0.01)
    down = fit(survey_of(levels), target=Target(level_db=60.0, **known))
    assert down.level_change_db == pytest.approx(-10.0)


def test_a_boom_is_cut_and_the_level_turned_up():
    boom = 75 + bump_db(FREQUENCIES, centre=40, height_db=9, octaves=0.25)
    found = fit(survey_of(np.array([boom] * 4)))
    gains = dict(zip(EQUALISER.labels, found.gains_db, strict=True))
    assert gains["40"] < -4
    assert found.level_change_db > 0
    assert found.deviation_db < 0.5 * found.deviation_before_db


def test_a_boom_at_most_seats_stays_a_boom_although_one_has_a_null():
    boom = 75 + bump_db(FREQUENCIES, centre=40, height_db=9, octaves=0.25)
    null = 75 + bump_db(FREQUENCIES, centre=40, height_db=-25, octaves=0.08)
    found = fit(survey_of(np.array([boom] * 5 + [null])))
    assert dict(zip(EQUALISER.labels, found.gains_db, strict=True))["40"] < -3


def test_reason_held_by_drive_boost():
    # everything but the top must be cut; turning back the level then drives what is left
    slope = 75 + np.clip(12 * np.log2(100 / FREQUENCIES), 0, 25)
    found = fit(survey_of(np.array([slope] * 3)), limits=Limits(drive_boost_db=2.0))
    assert found.loudness_cut_db > 1.0
    assert Reason.HELD_BY_DRIVE_BOOST in reasons_of(found).values()
    assert found.drive_boost_db <= 2.01


def test_drive_limit_by_frequency_holds_there_and_between_the_rows():
    weak = 75 + bump_db(FREQUENCIES, centre=31.5, height_db=-9, octaves=0.4)
    weak = weak + bump_db(FREQUENCIES, centre=63, height_db=-9, octaves=0.4)
    survey = survey_of(np.array([weak] * 3))
    low = ((25.0, 6.0), (31.5, 1.0), (40.0, 6.0))
    target = Target(lower_limit=8.0)
    flat = fit(survey, target=target)
    found = fit(survey, target=target, limits=Limits(drive_by_frequency=low))
    # the equaliser's own response, on an axis that the search does not know
    axis = np.geomspace(25.0, 40.0, 5000)
    drive = EQUALISER.response_db(found.gains_db, axis) + found.level_change_db
    limit = np.interp(np.log(axis), np.log([25.0, 31.5, 40.0]), [6.0, 1.0, 6.0])
    assert (drive - limit).max() <= 0.006
    assert found.gains_db[2] < flat.gains_db[2]
    assert found.gains_db[5] >= flat.gains_db[5] - 1.0


def test_constant_drive_limit_by_frequency_proposes_the_same():
    slope = survey_of(np.array([75 + np.clip(12 * np.log2(100 / FREQUENCIES), 0, 25)] * 3))
    flat = fit(slope, limits=Limits(drive_boost_db=2.0))
    other = fit(slope, limits=Limits(drive_by_frequency=((20.0, 2.0), (80.0, 2.0))))
    np.testing.assert_array_equal(flat.gains_db, other.gains_db)
    assert (flat.lower_bound_db, flat.deviation_db) == (other.lower_bound_db, other.deviation_db)


def test_wanted_loudness_is_cut_to_the_lowest_drive_limit():
    target = Target(level_db=85.0)
    limits = Limits(drive_by_frequency=((20.0, 6.0), (31.5, 2.0), (50.0, 6.0)))
    found = fit(survey_of(np.full((3, FREQUENCIES.size), 75.0)), target=target, limits=limits)
    assert found.loudness_change_db == pytest.approx(2.0, abs=0.1)
    assert found.loudness_cut_db == pytest.approx(8.0, abs=0.1)


def test_reason_held_by_range():
    boom = 75 + bump_db(FREQUENCIES, centre=50, height_db=28, octaves=0.12)
    found = fit(survey_of(np.array([boom] * 3)), limits=Limits(drive_boost_db=20))
    assert reasons_of(found)["50"] is Reason.HELD_BY_RANGE


def test_reason_above_crossover_locked_and_noise():
    low_pass = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=80.0)
    snr = np.where(FREQUENCIES < 28.18, 3.0, 40.0)
    levels = random_levels_db(7) + 20 * np.log10(np.abs(low_pass.response(FREQUENCIES)))
    found = fit(
        survey_of(levels, snr_db=snr),
        target=Target(path=(low_pass,)),
        limits=Limits(locked=(50,)),
    )
    given = reasons_of(found)
    assert given["125"] is given["100"] is Reason.ABOVE_CROSSOVER
    assert given["50"] is Reason.LOCKED
    assert given["20"] is given["25"] is Reason.NOISE
    assert found.gains_db[[4, 7, 8]].tolist() == [0, 0, 0]


def test_reason_near_crossover_where_only_what_is_clear_of_it_is_fitted():
    survey = survey_of(random_levels_db(7))
    both = replace(
        survey, measurements=tuple(replace(m, source="both") for m in survey.measurements)
    )
    found = fit(both, source="both", corner=80.0)
    given = reasons_of(found)
    assert given["63"] is given["80"] is Reason.NEAR_CROSSOVER  # 0.7 times 80 Hz is 56 Hz
    assert given["100"] is Reason.ABOVE_CROSSOVER
    unfitted = next(band for band in found.bands if band.label == "80")
    assert (unfitted.error_db, unfitted.spread_db, unfitted.remaining_db) == (None, None, None)
    assert found.gains_db[6] == 0


def test_gains_off_the_grid_are_refused():
    with pytest.raises(ValueError, match=r"band 20 Hz cannot be set to 0\.3 dB"):
        fit(survey_of(random_levels_db(8)), present_gains_db=np.full(9, 0.3))


def test_leave_one_seat_out_needs_three_seats_and_tells_the_truth():
    levels = random_levels_db(9, seats=4)
    found = fit(survey_of(levels), leave_out=True)
    assert len(found.left_out_db) == len(found.data.seats)
    without = fit(survey_of(levels).without_seat("seat 1"), prove=True)
    expected = found.by_seat_at_gains_db(EQUALISER, without.best_gains_db)[0]
    # descent from the setting of all seats, against a search of its own
    assert found.left_out_db[0] == pytest.approx(expected, abs=0.5)
    assert fit(survey_of(levels[:2]), leave_out=True).left_out_db == ()


def test_band_levels_are_fitted():
    bands = third_octave_bands(20, 125)
    levels = np.array(
        [[70, 75, 74, 84, 79, 75, 74, 75, 75.0], [71, 74, 75, 83, 80, 74, 76, 74, 75]]
    )
    survey = survey_of(
        levels, frequencies=[band.centre for band in bands], resolution="third_octave"
    )
    found = fit(survey)
    assert found.gains_db[3] < -3
    assert found.deviation_db < found.deviation_before_db - 1


def test_an_improvement_below_half_a_decibel_is_not_proposed():
    found = fit(survey_of([75 + bump_db(FREQUENCIES, centre=40, height_db=1.2, octaves=0.3)] * 3))
    assert 0.1 < found.deviation_before_db - found.candidate_deviation_db < 0.5
    assert found.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    assert not found.gains_db.any()


def test_present_gains_that_break_a_limit_do_not_stay_although_they_suit_the_room():
    present = np.zeros(9)
    present[4] = 6.0
    found = fit(survey_of(np.full((3, FREQUENCIES.size), 75.0)), present_gains_db=present)
    assert found.deviation_before_db < found.deviation_db
    assert found.no_change is None
    assert found.filter_boost_db <= 3.0


def test_subwoofer_and_mains_together_are_fitted_clear_of_the_corner():
    survey = survey_of(random_levels_db(7))
    both = replace(
        survey, measurements=tuple(replace(m, source="both") for m in survey.measurements)
    )
    found = fit(both, source="both", corner=80.0)
    assert found.data.frequencies.max() <= 56.0  # 0.7 times 80 Hz
    assert fit(survey, corner=80.0).data.frequencies.max() > 100.0


def test_the_lower_limit_is_a_floor_below_which_a_boom_is_still_cut():
    boom = 75 + bump_db(FREQUENCIES, centre=29, height_db=14, octaves=0.1)
    found = fit(survey_of(np.array([boom] * 3)), target=Target(lower_limit=40.0))
    assert found.floor == 40.0
    assert found.gains_db[:2].max() <= 0.0
    assert found.gains_db[2] < -3.0


def test_loudness_is_kept_from_what_is_set_now():
    present = np.array([0, -6.0, -6, -6, 0, 0, 0, 0, 0])
    levels = random_levels_db(3) + EQUALISER.response_db(present, FREQUENCIES)
    found = fit(survey_of(levels), present_gains_db=present)
    change = found.predicted_level_db - found.data.measured_db
    mean = found.data.seat_weights @ change @ found.data.frequency_weights
    assert found.no_change is None
    assert found.loudness_cut_db + mean == pytest.approx(0.0, abs=1e-9)


def test_boosts_are_the_largest_anywhere():
    found = fit(survey_of(random_levels_db(5)))
    dense = np.geomspace(10, 300, 20001)
    response = EQUALISER.response_db(found.gains_db, dense)
    # limits are held on rows at 1/48 octave
    assert found.filter_boost_db == pytest.approx(response.max(), abs=0.006)
    assert found.filter_boost_frequency == pytest.approx(dense[response.argmax()], rel=0.02)
    most = response[dense >= 20.0].max()
    assert found.drive_boost_db == pytest.approx(most + found.level_change_db, abs=0.006)
