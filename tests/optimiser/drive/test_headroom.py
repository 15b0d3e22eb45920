"""Headroom at the wanted level, by hand from Ohm's law and the piston formula."""

import numpy as np
import pytest
from formulas import piston_level_db
from headroom_rooms import distortion_of

from roomeq.base.bands import third_octave_bands
from roomeq.device.amplifier import Amplifier, Load, PowerRating
from roomeq.device.driver import ClosedBox, Driver
from roomeq.device.output_table import OutputTable
from roomeq.optimiser.drive.headroom import (
    Headroom,
    HeadroomLimit,
    drive_by_frequency,
    estimate_headroom,
)
from roomeq.room.equipment import Equipment

BANDS = third_octave_bands(20, 63)
COUNT = len(BANDS)
CENTRES = np.array([band.centre for band in BANDS])
AMPLIFIER = Amplifier(ratings=(PowerRating(power_w=200.0, load_ohm=4.0),))
LOAD = Load(driver_nominal_ohm=8.0, in_parallel=2)
DRIVER = Driver(
    box=ClosedBox(resonance=35.0, q=0.7),
    piston_area_m2=0.05,
    largest_displacement=0.012,
    sensitivity_db=91.0,
)


def demand(rise_db=20.0, wanted_db=100.0):
    rise = np.broadcast_to(rise_db, COUNT)
    wanted = np.broadcast_to(wanted_db, COUNT)
    return {"bands": BANDS, "wanted_db": wanted, "rise_db": rise, "reached_db": wanted}


def output(level_db, detector="rms", distance=1.0, bands=BANDS):
    return OutputTable(
        bands=bands,
        level_db=np.asarray(level_db),
        edition="CEA-2010-A",
        distance=distance,
        detector=detector,
    )


def test_volts_watts_and_what_the_rating_leaves():
    # 1 V while measuring, 20 dB more: 10 V, 25 W into 4 ohm; rated 200 W or 28.28 V: 9.03 dB
    play = Equipment(amplifier=AMPLIFIER, load=LOAD)
    found = estimate_headroom(**demand(), equipment=play, voltages=np.ones(COUNT))
    for entry in found.bands:
        assert entry.voltage == pytest.approx(10.0)
        assert entry.power_w == pytest.approx(25.0)
        assert entry.amplifier_db == pytest.approx(9.0309, abs=1e-4)  # 10 lg (200 / 25)
        assert entry.limit is HeadroomLimit.AMPLIFIER
        assert entry.assured_db is None
        assert entry.driver_db is None
    assert found.rated_voltage == pytest.approx(28.284, abs=1e-3)


def test_a_load_below_the_minimum_never_gets_that_far():
    with pytest.raises(ValueError, match="do not connect it"):
        Equipment(amplifier=AMPLIFIER, load=Load(driver_nominal_ohm=4.0, in_parallel=2))


def test_displacement_runs_out_at_the_bottom_first():
    play = Equipment(driver=DRIVER)
    found = estimate_headroom(**demand(26.0), equipment=play, voltages=np.ones(COUNT))
    assert found.first.band.label == "20"
    assert found.first.limit is HeadroomLimit.DISPLACEMENT
    # outside: the level that this displacement makes by the piston formula is that of the box
    moved = np.array([entry.displacement for entry in found.bands])
    level = piston_level_db(0.05 * moved, CENTRES)
    expected = DRIVER.free_field_level_db(np.full(COUNT, 10**1.3), CENTRES)
    np.testing.assert_allclose(level, expected, atol=1e-9)
    left = [entry.displacement_db for entry in found.bands]
    np.testing.assert_allclose(left, 20 * np.log10(0.012 / moved), atol=1e-9)
    assert left[0] < left[-1]


def test_a_boost_makes_its_band_run_out_first():
    rise = np.full(COUNT, 20.0)
    rise[3] += 6.0
    play = Equipment(amplifier=AMPLIFIER, load=LOAD)
    found = estimate_headroom(**demand(rise), equipment=play, voltages=np.ones(COUNT))
    assert found.first.band.label == "40"
    assert found.first.left_db == pytest.approx(3.0309, abs=1e-4)
    assert found.first.power_w == pytest.approx(25.0 * 3.9811, rel=1e-4)


def test_maximum_output_is_carried_to_the_seat_by_distance_and_boost():
    # 100 dB at 4 m ask 112.04 dB at 1 m (12.04 dB of distance); 6.02 dB less at 2 m
    boost = np.zeros(COUNT)
    boost[1] = 3.0
    table = output(np.full(COUNT, 110.0), distance=2.0)
    asked = 100.0 + 20.0 * np.log10(4.0) + boost
    found = estimate_headroom(**demand(), equipment=Equipment(output=table), asked_db=asked)
    left = np.array([entry.output_db for entry in found.bands])
    np.testing.assert_allclose(left, 110.0 + 6.0206 - 112.0412 - boost, atol=1e-4)
    assert [entry.assured_db for entry in found.bands] == left.tolist()
    assert found.first.band.label == "25"
    assert found.first.limit is HeadroomLimit.MAXIMUM_OUTPUT
    assert not found.room_gain_known
    gained = estimate_headroom(
        **demand(),
        equipment=Equipment(output=table),
        asked_db=asked - 4.0,
        room_gain_known=True,
    )
    assert gained.room_gain_known
    more = np.array([entry.output_db for entry in gained.bands])
    np.testing.assert_allclose(more - left, 4.0)


