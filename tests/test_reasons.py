"""Why each band got its gain: settings of our own choice, explained."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES, bump_db, nine_bands, survey_of

from roomeq.bands import third_octave_bands
from roomeq.optimiser.band_gains import BandGainTask, fit_band_gains
from roomeq.optimiser.fit_data import prepare_fit
from roomeq.optimiser.limits import Limits, band_freedoms
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.reasons import Reason, cancelled_bands, explain_bands
from roomeq.optimiser.target import Target

EQUALISER = nine_bands()
FLAT = np.full(FREQUENCIES.size, 75.0)
WIDE_OPEN = Limits(filter_boost_db=20, drive_boost_db=40, no_boost_below=0)


def explained(
    survey, gains=None, *, limits=WIDE_OPEN, trust=None, cancelled=(), lower_limit=None, corner=None
):
    """Explain gains (by label, the others at 0) without any search."""
    target = Target(lower_limit=lower_limit)
    present = np.zeros(9)
    data = prepare_fit(
        survey, equaliser=EQUALISER, target=target, present_gains_db=present, corner=corner
    )
    if trust is not None:
        # 1 everywhere but in the dip that most of these rooms have
        dip = np.abs(np.log2(data.frequencies / 63)) < 0.3
        data = replace(data, trust=np.tile(np.where(dip, trust, 1.0), (len(data.seats), 1)))
    floor = limits.floor(lower_limit)
    seen = data.frequencies[data.frequency_weights > 0]
    freedoms = band_freedoms(EQUALISER, limits=limits, floor=floor, corner=corner, seen=seen)
    task = BandGainTask(
        data=data,
        equaliser=EQUALISER,
        limits=limits,
        loss=Loss(),
        floor=floor,
        freedoms=freedoms,
        present_gains_db=present,
    )
    problem = task.problem()
    wanted = [(gains or {}).get(label, 0.0) for label in EQUALISER.labels]
    labels = [int(np.argmin(np.abs(g - w))) for g, w in zip(problem.gains_db, wanted, strict=True)]
    bands = explain_bands(
        data,
        problem,
        EQUALISER,
        labels=np.array(labels),
        best_gains_db=present,
        present_gains_db=present,
        freedoms=freedoms,
        floor=floor,
        cancelled=tuple(label in cancelled for label in EQUALISER.labels),
    )
    return {band.label: band for band in bands}


def bump(centre, height_db, octaves=0.2):
    return bump_db(FREQUENCIES, centre=centre, height_db=height_db, octaves=octaves)


def test_small_errors_are_within_tolerance():
    # one decibel (common practice, no source)
    small = explained(survey_of([FLAT + bump(50, 1.1)] * 2))["50"]
    assert small.reason is Reason.WITHIN_TOLERANCE
    larger = explained(survey_of([FLAT + bump(50, 2.5)] * 2))["50"]
    assert 1.0 < larger.error_db < 3.0
    assert larger.reason is Reason.NOT_WORTH_MOVING


def test_a_band_that_does_its_work_needs_no_reason():
    found = explained(survey_of([FLAT + bump(50, 6.0, 0.15)] * 2), {"50": -5.5})["50"]
    assert abs(found.remaining_db) < 1.0
    assert found.reason is None
    assert found.gain_db == -5.5


def test_seats_whose_mean_is_quiet_but_differ_are_said_to_disagree():
    apart = explained(survey_of([FLAT + bump(50, 6.0), FLAT + bump(50, -6.0)]))["50"]
    assert abs(apart.error_db) < 1.0
    assert apart.spread_db > 3.0
    assert apart.reason is Reason.SEATS_DISAGREE
    close = explained(survey_of([FLAT + bump(50, 2.5), FLAT + bump(50, -2.5)]))["50"]
    assert close.spread_db < 3.0  # three decibels (common practice, no source)
    assert close.reason is Reason.WITHIN_TOLERANCE


def test_figures_are_means_by_seat_weight():
    levels = [FLAT + bump(50, 6.0), FLAT + bump(50, -3.0), FLAT]
    weights = {"seat 1": 2.0}
    survey = survey_of(levels, weights=weights)
    found = explained(survey)["50"]
    data = prepare_fit(
        survey, equaliser=EQUALISER, target=Target(), present_gains_db=np.zeros(9), corner=None
    )
    band = EQUALISER.bands[4]
    inside = (data.frequencies >= band.lower) & (data.frequencies < band.upper)
    mean = np.average(data.error_db, axis=0, weights=[2, 1, 1]) @ data.frequency_weights
    by_seat = (data.error_db - mean)[:, inside].mean(axis=1)
    assert found.error_db == pytest.approx(np.average(by_seat, weights=[2, 1, 1]))
    about = by_seat - found.error_db
    weighted = np.sqrt(np.average(about**2, weights=[2, 1, 1]))  # over seats, divided by n
    assert found.spread_db == pytest.approx(weighted)
    assert abs(weighted - np.std(by_seat)) > 0.1


def test_a_cancellation_is_left_alone_where_nothing_else_stands_in_the_way():
    survey = survey_of([FLAT + bump(63, -6.0)] * 2)
    assert explained(survey, trust=1.0)["63"].reason is Reason.NOT_WORTH_MOVING
    assert explained(survey, trust=1.0, cancelled=("63",))["63"].reason is Reason.CANCELLATION
    # an excess is no cancellation, whatever else lies in the band
    boom = survey_of([FLAT + bump(63, 6.0)] * 2)
    assert explained(boom, cancelled=("63",))["63"].reason is Reason.NOT_WORTH_MOVING


ONE_ABOVE = [FLAT + bump(63, 5.0, 0.1)] + [FLAT + bump(63, -9.0, 0.12)] * 5
"""A dip at five seats of six: their spread is below their mean, so that it does not decide."""


def test_a_shortfall_that_is_not_trusted_is_disagreement():
    assert explained(survey_of(ONE_ABOVE), trust=1.0)["63"].reason is Reason.NOT_WORTH_MOVING
    found = explained(survey_of(ONE_ABOVE), trust=0.0)["63"]
    assert found.spread_db < abs(found.remaining_db)
    assert found.reason is Reason.SEATS_DISAGREE


def test_a_limit_is_only_blamed_for_a_step_that_would_help():
    shut = Limits(filter_boost_db=0.0, drive_boost_db=40, no_boost_below=0)
    survey = survey_of(ONE_ABOVE)
    assert explained(survey, limits=shut, trust=1.0)["63"].reason is Reason.HELD_BY_FILTER_BOOST
    assert explained(survey, limits=shut, trust=0.0)["63"].reason is Reason.SEATS_DISAGREE


def test_drive_is_blamed_where_the_filter_limit_is_kept():
    tight = Limits(filter_boost_db=20, drive_boost_db=1.0, no_boost_below=0)
    survey = survey_of([FLAT + bump(63, -9.0)] * 2)
    found = explained(survey, {"63": 1.0}, limits=tight, trust=1.0)["63"]
    assert found.reason is Reason.HELD_BY_DRIVE_BOOST


def test_below_the_floor_it_is_the_floor_that_holds():
    floor = Limits(filter_boost_db=20, drive_boost_db=40, no_boost_below=31.0)
    survey = survey_of([FLAT + bump(28, -9.0, 0.3)] * 2)
    found = explained(survey, {"31.5": 0.5}, limits=floor, trust=1.0)
    # 25 Hz may only cut; 31.5 Hz may boost, but half a decibel at 31 Hz is all
    assert found["25"].reason is Reason.BELOW_LIMIT
    assert found["31.5"].reason is Reason.BELOW_LIMIT
    # the same step without the floor is held by nothing
    assert explained(survey, {"31.5": 0.5}, trust=1.0)["31.5"].reason is Reason.NOT_WORTH_MOVING


@pytest.mark.parametrize(("height_db", "gain_db"), [(28.0, -12.0), (-28.0, 6.0)])
def test_the_end_of_the_range_is_named(height_db, gain_db):
    survey = survey_of([FLAT + bump(50, height_db)] * 2)
    assert explained(survey, {"50": gain_db}, trust=1.0)["50"].reason is Reason.HELD_BY_RANGE


@pytest.mark.parametrize(("snr_db", "noisy"), [(12.0, True), (18.0, False)])
def test_noise_is_named_where_it_leaves_less_than_half_the_weight(snr_db, noisy):
    # weight 0 at 10 dB and 1 at 20 dB: 0.2 and 0.8
    band = EQUALISER.bands[4]
    inside = (band.lower <= FREQUENCIES) & (band.upper >= FREQUENCIES)
    snr = np.where(inside, snr_db, 40.0)
    found = explained(survey_of([FLAT + bump(50, 6.0)] * 2, snr_db=snr))["50"]
    assert (found.reason is Reason.NOISE) == noisy


def test_what_is_not_fitted_is_not_in_the_figures():
    # weights end half an octave below the lower limit: 19.8 Hz, within the band of 20 Hz
    level = FLAT + np.where(FREQUENCIES < 19.0, -30.0, 0.0)
    known = explained(survey_of([FLAT] * 2), lower_limit=28.0)["20"]
    found = explained(survey_of([level] * 2), lower_limit=28.0)["20"]
    assert found.error_db == pytest.approx(known.error_db, abs=0.05)


def test_only_cancellations_are_cancellations():
    def found(levels, least_weight=0.0, **response):
        data = prepare_fit(
            survey_of(levels, **response),
            equaliser=EQUALISER,
            target=Target(),
            present_gains_db=np.zeros(9),
            corner=None,
        )
        marked = cancelled_bands(data, EQUALISER, least_weight=least_weight)
        return dict(zip(EQUALISER.labels, marked, strict=True))

    null = FLAT + bump(63, -25.0, 0.06)
    assert [label for label, is_so in found([null, FLAT, FLAT]).items() if is_so] == ["63"]
    # at one of three seats, which all count alike
    for share, marked in ((0.3, True), (1.0 / 3.0, True), (0.5, False)):
        assert found([null, FLAT, FLAT], least_weight=share)["63"] is marked
    shared = FLAT + bump(63, -9.0, 0.4)  # broad and shared: an equaliser can mend it
    assert not any(found([shared] * 3).values())
    # nine band levels cannot show one
    axis = [band.centre for band in third_octave_bands(20, 125)]
    levels = np.full((3, 9), 75.0)
    levels[0, 5] -= 25
    assert not any(found(levels, frequencies=axis, resolution="third_octave").values())


def test_a_band_across_the_edge_of_what_is_clear_is_near_the_crossover():
    # 0.7 times 85 Hz is 59.5 Hz: within the band of 63 Hz, but too far from its centre
    found = fit_band_gains(
        survey_of([FLAT + bump(30, 6.0)] * 2),
        equaliser=EQUALISER,
        corner=85.0,
        clear_of_corner=True,
        prove=False,
    )
    reasons = {band.label: band.reason for band in found.bands}
    assert reasons["63"] is reasons["80"] is Reason.NEAR_CROSSOVER
    assert reasons["50"] is not Reason.NEAR_CROSSOVER
