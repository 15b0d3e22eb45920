"""What a path may consist of, and its level: low-passes, box, high-pass, and what nobody states.

Conventions
-----------
Levels in dB, frequencies in Hz. Parameters (P,) are gain in dB, noise in dB relative to its
estimate, and natural logarithms of corners and Q; each has a normal prior. Magnitudes are closed
forms: a Butterworth filter of order n is ``1 / (1 + (f / fc)^(2 n))`` in power, a resonance ``x^2 /
((1 - x)^2 + x / Q^2)`` with ``x = (f / f0)^2``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from roomeq.base.levels import FloatArray

_DECIBEL = 10.0 / math.log(10.0)
_NOISE_SPREAD_DB = 8.0


@dataclass(frozen=True, slots=True)
class Butterworth:
    """Butterworth filters of one order and corner in a row; `parameter` is where ln corner is."""

    order: int
    copies: int
    parameter: int
    sign: int = 1  # 1 for a low-pass, -1 for a high-pass


@dataclass(frozen=True, slots=True)
class Chain:
    """A path with free parameters.

    Attributes
    ----------
    filters : tuple of Butterworth
    resonances : tuple of int
        Where each resonance has ln of its frequency; ln Q follows.
    centre, spread : tuple of float
        Priors of the parameters, (P,).
    """

    filters: tuple[Butterworth, ...] = ()
    resonances: tuple[int, ...] = ()
    centre: tuple[float, ...] = field(default=(0.0, 0.0))
    spread: tuple[float, ...] = field(default=(100.0, _NOISE_SPREAD_DB))

    def with_filter(
        self,
        orders: tuple[tuple[int, int], ...],
        *,
        corner: float,
        spread: float,
        sign: int = 1,
    ) -> Chain:
        """Return the chain with filters of one corner more; `orders` are orders and copies."""
        place = len(self.centre)
        added = tuple(Butterworth(order, copies, place, sign) for order, copies in orders)
        return replace(
            self,
            filters=(*self.filters, *added),
            centre=(*self.centre, math.log(corner)),
            spread=(*self.spread, spread),
        )

    def with_resonance(self, *, corner: float, spread: float, q: float, q_spread: float) -> Chain:
        """Return the chain with a resonance of second order more, a high-pass."""
        return replace(
            self,
            resonances=(*self.resonances, len(self.centre)),
            centre=(*self.centre, math.log(corner), math.log(q)),
            spread=(*self.spread, spread, q_spread),
        )


def level_db(
    chain: Chain, parameters: FloatArray, frequencies: FloatArray, noise_db: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the level with noise, shape (F,), and its derivatives, shape (F, P)."""
    level = np.full(frequencies.size, parameters[0])
    slope = np.zeros((frequencies.size, parameters.size))
    slope[:, 0] = 1.0
    octaves = np.log(frequencies)
    if chain.filters:
        rows = [(2.0 * f.order * f.sign, f.copies * _DECIBEL, f.parameter) for f in chain.filters]
        steep, worth, places = np.array(rows).T
        into = np.zeros((len(rows), parameters.size))
        into[np.arange(len(rows)), places.astype(int)] = worth * steep
        turn = steep[:, np.newaxis] * (octaves - (into != 0.0) @ parameters[:, np.newaxis])
        turn = np.maximum(turn, -80.0)  # all filters at once
        rest = 1.0 + np.exp(-turn)
        level -= worth @ (turn + np.log(rest))
        slope += (1.0 / rest).T @ into
    for place in chain.resonances:
        x = np.exp(2.0 * (octaves - parameters[place]))
        damping = x * np.exp(-2.0 * parameters[place + 1])
        apart = 1.0 - x
        below = apart * apart + damping
        level += _DECIBEL * (2.0 * np.log(x) - np.log(below))
        slope[:, place + 1] += 2.0 * _DECIBEL * damping / below
        slope[:, place] -= 4.0 * _DECIBEL * (1.0 + (x * apart - 0.5 * damping) / below)
    floor = noise_db + parameters[1]
    with_noise = 1.0 + np.exp(np.minimum((floor - level) / _DECIBEL, 300.0))
    share = 1.0 / with_noise
    slope *= share[:, np.newaxis]
    slope[:, 1] = 1.0 - share
    return level + _DECIBEL * np.log(with_noise), slope
