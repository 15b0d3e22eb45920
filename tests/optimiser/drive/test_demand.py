"""What gains and the wanted level ask of the drive: ratios of check values, section 10."""

import numpy as np
import pytest

from roomeq.base.bands import third_octave_bands
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.driver import ClosedBox
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.optimiser.drive.demand import (
    estimate_extra_drive,
    estimate_volume_db,
    wanted_by_band_db,
)

BANDS = third_octave_bands(20, 125)
EQUALISER = FixedBandEqualiser(
    bands=BANDS, lowest_db=-12.0, highest_db=12.0, step_db=0.5, q_law=QLaw.constant(4.318)
)
CLOSED = ClosedBox(resonance=40.0, q=0.5**0.5)


def gains(**by_band):
    found = np.zeros(9)
    for name, gain in by_band.items():
        found[EQUALISER.labels.index(name.removeprefix("f").replace("_", "."))] = gain
    return found


@pytest.mark.parametrize(
    ("gain_db", "power", "voltage"),  # check values, section 10
    [
        (1.0, 1.2589, 1.1220),
        (3.0, 1.9953, 1.4125),
        (6.0, 3.9811, 1.9953),
        (9.0, 7.943, 2.818),
        (10.0, 10.0, 3.162),
        (12.0, 15.85, 3.981),
    ],
)
def test_power_voltage_and_displacement_ratios(gain_db, power, voltage):
    found = estimate_extra_drive(EQUALISER, gains(f40=gain_db))[3]
    assert found.band.label == "40"
    assert found.extra_db == pytest.approx(gain_db, abs=1e-9)
    assert found.power_ratio == pytest.approx(power, rel=2e-4)
    assert found.voltage_ratio == pytest.approx(voltage, rel=2e-4)
    assert found.displacement_ratio == found.voltage_ratio
    assert found.displacement_db is None


def test_the_level_counts_too():
    # the same boost behind 6 dB less level asks nothing more
    found = estimate_extra_drive(EQUALISER, gains(f40=6.0), level_change_db=-6.0)
    assert found[3].extra_db == pytest.approx(0.0, abs=1e-9)
    assert found[3].power_ratio == pytest.approx(1.0)
    assert found[8].extra_db == pytest.approx(-6.0, abs=0.1)


def test_six_db_at_20_hz_cost_excursion_and_at_80_hz_none():
    # check values, section 10: closed box, 40 Hz, Q 0.7071; displacement -0.26 dB at 20 Hz and
    # -12.30 dB at 80 Hz re 0 Hz; +6 dB at 20 Hz costs 6 dB excursion and 3.98 times the power
    low = estimate_extra_drive(EQUALISER, gains(f20=6.0), box=CLOSED)
    high = estimate_extra_drive(EQUALISER, gains(f80=6.0), box=CLOSED)
    assert low[0].displacement_db == pytest.approx(6.0, abs=0.15)
    assert low[0].power_ratio == pytest.approx(3.98, abs=0.005)
    assert high[6].displacement_db < -4.0
    assert high[6].power_ratio == pytest.approx(3.98, abs=0.005)
    rest = estimate_extra_drive(EQUALISER, np.zeros(9), box=CLOSED)
    assert max(entry.displacement_db for entry in rest) == pytest.approx(0.0, abs=1e-9)


def test_displacement_is_the_largest_product_not_the_product_of_the_largest():
    # closed form |X|^2 = 1 / ((1 - u^2)^2 + (u / Q)^2), on 400 points of the 80 Hz band
    band = BANDS[6]
    axis = np.geomspace(band.lower, band.upper, 400)
    u = axis / 40.0
    moved = -10 * np.log10((1 - u**2) ** 2 + 2 * u**2) + EQUALISER.response_db(gains(f80=12), axis)
    lowest = BANDS[0].lower / 40.0
    rest = -10 * np.log10((1 - lowest**2) ** 2 + 2 * lowest**2)
    found = estimate_extra_drive(EQUALISER, gains(f80=12.0), box=CLOSED)[6]
    assert found.displacement_db == pytest.approx(moved.max() - rest, abs=0.1)


def test_a_high_pass_lowers_the_displacement_that_is_compared():
    filters = (CrossoverFilter(kind="high_pass", family="butterworth", order=4, corner=25.0),)
    with_filter = estimate_extra_drive(EQUALISER, np.zeros(9), box=CLOSED, filters=filters)
    assert with_filter[0].displacement_db < -3.0
    assert with_filter[2].displacement_db == pytest.approx(0.0, abs=1e-9)


def test_extra_drive_refuses():
    with pytest.raises(ValueError, match=r"cannot be set to 0\.3 dB"):
        estimate_extra_drive(EQUALISER, gains(f40=0.3))


def volume(predicted, *, wanted=100.0, target=0.0, cancelled=None):
    return estimate_volume_db(
        np.broadcast_to(wanted, 9),
        predicted_db=predicted,
        target_db=np.broadcast_to(target, 9),
        cancelled=np.zeros(9, dtype=bool) if cancelled is None else cancelled,
    )


def test_a_flat_seat_is_turned_up_by_what_is_wanted():
    np.testing.assert_allclose(volume(np.full(9, 80.0)), 20.0)


def test_a_cancellation_is_not_filled_by_turning_up():
    predicted = np.full(9, 80.0)
    predicted[4] = 60.0
    marked = np.arange(9) == 4
    np.testing.assert_allclose(volume(predicted, cancelled=marked), 20.0)  # not 40 dB at 50 Hz
    # left unmarked it pulls the volume up for all, but alike
    np.testing.assert_allclose(volume(predicted), 20.0 + 20.0 / 9.0)
    every = volume(predicted, cancelled=np.ones(9, dtype=bool))
    np.testing.assert_allclose(every, volume(predicted))


def test_the_target_is_no_excuse():
    # target and wanted level of the same slope ask for the same drive everywhere
    slope = -np.arange(9.0)
    sloped = volume(80.0 + slope, wanted=100.0 + slope, target=slope)
    np.testing.assert_allclose(sloped, 20.0)


def test_one_wanted_figure_follows_the_target():
    target = np.array([-6.0, 0, 0, 0, 0, 0, -6.0, -10.7, -16.9])
    found, left_out = wanted_by_band_db(98.0, bands=BANDS, target_db=target + 75.0)
    assert left_out == ()
    np.testing.assert_allclose(found, 98.0 + target)
    asked = {"20": 95.0, "30": 110.0, "40": 100.0}
    by_band, left_out = wanted_by_band_db(asked, bands=BANDS, target_db=target)
    assert left_out == ("30",)  # none of the bands: it does not count
    expected = 100.0 + target
    expected[[0, 3]] = 95.0, 100.0
    np.testing.assert_allclose(by_band, expected)
    with pytest.raises(ValueError, match="at least one band"):
        wanted_by_band_db({"30": 95.0}, bands=BANDS, target_db=target)
