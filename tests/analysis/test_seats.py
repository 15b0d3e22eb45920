"""Spatial averages, seat-to-seat variation.

The odd seat: who is named, and who is not.
"""

import math

import numpy as np
import pytest

from roomeq.analysis.seats import (
    comparable_level_db,
    estimate_band_statistics,
    estimate_odd_seat,
    estimate_seat_statistics,
    estimate_spatial_figures,
    seat_spread_db,
)
from roomeq.base.bands import third_octave_bands

# Worked example of check values section 7: rows are seats, columns frequencies
EXAMPLE_DB = np.array([[70.0, 74, 66, 78], [72, 70, 68, 76], [68, 78, 64, 74]])
EXAMPLE_AXIS = [20.0, 32.0, 50.0, 80.0]
SEATS = ("left", "middle", "right")


def test_worked_example_frequency_by_frequency():
    found = estimate_seat_statistics(EXAMPLE_AXIS, EXAMPLE_DB, seats=SEATS)
    np.testing.assert_allclose(found.level_mean_db, [70, 74, 66, 76])
    np.testing.assert_allclose(found.variance_db2, [8 / 3, 32 / 3, 8 / 3, 8 / 3])
    # The fourth is printed as 76.304 there; its levels are those of the first plus 6 dB, so .302.
    np.testing.assert_allclose(found.power_mean_db, [70.302, 75.151, 66.302, 76.302], atol=6e-4)
    np.testing.assert_allclose(found.range_db, [4, 8, 4, 4])
    assert found.loudest == ("middle", "right", "middle", "left")
    assert found.quietest == ("right", "middle", "right", "right")
    assert found.seats == SEATS


def test_worked_example_over_the_span():
    # Welti and Devantier, JAES 54(5), 2006, as quoted in check values section 7
    found = estimate_spatial_figures(EXAMPLE_AXIS, EXAMPLE_DB, weighting="points")
    assert found.variation_between_seats_db2 == pytest.approx(4.6667, abs=5e-5)
    assert found.unevenness_of_average_db2 == pytest.approx(14.75, abs=5e-5)
    assert found.mean_level_db == pytest.approx(71.5)
    assert (found.lowest, found.highest) == (20.0, 80.0)


@pytest.mark.parametrize(
    ("levels_db", "level_mean", "power_mean", "spread"),
    [
        ([60, 66, 72], 66.0, 68.416, 4.899),
        ([70, 80], 75.0, 77.404, 5.0),
        ([80, 80, 80, 60], 75.0, 78.765, 8.6603),
    ],
)
def test_averages_of_single_levels(levels_db, level_mean, power_mean, spread):
    # Check values section 5 (the spreads of the second and third row by hand)
    column = np.array(levels_db, dtype=float)[:, np.newaxis]
    seats = [f"seat {number}" for number in range(len(levels_db))]
    found = estimate_seat_statistics([50.0], column, seats=seats)
    assert found.level_mean_db[0] == pytest.approx(level_mean)
    assert found.power_mean_db[0] == pytest.approx(power_mean, abs=6e-4)
    assert found.spread_db[0] == pytest.approx(spread, abs=6e-4)


def test_a_diffuse_field_has_the_statistics_of_rayleigh_pressures():
    # Check values section 5: SD (10 / ln 10) pi / sqrt(6) = 5.570 dB, level mean 2.507 dB below
    # the power mean. Tolerances: four standard errors of 200,000 samples. The excess kurtosis of
    # ln of an exponential variable is 12 / 5, so SD's error is SD sqrt((12 / 5 + 2) / (4 n)).
    count = 200_000
    rng = np.random.default_rng(20)
    pressure = rng.normal(size=(count, 1)) + 1j * rng.normal(size=(count, 1))
    level_db = 20 * np.log10(np.abs(pressure))
    found = estimate_seat_statistics([50.0], level_db, seats=list(map(str, range(count))))
    spread_db = 10 / math.log(10) * math.pi / math.sqrt(6)
    assert found.spread_db[0] == pytest.approx(
        spread_db, abs=4 * spread_db * math.sqrt(4.4 / (4 * count))
    )
    error_db = 4 * math.hypot(spread_db, 10 / math.log(10)) / math.sqrt(count)
    assert found.power_mean_db[0] - found.level_mean_db[0] == pytest.approx(2.507, abs=error_db)


