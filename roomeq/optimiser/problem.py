"""The band-gain problem: what is to be made small, and which limits hold.

Conventions
-----------
Arrays are seat by frequency, ``(S, F)``, in dB. A *setting* is one label for each band: the number
of a step on that band's grid of gains; settings come as ``(B,)`` or, many at a time, ``(N, B)``. In
dB cascaded bands add, so each band is a table ``(K_b, F)`` of exact filter responses and the summed
response is ``E = sum_b tables_db[b][label_b]``. The level of the subwoofer is dependent: it follows
the mean of E over the fit axis (`Ebar`), so that loudness is kept. What a setting does to the error
is therefore its *offset* ``E - Ebar``. J is a weighted mean of squared errors, in dB squared;
``sqrt(J)`` is a deviation in dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.levels import FloatArray, readonly
from roomeq.optimiser.loss import FrequencyLoss, Loss

__all__ = ["BandGainProblem", "LabelArray", "LimitSlack", "Loss"]

LabelArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSlack:
    """How far a setting stays from its limits.

    Attributes
    ----------
    filter_slack_db : float
        Smallest of cap - E over the limit frequencies; negative where the limit is broken.
    filter_frequency : float
        Where that is, in Hz.
    drive_slack_db : float
        Smallest of drive boost - (E - Ebar) - max(0, level change).
    drive_frequency : float
        Where that is, in Hz.
    """

    filter_slack_db: float
    filter_frequency: float
    drive_slack_db: float
    drive_frequency: float


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


def _one_or_each(value: float | FloatArray, rows: int, name: str) -> float | FloatArray:
    """Return one number, or one for each limit frequency."""
    checked = readonly(value)
    if checked.shape not in ((), (rows,)) or np.any(np.isnan(checked)):
        raise ValueError(
            f"{name} must be a number, or {rows} of them, one for each limit frequency"
        )
    return float(checked) if checked.ndim == 0 else checked


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandGainProblem:
    """One problem: choose a label for each band.

    Parameters
    ----------
    error_db : array_like, shape (S, F)
        Level minus target at each seat on the fit axis, present gains divided out. The weighted
        mean is removed here, so a constant offset does not matter.
    seat_weights : array_like, shape (S,)
        Not negative, not all zero; normalised to sum 1.
    frequency_weights : array_like, shape (F,)
        Not negative, not all zero; normalised to sum 1.
    trust : array_like, shape (S, F)
        How much a shortfall counts, from 0 to 1. It never excuses an excess.
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
    drive_boost_db : float or array_like, shape (G,)
        ``E - Ebar + max(0, level_change_db)`` must not exceed this, anywhere or at each limit
        frequency.
    level_change_db : float
        Change of the level knob that goes with the present summed response.
    loss : Loss
        Excess weight and where the tail of a shortfall starts.

    Raises
    ------
    ValueError
        If a shape does not fit or a value is not usable.
    """

    error_db: FloatArray
    seat_weights: FloatArray
    frequency_weights: FloatArray
    trust: FloatArray
    gains_db: tuple[FloatArray, ...]
    tables_db: tuple[FloatArray, ...]
    limit_frequencies: FloatArray
    limit_tables_db: tuple[FloatArray, ...]
    filter_cap_db: FloatArray
    drive_boost_db: float | FloatArray
    level_change_db: float = 0.0
    loss: Loss = field(default_factory=Loss)
    mean_error_db: float = field(init=False)
    frequency_loss: FrequencyLoss = field(init=False, repr=False)
    fitted: NDArray[np.intp] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        shape = np.shape(self.error_db)
        if len(shape) != 2 or 0 in shape:
            raise ValueError(f"error_db must be seats by frequencies, got shape {shape}")
        seats, frequencies = shape
        rows = np.size(self.limit_frequencies)
        bands = len(self.gains_db)
        if not (bands > 0 and len(self.tables_db) == bands == len(self.limit_tables_db)):
            raise ValueError("gains_db, tables_db and limit_tables_db need one entry for each band")
        trust = _finite(self.trust, (seats, frequencies), "trust")
        if not (np.all(trust >= 0) and np.all(trust <= 1)):
            raise ValueError("trust must lie between 0 and 1")
        gains = tuple(_finite(g, (np.size(g),), "gains_db of a band") for g in self.gains_db)
        if not all(g.size > 0 and np.all(np.diff(g) > 0) for g in gains):
            raise ValueError("the gains of each band must be increasing and not empty")
        drive = _one_or_each(self.drive_boost_db, rows, "drive_boost_db")
        if not math.isfinite(self.level_change_db):
            raise ValueError(f"level_change_db must be finite, got {self.level_change_db!r}")
        cap = readonly(self.filter_cap_db)
        if cap.shape != (rows,) or np.any(np.isnan(cap)):
            raise ValueError(f"filter_cap_db must be {rows} numbers, one for each limit frequency")
        values = {
            "error_db": _finite(self.error_db, (seats, frequencies), "error_db"),
            "seat_weights": _normalised(self.seat_weights, seats, "seat_weights"),
            "frequency_weights": _normalised(
                self.frequency_weights, frequencies, "frequency_weights"
            ),
            "trust": trust,
            "gains_db": gains,
            "tables_db": tuple(
                _finite(t, (g.size, frequencies), "tables_db of a band")
                for t, g in zip(self.tables_db, gains, strict=True)
            ),
            "limit_frequencies": _finite(self.limit_frequencies, (rows,), "limit_frequencies"),
            "limit_tables_db": tuple(
                _finite(t, (g.size, rows), "limit_tables_db of a band")
                for t, g in zip(self.limit_tables_db, gains, strict=True)
            ),
            "filter_cap_db": cap,
            "drive_boost_db": drive,
        }
        for name, value in values.items():
            object.__setattr__(self, name, value)
        self._prepare()

    def _prepare(self) -> None:
        """Remove the weighted mean and fold the seats into one function for each frequency."""
        mean = float(self.seat_weights @ self.error_db @ self.frequency_weights)
        fitted = np.flatnonzero(self.frequency_weights > 0)
        heard = np.flatnonzero(self.seat_weights > 0)
        taken = np.ix_(heard, fitted)
        weights = np.outer(self.seat_weights, self.frequency_weights)[taken]
        prepared = FrequencyLoss.from_seats(
            error_db=self.error_db[taken] - mean,
            weights=weights,
            trust=self.trust[taken],
            loss=self.loss,
        )
        object.__setattr__(self, "mean_error_db", mean)
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

    @property
    def drive_cap_db(self) -> float | FloatArray:
        """What E - Ebar must not exceed: the drive boost less a rise of the level knob.

        One figure, or one for each limit frequency, shape (G,), as `drive_boost_db` is.
        """
        return self.drive_boost_db - max(0.0, self.level_change_db)

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
        return self.offset_objective(self.offsets_db(labels))

    def offset_objective(self, offsets_db: ArrayLike) -> FloatArray:
        """Return J of arbitrary offsets on the fit axis, shape (..., F) to (...)."""
        offsets = np.asarray(offsets_db, dtype=np.float64)
        return np.asarray(self.frequency_loss.value(offsets[..., self.fitted]).sum(axis=-1))

    def seat_error_db(self, labels: ArrayLike) -> FloatArray:
        """Return the error at each seat for one setting, shape (S, F), in dB."""
        return np.asarray(self.error_db - self.mean_error_db + self.offsets_db(labels))

    def excess_db(self, labels: ArrayLike) -> FloatArray:
        """Return the largest excess over a limit, shape (...), in dB; not positive is feasible."""
        rows = self.limit_response_db(labels)
        if rows.shape[-1] == 0:
            return np.full(rows.shape[:-1], -np.inf)
        over_filter = np.max(rows - self.filter_cap_db, axis=-1)
        offsets = rows - self.mean_response_db(labels)[..., None]
        over_drive = np.max(offsets - self.drive_cap_db, axis=-1)
        return np.asarray(np.maximum(over_filter, over_drive))

    def feasible(self, labels: ArrayLike, tolerance: float = 1e-9) -> NDArray[np.bool_]:
        """Return whether settings keep every limit within `tolerance` dB, shape (...)."""
        return np.asarray(self.excess_db(labels) <= tolerance)

    def slack(self, labels: ArrayLike) -> LimitSlack:
        """Return how far one setting stays from the limits, and where it comes closest."""
        rows = self.limit_response_db(labels)
        if rows.size == 0:
            nowhere = math.nan
            return LimitSlack(
                filter_slack_db=math.inf,
                filter_frequency=nowhere,
                drive_slack_db=math.inf,
                drive_frequency=nowhere,
            )
        filter_slack = self.filter_cap_db - rows
        drive_slack = self.drive_cap_db - (rows - self.mean_response_db(labels))
        tightest, loudest = int(np.argmin(filter_slack)), int(np.argmin(drive_slack))
        return LimitSlack(
            filter_slack_db=float(filter_slack[tightest]),
            filter_frequency=float(self.limit_frequencies[tightest]),
            drive_slack_db=float(drive_slack[loudest]),
            drive_frequency=float(self.limit_frequencies[loudest]),
        )
