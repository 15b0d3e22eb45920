"""What is tried: every set of filters with one response, against scipy; priors and choices."""

import numpy as np
import pytest
import scipy.signal

from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.optimiser.path.hypotheses import class_ways, priors, tried_low_ends, tried_low_passes

AXIS = np.geomspace(10, 500, 40)


def low(family, order, corner=80.0, where=""):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner, where=where)


def keys(tried):
    return {one.chain[0].orders for one in tried if len(one.chain) == 1}


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
    assert sum(not one.chain for one in tried) == 1


def test_priors_prefer_few_filters():
    prior = {one.chain[0].orders[0]: one.prior for one in tried_low_passes((), pairs=False)[1:]}
    assert prior[2, 2] > prior[2, 1] > prior[5, 2]


def test_described_choices_are_tried_once_each():
    described = (
        low("linkwitz_riley", 4, where="processor"),
        low("linkwitz_riley", 4, where="amplifier"),
        low("butterworth", 2, 120.0),
    )
    plain = len(tried_low_passes((), pairs=False))
    added = tried_low_passes(described, pairs=False)[plain:]
    found = [[(group.corner, group.orders) for group in one.chain] for one in added]
    once, twice, other = (80.0, ((2, 2),)), (80.0, ((2, 4),)), (120.0, ((2, 1),))
    assert sorted(found) == sorted([[once], [other], [twice], [once, other], [twice, other]])
    assert max(added, key=lambda one: one.prior).chain[-1].corner == 120.0  # all of them


def test_a_stated_limit_tells_of_the_box_and_a_stated_high_pass_is_among_the_low_ends():
    stated = CrossoverFilter(kind="high_pass", family="butterworth", order=4, corner=22.0)
    ends = tried_low_ends((stated,), box=True, told=True, limit=26.0)
    assert sum(one.high_pass is None for one in ends) == 3
    assert sum(one.high_pass is not None and one.high_pass.corner == 22.0 for one in ends) >= 3
    plain = tried_low_ends((), box=True, told=False, limit=None)
    bare = tried_low_ends((), box=False, told=False, limit=None)
    assert len(plain) == 3
    assert [one.chain for one in bare] == [()]
    assert ends[0].chain[2].spread < plain[0].chain[2].spread


def test_priors_are_those_that_are_stated():
    """Common practice, no source: usual kinds 0.2, others 0.01, twice three tenths of it."""
    single = tried_low_passes((), pairs=False)
    prior = {one.chain[0].orders[0] if one.chain else (): one.prior for one in single}
    expected = {(): 0.25, (4, 1): 0.2, (8, 1): 0.2, (5, 1): 0.01, (7, 1): 0.01}
    expected |= {(2, 2): 0.26, (3, 2): 0.07, (6, 2): 0.003}  # Linkwitz-Riley, or twice
    assert {key: prior[key] for key in expected} == pytest.approx(expected)
    pairs = tried_low_passes((), pairs=True)[len(single) :]
    assert sum(one.prior for one in pairs) == pytest.approx(0.2)
    described = (low("butterworth", 2), low("butterworth", 3, 90.0))
    said = tried_low_passes(described, pairs=False)[len(single) :]
    assert [(one.prior, one.whole) for one in said] == [(4.0, True), (0.4, False), (0.4, False)]
    ends = tried_low_ends((), box=True, told=True, limit=25.0)
    assert [one.prior for one in ends if one.high_pass is None] == [0.5, 0.4, 0.1]
    assert [one.prior for one in ends[1:5]] == pytest.approx([0.1, 0.01, 0.075, 0.04])


@pytest.mark.parametrize(
    ("limit", "at", "spread"), [(None, 30.0, 0.45), (25.0, 30.0, 0.3), (50.0, 60.0, 0.3)]
)
def test_what_is_expected_of_corners_is_what_is_stated(limit, at, spread):
    """Common practice, no source: centre in Hz and spread of the logarithm."""
    tried = tried_low_passes((low("butterworth", 6, 90.0),), pairs=True)
    groups = {(g.corner, g.spread) for one in tried for g in one.chain}
    assert groups == {(80.0, 0.6), (70.0, 0.5), (120.0, 0.5), (90.0, 0.04)}
    ends = tried_low_ends((), box=True, told=True, limit=limit)
    assert (ends[1].high_pass.corner, ends[1].high_pass.spread) == (22.0, 0.35)
    closed, vented = (priors(ends[n].chain) for n in (0, 5))
    assert np.exp(closed[0][2:]) == pytest.approx([900.0, 4.0, at, 0.75])
    assert closed[1][2:].tolist() == [0.8, 0.7, spread, 0.4]
    assert np.exp(vented[0][4:]) == pytest.approx([at, 0.55, at, 1.2])
    assert vented[1][4:].tolist() == [spread, 0.2, spread, 0.3]
