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
_SAME = 1e-9

_Place = tuple[IntArray, IntArray]
Summed = tuple[ComplexArray, FloatArray, float]
"""Logarithm (P,), rows (G,) and mean level of all bands."""
Slopes = tuple[ComplexArray, FloatArray, FloatArray]
"""The same of many, (K, P), (K, G) and (K,)."""


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

    def _beside(self, gains_db: FloatArray) -> tuple[_Place, _Place]:
        """Return where the gains on offer stand between which each gain lies."""
        k = (self.gains < gains_db[:, None]).sum(axis=1) - 1
        k = np.minimum(np.maximum(k, 0), self.last)
        return (self.bands, k), (self.bands, k + 1)

    def summed(self, gains_db: FloatArray) -> Summed:
        """Return logarithm (P,), rows (G,) and mean level of all bands at gains (B,)."""
        near, far = self._beside(gains_db)
        share = (gains_db - self.gains[near]) / (self.gains[far] - self.gains[near])
        log, row, mean = (
            (1.0 - share) @ table[near] + share @ table[far]
            for table in (self.logs, self.rows, self.means)
        )
        return log, row, float(mean)

    def slopes(self, gains_db: FloatArray) -> Slopes:
        """Return by how much each band's logarithm, rows and mean change for a dB of its gain."""
        near, far = self._beside(gains_db)
        width = self.gains[far] - self.gains[near]
        logs, rows, means = (
            ((table[far] - table[near]).T / width).T for table in (self.logs, self.rows, self.means)
        )
        return logs, rows, means

    def on_grid(self, settings: FloatArray) -> Slopes:
        """Return logarithms (K, P), rows (K, G) and mean levels (K,) of settings on offer, (K, B).

        They differ from the first in few places, which alone are put in.
        """
        logs, rows, means = (
            np.repeat(np.asarray(one)[None], len(settings), axis=0)
            for one in self.summed(settings[0])
        )
        for b in self.bands:
            k = np.searchsorted(self.gains[b], settings[:, b] - _SAME)
            moved, first = k != k[0], k[0]
            for out, table in ((logs, self.logs), (rows, self.rows), (means, self.means)):
                out[moved] += table[b, k[moved]] - table[b, first]
        return logs, rows, means
