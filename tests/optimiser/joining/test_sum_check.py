"""What explains a measured sum: faults put into invented rooms, and found again."""

import numpy as np
import pytest
from joining_rooms import CORNER, FREQUENCIES, delayed, linkwitz_riley, modal_seats

from roomeq.optimiser.joining.sum_check import explain_sum

INSIDE = (FREQUENCIES > 30.0) & (FREQUENCIES < 200.0)
POINTS = FREQUENCIES[INSIDE]


def parts(seed, seats=3):
    rng = np.random.default_rng(seed)
    sub = modal_seats(rng, seats) * linkwitz_riley("low", 4)
    mains = modal_seats(rng, seats) * linkwitz_riley("high", 4)
    return sub[:, INSIDE], mains[:, INSIDE]


def explained(seed, both):
    sub, mains = parts(seed)
    return explain_sum(POINTS, sub=sub, mains=mains, both=np.abs(both(sub, mains)), corner=CORNER)


@pytest.mark.parametrize("seed", range(4))
def test_four_decibels_less_of_the_subwoofer_are_told_as_a_level(seed):
    found = explained(seed, lambda sub, mains: 10 ** (-4 / 20) * sub + mains)
    assert found.explained
    assert found.level_db == pytest.approx(-4.0, abs=0.3)
    assert (found.delay_ms, found.inverted, found.all_level_db) == (0.0, False, 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_delay_a_polarity_and_a_level_of_everything(seed):
    late = explained(seed, lambda s, m: delayed(s, 0.003, frequencies=POINTS) + m)
    assert late.explained
    assert late.delay_ms == pytest.approx(3.0, abs=0.2)
    assert (late.level_db, late.inverted) == (0.0, False)
    turned = explained(seed, lambda s, m: m - s)
    assert (turned.inverted, turned.level_db, turned.delay_ms) == (True, 0.0, 0.0)
    quieter = explained(seed, lambda s, m: 0.5 * (s + m))
    assert quieter.all_level_db == pytest.approx(20 * np.log10(0.5), abs=0.01)


def test_two_causes_together():
    found = explained(1, lambda s, m: m - 10 ** (-3 / 20) * delayed(s, 0.002, frequencies=POINTS))
    assert found.explained
    assert found.inverted
    assert found.level_db == pytest.approx(-3.0, abs=0.5)
    assert found.delay_ms == pytest.approx(2.0, abs=0.3)


def test_nothing_is_said_within_five_per_cent_and_the_difference_is_its_definition():
    assert explained(2, lambda s, m: s + m) is None
    sub, mains = parts(2)
    inside = np.abs(np.log2(POINTS / CORNER)) <= 1.0
    for factor, is_noticed in ((1.049, False), (1.06, True)):
        both = factor * np.abs(sub + mains)
        left = (both - np.abs(sub + mains))[:, inside]
        share = np.sqrt(np.mean(left**2) / np.mean(both[:, inside] ** 2))
        found = explain_sum(POINTS, sub=sub, mains=mains, both=both, corner=CORNER)
        assert (found is not None) is is_noticed
        assert bool(share > 0.05) is is_noticed
    assert found.difference == pytest.approx(share)


def test_another_room_is_not_explained():
    other = parts(9)
    found = explained(3, lambda s, m: other[0] + other[1])
    assert not found.explained
    assert (found.level_db, found.delay_ms, found.inverted) == (0.0, 0.0, False)
    assert found.left <= found.difference


@pytest.mark.parametrize(("share", "told"), [(0.32, True), (0.35, False)])
def test_an_explanation_leaves_a_third_of_the_difference_at_most(share, told):
    """An inverted subwoofer, and a wobble from point to point that nothing explains."""
    sub, mains = parts(2)
    wobble = np.where(np.arange(POINTS.size) % 2, 1.0, -1.0)
    inside = np.abs(np.log2(POINTS / CORNER)) <= 1.0

    def size(rows):
        return np.sqrt(np.mean(rows[:, inside] ** 2))

    truth, both = np.abs(mains - sub), np.abs(mains - sub)
    for _ in range(20):
        part = share * size(both - np.abs(sub + mains)) / size(truth)
        both = truth * (1.0 + part * wobble)
    found = explain_sum(POINTS, sub=sub, mains=mains, both=both, corner=CORNER)
    assert found.difference == pytest.approx(size(both - np.abs(sub + mains)) / size(both))
    assert found.explained is told
    assert found.inverted is told
    if told:
        assert found.left == pytest.approx(share * found.difference, rel=1e-3)
