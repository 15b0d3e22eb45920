"""What the search works on: the average that is corrected, and what of it is excused."""

import numpy as np
import pytest
from scipy.optimize import brentq
from synthetic_rooms import FREQUENCIES, nine_bands, random_levels_db, survey_of

from roomeq.analysis.smoothing import smooth_power_db
from roomeq.base.bands import third_octave_bands
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.bands.fit_data import prepare_fit
from roomeq.wanted.span import fit_span, merged_spans, within_spans
from roomeq.wanted.target import NearField, Target, estimate_lower_limit, with_limit_estimate

EQUALISER = nine_bands()
FLAT = np.full(FREQUENCIES.size, 70.0)
LOW_PASS = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=80.0)
PRESENT = np.array([0, 0, 3.0, -6.0, 0, 2.0, 0, -12.0, 6.0])


def prepared(survey, **changes):
    settings = {
        "equaliser": EQUALISER,
        "target": Target(),
        "present_gains_db": np.zeros(9),
    }
    return prepare_fit(survey, **(settings | changes))


def power_average_db(levels_db, weights):
    return 10 * np.log10(np.average(10 ** (np.asarray(levels_db) / 10), axis=0, weights=weights))


def hole_db(*, centre, depth_db, octaves, edge_octaves=0.1):
    """Return a dip with a level ground, as wide as `octaves` half-way up, and straight sides."""
    away = np.abs(np.log2(FREQUENCIES / centre))
    return -depth_db * np.clip(0.5 + (0.5 * octaves - away) / edge_octaves, 0.0, 1.0)


def test_every_octave_counts_alike_whatever_is_known_of_the_limits():
    low, high = fit_span(EQUALISER)
    assert (low, high) == pytest.approx((19.953, 125.893), abs=1e-3)  # IEC 61260-1 mid-bands
    for target in (Target(), Target(lower_limit=40.0, upper_limit=90.0), Target(path=(LOW_PASS,))):
        data = prepared(survey_of(FLAT), target=target)
        np.testing.assert_allclose(np.diff(np.log2(data.frequencies)), 1 / 24, atol=1e-9)
        np.testing.assert_allclose(data.frequency_weights, 1 / data.frequencies.size)
        assert data.frequencies[-1] > 122.0


def test_clear_of_the_corner_nothing_above_seventy_per_cent_counts():
    assert fit_span(EQUALISER, clear_of=100.0)[1] == pytest.approx(70.0)
    assert fit_span(EQUALISER, clear_of=500.0) == fit_span(EQUALISER)
    data = prepared(survey_of(FLAT), clear_of=100.0)
    assert 67.0 < data.frequencies.max() <= 70.0 + 1e-6


def test_what_is_corrected_is_the_power_average_after_sixth_octave_smoothing():
    levels = random_levels_db(4, seats=3)
    tilt = Target(shape="tilt", tilt_db_per_octave=-2.0, path=(LOW_PASS,))
    data = prepared(survey_of(levels, weights={"seat 2": 3.0}), target=tilt)
    axis = data.frequencies
    seats = [smooth_power_db(FREQUENCIES, row, at=axis, fraction=6) for row in levels]
    curve = -2.0 * np.log2(axis / 50) - 20 * np.log10(1 + (axis / 80) ** 4)
    average = power_average_db(np.array(seats) - curve, [1, 3, 1])
    error = data.error_db - average
    np.testing.assert_allclose(error, error[0], atol=1e-9)
    assert error[0] == pytest.approx(-data.aim_db)
    np.testing.assert_allclose(data.seat_error_db, np.array(seats) - curve - data.level_db)
    measured = [smooth_power_db(FREQUENCIES, row, at=axis, fraction=12) for row in levels]
    np.testing.assert_allclose(data.measured_db, measured)
    # a plain mean of levels, or no weights, would be another curve
    assert np.ptp(average - np.average(np.array(seats) - curve, axis=0, weights=[1, 3, 1])) > 0.1


def test_present_gains_and_target_are_divided_out():
    shape = Target(shape="tilt", tilt_db_per_octave=-2.0, path=(LOW_PASS,))
    truth = 70 + shape.curve_db(FREQUENCIES) + EQUALISER.response_db(PRESENT, FREQUENCIES)
    data = prepared(survey_of(truth), target=shape, present_gains_db=PRESENT)
    # what is left is the smoothing's own error where the low-pass bends
    np.testing.assert_allclose(data.error_db, 0, atol=0.2)


