"""Joining: known delays and polarities come back; preferences; what is and is not told."""

import numpy as np
import pytest
from joining_rooms import (
    CORNER,
    FREQUENCIES,
    butterworth,
    delayed,
    linkwitz_riley,
    modal_survey,
    survey_of,
)

from roomeq.device.profile import PhaseControl
from roomeq.optimiser.band_gain_fit import NoChange
from roomeq.optimiser.joining import fit_joining
from roomeq.optimiser.joining_search import JoiningSurface
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings, LevelRange
from roomeq.optimiser.joining_survey import prepare_joining

LOW, HIGH = linkwitz_riley("low", 4), linkwitz_riley("high", 4)
CONTROL = PhaseControl(lowest_deg=0, highest_deg=180, step_deg=15, frequency=80)
SIXTY = {"lowest_deg": 0, "highest_deg": 180, "step_deg": 15, "frequency": 60}
FIXED_DELAY = DelayRange(lowest=0.0, highest=0.0)


def fitted(sub, mains, *, octaves=1.0, present=None, **options):
    data = prepare_joining(
        survey_of(sub, mains),
        corner=CORNER,
        common_time_reference=True,
        octaves=octaves,
        present=present,
    )
    return fit_joining(data, **options)


@pytest.mark.parametrize(("late", "level_db"), [(0.0053, 2.0), (-0.0071, -3.5)])
def test_known_delay_and_level_come_back(late, level_db):
    fit = fitted(delayed(LOW, late) * 10 ** (level_db / 20), HIGH, phase_control=CONTROL)
    assert fit.settings.delay == pytest.approx(-late, abs=1e-9)
    assert fit.settings.level_change_db == pytest.approx(-level_db)
    assert (fit.settings.inverted, fit.settings.phase_deg) == (False, 0.0)
    assert fit.no_change is None
    assert fit.deviation_db < 0.01 < 0.5 < fit.deviation_before_db
    # Linkwitz's identity: nothing is better than an all-pass sum
    assert fit.best_deviation_db <= fit.deviation_db + 1e-9


def test_joined_already_is_left_alone():
    fit = fitted(LOW, HIGH, phase_control=CONTROL)
    assert fit.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    assert fit.settings == JoiningSettings()
    assert fit.deviation_db == fit.deviation_before_db < 0.01


def test_repeatability_holds_back():
    late = delayed(LOW, 0.004)
    assert fitted(late, HIGH).no_change is None
    assert fitted(late, HIGH, repeatability_db=9.0).no_change is NoChange.WITHIN_REPEATABILITY


@pytest.mark.parametrize(
    ("order", "inverted"),  # check values, section 3: LR2 is flat when inverted, LR4 when not
    [(2, True), (4, False), (6, True), (8, False)],
)
def test_polarity_of_linkwitz_riley_crossovers(order, inverted):
    low, high = linkwitz_riley("low", order), linkwitz_riley("high", order)
    fit = fitted(low, high, delays=FIXED_DELAY)
    assert fit.candidate.inverted is inverted
    assert fit.candidate_deviation_db < 0.01
    assert (fit.flip_gain_db >= 1.0) is inverted
    assert fit.flip_told


def test_third_order_butterworth_is_flat_either_way():
    # odd Butterworth: both polarities sum to 0 dB; so there is no reason for a flip
    fit = fitted(butterworth("low", 3), butterworth("high", 3), delays=FIXED_DELAY)
    assert abs(fit.flip_gain_db) < 0.01
    assert not fit.candidate.inverted
    assert not fit.flip_told
    assert fit.ambiguous


def test_inverted_only_for_a_decibel():
    # a flipped subwoofer can be mended by 4.9 ms within 0.35 dB: the flip gains, but not 1 dB
    fit = fitted(-LOW, HIGH)
    assert 0.2 < fit.flip_gain_db < 1.0
    assert fit.flip_told
    assert not fit.settings.inverted
    assert fit.best == JoiningSettings(inverted=True)
    assert fit.deviation_db - fit.best_deviation_db == pytest.approx(fit.flip_gain_db, abs=0.01)
    # where the mains cannot be delayed and the subwoofer is late already, the flip is needed
    late = fitted(-delayed(LOW, 0.0), HIGH, delays=DelayRange(lowest=0.0, highest=0.002))
    assert late.flip_gain_db >= 1.0
    assert late.settings.inverted
    cannot = fitted(-LOW, HIGH, delays=DelayRange(lowest=0.0, highest=0.002), can_invert=False)
    assert not cannot.settings.inverted
    assert not cannot.best.inverted


