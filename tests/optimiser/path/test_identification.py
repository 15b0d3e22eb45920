"""Which low-passes are engaged: synthetic paths whose filters are known, built by scipy.signal."""

import functools
import importlib.util

import numpy as np
import pytest
import scipy.signal
from places import ROOT

from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.path.estimate import PathVerdict
from roomeq.optimiser.path.estimation import estimate_path

AXIS = np.arange(10.0, 500.0, 0.5)


def low(order, corner, axis=AXIS):
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * axis)[1]


def linkwitz_riley_24(corner, axis=AXIS):
    return low(2, corner, axis) ** 2


def box(corner=32.0, q=0.8, axis=AXIS):
    w = 2 * np.pi * corner
    return scipy.signal.freqs([1, 0, 0], [1, w / q, w * w], worN=2 * np.pi * axis)[1]


def response(clean, *, snr_db=40.0, seed=1, phase=True, axis=AXIS):
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((2, axis.size)) / np.sqrt(2) * 10 ** (-snr_db / 20)
    seen = clean + np.abs(clean).max() * (noise[0] + 1j * noise[1])
    seen = -seen * np.exp(-2j * np.pi * axis * 0.0123)
    if phase:
        return FrequencyResponse.from_pressure(axis, seen)
    return FrequencyResponse.from_level(axis, 20 * np.log10(np.abs(seen)))


def described(*corners):
    places = ("processor", "amplifier", "source")
    return tuple(
        CrossoverFilter(
            kind="low_pass", family="linkwitz_riley", order=4, corner=corner, where=place
        )
        for corner, place in zip(corners, places, strict=False)
    )


@functools.cache
def found_in(there, stated, *, snr_db):
    """Return what is told of a box behind fourth-order low-passes at corners, where so stated."""
    clean = np.prod([box(), *map(linkwitz_riley_24, there)], axis=0)
    seen = response(clean, snr_db=snr_db)
    return estimate_path(seen, described=None if stated is None else described(*stated))


def key(candidate):
    orders = [order for one in candidate.filters for order in one.butterworth_orders]
    corners = {one.corner for one in candidate.filters}
    return (orders[0], len(orders)) if len({*orders}) == len(corners) == 1 else None


@pytest.mark.parametrize(
    ("order", "copies", "corner", "phase", "error_percent", "reads_high_db"),
    [
        (2, 2, 80.0, False, 0.38, 0.0),
        (2, 4, 80.0, True, 0.42, 1.0),
        (4, 1, 60.0, True, 0.20, 0.5),
        (4, 2, 120.0, False, 0.20, 0.5),
        (1, 2, 100.0, True, 0.52, 0.0),
        (3, 1, 45.0, False, 1.21, 0.0),
        (8, 2, 50.0, False, 0.09, 2.0),
    ],
)
def test_names_the_class_at_40_decibels(order, copies, corner, phase, error_percent, reads_high_db):
    """Within three standard errors: of the corners over 12 to 20 seeds, of the ratio 0.65 dB.

    The ratio reads high, by that much over 10 seeds, where most of the axis holds noise alone.
    """
    found = estimate_path(response(low(order, corner) ** copies * box(), phase=phase))
    assert found.verdict is PathVerdict.IDENTIFIED
    assert key(found.best) == (order, copies)
    assert found.best.corner == pytest.approx(corner, rel=0.03 * error_percent)
    assert found.signal_to_noise_db == pytest.approx(40.0 + reads_high_db, abs=1.95)


def test_lists_every_set_that_gives_it():
    # Linkwitz, JAES 24(1) 1976: the fourth-order filter is two second-order Butterworth filters
    found = found_in((80.0,), None, snr_db=40.0)
    ways = [[(one.family, one.order) for one in way] for way in found.best.ways]
    assert ways == [[("linkwitz_riley", 4)], [("butterworth", 2), ("butterworth", 2)]]
    assert found.analysis is None


def test_vented_box_and_a_known_signal_to_noise_ratio():
    """It is used as it is stated, here by 5 dB too low."""
    clean = linkwitz_riley_24(70.0) * box(26.0, 0.55) * box(25.0, 1.3)
    snr_db = 35 + 20 * np.log10(np.abs(clean) / np.abs(clean).max())
    seen = FrequencyResponse.from_pressure(AXIS, response(clean).pressure, snr_db=snr_db)
    found = estimate_path(seen)
    assert key(found.best) == (2, 2)
    assert found.signal_to_noise_db == pytest.approx(35.0, abs=1.0)


def test_no_low_pass_and_electrical():
    none = estimate_path(response(box()))
    assert none.verdict is PathVerdict.IDENTIFIED
    assert none.best.filters == ()
    assert none.best.order == 0
    wire = estimate_path(response(low(3, 90.0)), taken="electrical")
    assert key(wire.best) == (3, 1)


