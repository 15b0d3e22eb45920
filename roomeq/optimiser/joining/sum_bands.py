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
    amplitude_ratio,
    amplitude_ratio_db,
    power_ratio,
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
TOLERANCE_DB = 1e-6
_BLOCK = 64  # settings that are judged at once: more do not stay in a fast memory


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
    equaliser.require_phase()
    return tuple(
        equaliser.band_ratio(index, frequencies, gains) for index, gains in enumerate(gains_db)
    )


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
    level_changes_db: FloatArray = field(init=False, repr=False)
    smoothing: FloatArray = field(init=False, repr=False)
    powers: tuple[FloatArray, FloatArray, ComplexArray] = field(init=False, repr=False)
    reference_db: FloatArray = field(init=False, repr=False)
    deepest_db: FloatArray = field(init=False, repr=False)
    asked_db: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        data, axis, every = self.data, self.data.frequencies, np.eye(self.data.points.size)
        problem, levels_db = self.task.problem(), np.union1d(self.levels.values_db, [0.0])
        alone = band_responses(
            self.task.equaliser, gains_db=problem.gains_db, frequencies=data.points
        )
        level = amplitude_ratio(levels_db)[:, None] * np.ones(data.points.size)
        at_rest = self.task.equaliser.response(self.task.present_gains_db, data.points)
        turned = replace(self.joining, level_change_db=0.0).response(data.points) / at_rest
        share = data.seat_weights / power_ratio(data.seat_offsets_db)
        sub, mains, seen = data.sub * turned, data.mains, self.task.data
        below = axis <= data.corner  # above it the mains' own dips are there for good
        dips, nulls = (within_spans(spans, axis) & below for spans in (seen.dips, seen.nulls))
        for name, value in {
            "problem": problem,
            "tables": (*alone, level),
            "level_changes_db": readonly(levels_db),
            "smoothing": smooth_power(data.points, every, at=axis, fraction=SHAPE_FRACTION),
            "powers": (
                share @ np.abs(sub) ** 2,
                share @ np.abs(mains) ** 2,
                share @ (sub * np.conj(mains)),
            ),
            "asked_db": -self.task.target.allowance_db(axis),
            # The least that a shortfall counts as: in dips -6 dB, in nulls 0, else as it is.
            "deepest_db": np.where(nulls, 0.0, np.where(dips, -_DIP_SHORTFALL_DB, -np.inf)),
        }.items():
            object.__setattr__(self, name, value)
        object.__setattr__(self, "reference_db", self._reference_db())

    def _reference_db(self) -> FloatArray:
        """Return the wanted level: the shape at the mains' own mean where they play alone."""
        axis, corner = self.data.frequencies, self.data.corner
        low, high = (factor * corner for factor in MAINS_ALONE)
        alone = (axis >= low * (1 - 1e-9)) & (axis <= high * (1 + 1e-9))
        weights = np.where(alone, self.data.frequency_weights, 0.0)
        if not np.any(weights > 0):
            raise ValueError(
                f"the mains have to be measured above {low:.0f} Hz, where they play alone: their "
                "level there is what the bass is fitted to"
            )
        mains_db = power_ratio_db(self.powers[1] @ self.smoothing) - self.data.target_db
        mains_db = mains_db - amplitude_ratio_db(chain_response(self.mains_filters, axis))
        return np.asarray(self.data.target_db + mains_db @ weights / weights.sum())

    def error_db(self, transfers: ComplexArray, *, coherent: bool = True) -> FloatArray:
        """Return the error of the power average for transfer functions, (N, P) to (N, F)."""
        sub, mains, cross = self.powers
        power = mains + (transfers.real**2 + transfers.imag**2) * sub
        if coherent:
            power += 2.0 * (transfers.real * cross.real - transfers.imag * cross.imag)
        smooth = np.maximum(power @ self.smoothing, np.finfo(np.float64).tiny)
        return np.asarray(power_ratio_db(smooth) - self.reference_db)

    def objective(
        self, transfers: ComplexArray, means_db: FloatArray, *, coherent: bool = True
    ) -> FloatArray:
        """Return F, shape (N,), of transfer functions (N, P) and mean responses Ebar (N,)."""
        error = self.error_db(transfers, coherent=coherent)
        short = np.maximum(np.minimum(error - self.asked_db, 0.0), self.deepest_db)
        value = self.task.loss.excess_weight * np.maximum(error, 0.0) ** 2 + short**2
        mean_cut = MEAN_CUT_WEIGHT * np.minimum(means_db, 0.0) ** 2
        return np.asarray(value @ self.data.frequency_weights + mean_cut)

    def values(self, labels: LabelArray, *, coherent: bool = True) -> FloatArray:
        """Return F of settings: a label for each band and one for the level, (N, B + 1)."""
        blocks = [labels[k : k + _BLOCK] for k in range(0, len(labels), _BLOCK)]
        return np.concatenate([self._values(block, coherent) for block in blocks])

    def _values(self, labels: LabelArray, coherent: bool) -> FloatArray:
        alike = (labels == labels[0]).all(axis=0)
        alike[-1] = False  # one of many settings for each
        transfers = np.ones(self.data.points.size, dtype=np.complex128)
        for place in np.argsort(~alike, kind="stable"):  # what is alike only once
            label = labels[0, place] if alike[place] else labels[:, place]
            transfers = transfers * self.tables[place][label]
        means_db = self.problem.mean_response_db(labels[:, :-1])
        return self.objective(transfers, means_db, coherent=coherent)

    def setting(self, labels: LabelArray) -> SumSetting:
        """Return a setting with its deviation."""
        gains_db = readonly(self.problem.setting_gains_db(labels[:-1]))
        return self._judged(gains_db, float(self.level_changes_db[labels[-1]]))

    def present(self) -> SumSetting:
        """Return the present bands and level, whether or not they may be set."""
        return self._judged(self.task.present_gains_db, 0.0)

    def _judged(self, gains_db: FloatArray, level_db: float) -> SumSetting:
        deviation_db = self.deviation_db(gains_db, level_db)
        return SumSetting(gains_db=gains_db, level_change_db=level_db, deviation_db=deviation_db)

    def _transfer(self, gains_db: FloatArray, level_change_db: float) -> ComplexArray:
        """Return what any gains and level do to the subwoofer with its bands at rest, (P,)."""
        bands = self.task.equaliser.response(gains_db, self.data.points)
        return np.asarray(bands * amplitude_ratio(level_change_db))

    def deviation_db(self, gains_db: FloatArray, level_change_db: float) -> float:
        """Return the deviation with any gains and level, in dB."""
        transfer, own = self._transfer(gains_db, level_change_db), self.task.data
        mean = own.mean_db(own.response_db(self.task.equaliser, gains_db))
        return float(np.sqrt(self.objective(transfer[None], np.array([mean]))[0]))

    def highest_level_db(self, labels: LabelArray) -> float:
        """Return the highest level change that the drive limit grants behind the bands."""
        rows = self.problem.limit_frequencies
        boost = self.problem.limit_response_db(labels[:-1])
        return self.task.limits.granted_level_db(rows, boost, self.task.floor)[0]

    def level_stops_at(self, setting: SumSetting) -> Literal["", "range", "drive"]:
        """Return what ends the level of a setting: the range on offer, the drive limit, nothing."""
        level, steps = setting.level_change_db, self.level_changes_db
        if level and min(abs(level - steps[0]), abs(level - steps[-1])) <= TOLERANCE_DB:
            return "range"
        above = steps[steps > level + TOLERANCE_DB]
        if not above.size:
            return ""
        highest = self.highest_level_db(self.nearest(setting.gains_db))
        next_db = float(above[0])
        forbidden = next_db > 0.0 and next_db > highest + TOLERANCE_DB
        better = self.deviation_db(setting.gains_db, next_db) < setting.deviation_db
        return "drive" if forbidden and better else ""

    def feasible(self, labels: LabelArray) -> bool:
        """Return whether one setting keeps the limits of the shape, of the drive and of level."""
        if not self.problem.feasible(labels[:-1], TOLERANCE_DB):
            return False
        steps = self.level_changes_db
        level = float(steps[labels[-1]])
        if level > 0.0 and level > self.highest_level_db(labels) + TOLERANCE_DB:
            return False
        by_power = self.values(self.at_all_levels(labels), coherent=False)
        most = float(steps[int(np.argmin(by_power))]) + MOST_ABOVE_POWER_SUM_DB
        return level <= most + TOLERANCE_DB

    def with_sub(self, change: ComplexArray) -> Self:
        """Return the problem with a further transfer function in the subwoofer, shape (P,)."""
        return replace(self, data=self.data.with_transfers(sub=change))

    def nearest(self, gains_db: FloatArray) -> LabelArray:
        """Return the labels nearest to gains, at the present level, shape (B + 1,)."""
        return nearest_labels(
            (*self.problem.gains_db, self.level_changes_db), np.append(gains_db, 0.0)
        )

    def at_all_levels(self, labels: LabelArray) -> LabelArray:
        """Return a setting at every level, shape (L, B + 1)."""
        block = np.repeat(labels[None], self.level_changes_db.size, axis=0)
        block[:, -1] = np.arange(self.level_changes_db.size)
        return block

    def change(self, gains_db: FloatArray) -> ComplexArray:
        """Return what other gains change against the present ones, shape (P,)."""
        return self._transfer(gains_db, 0.0) / self._transfer(self.task.present_gains_db, 0.0)

    def seat_deviations_db(self, setting: SumSetting) -> FloatArray:
        """Return the standard deviation over frequency of the sum at each seat, (S,), in dB."""
        joining = replace(self.joining, level_change_db=setting.level_change_db)
        changed = self.data.with_transfers(sub=self.change(setting.gains_db))
        total = changed.predicted_sum(joining)
        power = np.maximum(np.abs(total) ** 2 @ self.smoothing, np.finfo(np.float64).tiny)
        error, weights = power_ratio_db(power) - self.data.target_db, self.data.frequency_weights
        error = error - (error @ weights)[:, None]
        return np.asarray(np.sqrt(error**2 @ weights))

    def excess_fall_db(self, setting: SumSetting) -> float:
        """Return the most by which a setting lowers the mean excess of a band's third octave."""
        axis = self.data.frequencies
        transfers = [
            self._transfer(one.gains_db, one.level_change_db) for one in (self.present(), setting)
        ]
        excess = np.maximum(self.error_db(np.array(transfers)), 0.0)
        bands = self.task.equaliser.bands
        inside = [(axis >= band.lower) & (axis < band.upper) for band in bands]
        falls = [float((excess[0] - excess[1])[one].mean()) for one in inside if one.any()]
        return max(falls, default=0.0)

    @property
    def present_allowed(self) -> bool:
        """Whether the present bands may be set and keep the limits of the shape."""
        labels = self.nearest(self.task.present_gains_db)[:-1]
        same = np.allclose(self.problem.setting_gains_db(labels), self.task.present_gains_db)
        return bool(same and self.problem.feasible(labels, 0.005))
