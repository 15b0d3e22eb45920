"""Why each band got its gain: settings of our own choice, explained."""

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES, bump_db, nine_bands, survey_of

from roomeq.base.bands import third_octave_bands
from roomeq.optimiser.bands.fit_data import prepare_fit
from roomeq.optimiser.bands.gains import fit_band_gains
from roomeq.optimiser.bands.reasons import (
    Reason,
    cancelled_bands,
    explain_bands,
    explained_choice,
)
from roomeq.optimiser.bands.task import BandGainTask
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import Target

EQUALISER = nine_bands()
FLAT = np.full(FREQUENCIES.size, 75.0)
WIDE_OPEN = Limits(filter_boost_db=20, drive_boost_db=40, no_boost_below=1.0)


def prepared(survey, *, target=None, present=None, clear_of=None):
    return prepare_fit(
        survey,
        equaliser=EQUALISER,
        target=target or Target(),
        present_gains_db=np.zeros(9) if present is None else present,
        clear_of=clear_of,
    )


def explained(
    survey, gains=None, *, limits=WIDE_OPEN, target=None, corner=None, clear_of=None, present=None
):
    """Explain gains (by label, the others at 0) without any search."""
    target = target or Target()
    present = np.zeros(9) if present is None else np.asarray(present, dtype=float)
    data = prepared(survey, target=target, present=present, clear_of=clear_of)
    task = BandGainTask(
        data=data,
        equaliser=EQUALISER,
        target=target,
        limits=limits,
        loss=Loss(),
        corner=corner,
        present_gains_db=present,
    )
    problem = task.problem()
    wanted = [(gains or {}).get(label, 0.0) for label in EQUALISER.labels]
    labels = [int(np.argmin(np.abs(g - w))) for g, w in zip(problem.gains_db, wanted, strict=True)]
    best = np.arange(9.0)
    bands = explain_bands(task, problem, labels=np.array(labels), best_gains_db=best)
    assert [band.best_gain_db for band in bands] == best.tolist()
    assert [band.present_db for band in bands] == present.tolist()
    return {band.label: band for band in bands}


def bump(centre, height_db, octaves=0.2):
    return bump_db(FREQUENCIES, centre=centre, height_db=height_db, octaves=octaves)


def test_small_errors_are_within_tolerance():
    # one decibel (common practice, no source)
    small = explained(survey_of([FLAT + bump(50, 1.1)] * 2))["50"]
    assert small.reason is Reason.WITHIN_TOLERANCE
    larger = explained(survey_of([FLAT + bump(50, 2.5)] * 2))["50"]
    assert 1.0 < larger.error_db < 3.0
    assert larger.reason is Reason.NOT_WORTH_MOVING  # a cut would help, and nothing forbids it


def test_a_band_that_does_its_work_needs_no_reason():
    found = explained(survey_of([FLAT + bump(50, 6.0, 0.15)] * 2), {"50": -5.5})["50"]
    assert abs(found.remaining_db) < 1.0
    assert found.reason is None
    assert found.gain_db == -5.5


def test_a_band_that_can_do_no_more_needs_none_either():
    # 1.5 dB remain in the band, but its skirts reach where 7 dB are missing
    away = np.abs(np.log2(FREQUENCIES / 50))
    survey = survey_of([FLAT + np.where(away < 0.2, 0.5, np.where(away < 0.6, -7.0, 0.0))] * 2)
    found = explained(survey, {"50": -1.0})["50"]
    assert found.remaining_db > 1.0
    assert found.reason is None
    # at 0 it has not moved, and says that it is not worth it
    assert explained(survey)["50"].reason is Reason.NOT_WORTH_MOVING


def test_seats_that_differ_are_information_and_no_reason():
    survey = survey_of([FLAT + bump(50, 6.0), FLAT + bump(50, -9.0), FLAT - bump(50, 4.0)])
    apart = explained(survey)["50"]
    assert apart.spread_db > 5.0
    assert apart.reason in (Reason.WITHIN_TOLERANCE, Reason.NOT_WORTH_MOVING)


