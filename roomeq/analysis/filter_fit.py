"""Which low-pass or high-pass a device has on, from a response with it and one without.

Conventions
-----------
As in `roomeq.analysis.device_fit`. Filters are Butterworth ones of order 1 to 8 and Linkwitz-Riley
ones of 2 to 8; corners in Hz.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roomeq.analysis.device_fit import (
    Estimate,
    MovedResponse,
    correlated,
    is_misfit,
    point_weights,
)
from roomeq.base.levels import FloatArray, amplitude_ratio_db
from roomeq.device.crossover import CrossoverFilter, FilterKind

FURTHEST_CORNER = 0.7
"""How far a corner is looked for from where it is called, in ln f: an octave."""
STANDS = 9.0
"""Twice the log-likelihood by which another kind of filter must be worse to be ruled out."""
_FILTERS = [("butterworth", n) for n in range(1, 9)] + [("linkwitz_riley", n) for n in (2, 4, 6, 8)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedFilter:
    """A low-pass or a high-pass.

    Attributes
    ----------
    filters : tuple of CrossoverFilter
        The likeliest first, and those that cannot be told from it.
    corner : Estimate
        Of the likeliest.
    misfit : bool
        Whether none describes the response.
    """

    filters: tuple[CrossoverFilter, ...]
    corner: Estimate
    misfit: bool


def fit_filter(one: MovedResponse, *, kind: FilterKind, mark: float) -> FittedFilter:
    """Fit family, order and corner of a filter that is on in one response and off in the other.

    Parameters
    ----------
    one : MovedResponse
    kind : {"low_pass", "high_pass"}
    mark : float
        Corner in Hz as the device calls it; searched from half to twice that.
    """
    weights = one.noise**-0.5  # a filter goes down into the noise
    for _ in range(2):
        ranked = sorted(
            (_one_filter(one, kind, family, order, mark, weights) for family, order in _FILTERS),
            key=lambda entry: entry.squares,
        )
        used, weights = weights, point_weights(ranked[0].left_db, one)
    best = ranked[0]
    rows = best.left_db * used
    spread = correlated(float(rows[1:] @ rows[:-1]), best.squares)
    worse = [rows.size * math.log(entry.squares / best.squares) / spread for entry in ranked]
    error = math.sqrt(best.squares / rows.size * spread / best.curvature)
    return FittedFilter(
        filters=tuple(e.filter for e, much in zip(ranked, worse, strict=True) if much < STANDS),
        corner=Estimate(value=best.filter.corner, error=error),
        misfit=is_misfit(one, best.left_db, used),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _TriedFilter:
    filter: CrossoverFilter
    left_db: FloatArray
    squares: float
    curvature: float


def _one_filter(
    one: MovedResponse, kind: FilterKind, family: str, order: int, mark: float, weights: FloatArray
) -> _TriedFilter:
    """Fit the corner of one kind of filter."""
    from scipy.optimize import least_squares

    def made(values: FloatArray) -> CrossoverFilter:
        corner = mark * math.exp(float(values[0]))
        return CrossoverFilter(kind=kind, family=family, order=order, corner=corner)  # type: ignore[arg-type]

    def left(values: FloatArray) -> FloatArray:
        return one.ratio_db - amplitude_ratio_db(made(values).response(one.frequencies))

    def weighted(values: FloatArray) -> FloatArray:
        return left(values) * weights

    solved = least_squares(weighted, [0.0], bounds=(-FURTHEST_CORNER, FURTHEST_CORNER))
    return _TriedFilter(
        filter=made(solved.x),
        left_db=left(solved.x),
        squares=2.0 * float(solved.cost) + 1e-9,
        curvature=float(np.sum(np.asarray(solved.jac) ** 2)) + 1e-12,
    )
