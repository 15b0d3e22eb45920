"""Where both meet by their filters: closed forms and scipy's filters."""

import numpy as np
import pytest
from joining_rooms import linkwitz_riley

from roomeq.device.crossover import CrossoverFilter, MainsBox
from roomeq.device.crossover_sum import MeetingFault, find_meeting


def low(corner, order=4, family="linkwitz_riley"):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner)


def high(corner, order=4, family="linkwitz_riley"):
    return CrossoverFilter(kind="high_pass", family=family, order=order, corner=corner)


def test_a_matched_pair_meets_at_its_corner_and_fills_it():
    # Linkwitz-Riley: 6 dB down each, in phase
    found = find_meeting([low(80)], [high(80)], corner=80.0)
    assert found.frequency == pytest.approx(80.0, rel=0.01)
    assert found.sum_db == pytest.approx(0.0, abs=0.15)
    assert found.faults == ()


@pytest.mark.parametrize(("below", "above"), [(60.0, 120.0), (50.0, 100.0)])
def test_corners_an_octave_apart_leave_a_gap(below, above):
    found = find_meeting([low(below)], [high(above)], corner=below)
    assert MeetingFault.GAP in found.faults
    middle = np.sqrt(below * above)  # by symmetry
    assert found.frequency == pytest.approx(middle, rel=0.02)
    each = abs(linkwitz_riley("low", 4, corner=below, frequencies=[middle])[0])
    assert found.sum_db == pytest.approx(20 * np.log10(2 * each), abs=0.3)


def test_a_gap_needs_more_than_a_step_of_the_knob():
    assert find_meeting([low(80)], [high(90)], corner=80.0).faults == ()


def test_mains_without_a_high_pass_run_full_range():
    assert find_meeting([low(80)], [], corner=80.0).faults == (MeetingFault.FULL_RANGE,)
    small = MainsBox(kind="closed", corner=70.0).roll_off
    assert find_meeting([low(80, 2, "butterworth")], [small], corner=80.0).faults == ()
    beside = MainsBox(kind="closed", corner=60.0).roll_off  # no part of the crossover
    assert find_meeting([low(80)], [beside], corner=80.0).faults == (MeetingFault.FULL_RANGE,)
    assert find_meeting([low(80)], [high(60)], corner=80.0).faults == ()
    assert find_meeting([low(80)], [high(80), beside], corner=80.0).faults == ()
    large = MainsBox(kind="vented", corner=35.0).roll_off
    assert MeetingFault.FULL_RANGE in find_meeting([low(80)], [large], corner=80.0).faults


def test_where_they_meet_elsewhere_is_said():
    found = find_meeting([low(80)], [high(40)], corner=80.0)
    assert found.faults == ()  # half an octave below: the geometric mean of both
    assert MeetingFault.ELSEWHERE in find_meeting([low(80)], [high(36)], corner=80.0).faults


def test_high_passes_of_the_subwoofer_are_no_part_of_it():
    assert find_meeting([low(80), high(30)], [high(80)], corner=80.0) == find_meeting(
        [low(80)], [high(80)], corner=80.0
    )
