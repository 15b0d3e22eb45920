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
        ({"lower_limit": 81.0}, "within 5 to 80"),
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
    # up to 95 Hz there is no telling a low-pass from a dip, however steep the fall
    short = FREQUENCIES < 95
    steep = 70.0 + 60.0 * np.log2(np.minimum(1.0, 60 / FREQUENCIES[short]))
    assert estimate_corner(FREQUENCIES[short], steep) is None


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


@pytest.mark.parametrize(
    "name", ["tilt_db_per_octave", "shelf_gain_db", "shelf_corner", "lower_limit", "level_db"]
)
def test_a_figure_that_is_not_finite_is_named(name):
    with pytest.raises(ValueError, match=f"^{name} must be finite, got nan$"):
        Target(**{name: float("nan")})


def test_near_field_has_no_say_above_its_fall():
    # a peak just below 40 Hz is no fall, and a dip above 40 Hz is the room's or the low-pass's
    box = lower_roll_off_db(FREQUENCIES, lower_limit=20.0, order=4)
    bent = box + bump_db(FREQUENCIES, centre=38, height_db=5, octaves=0.1)
    bent = bent + bump_db(FREQUENCIES, centre=48, height_db=-5, octaves=0.1)
    found = NearField(frequencies=FREQUENCIES, level_db=bent).roll_off_db([38.0, 48.0, 52.0])
    assert found.tolist() == [0.0, 0.0, 0.0]


def test_near_field_must_cover_what_its_fall_is_referred_to():
    # third octaves from 31.5 to 80 Hz, IEC 61260-1 edges 28.18 and 89.13 Hz
    for kept in (FREQUENCIES > 29, FREQUENCIES < 88):
        with pytest.raises(ValueError, match=r"must cover 28\.2 to 89\.1 Hz"):
            NearField(frequencies=FREQUENCIES[kept], level_db=np.zeros(kept.sum()))


def test_lower_limit_counts_seats_by_weight():
    high = lower_roll_off_db(FREQUENCIES, lower_limit=40.0, order=4)
    low = lower_roll_off_db(FREQUENCIES, lower_limit=20.0, order=4)
    levels = 75 + np.array([high, low])
    assert estimate_lower_limit(FREQUENCIES, levels, weights=[0.999, 0.001]) > 33
    assert estimate_lower_limit(FREQUENCIES, levels, weights=[0.001, 0.999]) < 22


def test_lower_limit_needs_something_to_compare_with():
    falling = 75 + lower_roll_off_db(FREQUENCIES, lower_limit=27.0, order=4)
    known = estimate_lower_limit(FREQUENCIES, falling)
    for kept in (FREQUENCIES < 85, FREQUENCIES > 60):
        assert estimate_lower_limit(FREQUENCIES[kept], falling[kept]) is None
    enough = (FREQUENCIES > 15) & (FREQUENCIES < 95)
    assert estimate_lower_limit(FREQUENCIES[enough], falling[enough]) == pytest.approx(known)


def test_a_fall_all_the_way_is_no_lower_limit():
    # rising throughout: there is no band that is not below the mark until 50 Hz and more
    rising = 75 + 30 * np.log2(FREQUENCIES / 80)
    found = estimate_lower_limit(FREQUENCIES, rising)
    assert found is None or 25 < found < 63
    # what falls from 58 Hz on is no subwoofer's lower limit
    step = np.where(FREQUENCIES < 58, 15.0, 75.0)
    assert estimate_lower_limit(FREQUENCIES, step) is None
    # a hole at the top of the span is the low-pass, not the lower limit
    notch = 75 + bump_db(FREQUENCIES, centre=70, height_db=-30, octaves=0.2)
    assert estimate_lower_limit(FREQUENCIES, notch) is None


def test_corner_is_the_last_fall_not_the_first_dip():
    low_pass = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=110.0)
    levels = 75 + 20 * np.log10(np.abs(low_pass.response(FREQUENCIES)))
    dip = bump_db(FREQUENCIES, centre=50, height_db=-18, octaves=0.15)
    # the dip lowers the mean that the fall is judged by, so the figure is rough: above the dip
    assert 100 < estimate_corner(FREQUENCIES, levels + dip) < 150


def test_corner_is_looked_for_up_to_two_hundred_and_fifty_hertz():
    wide = np.geomspace(10, 2000, 2000)
    late = CrossoverFilter(kind="low_pass", family="butterworth", order=4, corner=600.0)
    levels = 75 + 20 * np.log10(np.abs(late.response(wide)))
    assert estimate_corner(wide, levels) is None  # a loudspeaker's own fall is no crossover


def test_corner_of_what_starts_above_the_reference_bands():
    low_pass = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=100.0)
    levels = 75 + 20 * np.log10(np.abs(low_pass.response(FREQUENCIES)))
    kept = FREQUENCIES > 40
    assert estimate_corner(FREQUENCIES[kept], levels[kept]) == pytest.approx(100, rel=0.15)
    assert estimate_corner(FREQUENCIES[FREQUENCIES > 95], levels[FREQUENCIES > 95]) is None
