"""Corner and slopes: closed forms of box and filters, what is refused, ranking at the seats."""

from contextlib import nullcontext
from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import CORNER, FREQUENCIES, butterworth, linkwitz_riley, modal_seats, survey_of

from roomeq.device.crossover import CrossoverFilter, MainsBox
from roomeq.device.processor import JoiningSettings
from roomeq.device.profile import FilterChoice
from roomeq.optimiser.joining.corner_choice import (
    CornerChoice,
    CrossoverPair,
    PairDoubt,
    RankedPair,
    offered_pairs,
    predicted_pairs,
)
from roomeq.optimiser.joining.survey import prepare_joining


def low(order=4, corner=80.0, family="linkwitz_riley"):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner)


def high(order=2, corner=80.0, family="butterworth"):
    return CrossoverFilter(kind="high_pass", family=family, order=order, corner=corner)


def judged(pair, mains, deviation_db=0.0):
    return RankedPair(
        pair=pair,
        settings=JoiningSettings(),
        loss_db=0.0,
        deviation_db=deviation_db,
        mains=mains,
    )


def test_closed_box_with_second_order_high_pass_is_fourth_order():
    # check values, section 3: closed box (BW2 at 80) + BW2 at 80 = LR4 acoustic; flat with an LR4
    pair = CrossoverPair(low_pass=low(), high_pass=high())
    box = MainsBox(kind="closed", corner=80.0)
    assert judged(pair, box).acoustic_order == 4
    assert judged(pair, box).phase_at_corner_deg == pytest.approx(0.0, abs=1e-9)


def test_low_pass_alone_against_the_box():
    # fourth-order Linkwitz-Riley: -180 degrees at its corner; second-order Butterworth: +90, and
    # -180 less 90 is 90
    pair = CrossoverPair(low_pass=low(), high_pass=None)
    box = MainsBox(kind="closed", corner=80.0)
    assert judged(pair, box).acoustic_order == 2
    assert judged(pair, box).phase_at_corner_deg == pytest.approx(90.0, abs=1e-9)


@pytest.mark.parametrize(("kind", "order"), [("closed", 2), ("vented", 4)])
def test_box_orders(kind, order):
    box = MainsBox(kind=kind, corner=50.0)
    assert box.order == order
    # Butterworth: 3.01 dB down at the corner
    assert 20 * np.log10(abs(box.roll_off.response([50.0])[0])) == pytest.approx(-3.0103, abs=1e-3)
    pair = CrossoverPair(low_pass=low(), high_pass=high(order=2))
    assert judged(pair, box).acoustic_order == order + 2


def test_offered_pairs():
    device = FilterChoice(
        family="linkwitz_riley", orders=(4,), corners=(60.0, 80.0), can_bypass=False
    )
    processor = FilterChoice(
        family="butterworth", orders=(2, 4), corners=(60.0, 80.0), can_bypass=True
    )
    assert len(offered_pairs(device, processor)) == 2 * 5
    together = offered_pairs(device, processor, same_corner=True)
    assert len(together) == 2 * 3
    assert all(p.high_pass is None or p.high_pass.corner == p.corner for p in together)
    assert offered_pairs(device, None)[0].high_pass is None
    kept = low(corner=70.0), high(corner=90.0)
    assert {p.high_pass for p in offered_pairs(device, None, kept=kept)} == {kept[1]}
    assert {p.low_pass for p in offered_pairs(None, processor, kept=kept)} == {kept[0]}
    assert offered_pairs(None, None) == ()


def prepared(sub, mains, **others):
    return prepare_joining(
        survey_of(sub, mains),
        corner=CORNER,
        span=(40.0, 160.0),
        **others,
    )


def lr4_pair(corner):
    return CrossoverPair(
        low_pass=low(corner=corner), high_pass=high(4, corner, family="linkwitz_riley")
    )


PRESENT = lr4_pair(CORNER)


def choose_corner(data, *, pairs, present, solve, mains=None):
    """Predict pairs, judge each of them and rank them."""
    predicted, refused = predicted_pairs(data, pairs=pairs, present=present, mains=mains)
    all_of_them = [judged(pair, mains, solve(there, pair)) for pair, there in predicted]
    ranked = sorted(all_of_them, key=lambda one: one.deviation_db)
    return CornerChoice(ranked=tuple(ranked), refused=tuple(refused), present=all_of_them[0])


