"""Responses of the bands of one equaliser at any gain, from tables at the gains on offer.

Conventions
-----------
Between two gains the complex logarithm of a response, and its level at the limit frequencies, run
straight over the gain in dB; natural logarithms. Bands with fewer gains than others are padded with
what their last gain does.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.optimiser.several.task import BandSet, IntArray

NEPERS_PER_DB = math.log(10.0) / 20.0
_Place = tuple[IntArray, IntArray]
Summed = tuple[ComplexArray, FloatArray, FloatArray]
"""Logarithms (K, P), rows (K, G) and mean levels (K,) of all bands, of K settings; or slopes."""


class BandTables:
    """Stacked tables of one equaliser.

    Attributes
    ----------
    gains : ndarray, shape (B, K)
    logs : ndarray, shape (B, K, P)
        Complex.
    rows : ndarray, shape (B, K, G)
        dB.
    means : ndarray, shape (B, K)
        Mean of the level over the fit axis, in dB.
    """

    def __init__(self, bands: BandSet, mean_of: FloatArray) -> None:
        sizes = np.array([gains.size for gains in bands.gains_db])
        steps = np.arange(sizes.max() + 1)

        def padded(tables: tuple[Any, ...]) -> NDArray[Any]:
            return np.array([table[np.minimum(steps, len(table) - 1)] for table in tables])

        self.bands, self.last = np.arange(sizes.size), np.maximum(sizes - 2, 0)
        self.gains = padded(bands.gains_db) + np.maximum(steps - sizes[:, None] + 1, 0)
        self.logs = np.log(padded(bands.responses))
        self.rows = padded(bands.limit_tables_db)
        self.means = self.logs.real @ mean_of / NEPERS_PER_DB

    def summed(self, gains_db: FloatArray) -> Summed:
        """Return logarithms (K, P), rows (K, G) and mean levels (K,) of all bands, (K, B)."""
        (near, far), width = self._beside(gains_db)
        share = (gains_db - self.gains[near]) / width
        log, row, mean = (
            (_times(1.0 - share, table[near]) + _times(share, table[far])).sum(axis=1)
            for table in (self.logs, self.rows, self.means)
        )
        return log, row, mean

    def slopes(self, gains_db: FloatArray) -> Summed:
        """Return by how much each band's logarithm, rows and mean change for a dB of its gain."""
        (near, far), width = self._beside(gains_db)
        log, row, mean = (
            _times(1.0 / width, table[far] - table[near])
            for table in (self.logs, self.rows, self.means)
        )
        return log, row, mean

    def _beside(self, gains_db: FloatArray) -> tuple[list[_Place], FloatArray]:
        """Return between which gains on offer each gain (..., B) lies, and how far these are."""
        k = (self.gains < gains_db[..., None]).sum(axis=-1) - 1
        k = np.minimum(np.maximum(k, 0), self.last)
        near, far = (self.bands, k), (self.bands, k + 1)
        return [near, far], self.gains[far] - self.gains[near]


def _times(weights: FloatArray, rows: NDArray[Any]) -> NDArray[Any]:
    """Return rows (..., B) or (..., B, P) times a weight for each band, (..., B)."""
    return np.asarray(weights.reshape(weights.shape + (1,) * (rows.ndim - weights.ndim)) * rows)
