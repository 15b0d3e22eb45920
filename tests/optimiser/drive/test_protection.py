"""Choice of the protective high-pass; relief and displacement of check values, section 10."""

import numpy as np
import pytest
import scipy.signal

from roomeq.base.bands import third_octave_band
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.driver import ClosedBox, VentedBox
from roomeq.device.profile import FilterChoice
from roomeq.optimiser.drive.headroom import BandHeadroom, Headroom
from roomeq.optimiser.drive.protection import (
    ProtectionChange,
    ProtectionReason,
    choose_protection,
)

LABELS = (16.0, 20.0, 25.0, 31.5, 40.0, 50.0)
CLOSED = ClosedBox(resonance=40.0, q=0.5**0.5)
VENTED = VentedBox(tuning=24.0, resonance=28.0, q=0.38, compliance_ratio=1.4)


def offered(*, corners=(16, 20, 25), orders=(2,), bypass=True, family="butterworth"):
    return FilterChoice(
        family=family,
        orders=orders,
        corners=tuple(map(float, corners)),
        can_bypass=bypass,
    )


def high_pass(corner, order=2, **others):
    return CrossoverFilter(
        kind="high_pass", family="butterworth", order=order, corner=float(corner), **others
    )


def headroom(driver=(), *, assured=None, displacement=(), labels=LABELS):
    """Headroom from distortion by band in dB; None is not known."""
    assured = driver if assured is None else assured
    full = [None] * len(labels)
    rows = [list(column) or full for column in (driver, assured, displacement)]
    return Headroom(
        bands=tuple(
            BandHeadroom(
                label=third_octave_band(label).label,
                wanted_db=100.0,
                reached_db=100.0,
                rise_db=0.0,
                voltage=None,
                power_w=None,
                displacement=None,
                amplifier_db=-20.0,  # never what a high-pass is judged by
                displacement_db=moved,
                distortion_db=left,
                output_db=None,
                assured_db=sure,
            )
            for label, left, sure, moved in zip(labels, *rows, strict=True)
        ),
        rated_voltage=None,
        room_gain_known=True,
    )


def chosen(found):
    return None if found.high_pass is None else (found.high_pass.order, found.high_pass.corner)


def refusals(found):
    return {
        None if entry.high_pass is None else entry.high_pass.corner: entry.refused
        for entry in found.candidates
    }


def test_never_weakened_or_switched_off_without_data():
    found = choose_protection(offered(), present=high_pass(25), headroom=headroom(), box=CLOSED)
    assert chosen(found) == (2, 25.0)
    assert found.change is ProtectionChange.KEPT
    assert found.reason is ProtectionReason.NO_EVIDENCE
    no = ProtectionReason.NO_EVIDENCE
    assert refusals(found) == {25.0: None, 16.0: no, 20.0: no, None: no}


@pytest.mark.parametrize("moved", [20.0, 0.0])
def test_a_computed_displacement_is_no_evidence_to_weaken(moved):
    found = choose_protection(
        offered(),
        present=high_pass(25),
        headroom=headroom(displacement=[moved] * 6),
        box=CLOSED,
    )
    assert chosen(found) == (2, 25.0)
    assert found.change is ProtectionChange.KEPT
    assert found.reason is ProtectionReason.NO_EVIDENCE


def test_weakened_where_clean_output_is_assured():
    # switching BW2 20 Hz off lets 3.01 dB more through at 20 Hz, 5.37 dB at 16 Hz (section 10)
    found = choose_protection(
        offered(), present=high_pass(20), headroom=headroom([6.0] * 6), box=CLOSED
    )
    assert found.high_pass is None
    assert found.change is ProtectionChange.SWITCHED_OFF
    assert found.reason is ProtectionReason.CLEAN_TO_SPARE
    assert found.value_db == pytest.approx(6.0)
    assert found.unrelieved is None


def test_off_is_refused_where_one_band_is_not_assured():
    # exact centre of 16 Hz is 15.849: 5.47 dB more with the filter off, 2.49 dB with 16 Hz
    left = [5.3, 20.0, 20.0, 20.0, 20.0, 20.0]
    found = choose_protection(offered(), present=high_pass(20), headroom=headroom(left), box=CLOSED)
    assert chosen(found) == (2, 16.0)
    assert found.change is ProtectionChange.WEAKENED
    assert refusals(found)[None] is ProtectionReason.NOT_ASSURED
    off = next(entry for entry in found.candidates if entry.high_pass is None)
    assert off.refused_at == pytest.approx(15.849, abs=1e-3)


def test_the_estimate_of_the_driver_counts_beside_what_is_assured():
    found = choose_protection(
        offered(),
        present=high_pass(20),
        headroom=headroom([9.0] * 6, displacement=[0.0] * 6),
        box=CLOSED,
    )
    assert chosen(found) == (2, 20.0)
    assert found.reason is ProtectionReason.NOT_ASSURED


