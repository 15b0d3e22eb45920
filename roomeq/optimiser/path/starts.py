"""Hypotheses about a path, and where to start fitting them.

Conventions
-----------
A hypothesis is a low-pass given by the poles of its analogue prototype relative to its corner.
Every one is fitted with each order of the driver's own roll-off; the leading axis of arrays counts
these fits (B,). Parameters (P,) stand in the order corner, ratio of a second corner to it, first
and second pair of the driver (frequency, Q), delay, level, noise; all but delay and level are
logarithms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db, readonly
from roomeq.base.response import ComplexArray
from roomeq.optimiser.path.observation import Observation

__all__ = [
    "DRIVER_ORDERS",
    "FLAT_WEIGHT",
    "HIGHEST_CORNER",
    "LOWEST_CORNER",
    "FitBatch",
    "LowPassHypothesis",
    "Parameter",
    "fit_batch",
    "within_bounds",
]

DRIVER_ORDERS = (0, 2, 4)
"""None; closed box; vented box, or closed box with a protective high-pass."""


class Parameter(IntEnum):
    """Columns of the parameters."""

    CORNER = 0
    RATIO = 1
    FIRST = 2
    FIRST_Q = 3
    SECOND = 4
    SECOND_Q = 5
    DELAY = 6
    LEVEL = 7
    NOISE = 8


LOWEST_CORNER = 25.0
HIGHEST_CORNER = 300.0

_RATIO_START = 1.4
_FREE_OF_DRIVER = {
    0: (),
    2: (Parameter.FIRST, Parameter.FIRST_Q),
    4: (Parameter.FIRST, Parameter.FIRST_Q, Parameter.SECOND, Parameter.SECOND_Q),
}
_TYPICAL = np.log([80.0, 1.0, 30.0, 0.8, 30.0, 0.8, 1.0, 1.0, 1.0])
_BOUNDS = {
    Parameter.CORNER: (LOWEST_CORNER, HIGHEST_CORNER),
    Parameter.RATIO: (1.0, 8.0),
    Parameter.FIRST: (5.0, 120.0),
    Parameter.SECOND: (5.0, 120.0),
    Parameter.FIRST_Q: (0.25, 4.0),
    Parameter.SECOND_Q: (0.25, 4.0),
    Parameter.NOISE: (0.3, 3.0),
}
FLAT_WEIGHT = np.ones(len(Parameter))
"""One over the spread of a parameter, (P,), where its prior has no part in the fit."""

FLAT_WEIGHT[[Parameter.CORNER, Parameter.RATIO]] = math.sqrt(12.0) / np.log(
    [HIGHEST_CORNER / LOWEST_CORNER, 8.0]
)
_SPREAD = np.array([0.03, 1.0, 0.4, 0.4, 0.4, 0.4, 1.0, 1.0, 0.15])  # in ln; driver and noise only


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LowPassHypothesis:
    """A low-pass that may be in the path.

    Attributes
    ----------
    poles : ndarray, shape (n,), complex
        Of the analogue prototype, relative to the corner; none for no low-pass at all.
    corner : float or None
        Hz, where it is stated and fitted only within `corner_spread`; None where it is free.
    corner_spread : float
        Standard deviation of ln corner where it is stated.
    higher : int
        So many of the last poles belong to a filter with a higher corner of its own, or to the
        driver's fall at the upper end, which is fitted too.
    """

    poles: ComplexArray
    corner: float | None = None
    corner_spread: float = 0.03
    higher: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "poles", readonly(self.poles, dtype=np.complex128))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitBatch:
    """Fits that run together: sections padded to one number, starts, what is free, priors.

    A section is ``1 + damping s + s^2``, or ``1 + s``, with s relative to its own frequency, which
    is `radius` times the corner; all sections of a fit are there `copies` times.
    """

    radius: FloatArray  # (B, n); infinite where there is no section
    damping: FloatArray  # (B, n)
    square: FloatArray  # (B, n); 1 for the second order, 0 for the first
    higher: NDArray[np.bool_]  # (B, n); which have the second corner
    copies: NDArray[np.int_]  # (B,)
    start: FloatArray  # (B, P)
    free: NDArray[np.bool_]  # (B, P)
    prior: FloatArray  # (B, P)
    prior_weight: FloatArray  # (B, P); one over the spread, 0 for none
    driver_order: NDArray[np.int_]  # (B,)
    owner: NDArray[np.int_]  # (B,); which hypothesis

    def rows(self, chosen: NDArray[Any]) -> FitBatch:
        """Return some of the fits."""
        return FitBatch(**{name: getattr(self, name)[chosen] for name in self.__slots__})


def fit_batch(
    observation: Observation, hypotheses: Sequence[LowPassHypothesis], orders: Sequence[int]
) -> FitBatch:
    """Return one fit for every hypothesis and every order of the driver's roll-off."""
    low, high = observation.passband
    rows = [(index, order) for index in range(len(hypotheses)) for order in orders]
    shape = (len(rows), len(Parameter))
    sections = [_sections(hypothesis) for hypothesis in hypotheses]
    most = max(1, *(len(found) for found, _ in sections))
    radius, damping = np.full((len(rows), most), np.inf), np.zeros((len(rows), most))
    square, higher = np.zeros(damping.shape), np.zeros(damping.shape, dtype=bool)
    copies = np.ones(len(rows), dtype=np.int_)
    free, weight = np.zeros(shape, dtype=bool), np.zeros(shape)
    prior = np.tile(_TYPICAL, (len(rows), 1))
    start = np.zeros(shape)
    slow = math.log(min(max(low, 15.0), 60.0))
    for row, (index, order) in enumerate(rows):
        hypothesis = hypotheses[index]
        size = hypothesis.poles.size
        found, copies[row] = sections[index]
        for place, section in enumerate(found):
            radius[row, place], damping[row, place], square[row, place], higher[row, place] = (
                section
            )
        free[row, Parameter.RATIO] = hypothesis.higher > 0
        free[row, [Parameter.CORNER, Parameter.LEVEL]] = size > 0, True
        driver = list(_FREE_OF_DRIVER[order])
        free[row, driver] = True
        weight[row, driver] = 1.0 / _SPREAD[driver]
        beyond = np.arange(size) >= size - hypothesis.higher
        spread_poles = np.where(beyond, _RATIO_START, 1.0) * hypothesis.poles
        corner = hypothesis.corner or _corner_start(spread_poles, observation, high)
        first_q = 0.7 if order == 2 else 0.55
        start[row, Parameter.CORNER] = math.log(corner)
        start[row, Parameter.RATIO] = math.log(_RATIO_START) if hypothesis.higher else 0.0
        start[row, Parameter.FIRST : Parameter.DELAY] = (slow, math.log(first_q), slow - 0.1, 0.2)
        start[row, Parameter.LEVEL] = 1.1
        if hypothesis.corner is not None:
            prior[row, Parameter.CORNER] = math.log(hypothesis.corner)
            weight[row, Parameter.CORNER] = 1.0 / hypothesis.corner_spread
    weight[:, Parameter.NOISE] = 1.0 / _SPREAD[Parameter.NOISE]
    return FitBatch(
        radius=radius,
        damping=damping,
        square=square,
        higher=higher,
        copies=copies,
        start=start,
        free=free,
        prior=prior,
        prior_weight=weight,
        driver_order=np.array([order for _, order in rows]),
        owner=np.array([index for index, _ in rows]),
    )