def test_maximum_output_is_compared_with_what_the_volts_make_where_they_are_known():
    free = DRIVER.free_field_level_db(np.full(COUNT, 10.0), CENTRES)
    found = estimate_headroom(
        **demand(),
        equipment=Equipment(driver=DRIVER, output=output(free + 2.0)),
        voltages=np.ones(COUNT),
    )
    np.testing.assert_allclose([entry.output_db for entry in found.bands], 2.0, atol=1e-9)
    assert found.room_gain_known
    # without volts and without a distance nothing is claimed
    nothing = estimate_headroom(**demand(), equipment=Equipment(output=output(free)))
    assert nothing.first is None
    assert all(entry.limit is None and entry.left_db is None for entry in nothing.bands)


def test_bands_without_a_figure_stay_unknown():
    table = output([105.0, 107.0], bands=BANDS[1:3])
    found = estimate_headroom(
        **demand(), equipment=Equipment(output=table), asked_db=np.full(COUNT, 100.0)
    )
    known = [entry.output_db is not None for entry in found.bands]
    assert known == [False, True, True, False, False, False]
    assert found.first.band.label == "25"


def distortion(second_db, *, above=True):
    ratios = np.array([second_db, -90.0, -90.0, -90.0])[:, np.newaxis]
    return distortion_of(np.geomspace(17.0, 75.0, 120), ratios, above=above)


def test_distortion_leaves_what_its_law_says():
    # second harmonic at -14 dB: 4 dB until -10 dB; wanted is 1 dB more than measured
    found = estimate_headroom(**demand(1.0), distortion=distortion(-14.0))
    for entry in found.bands:
        assert entry.distortion_db == pytest.approx(3.0)
        assert entry.assured_db == pytest.approx(3.0)
        assert entry.limit is HeadroomLimit.DISTORTION
        assert entry.driver_db == pytest.approx(3.0)
    noisy = estimate_headroom(**demand(1.0), distortion=distortion(-14.0, above=False))
    assert noisy.first is None
    assert noisy.bands[0].assured_db == pytest.approx(3.0)


def test_the_lesser_evidence_is_assured():
    found = estimate_headroom(
        **demand(1.0),
        distortion=distortion(-14.0),
        equipment=Equipment(output=output([102.0, *[120.0] * 5])),
        asked_db=np.full(COUNT, 100.0),
    )
    assert found.bands[0].assured_db == pytest.approx(2.0)
    assert found.bands[1].assured_db == pytest.approx(3.0)


def test_drive_limit_follows_the_headroom():
    play = Equipment(driver=DRIVER)
    flat = estimate_headroom(**demand(26.0), equipment=play, voltages=np.ones(COUNT))
    left = np.array([entry.left_db for entry in flat.bands])
    assert left[0] < 6.0 < left[-1]
    limits = drive_by_frequency(flat, flat_db=6.0)
    frequencies, found = np.array(limits[1:-1]).T
    assert frequencies.tolist() == CENTRES.tolist()
    np.testing.assert_allclose(found, np.clip(left, 0.0, 12.0), atol=1e-9)
    # at its limit the drive leaves nothing: estimated again with that much boost
    inside = (left > 0) & (left < 12)
    assert inside.sum() >= 2
    at_limit = estimate_headroom(**demand(26.0 + found), equipment=play, voltages=np.ones(COUNT))
    again = np.array([entry.left_db for entry in at_limit.bands])
    np.testing.assert_allclose(again[inside], 0.0, atol=1e-9)


def test_drive_limit_between_beyond_and_where_nothing_is_known():
    play = Equipment(driver=DRIVER)
    flat = estimate_headroom(**demand(26.0), equipment=play, voltages=np.ones(COUNT))
    (before, lowest), (_, low), *_, (after, highest) = drive_by_frequency(flat, flat_db=6.0)
    assert (before, after) == pytest.approx((CENTRES[0], CENTRES[-1]), rel=1e-5)
    assert before < CENTRES[0] < CENTRES[-1] < after
    assert (lowest, highest) == pytest.approx((low, 6.0))
    blank = Headroom(
        bands=estimate_headroom(**demand()).bands, rated_voltage=None, room_gain_known=True
    )
    assert {limit for _, limit in drive_by_frequency(blank, flat_db=6.0)} == {6.0}
    # a band beyond the outer centres gets the outer figure where that is less than the flat one
    louder = estimate_headroom(**demand(30.0), equipment=play, voltages=np.ones(COUNT))
    assert drive_by_frequency(louder, flat_db=6.0)[-1][1] == pytest.approx(louder.bands[-1].left_db)
    loud = estimate_headroom(**demand(60.0), equipment=play, voltages=np.ones(COUNT))
    assert drive_by_frequency(loud, flat_db=6.0)[0][1] == 0.0
