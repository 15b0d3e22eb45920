"""Reading the joining problem off a survey: reference, routes, noise, sum, missing seats."""

from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import CORNER, FREQUENCIES, delayed, linkwitz_riley, modal_survey, survey_of

from roomeq.base.errors import MissingPhaseError
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Survey
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.joining.data import JoiningNote
from roomeq.optimiser.joining.survey import LFE_OFFSET_DB, prepare_joining

LOW, HIGH = linkwitz_riley("low", 4), linkwitz_riley("high", 4)


def prepared(survey, **others):
    return prepare_joining(survey, corner=CORNER, **others)


def test_needs_phase():
    survey = survey_of(LOW, HIGH)
    level_only = FrequencyResponse.from_level(FREQUENCIES, np.zeros(FREQUENCIES.size))
    broken = replace(survey.measurements[1], response=level_only)
    with pytest.raises(MissingPhaseError, match="mains has level only"):
        prepared(replace(survey, measurements=(survey.measurements[0], broken)))


def test_seats_without_both_are_left_out():
    survey = survey_of([LOW, LOW, LOW], [HIGH, HIGH, HIGH])
    kept = tuple(m for m in survey.measurements if (m.seat, m.source) != ("seat 2", "mains"))
    data = prepared(replace(survey, measurements=kept, seat_weights={"seat 1": 3.0}))
    assert data.seats == ("seat 1", "seat 3")
    assert data.seats_left_out == ("seat 2",)
    assert JoiningNote.SEATS_LEFT_OUT in data.notes
    np.testing.assert_allclose(data.seat_weights, [0.75, 0.25])
    apart = Survey(measurements=(survey.measurements[0], survey.measurements[4]))
    with pytest.raises(ValueError, match="both subwoofer and mains"):
        prepared(apart)


def test_repeats_are_averaged_as_complex_numbers():
    first, second = survey_of(LOW, HIGH), survey_of(LOW * np.exp(0.2j), HIGH)
    survey = Survey(measurements=(*first.measurements, second.measurements[0]))
    expected = prepared(first).sub * (1 + np.exp(0.2j)) / 2
    np.testing.assert_allclose(prepared(survey).sub, expected, rtol=1e-9)


def test_measured_sum_checks_the_time_reference():
    good = prepared(modal_survey(4))
    assert good.sum_residual_db.max() < 0.3  # unsmoothed and smoothed differ in how dips are cut
    assert JoiningNote.SUM_DISAGREES not in good.notes
    # the subwoofer's time zero moved by 4 ms between its own measurement and that of the sum
    survey = modal_survey(4)
    moved = tuple(
        replace(m, response=m.response.filtered(delayed(1.0, 0.004))) if m.source == "sub" else m
        for m in survey.measurements
    )
    bad = prepared(replace(survey, measurements=moved))
    assert bad.sum_residual_db.max() > 1.0
    assert JoiningNote.SUM_DISAGREES in bad.notes
    assert JoiningNote.SUM_NOT_MEASURED in prepared(survey_of(LOW, HIGH)).notes


@pytest.mark.parametrize("end", [0, -1])
def test_a_sum_counts_where_it_covers_the_whole_axis(end):
    """From the first frequency of the axis to its last: half a step less is too little."""
    survey = survey_of(LOW, HIGH, both=LOW + HIGH)
    axis = prepared(survey).frequencies
    for step, measured in ((1, False), (0, True)):  # towards the inside by half a step, or none
        inwards = (axis[end] * axis[end + (step if end == 0 else -step)]) ** 0.5
        own = np.append(FREQUENCIES, inwards)
        own = np.sort(own[own >= inwards] if end == 0 else own[own <= inwards])
        cut = FrequencyResponse.from_level(own, np.zeros(own.size))
        kept = [m if m.source != "both" else replace(m, response=cut) for m in survey.measurements]
        notes = prepared(replace(survey, measurements=tuple(kept))).notes
        assert (JoiningNote.SUM_NOT_MEASURED not in notes) is measured