def test_an_unknown_box_is_not_weakened():
    found = choose_protection(offered(), present=high_pass(25), headroom=headroom([30.0] * 6))
    assert chosen(found) == (2, 25.0)
    assert found.reason is ProtectionReason.BOX_UNKNOWN
    assert refusals(found)[16.0] is ProtectionReason.BOX_UNKNOWN


def test_data_must_reach_down_to_the_weaker_corner():
    # evidence from 25 Hz up: 20 Hz band and lower were not measured
    left = [None, None, 30.0, 30.0, 30.0, 30.0]
    found = choose_protection(
        offered(corners=(16, 25)), present=high_pass(31.5), headroom=headroom(left), box=CLOSED
    )
    assert refusals(found)[16.0] is ProtectionReason.NO_EVIDENCE_THERE
    assert chosen(found) == (2, 25.0)


def test_data_must_not_have_a_hole():
    left = [30.0, None, 30.0, 30.0, 30.0, 30.0]
    found = choose_protection(offered(), present=high_pass(25), headroom=headroom(left), box=CLOSED)
    assert chosen(found) == (2, 25.0)
    assert found.reason is ProtectionReason.NO_EVIDENCE_THERE


def test_strengthened_by_what_the_driver_lacks_and_no_more():
    # 2.2 dB short at 20 Hz (exact centre 19.953): BW2 20 relieves 3.03 dB, BW2 16 only 1.50 dB
    left = [None, -2.2, 6.0, 6.0, 6.0, 6.0]
    found = choose_protection(
        offered(corners=(16, 20, 25, 31.5)), present=None, headroom=headroom(left), box=CLOSED
    )
    assert chosen(found) == (2, 20.0)
    assert found.change is ProtectionChange.STRENGTHENED
    assert found.reason is ProtectionReason.RELIEF_NEEDED
    assert found.band == "20"
    assert found.value_db == pytest.approx(2.2)
    assert found.unrelieved is None
    by_corner = {
        entry.high_pass.corner: entry.shortage_db
        for entry in found.candidates
        if entry.high_pass is not None
    }
    assert by_corner[16.0] == pytest.approx(0.70, abs=0.01)
    assert by_corner[20.0] == 0.0


def test_strengthening_needs_no_box_and_no_assurance():
    left = [None, -4.0, 6.0, 6.0, 6.0, 6.0]
    found = choose_protection(offered(), present=None, headroom=headroom(displacement=left))
    assert found.change is ProtectionChange.STRENGTHENED
    assert chosen(found) == (2, 25.0)


@pytest.mark.parametrize("order", [2, 4])
def test_the_relief_reckoned_with_is_scipys(order):
    b, a = scipy.signal.butter(order, 2 * np.pi * 25, "highpass", analog=True)
    at = 2 * np.pi * np.array([third_octave_band(label).centre for label in LABELS])
    _, response = scipy.signal.freqs(b, a, worN=at)
    found = choose_protection(
        offered(corners=(25,), orders=(order,)),
        present=None,
        headroom=headroom([-30.0, *[0.0] * 5]),
        box=CLOSED,
    )
    candidate = found.candidates[1]
    relief = -20 * np.log10(np.abs(response))
    assert candidate.loss_db == pytest.approx(relief.mean(), abs=1e-9)
    assert candidate.shortage_db == pytest.approx(max(0.0, 30.0 - relief[0]), abs=1e-9)


def test_the_steeper_filter_is_taken_where_it_costs_less_bass():
    # section 10: at 16 Hz BW4 20 relieves 8.43 dB and costs 0.67 at 25 Hz, BW2 20 5.37 and 1.49
    left = [-6.0, 3.0, 6.0, 6.0, 6.0, 6.0]
    found = choose_protection(
        offered(corners=(20, 25), orders=(2, 4)), present=None, headroom=headroom(left), box=CLOSED
    )
    assert chosen(found) == (4, 20.0)


def test_a_shortage_above_every_corner_asks_for_less_level():
    left = [None, 3.0, 3.0, 3.0, 3.0, -4.0]
    found = choose_protection(offered(), present=high_pass(20), headroom=headroom(left), box=CLOSED)
    assert found.change is ProtectionChange.KEPT
    assert found.reason is ProtectionReason.CANNOT_RELIEVE
    assert found.unrelieved == "50"
    assert found.unrelieved_db == pytest.approx(4.0, abs=0.15)  # the filter's 0.11 dB stay


def test_no_bass_is_given_away_for_a_band_above_every_corner():
    # BW2 25 instead of 20 would relieve 0.8 dB at 31.5 Hz and cost far more below
    left = [3.0, 3.0, 3.0, -4.0, 3.0, 3.0]
    found = choose_protection(offered(), present=high_pass(20), headroom=headroom(left), box=CLOSED)
    assert chosen(found) == (2, 20.0)
    assert found.reason is ProtectionReason.CANNOT_RELIEVE
    assert found.unrelieved == "31.5"


