"""Corner and slopes: closed forms of box and filters, what is refused, ranking at the seats."""

from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import CORNER, FREQUENCIES, butterworth, linkwitz_riley, modal_seats, survey_of

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.mains import MainsBox
from roomeq.device.profile import FilterChoice
from roomeq.optimiser.corner_choice import (
    CrossoverPair,
    PairDoubt,
    choose_corner,
    offered_pairs,
)
from roomeq.optimiser.joining_settings import DelayRange
from roomeq.optimiser.joining_survey import prepare_joining

FIXED = DelayRange(lowest=0.0, highest=0.0)


def low(order=4, corner=80.0, family="linkwitz_riley"):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner)


def high(order=2, corner=80.0, family="butterworth"):
    return CrossoverFilter(kind="high_pass", family=family, order=order, corner=corner)


def test_closed_box_with_second_order_high_pass_is_fourth_order():
    # check values, section 3: closed box (BW2 at 80) + BW2 at 80 = LR4 acoustic; flat with an LR4
    pair = CrossoverPair(low_pass=low(), high_pass=high())
    box = MainsBox(kind="closed", corner=80.0)
    assert pair.acoustic_order(box) == 4
    assert pair.phase_at_corner_deg(box) == pytest.approx(0.0, abs=1e-9)
    assert pair.sum_at_corner_db(box) == pytest.approx(0.0, abs=1e-9)


def test_low_pass_alone_against_the_box():
    # check values: LR4 low-pass with a BW2 high-pass alone is -1.25 dB at 80 Hz, either polarity
    pair = CrossoverPair(low_pass=low(), high_pass=None)
    box = MainsBox(kind="closed", corner=80.0)
    assert pair.acoustic_order(box) == 2
    assert pair.sum_at_corner_db(box) == pytest.approx(-1.25, abs=0.005)
    assert abs(pair.phase_at_corner_deg(box)) == pytest.approx(90.0, abs=1e-9)


@pytest.mark.parametrize(("kind", "order"), [("closed", 2), ("vented", 4)])
def test_box_orders(kind, order):
    box = MainsBox(kind=kind, corner=50.0)
    assert box.order == order
    # Butterworth: 3.01 dB down at the corner
    assert 20 * np.log10(abs(box.roll_off.response([50.0])[0])) == pytest.approx(-3.0103, abs=1e-3)
    pair = CrossoverPair(low_pass=low(), high_pass=high(order=2))
    assert pair.acoustic_order(box) == order + 2


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
    assert offered_pairs(None, None) == ()


def prepared(sub, mains, **others):
    return prepare_joining(
        survey_of(sub, mains),
        corner=CORNER,
        common_time_reference=True,
        span=(40.0, 160.0),
        **others,
    )


def test_the_pair_that_sums_flat_comes_first():
    # free field, closed mains with their corner at 56 Hz: flat needs LR4 = box + what is missing;
    # candidates at 80 Hz: the matching high-pass here is electrical LR4 for full-range mains
    subs, mains = np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size)
    pairs = [
        CrossoverPair(low_pass=low(), high_pass=None),
        CrossoverPair(low_pass=low(), high_pass=high(order=2)),
        CrossoverPair(low_pass=low(), high_pass=high(order=4, family="linkwitz_riley")),
        CrossoverPair(low_pass=low(order=2, family="butterworth"), high_pass=high(order=2)),
    ]
    choice = choose_corner(prepared(subs, mains), pairs=pairs, present=None, delays=FIXED)
    assert choice.ranked[0].pair == pairs[2]
    assert choice.ranked[0].deviation_db < 0.01
    assert choice.chosen.pair == pairs[2]
    deviations = [entry.deviation_db for entry in choice.ranked]
    assert deviations == sorted(deviations)
    assert deviations[1] > 0.3
    assert choice.deviation_before_db == pytest.approx(0.0, abs=0.01)  # both full-range, in phase
    assert choice.ranked[0].acoustic_order is None