def test_figures_are_of_the_average_and_spread_by_seat_weight():
    levels = [FLAT + bump(50, 6.0), FLAT + bump(50, -3.0), FLAT]
    survey = survey_of(levels, weights={"seat 1": 2.0})
    found = explained(survey, {"50": -3.0})["50"]
    data = prepared(survey)
    inside = (data.frequencies >= 44.668) & (data.frequencies < 56.234)  # IEC 61260-1 edges, 50 Hz
    power = 10 * np.log10(np.average(10 ** (data.seat_db / 10), axis=0, weights=[2, 1, 1]))
    assert found.error_db == pytest.approx(np.mean(power[inside]) - data.level_db)
    by_seat = data.seat_db[:, inside].mean(axis=1)
    about = by_seat - np.average(by_seat, weights=[2, 1, 1])
    weighted = np.sqrt(np.average(about**2, weights=[2, 1, 1]))  # over seats, divided by n
    assert found.spread_db == pytest.approx(weighted)
    assert abs(weighted - np.std(by_seat)) > 0.1
    response = EQUALISER.response_db(np.array([0, 0, 0, 0, -3.0, 0, 0, 0, 0]), data.frequencies)
    change = response[inside].mean() - response.mean()
    assert found.remaining_db == pytest.approx(found.error_db + change)


HOLE = FLAT + bump(63, -11.0, 0.12)
"""A dip of 11 dB, 0.3 octave wide half-way up, at all seats: nothing fills it."""


def test_a_dip_is_a_cancellation_whatever_a_boost_would_do():
    found = explained(survey_of([HOLE] * 2))
    assert found["63"].reason is Reason.CANCELLATION
    shallow = explained(survey_of([FLAT + bump(63, -6.0, 0.12)] * 2))
    assert shallow["63"].reason is Reason.NOT_WORTH_MOVING
    # what is left in it after a cut all around is no excess; an excess beside it is none either
    boom = explained(survey_of([HOLE + bump(100, 7.0)] * 2))
    assert boom["100"].reason is Reason.NOT_WORTH_MOVING


def test_a_step_that_would_reach_into_a_dip_is_held_by_it():
    # short from 31 to 81 Hz, so that of what is barred only the dip at 63 Hz is near
    short = FLAT - 6 * (np.abs(np.log2(FREQUENCIES / 50)) < 0.7) + bump(63, -12.0, 0.06)
    found = explained(survey_of([short] * 2), {"50": 1.0})
    assert found["50"].remaining_db < -1
    assert found["50"].reason is Reason.CANCELLATION


def test_only_dips_mark_a_band_as_cancelled():
    def found(levels, **response):
        marked = cancelled_bands(prepared(survey_of(levels, **response)), EQUALISER)
        return [band.label for band in marked]

    assert found([HOLE, HOLE]) == ["63"]
    null = FLAT + bump(63, -25.0, 0.06)
    assert found([null, FLAT, FLAT]) == []  # at one seat of three the average barely dips
    assert found([null]) == ["63"]
    assert found([FLAT + bump(63, -9.0, 0.5)] * 3) == []  # broad: an equaliser can mend it
    axis = [band.centre for band in third_octave_bands(20, 125)]
    levels = np.full((3, 9), 75.0)
    levels[:, 5] -= 25
    # of typed levels a band 8 dB below both neighbours is not filled either
    assert found(levels, frequencies=axis, resolution="third_octave") == ["63"]


SHORT = FLAT + bump(63, -6.0, 0.25)


def test_where_few_seats_are_short_they_disagree():
    # the average is short at 63 Hz, but only the two loudest of three seats (by weight 2/3) are
    levels = [SHORT, SHORT, FLAT - 6.0 + bump(63, 4.0, 0.25)]
    found = explained(survey_of(levels), {"63": 0.5})["63"]
    assert found.remaining_db < -1
    assert found.reason is Reason.SEATS_DISAGREE
    alike = explained(survey_of([SHORT] * 3), {"63": 0.5})["63"]
    assert alike.reason is Reason.NOT_WORTH_MOVING


def test_a_limit_is_only_blamed_for_a_step_that_would_help():
    shut = Limits(filter_boost_db=0.0, drive_boost_db=40, no_boost_below=1.0)
    assert explained(survey_of([SHORT] * 2), limits=shut)["63"].reason is (
        Reason.HELD_BY_FILTER_BOOST
    )
    # an excess is never held by a limit of boost
    boom = explained(survey_of([FLAT + bump(63, 6.0)] * 2), limits=shut)["63"]
    assert boom.reason is Reason.NOT_WORTH_MOVING


def test_drive_is_blamed_where_it_is_lower_than_the_filter_limit():
    tight = Limits(no_boost_below=1.0, drive_by_frequency=((45.0, 9.0), (63.0, 1.0), (90.0, 9.0)))
    survey = survey_of([SHORT] * 2)
    assert explained(survey, {"63": 1.0}, limits=tight)["63"].reason is Reason.HELD_BY_DRIVE_BOOST
    loose = Limits(no_boost_below=1.0)
    found = explained(survey, {"63": 3.0}, limits=loose)["63"]
    assert found.remaining_db < -1
    assert found.reason is Reason.HELD_BY_FILTER_BOOST


