"""Limits and the freedom of bands."""

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES, bump_db, nine_bands, survey_of

from roomeq.optimiser.bands.fit_data import prepare_fit
from roomeq.optimiser.bands.problem import BoostCap
from roomeq.wanted.limits import BandFreedom, Limits, allowed_gains_db, band_freedoms, limit_axis
from roomeq.wanted.target import Target

FLAT = np.full(FREQUENCIES.size, 75.0)


def freedoms(**changes):
    everywhere = np.geomspace(17.8, 141, 73)
    settings = {"limits": Limits(), "floor": 25.0, "corner": None, "seen": everywhere}
    return band_freedoms(nine_bands(), **(settings | changes))


def test_bands_below_the_floor_only_cut():
    found = freedoms(floor=31.5)
    assert found[:2] == (BandFreedom.CUT_ONLY,) * 2
    assert set(found[2:]) == {BandFreedom.FREE}


def test_bands_from_one_point_two_times_the_corner_rest():
    # 1.2 * 80 = 96 Hz: 100 and 125 Hz rest, 80 Hz moves
    assert freedoms(corner=80.0)[6:] == (BandFreedom.FREE, BandFreedom.AT_REST, BandFreedom.AT_REST)
    unlocked = freedoms(corner=80.0, limits=Limits(unlocked=(100,)))
    assert unlocked[7:] == (BandFreedom.FREE, BandFreedom.AT_REST)
    allowed = allowed_gains_db(nine_bands(), freedoms=unlocked, present_gains_db=np.ones(9))
    assert allowed[8].tolist() == [0.0]


def test_locked_bands_keep_their_present_gain():
    present = np.zeros(9)
    present[3] = -4.5
    found = freedoms(limits=Limits(locked=(40,)))
    allowed = allowed_gains_db(nine_bands(), freedoms=found, present_gains_db=present)
    assert allowed[3].tolist() == [-4.5]
    assert allowed[0].max() == 0.0
    assert (allowed[4].min(), allowed[4].max()) == (-12.0, 6.0)


def test_bands_that_nobody_sees_do_not_move():
    found = freedoms(seen=np.geomspace(20.0, 56.0, 37))
    assert found[0] is BandFreedom.CUT_ONLY  # 20 Hz is near enough to the exact centre, 19.95 Hz
    assert found[5:] == (BandFreedom.UNSEEN,) * 4
    present = np.zeros(9)
    present[6] = 2.0
    allowed = allowed_gains_db(nine_bands(), freedoms=found, present_gains_db=present)
    assert allowed[5].tolist() == [0.0]
    assert allowed[6].tolist() == [0.0, 2.0]


def test_unknown_bands_are_named():
    with pytest.raises(ValueError, match="160 Hz is none of the device's bands: 20, 25"):
        freedoms(limits=Limits(locked=(160,)))
    with pytest.raises(ValueError, match="200 Hz is none of the device's bands"):
        freedoms(limits=Limits(unlocked=(200,)))


STATED, ESTIMATED = {}, {"lower_limit_estimated": True}


@pytest.mark.parametrize(
    ("no_boost_below", "lower_limit", "how", "floor"),
    [
        (20.0, 28.0, STATED, 28.0),  # the highest of what is stated
        (30.0, 28.0, STATED, 30.0),
        (None, 22.0, STATED, 22.0),  # below 32 Hz, because it is stated
        (None, None, STATED, 32.0),  # nothing is known
        (None, 25.0, ESTIMATED, 32.0),  # an estimate gives no leave to boost
        (None, 41.0, ESTIMATED, 41.0),  # it only ever raises what holds where nothing is known
        (24.0, 41.0, ESTIMATED, 24.0),
        (0.0, None, STATED, 0.0),
    ],
)
def test_floor_is_the_highest_of_what_is_stated(no_boost_below, lower_limit, how, floor):
    target = Target(lower_limit=lower_limit, **how)
    assert Limits(no_boost_below=no_boost_below).floor(target) == floor


def cap_of(levels=FLAT, *, limits=None, target=None, **survey):
    limits = Limits(no_boost_below=0.0) if limits is None else limits
    target = Target() if target is None else target
    data = prepare_fit(
        survey_of(levels, **survey),
        equaliser=nine_bands(),
        target=target,
        present_gains_db=np.zeros(9),
    )
    return BoostCap.of(data, limits=limits, target=target), data


def bump(centre, height_db, octaves):
    return bump_db(FREQUENCIES, centre=centre, height_db=height_db, octaves=octaves)


# all seats alike, short of the common level from 28 to 113 Hz but for two booms at the ends
SHORT = [FLAT + 12 * (np.abs(np.log2(FREQUENCIES / 56.6)) > 1.0)] * 2


