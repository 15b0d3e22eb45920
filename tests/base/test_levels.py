"""Decibels and means against worked examples and numpy."""

import numpy as np
import pytest

from roomeq.base import levels


@pytest.mark.parametrize(
    # closed form: +6 dB is 1.9953 times the voltage and 3.9811 times the power
    ("gain_db", "amplitude", "power"),
    [(3.0, 1.4125, 1.9953), (6.0, 1.9953, 3.9811), (12.0, 3.981, 15.85), (-20.0, 0.1, 0.01)],
)
def test_ratios(gain_db, amplitude, power):
    assert levels.amplitude_ratio(gain_db) == pytest.approx(amplitude, rel=1e-3)
    assert levels.power_ratio(gain_db) == pytest.approx(power, rel=1e-3)
    assert levels.amplitude_ratio_db(levels.amplitude_ratio(gain_db)) == pytest.approx(gain_db)
    assert levels.power_ratio_db(levels.power_ratio(gain_db)) == pytest.approx(gain_db)


def test_zero_is_minus_infinity_without_a_warning():
    assert levels.amplitude_ratio_db(0.0) == -np.inf
    assert levels.power_ratio_db([0.0, 1.0]).tolist() == [-np.inf, 0.0]


@pytest.mark.parametrize(
    # worked examples: means of levels at seats
    ("seats_db", "level_mean", "power_mean"),
    [
        ([60, 66, 72], 66.0, 68.416),
        ([70, 80], 75.0, 77.404),
        ([80, 80, 80, 60], 75.0, 78.765),
        ([64, 64], 64.0, 64.0),
    ],
)
def test_means(seats_db, level_mean, power_mean):
    assert levels.level_mean_db(seats_db) == pytest.approx(level_mean, abs=5e-4)
    assert levels.power_mean_db(seats_db) == pytest.approx(power_mean, abs=5e-4)


def test_weights_and_axis():
    table = np.array([[60.0, 70.0, 80.0], [66.0, 70.0, 60.0]])
    assert levels.level_mean_db(table, weights=[3, 1]).tolist() == [61.5, 70.0, 75.0]
    assert levels.power_mean_db(table, axis=1, weights=[1, 0, 0]).tolist() == [60.0, 66.0]
    doubled = levels.power_mean_db(np.vstack([table, table[:1]]))
    np.testing.assert_allclose(doubled, levels.power_mean_db(table, weights=[2, 1]))


def test_power_mean_of_silence():
    assert levels.power_mean_db([-np.inf, -np.inf]) == -np.inf
    assert levels.power_mean_db([-np.inf, 60.0]) == pytest.approx(60 - 3.0103)


@pytest.mark.parametrize(
    # two incoherent sources: 80 + 80 = 83.01 dB, 80 + 74 = 80.97 dB
    ("parts_db", "total_db"),
    [([80, 80], 83.0103), ([80, 74], 80.973), ([70], 70.0)],
)
def test_level_sum(parts_db, total_db):
    assert levels.level_sum_db(parts_db) == pytest.approx(total_db, abs=5e-4)


@pytest.mark.parametrize(
    ("weights", "message"),
    [
        ([1, 1, 1], "averaged axis has 2"),
        ([1, np.nan], "finite"),
        ([-1, 2], "not negative"),
        ([0, 0], "not all zero"),
    ],
)
def test_weights_are_checked(weights, message):
    with pytest.raises(ValueError, match=message):
        levels.level_mean_db([60.0, 70.0], weights=weights)
    with pytest.raises(ValueError, match=message):
        levels.power_mean_db([60.0, 70.0], weights=weights)


def test_readonly_copies():
    source = np.array([1.0, 2.0])
    copy = levels.readonly(source)
    source[0] = 9.0
    assert copy[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        copy[0] = 3.0
