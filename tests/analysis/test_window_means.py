"""Means over many windows at once."""

import math

import numpy as np
import pytest

from roomeq.analysis.smoothing import mean_over_windows


def direct_mean(x, values, low, high):
    """The integral of straight pieces, summed with math.fsum, divided by the width."""
    inside = np.flatnonzero((x > low) & (x < high))
    places = np.array([low, *x[inside], high])
    heights = np.interp(places, x, values)
    return math.fsum(np.diff(places) * (heights[1:] + heights[:-1]) / 2) / (high - low)


@pytest.mark.parametrize("over", ["log", "linear"])
def test_overlapping_windows_of_any_width_in_any_order(over):
    rng = np.random.default_rng(11)
    axis = np.sort(rng.uniform(10.0, 400.0, 300))
    values = rng.normal(size=(2, 300)) ** 3
    lower = rng.uniform(axis[0], 250.0, 120)
    upper = np.minimum(lower * rng.uniform(1.0, 2.5, 120), axis[-1])
    scale = np.log if over == "log" else np.asarray
    means = mean_over_windows(axis, values, lower=lower, upper=upper, over=over)
    for row, found in zip(values, means, strict=True):
        expected = [
            direct_mean(scale(axis), row, low, high)
            for low, high in zip(scale(lower), scale(upper), strict=True)
        ]
        # edges are cut to one part in 1e16 of ln f, which a narrow window magnifies
        np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-11)


def test_a_window_of_no_width_gives_the_interpolated_value():
    axis, values = np.array([20.0, 40.0, 80.0]), np.array([[1.0, 3.0, -1.0]])
    at = np.array([20.0, 30.0, 40.0, 80.0])
    means = mean_over_windows(axis, values, lower=at, upper=at, over="linear")
    np.testing.assert_allclose(means, [[1.0, 2.0, 3.0, -1.0]])


def test_outside_the_data_windows_are_cut_off():
    axis, values = np.array([20.0, 40.0, 60.0, 80.0]), np.array([[1.0, 2.0, 4.0, 0.0]])
    lower, upper = np.array([1.0, 70.0]), np.array([60.0, 500.0])
    means = mean_over_windows(axis, values, lower=lower, upper=upper, over="linear")
    np.testing.assert_allclose(means, [[2.25, 1.0]])  # by hand: (1.5 + 3) / 2 and (2 + 0) / 2


def test_nothing_of_a_quiet_part_is_lost_beside_a_loud_one():
    axis = np.linspace(10.0, 1000.0, 991)
    values = np.where(axis < 100.0, 1e30, 1.0)[np.newaxis]
    means = mean_over_windows(axis, values, lower=np.array([10.0, 150.0]), upper=axis[[900, 700]])
    assert means[0, 1] == pytest.approx(1.0, rel=1e-14)