def test_cap_jumps_at_the_floor():
    limits = Limits(filter_boost_db=4.0, no_boost_below=40.0)
    cap, _ = cap_of(SHORT, limits=limits)
    assert 40.0 in cap.edges
    np.testing.assert_array_equal(cap.at(np.array([10.0, 39.9, 40.0])), 0.5)
    np.testing.assert_array_equal(cap.at(np.array([40.01, 60.0, 80.0])), 4.0)
    assert cap_of(SHORT, limits=Limits(filter_boost_db=0.0))[0].at(FREQUENCIES).max() == 0.0
    assert cap_of(SHORT, limits=Limits(filter_boost_db=0.3))[0].at(FREQUENCIES).max() == 0.3


def test_cap_is_what_the_drive_allows_if_that_is_less_and_never_below_zero():
    drive = ((40.0, 1.0), (80.0, 5.0))
    limits = Limits(no_boost_below=0.0, drive_by_frequency=drive)
    cap, _ = cap_of(SHORT, limits=limits)
    # linear over ln f, 3 dB at most
    found = cap.at(np.array([40.0, 40 * 2**0.25, 40 * 2**0.5, 79.0]))
    np.testing.assert_allclose(found, [1.0, 2.0, 3.0, 3.0])
    # drive_boost_db = 0 refuses every boost and no cut
    shut, _ = cap_of(SHORT, limits=Limits(no_boost_below=0.0, drive_boost_db=0.0))
    assert shut.at(FREQUENCIES).tolist() == [0.0] * FREQUENCIES.size


def test_cap_bars_dips_and_where_few_seats_are_short():
    # three of four seats by weight are short at 40 Hz, one of two at 90 Hz: 3/4 is enough
    levels = [FLAT + bump(40, -8, 0.2), FLAT + bump(40, -8, 0.2) + bump(80, -8, 0.2)]
    cap, data = cap_of([*levels, FLAT], weights={"seat 1": 2.0, "seat 2": 1.0, "seat 3": 1.0})
    assert not data.dips
    for frequency, boost in ((40.0, 3.0), (80.0, 0.5), (56.0, 0.5)):
        assert cap.at(np.array([frequency]))[0] == boost
    # the edges lie half-way (in ln f) between the places where it is judged
    few, axis = data.few_seats_short, data.frequencies
    jumps = np.flatnonzero(few[1:] != few[:-1])
    assert len(jumps) == 2  # only 40 Hz is open
    expected = np.sqrt(axis[jumps] * axis[jumps + 1])
    assert [edge for edge in cap.edges if 20 < edge < 150] == pytest.approx(expected)
    inside = np.geomspace(expected[0] * 1.0001, expected[1] * 0.9999, 50)
    assert cap.at(inside).tolist() == [3.0] * 50
    whatever = BoostCap.of(data, limits=cap.limits, target=Target(), by_seats=False)
    assert whatever.at(np.array([40.0, 56.0, 80.0])).tolist() == [3.0] * 3


def test_outside_the_data_the_nearest_measured_frequency_decides():
    """The end of the axis is short at every seat or at few, and so is all beyond it."""
    for shift, boost in ((-6.0, 3.0), (6.0, 0.5)):
        low = FLAT + shift * (FREQUENCIES < 30)
        found = cap_of([low] * 2)[0].at(np.array([10.0, 15.0, 19.0]))
        assert found.tolist() == [boost] * 3


def test_above_an_unknown_low_pass_nothing_is_boosted():
    short = [FLAT + 30 * (np.abs(np.log2(FREQUENCIES / 56.6)) > 1.0)] * 2  # by more than is excused
    assert cap_of(short)[0].at(np.array([89.0, 90.0])).tolist() == [3.0, 3.0]
    cap, _ = cap_of(short, target=Target(upper_limit=90.0))
    assert 90.0 in cap.edges
    assert cap.at(np.array([89.0, 90.0, 150.0, 300.0])).tolist() == [3.0, 0.5, 0.5, 0.5]


def test_a_dip_is_barred_with_its_margin():
    deep = [SHORT[0] - 14 * (np.abs(np.log2(FREQUENCIES / 56.6)) < 0.15)] * 2
    cap, data = cap_of(deep)
    ((low, high),) = data.dips
    assert {low, high} <= set(cap.edges)
    assert cap.at(np.array([low, 56.6, high])).tolist() == [0.5] * 3
    assert cap.at(np.array([low * 0.999, high * 1.001])).tolist() == [3.0] * 2


@pytest.mark.parametrize(
    ("corner", "floor", "granted"),
    [
        (None, 0.0, 5.0),  # 6 dB less the 1 dB that 40 Hz is boosted by; 19 Hz is not reached
        (None, 30.0, 1.0),  # below the floor 3 dB: less the 2 dB at 25 Hz
        (30.0, 30.0, 5.0),  # below the high-pass nothing reaches the driver
        (25.0, 30.0, 1.0),
        (10.0, 0.0, 5.0),  # ... but never below 20 Hz
        (None, 40.0, 1.0),
    ],
)
def test_granted_level_is_what_the_limit_leaves_where_the_signal_reaches(corner, floor, granted):
    rows = np.array([10.0, 19.9, 25.0, 40.0, 60.0])
    boost = np.array([9.0, 9.0, 2.0, 1.0, -4.0])
    if floor == 0.0:
        boost[2] = 0.5
    limits = Limits(high_pass_corner=corner)
    assert limits.granted_level_db(rows, boost, floor)[0] == pytest.approx(granted)