def test_present_gains_are_divided_out_before_the_smoothing():
    levels = random_levels_db(6, seats=3) + hole_db(centre=60, depth_db=12, octaves=0.4)
    at_rest = prepared(survey_of(levels))
    through = levels + EQUALISER.response_db(PRESENT, FREQUENCIES)
    set_so = prepared(survey_of(through), present_gains_db=PRESENT)
    axis = at_rest.frequencies
    for name in ("error_db", "shortfall_db", "seat_db", "fine_db"):
        np.testing.assert_allclose(getattr(set_so, name), getattr(at_rest, name), atol=1e-6)
    assert set_so.dips
    np.testing.assert_allclose(set_so.dips, at_rest.dips, rtol=1e-6)
    assert set_so.level_db == pytest.approx(at_rest.level_db, abs=1e-6)
    # divided out afterwards they would move the error by a good part of a step
    response = EQUALISER.response_db(PRESENT, axis)
    naive = np.array([smooth_power_db(FREQUENCIES, row, at=axis, fraction=6) for row in through])
    assert np.abs(naive - response - at_rest.seat_db).max() > 0.5
    np.testing.assert_allclose(set_so.present_db, response)
    np.testing.assert_allclose(
        set_so.measured_db,
        [smooth_power_db(FREQUENCIES, row, at=axis, fraction=12) for row in through],
    )


def test_as_if_the_present_gains_had_had_another_response():
    data = prepared(survey_of(random_levels_db(6, seats=2)), present_gains_db=PRESENT)
    other = data.present_db + np.sin(np.arange(data.frequencies.size))
    changed = data.with_present(other)
    np.testing.assert_allclose(changed.seat_db + other, data.seat_db + data.present_db)
    np.testing.assert_array_equal(changed.present_db, other)
    assert np.ptp(changed.error_db - data.error_db) > 1.0