@pytest.mark.parametrize(
    ("seats", "spread_db"), [(2, 3.488), (3, 2.729), (4, 2.314), (6, 1.849), (8, 1.585)]
)
def test_the_power_mean_of_several_diffuse_seats_spreads_less(seats, spread_db):
    # Check values section 5: 4.343 sqrt(trigamma(N)); many frequencies stand for many rooms.
    count = 40_000
    rng = np.random.default_rng(seats)
    level_db = 10 * np.log10(rng.exponential(size=(seats, count)))
    found = estimate_seat_statistics(
        np.arange(1.0, count + 1), level_db, seats=list(map(str, range(seats)))
    )
    # excess kurtosis of these levels is at most 12 / 5
    error_db = 4 * spread_db * math.sqrt(4.4 / (4 * count))
    assert np.std(found.power_mean_db) == pytest.approx(spread_db, abs=error_db + 5e-4)


def test_means_keep_their_order():
    rng = np.random.default_rng(2)
    level_db = rng.normal(size=(5, 40)) * 5
    found = estimate_seat_statistics(range(20, 60), level_db, seats=list("abcde"))
    assert (found.power_mean_db > found.level_mean_db).all()


def test_weights_count_as_so_many_seats():
    twice = np.concatenate((EXAMPLE_DB, EXAMPLE_DB[:1]))
    weighted = estimate_seat_statistics(EXAMPLE_AXIS, EXAMPLE_DB, seats=SEATS, weights=[20, 10, 10])
    doubled = estimate_seat_statistics(EXAMPLE_AXIS, twice, seats=(*SEATS, "again"))
    for name in ("power_mean_db", "level_mean_db", "spread_db", "range_db"):
        np.testing.assert_allclose(getattr(weighted, name), getattr(doubled, name))
    without = estimate_seat_statistics(EXAMPLE_AXIS, EXAMPLE_DB, seats=SEATS, weights=[1, 1, 0])
    two = estimate_seat_statistics(EXAMPLE_AXIS, EXAMPLE_DB[:2], seats=SEATS[:2])
    np.testing.assert_allclose(without.spread_db, two.spread_db)
    assert without.loudest == two.loudest
    np.testing.assert_allclose(without.range_db, two.range_db)


def test_one_equaliser_before_all_seats_changes_no_variation():
    # Check values section 7, invariant (i)
    curve_db = np.array([3.0, -2.0, 0.5, 6.0])
    before = estimate_seat_statistics(EXAMPLE_AXIS, EXAMPLE_DB, seats=SEATS)
    after = estimate_seat_statistics(EXAMPLE_AXIS, EXAMPLE_DB + curve_db, seats=SEATS)
    np.testing.assert_allclose(after.variance_db2, before.variance_db2, rtol=1e-12)
    np.testing.assert_allclose(after.level_mean_db, before.level_mean_db + curve_db)


def test_trims_of_single_seats_change_it_until_they_are_removed():
    # Check values section 7, invariant (ii): 4.667 becomes 5.667 with +1, -1, 0 dB
    trims = np.array([[1.0], [-1.0], [0.0]])
    trimmed = estimate_spatial_figures(EXAMPLE_AXIS, EXAMPLE_DB + trims, weighting="points")
    assert trimmed.variation_between_seats_db2 == pytest.approx(17 / 3)
    plain, offsets = comparable_level_db(EXAMPLE_DB, frequencies=EXAMPLE_AXIS)
    again, offsets_again = comparable_level_db(EXAMPLE_DB + trims, frequencies=EXAMPLE_AXIS)
    np.testing.assert_allclose(again, plain, atol=1e-12)
    np.testing.assert_allclose(offsets_again - offsets, trims[:, 0], atol=1e-12)
    assert offsets.sum() == pytest.approx(0, abs=1e-12)


