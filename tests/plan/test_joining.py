"""Records of a joining: figures of alignment and loss, of the sum now and as proposed."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from joining_rooms import (
    CORNER,
    FREQUENCIES,
    KEPT,
    bands_record,
    delayed,
    four_levels,
    linkwitz_riley,
    survey_of,
)

from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.joining.alignment import align
from roomeq.optimiser.joining.levels import fit_joining_levels
from roomeq.optimiser.joining.summation import judge_sum
from roomeq.optimiser.joining.survey import prepare_joining
from roomeq.plan.alignment import JoiningSettingRecord
from roomeq.plan.joining import (
    JoiningRecord,
    LevelJoiningRecord,
)

LOW, HIGH = linkwitz_riley("low", 4), linkwitz_riley("high", 4)
COARSE = DelayRange(lowest=-0.008, highest=0.008, step=0.0005)


@pytest.fixture(scope="module")
def found():
    """A fourth-order crossover, the subwoofer 4 ms late, everything 20 dB up."""
    survey = survey_of(10.0 * delayed(LOW, 0.004), 10.0 * HIGH)
    data = prepare_joining(survey, corner=CORNER)
    return align(data, delays=COARSE)


@pytest.fixture(scope="module")
def record(found):
    settings = JoiningSettings(delay=-0.004)
    return JoiningRecord.of(found, measured=found.data, settings=settings)


def test_target_lies_at_the_level_of_the_sum(record):
    # S. H. Linkwitz, J. Audio Eng. Soc. 24 (1976) 2-8: in time the sum is an all-pass
    np.testing.assert_allclose(record.after_level_db, 20.0, atol=0.02)
    np.testing.assert_allclose(record.target_level_db, 20.0, atol=0.02)
    assert record.loss_db == pytest.approx(0.0, abs=1e-3)
    assert (record.lowest, record.highest) == (CORNER / 2**0.5, CORNER * 2**0.5)


def test_a_tilted_target_keeps_its_tilt_and_has_the_mean_of_the_sum(found):
    """The mean of sum less target over the axis, whose points count alike here, is 0."""
    tilted = replace(found.data, target_db=-1.5 * np.log2(found.data.frequencies / 50.0))
    record = JoiningRecord.of(replace(found, data=tilted), measured=tilted)
    target_db = np.array(record.target_level_db)
    np.testing.assert_allclose(np.ptp(target_db - tilted.target_db), 0.0, atol=1e-9)
    assert np.mean(np.array(record.after_level_db)[0] - target_db) == pytest.approx(0.0, abs=1e-6)


def test_what_a_seat_gains_is_the_mean_in_the_octave(record):
    # 4 ms of 12.5 at 80 Hz are 115 degrees: the sum of two halves has |cos(57.6)|, -5.4 dB
    middle = int(np.argmin(np.abs(np.log(np.array(record.frequencies) / CORNER))))
    wanted = 20 + 20 * np.log10(np.cos(np.pi * CORNER * 0.004))
    assert record.before_level_db[0][middle] == pytest.approx(wanted, abs=0.3)  # 1/12 octave
    inside = np.abs(np.log2(np.array(record.frequencies) / CORNER)) <= 0.5 + 1e-9
    change = np.array(record.after_level_db[0]) - np.array(record.before_level_db[0])
    assert record.seats[0].level_gain_db == pytest.approx(change[inside].mean())
    # both have the same sizes: what is gained in level is what was lost of the sum
    lost = record.seats[0].before_db - record.seats[0].after_db
    assert record.seats[0].level_gain_db == pytest.approx(lost, abs=0.1)


@pytest.mark.parametrize("ahead", [-0.7, 0.7])
def test_quadrature_is_the_sine_of_what_the_subwoofer_is_ahead(ahead):
    flat = np.ones(FREQUENCIES.size)
    data = prepare_joining(survey_of(3.0 * np.exp(1j * ahead) * flat, 0.5 * flat), corner=CORNER)
    record = JoiningRecord.of(align(data, delays=COARSE), measured=data, settings=JoiningSettings())
    np.testing.assert_allclose(record.quadrature, np.sin(ahead), atol=1e-6)


def test_losses_are_those_of_the_one_judge(found, record):
    now = judge_sum(found.data, JoiningSettings())
    assert record.loss_before_db == now.loss_db
    assert record.seats[0].before_db == now.by_seat_db[0]
    assert record.alignment.present.loss_db == pytest.approx(now.loss_db)


def test_map_and_settings_are_in_milliseconds(record):
    alignment = record.alignment
    np.testing.assert_allclose(alignment.map_delays_ms, np.arange(-8.0, 8.1, 0.5), atol=1e-9)
    best = int(np.argmin(alignment.map_normal_db))
    assert alignment.map_delays_ms[best] == -4.0
    assert min(alignment.map_normal_db) < min(alignment.map_inverted_db)
    assert alignment.normal.settings.delay_ms == -4.0
    setting = JoiningSettings(
        delay=-0.00123, inverted=True, phase_deg=30.0, phase_frequency=70.0, level_change_db=-1.5
    )
    kept = JoiningSettingRecord.of(setting)
    assert kept.delay_ms == -1.23
    assert kept.settings().delay == pytest.approx(-0.00123, rel=1e-12)
    assert replace(kept.settings(), delay=setting.delay) == setting


def test_the_worst_residual_is_kept_where_it_is_a_number(found):
    data = replace(found.data, sum_residual_db=np.array([np.nan, 0.2, 0.6]))
    assert JoiningRecord.of(found, measured=data).sum_residual_db == 0.6


def test_now_may_be_another_sum_than_the_alignment_starts_from(found):
    """As measured the subwoofer is silent: now is what the mains do alone, and nothing is lost."""
    measured = found.data.with_transfers(sub=0.0)
    record = JoiningRecord.of(found, measured=measured)
    mains_db = 20 * np.log10(10.0 * np.interp(record.frequencies, FREQUENCIES, np.abs(HIGH)))
    np.testing.assert_allclose(record.before_level_db[0], mains_db, atol=0.1)  # 1/12 octave
    assert record.loss_before_db == pytest.approx(0.0, abs=1e-9)
    assert record.alignment.present.loss_db > 3.0


def test_changes_and_why_nothing_is_changed(found, record):
    assert record.changes
    assert record.no_change is None
    still = JoiningRecord.of(found, measured=found.data, settings=JoiningSettings())
    assert not still.changes
    assert still.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    for bands, why in (
        (bands_record(), None),
        (bands_record(chosen=False), NoChange.IMPROVEMENT_TOO_SMALL),
        (bands_record(no_change=NoChange.WITHIN_REPEATABILITY), NoChange.WITHIN_REPEATABILITY),
    ):
        assert msgspec.structs.replace(still, bands=bands).no_change is why
    bypassed = msgspec.structs.replace(still, bypass=("low-pass",))
    assert bypassed.changes
    assert bypassed.no_change is None


def test_deviation_and_seats_are_those_of_the_bands_where_they_were_judged(record):
    assert record.judged == (record.loss_before_db, record.loss_db)
    assert record.seat_rows == ()
    whole = msgspec.structs.replace(record, bands=bands_record())
    assert whole.judged == (3.5, 1.5)
    assert whole.seat_rows == whole.bands.seats


def test_two_answers_from_levels_are_open_until_it_is_decided():
    joined = fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(delayed(LOW, 0.004), HIGH), corner=CORNER
    )
    open_ = LevelJoiningRecord.of(joined, delay_stated=False)
    assert open_.answer is None
    assert open_.move_delay_ms == joined.move_delay_ms
    assert open_.move_if_late_db == joined.move_if_late_db != open_.move_if_early_db
    assert open_.move_if_early_db == joined.move_if_early_db
    still = fit_joining_levels(
        FREQUENCIES[KEPT],
        **four_levels(delayed(LOW, 0.004), HIGH),
        corner=CORNER,
        delays=DelayRange(lowest=0.0, highest=0.0),
    )
    unmoved = LevelJoiningRecord.of(still)
    assert unmoved.move_delay_ms is unmoved.move_if_late_db is unmoved.move_if_early_db is None
    assert unmoved.if_late.delay_stated
    alike = msgspec.structs.replace(open_, ambiguous=False)
    assert alike.answer is alike.if_late
    assert not open_.if_late.delay_stated
    for word in ("late", "early"):
        decided = LevelJoiningRecord.of(joined, decided=word)
        assert decided.answer is getattr(decided, f"if_{word}")
