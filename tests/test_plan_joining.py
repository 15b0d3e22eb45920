"""Records of a joining: figures of the fit, of the sum now, and of the two judged spans."""

from dataclasses import replace
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest
from joining_rooms import CORNER, FREQUENCIES, delayed, linkwitz_riley, survey_of

from roomeq.optimiser.band_gain_fit import NoChange
from roomeq.optimiser.joining import fit_joining
from roomeq.optimiser.joining_levels import fit_joining_levels
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings
from roomeq.optimiser.joining_survey import prepare_joining
from roomeq.plan_joining import (
    JoiningRecord,
    JoiningSettingRecord,
    LevelJoiningRecord,
    together_record,
)

LOW, HIGH = linkwitz_riley("low", 4), linkwitz_riley("high", 4)
COARSE = DelayRange(lowest=-0.008, highest=0.008, step=0.0005)


@pytest.fixture(scope="module")
def fit():
    """A fourth-order crossover, the subwoofer 4 ms late, everything 20 dB up."""
    survey = survey_of(10.0 * delayed(LOW, 0.004), 10.0 * HIGH)
    data = prepare_joining(survey, corner=CORNER, common_time_reference=True)
    return fit_joining(data, delays=COARSE)


@pytest.fixture(scope="module")
def record(fit):
    return JoiningRecord.of(fit)


def test_target_lies_at_the_level_of_the_sum(record):
    # S. H. Linkwitz, J. Audio Eng. Soc. 24 (1976) 2-8: in time the sum is an all-pass
    np.testing.assert_allclose(record.after_level_db, 20.0, atol=0.02)
    np.testing.assert_allclose(record.target_level_db, 20.0, atol=0.02)


def test_what_a_seat_gains_is_the_mean_of_after_less_before(fit, record):
    # 4 ms of 12.5 at 80 Hz are 115 degrees: the sum of two halves has |cos(57.6)|, -5.4 dB
    middle = int(np.argmin(np.abs(np.log(np.array(record.frequencies) / CORNER))))
    wanted = 20 + 20 * np.log10(np.cos(np.pi * CORNER * 0.004))
    assert record.before_level_db[0][middle] == pytest.approx(wanted, abs=0.3)  # 1/12 octave
    change = np.array(record.after_level_db[0]) - np.array(record.before_level_db[0])
    mean_db = np.average(change, weights=fit.data.frequency_weights)
    assert mean_db > 1.0
    assert record.seats[0].level_gain_db == pytest.approx(mean_db)


def test_spans_are_those_that_are_judged(fit, record):
    assert record.octaves == pytest.approx(2.0, abs=0.1)  # an octave either way
    weights = np.where(fit.data.frequencies <= 1.5 * CORNER, fit.data.frequency_weights, 0.0)
    narrow = JoiningRecord.of(replace(fit, data=replace(fit.data, frequency_weights=weights)))
    assert 1.4 * CORNER < narrow.highest <= 1.5 * CORNER
    assert narrow.lowest == record.lowest
    assert narrow.octaves == pytest.approx(np.log2(narrow.highest / narrow.lowest))


def test_map_and_settings_are_in_milliseconds(fit, record):
    np.testing.assert_allclose(record.map_delays_ms, np.arange(-8.0, 8.1, 0.5), atol=1e-9)
    best = int(np.argmin(record.map_normal_db))
    assert record.map_delays_ms[best] == -4.0
    assert min(record.map_normal_db) < min(record.map_inverted_db)
    setting = JoiningSettings(
        delay=-0.00123, inverted=True, phase_deg=30.0, phase_frequency=70.0, level_change_db=-1.5
    )
    kept = JoiningSettingRecord.of(setting)
    assert kept.delay_ms == -1.23
    assert kept.settings().delay == pytest.approx(-0.00123, rel=1e-12)
    assert replace(kept.settings(), delay=setting.delay) == setting


def test_the_worst_residual_is_kept_where_it_is_a_number(fit):
    data = replace(fit.data, sum_residual_db=np.array([np.nan, 0.2, 0.6]))
    assert JoiningRecord.of(replace(fit, data=data)).sum_residual_db == 0.6