def test_filters_in_force_are_taken_out():
    present = CrossoverPair(
        low_pass=low(corner=CORNER), high_pass=high(order=4, corner=CORNER, family="linkwitz_riley")
    )
    measured = prepared(linkwitz_riley("low", 4), linkwitz_riley("high", 4))
    plain = prepared(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size))
    pairs = [CrossoverPair(low_pass=low(corner=90.0), high_pass=high(corner=90.0))]
    from_measured = choose_corner(measured, pairs=pairs, present=present)
    from_plain = choose_corner(plain, pairs=pairs, present=None)
    assert from_measured.ranked[0].deviation_db == pytest.approx(
        from_plain.ranked[0].deviation_db, abs=1e-3
    )
    assert from_measured.ranked[0].fit.candidate == from_plain.ranked[0].fit.candidate


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
    offsets = np.zeros(3)
    at_80, at_70 = (replace(d, seat_offsets_db=offsets) for d in (at_80, at_70))
    predicted = choose_corner(at_80, pairs=[other], present=present).ranked[0]
    measured = choose_corner(at_70, pairs=[other], present=other).ranked[0]
    assert predicted.deviation_db == pytest.approx(measured.deviation_db, abs=0.02)
    assert predicted.fit.candidate == measured.fit.candidate


def test_what_is_refused_and_doubted():
    data = prepared(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size))
    near = CrossoverPair(low_pass=low(corner=80.0), high_pass=high(corner=80.0))
    far = CrossoverPair(low_pass=low(corner=100.0), high_pass=high(corner=100.0))
    without = CrossoverPair(low_pass=low(corner=100.0), high_pass=None)
    shallow = CrossoverPair(low_pass=low(corner=100.0), high_pass=high(corner=35.0))
    closed = choose_corner(
        data, pairs=[near, far], present=None, mains=MainsBox(kind="closed", corner=60.0)
    )
    # half an octave above 60 Hz is 84.9 Hz
    assert closed.refused == ((near, PairDoubt.CORNER_TOO_LOW),)
    assert closed.ranked[0].pair == far
    assert closed.ranked[0].doubts == ()  # 2 + 2 against 4
    vented = choose_corner(
        data,
        pairs=[far, without, shallow],
        present=None,
        mains=MainsBox(kind="vented", corner=55.0, tuning=50.0),
    )
    # half an octave below 50 Hz is 35.4 Hz
    assert {doubt for _, doubt in vented.refused} == {PairDoubt.VENTED_WITHOUT_HIGH_PASS}
    assert len(vented.refused) == 2
    assert vented.ranked[0].doubts == (PairDoubt.SLOPES_DIFFER,)  # 4 + 2 against 4
    assert vented.ranked[0].acoustic_order == 6
    with pytest.raises(ValueError, match="corner_too_low"):
        choose_corner(data, pairs=[near], present=None, mains=MainsBox(kind="closed", corner=60.0))


def test_what_was_filtered_away_is_not_predicted():
    present = CrossoverPair(low_pass=low(order=8, corner=60.0), high_pass=high(corner=60.0))
    sub = linkwitz_riley("low", 8, corner=60.0)
    data = prepared(sub, butterworth("high", 2, corner=60.0))
    wide = CrossoverPair(low_pass=low(corner=110.0), high_pass=high(corner=110.0))
    choice = choose_corner(data, pairs=[present, wide], present=present)
    assert choice.refused == ((wide, PairDoubt.NOT_PREDICTABLE),)
    assert choice.chosen.pair == present


def test_the_present_pair_is_kept_where_nothing_is_gained():
    data = prepared(linkwitz_riley("low", 4), linkwitz_riley("high", 4))
    lr4 = low(corner=CORNER), high(order=4, corner=CORNER, family="linkwitz_riley")
    present = CrossoverPair(low_pass=replace(lr4[0], where="amplifier"), high_pass=lr4[1])
    other = CrossoverPair(
        low_pass=low(corner=CORNER * 1.01),
        high_pass=high(order=4, corner=CORNER * 1.01, family="linkwitz_riley"),
    )
    same = CrossoverPair(low_pass=lr4[0], high_pass=lr4[1])
    choice = choose_corner(data, pairs=[other, same], present=present)
    assert choice.chosen.pair == same


def test_refuses_corners_outside_the_data():
    data = prepared(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size))
    with pytest.raises(ValueError, match="half an octave to either side"):
        choose_corner(
            data, pairs=[CrossoverPair(low_pass=low(corner=150.0), high_pass=None)], present=None
        )
    with pytest.raises(ValueError, match="no pair to choose"):
        choose_corner(data, pairs=[], present=None)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: MainsBox(kind="open", corner=50.0), "closed"),
        (lambda: MainsBox(kind="closed", corner=float("nan")), "finite and positive"),
        (lambda: CrossoverPair(low_pass=None, high_pass=None), "low-pass, a high-pass or both"),
        (lambda: CrossoverPair(low_pass=high(), high_pass=None), "low_pass is a high_pass"),
    ],
)
def test_refuses(make, message):
    with pytest.raises(ValueError, match=message):
        make()