def test_twice_is_named_with_what_to_bypass_and_what_it_gains():
    found = found_in((80.0, 80.0), (80.0, 80.0), snr_db=40.0)
    assert found.verdict is PathVerdict.IDENTIFIED
    assert found.as_described
    assert found.best.engaged == ((0, 1),)
    assert found.analysis is not None
    choice = found.analysis.recommended
    assert choice is not None
    assert choice.filters[0].where == "amplifier"
    assert choice.gain_db == pytest.approx(2.499, abs=0.001)  # 20 lg 3/4, table of sums


def test_one_of_two_equal_ones_cannot_be_told_from_the_other():
    found = found_in((80.0,), (80.0, 80.0), snr_db=40.0)
    assert found.best.engaged == ((0,), (1,))
    assert found.analysis is None


@pytest.mark.parametrize(
    ("there", "engaged"),
    [((80.0, 120.0), (0, 1)), ((80.0,), (0,)), ((120.0,), (1,)), ((), ())],
)
def test_the_described_path_decides(there, engaged):
    found = found_in(there, (80.0, 120.0), snr_db=30.0)
    assert found.verdict is PathVerdict.IDENTIFIED
    assert found.best.engaged == (engaged,)
    assert found.as_described is not found.contradicts is (len(there) < 2)


def test_something_that_is_not_described():
    found = estimate_path(response(low(2, 200.0) * box()), described=described(80.0, 120.0))
    assert found.as_described is False
    assert key(found.best) == (2, 1)


def test_two_corners_that_nobody_described():
    clean = linkwitz_riley_24(80.0) * linkwitz_riley_24(120.0) * box()
    found = estimate_path(response(clean, snr_db=60.0))
    assert key(found.best) is None
    assert [one.order for one in found.best.filters] == [4, 4]
    # three standard errors over 12 seeds: 0.33 % and 1.2 %
    low_corner, high_corner = (one.corner for one in found.best.filters)
    assert low_corner == pytest.approx(80.0, rel=3 * 0.0033)
    assert high_corner == pytest.approx(120.0, rel=3 * 0.012)


def test_voice_coil_is_no_low_pass():
    found = estimate_path(response(linkwitz_riley_24(80.0) * box() * low(1, 300.0), snr_db=50.0))
    assert key(found.best) == (2, 2)
    assert found.best.order == 4
    # three standard errors, 0.23 % over 12 seeds
    assert found.best.corner == pytest.approx(80.0, rel=3 * 0.0023)
    assert found.analysis is None


def test_ripple_of_a_near_field_does_no_harm():
    ripple = 10 ** (0.3 * np.sin(8.0 * np.log2(AXIS / 20.0)) / 20)
    found = estimate_path(response(linkwitz_riley_24(80.0) * box() * ripple))
    assert key(found.best) == (2, 2)


def test_a_fall_at_the_edge_of_the_data_is_no_filter():
    # a coil's 2 dB at the end, and nothing else: was called a Butterworth filter, 100 % likely
    axis = np.arange(10.0, 200.5, 0.5)
    coil = 1 / (1 + 1j * axis / 260.0)
    assert 20 * np.log10(np.abs(coil[-1])) == pytest.approx(-2.0, abs=0.1)
    found = estimate_path(response(box(axis=axis) * coil, snr_db=50.0, axis=axis))
    assert found.best.filters == ()
    assert not found.contradicts


@pytest.mark.parametrize("corner", [130.0, 160.0, 260.0])
def test_a_low_pass_at_the_edge_of_the_data_is_not_named(corner):
    axis = np.arange(10.0, 160.5, 0.5)
    found = estimate_path(response(linkwitz_riley_24(corner, axis) * box(axis=axis), axis=axis))
    assert found.best.filters == ()
    assert found.highest == pytest.approx(160.0 / 2**0.4, rel=0.02)


@pytest.mark.parametrize(
    ("stated", "there", "snr_db"),
    [((80.0,), (80.0, 40.0), 60.0), ((), (80.0,), 40.0), (None, (80.0,), 40.0)],
)
def test_what_is_there_and_not_stated_is_found(stated, there, snr_db):
    found = found_in(there, stated, snr_db=snr_db)
    assert found.contradicts
    assert sorted(one.corner for one in found.best.filters) == pytest.approx(
        sorted(there), rel=0.03
    )


@pytest.mark.parametrize("there", [(80.0,), ()])
def test_what_is_stated_truly_is_not_contradicted(there):
    found = found_in(there, there, snr_db=60.0)
    assert found.as_described
    assert not found.contradicts


def butterworth_high(order, corner):
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, "high", analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * AXIS)[1]


