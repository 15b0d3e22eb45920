"""All settings together: never worse than in turn, within limits, predicted as by scipy."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from joining_rooms import CORNER, FREQUENCIES, butterworth, modal_survey
from synthetic_rooms import nine_bands

from roomeq.device.biquads import peaking_coefficients
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.profile import PhaseControl
from roomeq.optimiser.all_settings import fit_all_settings
from roomeq.optimiser.alternation import AllSettingsTask, around_crossover, without_bypassed
from roomeq.optimiser.fit_data import prepare_fit
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings, LevelRange
from roomeq.optimiser.limits import Limits
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.target import Target
from roomeq.survey import Survey

EQUALISER = nine_bands(sample_rate=48000, step_db=1.0)
LOW_PASS = CrossoverFilter(
    kind="low_pass", family="linkwitz_riley", order=4, corner=CORNER, where="processor"
)
TWICE = replace(LOW_PASS, where="amplifier")
COARSE = DelayRange(lowest=-0.010, highest=0.010, step=0.0005)


def high_pass(corner, order=2):
    return CrossoverFilter(kind="high_pass", family="butterworth", order=order, corner=corner)


def fitted(survey, **changes):
    options = {
        "corner": CORNER,
        "common_time_reference": True,
        "equaliser": EQUALISER,
        "target": Target(path=(LOW_PASS,)),
        "delays": COARSE,
        "levels": LevelRange(step_db=1.0),
        "prove": False,
    }
    return fit_all_settings(survey, **(options | changes))


def with_sub_filtered(survey, transfer):
    return replace(
        survey,
        measurements=tuple(
            replace(m, response=m.response.filtered(transfer)) if m.source == "sub" else m
            for m in survey.measurements
            if m.source != "both"
        ),
    )


def bands_by_scipy(gains_db, axis):
    total = np.ones(axis.size, dtype=complex)
    for band, gain in zip(EQUALISER.bands, gains_db, strict=True):
        b, a = peaking_coefficients(centre=band.centre, q=4.318, gain_db=gain, sample_rate=48000)
        total *= scipy.signal.freqz(b, a, worN=axis, fs=48000)[1]
    return total


@pytest.fixture(scope="module")
def fits():
    return {seed: fitted(modal_survey(seed, seats=2)) for seed in (1, 2, 3)}


def test_never_worse_than_in_turn(fits):
    gains = []
    for fit in fits.values():
        assert fit.gain_db >= 0.0
        assert fit.deviation_db <= fit.in_turn_deviation_db < fit.deviation_before_db
        if fit.gain_db:
            assert fit.gain_db >= 0.1 - 1e-9
        gains.append(fit.gain_db)
    assert max(gains) > 0.1


def test_prediction_is_scipys(fits):
    # sub x bands x delay, polarity, level + mains, formed anew with scipy's filters
    for fit in fits.values():
        data, joining = fit.data, fit.settings.joining
        turn = bands_by_scipy(fit.settings.gains_db, data.points)
        turn = turn * np.exp(-2j * np.pi * data.points * joining.delay)
        turn *= (-1.0 if joining.inverted else 1.0) * 10 ** (joining.level_change_db / 20)
        power = np.abs(data.sub * turn + data.mains) ** 2 @ data.smoothing
        np.testing.assert_allclose(fit.predicted_level_db, 10 * np.log10(power), atol=1e-5)


def test_deviations_are_those_of_the_seats(fits):
    for fit in fits.values():
        for by_seat, total in (
            (fit.before_by_seat_db, fit.deviation_before_db),
            (fit.in_turn_by_seat_db, fit.in_turn_deviation_db),
            (fit.after_by_seat_db, fit.deviation_db),
        ):
            assert np.sqrt(fit.data.seat_weights @ by_seat**2) == pytest.approx(total)


def test_cancellations_of_the_subwoofer_count_little():
    # a narrow dip at one seat, which no filter mends: the trust of the band gains applies
    survey = modal_survey(2)
    dip = (FREQUENCIES / 45.0 - 45.0 / FREQUENCIES) * 9j
    holed = replace(
        survey,
        measurements=tuple(
            replace(m, response=m.response.filtered((0.03 + dip) / (1 + dip)))
            if (m.source, m.seat) == ("sub", "seat 1")
            else m
            for m in survey.measurements
            if m.source != "both"
        ),
    )
    fit = fitted(holed)
    trust = prepare_fit(
        holed,
        equaliser=EQUALISER,
        target=Target(path=(LOW_PASS,)),
        present_gains_db=np.zeros(9),
        corner=CORNER,
    )
    at_points = np.array(
        [np.interp(np.log(fit.data.frequencies), np.log(trust.frequencies), row, right=1.0)
         for row in trust.trust]
    )  # fmt: skip
    assert at_points.min() < 0.7
    value = Loss().value(fit.data.error_db(fit.data.present), trust=at_points)
    expected = np.sqrt(fit.data.seat_weights @ value @ fit.data.frequency_weights)
    assert fit.deviation_before_db == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("seed", [1, 2])
def test_limits_hold_together(seed):
    limits = Limits(filter_boost_db=1.0, drive_boost_db=2.0, no_boost_below=30.0, locked=(50.0,))
    fit = fitted(modal_survey(seed, seats=2), limits=limits)
    axis = np.geomspace(10, 300, 3000)
    response = 20 * np.log10(np.abs(bands_by_scipy(fit.settings.gains_db, axis)))
    assert response.max() <= 1.0 + 0.02
    assert response[axis < 29.5].max() <= 0.5 + 0.02
    labels = EQUALISER.labels
    assert fit.settings.gains_db[labels.index("50")] == 0.0
    assert fit.settings.gains_db[labels.index("25")] <= 0.0
    # 1.2 times the corner and above stays at rest
    assert fit.settings.gains_db[labels.index("100")] == 0.0
    # what the driver feels: boost over the mean of the fitted span, and a louder subwoofer on top
    fitted_span = (axis > 17.8) & (axis < CORNER * 2**0.5)
    mean = response[fitted_span].mean()
    louder = max(0.0, fit.settings.joining.level_change_db + mean)
    assert response.max() - mean + louder <= 2.0 + 0.3  # mean with other weights


def test_low_pass_engaged_twice_is_bypassed():
    # Linkwitz-Riley twice: -12 dB at the corner and never a flat sum (check values, section 3)
    survey = with_sub_filtered(
        modal_survey(5, seats=2, extra=0.0, polarity=1.0), LOW_PASS.response(FREQUENCIES)
    )
    fit = fitted(survey, target=Target(path=(LOW_PASS, TWICE)), bypassable=(TWICE,))
    assert fit.settings.bypassed == (TWICE,)
    without = fitted(survey, target=Target(path=(LOW_PASS, TWICE)))
    assert without.settings.bypassed == ()
    assert fit.deviation_db < without.deviation_db
    with pytest.raises(ValueError, match="not in the path"):
        fitted(survey, bypassable=(TWICE,))


def test_the_last_low_pass_is_never_bypassed():
    fit = fitted(modal_survey(2, seats=2), bypassable=(LOW_PASS,))
    assert fit.settings.bypassed == ()


def test_protection_changes_only_where_it_may():
    present = high_pass(40.0, order=4)
    survey = with_sub_filtered(modal_survey(6, seats=2), butterworth("high", 4, corner=40.0))
    kept = fitted(survey, protection=present)
    assert kept.settings.protection == present
    # what is in force is not counted twice
    assert kept.deviation_before_db == pytest.approx(fitted(survey).deviation_before_db)
    free = fitted(survey, protection=present, protections=(present, high_pass(16.0)))
    assert free.settings.protection == high_pass(16.0)
    assert free.deviation_db < kept.deviation_db
    # nothing is boosted below the corner of what is set
    below = [band.nominal < 40.0 for band in EQUALISER.bands]
    assert (kept.settings.gains_db[below] <= 0).all()


def test_present_gains_and_settings_are_taken_out():
    present = JoiningSettings(delay=0.002, inverted=True)
    gains = np.array([0, 0, -3.0, 0, 2.0, 0, 0, 0, 0])
    survey = modal_survey(3, seats=2)
    plain = fitted(with_sub_filtered(survey, np.ones(FREQUENCIES.size)))
    changed = fitted(
        with_sub_filtered(
            survey, present.response(FREQUENCIES) * bands_by_scipy(gains, FREQUENCIES)
        ),
        present=present,
        present_gains_db=gains,
    )
    assert changed.present.joining == present
    np.testing.assert_array_equal(changed.present.gains_db, gains)
    # the same room, the same answer but for the loudness that is kept
    assert changed.deviation_db == pytest.approx(plain.deviation_db, abs=0.1)
    assert changed.deviation_before_db != pytest.approx(plain.deviation_before_db, abs=0.01)


def test_needs_a_common_time_reference_and_mains():
    with pytest.raises(ValueError, match="one time reference"):
        fitted(modal_survey(1), common_time_reference=False)
    survey = modal_survey(1)
    alone = Survey(measurements=tuple(m for m in survey.measurements if m.source == "sub"))
    with pytest.raises(ValueError, match="mains"):
        fitted(alone)


def test_levels_that_hold_no_limit_leave_the_lowest_on_offer():
    # the limit lies between the end of the range and its first step: an empty range before
    limits = Limits(filter_boost_db=0.0, drive_boost_db=0.0)
    fit = fitted(
        modal_survey(2, seats=2),
        limits=limits,
        levels=LevelRange(lowest_db=0.2, highest_db=3.0, step_db=1.0),
    )
    assert fit.settings.joining.level_change_db == 1.0


def test_of_two_low_passes_that_are_alike_one_stays():
    other = replace(LOW_PASS, where="source")
    assert without_bypassed((LOW_PASS, other, LOW_PASS), (LOW_PASS,)) == (other, LOW_PASS)
    assert without_bypassed((LOW_PASS, LOW_PASS), (LOW_PASS, LOW_PASS)) == ()
    with pytest.raises(ValueError, match="not in"):
        without_bypassed((LOW_PASS,), (other,))


def test_around_the_crossover_is_an_octave_either_way(fits):
    data = fits[1].data
    near = around_crossover(data)
    within = (data.frequencies >= CORNER / 2) & (data.frequencies <= 2 * CORNER)
    np.testing.assert_array_equal(near.frequency_weights > 0, within & (data.frequency_weights > 0))
    assert near.frequencies[near.frequency_weights > 0][-1] > 1.3 * CORNER
    assert data.frequencies[data.frequency_weights > 0][0] < 0.9 * CORNER / 2
    # nothing is judged where nothing around the corner can be: then all that is known counts
    below = replace(
        data, frequency_weights=np.where(data.frequencies < 30.0, data.frequency_weights, 0.0)
    )
    assert around_crossover(below) is below


def test_polarity_stays_where_it_cannot_be_set():
    survey = modal_survey(6, seats=1, extra=0.001, polarity=-1.0)
    short = DelayRange(lowest=-0.002, highest=0.002, step=0.0005)
    assert fitted(survey, delays=short).settings.joining.inverted
    assert not fitted(survey, delays=short, can_invert=False).settings.joining.inverted


def test_a_flip_that_the_final_bands_no_longer_bear_is_taken_back(monkeypatch):
    """Neither a flip nor its disguise, a phase control beyond 90 degrees at the corner."""
    control = PhaseControl(lowest_deg=0, highest_deg=180, step_deg=30, frequency=80)
    options = {
        "delays": DelayRange(lowest=-0.001, highest=0.001, step=0.0005),
        "phase_control": control,
    }
    survey = modal_survey(1, seats=2, extra=0.0, polarity=-1.0)
    assert fitted(survey, **options).settings.joining.inverted
    monkeypatch.setattr(AllSettingsTask, "_told_turned", lambda self, settings: False)
    kept = fitted(survey, **options)
    assert not kept.settings.joining.inverted
    assert kept.settings.joining.phase_deg <= 90.0
    assert kept.deviation_db <= kept.in_turn_deviation_db
    # what is inverted already is no flip
    turned = fitted(survey, present=JoiningSettings(inverted=True), **options)
    assert turned.present.joining.inverted
