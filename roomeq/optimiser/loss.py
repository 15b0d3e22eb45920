"""The loss: an excess counts more than a shortfall, and a deep shortfall counts linearly.

Conventions
-----------
Errors are level minus target in dB: positive is an excess. For an error e, excess weight r, trust a
and tail start d the loss is ``r e**2`` for an excess, ``a e**2`` for a shortfall down to d, and
``a d (2 |e| - d)`` beyond (the tangent continued). r = 1, a = 1, d = inf is plain least squares.

Peaks are more audible than dips: R. Bücklein, "The audibility of frequency response
irregularities", J. Audio Eng. Soc. 29 (1981) 126-131; F. E. Toole and S. E. Olive, "The
modification of timbre by resonances", J. Audio Eng. Soc. 36 (1988) 122-142. The numbers r = 2 and
d = 6 dB are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roomeq.levels import FloatArray, readonly

__all__ = ["FrequencyLoss", "Loss"]

_FARTHEST_TAIL_DB = 1e4  # a tail that starts beyond it is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """Parameters of the loss.

    Parameters
    ----------
    excess_weight : float
        Weight r of a squared excess; a shortfall has weight 1 times its trust. At least 1.
    tail_start_db : float
        Shortfall d from which the loss grows linearly; positive, may be infinite.

    Raises
    ------
    ValueError
        If a parameter is out of range.
    """

    excess_weight: float = 2.0
    tail_start_db: float = 6.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.excess_weight) and self.excess_weight >= 1.0):
            raise ValueError(
                f"excess_weight must be finite and at least 1, got {self.excess_weight}"
            )
        if not self.tail_start_db > 0.0:
            raise ValueError(f"tail_start_db must be positive, got {self.tail_start_db}")

    def value(self, error_db: ArrayLike, *, trust: ArrayLike = 1.0) -> FloatArray:
        """Return the loss of errors, in dB squared."""
        error = np.asarray(error_db, dtype=np.float64)
        excess = np.maximum(error, 0.0)
        shortfall = np.maximum(-error, 0.0)
        squared = np.minimum(shortfall, self.tail_start_db)
        # d (2|e| - d) beyond the start of the tail equals q (2|e| - q) with q = min(|e|, d).
        below = np.asarray(trust) * squared * (2.0 * shortfall - squared)
        return np.asarray(self.excess_weight * excess**2 + below)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrequencyLoss:
    """The loss of all seats at each frequency, as a function of a common offset x.

    At frequency f it is ``sum_s weight[s, f] phi(error[s, f] + x)``: convex and piecewise quadratic
    with at most two breakpoints a seat. Built once, its cost no longer depends on the seats.

    Attributes
    ----------
    breakpoints : ndarray, shape (F * P,)
        Breakpoints of all frequencies in one increasing list: frequency number times `stride` plus
        the breakpoint.
    second, first, zeroth : ndarray, shape (F * (P + 1),)
        Coefficients of each piece, of each frequency in turn.
    stride : float
        Wider than twice the largest offset that is told apart.
    pieces : int
        Pieces of each frequency, P + 1.
    """

    breakpoints: FloatArray
    second: FloatArray
    first: FloatArray
    zeroth: FloatArray
    stride: float
    pieces: int

    @classmethod
    def from_seats(
        cls, *, error_db: FloatArray, weights: FloatArray, trust: FloatArray, loss: Loss
    ) -> FrequencyLoss:
        """Fold the seats; all arrays have shape (S, F)."""
        tail = loss.tail_start_db
        crossings = [-error_db]
        if tail < _FARTHEST_TAIL_DB:
            crossings.append(-error_db - tail)
        points = np.sort(np.concatenate(crossings, axis=0), axis=0)
        # One offset inside each piece tells which branch of the loss each seat is in there.
        edges = np.concatenate([points[:1] - 2.0, points, points[-1:] + 2.0])
        reached = error_db[:, None] + 0.5 * (edges[:-1] + edges[1:])
        excess, deep = reached > 0.0, reached < -tail
        if tail >= _FARTHEST_TAIL_DB:
            deep = np.zeros_like(excess)
        share = np.where(excess, loss.excess_weight, trust[:, None]) * weights[:, None]
        squared, linear = np.where(deep, 0.0, share), np.where(deep, share, 0.0)
        error = error_db[:, None]
        depth = tail if tail < _FARTHEST_TAIL_DB else 0.0
        second = squared.sum(axis=0)
        first = (2.0 * squared * error - 2.0 * depth * linear).sum(axis=0)
        zeroth = (squared * error**2 - depth * linear * (2.0 * error + depth)).sum(axis=0)
        stride = 8.0 * (float(np.max(np.abs(points))) + 100.0)
        starts = stride * np.arange(error_db.shape[1])
        return cls(
            breakpoints=readonly((points + starts).T.ravel()),
            second=readonly(second.T.ravel()),
            first=readonly(first.T.ravel()),
            zeroth=readonly(zeroth.T.ravel()),
            stride=stride,
            pieces=points.shape[0] + 1,
        )

    def _piece(self, offsets_db: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
        numbers = np.arange(offsets_db.shape[-1])
        limited = np.clip(offsets_db, -0.4 * self.stride, 0.4 * self.stride)
        found = np.searchsorted(self.breakpoints, limited + self.stride * numbers)
        return np.asarray(found + numbers)

    def value(self, offsets_db: FloatArray) -> FloatArray:
        """Return the loss at each frequency, shape (..., F)."""
        piece = self._piece(offsets_db)
        value = (self.second[piece] * offsets_db + self.first[piece]) * offsets_db
        # Where all seats are met exactly, rounding could leave a trace below 0.
        return np.maximum(value + self.zeroth[piece], 0.0)

    def expansion(self, offsets_db: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return value, slope and curvature (second derivative) at each frequency, (..., F)."""
        piece = self._piece(offsets_db)
        second, first = self.second[piece], self.first[piece]
        half = second * offsets_db
        value = (half + first) * offsets_db + self.zeroth[piece]
        return np.maximum(value, 0.0), 2.0 * half + first, 2.0 * second
