"""The band-gain problem: what is to be made small, and which limits hold.

Conventions
-----------
Curves are over frequency, ``(F,)``, in dB. A *setting* is one label for each band: the number of a
step on that band's grid of gains; settings come as ``(B,)`` or, many at a time, ``(N, B)``. In dB
cascaded bands add, so each band is a table ``(K_b, F)`` of exact filter responses and the summed
response is ``E = sum_b tables_db[b][label_b]``. Loudness comes after the shape: what a setting does
to the error is its *offset* ``E - Ebar``, with `Ebar` the mean of E over the fit axis. J is a
weighted mean of squared errors plus a little for a mean cut, in dB squared; ``sqrt(J)`` is a
deviation in dB.

The search judges many settings at once, on tables stacked over the bands: bands with fewer labels
than the longest are padded with copies of their last label; `allowed` tells the labels that exist.
`fit` is centred (the weighted mean over the fit axis is removed) and keeps only frequencies with
weight, so that a sum over bands is an offset; its last column is that mean. Limits are linear in
the tables: a *row* is the limit at one frequency, ``sum_b rows[b, label_b] <= cap``; rows that no
setting can break are dropped.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.base.levels import FloatArray, readonly
from roomeq.wanted.loss import MEAN_CUT_WEIGHT, FrequencyLoss, Loss

__all__ = ["BandGainProblem", "LabelArray", "nearest_labels"]

LabelArray = NDArray[np.int64]


def _normalised(weights: ArrayLike, count: int, name: str) -> FloatArray:
    checked = np.asarray(weights, dtype=np.float64)
    if checked.shape != (count,):
        raise ValueError(f"{name} must have shape ({count},), got {checked.shape}")
    if not (np.all(np.isfinite(checked)) and np.all(checked >= 0) and np.any(checked > 0)):
        raise ValueError(f"{name} must be finite, not negative and not all zero")
    return readonly(checked / checked.sum())


def _finite(values: ArrayLike, shape: tuple[int, ...], name: str) -> FloatArray:
    checked = readonly(values)
    if checked.shape != shape:
        raise ValueError(f"{name} must have shape {shape}, got {checked.shape}")
    if not np.all(np.isfinite(checked)):
        raise ValueError(f"{name} must be finite")
    return checked


def nearest_labels(allowed_db: Sequence[FloatArray], gains_db: FloatArray) -> LabelArray:
    """Return for each band the label whose gain is nearest, shape (B,)."""
    pairs = zip(allowed_db, gains_db, strict=True)
    return np.array([int(np.abs(allowed - gain).argmin()) for allowed, gain in pairs])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandGainProblem:
    """One problem: choose a label for each band.

    Parameters
    ----------
    error_db : array_like, shape (F,)
        Level of the average over seats minus target on the fit axis, all bands at 0.
    shortfall_db : array_like, shape (F,)
        The same as far as a shortfall is to be made up, nowhere below `error_db`.
    frequency_weights : array_like, shape (F,)
        Not negative, not all zero; normalised to sum 1.
    gains_db : sequence of B array_like, shape (K_b,)
        The gains each band may take, increasing: range and locks are already applied, so a locked
        band has one label.
    tables_db : sequence of B array_like, shape (K_b, F)
        Exact response of each band at each of its gains, on the fit axis.
    limit_frequencies : array_like, shape (G,)
        Frequencies at which the limits are held, in Hz.
    limit_tables_db : sequence of B array_like, shape (K_b, G)
        The same responses at the limit frequencies.
    filter_cap_db : array_like, shape (G,)
        E must not exceed this.
    present_gains_db : array_like, shape (B,)
        Where the bands stand. They break ties and nothing else.
    present_response_db : array_like, shape (F,)
        Their response on the fit axis.
    loss : Loss
        Excess weight.

    Attributes
    ----------
    frequency_loss : FrequencyLoss
        Loss at the fitted frequencies and of the mean.
    fitted : ndarray of int, shape (F',)
        Frequencies with weight.
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
    limits : ndarray, shape (B, K, G)
        Responses at all limit frequencies, in dB.

    Raises
    ------
    ValueError
        If a shape does not fit or a value is not usable.
    """

    error_db: FloatArray
    shortfall_db: FloatArray
    frequency_weights: FloatArray
    gains_db: tuple[FloatArray, ...]
    tables_db: tuple[FloatArray, ...]
    limit_frequencies: FloatArray
    limit_tables_db: tuple[FloatArray, ...]
    filter_cap_db: FloatArray
    present_gains_db: FloatArray
    present_response_db: FloatArray
    loss: Loss = field(default_factory=Loss)
    frequency_loss: FrequencyLoss = field(init=False, repr=False)
    fitted: NDArray[np.intp] = field(init=False, repr=False)
    fit: FloatArray = field(init=False, repr=False)
    rows: FloatArray = field(init=False, repr=False)
    caps: FloatArray = field(init=False, repr=False)
    allowed: NDArray[np.bool_] = field(init=False, repr=False)
    gains: FloatArray = field(init=False, repr=False)
    limits: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        count, rows = np.size(self.error_db), np.size(self.limit_frequencies)
        bands = len(self.gains_db)
        if not (bands > 0 and len(self.tables_db) == bands == len(self.limit_tables_db)):
            raise ValueError("gains_db, tables_db and limit_tables_db need one entry for each band")
        gains = tuple(_finite(g, (np.size(g),), "gains_db of a band") for g in self.gains_db)
        if not all(g.size > 0 and np.all(np.diff(g) > 0) for g in gains):
            raise ValueError("the gains of each band must be increasing and not empty")
        cap = readonly(self.filter_cap_db)
        if cap.shape != (rows,) or np.any(np.isnan(cap)):
            raise ValueError(f"filter_cap_db must be {rows} numbers, one for each limit frequency")
        values: dict[str, object] = {"gains_db": gains, "filter_cap_db": cap}
        for name in ("error_db", "shortfall_db", "present_response_db"):
            values[name] = _finite(getattr(self, name), (count,), name)
        for name, size in (("limit_frequencies", rows), ("present_gains_db", bands)):
            values[name] = _finite(getattr(self, name), (size,), name)
        for name, size in (("tables_db", count), ("limit_tables_db", rows)):
            pairs = zip(getattr(self, name), gains, strict=True)
            values[name] = tuple(_finite(t, (g.size, size), f"{name} of a band") for t, g in pairs)
        weights = _normalised(self.frequency_weights, count, "frequency_weights")
        for name, value in {**values, "frequency_weights": weights}.items():
            object.__setattr__(self, name, value)
        if np.any(self.shortfall_db < self.error_db):
            raise ValueError("shortfall_db must not lie below error_db: it excuses, never demands")
        for name, value in self._prepared().items():
            object.__setattr__(self, name, value)

    def _prepared(self) -> dict[str, object]:
        """Return the loss at the frequencies that count, the mean as one more, and the tables."""
        fitted = np.flatnonzero(self.frequency_weights > 0)
        weights = self.frequency_weights[fitted]
        least = self.loss.least(float(self.frequency_weights @ self.error_db))
        loss = FrequencyLoss(
            error_db=np.append(self.error_db[fitted], 0.0),
            shortfall_db=np.append(self.shortfall_db[fitted], 0.0),
            excess_weights=np.append(self.loss.excess_weight * weights, 0.0),
            shortfall_weights=np.append(weights, MEAN_CUT_WEIGHT),
            least=np.append(np.zeros(fitted.size), least),
        )
        counts = np.array(self.label_counts)
        number = np.minimum(np.arange(counts.max()), counts[:, None] - 1)

        def stacked(tables: tuple[FloatArray, ...]) -> FloatArray:
            return np.stack([table[taken] for table, taken in zip(tables, number, strict=True)])

        response = stacked(self.tables_db)
        mean = (response @ self.frequency_weights)[..., None]
        limits, caps = stacked(self.limit_tables_db), self.filter_cap_db
        breakable = limits.max(axis=1).sum(axis=0) > caps
        return {
            "frequency_loss": loss,
            "fitted": fitted,
            "fit": np.concatenate([response[..., fitted] - mean, mean], axis=-1),
            "rows": np.ascontiguousarray(limits[..., breakable]),
            "caps": caps[breakable],
            "allowed": np.arange(counts.max()) < counts[:, None],
            "gains": stacked(self.gains_db),
            "limits": limits,
        }

    @property
    def label_counts(self) -> tuple[int, ...]:
        """Number of labels of each band."""
        return tuple(gains.size for gains in self.gains_db)

    def checked_labels(self, labels: ArrayLike) -> LabelArray:
        """Return labels as integers, shape (B,) or (N, B).

        Raises
        ------
        ValueError
            If there is not one label for each band, or a label is not on its band's grid.
        """
        given = np.asarray(labels)
        checked = given.astype(np.int64)
        if checked.ndim not in (1, 2) or checked.shape[-1] != len(self.gains_db):
            raise ValueError(f"needs {len(self.gains_db)} labels, got shape {checked.shape}")
        within = (checked >= 0) & (checked < np.array(self.label_counts)) & (checked == given)
        if not np.all(within):
            raise ValueError(f"labels must be whole and lie on the grids {self.label_counts}")
        return checked

    @staticmethod
    def _summed(tables: Sequence[FloatArray] | FloatArray, labels: ArrayLike) -> FloatArray:
        places = np.asarray(labels)
        total: FloatArray = tables[0][places[..., 0]]
        for band in range(1, len(tables)):
            total += tables[band][places[..., band]]
        return total

    def setting_gains_db(self, labels: ArrayLike) -> FloatArray:
        """Return the gains of settings, shape (..., B), in dB."""
        return np.asarray(self.gains[np.arange(len(self.gains)), self.checked_labels(labels)])

    def response_db(self, labels: ArrayLike) -> FloatArray:
        """Return the summed response E on the fit axis, shape (..., F), in dB."""
        return self._summed(self.tables_db, self.checked_labels(labels))

    def limit_response_db(self, labels: ArrayLike) -> FloatArray:
        """Return the summed response E at the limit frequencies, shape (..., G), in dB."""
        return self._summed(self.limits, self.checked_labels(labels))

    def mean_response_db(self, labels: ArrayLike) -> FloatArray:
        """Return Ebar, the weighted mean of E over the fit axis, in dB."""
        return np.asarray(self.response_db(labels) @ self.frequency_weights)

    def offsets(self, labels: ArrayLike) -> FloatArray:
        """Return the offsets of settings (..., B), and their mean response, (..., F' + 1)."""
        return self._summed(self.fit, labels)

    def objective(self, labels: ArrayLike) -> FloatArray:
        """Return J of settings (..., B), shape (...), in dB squared."""
        return self._total(self.offsets(labels))

    def response_objective(self, response_db: ArrayLike) -> FloatArray:
        """Return J of arbitrary responses E on the fit axis, shape (..., F) to (...)."""
        response = np.asarray(response_db, dtype=np.float64)
        mean = (response @ self.frequency_weights)[..., None]
        offsets = np.concatenate([response[..., self.fitted] - mean, mean], axis=-1)
        return self._total(offsets)

    def _total(self, offsets: FloatArray) -> FloatArray:
        """Return the sum of the loss, which is never negative but for rounding."""
        return np.asarray(np.maximum(self.frequency_loss.value(offsets).sum(axis=-1), 0.0))

    @property
    def present_objective(self) -> float:
        """J of the present gains, whether or not they are allowed, in dB squared."""
        return float(self.response_objective(self.present_response_db))

    def excess(self, labels: LabelArray) -> FloatArray:
        """Return the largest excess of settings (..., B) over a limit row, shape (...), in dB."""
        if self.caps.size == 0:
            return np.full(labels.shape[:-1], -np.inf)
        return np.asarray((self._summed(self.rows, labels) - self.caps).max(axis=-1))

    def feasible(self, labels: ArrayLike, tolerance: float = 1e-9) -> NDArray[np.bool_]:
        """Return whether settings keep every limit within `tolerance` dB, shape (...)."""
        return np.asarray(self.excess(self.checked_labels(labels)) <= tolerance)

    def largest_boost(self, labels: LabelArray) -> FloatArray:
        """Return the largest boost over the limit frequencies, shape (...), in dB."""
        return np.asarray(self._summed(self.limits, labels).max(axis=-1, initial=0.0))

    def tightest(self, labels: ArrayLike) -> tuple[float, float]:
        """Return the smallest of cap - E for one setting, in dB, and where that is, in Hz."""
        slack = self.filter_cap_db - self.limit_response_db(labels)
        if slack.size == 0:
            return math.inf, math.nan
        place = int(np.argmin(slack))
        return float(slack[place]), float(self.limit_frequencies[place])