@pytest.mark.parametrize("most", [0.0, 20.0])
def test_a_limit_is_not_blamed_where_a_step_would_make_it_worse(most):
    # 1.7 dB are missing in the band, but the skirts of a boost reach where there is too much
    away = np.abs(np.log2(FREQUENCIES / 50))
    survey = survey_of([FLAT + np.where(away < 0.2, 2.0, np.where(away < 0.6, 9.0, 2.0))] * 2)
    limits = Limits(filter_boost_db=most, drive_boost_db=40, no_boost_below=1.0)
    found = explained(survey, limits=limits)["50"]
    assert found.remaining_db < -1.0
    assert found.reason is Reason.NOT_WORTH_MOVING


def test_a_flat_drive_limit_below_that_of_the_filter_is_blamed():
    tight = Limits(filter_boost_db=20, drive_boost_db=1.0, no_boost_below=1.0)
    found = explained(survey_of([SHORT] * 2), {"63": 1.0}, limits=tight)["63"]
    assert found.reason is Reason.HELD_BY_DRIVE_BOOST


def test_the_edge_of_where_few_seats_are_short_is_not_the_drive():
    # the row that holds lies half-way between two places of the axis, short and not short
    levels = FLAT + bump(63, -12.0, 0.1) - 5 * (np.abs(np.log2(FREQUENCIES / 42)) < 0.3)
    found = explained(survey_of([levels] * 2), {"50": 0.5})["50"]
    assert found.remaining_db < -1
    assert found.reason is not Reason.HELD_BY_DRIVE_BOOST  # 40 dB of it were free


def test_above_an_unknown_low_pass_it_is_not_the_drive_that_holds():
    fall = FLAT - 24 * np.maximum(np.log2(FREQUENCIES / 70), 0)
    found = explained(survey_of([fall] * 2), {"80": 0.5}, target=Target(upper_limit=84.0))
    assert found["125"].remaining_db < -1
    assert Reason.HELD_BY_DRIVE_BOOST not in {band.reason for band in found.values()}


def test_seats_that_are_alike_do_not_disagree():
    short = FLAT - 8.0 * (FREQUENCIES < 70)  # the band of 63 Hz reaches to 70.8 Hz
    found = explained(survey_of([short] * 2), {"63": 0.5})["63"]
    assert found.remaining_db < -1
    assert found.reason is not Reason.SEATS_DISAGREE


def test_below_the_floor_it_is_the_floor_that_holds():
    floor = Limits(filter_boost_db=20, drive_boost_db=40, no_boost_below=31.0)
    survey = survey_of([FLAT + bump(28, -7.0, 0.35)] * 2)
    found = explained(survey, {"31.5": 0.5}, limits=floor)
    # 25 Hz may only cut; 31.5 Hz may boost, but half a decibel at 31 Hz is all
    assert found["25"].reason is Reason.BELOW_LIMIT
    assert found["31.5"].reason is Reason.BELOW_LIMIT
    # the same step without the floor is held by nothing
    assert explained(survey, {"31.5": 0.5})["31.5"].reason is Reason.NOT_WORTH_MOVING


@pytest.mark.parametrize(
    ("height_db", "octaves", "gain_db"), [(28.0, 0.2, -12.0), (-14.0, 0.45, 6.0)]
)
def test_the_end_of_the_range_is_named(height_db, octaves, gain_db):
    survey = survey_of([FLAT + bump(50, height_db, octaves)] * 2)
    assert explained(survey, {"50": gain_db})["50"].reason is Reason.HELD_BY_RANGE


@pytest.mark.parametrize(("snr_db", "noisy"), [(12.0, True), (18.0, False)])
def test_noise_is_named_where_it_leaves_less_than_half_the_weight(snr_db, noisy):
    # weight 0 at 10 dB and 1 at 20 dB: 0.2 and 0.8
    band = EQUALISER.bands[4]
    inside = (band.lower <= FREQUENCIES) & (band.upper >= FREQUENCIES)
    snr = np.where(inside, snr_db, 40.0)
    found = explained(survey_of([FLAT + bump(50, 6.0)] * 2, snr_db=snr))["50"]
    assert (found.reason is Reason.NOISE) == noisy


ROLLED = 75 - 10 * np.log10(1 + 3 * (40 / FREQUENCIES) ** 8)  # 6 dB down at 40 Hz, fourth order


