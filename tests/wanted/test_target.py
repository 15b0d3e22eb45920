"""Targets, what they excuse, and what is estimated from measurements."""

import numpy as np
import pytest
import scipy.signal
from synthetic_rooms import FREQUENCIES, bump_db

from roomeq.device.crossover import CrossoverFilter
from roomeq.wanted.target import (
    NearField,
    Target,
    estimate_lower_limit,
    estimate_upper_limit,
    roll_off_allowance_db,
)

LOW_PASS = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=80.0)


def butterworth_db(frequencies, *, limit, order, kind="high"):
    """Butterworth filter by scipy.signal, its corner moved so that it is 6.02 dB down at a limit.

    ``|H|**2 = 1 / (1 + (fc / f) ** (2 n))`` is 1/4 at the limit where ``(fc / L) ** (2 n) = 3``.
    """
    shift = 3.0 ** (1.0 / (2 * order))
    corner = limit * shift if kind == "high" else limit / shift
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    _, response = scipy.signal.freqs(b, a, worN=2 * np.pi * np.asarray(frequencies))
    return 20 * np.log10(np.abs(response))


def test_curve_is_shape_and_low_pass_and_never_the_roll_off():
    # fourth-order Linkwitz-Riley at 80 Hz: |H| = 1 / (1 + (f/fc)^4), in dB at 80, 100, 125 Hz
    levels = Target(path=(LOW_PASS,)).curve_db([20, 80, 100, 125])
    expected = [-20 * np.log10(1 + (f / 80) ** 4) for f in (20, 80, 100, 125)]
    np.testing.assert_allclose(levels, expected, atol=1e-9)
    np.testing.assert_allclose(levels[1:], [-6.02, -10.73, -16.85], atol=0.01)
    tilted = Target(
        path=(LOW_PASS,),
        shape="tilt",
        tilt_db_per_octave=-2.0,
        lower_limit=40.0,
        upper_limit=100.0,
        near_field=NearField(frequencies=FREQUENCIES, level_db=-FREQUENCIES),
    )
    octaves = np.log2(np.array([20, 80, 100, 125]) / 50)
    np.testing.assert_allclose(
        tilted.curve_db([20, 80, 100, 125]), expected - 2 * octaves, atol=1e-9
    )


@pytest.mark.parametrize("order", [2, 3, 4])
def test_allowance_is_the_fall_of_a_butterworth_high_pass_six_db_down_at_the_limit(order):
    target = Target(lower_limit=28.0, lower_limit_order=order)
    found = target.allowance_db(FREQUENCIES)
    np.testing.assert_allclose(
        found, -butterworth_db(FREQUENCIES, limit=28.0, order=order), atol=1e-6
    )
    assert target.allowance_db([28.0]) == pytest.approx(20 * np.log10(2))  # 6.02 dB
    # 10 lg(1 + 3 ratio ** (2 n)), an octave below the limit
    assert target.allowance_db([14.0]) == pytest.approx(10 * np.log10(1 + 3 * 4.0**order))
    assert roll_off_allowance_db([2.0], order=order) == pytest.approx(target.allowance_db([14.0]))


@pytest.mark.parametrize("estimated", [False, True])
def test_where_the_box_is_not_known_the_larger_fall_of_both_is_allowed(estimated):
    target = Target(lower_limit=28.0, lower_limit_estimated=estimated)
    closed, vented = (-butterworth_db(FREQUENCIES, limit=28.0, order=n) for n in (2, 4))
    np.testing.assert_allclose(
        target.allowance_db(FREQUENCIES), np.maximum(closed, vented), atol=1e-6
    )
    below = FREQUENCIES < 28.0
    assert (vented > closed)[below].all()
    assert (closed > vented)[~below].all()


def test_nothing_is_excused_where_nothing_is_known():
    assert (
        not Target(path=(LOW_PASS,), shape="shelf", shelf_gain_db=6).allowance_db(FREQUENCIES).any()
    )


def test_an_unknown_low_pass_excuses_a_mirrored_fourth_order_fall():
    falls = -butterworth_db(FREQUENCIES, limit=90.0, order=4, kind="low")
    found = Target(upper_limit=90.0).allowance_db(FREQUENCIES)
    np.testing.assert_allclose(found, falls, atol=1e-6)
    assert Target(upper_limit=90.0).allowance_db([90.0]) == pytest.approx(20 * np.log10(2))
    both = Target(upper_limit=90.0, lower_limit=25.0, lower_limit_order=2)
    np.testing.assert_allclose(
        both.allowance_db(FREQUENCIES),
        falls - butterworth_db(FREQUENCIES, limit=25.0, order=2),
        atol=1e-6,
    )


def test_a_fall_measured_close_to_the_cone_is_what_is_allowed():
    box = butterworth_db(FREQUENCIES, limit=25.0, order=4)
    close = NearField(frequencies=FREQUENCIES, level_db=90 + box)
    target = Target(near_field=close, lower_limit=60.0, lower_limit_order=2)  # of no account
    found = target.allowance_db([15.0, 20.0, 60.0, 120.0])
    np.testing.assert_allclose(found[:2], -butterworth_db([15, 20], limit=25, order=4), atol=0.5)
    assert found[2:].tolist() == [0.0, 0.0]
    # below what was measured the fall goes on at 24 dB per octave
    start = NearField(
        frequencies=FREQUENCIES[FREQUENCIES > 16], level_db=90 + box[FREQUENCIES > 16]
    )
    falls = start.roll_off_db([8.0, 16.0])
    assert falls[1] - falls[0] == pytest.approx(24.0, abs=0.5)


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
        ({"lower_limit_order": 1}, "2, 3 or 4"),
        ({"lower_limit_order": 5}, "2, 3 or 4"),
        ({"shape": "points"}, "needs points"),
        ({"shape": "points", "points": ((40, 0.0), (20, 0.0))}, "rising"),
    ],
)
def test_target_refuses(change, message):
    with pytest.raises(ValueError, match=message):
        Target(**change)


