"""The loss: an excess counts more than a shortfall, and an excused shortfall not at all.

Conventions
-----------
Errors are level minus target in dB: positive is an excess. Two errors go with each frequency: `d`,
by which an excess is judged, and ``z >= d``, by which a shortfall is, after what the subwoofer's
roll-off or a cancellation excuses has been taken off (`roomeq.optimiser.bands.fit_data`). With an
offset x the loss is ``r max(d + x, 0)**2 + max(-(z + x), 0)**2``; r = 1 and z = d is plain least
squares.

Peaks are more audible than dips: R. Bücklein, "The audibility of frequency response
irregularities", J. Audio Eng. Soc. 29 (1981) 126-131; F. E. Toole and S. E. Olive, "The
modification of timbre by resonances", J. Audio Eng. Soc. 36 (1988) 122-142. The number r = 2 is
common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, readonly

MEAN_CUT_WEIGHT = 0.01
"""Weight of the squared mean response where that is a cut, so that cutting everything is not free.

Without it a boom over a ripple cut every band, the mean down to -15 dB; with it 6 dB. Common
practice, no source.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """Parameters of the loss.

    Parameters
    ----------
    excess_weight : float
        Weight r of a squared excess; a shortfall has weight 1. At least 1.

    Raises
    ------
    ValueError
        If the weight is out of range.
    """

    excess_weight: float = 2.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.excess_weight) and self.excess_weight >= 1.0):
            raise ValueError(
                f"excess_weight must be finite and at least 1, got {self.excess_weight}"
            )

    def least(self, mean_error_db: float) -> float:
        """Return the loss that no shape can fall below: its mean is 0, so the mean error stays.

        ``sum w max(d + x, 0)**2 >= (sum w (d + x))**2`` where that mean is positive (Jensen).
        """
        return self.excess_weight * max(mean_error_db, 0.0) ** 2

    def value(self, error_db: ArrayLike, shortfall_db: ArrayLike | None = None) -> FloatArray:
        """Return the loss of errors in dB squared.

        Parameters
        ----------
        error_db : array_like, shape (..., F)
            Error d, in dB.
        shortfall_db : array_like, optional
            Error z by which a shortfall is judged; d by default.
        """
        excess = np.asarray(error_db, dtype=np.float64)
        short = excess if shortfall_db is None else np.asarray(shortfall_db, dtype=np.float64)
        over, under = np.maximum(excess, 0.0), np.minimum(short, 0.0)
        over *= over
        over *= self.excess_weight
        under *= under
        return np.asarray(over + under)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrequencyLoss:
    """The loss at each frequency as a function of an offset x: convex, two breakpoints each.

    Attributes
    ----------
    error_db, shortfall_db : ndarray, shape (F,)
        d and z of the module.
    excess_weights, shortfall_weights : ndarray, shape (F,)
        What a squared excess and a squared shortfall count.
    least : ndarray, shape (F,)
        Taken off the loss: what no offset of the same mean can mend.
    """

    error_db: FloatArray
    shortfall_db: FloatArray
    excess_weights: FloatArray
    shortfall_weights: FloatArray
    least: FloatArray

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            object.__setattr__(self, name, readonly(getattr(self, name)))

    def value(self, offsets_db: FloatArray) -> FloatArray:
        """Return the loss at each frequency, shape (..., F)."""
        over = np.maximum(offsets_db + self.error_db, 0.0)
        short = np.minimum(offsets_db + self.shortfall_db, 0.0)
        return np.asarray(
            self.excess_weights * over * over + self.shortfall_weights * short * short - self.least
        )

    def expansion(self, offsets_db: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return value, slope and curvature (second derivative) at each frequency, (..., F)."""
        over = np.maximum(offsets_db + self.error_db, 0.0)
        short = np.minimum(offsets_db + self.shortfall_db, 0.0)
        first, second = self.excess_weights * over, self.shortfall_weights * short
        curvature = 2.0 * (
            self.excess_weights * (over > 0.0) + self.shortfall_weights * (short < 0.0)
        )
        return first * over + second * short - self.least, 2.0 * (first + second), curvature