def within_bounds(parameters: FloatArray) -> FloatArray:
    """Return parameters, (B, P), with those that have bounds kept within them."""
    bounded = parameters.copy()
    for column, (lowest, highest) in _BOUNDS.items():
        bounded[:, column] = np.clip(bounded[:, column], math.log(lowest), math.log(highest))
    return bounded


def _sections(hypothesis: LowPassHypothesis) -> tuple[list[tuple[float, ...]], int]:
    """Return radius, damping, order less one and second corner of each section, and the copies."""
    size = hypothesis.poles.size
    counts: dict[tuple[float, ...], int] = {}
    for index, pole in enumerate(hypothesis.poles):
        if pole.imag < -1e-9:
            continue
        squared = float(pole.imag > 1e-9)
        radius = float(abs(pole))
        damping = -2.0 * float(pole.real) / radius if squared else 1.0
        beyond = float(index >= size - hypothesis.higher)
        section = (round(radius, 9), round(damping, 12), squared, beyond)
        counts[section] = counts.get(section, 0) + 1
    if len(set(counts.values())) == 1:
        return list(counts), next(iter(counts.values()))
    return [section for section, count in counts.items() for _ in range(count)], 1


def _corner_start(poles: ComplexArray, observation: Observation, high: float) -> float:
    """Return the corner at which the low-pass is 8 dB down where the response is."""
    peak = int(np.argmax(observation.amplitude))
    fallen = np.flatnonzero(observation.amplitude[peak:] < amplitude_ratio(-8.0))
    place = observation.frequencies[peak + int(fallen[0])] if fallen.size else 2.0 * high
    ratio = np.geomspace(0.05, 8.0, 200)
    s = 1j * ratio[:, np.newaxis]
    level_db = amplitude_ratio_db(np.prod(1.0 / np.abs(1.0 - s / poles), axis=-1))
    at = float(np.interp(8.0, -level_db, ratio)) if poles.size else 1.0
    return float(np.clip(place / at, 1.05 * LOWEST_CORNER, 0.95 * HIGHEST_CORNER))
