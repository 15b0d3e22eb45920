"""Low-pass and high-pass filters of a subwoofer's path.

Conventions
-----------
Analogue prototypes, ``exp(+j omega t)``: a low-pass has falling phase. Corner frequencies in Hz: a
Butterworth filter is 3 dB down at its corner, a Linkwitz-Riley filter 6 dB. The order counts the
whole filter: 4 is 24 dB per octave.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from roomeq.response import ComplexArray

__all__ = ["CrossoverFilter", "FilterFamily", "FilterKind", "chain_response"]

FilterFamily = Literal["butterworth", "linkwitz_riley"]
FilterKind = Literal["low_pass", "high_pass"]


def _butterworth(s: ComplexArray, order: int) -> ComplexArray:
    """Return the normalised Butterworth low-pass at `s`."""
    result = np.ones_like(s)
    for k in range(order):
        angle = math.pi * (2 * k + order + 1) / (2 * order)
        result = result / (s - complex(math.cos(angle), math.sin(angle)))
    return result


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossoverFilter:
    """One filter.

    Attributes
    ----------
    kind : {"low_pass", "high_pass"}
    family : {"butterworth", "linkwitz_riley"}
        A Linkwitz-Riley filter is two Butterworth filters of half the order in a row.
    order : int
        1 to 8; even for Linkwitz-Riley.
    corner : float
        Hz.
    where : str
        Where in the path it sits, in the user's words.

    Raises
    ------
    ValueError
        If a value is not one of these.
    """

    kind: FilterKind
    family: FilterFamily
    order: int
    corner: float
    where: str = ""

    def __post_init__(self) -> None:
        if self.kind not in get_args(FilterKind):
            raise ValueError(f"kind is one of {get_args(FilterKind)}, got {self.kind!r}")
        if self.family not in get_args(FilterFamily):
            raise ValueError(f"family is one of {get_args(FilterFamily)}, got {self.family!r}")
        if not 1 <= self.order <= 8:
            raise ValueError(f"order is 1 to 8, got {self.order!r}")
        if self.family == "linkwitz_riley" and self.order % 2:
            raise ValueError(f"a Linkwitz-Riley filter has an even order, got {self.order}")
        if not (math.isfinite(self.corner) and self.corner > 0):
            raise ValueError(f"a corner must be finite and positive, got {self.corner!r}")

    def response(self, frequencies: ArrayLike) -> ComplexArray:
        """Return the complex amplitude ratio, shape (F,)."""
        ratio = np.asarray(frequencies, dtype=np.float64) / self.corner
        s = np.asarray(1j * ratio if self.kind == "low_pass" else -1j / ratio)
        if self.family == "butterworth":
            return _butterworth(s, self.order)
        return _butterworth(s, self.order // 2) ** 2

    def __str__(self) -> str:
        family = {"butterworth": "Butterworth", "linkwitz_riley": "Linkwitz-Riley"}[self.family]
        kind = self.kind.replace("_", "-")
        where = f" in the {self.where}" if self.where else ""
        return f"{kind} {family} {6 * self.order} dB/oct at {self.corner:g} Hz{where}"


def chain_response(filters: tuple[CrossoverFilter, ...], frequencies: ArrayLike) -> ComplexArray:
    """Return the product of several filters' responses, shape (F,); 1 for none."""
    result = np.ones(np.shape(frequencies), dtype=np.complex128)
    for one in filters:
        result = result * one.response(frequencies)
    return result
