"""One setting for many rooms: the same problem, its deviation taken over rooms.

Conventions
-----------
J of a room is that of `roomeq.optimiser.bands.problem`, its deviation ``sqrt(J)`` in dB. What is
made small is the mean of the rooms' deviations, or the mean of the worst tenth of them, rounded up
to whole rooms. Limits are those of the device alone: what a dip of one room forbids there is no
reason in another. Labels and gains as in the problem; everything is deterministic.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.optimiser.bands.problem import BandGainProblem, BoostCap, LabelArray, nearest_labels
from roomeq.optimiser.bands.search import solve_band_gains, solve_from
from roomeq.optimiser.bands.start import TOLERANCE_DB, feasible_near
from roomeq.wanted.limits import (
    HIGHEST_ROW,
    LOWEST_ROW,
    Limits,
    allowed_gains_db,
    band_freedoms,
    limit_axis,
)
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import Target

Criterion = Literal["mean", "worst_tenth"]
_WINDOW = 3  # labels to either side that a pair move may take
_AT_ONCE = 512  # settings judged at once


def over_rooms(deviations_db: FloatArray, criterion: Criterion) -> FloatArray:
    """Return the mean over rooms, the last axis, or that of the worst tenth of them."""
    if criterion == "mean":
        return np.asarray(deviations_db.mean(axis=-1))
    count = math.ceil(0.1 * deviations_db.shape[-1])
    return np.asarray(np.sort(deviations_db, axis=-1)[..., -count:].mean(axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VoicingProblem:
    """One problem for each room, the same labels and limits in all.

    Attributes
    ----------
    rooms : tuple of FitData
    equaliser : FixedBandEqualiser
        Whose gains are chosen.
    target : Target
        Whose lower and upper limit hold.
    limits : Limits
    corner : float or None
        Crossover corner in Hz.
    present_gains_db : ndarray, shape (B,)
    loss : Loss
    seen : ndarray
        Frequencies that are fitted in every room, in Hz.
    criterion : {"mean", "worst_tenth"}
    problems : tuple of BandGainProblem
        Each room's problem, without tables: they are shared by all rooms on one axis.
    limited : BandGainProblem
        Labels and limits.
    """

    rooms: tuple[FitData, ...]
    equaliser: FixedBandEqualiser
    target: Target
    limits: Limits
    corner: float | None
    present_gains_db: FloatArray
    loss: Loss
    seen: FloatArray
    criterion: Criterion = "mean"
    problems: tuple[BandGainProblem, ...] = field(init=False, repr=False)
    limited: BandGainProblem = field(init=False, repr=False)
    tables: dict[bytes, tuple[FloatArray, ...]] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        allowed = allowed_gains_db(
            self.equaliser,
            freedoms=band_freedoms(
                self.equaliser,
                limits=self.limits,
                floor=self.limits.floor(self.target),
                corner=self.corner,
                seen=self.seen,
            ),
            present_gains_db=self.present_gains_db,
        )
        tables = {_axis(data): self._tables(data, allowed) for data in self.rooms}
        bare = [np.zeros(1)] * len(allowed)
        object.__setattr__(self, "tables", tables)
        object.__setattr__(self, "limited", self._limited(self.rooms[0], allowed))
        problems = tuple(
            replace(
                self.limited,
                error_db=data.error_db,
                shortfall_db=data.shortfall_db,
                frequency_weights=data.frequency_weights,
                present_response_db=data.response_db(self.equaliser, self.present_gains_db),
                gains_db=tuple(bare),
                tables_db=tuple(np.zeros((1, data.frequencies.size)) for _ in allowed),
                limit_tables_db=tuple(np.zeros((1, 0)) for _ in allowed),
                limit_frequencies=np.zeros(0),
                filter_cap_db=np.zeros(0),
            )
            for data in self.rooms
        )
        object.__setattr__(self, "problems", problems)

    def _tables(self, data: FitData, allowed: Sequence[FloatArray]) -> tuple[FloatArray, ...]:
        return tuple(data.table_db(self.equaliser, n, gains) for n, gains in enumerate(allowed))

    def _limited(self, data: FitData, allowed: tuple[FloatArray, ...]) -> BandGainProblem:
        """Return the problem of one room with the limits of the device."""
        barred = [(LOWEST_ROW, floor)] if (floor := self.limits.floor(self.target)) > 10.0 else []
        if self.target.upper_limit is not None:
            barred.append((self.target.upper_limit, HIGHEST_ROW))
        cap = BoostCap(limits=self.limits, barred=tuple(barred))
        rows = np.unique(np.concatenate([limit_axis(self.equaliser), np.array(cap.edges)]))
        over = [self.equaliser.band_table_db(n, rows, gains_db=g) for n, g in enumerate(allowed)]
        locked = sum(table[0] for table in over if len(table) == 1) + np.zeros(rows.size)
        return BandGainProblem(
            error_db=data.error_db,
            shortfall_db=data.shortfall_db,
            frequency_weights=data.frequency_weights,
            gains_db=allowed,
            tables_db=self.tables[_axis(data)],
            limit_frequencies=rows,
            limit_tables_db=tuple(over),
            filter_cap_db=np.maximum(cap.at(rows), locked),
            present_gains_db=self.present_gains_db,
            present_response_db=data.response_db(self.equaliser, self.present_gains_db),
            loss=self.loss,
        )

    def of_rooms(self, chosen: Iterable[int]) -> Self:
        """Return the problem with some of the rooms only."""
        return replace(self, rooms=tuple(self.rooms[n] for n in chosen))

    def present_db(self) -> FloatArray:
        """Return the deviation of every room with the present gains, in dB, shape (R,)."""
        return np.sqrt([problem.present_objective for problem in self.problems])

    def deviations_db(self, labels: LabelArray) -> FloatArray:
        """Return the deviation of every room, in dB, settings (N, B) to (N, R)."""
        found = np.empty((len(labels), len(self.rooms)))
        for first in range(0, len(labels), _AT_ONCE):
            part = labels[first : first + _AT_ONCE]
            summed = {
                axis: sum(table[part[:, n]] for n, table in enumerate(tables))
                for axis, tables in self.tables.items()
            }
            for n, (data, problem) in enumerate(zip(self.rooms, self.problems, strict=True)):
                objective = problem.response_objective(summed[_axis(data)])
                found[first : first + len(part), n] = np.sqrt(objective)
        return found

    def value_db(self, labels: LabelArray) -> FloatArray:
        """Return what is made small, in dB, settings (N, B) to (N,)."""
        return over_rooms(self.deviations_db(labels), self.criterion)

    def own_labels(self, index: int) -> LabelArray:
        """Return a room's own best setting within the same limits, shape (B,)."""
        data, limited = self.rooms[index], self.limited
        alone = self._limited(data, limited.gains_db)
        return solve_band_gains(alone, prove=False, tie_share=0.0).best_labels

    def solve(self, starts: Iterable[LabelArray] = ()) -> LabelArray:
        """Return the best setting found, shape (B,): by descent, from 0 and further starts.

        Moves of one band by any step, then of two by three steps, until none helps.
        """
        zero = nearest_labels(self.limited.gains_db, np.zeros(len(self.limited.gains_db)))
        mean = self._of_the_mean()
        found = [self._descended(feasible_near(self.limited, s)) for s in (zero, mean, *starts)]
        return min(found, key=lambda labels: float(self.value_db(labels[None])[0]))

    def _of_the_mean(self) -> LabelArray:
        """Return the best setting of the rooms' mean error, where they share one axis."""
        if len(self.tables) > 1:
            return solve_from(self.limited, self.present_gains_db)
        mean = replace(
            self.limited,
            error_db=np.mean([data.error_db for data in self.rooms], axis=0),
            shortfall_db=np.mean([data.shortfall_db for data in self.rooms], axis=0),
        )
        return solve_band_gains(mean, prove=False, tie_share=0.0).best_labels

    def _descended(self, labels: LabelArray) -> LabelArray:
        value, counts = float(self.value_db(labels[None])[0]), self.limited.label_counts
        while True:
            for moves in (_single_moves(labels, counts), _pair_moves(labels, counts)):
                kept = moves[self.limited.excess(moves) <= TOLERANCE_DB]
                values = self.value_db(kept) if len(kept) else np.full(1, np.inf)
                best = int(values.argmin())
                if values[best] < value - 1e-9:
                    labels, value = kept[best], float(values[best])
                    break
            else:
                return labels


def _axis(data: FitData) -> bytes:
    """Tell rooms whose tables are the same."""
    return data.frequencies.tobytes() + bytes([data.band_levels])


def _single_moves(labels: LabelArray, counts: Sequence[int]) -> LabelArray:
    moves = []
    for band, count in enumerate(counts):
        block = np.repeat(labels[None], count, axis=0)
        block[:, band] = np.arange(count)
        moves.append(block)
    return np.concatenate(moves)


def _pair_moves(labels: LabelArray, counts: Sequence[int]) -> LabelArray:
    steps: NDArray[np.int64] = np.arange(-_WINDOW, _WINDOW + 1)
    first, second = (part.ravel() for part in np.meshgrid(steps[steps != 0], steps[steps != 0]))
    moves = [labels[None]]
    for one, other in itertools.combinations(range(len(counts)), 2):
        block = np.repeat(labels[None], first.size, axis=0)
        block[:, one] += first
        block[:, other] += second
        inside = (block >= 0) & (block < np.array(counts))
        moves.append(block[inside.all(axis=1)])
    return np.concatenate(moves)
