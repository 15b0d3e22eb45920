"""A described path: what it does and what to bypass, against the published tables."""

import numpy as np
import pytest
import scipy.signal

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.path import bypass_order, predict_path, same_response, slope_db_per_octave

FAMILIES = {"BW": "butterworth", "LR": "linkwitz_riley"}


def one(name, where="", corner=80.0, kind="low_pass"):
    return CrossoverFilter(
        kind=kind, family=FAMILIES[name[:2]], order=int(name[2:]), corner=corner, where=where
    )


def high(name, where="", corner=80.0):
    return one(name, where, corner, kind="high_pass")


@pytest.mark.parametrize(
    ("names", "at_corner_db", "order"),  # closed forms: -3.0103 for each Butterworth filter in it
    [
        (("BW4",), -3.0103, 4),
        (("LR4",), -6.0206, 4),
        (("BW3", "BW3"), -6.0206, 6),
        (("LR4", "LR4"), -12.0412, 8),
        (("BW2", "LR4"), -9.0309, 6),
    ],
)
def test_level_at_the_corner(names, at_corner_db, order):
    found = predict_path([one(name) for name in names])
    assert found.at_corner_db == pytest.approx(at_corner_db, abs=1e-4)
    assert found.order == order
    assert found.corner == 80.0
    assert found.low_pass_count == len(names)


def test_slope_is_scipys_and_tends_to_six_decibels_for_each_order():
    found = predict_path([one("LR4")] * 2)
    b, a = scipy.signal.butter(2, 2 * np.pi * 80, analog=True)
    _, at = scipy.signal.freqs(b, a, worN=2 * np.pi * np.array([160.0, 320.0]))
    expected = 4 * 20 * np.log10(abs(at[1] / at[0]))
    assert found.slope_db_per_octave == pytest.approx(expected, abs=1e-6)
    far = slope_db_per_octave([one("LR4")] * 2, lowest=8000.0, highest=16000.0)
    assert far == pytest.approx(-8 * 6.0206, abs=0.01)


def test_twice_in_two_places_names_the_amplifiers():
    found = predict_path([one("LR4", "processor"), one("LR4", "amplifier")])
    assert found.mains_assumed
    assert found.matching is found.recommended is not None
    choice = found.recommended
    assert choice.positions == (1,)
    assert choice.filters[0].where == "amplifier"
    assert choice.alternatives == ((0,),)
    assert choice.matching
    assert choice.flatter.deviation_db < 1e-9
    assert choice.gain_db == pytest.approx(2.499, abs=0.001)  # 3/4 at the corner
    assert found.sums[0].dip_db == pytest.approx(-18.85, abs=0.006)
    assert found.sums[1].dip_db == pytest.approx(-2.50, abs=0.006)
    assert found.flatter.inverted


def test_the_one_beside_the_mains_high_pass_is_kept():
    found = predict_path(
        [one("LR4", "source"), one("LR4", "amplifier")], mains=[high("LR4", "amplifier")]
    )
    assert found.recommended is not None
    assert found.recommended.positions == (0,)


def test_a_filter_that_cannot_be_bypassed_stays():
    pair = [one("LR4", "processor"), one("LR4", "amplifier")]
    found = predict_path(pair, fixed=[1])
    assert found.recommended is not None
    assert found.recommended.positions == (0,)
    assert predict_path(pair, fixed=[0, 1]).recommended is None
    in_box = predict_path([one("LR4", "processor"), one("LR4", "box")])
    assert in_box.recommended is not None
    assert in_box.recommended.positions == (0,)


def test_order_of_what_may_be_bypassed():
    """Last first, the place of the mains' high-pass last of all, box and high-passes never."""
    path = [
        one("LR4", "source"),
        high("BW2", "processor", corner=20.0),
        one("LR4"),
        one("LR4", "Processor"),
        one("BW2", "box"),
    ]
    assert bypass_order(path) == (3, 2, 0)
    assert bypass_order(path, mains=[high("LR4", "processor")]) == (2, 0, 3)
    assert bypass_order(path, mains=[high("LR4")]) == (3, 2, 0)  # its place is not known
    assert bypass_order(path, mains=[high("LR4", "processor")], fixed=[2]) == (0, 3)


