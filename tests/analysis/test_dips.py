"""Dips judged against rooms whose truth is known.

The truth is made here: two sound paths of given strength and delay cancel (image source, one
reflection); a peaking cut before all seats is what an equaliser can mend.
"""

import numpy as np
import pytest

from roomeq.analysis.dips import judge_dips
from roomeq.analysis.phase import estimate_excess_group_delay
from roomeq.analysis.smoothing import smooth_power_db
from roomeq.base.bands import logarithmic_axis
from roomeq.base.response import FrequencyResponse

FINE = np.arange(10.0, 300.25, 0.25)
AXIS = logarithmic_axis(15, 200, per_octave=24)
DELAYS = np.array([6.0, 7.5, 9.0, 11.0, 13.0, 15.0]) * 1e-3


def peaking(*, centre, gain_db, quality):
    """W3C Audio EQ Cookbook, analogue peakingEQ."""
    a = 10 ** (gain_db / 40)
    s = 1j * FINE / centre
    return (s**2 + s * a / quality + 1) / (s**2 + s / (a * quality) + 1)


def subwoofer():
    """Closed box at 25 Hz, fourth-order Linkwitz-Riley low-pass at 100 Hz, 20 ms of delay."""
    box, low_pass = 1j * FINE / 25, 1j * FINE / 100
    transfer = box**2 / (box**2 + np.sqrt(2) * box + 1)
    transfer /= (1 + np.sqrt(2) * low_pass + low_pass**2) ** 2
    return transfer * np.exp(-2j * np.pi * FINE * 0.020)


def two_paths(*, strength, delays):
    turned = np.exp(-2j * np.pi * np.outer(delays, FINE))
    return subwoofer() * (1 + strength * turned)


def levels(pressure):
    return smooth_power_db(FINE, 20 * np.log10(np.abs(pressure)), at=AXIS, fraction=12)


def delays_of(pressure):
    return estimate_excess_group_delay(FrequencyResponse.from_pressure(FINE, pressure), at=AXIS)


def judged(pressure, *, phase=True, **others):
    seats = [f"seat {number + 1}" for number in range(len(pressure))]
    excess = delays_of(pressure) if phase else None
    return judge_dips(AXIS, levels(pressure), seats=seats, excess_group_delay=excess, **others)


@pytest.mark.parametrize("phase", [True, False])
def test_reflections_that_differ_from_seat_to_seat_are_cancellations(phase):
    dips = judged(two_paths(strength=0.9, delays=DELAYS), phase=phase)
    assert {dip.verdict for dip in dips} == {"cancellation"}
    assert all("differs_between_seats" in dip.evidence for dip in dips)
    # first null where both paths are half a period apart: f = 1 / (2 tau)
    for seat, delay in enumerate(DELAYS):
        null = 1 / (2 * delay)
        (found,) = (dip for dip in dips if abs(np.log2(dip.frequency / null)) < 1 / 24)
        assert found.seats == (f"seat {seat + 1}",)
        assert "deep" in found.evidence
        # the weaker path came later: minimum phase, and yet a cancellation
        assert ("minimum_phase" if phase else "no_phase") in found.evidence
        assert (found.excess_group_delay is None) == (not phase)


@pytest.mark.parametrize(("strength", "periods"), [(1.3, 3.0), (1.5, 2.0), (2.0, 1.0)])
def test_a_stronger_reflection_shows_in_the_phase_even_if_all_seats_share_it(strength, periods):
    delays = 0.010 * (1 + 0.01 * np.arange(5))
    dips = judged(two_paths(strength=strength, delays=delays))
    first = dips[0]
    assert first.frequency == pytest.approx(50.0, rel=0.05)
    assert len(first.seats) == 5
    assert first.verdict == "cancellation"
    assert first.evidence[0] == "shared"
    assert "excess_group_delay" in first.evidence
    # closed form at the null: tau (1 + r) / (1 - r) with r = 1 / strength, at least so many periods
    # above the median even after averaging over the window
    assert first.excess_group_delay * first.frequency > periods
    r = 1 / strength
    peak = 0.0104 * (1 + r) / (1 - r)
    assert first.excess_group_delay < peak
    without = judged(two_paths(strength=strength, delays=delays), phase=False)[0]
    assert without.verdict != "cancellation"  # level alone cannot tell
    assert "no_phase" in without.evidence


@pytest.mark.parametrize("phase", [True, False])
@pytest.mark.parametrize(("gain_db", "quality"), [(-6, 4.318), (-8, 2.0), (-12, 1.0)])
def test_a_shared_filter_is_correctable(gain_db, quality, phase):
    ripple = two_paths(strength=0.05, delays=DELAYS)
    dips = judged(ripple * peaking(centre=50, gain_db=gain_db, quality=quality), phase=phase)
    assert len(dips) == 1
    assert dips[0].frequency == pytest.approx(50.0, rel=0.03)
    assert dips[0].verdict == "correctable"
    assert len(dips[0].seats) == len(DELAYS)
    assert dips[0].evidence == ("shared", "broad", "minimum_phase" if phase else "no_phase")
    if phase:
        assert abs(dips[0].excess_group_delay * 50) < 0.1


