"""Low-passes that cannot be told apart: classes of filters with one response.

Conventions
-----------
A class is a number of Butterworth low-passes of one order in a row, at one corner in Hz. A
fourth-order Linkwitz-Riley filter is exactly two second-order Butterworth ones, so that both are
the class (2, 2), and no measurement tells them apart; only a description of the path does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from roomeq.base.response import ComplexArray
from roomeq.device.crossover import HIGHEST_ORDER, CrossoverFilter, FilterFamily
from roomeq.device.path import same_response
from roomeq.optimiser.path.starts import LowPassHypothesis

__all__ = [
    "NO_LOW_PASS",
    "FilterSet",
    "LowPassClass",
    "TriedPath",
    "butterworth_poles",
    "class_hypothesis",
    "class_prior",
    "class_ways",
    "equal_choices",
    "low_pass_classes",
    "tried_pairs",
    "tried_paths",
    "tried_with_coil",
]

_COUNT_PRIOR = {1: 1.0, 2: 0.5}
_MIXED_PRIOR = 0.1
_MANY_PRIOR = 0.02
_PAIR_PRIOR = 0.02
_COIL_PRIOR = 0.3
NO_LOW_PASS = (1, 0)
"""Key of the class without any low-pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterSet:
    """The same low-pass once or several times in a row.

    Attributes
    ----------
    family : {"butterworth", "linkwitz_riley"}
    order : int
        Of one of them.
    corner : float
        Hz.
    count : int
    """

    family: FilterFamily
    order: int
    corner: float
    count: int

    @property
    def filters(self) -> tuple[CrossoverFilter, ...]:
        """The filters one by one."""
        one = CrossoverFilter(
            kind="low_pass", family=self.family, order=self.order, corner=self.corner
        )
        return (one,) * self.count


@dataclass(frozen=True, slots=True, kw_only=True)
class LowPassClass:
    """Low-passes with one and the same response.

    Attributes
    ----------
    butterworth_order, copies : int
        The response is that of so many Butterworth low-passes of that order in a row; no copies
        are no low-pass.
    corner : float
        Hz.
    """

    butterworth_order: int
    copies: int
    corner: float

    @property
    def order(self) -> int:
        """Order of the whole: 6 dB per octave each."""
        return self.butterworth_order * self.copies

    @property
    def ways(self) -> tuple[tuple[FilterSet, ...], ...]:
        """All sets of filters that give it; the fewest filters first, none for no low-pass."""
        return class_ways(self.butterworth_order, self.copies, self.corner)

    @property
    def filters(self) -> tuple[CrossoverFilter, ...]:
        """The filters of the first way."""
        return tuple(one for part in self.ways[0] for one in part.filters) if self.copies else ()


def class_ways(
    butterworth_order: int, copies: int, corner: float
) -> tuple[tuple[FilterSet, ...], ...]:
    """Return every set of single filters up to 48 dB per octave that gives a class."""
    pairs = copies // 2 if 2 * butterworth_order <= HIGHEST_ORDER else 0
    ways = []
    for count in range(pairs, -1, -1):
        parts: list[FilterSet] = []
        if count:
            parts.append(_set("linkwitz_riley", 2 * butterworth_order, corner, count))
        if copies > 2 * count:
            parts.append(_set("butterworth", butterworth_order, corner, copies - 2 * count))
        if parts:
            ways.append(tuple(parts))
    return tuple(ways)


def _set(family: FilterFamily, order: int, corner: float, count: int) -> FilterSet:
    return FilterSet(family=family, order=order, corner=corner, count=count)


_PAIRED = (
    *(_set("butterworth", order, 1.0, 1) for order in (2, 3, 4)),
    *(_set("linkwitz_riley", order, 1.0, 1) for order in (2, 4, 8)),
)


def low_pass_classes() -> tuple[tuple[int, int], ...]:
    """Return order and copies of every class that is looked for, that of no low-pass first.

    One filter of 6 to 48 dB per octave, the same one twice, or a Linkwitz-Riley filter together
    with the Butterworth filter that it is made of.
    """
    keys = [NO_LOW_PASS]
    for order in range(1, HIGHEST_ORDER + 1):
        highest = 4 if 2 * order <= HIGHEST_ORDER else 2
        keys += [(order, copies) for copies in range(1, highest + 1)]
    return tuple(keys)


def class_prior(butterworth_order: int, copies: int) -> float:
    """Return how likely a class is before it is measured, not normalised.

    Summed over the ways to get it: a single filter 1, the same one twice 0.5, two different ones
    0.1, three or four 0.02; no low-pass counts as a single filter. Common practice, no source.
    """
    if copies == 0:
        return 1.0
    total = 0.0
    for way in class_ways(butterworth_order, copies, 1.0):
        count = sum(part.count for part in way)
        if len(way) == 1:
            total += _COUNT_PRIOR.get(count, _MANY_PRIOR)
        else:
            total += _MIXED_PRIOR if count == 2 else _MANY_PRIOR
    return total


