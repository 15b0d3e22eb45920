"""One setting for many rooms: the same problem, its deviation taken over rooms.

Conventions
-----------
J of a room is that of `roomeq.optimiser.bands.problem`, its deviation ``sqrt(J)`` in dB. What is
made small is the mean of the rooms' deviations, or the mean of the worst tenth of them, rounded up
to whole rooms. Limits are those of the device alone: what a dip of one room forbids there is no
reason in another. Labels and gains as in the problem; everything is deterministic.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Literal, Self

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.optimiser.bands.problem import (
    BandGainProblem,
    LabelArray,
    nearest_labels,
    neighbours,
)
from roomeq.optimiser.bands.search import solve_band_gains, solve_from
from roomeq.optimiser.bands.start import TOLERANCE_DB, feasible_near
from roomeq.optimiser.bands.task import BandGainTask, weighted_deviation_db

Criterion = Literal["mean", "worst_tenth"]
_WINDOW = 3  # labels to either side that a pair move may take


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
    task : BandGainTask
        What holds in all of them; its data are those of any.
    criterion : {"mean", "worst_tenth"}
    limited : BandGainProblem
        Labels and limits.
    tables : dict of bytes to tuple of ndarray
        Responses of the bands at their labels, by the frequencies of rooms.
    """

    rooms: tuple[FitData, ...]
    task: BandGainTask
    criterion: Criterion = "mean"
    limited: BandGainProblem = field(init=False, repr=False)
    tables: dict[bytes, tuple[FloatArray, ...]] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        limited, equaliser = self.task.problem(), self.task.equaliser
        axes = {_axis(data): data for data in self.rooms}
        tables = {
            axis: tuple(data.table_db(equaliser, n, g) for n, g in enumerate(limited.gains_db))
            for axis, data in axes.items()
        }
        object.__setattr__(self, "limited", limited)
        object.__setattr__(self, "tables", tables)

    def of_rooms(self, chosen: Iterable[int]) -> Self:
        """Return the problem with some of the rooms only."""
        return replace(self, rooms=tuple(self.rooms[n] for n in chosen))

    def present_db(self) -> FloatArray:
        """Return the deviation of every room with the present gains, in dB, shape (R,)."""
        loss = self.task.loss
        return np.array([weighted_deviation_db(r, r.present_db, loss=loss) for r in self.rooms])

    def deviations_db(self, labels: LabelArray) -> FloatArray:
        """Return the deviation of every room, in dB, settings (N, B) to (N, R)."""
        summed = {
            axis: sum(table[labels[:, n]] for n, table in enumerate(tables))
            for axis, tables in self.tables.items()
        }
        found = [
            weighted_deviation_db(data, np.asarray(summed[_axis(data)]), loss=self.task.loss)
            for data in self.rooms
        ]
        return np.stack(found, axis=-1)

    def value_db(self, labels: LabelArray) -> FloatArray:
        """Return what is made small, in dB, settings (N, B) to (N,)."""
        return over_rooms(self.deviations_db(labels), self.criterion)

    def own_db(self, index: int) -> float:
        """Return the deviation of a room with its own best setting within the same limits."""
        alone = replace(self.task, data=self.rooms[index]).problem()
        return solve_band_gains(alone, prove=False, tie_share=0.0).best_deviation_db

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
            return solve_from(self.limited, self.task.present_gains_db)
        mean = replace(
            self.limited,
            error_db=np.mean([data.error_db for data in self.rooms], axis=0),
            shortfall_db=np.mean([data.shortfall_db for data in self.rooms], axis=0),
        )
        return solve_band_gains(mean, prove=False, tie_share=0.0).best_labels

    def _descended(self, labels: LabelArray) -> LabelArray:
        value, counts = float(self.value_db(labels[None])[0]), self.limited.label_counts
        while True:
            for together, reach in ((1, max(counts)), (2, _WINDOW)):
                moves = neighbours(labels, counts, together=together, reach=reach)
                kept = moves[self.limited.excess(moves) <= TOLERANCE_DB]
                values = self.value_db(kept)
                best = int(values.argmin())
                if values[best] < value - 1e-9:
                    labels, value = kept[best], float(values[best])
                    break
            else:
                return labels


def _axis(data: FitData) -> bytes:
    """Tell rooms whose tables are the same."""
    return data.frequencies.tobytes()
