"""Band gains against the complex sum of subwoofer and mains.

Conventions
-----------
A setting is one label for each band, as in `roomeq.optimiser.problem`, and the number of a level
change. Bands turn phase as well as level, so they are tabulated as complex responses at the points
of the joining data and the sum is formed anew for each; limits are those of the band-gain problem.
The loudness that the drive limit keeps is the subwoofer's own: level change plus the mean of the
bands' response over the axis of the subwoofer's fit.

No bound is proven here: the sum is not convex in the labels. The search descends from a given start
over single bands and pairs, the level among them: all it says is that nothing near is better.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.levels import FloatArray
from roomeq.optimiser.joining_data import JoiningData
from roomeq.optimiser.joining_search import JoiningSurface
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.problem import BandGainProblem, LabelArray
from roomeq.response import ComplexArray

__all__ = ["BandSum", "band_responses"]

TOLERANCE_DB = 1e-6
_PAIR_REACH = 2
_LEAST_GAIN = 1e-9


def band_responses(
    equaliser: FixedBandEqualiser, *, gains_db: tuple[FloatArray, ...], frequencies: FloatArray
) -> tuple[ComplexArray, ...]:
    """Return the complex response of each band at each of its gains, B arrays of shape (K_b, P).

    Raises
    ------
    ValueError
        If the bands were measured in level only, so that their phase is not known.
    """
    tables = []
    for index, (band, gains) in enumerate(zip(equaliser.bands, gains_db, strict=True)):
        shapes = None if equaliser.shapes is None else equaliser.shapes[index : index + 1]
        alone = replace(equaliser, bands=(band,), shapes=shapes)
        tables.append(np.array([alone.response([gain], frequencies) for gain in gains]))
    return tuple(tables)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandSum:
    """The bands and the level of the subwoofer, judged by the sum at the seats.

    Attributes
    ----------
    data : JoiningData
        With delay, polarity and phase of the subwoofer put in, bands taken out.
    problem : BandGainProblem
        Gains that may be set, and limits.
    responses : tuple of ndarray of complex, shape (K_b, P)
        See `band_responses`.
    level_changes_db : ndarray, shape (L,)
        Changes of the level knob that may be set.
    present_mean_db : float
        Mean of the present bands' response over the axis of the problem.
    loss : Loss
    """

    data: JoiningData
    problem: BandGainProblem
    responses: tuple[ComplexArray, ...]
    level_changes_db: FloatArray
    present_mean_db: float
    loss: Loss
    surface: JoiningSurface = field(init=False, repr=False)
    tables: tuple[ComplexArray, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "surface", JoiningSurface(data=self.data, loss=self.loss))
        levels = 10.0 ** (self.level_changes_db / 20.0)
        constant = np.repeat(levels[:, None], self.data.points.size, axis=1).astype(np.complex128)
        object.__setattr__(self, "tables", (*self.responses, constant))

    def transfer(self, labels: LabelArray) -> ComplexArray:
        """Return what a setting does to the subwoofer, shape (P,); the level is the last label."""
        chosen = [table[label] for table, label in zip(self.tables, labels, strict=True)]
        return np.asarray(np.prod(chosen, axis=0))

    def objective(self, transfers: ComplexArray) -> FloatArray:
        """Return J for transfer functions, shape (N, P) to (N,)."""
        data, surface = self.data, self.surface
        smoothing = data.smoothing[:, surface.judged]
        total = data.sub[None] * transfers[:, None, :] + data.mains[None]
        power = total.real**2 + total.imag**2
        return surface.judged_power(power @ smoothing)

    def feasible(self, labels: LabelArray) -> NDArray[np.bool_]:
        """Return whether settings (N, B + 1) keep both limits, shape (N,)."""
        problem = self.problem
        rows = problem.limit_response_db(labels[:, :-1])
        mean = problem.mean_response_db(labels[:, :-1])
        change = self.level_changes_db[labels[:, -1]] + mean - self.present_mean_db
        drive = rows - mean[:, None] + np.maximum(0.0, change)[:, None]
        boost = (rows - problem.filter_cap_db).max(axis=1)
        within = (drive <= problem.drive_boost_db + TOLERANCE_DB).all(axis=1)
        return np.asarray(within & (boost <= TOLERANCE_DB))

    def descend(self, labels: LabelArray) -> tuple[LabelArray, float]:
        """Improve a feasible setting by single bands and pairs until none is better."""
        best = labels.copy()
        value = float(self.objective(self.transfer(best)[None])[0])
        moved = True
        while moved:
            moved = False
            for candidates in self._neighbourhoods(best):
                transfers = self._changed(best, candidates)
                objective = self.objective(transfers)
                order = np.argsort(objective, kind="stable")
                order = order[objective[order] < value - _LEAST_GAIN]
                for index in order:
                    if self.feasible(candidates[index : index + 1])[0]:
                        best, value = candidates[index].copy(), float(objective[index])
                        moved = True
                        break
        return best, value

    def _neighbourhoods(self, labels: LabelArray) -> list[LabelArray]:
        """Return all labels of each band, and all pairs of small steps."""
        counts = [table.shape[0] for table in self.tables]
        found = []
        for band, count in enumerate(counts):
            block = np.repeat(labels[None], count, axis=0)
            block[:, band] = np.arange(count)
            found.append(block)
        steps = [s for s in range(-_PAIR_REACH, _PAIR_REACH + 1) if s]
        for pair in itertools.combinations(range(len(counts)), 2):
            moves = np.array(list(itertools.product(steps, steps)))
            block = np.repeat(labels[None], len(moves), axis=0)
            block[:, pair] += moves
            inside = ((block[:, pair] >= 0) & (block[:, pair] < np.array(counts)[list(pair)])).all(
                1
            )
            if inside.any():
                found.append(block[inside])
        return found

    def _changed(self, labels: LabelArray, candidates: LabelArray) -> ComplexArray:
        """Return the transfer functions of candidates that differ from labels in few places."""
        differing = np.flatnonzero((candidates != labels).any(axis=0))
        kept = [
            table[label]
            for place, (table, label) in enumerate(zip(self.tables, labels, strict=True))
            if place not in differing
        ]
        base = np.prod(kept, axis=0) if kept else np.ones(self.data.points.size, dtype=complex)
        transfers = np.repeat(np.asarray(base)[None], len(candidates), axis=0)
        for place in differing:
            transfers = transfers * self.tables[place][candidates[:, place]]
        return np.asarray(transfers)

    def simplified(self, labels: LabelArray, *, allowance_db: float) -> tuple[LabelArray, float]:
        """Put bands back to 0, the smallest moves first, while that costs no more than allowed."""
        value = float(self.objective(self.transfer(labels)[None])[0])
        limit = (np.sqrt(value) + allowance_db) ** 2
        gains = self.problem.setting_gains_db(labels[:-1])
        for band in np.argsort(np.abs(gains), kind="stable"):
            rest = int(np.argmin(np.abs(self.problem.gains_db[band])))
            if gains[band] == 0 or self.problem.gains_db[band][rest] != 0:
                continue
            trial = labels.copy()
            trial[band] = rest
            costs = float(self.objective(self.transfer(trial)[None])[0])
            if costs <= limit and self.feasible(trial[None])[0]:
                labels, value = trial, costs
        return labels, value