def test_what_is_still_lacking_is_said():
    left = [None, -9.0, 3.0, 3.0, 3.0, 3.0]
    found = choose_protection(offered(), present=None, headroom=headroom(left), box=CLOSED)
    # BW2 25 at 19.953 Hz relieves 5.40 dB: 10 lg (1 + (25 / 19.953)**4)
    assert chosen(found) == (2, 25.0)
    assert found.unrelieved == "20"
    assert found.unrelieved_db == pytest.approx(9.0 - 5.396, abs=1e-3)


def test_vented_box_keeps_a_high_pass_near_its_tuning():
    found = choose_protection(
        offered(), present=high_pass(25), headroom=headroom([40.0] * 6), box=VENTED
    )
    # 0.8 times 24 Hz is 19.2 Hz: 20 Hz may be, 16 Hz and off not (common practice, no source)
    assert refusals(found)[None] is ProtectionReason.VENTED_BOX
    assert refusals(found)[16.0] is ProtectionReason.VENTED_BOX
    assert chosen(found) == (2, 20.0)


def test_vented_box_without_high_pass_gets_one_even_without_data():
    found = choose_protection(offered(), present=None, headroom=headroom(), box=VENTED)
    assert found.change is ProtectionChange.STRENGTHENED
    assert found.reason is ProtectionReason.VENTED_BOX
    assert chosen(found) == (2, 20.0)


def test_vented_box_with_nothing_fitting_on_offer_keeps_what_it_has():
    found = choose_protection(
        offered(corners=(12, 16)), present=None, headroom=headroom(), box=VENTED
    )
    assert found.change is ProtectionChange.KEPT
    assert found.reason is ProtectionReason.VENTED_BOX
    assert found.high_pass is None


def test_displacement_below_the_lowest_band_is_judged_by_the_box():
    # evidence reaches to 25 Hz. Below it a closed box of 80 Hz moves no further (X is flat); a box
    # with a resonance of 22 Hz moves 4.4 dB further towards 0 Hz, and 3.0 dB more without the
    # filter: more than the 4 dB that are assured (closed forms of section 10)
    left = [None, None, 4.0, 20.0, 20.0, 20.0]
    stiff, soft = ClosedBox(resonance=80.0, q=0.7), ClosedBox(resonance=22.0, q=0.7)
    args = {"present": high_pass(25), "headroom": headroom(left)}
    assert choose_protection(offered(corners=(25,)), box=stiff, **args).high_pass is None
    found = choose_protection(offered(corners=(25,)), box=soft, **args)
    assert found.change is ProtectionChange.KEPT
    assert found.reason is ProtectionReason.MOVES_TOO_FAR_BELOW
    off = found.candidates[1]
    assert 5.0 <= off.refused_at < 12.0


def test_little_to_gain_is_not_worth_moving():
    found = choose_protection(
        offered(corners=(16, 16.5), bypass=False),
        present=high_pass(16.5),
        headroom=headroom([30.0] * 6),
        box=CLOSED,
    )
    assert found.change is ProtectionChange.KEPT
    assert found.reason is ProtectionReason.NOT_WORTH_MOVING


def test_the_mildest_on_offer_stays_within_headroom():
    found = choose_protection(
        offered(corners=(16,), bypass=False),
        present=high_pass(16, where="subwoofer"),
        headroom=headroom([30.0] * 6),
        box=CLOSED,
    )
    assert found.reason is ProtectionReason.WITHIN_HEADROOM
    assert len(found.candidates) == 1  # where it is said to sit makes no second filter of it


def test_no_choice_and_unknown_present():
    found = choose_protection(None, present=None, headroom=headroom())
    assert found.reason is ProtectionReason.NO_CHOICE
    assert found.candidates == ()
    found = choose_protection(
        offered(), present=None, present_known=False, headroom=headroom([30.0] * 6), box=CLOSED
    )
    assert found.change is ProtectionChange.KEPT
    assert found.reason is ProtectionReason.PRESENT_UNKNOWN


def test_odd_orders_of_linkwitz_riley_are_passed_over():
    found = choose_protection(
        offered(orders=(3, 4), family="linkwitz_riley", corners=(20,)),
        present=None,
        headroom=headroom(),
    )
    orders = [entry.high_pass.order for entry in found.candidates if entry.high_pass is not None]
    assert orders == [4]


def test_a_low_pass_is_no_protection():
    low = CrossoverFilter(kind="low_pass", family="butterworth", order=2, corner=80.0)
    with pytest.raises(ValueError, match="is a high-pass"):
        choose_protection(offered(), present=low, headroom=headroom())
