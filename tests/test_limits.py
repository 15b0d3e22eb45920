"""Limits and the freedom of bands."""

import numpy as np
import pytest
from synthetic_rooms import nine_bands

from roomeq.optimiser.limits import (
    BandFreedom,
    Limits,
    allowed_gains_db,
    band_freedoms,
    limit_axis,
)


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
    with pytest.raises(ValueError, match="locked band 160 Hz: the device has the bands 20, 25"):
        freedoms(limits=Limits(locked=(160,)))
    with pytest.raises(ValueError, match="unlocked band 200 Hz"):
        freedoms(limits=Limits(unlocked=(200,)))


def test_floor_is_the_higher_of_what_is_known():
    assert Limits(no_boost_below=20).floor(28.0) == 28.0
    assert Limits(no_boost_below=30).floor(28.0) == 30.0
    assert Limits().floor(22.0) == 22.0
    assert Limits().floor(None) == 25.0  # neither is known


def test_caps_jump_at_the_floor_and_the_axis_holds_it():
    axis = limit_axis(nine_bands(), floor=26.0)
    assert axis[0] >= 10
    assert axis[-1] <= 300
    assert 26.0 in axis
    cap = Limits(filter_boost_db=4.0).cap_db(axis, floor=26.0)
    assert set(cap[axis <= 26.0]) == {0.5}
    assert set(cap[axis > 26.0]) == {4.0}
    assert set(Limits(filter_boost_db=0.0).cap_db(axis, floor=26.0)) == {0.0}


def test_drive_limit_is_flat_or_linear_over_the_logarithm_of_frequency():
    axis = np.array([10.0, 20.0, 28.284271247461902, 40.0, 300.0])
    assert Limits(drive_boost_db=4.0).drive_db(axis).tolist() == [4.0] * 5
    by_frequency = Limits(drive_by_frequency=((20.0, 1.0), (40.0, 5.0))).drive_db(axis)
    assert by_frequency == pytest.approx([1.0, 1.0, 3.0, 5.0, 5.0])


@pytest.mark.parametrize(
    "change",
    [
        {"filter_boost_db": -1.0},
        {"drive_boost_db": float("nan")},
        {"no_boost_below": -5.0},
        {"drive_by_frequency": ((40.0, 3.0), (20.0, 3.0))},
        {"drive_by_frequency": ((20.0, -1.0),)},
        {"drive_by_frequency": ((0.0, 1.0), (20.0, 1.0))},
        {"drive_by_frequency": ((20.0, float("nan")),)},
    ],
)
def test_limits_refuse(change):
    with pytest.raises(ValueError, match=next(iter(change))):
        Limits(**change)


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


@pytest.mark.parametrize(("octaves", "freedom"), [(1 / 8, "unseen"), (1 / 16, "free")])
def test_a_band_is_seen_within_a_twelfth_of_an_octave(octaves, freedom):
    centre = nine_bands().bands[5].centre
    found = freedoms(seen=np.geomspace(20.0, centre * 2**-octaves, 60))
    assert found[5] is BandFreedom(freedom)


def test_limits_are_held_finely_and_at_every_centre():
    axis = limit_axis(nine_bands(), floor=26.0)
    assert np.diff(np.log2(axis)).max() <= 1 / 48 + 1e-9
    assert set(nine_bands().centres.tolist()) <= set(axis.tolist())
