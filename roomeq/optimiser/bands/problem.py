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
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.base.levels import FloatArray, readonly
from roomeq.wanted.loss import MEAN_CUT_WEIGHT, FrequencyLoss, Loss

__all__ = ["BandGainProblem", "LabelArray"]

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
        error = _finite(self.error_db, (count,), "error_db")
        values = {
            "error_db": error,
            "shortfall_db": _finite(self.shortfall_db, (count,), "shortfall_db"),
            "frequency_weights": _normalised(self.frequency_weights, count, "frequency_weights"),
            "gains_db": gains,
            "tables_db": tuple(
                _finite(t, (g.size, count), "tables_db of a band")
                for t, g in zip(self.tables_db, gains, strict=True)
            ),
            "limit_frequencies": _finite(self.limit_frequencies, (rows,), "limit_frequencies"),
            "limit_tables_db": tuple(
                _finite(t, (g.size, rows), "limit_tables_db of a band")
                for t, g in zip(self.limit_tables_db, gains, strict=True)
            ),
            "filter_cap_db": cap,
            "present_gains_db": _finite(self.present_gains_db, (bands,), "present_gains_db"),
            "present_response_db": _finite(
                self.present_response_db, (count,), "present_response_db"
            ),
        }
        for name, value in values.items():
            object.__setattr__(self, name, value)
        if np.any(self.shortfall_db < error):
            raise ValueError("shortfall_db must not lie below error_db: it excuses, never demands")
        self._prepare()

    def _prepare(self) -> None:
        """Keep the frequencies that count, and the mean response as one more."""
        fitted = np.flatnonzero(self.frequency_weights > 0)
        weights = self.frequency_weights[fitted]
        prepared = FrequencyLoss(
            error_db=np.append(self.error_db[fitted], 0.0),
            shortfall_db=np.append(self.shortfall_db[fitted], 0.0),
            excess_weights=np.append(self.loss.excess_weight * weights, 0.0),
            shortfall_weights=np.append(weights, MEAN_CUT_WEIGHT),
        )
        object.__setattr__(self, "fitted", fitted)
        object.__setattr__(self, "frequency_loss", prepared)

    @property
    def band_count(self) -> int:
        """Number of bands, B."""
        return len(self.gains_db)

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
        if checked.ndim not in (1, 2) or checked.shape[-1] != self.band_count:
            raise ValueError(f"needs {self.band_count} labels, got shape {checked.shape}")
        within = (checked >= 0) & (checked < np.array(self.label_counts)) & (checked == given)
        if not np.all(within):
            raise ValueError(f"labels must be whole and lie on the grids {self.label_counts}")
        return checked

    def setting_gains_db(self, labels: ArrayLike) -> FloatArray:
        """Return the gains of a setting, shape (..., B), in dB."""
        checked = self.checked_labels(labels)
        columns = [gains[checked[..., band]] for band, gains in enumerate(self.gains_db)]
        return np.stack(columns, axis=-1)

    def _summed(self, tables: Sequence[FloatArray], labels: ArrayLike) -> FloatArray:
        checked = self.checked_labels(labels)
        total = np.zeros((*checked.shape[:-1], tables[0].shape[1]))
        for band, table in enumerate(tables):
            total += table[checked[..., band]]
        return total

    def response_db(self, labels: ArrayLike) -> FloatArray:
        """Return the summed response E on the fit axis, shape (..., F), in dB."""
        return self._summed(self.tables_db, labels)

    def limit_response_db(self, labels: ArrayLike) -> FloatArray:
        """Return the summed response E at the limit frequencies, shape (..., G), in dB."""
        return self._summed(self.limit_tables_db, labels)

    def mean_response_db(self, labels: ArrayLike) -> FloatArray:
        """Return Ebar, the weighted mean of E over the fit axis, in dB."""
        return np.asarray(self.response_db(labels) @ self.frequency_weights)

    def offsets_db(self, labels: ArrayLike) -> FloatArray:
        """Return what a setting adds to the error on the fit axis, E - Ebar, shape (..., F)."""
        response = self.response_db(labels)
        return np.asarray(response - (response @ self.frequency_weights)[..., None])

    def objective(self, labels: ArrayLike) -> FloatArray:
        """Return J of settings, shape (...), in dB squared."""
        return self.response_objective(self.response_db(labels))

    def response_objective(self, response_db: ArrayLike) -> FloatArray:
        """Return J of arbitrary responses E on the fit axis, shape (..., F) to (...)."""
        response = np.asarray(response_db, dtype=np.float64)
        mean = (response @ self.frequency_weights)[..., None]
        offsets = np.concatenate([response[..., self.fitted] - mean, mean], axis=-1)
        return np.asarray(self.frequency_loss.value(offsets).sum(axis=-1))

    @property
    def present_objective(self) -> float:
        """J of the present gains, whether or not they are allowed, in dB squared."""
        return float(self.response_objective(self.present_response_db))

    def excess_db(self, labels: ArrayLike) -> FloatArray:
        """Return the largest excess over a limit, shape (...), in dB; not positive is feasible."""
        rows = self.limit_response_db(labels)
        return np.asarray(np.max(rows - self.filter_cap_db, axis=-1, initial=-np.inf))

    def feasible(self, labels: ArrayLike, tolerance: float = 1e-9) -> NDArray[np.bool_]:
        """Return whether settings keep every limit within `tolerance` dB, shape (...)."""
        return np.asarray(self.excess_db(labels) <= tolerance)

    def tightest(self, labels: ArrayLike) -> tuple[float, float]:
        """Return the smallest of cap - E for one setting, in dB, and where that is, in Hz."""
        slack = self.filter_cap_db - self.limit_response_db(labels)
        if slack.size == 0:
            return math.inf, math.nan
        place = int(np.argmin(slack))
        return float(slack[place]), float(self.limit_frequencies[place])