@pytest.mark.parametrize(
    "target",
    [Target(), Target(lower_limit=35.0), Target(lower_limit=30.0, upper_limit=90.0)],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_level_is_where_the_mean_of_what_is_asked_for_is_zero(seed, target):
    """scipy.optimize.brentq on the definition, written out frequency by frequency."""
    levels = random_levels_db(seed, seats=3) - 12 * np.maximum(np.log2(30 / FREQUENCIES), 0) ** 2
    levels = levels + hole_db(centre=55, depth_db=10, octaves=0.3)
    snr = np.where(FREQUENCIES < 25, 14.0, 40.0)  # so that weights differ
    data = prepared(survey_of(levels, snr_db=snr), target=target)
    assert data.dips
    average = power_average_db(data.seat_db, np.ones(3))
    allowance = target.allowance_db(data.frequencies)

    def asked(error):
        found = []
        for d, a, f in zip(error, allowance, data.frequencies, strict=True):
            z = d if d >= 0 else min(d + a, 0.0)
            if any(low <= f <= high for low, high in data.dips):
                z = max(z, -6.0)
            if any(low <= f <= high for low, high in data.nulls):
                z = max(z, 0.0)
            found.append(z)
        return np.array(found)

    level = brentq(
        lambda m: asked(average - m) @ data.frequency_weights,
        average.min() - 1,
        average.max() + 40,
        xtol=1e-12,
    )
    assert data.level_db == pytest.approx(level, abs=1e-6)
    np.testing.assert_allclose(data.level_error_db, average - level, atol=1e-6)
    assert data.mean_db(data.excused_db(data.level_error_db)) == pytest.approx(0.0, abs=1e-7)
    # four fifths of the axis, by weight and nulls apart, lie at the aim or above
    counted = np.array(
        [
            0.0 if any(low <= f <= high for low, high in data.nulls) else w
            for f, w in zip(data.frequencies, data.frequency_weights, strict=True)
        ]
    )
    asked_for = average + allowance
    assert counted[asked_for < data.aim_db - 1e-9].sum() < 0.2 * counted.sum()
    at_most = counted[asked_for <= data.aim_db + 1e-9].sum()
    assert at_most >= 0.2 * counted.sum() or data.aim_db == data.level_db
    assert data.aim_db <= data.level_db
    np.testing.assert_allclose(data.error_db, average - data.aim_db, atol=1e-9)
    np.testing.assert_allclose(data.shortfall_db, asked(data.error_db), atol=1e-9)
    # any other error curve on the axis is excused by the same rule
    other = np.linspace(-25.0, 12.0, data.frequencies.size)
    np.testing.assert_allclose(data.excused_db(other), asked(other), atol=1e-12)


def test_what_a_roll_off_explains_is_no_error_at_all():
    # a Butterworth fall that is 6 dB down at 35 Hz: nothing is short, and the rest is flat
    fall = 10 * np.log10(1 + 3 * (35 / FREQUENCIES) ** 8)
    target = Target(lower_limit=35.0, lower_limit_order=4)
    data = prepared(survey_of(70 - fall), target=target)
    np.testing.assert_allclose(data.shortfall_db, 0.0, atol=0.3)
    assert data.level_db == pytest.approx(70.0, abs=0.2)
    assert data.error_db.min() < -15
    unknown = prepared(survey_of(70 - fall))
    assert unknown.shortfall_db.min() < -10
    assert unknown.level_db < 69


def test_a_lower_limit_that_is_not_stated_is_estimated():
    fall = 10 * np.log10(1 + 3 * (27 / FREQUENCIES) ** 8)
    present = np.array([6.0, 0, 0, 0, 0, 0, -6.0, 0, 0])
    tilt = Target(shape="tilt", tilt_db_per_octave=-3.0, path=(LOW_PASS,))
    through = 70 - fall + tilt.curve_db(FREQUENCIES) + EQUALISER.response_db(present, FREQUENCIES)
    settings = {"equaliser": EQUALISER, "present_gains_db": present, "source": "sub"}
    found = with_limit_estimate(survey_of(through), target=tilt, **settings)
    # neither gains nor shape nor low-pass are taken for a roll-off
    assert found.lower_limit == pytest.approx(27.0, rel=0.05)
    assert found.lower_limit_estimated
    assert (found.shape, found.path) == (tilt.shape, tilt.path)
    flat = with_limit_estimate(
        survey_of(FLAT), target=Target(), **settings | {"present_gains_db": np.zeros(9)}
    )
    assert (flat.lower_limit, flat.lower_limit_estimated) == (None, False)
    stated = Target(lower_limit=22.0)
    assert with_limit_estimate(survey_of(through), target=stated, **settings) is stated
    # a fall measured close to the cone is the subwoofer's own: no mere estimate
    close = NearField(frequencies=FREQUENCIES, level_db=80 - fall)
    near = with_limit_estimate(survey_of(FLAT), target=Target(near_field=close), **settings)
    assert near.lower_limit == estimate_lower_limit(FREQUENCIES, 80 - fall)
    assert not near.lower_limit_estimated


def octaves_apart(one, other):
    return abs(np.log2(one / other))


@pytest.mark.parametrize(
    ("depth_db", "octaves", "found"),
    [(7.7, 0.5, False), (8.3, 0.5, True), (10.0, 0.76, True), (10.0, 0.84, False)],
)
def test_a_dip_is_eight_db_deep_and_at_most_eight_tenths_of_an_octave_wide(
    depth_db, octaves, found
):
    levels = FLAT + hole_db(centre=50, depth_db=depth_db, octaves=octaves)
    data = prepared(survey_of([levels] * 2))
    assert bool(data.dips) == found
    assert data.nulls == ()
    if found:
        ((low, high),) = data.dips
        # half-way up, with a twelfth of an octave to either side
        for edge, side in ((low, -1), (high, 1)):
            assert octaves_apart(edge, 50 * 2 ** (side * (octaves / 2 + 1 / 12))) < 0.02


def test_depth_of_a_dip_is_how_far_the_level_rises_again_on_both_sides():
    step = 9.0 * (np.clip(np.log2(FREQUENCIES / 40) / 0.1, -0.5, 0.5) + 0.5)
    assert prepared(survey_of(FLAT + step)).dips == ()  # a slope has no dip
    # 12 dB below what lies above, only 7 dB below what lies beneath
    hole = hole_db(centre=50, depth_db=12, octaves=0.3)
    below = -5.0 * (FREQUENCIES < 50)
    assert prepared(survey_of(FLAT + np.minimum(hole, below))).dips == ()
    assert prepared(survey_of(FLAT + hole)).dips


@pytest.mark.parametrize(
    ("depth_db", "octaves", "null"),
    [(14.7, 0.5, False), (15.3, 0.5, True), (16.0, 1.43, True), (16.0, 1.52, False)],
)
def test_a_null_is_fifteen_db_below_the_median_and_so_wide_at_most(depth_db, octaves, null):
    # around 100 Hz, so that not half the axis lies in it and moves the median
    edge = 0.05  # octaves from top to ground: 3 dB down it is wider by (1/2 - 3 / depth) of that
    levels = FLAT + hole_db(centre=100, depth_db=depth_db, octaves=octaves, edge_octaves=edge)
    data = prepared(survey_of([levels] * 3))
    assert bool(data.nulls) == null
    assert bool(data.dips) == (null or octaves <= 0.8)
    if null:
        wide = octaves + 2 * edge * (0.5 - 3 / depth_db)
        ((low, high),) = data.nulls
        for found, side in ((low, -1), (high, 1)):
            assert octaves_apart(found, 100 * 2 ** (side * (wide / 2 + 1 / 12))) < 0.03
        inside = within_spans(data.nulls, data.frequencies)
        assert data.shortfall_db[inside].min() == 0.0  # nothing of it is asked for
        assert data.error_db[inside].min() < -13


def test_a_dip_that_is_no_null_is_asked_for_up_to_six_db():
    data = prepared(survey_of(FLAT + hole_db(centre=50, depth_db=13, octaves=0.4)))
    assert data.error_db.min() < -11
    assert data.shortfall_db.min() == -6.0
    assert data.nulls == ()


def test_a_null_at_one_seat_of_five_is_no_dip_of_the_average():
    null = FLAT + hole_db(centre=50, depth_db=30, octaves=0.2)
    data = prepared(survey_of([null, FLAT, FLAT, FLAT, FLAT]))
    # the power of four seats of five: 10 lg(4/5) = -0.97 dB
    assert data.dips == ()
    assert data.error_db.min() == pytest.approx(-0.97 + 0.97 * 0.2 / 2.66, abs=0.06)
    # where that seat has nearly all the weight it is one
    weights = {f"seat {number}": 1e-3 for number in range(2, 6)}
    assert prepared(survey_of([null, FLAT, FLAT, FLAT, FLAT], weights=weights)).nulls
    dip = FLAT + hole_db(centre=50, depth_db=12, octaves=0.3)
    data = prepared(survey_of([dip, FLAT, FLAT, FLAT, FLAT], weights=weights))
    assert (len(data.dips), data.nulls) == (1, ())


def paths(delays, strength):
    """Return two sound paths: level cancels at 1 / (2 tau); the later one may be the stronger."""
    turned = np.exp(-2j * np.pi * np.outer(delays, FREQUENCIES))
    return 1.0 + np.reshape(strength, (-1, 1)) * turned


def phased(pressure, weights=None, *, comparable=True):
    return Survey(
        measurements=tuple(
            Measurement(
                seat=f"seat {index + 1}",
                response=FrequencyResponse.from_pressure(FREQUENCIES, values),
            )
            for index, values in enumerate(pressure)
        ),
        seat_weights=weights,
        levels_comparable=comparable,
    )


@pytest.mark.parametrize(("weight", "found"), [(2.2, True), (1.8, False)])
def test_a_cancellation_at_seats_of_more_than_half_the_weight_is_a_dip(weight, found):
    # delays of 10 ms cancel at 50 Hz; the average of seats with and without it is shallow
    pressure = paths([0.010, 0.010, 0.010], [1.7, 0.0, 0.0])
    data = prepared(phased(pressure, {"seat 1": weight}))
    assert bool(data.dips) == found
    if found:
        assert any(low < 50 < high for low, high in data.dips)
        levels = 20 * np.log10(np.abs(pressure))
        by_level = prepared(survey_of(levels, weights={"seat 1": weight}))
        assert by_level.dips == ()  # without phase nobody could tell
        assert data.nulls == ()


def test_a_cancellation_is_found_whatever_gains_were_set():
    present = np.array([0, 0, 0, 0, 6.0, 0, 0, 0, 0])
    pressure = paths([0.010, 0.010, 0.010], [1.7, 0.0, 0.0])
    weights = {"seat 1": 2.2}
    at_rest = prepared(phased(pressure, weights))
    # the device's own peaks are minimum phase and add no excess group delay
    through = phased(pressure * EQUALISER.response(present, FREQUENCIES), weights)
    found = prepared(through, present_gains_db=present)
    np.testing.assert_allclose(found.dips, at_rest.dips, rtol=0.01)
    assert len(found.dips) == 1


def test_seats_that_are_short_count_by_weight_beyond_the_allowance():
    """By hand: where at least three quarters, by weight, are 1 dB or more below the level."""
    levels = random_levels_db(74, seats=4)
    weights = {"seat 1": 1.0, "seat 2": 2.0, "seat 3": 1.0, "seat 4": 4.0}  # of 8
    target = Target(lower_limit=30.0, lower_limit_order=2)
    data = prepared(survey_of(levels, weights=weights), target=target)
    share = np.array([1, 2, 1, 4]) / 8
    allowance = 10 * np.log10(1 + 3 * (30 / data.frequencies) ** 4)
    short = data.seat_db - data.level_db <= -1.0 - allowance
    by_hand = (short * share[:, np.newaxis]).sum(axis=0) < 0.75
    np.testing.assert_array_equal(data.few_seats_short, by_hand)
    # exactly three quarters are enough, and allowance and weights matter here
    assert (np.isclose(short.T @ share, 0.75) & ~data.few_seats_short).any()
    assert (np.isclose(short.T @ share, 0.625) & data.few_seats_short).any()
    unexcused = ((data.seat_db - data.level_db <= -1.0).T @ share) < 0.75
    unweighted = short.mean(axis=0) < 0.75
    assert (unexcused != by_hand).any()
    assert (unweighted != by_hand).any()


@pytest.mark.parametrize(("short_db", "few"), [(0.9, True), (1.1, False)])
def test_short_is_one_db(short_db, few):
    # up and down by the same: the level is the mean of both, so half of the step
    step = short_db * np.sign(np.log2(FREQUENCIES / 50.12))
    data = prepared(survey_of([FLAT + step] * 2))
    low = data.few_seats_short[data.frequencies < 40]
    assert (low == few).all()
    assert data.few_seats_short[data.frequencies > 60].all()


def test_spans_are_merged_and_hold_their_ends():
    assert merged_spans([(60, 70), (20, 30), (25, 40), (40, 41), (62, 65)]) == ((20, 41), (60, 70))
    inside = within_spans(((20.0, 30.0), (50.0, 50.0)), np.array([19.9, 20, 30, 30.1, 50, 51]))
    assert inside.tolist() == [False, True, True, False, True, False]


def test_offsets_are_removed_unless_levels_are_comparable():
    levels = random_levels_db(1, seats=3)
    shifted = levels + np.array([[5.0], [-3.0], [0.0]])
    reference = prepared(survey_of(levels, comparable=False))
    # seats are brought to their common mean, so all of them may move together
    same = prepared(survey_of(shifted, comparable=False))
    moved = same.seat_db - reference.seat_db
    np.testing.assert_allclose(moved, moved[0, 0], atol=1e-9)
    # ... and then neither the error nor the dips know of it
    np.testing.assert_allclose(same.error_db, reference.error_db, atol=1e-6)
    np.testing.assert_allclose(same.fine_db - reference.fine_db, moved[0, 0], atol=1e-9)
    comparable = prepared(survey_of(shifted))
    assert comparable.seat_offsets_db.tolist() == [0, 0, 0]
    assert np.abs(comparable.error_db - reference.error_db).max() > 0.5


def test_noise_weights_ramp_from_ten_to_twenty_db():
    snr = np.where(FREQUENCIES < 28.18, 5.0, np.where(FREQUENCIES < 56.2, 15.0, 40.0))
    data = prepared(survey_of(np.full(FREQUENCIES.size, 70.0), snr_db=snr))
    by_band = {
        band.label: data.noise_weights[
            (data.frequencies > band.lower * 1.01) & (data.frequencies < band.upper / 1.01)
        ]
        for band in third_octave_bands(20, 125)
    }
    assert set(by_band["20"]) == {0.0}
    np.testing.assert_allclose(by_band["40"], 0.5)
    assert set(by_band["100"]) == {1.0}
    assert data.noise_known
    assert not prepared(survey_of(np.full(FREQUENCIES.size, 70.0))).noise_known


def test_all_noise_is_refused():
    survey = survey_of(np.full(FREQUENCIES.size, 70.0), snr_db=np.zeros(FREQUENCIES.size))
    with pytest.raises(ValueError, match="within 10 dB of the noise"):
        prepared(survey)


def test_short_measurements_are_refused():
    short = FREQUENCIES > 200
    with pytest.raises(ValueError, match="leaves nothing of"):
        prepared(survey_of(np.full(short.sum(), 70.0), frequencies=FREQUENCIES[short]))


def test_band_levels_are_power_means_over_the_bands():
    bands = third_octave_bands(20, 125)
    centres = [band.centre for band in bands]
    survey = survey_of(np.full(9, 80.0), frequencies=centres, resolution="third_octave")
    data = prepared(survey)
    assert data.band_levels
    gains = np.array([0, 0, 0, 6.0, 0, 0, 0, 0, 0])
    found = data.response_db(EQUALISER, gains)
    band = bands[3]
    inside = np.geomspace(band.lower, band.upper, 2001)  # dense power mean by numpy
    exact = 10 * np.log10(np.mean(10 ** (EQUALISER.response_db(gains, inside) / 10)))
    assert found[3] == pytest.approx(exact, abs=0.01)
    table = data.table_db(EQUALISER, 3, np.array([6.0]))
    np.testing.assert_allclose(table[0], found, atol=1e-12)
    assert (data.dips, data.nulls, data.fine_frequencies.size) == ((), (), 0)
    hole = np.full(9, 80.0)
    hole[4] = 71.0  # 9 dB below both neighbours: excused, and not to be filled
    held = prepared(survey_of(hole, frequencies=centres, resolution="third_octave"))
    assert held.dips == held.nulls
    assert held.dips[0] == pytest.approx((bands[4].lower, bands[4].upper))
    assert held.shortfall_db[4] == 0.0
    hole[4] = 73.0
    shallow = prepared(survey_of(hole, frequencies=centres, resolution="third_octave"))
    assert (shallow.dips, shallow.nulls) == ((), ())


@pytest.mark.parametrize("leave_out", [0, 1, 2])
def test_without_seat_nothing_of_it_is_left(leave_out):
    """As a survey that was taken without the seat; dips, phase and weights included."""
    pressure = paths([0.010, 0.0102, 0.0075], [1.7, 1.5, 0.6])
    pressure = pressure * 10 ** (random_levels_db(2, seats=3) / 40)
    weights = {"seat 1": 2.5, "seat 2": 1.0, "seat 3": 1.5}
    settings = {"target": Target(shape="tilt", tilt_db_per_octave=-3.0, lower_limit=30.0)}
    survey = phased(pressure, weights)
    kept = [index for index in range(3) if index != leave_out]
    expected = prepared(
        Survey(
            measurements=tuple(survey.measurements[index] for index in kept),
            seat_weights={f"seat {i + 1}": weights[f"seat {i + 1}"] for i in kept},
            levels_comparable=True,
        ),
        **settings,
    )
    data = prepared(survey, **settings)
    found = data.without_seat(leave_out)
    assert found.seats == expected.seats
    for name in (
        "seat_weights",
        "measured_db",
        "seat_db",
        "fine_db",
        "seat_offsets_db",
        "frequency_weights",
        "excess_group_delay",
        "error_db",
        "shortfall_db",
    ):
        np.testing.assert_allclose(getattr(found, name), getattr(expected, name), atol=1e-9)
    np.testing.assert_allclose(found.dips, expected.dips)
    assert len(found.nulls) == len(expected.nulls)
    assert found.level_db == pytest.approx(expected.level_db, abs=1e-9)
    assert np.ptp(found.error_db - data.error_db) > 0.1


def test_noise_counts_by_the_mean_over_measurements():
    level = np.full(FREQUENCIES.size, 70.0)
    responses = [
        FrequencyResponse.from_level(FREQUENCIES, level, snr_db=snr)
        for snr in (np.full(FREQUENCIES.size, 5.0), np.full(FREQUENCIES.size, 40.0), None)
    ]
    survey = Survey(
        measurements=tuple(
            Measurement(seat=f"seat {index}", response=response)
            for index, response in enumerate(responses)
        )
    )
    # 0 of the noisy one, 1 of the quiet one, 1 of the unknown one
    np.testing.assert_allclose(prepared(survey).noise_weights, 2 / 3)


def test_band_by_band_is_near_the_power_mean_of_the_sum():
    """Of typed levels the bands' power means are added; the exact mean is near, not the same."""
    rng = np.random.default_rng(4)
    bands = third_octave_bands(20, 125)
    survey = survey_of(
        np.full(9, 80.0), frequencies=[b.centre for b in bands], resolution="third_octave"
    )
    data, apart = prepared(survey), []
    inside = np.concatenate([np.geomspace(band.lower, band.upper, 400) for band in bands])
    for _ in range(200):
        gains = rng.choice(EQUALISER.gain_grid_db, 9)
        ratio = 10 ** (EQUALISER.response_db(gains, inside) / 10)
        exact = 10 * np.log10(ratio.reshape(9, 400).mean(axis=1))
        apart.extend(np.abs(data.response_db(EQUALISER, gains) - exact))
    assert np.median(apart) < 0.1
    assert max(apart) < 0.6
