"""Which low-passes, boxes and high-passes are tried, and how likely each is before it is measured.

Conventions
-----------
A class is a number of Butterworth filters of one order in a row, at one corner in Hz: what has the
same response is one class. A fourth-order Linkwitz-Riley filter is exactly two second-order
Butterworth ones (Linkwitz, JAES 24(1), 1976), and no measurement tells them apart; only a
description of the path does. Priors are not normalised, and are common practice without a source.

What a path may consist of, and its level: low-passes, box, high-pass, and what nobody states.

Levels in dB, frequencies in Hz. Parameters (P,) are gain in dB, noise in dB relative to its
estimate, and natural logarithms of corners and Q; each has a normal prior. Magnitudes are closed
forms: a Butterworth filter of order n is ``1 / (1 + (f / fc)^(2 n))`` in power, a resonance ``x^2 /
((1 - x)^2 + x / Q^2)`` with ``x = (f / f0)^2``.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.device.crossover import HIGHEST_ORDER, CrossoverFilter, FilterFamily, FilterKind
from roomeq.device.path import same_response

_DECIBEL = 10.0 / math.log(10.0)
_GAIN_SPREAD_DB, _NOISE_SPREAD_DB = 100.0, 8.0
_FAR, _LOUD = 500.0, 300.0  # logarithms of powers that are told from infinitely many


@dataclass(frozen=True, slots=True)
class Part:
    """Part of a path with a corner of its own: Butterworth filters in a row, or a resonance.

    Attributes
    ----------
    orders : tuple of (int, int)
        Orders of the filters, and how many there are of each; none for a resonance of second
        order, a high-pass.
    corner, spread : float
        What is expected of the corner in Hz, and the spread of its logarithm.
    high : bool
        Whether the filters are high-passes.
    q, q_spread : float
        The same of a resonance's Q.
    """

    orders: tuple[tuple[int, int], ...]
    corner: float
    spread: float
    high: bool = False
    q: float = 1.0
    q_spread: float = 1.0


Chain = tuple[Part, ...]
"""A path. Its parameters are gain, noise, and of each part ln corner, of a resonance also ln Q."""


def priors(chain: Chain) -> tuple[FloatArray, FloatArray]:
    """Return centres and spreads of the parameters of a chain, both (P,)."""
    pairs = [(0.0, _GAIN_SPREAD_DB), (0.0, _NOISE_SPREAD_DB)]
    for part in chain:
        pairs.append((math.log(part.corner), part.spread))
        if not part.orders:
            pairs.append((math.log(part.q), part.q_spread))
    centre, spread = np.array(pairs).T
    return centre, spread


Levels = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""From parameters to the level with noise, shape (F,), and its derivatives, shape (F, P)."""