def test_offsets_follow_the_weights_over_frequency():
    levels_db, offsets = comparable_level_db(
        EXAMPLE_DB, frequencies=EXAMPLE_AXIS, weights_over_frequency=[0, 5, 0, 0]
    )
    np.testing.assert_allclose(offsets, [0, -4, 4])
    np.testing.assert_allclose(levels_db[:, 1], 74)


def test_no_variation_only_if_all_seats_are_equal():
    same = estimate_spatial_figures(EXAMPLE_AXIS, EXAMPLE_DB[[0, 0]])
    assert same.variation_between_seats_db2 == 0


def test_samples_weigh_as_their_share_of_the_logarithmic_axis():
    # 0 dB in the octave below 40 Hz, 6 dB above, sampled linearly: half the logarithmic span each
    axis = np.linspace(20.0, 80.0, 60_001)
    level_db = np.where(axis < 40.0, 0.0, 6.0)[np.newaxis]
    by_octave = estimate_spatial_figures(axis, level_db)
    by_point = estimate_spatial_figures(axis, level_db, weighting="points")
    assert by_octave.mean_level_db == pytest.approx(3.0, abs=1e-3)
    assert by_octave.unevenness_of_average_db2 == pytest.approx(9.0, abs=1e-3)
    assert by_point.mean_level_db == pytest.approx(4.0, abs=1e-3)


def test_band_statistics_use_band_levels():
    bands = third_octave_bands(20, 125)
    axis = np.linspace(15.0, 160.0, 3000)
    comb_db = 10 * np.log10(np.abs(1 + 0.999 * np.exp(-2j * np.pi * axis * 3.0)) ** 2)
    found = estimate_band_statistics(
        axis, [comb_db, np.zeros(axis.size)], seats=["comb", "flat"], bands=bands
    )
    # many periods per band: power mean 10 lg 2 against 0 dB
    np.testing.assert_allclose(found.range_db, 10 * math.log10(2), atol=0.08)
    np.testing.assert_allclose(found.frequencies, [band.centre for band in bands])
    assert found.loudest == ("comb",) * 9


def test_results_cannot_be_changed():
    found = estimate_seat_statistics(EXAMPLE_AXIS, EXAMPLE_DB, seats=SEATS)
    with pytest.raises(ValueError, match="read-only"):
        found.spread_db[0] = 0.0


def test_what_is_misused_is_refused():
    def call(**changes):
        given = {"level_db": EXAMPLE_DB, "frequencies": EXAMPLE_AXIS, "seats": SEATS} | changes
        return estimate_seat_statistics(given.pop("frequencies"), given.pop("level_db"), **given)

    with pytest.raises(ValueError, match=r"shape \(seats, 4\), got \(3, 3\)"):
        call(level_db=EXAMPLE_DB[:, :3])
    with pytest.raises(ValueError, match=r"got \(4,\)"):
        call(level_db=EXAMPLE_DB[0])
    with pytest.raises(ValueError, match="finite"):
        call(level_db=np.where(EXAMPLE_DB > 77, np.nan, EXAMPLE_DB))
    for seats in (SEATS[:2], "abc"):
        with pytest.raises(ValueError, match="as many names"):
            call(seats=seats)
    for weights in ([1, 1, -1], [0, 0, 0], [1, 1, np.nan]):
        with pytest.raises(ValueError, match="weights must be"):
            call(weights=weights)
    with pytest.raises(ValueError, match="as many weights"):
        call(weights=[1, 1])
    with pytest.raises(ValueError, match="no sample between 90 and 100 Hz"):
        estimate_spatial_figures(EXAMPLE_AXIS, EXAMPLE_DB, lowest=90, highest=100)
    with pytest.raises(ValueError, match="weighting"):
        estimate_spatial_figures(EXAMPLE_AXIS, EXAMPLE_DB, weighting="octave")