@pytest.mark.parametrize(
    ("target", "reason"),
    [
        (Target(lower_limit=40.0, lower_limit_order=4), Reason.ROLL_OFF),
        (Target(lower_limit=40.0), Reason.ROLL_OFF),
        (Target(lower_limit=40.0, lower_limit_estimated=True), Reason.ROLL_OFF),
        (Target(), Reason.NOT_WORTH_MOVING),
        # a limit an octave lower explains less than half of it
        (Target(lower_limit=20.0, lower_limit_order=4), Reason.NOT_WORTH_MOVING),
    ],
)
def test_a_shortfall_that_the_roll_off_explains_is_not_asked_for(target, reason):
    found = explained(survey_of([ROLLED] * 2), target=target)["31.5"]
    assert found.error_db < -5
    assert found.reason is reason
    above = explained(survey_of([ROLLED + bump(80, -4.0)] * 2), target=target)["80"]
    assert above.reason is Reason.NOT_WORTH_MOVING


def test_a_shortfall_beyond_the_roll_off_is_asked_for():
    target = Target(lower_limit=40.0, lower_limit_order=4)
    survey = survey_of([ROLLED + bump(40, -6.0, 0.3)] * 2)
    assert explained(survey, target=target)["40"].reason is Reason.NOT_WORTH_MOVING
    floor = Limits(no_boost_below=45.0)
    assert explained(survey, target=target, limits=floor)["40"].reason is Reason.BELOW_LIMIT


def test_what_a_null_beside_the_band_takes_is_not_told_as_roll_off():
    # nothing is asked for: 0.6 dB are allowed for, the rest of 3 dB is a null's at 72 Hz
    target = Target(lower_limit=30.0, lower_limit_order=2)
    found = explained(survey_of([FLAT + bump(72, -28.0, 0.06)] * 2), target=target)["63"]
    assert found.remaining_db < -2.5
    assert found.reason is Reason.NOT_WORTH_MOVING


def test_what_was_not_measured_is_said():
    low = FREQUENCIES > 29.0
    found = explained(survey_of([FLAT[low]] * 2, frequencies=FREQUENCIES[low]))
    for label in ("20", "25"):
        assert found[label].reason is Reason.NOT_MEASURED
        assert found[label].error_db is found[label].spread_db is found[label].remaining_db is None
    assert found["40"].reason is Reason.WITHIN_TOLERANCE
    high = FREQUENCIES < 62.0  # nobody wished to keep clear of anything there
    found = explained(survey_of([FLAT[high]] * 2, frequencies=FREQUENCIES[high]))
    assert {found[label].reason for label in ("80", "100", "125")} == {Reason.NOT_MEASURED}


def test_locked_and_resting_bands_say_so_before_all_else():
    present = np.array([0, 0, 0, 0, -4.0, 0, 0, 0, 0])
    survey = survey_of([HOLE + bump(50, 6.0) + bump(100, 5.0)] * 2)
    limits = Limits(locked=(50, 63), no_boost_below=1.0)
    found = explained(survey, {"50": -4.0}, limits=limits, corner=80.0, present=present)
    assert found["50"].reason is found["63"].reason is Reason.LOCKED
    assert found["100"].reason is found["125"].reason is Reason.ABOVE_CROSSOVER
    assert found["80"].reason not in (Reason.LOCKED, Reason.ABOVE_CROSSOVER)


def test_a_band_across_the_edge_of_what_is_clear_is_near_the_crossover():
    # 0.7 times 85 Hz is 59.5 Hz: within the band of 63 Hz, but too far from its centre
    found = explained(survey_of([FLAT + bump(30, 6.0)] * 2), corner=85.0, clear_of=85.0)
    assert found["63"].reason is found["80"].reason is Reason.NEAR_CROSSOVER
    assert found["50"].reason not in (Reason.NEAR_CROSSOVER, Reason.NOT_MEASURED)


def test_a_fit_hands_its_own_scene_on():
    survey = survey_of([HOLE + bump(40, 8.0)] * 2)
    found = {band.label: band for band in fit_band_gains(survey, equaliser=EQUALISER).bands}
    assert found["63"].reason is Reason.CANCELLATION
    assert found["40"].gain_db < -4


def test_a_band_set_otherwise_than_alone_follows_the_sum_with_the_mains():
    bands = tuple(explained(survey_of([FLAT + bump(50, 6.0)] * 2), {"50": -4.0}).values())
    otherwise = np.array([band.gain_db for band in bands])
    otherwise[7] = -2.0
    changed = explained_choice(bands, otherwise_db=otherwise, reason=Reason.SUM_WITH_MAINS)
    assert [one is other for one, other in zip(bands, changed, strict=True)].count(False) == 1
    assert changed[7].reason is Reason.SUM_WITH_MAINS
    assert changed[7].gain_db == bands[7].gain_db