def test_granted_level_at_the_floor_and_at_the_corner_belongs_to_them():
    rows = np.array([20.0, 32.0, 63.0])
    at = Limits().granted_level_db
    assert at(rows, np.array([-9.0, 1.0, 0.0]), 32.0)[0] == 2.0  # 3 - 1 at the floor itself
    assert at(rows, np.array([-9.0, 1.0, 0.0]), 31.9)[0] == 5.0
    low = Limits(drive_boost_db=1.5).granted_level_db  # below what holds below the floor
    assert low(rows, np.zeros(3), 100.0)[0] == 1.5
    corner = Limits(high_pass_corner=32.0).granted_level_db
    assert corner(rows, np.array([9.0, 2.0, 0.0]), 0.0) == (4.0, 32.0)


def test_granted_level_follows_the_drive_by_frequency_and_may_be_negative():
    limits = Limits(drive_by_frequency=((20.0, 1.0), (40.0, 5.0), (80.0, 8.0)))
    rows = np.array([20.0, 40.0, 80.0])
    for boost, floor, granted in (
        ([0.0, 0.0, 0.0], 0.0, 1.0),
        ([-5.0, 0.0, 0.0], 40.0, 3.0),
        ([4.0, 0.0, 0.0], 0.0, -3.0),
    ):
        found, _ = limits.granted_level_db(rows, np.array(boost), floor)
        assert found == pytest.approx(granted)
    assert limits.granted_level_db(rows, np.array([4.0, 0.0, 0.0]), 0.0)[1] == rows[0]


def test_drive_limit_is_flat_or_linear_over_the_logarithm_of_frequency():
    axis = np.array([10.0, 20.0, 28.284271247461902, 40.0, 300.0])
    assert Limits(drive_boost_db=4.0).drive_db(axis).tolist() == [4.0] * 5
    by_frequency = Limits(drive_by_frequency=((20.0, 1.0), (40.0, 5.0))).drive_db(axis)
    assert by_frequency == pytest.approx([1.0, 1.0, 3.0, 5.0, 5.0])


@pytest.mark.parametrize(
    "change",
    [
        {"filter_boost_db": -1.0},
        {"filter_boost_db": np.int64(-1)},
        {"drive_boost_db": float("inf")},
        {"drive_boost_db": float("nan")},
        {"no_boost_below": -5.0},
        {"high_pass_corner": -1.0},
        {"drive_by_frequency": ((40.0, 3.0), (20.0, 3.0))},
        {"drive_by_frequency": ((20.0, -1.0),)},
        {"drive_by_frequency": ((0.0, 1.0), (20.0, 1.0))},
        {"drive_by_frequency": ((20.0, float("nan")),)},
    ],
)
def test_limits_refuse(change):
    with pytest.raises(ValueError, match=next(iter(change))):
        Limits(**change)


def test_limits_take_what_is_small_and_give_what_is_usual():
    small = ((0.5, 0.0), (0.75, 0.25), (40.0, 6.0))
    assert Limits(drive_by_frequency=small, drive_boost_db=0.5).drive_by_frequency == small
    assert Limits().output_given_up_db == 3.0  # common practice, as is said where it is stated


def test_a_band_at_exactly_one_point_two_times_the_corner_rests():
    assert freedoms(corner=52.5)[5] is BandFreedom.AT_REST  # 63 Hz, 1.2 times 52.5
    assert freedoms(corner=52.6)[5] is BandFreedom.FREE


def test_a_lock_holds_above_the_crossover_too():
    present = np.zeros(9)
    present[7] = 2.0
    found = freedoms(corner=80.0, limits=Limits(locked=(100,)))
    assert found[7] is BandFreedom.LOCKED
    allowed = allowed_gains_db(nine_bands(), freedoms=found, present_gains_db=present)
    assert allowed[7].tolist() == [2.0]


@pytest.mark.parametrize(("octaves", "freedom"), [(1 / 11, "unseen"), (1 / 13, "free")])
def test_a_band_is_seen_within_a_twelfth_of_an_octave(octaves, freedom):
    centre = nine_bands().bands[5].centre
    found = freedoms(seen=np.geomspace(20.0, centre * 2**-octaves, 60))
    assert found[5] is BandFreedom(freedom)


def test_limits_are_held_finely_and_at_every_centre():
    axis = limit_axis(nine_bands())
    assert np.diff(np.log2(axis)).max() <= 1 / 48 + 1e-9
    assert 10.0 <= axis[0] < 10.2
    assert 295.0 < axis[-1] <= 300.0
    assert set(nine_bands().centres.tolist()) <= set(axis.tolist())


def test_a_floor_of_nothing_is_no_edge():
    limits = Limits(no_boost_below=0.0, drive_by_frequency=((20.0, 1.0), (80.0, 6.0)))
    cap, _ = cap_of(SHORT, limits=limits)
    assert np.isfinite(cap.at(np.array(cap.edges))).all()
