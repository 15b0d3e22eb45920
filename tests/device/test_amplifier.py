"""Amplifier and load against Ohm's law and the power ratios of check values, section 10."""

import numpy as np
import pytest

from roomeq.device.amplifier import (
    Amplifier,
    Load,
    PowerRating,
)


def amplifier(*ratings, minimum=None):
    return Amplifier(
        ratings=tuple(PowerRating(power_w=p, load_ohm=r) for p, r in ratings),
        minimum_load_ohm=minimum,
    )


@pytest.mark.parametrize(
    ("voltage", "impedance_ohm", "power_w"),  # P = V**2 / R, check values section 10
    [
        (2.83, 8.0, 1.00),
        (2.83, 4.0, 2.00),
        (20.0, 8.0, 50.0),
        (20.0, 4.0, 100.0),
        (28.28, 8.0, 100.0),
        (28.28, 4.0, 200.0),
    ],
)
def test_volts_and_watts(voltage, impedance_ohm, power_w):
    found = float(Load(driver_nominal_ohm=impedance_ohm).power_w(voltage))
    assert found == pytest.approx(power_w, rel=2e-3)  # the table has three digits
    back = PowerRating(power_w=power_w, load_ohm=impedance_ohm).voltage
    assert back == pytest.approx(voltage, rel=1e-3)


@pytest.mark.parametrize(
    ("in_series", "in_parallel", "nominal_ohm"),  # Ohm's law
    [(1, 1, 8.0), (1, 2, 4.0), (1, 4, 2.0), (2, 1, 16.0), (2, 2, 8.0), (3, 2, 12.0)],
)
def test_wiring(in_series, in_parallel, nominal_ohm):
    load = Load(driver_nominal_ohm=8.0, in_series=in_series, in_parallel=in_parallel)
    assert load.nominal_ohm == pytest.approx(nominal_ohm)
    assert load.drivers == in_series * in_parallel
    assert load.minimum_assumed
    assert load.minimum_ohm == pytest.approx(0.8 * nominal_ohm)  # common practice, no source
    measured = Load(
        driver_nominal_ohm=8.0, in_series=in_series, in_parallel=in_parallel, driver_minimum_ohm=6.0
    )
    assert not measured.minimum_assumed
    assert measured.minimum_ohm == pytest.approx(6.0 * in_series / in_parallel)


def test_what_flows_where_the_impedance_is_lowest():
    load = Load(driver_nominal_ohm=4.0, in_parallel=2)
    assert load.power_w([20.0]).tolist() == pytest.approx([200.0])  # 20**2 / 2
    assert load.largest_power_w([20.0]).tolist() == pytest.approx([250.0])  # 20**2 / 1.6
    assert load.largest_current([20.0]).tolist() == pytest.approx([12.5])  # 20 / 1.6


def test_a_load_below_the_minimum_is_refused():
    four = amplifier((200.0, 4.0))
    four.check_load(Load(driver_nominal_ohm=4.0))
    two_parallel = Load(driver_nominal_ohm=4.0, in_parallel=2)
    with pytest.raises(ValueError, match=r"2 ohm \(2 drivers of 4 ohm, 2 in parallel\) is below"):
        four.check_load(two_parallel)
    with pytest.raises(ValueError, match="do not connect it"):
        four.rated_voltage(two_parallel)
    amplifier((200.0, 4.0), minimum=2.0).check_load(two_parallel)
    in_series = Load(driver_nominal_ohm=2.0, in_series=2)
    four.check_load(in_series)
    assert "4 ohm (2 drivers of 2 ohm, 2 in series)" in str(in_series)


def test_a_load_that_dips_too_far_is_refused():
    four = amplifier((200.0, 4.0))
    four.check_load(Load(driver_nominal_ohm=4.0, driver_minimum_ohm=3.2))
    dips = Load(driver_nominal_ohm=4.0, driver_minimum_ohm=3.1)
    with pytest.raises(ValueError, match=r"dips to 3\.10 ohm; one of 4 ohm nominal"):
        four.check_load(dips)


def test_two_dips_in_parallel_count():
    # two drivers of 8 ohm nominal that dip to 5 ohm: 4 and 2.5 ohm together
    load = Load(driver_nominal_ohm=8.0, in_parallel=2, driver_minimum_ohm=5.0)
    with pytest.raises(ValueError, match="dips to 2"):
        amplifier((200.0, 4.0)).check_load(load)


@pytest.mark.parametrize(
    ("nominal_ohm", "voltage"),
    [
        (8.0, 28.284),  # sqrt(100 * 8)
        (16.0, 28.284),  # no more than the highest rated load shows
        (4.0, 26.833),  # sqrt(180 * 4)
        (6.0, 26.833),  # between ratings: the lower one
        (3.0, 20.125),  # 26.833 V / 4 ohm = 6.708 A, into 3 ohm
    ],
)
def test_rated_voltage(nominal_ohm, voltage):
    rated = amplifier((180.0, 4.0), (100.0, 8.0), minimum=2.0)
    found = rated.rated_voltage(Load(driver_nominal_ohm=nominal_ohm))
    assert found == pytest.approx(voltage, abs=1e-3)


def test_ratings_stand_in_order_and_the_lowest_is_the_minimum():
    rated = amplifier((100.0, 8.0), (180.0, 4.0))
    assert [rating.load_ohm for rating in rated.ratings] == [4.0, 8.0]
    assert rated.minimum_ohm == 4.0
    assert amplifier((100.0, 8.0), minimum=6.0).minimum_ohm == 6.0


def test_refuses_what_contradicts_itself():
    with pytest.raises(ValueError, match="at least one rating"):
        Amplifier(ratings=())
    with pytest.raises(ValueError, match="8 ohm is rated twice"):
        amplifier((100.0, 8.0), (120.0, 8.0))
    # three times the power into half the load cannot be: twice is all that a voltage gives
    with pytest.raises(ValueError, match="one of them is no continuous rating"):
        amplifier((100.0, 8.0), (300.0, 4.0))
    amplifier((100.0, 8.0), (220.0, 4.0))  # 0.41 dB more voltage: rounding of data sheets
    with pytest.raises(ValueError, match="are they swapped"):
        Load(driver_nominal_ohm=4.0, driver_minimum_ohm=5.0)


def test_levels_and_volts_go_together():
    # exactly twice the power is 3.0103 dB, twice the voltage 6.0206 dB (check values, section 10)
    load = Load(driver_nominal_ohm=8.0)
    powers = load.power_w(np.array([10.0, 20.0, 10.0 * 2**0.5]))
    assert 10 * np.log10(powers[1] / powers[0]) == pytest.approx(6.0206, abs=1e-4)
    assert 10 * np.log10(powers[2] / powers[0]) == pytest.approx(3.0103, abs=1e-4)
