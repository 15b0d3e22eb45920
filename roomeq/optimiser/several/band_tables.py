"""Responses of the bands of one equaliser at any gain, from tables at the gains on offer.

Conventions
-----------
Between two gains the complex logarithm of a response, and its level at the limit frequencies, run
straight over the gain in dB; natural logarithms. Bands with fewer gains than others are padded with
what their last gain does.
"""

from __future__ import annotations

import math

import numpy as np

from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.optimiser.several.task import BandSet, IntArray

NEPERS_PER_DB = math.log(10.0) / 20.0
_SAME = 1e-9


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
        count = max(gains.size for gains in bands.gains_db) + 1
        self.bands = np.arange(len(bands.gains_db))
        self.last = np.array([max(gains.size - 2, 0) for gains in bands.gains_db])
        self.gains = np.array(
            [
                np.append(gains, gains[-1] + np.arange(1, count - gains.size + 1))
                for gains in bands.gains_db
            ]
        )
        kept = [np.minimum(np.arange(count), gains.size - 1) for gains in bands.gains_db]
        self.logs = np.array(
            [np.log(table)[k] for table, k in zip(bands.responses, kept, strict=True)]
        )
        self.rows = np.array(
            [np.asarray(table)[k] for table, k in zip(bands.limit_tables_db, kept, strict=True)]
        )
        self.means = self.logs.real @ mean_of / NEPERS_PER_DB

    def _place(self, gains_db: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the gain on offer below each gain, and the share of the way to the next."""
        k = (self.gains < gains_db[:, None]).sum(axis=1) - 1
        k = np.minimum(np.maximum(k, 0), self.last)
        low, high = self.gains[self.bands, k], self.gains[self.bands, k + 1]
        return k, (gains_db - low) / (high - low)

    def summed(self, gains_db: FloatArray) -> tuple[ComplexArray, FloatArray, float]:
        """Return logarithm (P,), rows (G,) and mean level of all bands at gains (B,)."""
        k, share = self._place(gains_db)
        near, far = (self.bands, k), (self.bands, k + 1)
        rest = 1.0 - share
        return (
            rest @ self.logs[near] + share @ self.logs[far],
            rest @ self.rows[near] + share @ self.rows[far],
            float(rest @ self.means[near] + share @ self.means[far]),
        )

    def slopes(self, gains_db: FloatArray) -> tuple[ComplexArray, FloatArray, FloatArray]:
        """Return by how much each band's logarithm, rows and mean change for a dB of its gain."""
        k, _ = self._place(gains_db)
        near, far = (self.bands, k), (self.bands, k + 1)
        width = (self.gains[far] - self.gains[near])[:, None]
        return (
            (self.logs[far] - self.logs[near]) / width,
            (self.rows[far] - self.rows[near]) / width,
            (self.means[far] - self.means[near]) / width[:, 0],
        )

    def on_grid(self, settings: FloatArray) -> tuple[ComplexArray, FloatArray, FloatArray]:
        """Return logarithms (K, P), rows (K, G) and mean levels (K,) of settings on offer, (K, B).

        They differ from the first in few places, which alone are put in.
        """
        log, row, mean = self.summed(settings[0])
        logs = np.repeat(log[None], len(settings), axis=0)
        rows = np.repeat(row[None], len(settings), axis=0)
        means = np.full(len(settings), mean)
        for b in self.bands:
            moved = np.flatnonzero(settings[:, b] != settings[0, b])
            if moved.size:
                k, first = (
                    np.searchsorted(self.gains[b], values - _SAME)
                    for values in (settings[moved, b], settings[0, b])
                )
                logs[moved] += self.logs[b, k] - self.logs[b, first]
                rows[moved] += self.rows[b, k] - self.rows[b, first]
                means[moved] += self.means[b, k] - self.means[b, first]
        return logs, rows, means