def test_a_protective_high_pass_is_told_where_the_data_reach_below_it():
    clean = linkwitz_riley_24(90.0) * butterworth_high(4, 25.0)
    wire = estimate_path(response(clean, snr_db=50.0), taken="electrical").high_pass
    assert (wire.filter.family, wire.filter.order) == ("butterworth", 4)
    # three standard errors, 0.33 % over 10 seeds
    assert wire.filter.corner == pytest.approx(25.0, rel=3 * 0.0033)
    above = AXIS > 24.0
    short = FrequencyResponse.from_level(AXIS[above], 20 * np.log10(np.abs(clean[above])))
    assert estimate_path(short, taken="electrical").high_pass.filter is None


def test_a_protective_high_pass_is_told_from_the_box_and_found_where_it_is_off():
    stated = CrossoverFilter(kind="high_pass", family="butterworth", order=4, corner=30.0)
    clean = linkwitz_riley_24(80.0) ** 2 * box()
    on = estimate_path(
        response(clean * butterworth_high(4, 30.0)), described=(*described(80.0, 80.0), stated)
    )
    assert on.best.engaged == ((0, 1),)
    assert on.high_pass.as_described
    assert not on.contradicts
    assert stated in on.analysis.filters
    off = estimate_path(
        response(clean, snr_db=50.0), described=described(80.0, 80.0), protection=stated
    )
    assert off.high_pass.as_described is False
    assert off.contradicts
    assert stated in off.analysis.filters


def test_two_high_passes_are_not_said_to_be_missing():
    both = tuple(
        CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=corner)
        for corner in (20.0, 30.0)
    )
    clean = butterworth_high(2, 20.0) * butterworth_high(2, 30.0) * box() * linkwitz_riley_24(80.0)
    found = estimate_path(response(clean), described=(*described(80.0), *both))
    assert found.high_pass.as_described is None
    assert not found.contradicts


def test_too_much_noise_gives_no_answer():
    found = estimate_path(response(linkwitz_riley_24(80.0) ** 2 * box(), snr_db=12.0, phase=False))
    assert found.verdict is PathVerdict.SEVERAL
    assert len(found.candidates) > 1
    assert found.analysis is None


def reflections():
    return 1 + 0.9 * np.exp(-2j * np.pi * AXIS * 0.013) + 0.5 * np.exp(-2j * np.pi * AXIS * 0.021)


def test_a_seat_gives_a_range_only():
    clean = linkwitz_riley_24(80.0) * box() * reflections()
    found = estimate_path(response(clean), taken="seat")
    assert found.verdict is PathVerdict.IN_ROOM
    fewest, most = found.order_span
    assert fewest <= 4 <= most
    assert found.corner_span[0] < found.corner_span[1]


def test_several_seats_are_averaged():
    one = response(linkwitz_riley_24(80.0) * box() * reflections(), phase=False)
    other = one.level_db + 6.0 * np.sin(np.log2(AXIS))
    both = FrequencyResponse.from_level(AXIS, [one.level_db, other])
    power = 10 * np.log10(0.5 * 10 ** (one.level_db / 10) + 0.5 * 10 ** (other / 10))
    mean = FrequencyResponse.from_level(AXIS, power)
    found, expected = (estimate_path(entry, taken="seat").best for entry in (both, mean))
    assert found.filters == expected.filters
    assert found.probability == pytest.approx(expected.probability, rel=1e-6)


def test_a_room_taken_for_the_near_field_is_not_answered():
    rng = np.random.default_rng(4)
    bumps = sum(4 * rng.standard_normal() * np.cos(k * np.log2(AXIS / 10)) for k in range(5, 30, 2))
    clean = linkwitz_riley_24(80.0) * box() * 10 ** (bumps / 20)
    found = estimate_path(response(clean, phase=False))
    assert found.verdict is PathVerdict.NOTHING_FITS
    assert found.misfit_db > 1.0


def test_unchanged_by_level_polarity_delay_and_an_all_pass():
    one, s = response(linkwitz_riley_24(80.0) * box()), 1j * AXIS / 80.0
    turned = np.exp(-2j * np.pi * AXIS * 0.05) * (1 - s) / (1 + s)
    other = estimate_path(FrequencyResponse.from_pressure(AXIS, -37.0 * one.pressure * turned))
    assert other.best.filters == found_in((80.0,), None, snr_db=40.0).best.filters


def test_benchmark_figures_hold_on_a_few_cases():
    # boxes, coils, microphones, ripple and filters of an instrument that shares nothing with it
    place = ROOT / "tests" / "benchmarks" / "bench_path.py"
    spec = importlib.util.spec_from_file_location("bench_path", place)
    bench = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(bench)
    rows, _ = bench.run(10, 12, "close")
    named = [row for row in rows if row["named"]]
    assert len(named) >= 5
    assert all(row["right"] for row in named)
    assert not any(row["as_described"] is False for row in rows if row["how"] == "true")
    assert all(
        row["as_described"] is False
        for row in rows
        if row["how"] == "wrong" and row["change_db"] > 10.0
    )


def test_refuses_another_place():
    with pytest.raises(ValueError, match="taken is one of"):
        estimate_path(response(box()), taken="roof")