def at_corner(deviations):
    """Return a judge that knows deviations by corner, and keeps the data it was given."""

    def solve(data, pair):
        solve.seen[pair] = data
        return deviations.get(round(pair.corner), 5.0)

    solve.seen = {}
    return solve


def test_the_present_pair_is_always_ranked_and_goes_only_for_half_a_decibel():
    data = prepared(linkwitz_riley("low", 4), linkwitz_riley("high", 4))
    others = [lr4_pair(70.0), lr4_pair(100.0)]
    for there, preferred in ((4.6, None), (4.49, others[0])):
        choice = choose_corner(
            data, pairs=others, present=PRESENT, solve=at_corner({70: there, 100: 6.0})
        )
        assert [entry.pair for entry in choice.ranked] == [others[0], PRESENT, others[1]]
        assert choice.present.pair == PRESENT
        found = choice.preferred
        assert (None if found is None else found.pair) == preferred


def test_the_same_pair_elsewhere_in_the_path_is_no_other_one():
    data = prepared(linkwitz_riley("low", 4), linkwitz_riley("high", 4))
    moved = replace(PRESENT, low_pass=replace(PRESENT.low_pass, where="amplifier"))
    choice = choose_corner(data, pairs=[moved], present=PRESENT, solve=at_corner({}))
    assert [entry.pair for entry in choice.ranked] == [PRESENT]


def test_slopes_that_meet_worse_and_full_range_are_not_preferred():
    data = prepared(linkwitz_riley("low", 4), linkwitz_riley("high", 4))
    box = MainsBox(kind="closed", corner=45.0)
    present = CrossoverPair(low_pass=low(corner=CORNER), high_pass=high(2, CORNER))  # 4 against 4
    steep = lr4_pair(100.0)  # 6 against 4
    choice = choose_corner(
        data, pairs=[steep], present=present, mains=box, solve=at_corner({100: 1.0})
    )
    assert choice.ranked[0].pair == steep
    assert choice.ranked[0].doubts == (PairDoubt.SLOPES_DIFFER,)
    assert [entry.slope_mismatch for entry in choice.ranked] == [2, 0]
    assert choice.preferred is None
    both_differ = choose_corner(
        data, pairs=[steep], present=PRESENT, mains=box, solve=at_corner({100: 1.0})
    )
    assert both_differ.preferred.pair == steep
    open_mains = CrossoverPair(low_pass=low(corner=100.0), high_pass=None)
    wide = choose_corner(data, pairs=[open_mains], present=present, solve=at_corner({100: 1.0}))
    assert wide.ranked[0].doubts == (PairDoubt.FULL_RANGE,)
    assert wide.preferred is None


def test_nothing_against_the_slope_of_the_mains_differs_and_is_full_range():
    gentle = CrossoverPair(low_pass=low(2, 100.0), high_pass=high(2, 100.0))
    bare = CrossoverPair(low_pass=None, high_pass=high(2, 100.0))  # nothing against 4
    choice = choose_corner(
        prepared(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size)),
        pairs=[bare],
        present=gentle,
        mains=MainsBox(kind="closed", corner=45.0),
        solve=at_corner({}),
    )
    assert choice.present.doubts == (PairDoubt.SLOPES_DIFFER,)  # 2 against 4
    other = next(entry for entry in choice.ranked if entry.pair == bare)
    assert other.doubts == (PairDoubt.SLOPES_DIFFER, PairDoubt.FULL_RANGE)
    assert other.slope_mismatch == 4


def test_prediction_is_that_of_a_measurement_with_the_pair():
    # what is predicted for 70 Hz from a measurement at 80 Hz is what a measurement at 70 Hz gives
    rng = np.random.default_rng(2)
    subs, mains = modal_seats(rng, 3), modal_seats(rng, 3)
    present = CrossoverPair(low_pass=low(), high_pass=high())
    other = CrossoverPair(low_pass=low(corner=70.0), high_pass=high(corner=70.0))
    at_80 = prepared(
        subs * linkwitz_riley("low", 4, corner=80.0), mains * butterworth("high", 2, corner=80.0)
    )
    at_70 = prepared(
        subs * linkwitz_riley("low", 4, corner=70.0), mains * butterworth("high", 2, corner=70.0)
    )
    solve = at_corner({})
    choose_corner(at_80, pairs=[other], present=present, solve=solve)
    np.testing.assert_allclose(solve.seen[other].sub, at_70.sub, atol=5e-3)
    np.testing.assert_allclose(solve.seen[other].mains, at_70.mains, atol=5e-3)
    assert solve.seen[other].corner == 70.0
    np.testing.assert_array_equal(solve.seen[present].sub, at_80.sub)


