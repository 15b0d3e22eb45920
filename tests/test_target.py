"""Targets, and what is estimated from measurements."""

import numpy as np
import pytest
import scipy.signal
from synthetic_rooms import FREQUENCIES, bump_db

from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.target import (
    NearField,
    Target,
    estimate_corner,
    estimate_lower_limit,
    lower_roll_off_db,
)

LOW_PASS = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=80.0)


def test_flat_target_is_the_low_pass_in_the_path():
    # fourth-order Linkwitz-Riley at 80 Hz: |H| = 1 / (1 + (f/fc)^4), in dB at 80, 100, 125 Hz
    levels = Target(path=(LOW_PASS,)).relative_db([20, 80, 100, 125])
    expected = [-20 * np.log10(1 + (f / 80) ** 4) for f in (20, 80, 100, 125)]
    np.testing.assert_allclose(levels, expected, atol=1e-9)
    np.testing.assert_allclose(levels[1:], [-6.02, -10.73, -16.85], atol=0.01)


@pytest.mark.parametrize("order", [2, 4])
def test_roll_off_is_a_butterworth_high_pass_six_db_down_at_the_limit(order):
    corner = 28.0 * 3 ** (1 / (2 * order))
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, "high", analog=True)
    _, response = scipy.signal.freqs(b, a, worN=2 * np.pi * FREQUENCIES)
    found = lower_roll_off_db(FREQUENCIES, lower_limit=28.0, order=order)
    np.testing.assert_allclose(found, 20 * np.log10(np.abs(response)), atol=1e-6)
    assert lower_roll_off_db([28.0], lower_limit=28.0, order=order) == pytest.approx(-6.0206)


def test_shapes():
    assert Target(shape="tilt", tilt_db_per_octave=-1.0).shape_db([25, 50, 100]).tolist() == [
        1,
        0,
        -1,
    ]
    shelf = Target(shape="shelf", shelf_gain_db=6.0, shelf_corner=60.0).shape_db([1, 60, 4000])
    np.testing.assert_allclose(shelf, [6, 3, 0], atol=0.01)
    points = Target(shape="points", points=((20, 6.0), (80, 0.0)))
    np.testing.assert_allclose(points.shape_db([10, 20, 40, 80, 200]), [6, 6, 3, 0, 0])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"shape": "house"}, "shape is one of"),
        ({"tilt_db_per_octave": float("nan")}, "must be finite"),
        ({"shelf_corner": 0.0}, "shelf_corner must be positive"),
        ({"lower_limit": 2.0}, "within 5 to 80"),
        ({"lower_limit_order": 3}, "2 or 4"),
        ({"shape": "points"}, "needs points"),
        ({"shape": "points", "points": ((40, 0.0), (20, 0.0))}, "rising"),
    ],
)
def test_target_refuses(change, message):
    with pytest.raises(ValueError, match=message):
        Target(**change)


@pytest.mark.parametrize("limit", [18.0, 22.0, 27.0])
def test_lower_limit_is_found_again(limit):
    box = lower_roll_off_db(FREQUENCIES, lower_limit=limit, order=4)
    seats = 75 + box + np.array([1.0, -1.0, 0.5])[:, np.newaxis]
    found = estimate_lower_limit(FREQUENCIES, seats)
    assert found == pytest.approx(limit, rel=0.05)  # a third octave blurs a knee by some per cent


def test_lower_limit_is_not_invented():
    assert estimate_lower_limit(FREQUENCIES, np.full((2, FREQUENCIES.size), 70.0)) is None
    # a dip that the level comes back from on the low side is no limit
    dip = 70 + bump_db(FREQUENCIES, centre=30, height_db=-15, octaves=0.2)
    assert estimate_lower_limit(FREQUENCIES, dip) is None


@pytest.mark.parametrize("corner", [80.0, 110.0])
def test_corner_is_found_roughly(corner):
    low_pass = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=corner)
    levels = 75 + 20 * np.log10(np.abs(low_pass.response(FREQUENCIES)))
    # the estimate is the point 6 dB below the 30 to 80 Hz mean, which the filter itself lowers
    assert estimate_corner(FREQUENCIES, levels) == pytest.approx(corner, rel=0.15)


def test_corner_is_not_invented():
    assert estimate_corner(FREQUENCIES, np.full(FREQUENCIES.size, 70.0)) is None
    short = FREQUENCIES < 90
    assert estimate_corner(FREQUENCIES[short], np.full(short.sum(), 70.0)) is None


def test_near_field_gives_the_fall_only():
    box = lower_roll_off_db(FREQUENCIES, lower_limit=25.0, order=4)
    close = NearField(frequencies=FREQUENCIES, level_db=90 + box)
    found = Target(near_field=close).relative_db([15.0, 20.0, 60.0, 120.0])
    np.testing.assert_allclose(
        found[:2], lower_roll_off_db([15, 20], lower_limit=25, order=4), atol=0.5
    )
    assert found[2:].tolist() == [0.0, 0.0]
    # below what was measured the fall goes on at 24 dB per octave
    start = NearField(
        frequencies=FREQUENCIES[FREQUENCIES > 16], level_db=90 + box[FREQUENCIES > 16]
    )
    falls = start.roll_off_db([8.0, 16.0])
    assert falls[1] - falls[0] == pytest.approx(24.0, abs=0.5)
