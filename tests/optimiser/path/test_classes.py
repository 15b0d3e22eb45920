"""Classes of low-passes with one response: every set against the product of its filters."""

import numpy as np
import pytest
import scipy.signal

from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.optimiser.path.classes import (
    NO_LOW_PASS,
    FilterSet,
    LowPassClass,
    butterworth_poles,
    class_hypothesis,
    class_prior,
    class_ways,
    equal_choices,
    low_pass_classes,
    tried_pairs,
    tried_paths,
    tried_with_coil,
)

AXIS = np.geomspace(10, 500, 40)


def low(family, order, corner=80.0, where=""):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner, where=where)


def response_of(hypothesis, corner):
    s = 1j * AXIS[:, np.newaxis] / corner
    return np.prod(1 / (1 - s / hypothesis.poles), axis=-1)


@pytest.mark.parametrize(("order", "copies"), low_pass_classes()[1:])
def test_every_way_gives_the_response_of_scipys_butterworths(order, copies):
    b, a = scipy.signal.butter(order, 2 * np.pi * 80, analog=True)
    expected = scipy.signal.freqs(b, a, worN=2 * np.pi * AXIS)[1] ** copies
    ways = class_ways(order, copies, 80.0)
    assert ways
    for way in ways:
        chain = tuple(one for part in way for one in part.filters)
        np.testing.assert_allclose(chain_response(chain, AXIS), expected, rtol=1e-8)
    np.testing.assert_allclose(
        response_of(class_hypothesis(order, copies), 80.0), expected, rtol=1e-8
    )


def test_fourth_order_linkwitz_riley_twice():
    found = LowPassClass(butterworth_order=2, copies=4, corner=80.0)
    assert found.order == 8
    assert found.ways == (
        (FilterSet(family="linkwitz_riley", order=4, corner=80.0, count=2),),
        (
            FilterSet(family="linkwitz_riley", order=4, corner=80.0, count=1),
            FilterSet(family="butterworth", order=2, corner=80.0, count=2),
        ),
        (FilterSet(family="butterworth", order=2, corner=80.0, count=4),),
    )
    assert found.filters == (low("linkwitz_riley", 4),) * 2


def test_classes_hold_every_single_and_doubled_filter():
    keys = set(low_pass_classes())
    for order in range(1, 9):
        assert {(order, 1), (order, 2)} <= keys
    for order in (2, 4, 6, 8):
        assert {(order // 2, 2), (order // 2, 4)} <= keys
    assert NO_LOW_PASS in keys
    assert len(keys) == len(low_pass_classes())


def test_no_single_filter_is_beyond_48_decibels():
    assert class_ways(5, 2, 80.0) == (
        (FilterSet(family="butterworth", order=5, corner=80.0, count=2),),
    )
    assert LowPassClass(butterworth_order=1, copies=0, corner=80.0).filters == ()


def test_priors_prefer_few_filters():
    assert class_prior(2, 2) > class_prior(2, 1) > class_prior(5, 2) > class_prior(2, 3)
    assert class_prior(*NO_LOW_PASS) == class_prior(8, 1)


def test_poles_are_on_the_unit_circle_in_the_left_half():
    for order in range(1, 9):
        poles = butterworth_poles(order)
        np.testing.assert_allclose(np.abs(poles), 1.0)
        assert (poles.real < 0).all()
        _, expected, _ = scipy.signal.buttap(order)
        np.testing.assert_allclose(np.sort_complex(poles), np.sort_complex(expected), atol=1e-12)


def test_described_choices_are_tried_once_each():
    described = (
        low("linkwitz_riley", 4, where="processor"),
        CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=20.0),
        low("linkwitz_riley", 4, where="amplifier"),
        low("butterworth", 2, 120.0),
    )
    tried = [entry.positions for entry in tried_paths(described) if entry.positions is not None]
    assert tried == [(), (0,), (3,), (0, 2), (0, 3), (0, 2, 3)]
    assert equal_choices((0,), described) == ((0,), (2,))
    assert equal_choices((0, 3), described) == ((0, 3), (2, 3))
    mixed = next(e for e in tried_paths(described) if e.positions == (0, 3))
    assert mixed.key is None
    np.testing.assert_allclose(
        response_of(mixed.hypothesis, 80.0),
        chain_response((described[0], described[3]), AXIS),
        rtol=1e-9,
    )
    assert all(entry.positions is None for entry in tried_paths(()))


def test_pairs_and_coils():
    pair = tried_pairs()[1]
    lower, higher = pair.pair
    assert pair.hypothesis.higher == higher.order
    assert pair.hypothesis.poles.size == lower.order + higher.order
    single = tried_paths(())
    coils = tried_with_coil(single)
    assert len(coils) == len(single) - 1  # none for no low-pass
    assert {entry.name for entry in coils} < {entry.name for entry in single}
    assert all(entry.hypothesis.poles[-1] == -1 and entry.hypothesis.higher == 1 for entry in coils)
