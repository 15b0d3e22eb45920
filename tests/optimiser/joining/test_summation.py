"""What the sum loses: closed forms, and the definition by numpy."""

from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import CORNER, FREQUENCIES, delayed, linkwitz_riley, modal_survey, survey_of

from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.joining.summation import judge_sum, judge_sums
from roomeq.optimiser.joining.survey import prepare_joining


def data_of(sub, mains, **others):
    return prepare_joining(survey_of(sub, mains), corner=CORNER, **others)


def defined_db(data, delay, sign):
    """Return G at each seat straight from its definition, over fc/sqrt(2) to fc sqrt(2)."""
    inside = np.abs(np.log2(data.points / data.corner)) <= 0.5 + 1e-9
    axis, sub, mains = data.points[inside], data.sub[:, inside], data.mains[:, inside]
    total = sign * np.exp(-2j * np.pi * axis * delay) * sub + mains
    return np.mean(20 * np.log10((np.abs(sub) + np.abs(mains)) / np.abs(total)), axis=1)


@pytest.mark.parametrize("phase_deg", [0.0, 60.0, 90.0, 120.0])
@pytest.mark.parametrize("level_db", [0.0, -10.0])
def test_two_phasors(phase_deg, level_db):
    """|1 + r| over |1 + r e^(j phi)|, the same at every frequency."""
    ratio = 10 ** (level_db / 20)
    sub = np.full(FREQUENCIES.size, ratio * np.exp(1j * np.deg2rad(phase_deg)))
    data = data_of(sub, np.ones_like(sub))
    squared = 1 + ratio**2 + 2 * ratio * np.cos(np.deg2rad(phase_deg))
    expected = 10 * np.log10((1 + ratio) ** 2 / squared)
    assert judge_sum(data, JoiningSettings()).loss_db == pytest.approx(expected, abs=1e-6)


def test_fourth_order_linkwitz_riley_loses_nothing_and_everything_at_the_corner_inverted():
    # both in phase everywhere: S. H. Linkwitz, J. Audio Eng. Soc. 24 (1976) 2-8
    data = data_of(linkwitz_riley("low", 4), linkwitz_riley("high", 4))
    assert judge_sum(data, JoiningSettings()).loss_db == pytest.approx(0.0, abs=1e-4)
    # inverted, lg(|L| + |H|) / ||L| - |H|| with |L| = 1 / (1 + x^4)
    x = data.points[np.abs(np.log2(data.points / CORNER)) <= 0.5 + 1e-9] / CORNER
    gap = np.maximum(np.abs(x**4 - 1) / (x**4 + 1), 1e-6)  # a loss of 120 dB is the most
    expected = np.mean(-20 * np.log10(gap))
    found = judge_sum(data, JoiningSettings(inverted=True)).loss_db
    assert found == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("seed", [1, 2])
def test_grid_is_the_definition(seed):
    data = prepare_joining(modal_survey(seed), corner=CORNER)
    settings = [
        JoiningSettings(delay=delay, inverted=inverted)
        for delay in (-0.0071, 0.0, 0.0033)
        for inverted in (False, True)
    ]
    for one, found in zip(settings, judge_sums(data, settings), strict=True):
        expected = defined_db(data, one.delay, -1.0 if one.inverted else 1.0)
        np.testing.assert_allclose(found.by_seat_db, expected, atol=1e-9)
        judged = judge_sum(data, one)
        np.testing.assert_allclose(judged.by_seat_db, found.by_seat_db, atol=1e-9)
        assert judged.loss_db == pytest.approx(found.by_seat_db.mean())


def test_seats_count_by_their_weight_and_a_phase_control_is_judged():
    data = prepare_joining(modal_survey(3), corner=CORNER)
    weighed = replace(data, seat_weights=[1.0, 3.0, 0.0])
    by_seat = judge_sum(data, JoiningSettings()).by_seat_db
    expected = (by_seat[0] + 3.0 * by_seat[1]) / 4.0
    assert judge_sum(weighed, JoiningSettings()).loss_db == pytest.approx(expected)
    turned = JoiningSettings(phase_deg=90.0, phase_frequency=CORNER)
    ratio = (1 - 1j * data.points / CORNER) / (1 + 1j * data.points / CORNER)
    expected = defined_db(data.with_transfers(sub=ratio), 0.0, 1.0)
    np.testing.assert_allclose(judge_sum(data, turned).by_seat_db, expected, atol=1e-9)


def test_present_settings_are_absolute():
    sub, mains = delayed(linkwitz_riley("low", 4), 0.004), linkwitz_riley("high", 4)
    data = data_of(-sub, mains, present=JoiningSettings(delay=0.004, inverted=True))
    assert judge_sum(data, JoiningSettings()).loss_db == pytest.approx(0.0, abs=1e-3)


def test_half_an_octave_has_to_be_measured():
    sub, mains = linkwitz_riley("low", 4), linkwitz_riley("high", 4)
    narrow = data_of(sub, mains, span=(CORNER * 0.95, CORNER * 1.2))
    with pytest.raises(ValueError, match="half an octave"):
        judge_sum(narrow, JoiningSettings())