def test_now_may_be_another_sum_than_the_fit_starts_from(fit):
    """As measured the subwoofer is silent: now is what the mains do alone."""
    measured = fit.data.with_transfers(sub=0.0)
    record = JoiningRecord.of(fit, measured=measured)
    mains_db = 20 * np.log10(10.0 * np.interp(record.frequencies, FREQUENCIES, np.abs(HIGH)))
    np.testing.assert_allclose(record.before_level_db[0], mains_db, atol=0.1)  # 1/12 octave
    by_seat_db = measured.deviations_db(fit.present, loss=fit.loss)[0]
    assert record.deviation_before_db == pytest.approx(by_seat_db)
    assert record.seats[0].before_db == pytest.approx(by_seat_db)


def found(*, before_db, after_db):
    """Return what `together_record` reads of a fit over 20 to 160 Hz, the last not judged."""
    size, at_rest = 4, SimpleNamespace(joining=JoiningSettings(), gains_db=np.zeros(9))
    return SimpleNamespace(
        data=SimpleNamespace(
            frequencies=np.array([20.0, 40.0, 80.0, 160.0]),
            frequency_weights=np.array([0.5, 0.25, 0.25, 0.0]),
            seats=("sofa",),
            seat_weights=np.ones(1),
        ),
        present_data=SimpleNamespace(predicted_level_db=lambda _: np.full((1, size), before_db)),
        final_data=SimpleNamespace(predicted_level_db=lambda _: np.full((1, size), after_db)),
        predicted_level_db=np.full((1, size), after_db),
        present=at_rest,
        in_turn=at_rest,
        settings=at_rest,
        deviation_before_db=4.0,
        in_turn_deviation_db=3.0,
        deviation_db=2.0,
        before_by_seat_db=np.array([4.0]),
        after_by_seat_db=np.array([2.0]),
        left_out_by_seat_db=None,
        rounds=2,
    )


def test_over_the_whole_bass_a_seat_gains_after_less_before_or_nothing_where_it_is_kept(record):
    one = found(before_db=70.0, after_db=73.0)
    changed, kept = together_record(one, kept=False), together_record(one, kept=True)
    assert (changed.lowest, changed.highest) == (20.0, 80.0)
    row = changed.seats[0]
    assert (row.before_db, row.after_db, row.level_gain_db) == (4.0, 2.0, 3.0)
    row = kept.seats[0]
    assert (row.before_db, row.after_db, row.level_gain_db) == (4.0, 4.0, 0.0)
    whole = msgspec.structs.replace(record, together=changed)
    assert whole.judged == (4.0, 2.0)
    assert whole.seat_rows == changed.seats != record.seat_rows
    unchanged = msgspec.structs.replace(
        record, together=kept, no_change=NoChange.IMPROVEMENT_TOO_SMALL
    )
    assert unchanged.judged == (4.0, 4.0)
    assert record.judged == (record.deviation_before_db, record.deviation_db)


def test_of_two_answers_the_shorter_delay_is_tried_first():
    kept = (FREQUENCIES > 30) & (FREQUENCIES < 210)

    def db(pressure):
        return 20 * np.log10(np.abs(pressure[kept]))

    def told(delays):
        sub = delayed(LOW, 0.004)
        joined = fit_joining_levels(
            FREQUENCIES[kept],
            sub_db=db(sub),
            mains_db=db(HIGH),
            sum_db=db(sub + HIGH),
            difference_db=db(sub - HIGH),
            corner=CORNER,
            delays=delays,
        )
        return LevelJoiningRecord.of(joined, delay_stated=False)

    late = told(DelayRange(lowest=-0.003, highest=0.008, step=0.0005))
    early = told(DelayRange(lowest=-0.008, highest=0.003, step=0.0005))
    assert late.late_first
    assert not early.late_first
    for one in (late, early):
        assert abs(one.first.settings.delay_ms) < abs(one.second.settings.delay_ms)
        assert not one.if_late.delay_stated
        assert not one.if_early.delay_stated
    assert (late.first, late.second) == (late.if_late, late.if_early)
    assert (early.first, early.second) == (early.if_early, early.if_late)