@pytest.mark.parametrize("limit", [18.0, 22.0, 27.0])
def test_lower_limit_is_found_again(limit):
    box = butterworth_db(FREQUENCIES, limit=limit, order=4)
    seats = 75 + box + np.array([1.0, -1.0, 0.5])[:, np.newaxis]
    found = estimate_lower_limit(FREQUENCIES, seats)
    assert found == pytest.approx(limit, rel=0.05)  # a third octave blurs a knee by some per cent


def test_lower_limit_is_not_invented():
    assert estimate_lower_limit(FREQUENCIES, np.full((2, FREQUENCIES.size), 70.0)) is None
    # a dip that the level comes back from on the low side is no limit
    dip = 70 + bump_db(FREQUENCIES, centre=30, height_db=-15, octaves=0.2)
    assert estimate_lower_limit(FREQUENCIES, dip) is None


@pytest.mark.parametrize(
    "name",
    [
        "tilt_db_per_octave",
        "shelf_gain_db",
        "shelf_corner",
        "lower_limit",
        "upper_limit",
        "level_db",
    ],
)
def test_a_figure_that_is_not_finite_is_named(name):
    with pytest.raises(ValueError, match=f"^{name} must be finite, got nan$"):
        Target(**{name: float("nan")})


def test_near_field_has_no_say_above_its_fall():
    # a peak just below 40 Hz is no fall, and a dip above 40 Hz is the room's or the low-pass's
    box = butterworth_db(FREQUENCIES, limit=20.0, order=4)
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
    high = butterworth_db(FREQUENCIES, limit=40.0, order=4)
    low = butterworth_db(FREQUENCIES, limit=20.0, order=4)
    levels = 75 + np.array([high, low])
    assert estimate_lower_limit(FREQUENCIES, levels, weights=[0.999, 0.001]) > 33
    assert estimate_lower_limit(FREQUENCIES, levels, weights=[0.001, 0.999]) < 22


def test_lower_limit_needs_something_to_compare_with():
    falling = 75 + butterworth_db(FREQUENCIES, limit=27.0, order=4)
    known = estimate_lower_limit(FREQUENCIES, falling)
    for kept in (FREQUENCIES < 85, FREQUENCIES > 60):
        assert estimate_lower_limit(FREQUENCIES[kept], falling[kept]) is None
    enough = (FREQUENCIES > 15) & (FREQUENCIES < 95)
    found = estimate_lower_limit(FREQUENCIES[enough], falling[enough])
    assert found == pytest.approx(known, rel=0.01)


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


SPAN = 20.0 * 2.0 ** (np.arange(65) / 24)  # the bands' span, 20 to 127 Hz


@pytest.mark.parametrize("corner", [60.0, 75.0, 95.0])
def test_upper_limit_is_where_the_fall_to_the_end_is_six_db_below_the_median(corner):
    # flat, then 24 dB an octave: the median is the flat part, 6 dB down a quarter octave on
    levels = 75 - 24 * np.maximum(np.log2(SPAN / corner), 0)
    found = estimate_upper_limit(SPAN, levels)
    assert 0 <= np.log2(found / (corner * 2**0.25)) < 1 / 24  # the next place of the axis
    assert estimate_upper_limit(SPAN, levels + 31.7) == found
    # a dip from which the level comes back is none, and neither hides nor moves the fall
    dipped = levels + bump_db(SPAN, centre=30, height_db=-20, octaves=0.05)
    boomed = levels + bump_db(SPAN, centre=40, height_db=15, octaves=0.05)
    assert estimate_upper_limit(SPAN, boomed) == pytest.approx(found, rel=2 / 24)
    assert estimate_upper_limit(SPAN, dipped) == pytest.approx(found, rel=2 / 24)


def test_upper_limit_is_not_invented():
    assert estimate_upper_limit(SPAN, np.full(SPAN.size, 70.0)) is None
    # a dip near the end that the level comes back from, if only at the last place
    dip = 70 + bump_db(SPAN, centre=100, height_db=-15, octaves=0.1)
    assert estimate_upper_limit(SPAN, dip) is None
    # a roll-off at the bottom is no low-pass
    assert estimate_upper_limit(SPAN, butterworth_db(SPAN, limit=35.0, order=4)) is None
    for end, falls in ((-5.9, False), (-6.1, True)):
        levels = np.zeros(SPAN.size)
        levels[-3:] = end
        assert (estimate_upper_limit(SPAN, levels) is not None) == falls


def test_upper_limit_of_a_low_pass_that_was_not_stated():
    # |H| of a fourth-order Linkwitz-Riley: 6.02 dB down at its corner; the median is near the top
    for corner in (60.0, 80.0):
        levels = -20 * np.log10(1 + (SPAN / corner) ** 4)
        assert corner < estimate_upper_limit(SPAN, levels) < 1.2 * corner


@pytest.mark.parametrize("upper_limit", [0.0, -5.0])
def test_an_upper_limit_is_positive(upper_limit):
    with pytest.raises(ValueError, match="upper_limit"):
        Target(upper_limit=upper_limit)