def test_what_is_refused():
    data = prepared(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size))
    near = CrossoverPair(low_pass=low(corner=80.0), high_pass=high(corner=80.0))
    far = CrossoverPair(low_pass=low(corner=100.0), high_pass=high(corner=100.0))
    without = CrossoverPair(low_pass=low(corner=100.0), high_pass=None)
    shallow = CrossoverPair(low_pass=low(corner=100.0), high_pass=high(corner=35.0))
    closed = choose_corner(
        data,
        pairs=[near, far],
        present=far,
        mains=MainsBox(kind="closed", corner=60.0),
        solve=at_corner({}),
    )
    # half an octave above 60 Hz is 84.9 Hz
    assert closed.refused == ((near, PairDoubt.CORNER_TOO_LOW),)
    enough = CrossoverPair(low_pass=low(corner=100.0), high_pass=high(corner=36.0))
    vented = choose_corner(
        data,
        pairs=[far, without, shallow, enough],
        present=far,
        mains=MainsBox(kind="vented", corner=55.0, tuning=50.0),
        solve=at_corner({}),
    )
    # half an octave below 50 Hz is 35.4 Hz
    assert {doubt for _, doubt in vented.refused} == {PairDoubt.VENTED_WITHOUT_HIGH_PASS}
    assert [pair for pair, _ in vented.refused] == [without, shallow]


def test_what_was_filtered_away_is_not_predicted():
    present = CrossoverPair(low_pass=low(order=8, corner=60.0), high_pass=high(corner=60.0))
    sub = linkwitz_riley("low", 8, corner=60.0)
    data = prepared(sub, butterworth("high", 2, corner=60.0))
    wide = CrossoverPair(low_pass=low(corner=110.0), high_pass=high(corner=110.0))
    choice = choose_corner(data, pairs=[present, wide], present=present, solve=at_corner({}))
    assert choice.refused == ((wide, PairDoubt.NOT_PREDICTABLE),)
    assert choice.preferred is None


@pytest.mark.parametrize(
    ("lift", "size", "refused"), [(10.1, 0.11, 1), (9.9, 1.0, 0), (10.1, 0.095, 0)]
)
def test_a_lift_by_20_decibels_counts_within_20_decibels_of_the_sum(lift, size, refused):
    """|LR4| is 1 / (1 + (f / fc)^4): the new corner lifts the highest point by so much."""
    top = prepared(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size)).points[-1]
    corner = top / ((1.0 + (top / 56.0) ** 4) / lift - 1.0) ** 0.25
    was, new = (linkwitz_riley("low", 4, corner=c) for c in (56.0, corner))
    pairs = [CrossoverPair(low_pass=low(corner=c), high_pass=high(2, CORNER)) for c in (56, corner)]
    data = prepared(0.5 * size * was / new, 0.5 * np.ones(FREQUENCIES.size))
    assert len(predicted_pairs(data, pairs=pairs[1:], present=pairs[0])[1]) == refused


def test_refuses_corners_outside_the_data():
    data = prepared(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size))
    with pytest.raises(ValueError, match="half an octave to either side"):
        choose_corner(
            data,
            pairs=[CrossoverPair(low_pass=low(corner=150.0), high_pass=None)],
            present=PRESENT,
            solve=at_corner({}),
        )


@pytest.mark.parametrize(("beyond", "refused"), [(1.02, False), (1.04, True)])
@pytest.mark.parametrize("end", [0, -1])
def test_corners_half_an_octave_from_the_ends_less_three_per_cent_are_taken(end, beyond, refused):
    data = prepared(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size))
    inwards = 2.0**0.5 / beyond
    corner = data.points[end] * (inwards if end == 0 else 1.0 / inwards)
    pair = CrossoverPair(low_pass=low(corner=corner), high_pass=None)
    with pytest.raises(ValueError, match="half an octave") if refused else nullcontext():
        choose_corner(data, pairs=[pair], present=PRESENT, solve=at_corner({}))


def test_refuses_a_pair_of_nothing():
    with pytest.raises(ValueError, match="low-pass, a high-pass or both"):
        CrossoverPair(low_pass=None, high_pass=None)