def butterworth_poles(order: int) -> ComplexArray:
    """Return the poles of the normalised Butterworth low-pass, shape (order,)."""
    angles = math.pi * (2 * np.arange(order) + order + 1) / (2 * order)
    return np.asarray(np.exp(1j * angles))


def class_hypothesis(butterworth_order: int, copies: int) -> LowPassHypothesis:
    """Return a class with a free corner, to be fitted."""
    return LowPassHypothesis(poles=np.tile(butterworth_poles(butterworth_order), copies))


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedPath:
    """A hypothesis with what it stands for.

    Attributes
    ----------
    hypothesis : LowPassHypothesis
    prior : float
        How likely it was before, not normalised.
    key : tuple of (int, int) or None
        Order and copies of its class; None for described filters of differing order or corner.
    positions : tuple of int or None
        Positions of the described filters in it; None for a class with a free corner.
    pair : tuple of FilterSet
        Two filters of differing corner, the lower one first; their corners are to be fitted.
    """

    hypothesis: LowPassHypothesis
    prior: float
    key: tuple[int, int] | None
    positions: tuple[int, ...] | None
    pair: tuple[FilterSet, ...] = ()

    @property
    def name(self) -> tuple[object, ...]:
        """What it stands for, however the driver falls: equal ones are one candidate."""
        return (self.key, self.positions, self.pair)


def tried_paths(described: tuple[CrossoverFilter, ...]) -> list[TriedPath]:
    """Return every class, and every choice of described low-passes that differs from the others."""
    tried = [
        TriedPath(
            hypothesis=class_hypothesis(*key), prior=class_prior(*key), key=key, positions=None
        )
        for key in low_pass_classes()
    ]
    low = [index for index, entry in enumerate(described) if entry.kind == "low_pass"]
    for count in range(len(low) + 1):
        for positions in combinations(low, count):
            chosen = tuple(described[index] for index in positions)
            known = [entry.positions for entry in tried if entry.positions is not None]
            if low and not any(
                same_response(chosen, tuple(described[i] for i in other)) for other in known
            ):
                tried.append(_described_hypothesis(chosen, positions))
    return tried


def tried_pairs() -> list[TriedPath]:
    """Return the pairs of low-passes with two corners that are looked for if no class fits.

    Butterworth of 12 to 24, Linkwitz-Riley of 12, 24 and 48 dB per octave, in both orders.
    """
    return [
        TriedPath(
            hypothesis=LowPassHypothesis(
                poles=np.concatenate([_poles_of(lower), _poles_of(higher)]),
                higher=higher.order,
            ),
            prior=_PAIR_PRIOR,
            key=None,
            positions=None,
            pair=(lower, higher),
        )
        for lower in _PAIRED
        for higher in _PAIRED
    ]


def tried_with_coil(tried: list[TriedPath]) -> list[TriedPath]:
    """Return the same once more, with a driver whose voice coil takes away 6 dB per octave above.

    The coil's inductance makes the upper end of a subwoofer fall; it belongs to the driver, not to
    the filters, and would else pass for one more low-pass.
    """
    return [
        replace(
            entry,
            hypothesis=replace(
                entry.hypothesis,
                poles=np.append(entry.hypothesis.poles, -1.0 + 0j),
                higher=1,
            ),
            prior=_COIL_PRIOR * entry.prior,
        )
        for entry in tried
        if entry.hypothesis.poles.size
    ]


def _poles_of(one: FilterSet) -> ComplexArray:
    orders = one.filters[0].butterworth_orders
    return np.concatenate([butterworth_poles(order) for order in orders])


def _described_hypothesis(
    chosen: tuple[CrossoverFilter, ...], positions: tuple[int, ...]
) -> TriedPath:
    lowest = min((entry.corner for entry in chosen), default=0.0)
    poles = [
        butterworth_poles(order) * (entry.corner / lowest)
        for entry in chosen
        for order in entry.butterworth_orders
    ]
    hypothesis = LowPassHypothesis(
        poles=np.concatenate([np.zeros(0, dtype=np.complex128), *poles]),
        corner=lowest if chosen else None,
    )
    kinds = {(order, entry.corner) for entry in chosen for order in entry.butterworth_orders}
    copies = sum(len(entry.butterworth_orders) for entry in chosen)
    key = (next(iter(kinds))[0], copies) if len(kinds) == 1 else None
    return TriedPath(hypothesis=hypothesis, prior=1.0, key=key, positions=positions)


def equal_choices(
    positions: tuple[int, ...], described: tuple[CrossoverFilter, ...]
) -> tuple[tuple[int, ...], ...]:
    """Return every choice of described low-passes with the same response; the fewest first."""
    low = [index for index, entry in enumerate(described) if entry.kind == "low_pass"]
    chosen = tuple(described[index] for index in positions)
    return tuple(
        other
        for count in range(len(low) + 1)
        for other in combinations(low, count)
        if same_response(tuple(described[i] for i in other), chosen)
    )
