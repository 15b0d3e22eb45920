"""What is tried: every set of filters with one response, against scipy; priors and choices."""

import numpy as np
import pytest
import scipy.signal

from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.optimiser.path.hypotheses import class_ways, tried_low_ends, tried_low_passes

AXIS = np.geomspace(10, 500, 40)


def low(family, order, corner=80.0, where=""):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner, where=where)


def keys(tried):
    return {one.groups[0].orders for one in tried if len(one.groups) == 1}


@pytest.mark.parametrize(
    ("order", "copies"), [(1, 1), (1, 2), (1, 4), (2, 3), (2, 4), (4, 4), (5, 2), (8, 2)]
)
def test_every_way_gives_the_response_of_scipys_butterworths(order, copies):
    b, a = scipy.signal.butter(order, 2 * np.pi * 80, analog=True)
    expected = scipy.signal.freqs(b, a, worN=2 * np.pi * AXIS)[1] ** copies
    ways = class_ways(order, copies, 80.0)
    assert ways
    assert [len(way) for way in ways] == sorted(len(way) for way in ways)
    for way in ways:
        np.testing.assert_allclose(chain_response(way, AXIS), expected, rtol=1e-8)


def test_fourth_order_linkwitz_riley_twice():
    four, two = low("linkwitz_riley", 4), low("butterworth", 2)
    assert class_ways(2, 4, 80.0) == ((four, four), (four, two, two), (two,) * 4)


def test_no_single_filter_is_beyond_48_decibels():
    assert class_ways(5, 2, 80.0) == ((low("butterworth", 5),) * 2,)


def test_every_single_and_doubled_filter_is_tried_once():
    tried = tried_low_passes((), pairs=False)
    found = keys(tried)
    for order in range(1, 9):
        assert {((order, 1),), ((order, 2),)} <= found
    for order in (1, 2, 3, 4):
        assert {((order, 2),), ((order, 4),)} <= found
    assert len(found) == len(tried) - 1
    assert sum(not one.groups for one in tried) == 1


def test_priors_prefer_few_filters():
    prior = {one.groups[0].orders[0]: one.prior for one in tried_low_passes((), pairs=False)[1:]}
    assert prior[2, 2] > prior[2, 1] > prior[5, 2]


def test_described_choices_are_tried_once_each():
    described = (
        low("linkwitz_riley", 4, where="processor"),
        low("linkwitz_riley", 4, where="amplifier"),
        low("butterworth", 2, 120.0),
    )
    plain = len(tried_low_passes((), pairs=False))
    added = tried_low_passes(described, pairs=False)[plain:]
    found = [[(group.corner, group.orders) for group in one.groups] for one in added]
    once, twice, other = (80.0, ((2, 2),)), (80.0, ((2, 4),)), (120.0, ((2, 1),))
    assert sorted(found) == sorted([[once], [other], [twice], [once, other], [twice, other]])
    assert max(added, key=lambda one: one.prior).groups[-1].corner == 120.0  # all of them


def test_a_stated_limit_tells_of_the_box_and_a_stated_high_pass_is_among_the_low_ends():
    stated = CrossoverFilter(kind="high_pass", family="butterworth", order=4, corner=22.0)
    ends = tried_low_ends((stated,), box=True, told=True, limit=26.0)
    assert sum(one.high_pass is None for one in ends) == 3
    assert sum(one.high_pass is not None and one.high_pass.corner == 22.0 for one in ends) >= 3
    plain = tried_low_ends((), box=True, told=False, limit=None)
    bare = tried_low_ends((), box=False, told=False, limit=None)
    assert len(plain) == 3
    assert [one.chain.resonances for one in bare] == [()]
    spreads = (ends[0].chain.spread[4], plain[0].chain.spread[4])
    assert spreads[0] < spreads[1]


def test_priors_are_those_that_are_stated():
    """Common practice, no source: usual kinds 0.2, others 0.01, twice three tenths of it."""
    single = tried_low_passes((), pairs=False)
    prior = {one.groups[0].orders[0] if one.groups else (): one.prior for one in single}
    assert prior[()] == 0.25
    assert prior[4, 1] == prior[8, 1] == prior[1, 1] == pytest.approx(0.2)
    assert prior[5, 1] == prior[7, 1] == pytest.approx(0.01)
    assert prior[2, 2] == pytest.approx(0.2 + 0.3 * 0.2)  # Linkwitz-Riley, or Butterworth twice
    assert prior[3, 2] == pytest.approx(0.01 + 0.3 * 0.2)
    assert prior[6, 2] == pytest.approx(0.3 * 0.01)
    assert {g.corner for one in single for g in one.groups} == {80.0}
    assert {g.spread for one in single for g in one.groups} == {0.6}
    pairs = tried_low_passes((), pairs=True)[len(single) :]
    assert sum(one.prior for one in pairs) == pytest.approx(0.2)
    assert {tuple(g.corner for g in one.groups) for one in pairs} == {(70.0, 120.0)}
    assert {g.spread for one in pairs for g in one.groups} == {0.5}
    said = tried_low_passes((low("butterworth", 2), low("butterworth", 3, 90.0)), pairs=False)
    added = said[len(single) :]
    assert [(one.prior, one.whole) for one in added] == [(4.0, True), (0.4, False), (0.4, False)]
    assert {g.spread for one in added for g in one.groups} == {0.04}


def test_low_ends_are_those_that_are_stated():
    """Closed 0.5, vented 0.4, with a capacitor 0.1; common practice, no source."""
    ends = tried_low_ends((), box=True, told=True, limit=None)
    bare = [one for one in ends if one.high_pass is None]
    assert [one.prior for one in bare] == [0.5, 0.4, 0.1]
    kinds = {one.high_pass.orders[0]: one.prior / 0.5 for one in ends[1:5]}
    assert kinds == pytest.approx({(2, 1): 0.2, (3, 1): 0.02, (4, 1): 0.15, (2, 2): 0.08})
    assert {(one.high_pass.corner, one.high_pass.spread) for one in ends[1:5]} == {(22.0, 0.35)}
    coil, coupling = (np.exp(bare[0].chain.centre[place]) for place in (2, 3))
    assert (coil, coupling) == pytest.approx((900.0, 4.0))
    assert bare[0].chain.spread[2:] == (0.8, 0.7, 0.45, 0.4)
    assert np.exp(bare[0].chain.centre[4:]) == pytest.approx([30.0, 0.75])
    assert np.exp(bare[1].chain.centre[4:]) == pytest.approx([30.0, 0.55, 30.0, 1.2])
    assert bare[1].chain.spread[4:] == (0.45, 0.2, 0.45, 0.3)
    limited = tried_low_ends((), box=True, told=False, limit=25.0)
    assert np.exp(limited[0].chain.centre[4]) == pytest.approx(1.2 * 25.0)
    assert limited[0].chain.spread[4] == 0.3
    assert [one.sign for one in bare[2].chain.filters] == [1, -1, -1]