def levels_of(chain: Chain, frequencies: FloatArray, noise_db: FloatArray) -> Levels:
    """Return the levels of a chain as a function of its parameters, all parts at once."""
    filters, resonances, place = [], [], 2
    for part in chain:
        turn = -2.0 if part.high else 2.0
        filters += [(place, turn * order, copies) for order, copies in part.orders]
        resonances += [] if part.orders else [place]
        place += 1 if part.orders else 2
    at, steep, copies = np.array(filters).reshape(-1, 3).T
    corners, turns = at.astype(int), np.add.outer((0, 1), np.array(resonances, dtype=int))
    every = np.repeat(np.arange(len(filters)), copies.astype(int))
    axes = np.exp(-steep[:, np.newaxis] * np.log(frequencies))
    squares, noise = frequencies**2, np.exp(noise_db / _DECIBEL)
    # Derivatives are sums of rows: one for each filter, two for each resonance, and ones.
    first, second = len(filters), len(filters) + len(resonances)
    rows = np.ones((second + len(resonances) + 1, frequencies.size))
    sums = np.zeros((place, len(rows)))
    sums[0, -1] = 1.0
    sums[corners, range(first)] = copies * _DECIBEL * steep
    sums[turns[0], range(first, second)] = sums[turns[0], -1] = -4.0 * _DECIBEL
    sums[turns[1], range(second, len(rows) - 1)] = 2.0 * _DECIBEL

    def levels(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        ratio = axes * np.exp(np.minimum(steep * parameters[corners], _FAR))[:, np.newaxis]
        rest = np.divide(1.0, 1.0 + ratio, out=rows[:first])
        power = np.multiply.reduce((ratio * rest).take(every, axis=0))
        centre, damped = np.exp(-2.0 * parameters[turns])[:, :, np.newaxis]
        x = squares * centre
        damping = x * damped
        apart = 1.0 - x
        below = apart * apart + damping
        np.divide(x * apart - 0.5 * damping, below, out=rows[first:second])
        np.divide(damping, below, out=rows[second:-1])
        power *= np.multiply.reduce(x * x / below)
        above = (parameters[1] - parameters[0]) / _DECIBEL
        both = power + noise * math.exp(min(max(above, -_LOUD), _LOUD))
        share = power / both
        slopes = sums @ (rows * share)
        slopes[1] = 1.0 - share
        return parameters[0] + _DECIBEL * np.log(both), slopes.T

    return levels


_USUAL_CORNER, _CORNER_SPREAD = 80.0, 0.6
_STATED_SPREAD = 0.04
_SINGLE: dict[tuple[FilterFamily, int], float] = {
    **{("butterworth", order): 0.2 for order in (1, 2, 3, 4, 8)},
    **{("butterworth", order): 0.01 for order in (5, 6, 7)},
    **{("linkwitz_riley", order): 0.2 for order in (2, 4, 8)},
    ("linkwitz_riley", 6): 0.01,
}
_NONE, _TWICE, _PAIR = 0.25, 0.3, 0.2
_DESCRIBED, _OTHER_CHOICE = 4.0, 0.4
_ABOVE_LIMIT = 1.2  # a box's corner over where it is 6 dB down: 1.15 vented, 1.3 closed
_PAIRED = [kind for kind, chance in _SINGLE.items() if chance > 0.1]


@dataclass(frozen=True, slots=True)
class Tried:
    """What may be engaged at one end of a path, and how likely it was before.

    Attributes
    ----------
    chain : Chain
        Low-passes, the lower corner first; or a low end: box, perhaps a protective high-pass, and
        what nobody states, to be fitted along.
    prior : float
    whole : bool
        Whether they are all the low-passes that are described.
    high_pass : Part or None
        The protective one of a low end, its last part; None for none.
    """

    chain: Chain
    prior: float
    whole: bool = False
    high_pass: Part | None = None


def class_ways(
    order: int, copies: int, corner: float, kind: FilterKind = "low_pass"
) -> tuple[tuple[CrossoverFilter, ...], ...]:
    """Return every set of filters up to 48 dB per octave with one response, the fewest first."""
    one = CrossoverFilter(kind=kind, family="butterworth", order=order, corner=corner)
    if 2 * order > HIGHEST_ORDER:
        return ((one,) * copies,)
    two = replace(one, family="linkwitz_riley", order=2 * order)
    pairs = range(copies // 2, -1, -1)
    return tuple((two,) * count + (one,) * (copies - 2 * count) for count in pairs)


def tried_low_passes(described: tuple[CrossoverFilter, ...], *, pairs: bool) -> list[Tried]:
    """Return none, every single filter, the same one twice, and what is described.

    With `pairs` also two of the usual ones with corners of their own.
    """
    classes: dict[tuple[int, int], float] = defaultdict(float)
    for (family, order), chance in _SINGLE.items():
        half, copies = _class(family, order)
        classes[half, copies] += chance
        classes[half, 2 * copies] += _TWICE * chance
    tried = [Tried((), _NONE)]
    for key, chance in classes.items():
        tried.append(Tried((Part((key,), _USUAL_CORNER, _CORNER_SPREAD),), chance))
    every = list(product(_PAIRED, repeat=2)) if pairs else []
    for lower, higher in every:
        chain = (Part((_class(*lower),), 70.0, 0.5), Part((_class(*higher),), 120.0, 0.5))
        tried.append(Tried(chain, _PAIR / len(every)))
    return tried + _tried_described(described)


def _class(family: FilterFamily, order: int) -> tuple[int, int]:
    """Return the order of the Butterworth filters that a filter consists of, and their number."""
    return (order, 1) if family == "butterworth" else (order // 2, 2)


def _tried_described(described: tuple[CrossoverFilter, ...]) -> list[Tried]:
    """Return every choice of described low-passes that differs from the others; none is there."""
    known: list[tuple[CrossoverFilter, ...]] = [()]
    for count in range(len(described), 0, -1):
        for chosen in combinations(described, count):
            if not any(same_response(chosen, other) for other in known):
                known.append(chosen)
    return [
        Tried(
            tuple(Part(orders, at, _STATED_SPREAD) for at, orders in _orders(chosen).items()),
            _DESCRIBED if len(chosen) == len(described) else _OTHER_CHOICE,
            whole=len(chosen) == len(described),
        )
        for chosen in known[1:]
    ]


def _orders(
    filters: tuple[CrossoverFilter, ...] | list[CrossoverFilter],
) -> dict[float, tuple[tuple[int, int], ...]]:
    """Return Butterworth orders with copies by corner, the lowest first."""
    found: dict[float, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for one in filters:
        for order in one.butterworth_orders:
            found[one.corner][order] += 1
    return {corner: tuple(found[corner].items()) for corner in sorted(found)}


def tried_low_ends(
    described: tuple[CrossoverFilter, ...], *, box: bool, told: bool, limit: float | None
) -> list[Tried]:
    """Return closed box, vented box and one with a capacitor, each with and without a high-pass.

    A coil or an amplifier that falls at the top and a coupling or a microphone that falls at the
    bottom, of first order each, are in all of them. Without `box` (electrical) there is
    none of that; unless a high-pass is to be `told` there is none in any of them.
    """
    boxes: dict[Chain, float] = {(): 1.0}
    if box:
        first = ((1, 1),)
        bare = (Part(first, 900.0, 0.8), Part(first, 4.0, 0.7, high=True))
        at, spread = (30.0, 0.45) if limit is None else (_ABOVE_LIMIT * limit, 0.3)
        closed = (*bare, Part((), at, spread, q=0.75, q_spread=0.4))
        capacitor = (*closed, Part(first, at, spread, high=True))
        vented = (
            Part((), at, spread, q=0.55, q_spread=0.2),
            Part((), at, spread, q=1.2, q_spread=0.3),
        )
        boxes = {closed: 0.5, (*bare, *vented): 0.4, capacitor: 0.1}
    high: dict[Part | None, float] = {None: 1.0}
    free = {(2, 1): 0.2, (3, 1): 0.02, (4, 1): 0.15, (2, 2): 0.08} if told else {}
    for key, chance in free.items():
        high[Part((key,), 22.0, 0.35, high=True)] = chance
    if told:
        for corner, orders in _orders(described).items():
            high[Part(orders, corner, _STATED_SPREAD, high=True)] = _DESCRIBED
    return [
        Tried(chain if one is None else (*chain, one), chance * other, high_pass=one)
        for (chain, chance), (one, other) in product(boxes.items(), high.items())
    ]