@pytest.mark.parametrize("weights", [None, [2.0, 1.0, 1.0], [1.0, 0.0, 3.0]])
def test_spread_over_seats_is_the_square_root_of_the_variance(weights):
    """By the definition of a weighted variance, and as the statistics have it."""
    share = np.ones(3) if weights is None else np.array(weights)
    mean = np.average(EXAMPLE_DB, axis=0, weights=share)
    variance = np.average((EXAMPLE_DB - mean) ** 2, axis=0, weights=share)
    np.testing.assert_allclose(seat_spread_db(EXAMPLE_DB, weights=weights), np.sqrt(variance))
    one = seat_spread_db(EXAMPLE_DB[:, 1], weights=weights)
    assert one == pytest.approx(math.sqrt(variance[1]))
    found = estimate_seat_statistics(EXAMPLE_AXIS, EXAMPLE_DB, seats=SEATS, weights=weights)
    np.testing.assert_allclose(found.spread_db, np.sqrt(variance))


def responses_with_one_boundary_seat():
    axis = np.geomspace(20.0, 120.0, 200)
    rng = np.random.default_rng(4)
    shapes = rng.normal(size=(5, 4))
    ripple = sum(np.outer(shapes[:, k], np.sin((k + 1) * np.log(axis / 20) * 3)) for k in range(4))
    levels_db = 75 + 0.8 * ripple
    levels_db[3] += 9 * np.sin(5 * np.log(axis / 20))
    return axis, levels_db


def test_the_odd_seat_is_named_whatever_its_place_and_gain():
    axis, levels_db = responses_with_one_boundary_seat()
    seats = ["a", "b", "c", "wall", "e"]
    found = estimate_odd_seat(axis, levels_db, seats=seats)
    assert found.seat == "wall"
    assert 5.0 < found.distance_db < 9.0  # a sine of 9 dB has 6.4 dB root mean square
    assert found.others_distance_db < found.distance_db / 1.5
    gains_db = np.array([[4.0], [-7.0], [0.0], [-2.0], [11.0]])
    order = [3, 1, 4, 0, 2]
    again = estimate_odd_seat(
        axis, (levels_db + gains_db)[order], seats=[seats[index] for index in order]
    )
    assert again.seat == "wall"
    assert again.distance_db == pytest.approx(found.distance_db)


def test_the_distance_is_taken_from_the_others_alone():
    # Whole periods over ln f of a sine of 9 dB: 9 / sqrt(2) from the others, who are alike; they
    # are half as far from the mean of one equal and the odd one. A tenth of it is nothing odd.
    axis = np.geomspace(20.0, 120.0, 4001)
    sine_db = 9 * np.sin(4 * np.pi * np.log(axis / 20) / np.log(6))
    levels_db = np.array([sine_db, 0 * axis + 3, 0 * axis])
    found = estimate_odd_seat(axis, levels_db, seats=["odd", "b", "c"])
    assert found.seat == "odd"
    assert found.distance_db == pytest.approx(9 / math.sqrt(2), rel=1e-3)
    assert found.others_distance_db == pytest.approx(4.5 / math.sqrt(2), rel=1e-3)
    assert estimate_odd_seat(axis, levels_db / 10, seats=["odd", "b", "c"]) is None


def test_nobody_is_odd_among_alike_or_all_different_seats():
    axis, levels_db = responses_with_one_boundary_seat()
    alike = np.delete(levels_db, 3, axis=0)
    assert estimate_odd_seat(axis, alike, seats=list("abce")) is None
    different = np.random.default_rng(1).normal(size=(6, 200)) * 5.6
    assert estimate_odd_seat(axis, different, seats=list("abcdef")) is None
    assert estimate_odd_seat(axis, levels_db[2:4], seats=["c", "wall"]) is None