def test_one_seat_alone_is_judged_by_phase_only():
    cut = (subwoofer() * peaking(centre=50, gain_db=-8, quality=2))[np.newaxis]
    weak, strong = (two_paths(strength=strength, delays=[0.010]) for strength in (0.9, 1.3))
    assert [dip.verdict for dip in judged(cut)] == ["correctable"]
    assert [dip.verdict for dip in judged(cut, phase=False)] == ["unclear"]
    assert judged(strong)[0].verdict == "cancellation"
    assert judged(strong, phase=False)[0].verdict == "unclear"
    assert judged(cut)[0].evidence[0] == "single_seat"
    assert "deep" in judged(weak)[0].evidence


def test_a_deep_shared_dip_without_phase_is_left_open():
    pressure = np.tile(subwoofer() * peaking(centre=50, gain_db=-18, quality=2.5), (3, 1))
    assert [dip.verdict for dip in judged(pressure)] == ["correctable"]
    (dip,) = judged(pressure, phase=False)
    assert (dip.verdict, dip.evidence) == ("unclear", ("shared", "broad", "deep", "no_phase"))


def test_some_seats_are_neither_all_nor_few():
    # 3 of 5 seats: more than half, less than three quarters
    plain = np.tile(subwoofer(), (5, 1))
    plain[:3] *= peaking(centre=50, gain_db=-8, quality=2)
    (dip,) = judged(plain)
    assert dip.seats == ("seat 1", "seat 2", "seat 3")
    assert (dip.verdict, dip.evidence[0]) == ("unclear", "some_seats")


def test_verdicts_follow_neither_order_nor_gain_of_seats():
    pressure = two_paths(strength=0.9, delays=DELAYS)
    order = [4, 0, 3, 5, 1, 2]
    gains = np.array([1.0, 0.3, 2.0, 5.0, 0.9, 1.1])[:, np.newaxis]
    seats = [f"seat {number + 1}" for number in range(6)]
    plain = judged(pressure)
    turned = judge_dips(
        AXIS,
        levels((pressure * gains)[order]),
        seats=[seats[index] for index in order],
        excess_group_delay=delays_of((pressure * gains)[order]) + 0.005,
    )
    assert len(turned) == len(plain) > 5
    for one, other in zip(plain, turned, strict=True):
        assert one.frequency == pytest.approx(other.frequency)
        assert set(one.seats) == set(other.seats)
        assert (one.verdict, one.evidence) == (other.verdict, other.evidence)


def test_a_seat_without_phase_does_not_hide_the_others():
    pressure = two_paths(strength=1.5, delays=[0.010, 0.0101, 0.0102])
    excess = delays_of(pressure)
    excess[1] = np.nan
    dips = judge_dips(AXIS, levels(pressure), seats=list("abc"), excess_group_delay=excess)
    assert dips[0].seats == ("a", "b", "c")
    assert dips[0].verdict == "cancellation"
    excess[:] = np.nan
    dips = judge_dips(AXIS, levels(pressure), seats=list("abc"), excess_group_delay=excess)
    assert dips[0].excess_group_delay is None
    assert "no_phase" in dips[0].evidence


def test_a_shallow_dip_nearby_is_not_the_same_dip():
    # 4 dB at two seats beside 10 dB and more at the third: less than half, so another dip
    pressure = np.tile(subwoofer(), (3, 1))
    pressure[0] *= peaking(centre=50, gain_db=-16, quality=4)
    pressure[1:] *= peaking(centre=51, gain_db=-5, quality=4)
    dips = judged(pressure)
    assert sorted(dip.seats for dip in dips) == [("seat 1",), ("seat 2", "seat 3")]


def test_what_is_misused_is_refused():
    level_db = np.zeros((2, AXIS.size))
    with pytest.raises(ValueError, match=r"shape \(seats, "):
        judge_dips(AXIS, level_db[0], seats=["a"])
    for seats in (["a"], "ab"):
        with pytest.raises(ValueError, match="as many names"):
            judge_dips(AXIS, level_db, seats=seats)
    with pytest.raises(ValueError, match="must be finite"):
        judge_dips(AXIS, np.full(level_db.shape, np.nan), seats=["a", "b"])
    with pytest.raises(ValueError, match="do not fit levels"):
        judge_dips(AXIS, level_db, seats=["a", "b"], excess_group_delay=level_db[0])
    holed = level_db.copy()
    holed[1, 3] = np.nan
    with pytest.raises(ValueError, match="for a whole seat"):
        judge_dips(AXIS, level_db, seats=["a", "b"], excess_group_delay=holed)
    with pytest.raises(ValueError, match="least_depth_db"):
        judge_dips(AXIS, level_db, seats=["a", "b"], least_depth_db=0)