def test_wide_span_tells_half_a_period_from_a_flip_and_a_third_octave_does_not():
    # 6.25 ms at 80 Hz is half a period
    wide = fitted(delayed(LOW, 0.5 / CORNER), HIGH)
    narrow = fitted(delayed(LOW, 0.5 / CORNER), HIGH, octaves=1 / 6)
    assert wide.flip_told
    assert wide.flip_gain_db < 0  # delay, not polarity
    assert wide.settings.delay == pytest.approx(-0.5 / CORNER, abs=0.0001)
    assert not narrow.flip_told
    assert abs(narrow.flip_gain_db) < 0.05
    assert narrow.ambiguous
    assert narrow.data.octaves < 0.34 < 1.9 < wide.data.octaves


def test_phase_control_stays_unless_it_gains():
    # what the phase control did it can be asked to undo: turned mains stand for a turned subwoofer
    turned = JoiningSettings(phase_deg=60, phase_frequency=80).response(FREQUENCIES)
    fit = fitted(LOW, HIGH * turned, phase_control=CONTROL, delays=FIXED_DELAY)
    assert fit.settings.phase_deg == 60
    assert fit.phase_gain_db > 0.1
    assert fit.deviation_db < 0.01
    rest = fitted(LOW, HIGH, phase_control=CONTROL)
    assert rest.candidate.phase_deg == 0
    assert rest.phase_gain_db < 0.1
    # a lag beyond 90 degrees must gain what a flip must
    nearly = JoiningSettings(phase_deg=180, phase_frequency=80).response(FREQUENCIES)
    flipped = fitted(LOW, HIGH * nearly, phase_control=CONTROL)
    assert flipped.flip_gain_db < 1.0
    assert flipped.candidate.phase_deg <= 90


def test_long_delays_only_for_half_a_decibel():
    for seed, seats in ((0, 3), (1, 3), (2, 3), (8, 2)):  # at 8 a longer delay is better by less
        survey = modal_survey(seed, seats=seats)
        data = prepare_joining(survey, corner=CORNER, common_time_reference=True)
        fit = fit_joining(data)
        short = np.abs(fit.map_delays) <= 1 / CORNER
        row = fit.map_deviation_db[int(fit.candidate.inverted)]
        if abs(fit.candidate.delay) > 1 / CORNER:
            assert row[short].min() - row.min() >= 0.5 - 1e-9
        else:
            assert row[short].min() - row.min() < 0.5
            assert fit.candidate_deviation_db <= row[short].min() + 0.1 + 1e-9


@pytest.mark.parametrize("seed", range(6))
def test_rival_is_a_different_answer(seed):
    data = prepare_joining(modal_survey(seed, seats=1), corner=CORNER, common_time_reference=True)
    fit = fit_joining(data, levels=LevelRange(lowest_db=0, highest_db=0))
    rival, candidate = fit.rival.settings, fit.candidate
    apart = abs(rival.delay - candidate.delay) >= 0.25 / CORNER - 1e-12
    assert apart or rival.inverted != candidate.inverted
    assert fit.ambiguous == (fit.rival.margin_db < 0.5)


def test_map_rival_and_seats_are_what_they_say():
    data = prepare_joining(modal_survey(3), corner=CORNER, common_time_reference=True)
    levels = LevelRange(lowest_db=-3, highest_db=3, step_db=1.0)
    fit = fit_joining(data, levels=levels, least_improvement_db=-np.inf)
    surface = JoiningSurface(data=data, loss=fit.loss)
    assert fit.map_deviation_db.shape == (2, fit.map_delays.size)
    best = min(
        surface.objective_of(
            JoiningSettings(delay=fit.map_delays[40], inverted=True, level_change_db=level)
        )
        for level in levels.values_db
    )
    assert fit.map_deviation_db[1, 40] == pytest.approx(np.sqrt(best), abs=1e-9)
    rival = fit.rival
    assert rival.margin_db == pytest.approx(rival.deviation_db - fit.candidate_deviation_db)
    assert np.sqrt(surface.objective_of(rival.settings)) == pytest.approx(rival.deviation_db)
    apart = abs(rival.settings.delay - fit.candidate.delay) >= 0.25 / CORNER - 1e-12
    assert apart or rival.settings.inverted != fit.candidate.inverted
    for by_seat, total in (
        (fit.before_by_seat_db, fit.deviation_before_db),
        (fit.after_by_seat_db, fit.deviation_db),
    ):
        assert np.sqrt(data.seat_weights @ by_seat**2) == pytest.approx(total)
    assert 0 < fit.evaluations < fit.grid_size