def test_effects_channel_is_ten_decibels_louder():
    # ITU-R BS.775 (from memory): the low-frequency-effects channel plays 10 dB above the mains
    survey = survey_of(LOW * 10**0.5, HIGH)
    routed = tuple(
        replace(m, route="low_frequency_effects") if m.source == "sub" else m
        for m in survey.measurements
    )
    data = prepared(replace(survey, measurements=routed))
    assert LFE_OFFSET_DB == 10.0
    assert JoiningNote.LFE_OFFSET_REMOVED in data.notes
    np.testing.assert_allclose(data.predicted_level_db(JoiningSettings()), 0.0, atol=1e-3)
    plain = prepared(survey)
    np.testing.assert_allclose(np.abs(plain.sub), np.abs(data.sub) * 10**0.5)
    assert JoiningNote.LFE_OFFSET_REMOVED not in plain.notes


def test_mixed_and_unknown_routes():
    survey = survey_of([LOW, LOW], [HIGH, HIGH])
    mixed = tuple(
        replace(m, route="low_frequency_effects") if (m.seat, m.source) == ("seat 1", "sub") else m
        for m in survey.measurements
    )
    with pytest.raises(ValueError, match="cannot be compared"):
        prepared(replace(survey, measurements=mixed))
    assert JoiningNote.ROUTE_UNKNOWN in prepared(survey_of(LOW, HIGH, route="unknown")).notes
    assert JoiningNote.ROUTE_DIRECT in prepared(survey_of(LOW, HIGH, route="direct")).notes


def test_noise_counts_against_the_sum_not_against_a_branch():
    rise = np.where(FREQUENCIES < 60, 0.0, 40.0)
    noisy = prepared(survey_of(LOW, HIGH, snr_db=rise))
    assert JoiningNote.NOISE_UNKNOWN not in noisy.notes
    assert (noisy.frequency_weights[noisy.frequencies < 50] == 0).all()
    assert (noisy.frequency_weights[noisy.frequencies > 70] > 0).all()
    # the subwoofer alone is lost in noise far above the corner, where the mains play
    fading = survey_of(LOW, HIGH, snr_db=np.full(FREQUENCIES.size, 60.0))
    weak = np.where(FREQUENCIES > 130, 5.0, 60.0)
    sub = replace(
        fading.measurements[0], response=replace(fading.measurements[0].response, snr_db=weak)
    )
    data = prepared(replace(fading, measurements=(sub, fading.measurements[1])))
    top = data.frequencies > 145
    np.testing.assert_allclose(data.frequency_weights[top], data.frequency_weights.max())
    # and the mains far below it, where the subwoofer plays
    thin = np.where(FREQUENCIES < 55, 5.0, 60.0)
    mains = replace(
        fading.measurements[1], response=replace(fading.measurements[1].response, snr_db=thin)
    )
    data = prepared(replace(fading, measurements=(fading.measurements[0], mains)))
    bottom = data.frequencies < 48
    np.testing.assert_allclose(data.frequency_weights[bottom], data.frequency_weights.max())
    assert JoiningNote.NOISE_UNKNOWN in prepared(survey_of(LOW, HIGH)).notes


def test_all_noise_is_refused():
    with pytest.raises(ValueError, match="clear of the noise"):
        prepared(survey_of(LOW, HIGH, snr_db=np.zeros(FREQUENCIES.size)))


def test_half_of_what_noise_leaves_counts_at_15_decibels_and_seats_alike():
    for others, ratio in ((), 0.5), ((40.0,), 0.75):
        snr_db = [np.where(FREQUENCIES < 60, 15.0, 40.0), *(o + 0 * FREQUENCIES for o in others)]
        parts = [
            survey_of([LOW] * (n + 1), [HIGH] * (n + 1), snr_db=row).at_seat(f"seat {n + 1}")
            for n, row in enumerate(snr_db)
        ]
        data = prepared(Survey(measurements=tuple(m for part in parts for m in part)))
        weights, axis = data.frequency_weights, data.frequencies
        np.testing.assert_allclose(weights[axis < 50], ratio * weights[axis > 72].max(), rtol=1e-6)


def test_what_was_set_while_measuring_is_no_fault_of_the_sum():
    present = JoiningSettings(delay=0.003, inverted=True)
    sub = delayed(LOW, 0.001) * present.response(FREQUENCIES)
    for level, told in ((1.0, False), (10 ** (-4 / 20), True)):
        survey = survey_of(sub, HIGH, both=level * sub + HIGH)
        found = prepared(survey, present=present).explanation
        assert (found is not None) is told
    assert found.level_db == pytest.approx(-4.0)
    assert prepared(survey_of(LOW, HIGH)).explanation is None
