"""The tables of a problem, stacked so that many settings can be judged at once.

Conventions
-----------
Bands with fewer labels than the longest are padded with copies of their last label; `allowed`
tells the labels that exist. Fit tables are centred (their weighted mean over the fit axis is
removed) and keep only frequencies with weight, so that a sum over bands is an offset; their last
column is that mean. Limits are linear in the tables: a *row* is the limit at one frequency,
``sum_b rows[b, label_b] <= cap``; rows that no setting can break are dropped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.problem import BandGainProblem, LabelArray
from roomeq.wanted.loss import FrequencyLoss

__all__ = ["StackedTables"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StackedTables:
    """The tables of all bands in single arrays.

    Attributes
    ----------
    problem : BandGainProblem
        What the tables were taken from.
    fit : ndarray, shape (B, K, F' + 1)
        Centred responses at the fitted frequencies and their mean, in dB.
    rows : ndarray, shape (B, K, R)
        What each label adds to each limit row, in dB.
    caps : ndarray, shape (R,)
        Right side of each limit row, in dB.
    allowed : ndarray of bool, shape (B, K)
        Which labels exist.
    gains : ndarray, shape (B, K)
        Gain of each label, in dB.
    """

    problem: BandGainProblem
    fit: FloatArray
    rows: FloatArray
    caps: FloatArray
    allowed: NDArray[np.bool_]
    gains: FloatArray

    @classmethod
    def from_problem(cls, problem: BandGainProblem) -> StackedTables:
        """Stack the tables of a problem."""
        counts = np.array(problem.label_counts)
        number = np.minimum(np.arange(counts.max()), counts[:, None] - 1)
        weights = problem.frequency_weights

        def stacked(tables: tuple[FloatArray, ...]) -> FloatArray:
            return np.stack([table[taken] for table, taken in zip(tables, number, strict=True)])

        response = stacked(problem.tables_db)
        mean = response @ weights
        centred = response[..., problem.fitted] - mean[..., None]
        fit = np.concatenate([centred, mean[..., None]], axis=-1)
        rows, caps = stacked(problem.limit_tables_db), problem.filter_cap_db
        breakable = rows.max(axis=1).sum(axis=0) > caps
        gains = np.stack([g[taken] for g, taken in zip(problem.gains_db, number, strict=True)])
        return cls(
            problem=problem,
            fit=fit,
            rows=np.ascontiguousarray(rows[..., breakable]),
            caps=caps[breakable],
            allowed=np.arange(counts.max()) < counts[:, None],
            gains=gains,
        )

    @property
    def loss(self) -> FrequencyLoss:
        """Loss at the fitted frequencies and of the mean."""
        return self.problem.frequency_loss

    def offsets(self, labels: LabelArray) -> FloatArray:
        """Return the offsets of settings (..., B), and their mean response, (..., F' + 1)."""
        return self._summed(self.fit, labels)

    def objective(self, labels: LabelArray) -> FloatArray:
        """Return J of settings (..., B)."""
        return np.asarray(self.loss.value(self.offsets(labels)).sum(axis=-1))

    def excess(self, labels: LabelArray) -> FloatArray:
        """Return the largest excess over a limit row, shape (...), in dB."""
        if self.caps.size == 0:
            return np.full(labels.shape[:-1], -np.inf)
        return np.asarray((self._summed(self.rows, labels) - self.caps).max(axis=-1))

    @staticmethod
    def _summed(tables: FloatArray, labels: LabelArray) -> FloatArray:
        total: FloatArray = tables[0][labels[..., 0]]
        for band in range(1, len(tables)):
            total += tables[band][labels[..., band]]
        return total