def test_level_gain_of_a_cancelled_sum():
    # in opposite phase at the corner, mended: the level around the crossover rises
    fit = fitted(-LOW, HIGH, delays=FIXED_DELAY)
    assert fit.settings.inverted
    expected = (
        fit.data.predicted_level_db(fit.settings) - fit.data.predicted_level_db(fit.present)
    ) @ fit.data.frequency_weights
    np.testing.assert_allclose(fit.level_gain_by_seat_db, expected)
    assert fit.level_gain_by_seat_db[0] > 3.0


def test_settings_are_absolute():
    # measured with 3 ms in force and inverted: the same absolute answer
    present = JoiningSettings(delay=0.003, inverted=True)
    sub = delayed(LOW, 0.005)
    absolute = fitted(sub, HIGH)
    measured = fitted(sub * present.response(FREQUENCIES), HIGH, present=present)
    assert measured.settings.delay == pytest.approx(absolute.settings.delay)
    assert measured.settings.inverted == absolute.settings.inverted
    assert measured.deviation_before_db != pytest.approx(absolute.deviation_before_db, abs=0.1)


def test_end_of_range_is_said():
    loud = fitted(LOW * 4.0, HIGH)
    assert loud.candidate.level_change_db == -6.0
    assert loud.at_ends == ("level",)
    assert fitted(delayed(LOW, 0.004), HIGH).at_ends == ()


def test_scale_of_both_does_not_matter():
    one = fitted(delayed(LOW, 0.004), HIGH)
    other = fitted(delayed(LOW, 0.004) * 50, HIGH * 50)
    assert one.settings == other.settings
    assert one.deviation_db == pytest.approx(other.deviation_db, abs=1e-9)


@pytest.mark.parametrize("control", [None, CONTROL, PhaseControl(**SIXTY)])
def test_present_phase_counts_whatever_can_be_set(control):
    # what is there now is judged at its own frequency, as each seat's figure is
    present = JoiningSettings(phase_deg=90.0, phase_frequency=80.0)
    sub = delayed(LOW, 0.002) * present.response(FREQUENCIES)
    fit = fitted(sub, HIGH, present=present, phase_control=control)
    assert fit.deviation_before_db == pytest.approx(fit.before_by_seat_db[0], abs=1e-9)
    if control is None:  # nothing to turn: it stays, and the delay suits it
        assert fit.candidate.phase_deg == 90.0
        assert fit.candidate_deviation_db < 0.1
        at_rest = fitted(delayed(LOW, 0.002), HIGH)
        assert fit.candidate.delay < at_rest.candidate.delay - 0.0005


@pytest.mark.parametrize(
    "least",
    [
        {"least_improvement_db": np.nan},
        {"least_improvement_db": np.inf},
        {"repeatability_db": np.nan},
        {"repeatability_db": -1.0},
    ],
)
def test_refuses_what_is_no_least_improvement(least):
    with pytest.raises(ValueError, match=f"{next(iter(least))} must be"):
        fitted(delayed(LOW, 0.004), HIGH, **least)


def test_repr_is_short_and_true():
    data = prepare_joining(
        survey_of(delayed(linkwitz_riley("low", 4), 0.004), linkwitz_riley("high", 4)),
        corner=CORNER,
        common_time_reference=True,
    )
    fit = fit_joining(data)
    assert "delay=-0.004" in repr(fit)
    assert f"{fit.deviation_before_db:.2f} to {fit.deviation_db:.2f} dB" in repr(fit)
    assert len(repr(fit)) < 250
