"""What a plan keeps of several subwoofers: pressures come back, the worst seat is the worst."""

import numpy as np
import pytest

from roomeq.plan.together import SetTogether, TogetherFigures, TogetherRecord

OWN = {
    "fed_by": None,
    "delay_ms": 2.0,
    "inverted": True,
    "present_delay_ms": 0.5,
    "present_inverted": False,
    "without_db": None,
    "output_without_db": None,
    "needless": False,
    "level_db": ((80.0, 74.0),),
    "phase_deg": ((90.0, -180.0),),
}


def figures(*by_seat_db):
    return TogetherFigures(
        deviation_db=3.0, variation_db=2.0, output_given_up_db=1.0, by_seat_db=by_seat_db
    )


def test_pressures_are_those_of_level_and_phase():
    # 80 dB is 1e4 times the reference, 90 degrees is j
    expected = [[1e4j, -(10.0 ** (74.0 / 20.0))]]
    np.testing.assert_allclose(SetTogether(**OWN).pressures, expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("same", "changes"),
    [
        ({}, True),
        ({"present_delay_ms": 2.0}, True),
        ({"present_inverted": True}, True),
        ({"present_delay_ms": 2.0, "present_inverted": True}, False),
    ],
)
def test_delay_or_polarity_that_differs_is_a_change(same, changes):
    assert SetTogether(**{**OWN, **same}).changes is changes


def test_settings_in_words():
    assert SetTogether(**OWN).setting_rows() == [
        ("Delay", "0.50 ms", "2.00 ms"),
        ("Polarity", "normal", "inverted"),
    ]


def test_the_worst_seat_is_that_of_the_largest_deviation():
    record = TogetherRecord(
        seats=("a", "b", "c"),
        before=figures(3.0, 7.0, 5.0),
        after=figures(4.0, 2.0, 4.5),
        best=figures(1.0, 1.0, 1.0),
        loudness_change_db=0.0,
        points=(20.0, 40.0),
    )
    assert record.worst_before == ("b", 7.0)
    assert record.worst_after == ("c", 4.5)