@pytest.mark.parametrize(
    ("name", "now_db", "matching_db"),
    [  # tables: flatter polarity of the doubled one, and of the matching pair
        ("BW2", 1.90, 3.01),
        ("BW4", 1.79, 3.01),
        ("BW8", 1.76, 3.01),
    ],
)
def test_a_doubled_low_pass_goes_though_both_may_sum_as_flat(name, now_db, matching_db):
    found = predict_path([one(name, "processor"), one(name, "amplifier")])
    assert found.flatter.deviation_db == pytest.approx(now_db, abs=0.01)
    assert found.matching is not None
    assert found.matching.flatter.deviation_db == pytest.approx(matching_db, abs=0.01)
    assert found.matching.gain_db < 0
    assert found.recommended is found.matching


@pytest.mark.parametrize(("name", "gain_db"), [("BW3", 1.87), ("LR2", 5.05), ("LR8", 2.73)])
def test_what_others_gain(name, gain_db):
    found = predict_path([one(name)] * 2)
    assert found.recommended is not None
    assert found.recommended.gain_db == pytest.approx(gain_db, abs=0.01)


def test_two_second_order_butterworths_match_a_linkwitz_riley_high_pass():
    path = [one("BW2", "source"), one("BW2", "processor"), one("LR4", "amplifier")]
    found = predict_path(path, mains=[high("LR4")])
    assert found.matching is not None
    assert found.matching.positions == (2,)
    assert found.matching.alternatives == ((0, 1),)
    box = predict_path(path, mains=[high("BW2", "box"), high("BW2", "processor")])
    assert box.matching is not None
    assert box.matching.positions == (2,)


def test_matches_the_mains_electrical_high_pass_where_the_box_has_its_own():
    found = predict_path(
        [one("LR4"), one("LR4")], mains=[high("LR4"), high("BW2", "box", corner=45.0)]
    )
    assert found.matching is not None
    assert found.matching.positions == (1,)


def test_differing_corners_keep_the_matching_one():
    path = [one("LR4", "processor", 80.0), one("LR4", "amplifier", 120.0)]
    found = predict_path(path, mains=[high("LR4")])
    assert found.recommended is not None
    assert found.recommended.positions == (1,)
    other = predict_path(path, mains=[high("LR4", corner=120.0)])
    assert other.recommended is not None
    assert other.recommended.positions == (0,)
    assert other.corner == 120.0


def test_without_a_match_the_slope_nearest_to_the_mains_stays():
    path = [one("LR4"), one("BW1", corner=60.0)]
    for mains, positions in (("LR8", (1,)), ("BW1", (0,))):
        found = predict_path(path, mains=[high(mains, corner=85.0)])
        assert found.matching is None
        assert found.recommended is found.nearest
        assert found.recommended.positions == positions


def test_a_low_pass_an_octave_higher_is_no_second_one():
    assert predict_path([one("LR4"), one("BW2", corner=160.0)], mains=[high("LR8")]).nearest is None
    assert predict_path([one("LR4"), one("BW2", corner=159.0)], mains=[high("LR8")]).nearest


def test_one_low_pass_needs_no_bypass():
    found = predict_path([one("LR4"), high("BW2", corner=20.0)])
    assert found.matching is not None
    assert found.matching.positions == ()
    assert found.recommended is None


def test_same_response():
    assert same_response([one("LR4")], [one("BW2"), one("BW2")])
    assert same_response([one("LR8"), one("BW1")], [one("BW1"), one("BW4"), one("BW4")])
    assert not same_response([one("LR4")], [one("BW4")])
    assert not same_response([one("LR4")], [one("LR4", corner=81.0)])
    assert not same_response([one("LR4")], [high("LR4")])
    assert same_response([one("LR4")], [high("LR4")], kind="any")


def test_refuses():
    with pytest.raises(ValueError, match="no low-pass"):
        predict_path([high("BW2")])
    with pytest.raises(ValueError, match="must be high-passes"):
        predict_path([one("LR4")], mains=[one("LR4")])
