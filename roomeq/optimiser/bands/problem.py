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

The most that the summed response of the bands may reach, over frequency.

Boosts in dB, frequencies in Hz.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.base.levels import FloatArray, readonly
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.wanted.limits import HIGHEST_ROW, LOWEST_ROW, Limits
from roomeq.wanted.loss import MEAN_CUT_WEIGHT, FrequencyLoss, Loss
from roomeq.wanted.span import Span, merged_spans, within_spans
from roomeq.wanted.target import Target

LabelArray = NDArray[np.int64]


def nearest_labels(allowed_db: Sequence[FloatArray], gains_db: FloatArray) -> LabelArray:
    """Return for each band the label whose gain is nearest, shape (B,)."""
    pairs = zip(allowed_db, gains_db, strict=True)
    return np.array([int(np.abs(allowed - gain).argmin()) for allowed, gain in pairs])


def neighbours(
    labels: LabelArray, counts: Sequence[int], *, together: int, reach: int
) -> LabelArray:
    """Return a setting and all in which some values are moved by up to so many steps, (N, B)."""
    steps = [step for step in range(-reach, reach + 1) if step]
    shifts = np.array(list(itertools.product(steps, repeat=together)))
    moves = [labels[None]]
    for places in itertools.combinations(range(len(counts)), together):
        moved = np.repeat(labels[None], len(shifts), axis=0)
        moved[:, places] += shifts
        moves.append(moved)
    found = np.concatenate(moves)
    return found[((found >= 0) & (found < np.array(counts))).all(axis=1)]


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
    gains_db : tuple of B ndarray, shape (K_b,)
        The gains each band may take, increasing: range and locks are already applied, so a locked
        band has one label.
    tables_db : tuple of B ndarray, shape (K_b, F)
        Exact response of each band at each of its gains, on the fit axis.
    limit_frequencies : array_like, shape (G,)
        Frequencies at which the limits are held, in Hz.
    limit_tables_db : tuple of B ndarray, shape (K_b, G)
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
        weights = np.asarray(self.frequency_weights)
        object.__setattr__(self, "frequency_weights", weights / weights.sum())
        for one in fields(self):
            if one.init and one.name != "loss":
                given = getattr(self, one.name)
                kept = tuple(map(readonly, given)) if isinstance(given, tuple) else readonly(given)
                object.__setattr__(self, one.name, kept)
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

    @staticmethod
    def _summed(tables: Sequence[FloatArray] | FloatArray, labels: ArrayLike) -> FloatArray:
        places = np.asarray(labels)
        total: FloatArray = tables[0][places[..., 0]]
        for band in range(1, len(tables)):
            total += tables[band][places[..., band]]
        return total

    def setting_gains_db(self, labels: ArrayLike) -> FloatArray:
        """Return the gains of settings, shape (..., B), in dB."""
        return np.asarray(self.gains[np.arange(len(self.gains)), np.asarray(labels)])

    def response_db(self, labels: ArrayLike) -> FloatArray:
        """Return the summed response E on the fit axis, shape (..., F), in dB."""
        return self._summed(self.tables_db, labels)

    def limit_response_db(self, labels: ArrayLike) -> FloatArray:
        """Return the summed response E at the limit frequencies, shape (..., G), in dB."""
        return self._summed(self.limits, labels)

    def mean_response_db(self, labels: ArrayLike) -> FloatArray:
        """Return Ebar, the weighted mean of E over the fit axis, in dB."""
        return self._summed(self.fit[..., -1], labels)

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
        return np.asarray(self.excess(np.asarray(labels)) <= tolerance)

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


BARRED_BOOST_DB = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class BoostCap:
    """Most that the summed response may reach, over frequency.

    Attributes
    ----------
    limits : Limits
    barred : tuple of (float, float)
        Spans in Hz in which nothing is boosted beyond 0.5 dB.
    """

    limits: Limits
    barred: tuple[tuple[float, float], ...]

    @classmethod
    def of(
        cls, data: FitData | None, *, limits: Limits, target: Target, by_seats: bool = True
    ) -> BoostCap:
        """Return the cap of prepared data: below the floor, in dips, where few seats are short.

        Without `by_seats` the last is left out: what few tenths of a dB at one seat decide. Without
        data it is that of the device alone.
        """
        spans = [] if data is None else cls._of_room(data, by_seats=by_seats)
        if (floor := limits.floor(target)) > LOWEST_ROW:
            spans.append((LOWEST_ROW, floor))
        if target.upper_limit is not None:
            spans.append((target.upper_limit, HIGHEST_ROW))
        return cls(limits=limits, barred=merged_spans(spans))

    @staticmethod
    def _of_room(data: FitData, *, by_seats: bool) -> list[Span]:
        edges = np.sqrt(data.frequencies[1:] * data.frequencies[:-1])
        starts = np.concatenate(([LOWEST_ROW], edges))
        ends = np.concatenate((edges, [HIGHEST_ROW]))
        few = data.few_seats_short & by_seats
        return [*data.dips, *zip(starts[few].tolist(), ends[few].tolist(), strict=True)]

    @property
    def edges(self) -> tuple[float, ...]:
        """Where the cap jumps, in Hz."""
        return tuple(edge for span in self.barred for edge in span)

    def at(self, frequencies: FloatArray) -> FloatArray:
        """Return the cap at each frequency, in dB, shape (F,)."""
        drive = np.maximum(self.limits.drive_db(frequencies), 0.0)
        boost = min(BARRED_BOOST_DB, self.limits.filter_boost_db)
        inside = within_spans(self.barred, frequencies)
        return np.minimum(np.where(inside, boost, self.limits.filter_boost_db), drive)
