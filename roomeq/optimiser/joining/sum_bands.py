"""Level and bands of the subwoofer, chosen by the sum with the mains.

Conventions
-----------
As the band-gain problem (`roomeq.optimiser.bands.fit_data`), but for the sum: what is corrected is
the power average over the seats of ``S T g + M``, with S the subwoofer, its present bands divided
out, T the response of the bands and g the level knob's change, 1/6-octave power smoothing, from the
lowest band to twice the corner; less the wanted shape and one constant, which the mains' own mean
from 1.25 times the corner to twice the corner fixes, where they play nearly alone: what their known
filters take there is put back (a fourth-order Linkwitz-Riley high-pass takes 1.4 dB in the mean, by
which a flat sum would be cut). So the level is a variable like a band. Deviations are ``sqrt(F)``
in dB.

Limits are those of the subwoofer's own problem; boost and level together keep the drive limit. The
level is at most 3 dB above what the power sum ``|S T g|^2 + |M|^2`` would choose with the same
bands: a level that fills a cancellation only feeds it.

The power average is formed before the smoothing, both being linear in power, so that the cost does
not depend on the seats. The sum is not convex in the bands; `roomeq.optimiser.joining.sum_search`
descends.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal, Self

import numpy as np

from roomeq.analysis.smoothing import smooth_power
from roomeq.base.levels import (
    ComplexArray,
    FloatArray,
    amplitude_ratio_db,
    power_ratio_db,
    readonly,
)
from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.processor import JoiningSettings, LevelRange
from roomeq.optimiser.bands.fit_data import SHAPE_FRACTION
from roomeq.optimiser.bands.problem import BandGainProblem, LabelArray, nearest_labels
from roomeq.optimiser.bands.task import BandGainTask
from roomeq.optimiser.joining.data import JoiningData
from roomeq.wanted.loss import MEAN_CUT_WEIGHT
from roomeq.wanted.span import within_spans

MOST_ABOVE_POWER_SUM_DB = 3.0
MAINS_ALONE = 1.25, 2.0
_DIP_SHORTFALL_DB = 6.0
_TOLERANCE_DB = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SumSetting:
    """Bands and level, with the deviation of the sum.

    Attributes
    ----------
    gains_db : ndarray, shape (B,)
    level_change_db : float
    deviation_db : float
    """

    gains_db: FloatArray
    level_change_db: float
    deviation_db: float


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
class SumBands:
    """The problem of level and bands by the sum, behind one setting of delay and polarity.

    Attributes
    ----------
    data : JoiningData
        Filters as they will be, present bands in.
    joining : JoiningSettings
        Delay, polarity and phase; its level does not count.
    task : BandGainTask
        The subwoofer alone behind the same filters: gains that may be set, limits, what excuses a
        shortfall.
    levels : LevelRange
        Changes of the level knob that may be set.
    mains_filters : tuple of CrossoverFilter
        High-passes of the mains, electrical and of their box, as far as they are known.

    Raises
    ------
    ValueError
        If the mains were not measured where they play alone, or the bands' phase is not known.
    """

    data: JoiningData
    joining: JoiningSettings
    task: BandGainTask
    levels: LevelRange
    mains_filters: tuple[CrossoverFilter, ...] = ()
    problem: BandGainProblem = field(init=False, repr=False)
    tables: tuple[ComplexArray, ...] = field(init=False, repr=False)
    mean_tables_db: tuple[FloatArray, ...] = field(init=False, repr=False)
    level_changes_db: FloatArray = field(init=False, repr=False)
    smoothing: FloatArray = field(init=False, repr=False)
    sub_power: FloatArray = field(init=False, repr=False)
    mains_power: FloatArray = field(init=False, repr=False)
    cross: ComplexArray = field(init=False, repr=False)
    reference_db: FloatArray = field(init=False, repr=False)
    allowance_db: FloatArray = field(init=False, repr=False)
    weights: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        data, task = self.data, self.task
        turned = replace(self.joining, level_change_db=0.0).response(data.points)
        at_rest = task.equaliser.response(task.present_gains_db, data.points)
        share = data.seat_weights * 10.0 ** (-data.seat_offsets_db / 10.0)
        sub, mains = data.sub * (turned / at_rest), data.mains
        smoothing = smooth_power(
            data.points, np.eye(data.points.size), at=data.frequencies, fraction=SHAPE_FRACTION
        )
        problem = task.problem()
        prepared = {
            "problem": problem,
            "tables": band_responses(
                task.equaliser, gains_db=problem.gains_db, frequencies=data.points
            ),
            "mean_tables_db": tuple(
                table @ problem.frequency_weights for table in problem.tables_db
            ),
            "level_changes_db": readonly(np.union1d(self.levels.values_db, [0.0])),
            "smoothing": smoothing,
            "sub_power": share @ np.abs(sub) ** 2,
            "mains_power": share @ np.abs(mains) ** 2,
            "cross": share @ (sub * np.conj(mains)),
            "weights": data.frequency_weights,
            "allowance_db": task.target.allowance_db(data.frequencies),
        }
        for name, values in prepared.items():
            object.__setattr__(self, name, values)
        object.__setattr__(self, "reference_db", self._reference_db())

    def _reference_db(self) -> FloatArray:
        """Return the wanted level: the shape at the mains' own mean where they play alone."""
        axis, corner = self.data.frequencies, self.data.corner
        low, high = (factor * corner for factor in MAINS_ALONE)
        alone = (axis >= low * (1 - 1e-9)) & (axis <= high * (1 + 1e-9))
        if not np.any(self.weights[alone] > 0):
            raise ValueError(
                f"the mains have to be measured above {low:.0f} Hz, where they play alone: their "
                "level there is what the bass is fitted to"
            )
        mains_db = power_ratio_db(self.mains_power @ self.smoothing) - self.data.target_db
        mains_db = mains_db - amplitude_ratio_db(chain_response(self.mains_filters, axis))
        weights = np.where(alone, self.weights, 0.0)
        return np.asarray(self.data.target_db + mains_db @ weights / weights.sum())

    def error_db(self, transfers: ComplexArray, *, coherent: bool = True) -> FloatArray:
        """Return the error of the power average for transfer functions, (N, P) to (N, F)."""
        power = self.mains_power + (transfers.real**2 + transfers.imag**2) * self.sub_power
        if coherent:
            power = power + 2.0 * (
                transfers.real * self.cross.real - transfers.imag * self.cross.imag
            )
        smooth = np.maximum(power @ self.smoothing, np.finfo(np.float64).tiny)
        return np.asarray(power_ratio_db(smooth) - self.reference_db)

    def objective(
        self, transfers: ComplexArray, means_db: FloatArray, *, coherent: bool = True
    ) -> FloatArray:
        """Return F, shape (N,), of transfer functions (N, P) and mean responses Ebar (N,)."""
        error = self.error_db(transfers, coherent=coherent)
        axis, data = self.data.frequencies, self.task.data
        short = np.minimum(error + self.allowance_db, 0.0)
        below = axis <= self.data.corner  # above it the mains' own dips are there for good
        short = np.where(
            within_spans(data.dips, axis) & below, np.maximum(short, -_DIP_SHORTFALL_DB), short
        )
        short = np.where(within_spans(data.nulls, axis) & below, 0.0, short)
        excess = np.maximum(error, 0.0)
        value = self.task.loss.excess_weight * excess**2 + short**2
        return np.asarray(value @ self.weights + MEAN_CUT_WEIGHT * np.minimum(means_db, 0.0) ** 2)

    def _means_db(self, labels: LabelArray) -> FloatArray:
        means = [table[labels[:, band]] for band, table in enumerate(self.mean_tables_db)]
        return np.asarray(np.sum(means, axis=0))

    def _transfers(self, labels: LabelArray) -> ComplexArray:
        """Return what settings (N, B + 1) do to the subwoofer, shape (N, P).

        They differ from the first in few places, which alone are put in.
        """
        first = labels[0]
        level = 10.0 ** (self.level_changes_db / 20.0)
        tables = (*self.tables, np.outer(level, np.ones(self.data.points.size)))
        base = np.prod([table[label] for table, label in zip(tables, first, strict=True)], axis=0)
        total = np.repeat(base[None], len(labels), axis=0)
        for place, table in enumerate(tables):
            rows = np.flatnonzero(labels[:, place] != first[place])
            if rows.size:
                total[rows] *= (table / table[first[place]])[labels[rows, place]]
        return total

    def values(self, labels: LabelArray, *, coherent: bool = True) -> FloatArray:
        """Return F of settings: a label for each band and one for the level, (N, B + 1)."""
        return self.objective(self._transfers(labels), self._means_db(labels), coherent=coherent)

    def setting(self, labels: LabelArray) -> SumSetting:
        """Return a setting with its deviation."""
        return SumSetting(
            gains_db=readonly(self.problem.setting_gains_db(labels[:-1])),
            level_change_db=float(self.level_changes_db[labels[-1]]),
            deviation_db=float(np.sqrt(self.values(labels[None])[0])),
        )

    def present(self) -> SumSetting:
        """Return the present bands and level, whether or not they may be set."""
        gains = self.task.present_gains_db
        return SumSetting(
            gains_db=gains, level_change_db=0.0, deviation_db=self.deviation_db(gains, 0.0)
        )

    def deviation_db(self, gains_db: FloatArray, level_change_db: float) -> float:
        """Return the deviation with any gains and level, in dB."""
        bands = self.task.equaliser.response(gains_db, self.data.points)
        transfer = bands * 10.0 ** (level_change_db / 20.0)
        mean = self.task.data.mean_db(self.task.data.response_db(self.task.equaliser, gains_db))
        return float(np.sqrt(self.objective(transfer[None], np.array([mean]))[0]))

    def highest_level_db(self, labels: LabelArray) -> float:
        """Return the highest level change that the drive limit grants behind the bands."""
        rows = self.problem.limit_frequencies
        boost = self.problem.limit_response_db(labels[:-1])
        return self.task.limits.granted_level_db(rows, boost, self.task.floor)[0]

    def level_stops_at(self, setting: SumSetting) -> Literal["", "range", "drive"]:
        """Return what ends the level of a setting: the range on offer, the drive limit, nothing."""
        level, steps = setting.level_change_db, self.level_changes_db
        if level and min(abs(level - steps[0]), abs(level - steps[-1])) <= _TOLERANCE_DB:
            return "range"
        above = steps[steps > level + _TOLERANCE_DB]
        if not above.size:
            return ""
        highest = self.highest_level_db(self.nearest(setting.gains_db))
        next_db = float(above[0])
        forbidden = next_db > 0.0 and next_db > highest + _TOLERANCE_DB
        better = self.deviation_db(setting.gains_db, next_db) < setting.deviation_db
        return "drive" if forbidden and better else ""

    def power_sum_level_db(self, labels: LabelArray) -> float:
        """Return the level change that suits the bands if both added by their power."""
        values = self.values(self.at_all_levels(labels), coherent=False)
        return float(self.level_changes_db[int(np.argmin(values))])

    def feasible(self, labels: LabelArray) -> bool:
        """Return whether one setting keeps the limits of the shape, of the drive and of level."""
        if not self.problem.feasible(labels[:-1], _TOLERANCE_DB):
            return False
        level = float(self.level_changes_db[labels[-1]])
        if level <= float(self.level_changes_db[0]) + _TOLERANCE_DB:
            return True
        if level > 0.0 and level > self.highest_level_db(labels) + _TOLERANCE_DB:
            return False
        most = self.power_sum_level_db(labels) + MOST_ABOVE_POWER_SUM_DB
        return level <= most + _TOLERANCE_DB

    def with_sub(self, change: ComplexArray) -> Self:
        """Return the problem with a further transfer function in the subwoofer, shape (P,)."""
        return replace(self, data=self.data.with_transfers(sub=change))

    def nearest(self, gains_db: FloatArray) -> LabelArray:
        """Return the labels nearest to gains, at the present level, shape (B + 1,)."""
        labels = nearest_labels(self.problem.gains_db, gains_db)
        return np.array([*labels, int(np.argmin(np.abs(self.level_changes_db)))])

    def at_all_levels(self, labels: LabelArray) -> LabelArray:
        """Return a setting at every level, shape (L, B + 1)."""
        block = np.repeat(labels[None], self.level_changes_db.size, axis=0)
        block[:, -1] = np.arange(self.level_changes_db.size)
        return block

    def seat_deviations_db(self, setting: SumSetting) -> FloatArray:
        """Return the standard deviation over frequency of the sum at each seat, (S,), in dB."""
        data = self.data
        at_rest = self.task.equaliser.response(self.task.present_gains_db, data.points)
        bands = self.task.equaliser.response(setting.gains_db, data.points) / at_rest
        joining = replace(self.joining, level_change_db=setting.level_change_db)
        total = data.sub * (bands * joining.response(data.points)) + data.mains
        power = np.maximum(np.abs(total) ** 2 @ self.smoothing, np.finfo(np.float64).tiny)
        error = power_ratio_db(power) - data.target_db
        error = error - (error @ self.weights)[:, None]
        return np.asarray(np.sqrt(error**2 @ self.weights))

    def excess_fall_db(self, setting: SumSetting) -> float:
        """Return the most by which a setting lowers the mean excess of a band's third octave."""
        axis, equaliser = self.data.frequencies, self.task.equaliser
        gains = np.array([self.task.present_gains_db, setting.gains_db])
        levels = 10.0 ** (np.array([0.0, setting.level_change_db]) / 20.0)
        transfers = np.array(
            [
                equaliser.response(row, self.data.points) * g
                for row, g in zip(gains, levels, strict=True)
            ]
        )
        excess = np.maximum(self.error_db(transfers), 0.0)
        inside = [(axis >= band.lower) & (axis < band.upper) for band in equaliser.bands]
        falls = [float((excess[0] - excess[1])[one].mean()) for one in inside if one.any()]
        return max(falls, default=0.0)

    @property
    def present_allowed(self) -> bool:
        """Whether the present bands may be set and keep the limits of the shape."""
        labels = self.nearest(self.task.present_gains_db)[:-1]
        same = np.allclose(self.problem.setting_gains_db(labels), self.task.present_gains_db)
        return bool(same and self.problem.feasible(labels, 0.005))
