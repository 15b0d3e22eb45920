"""The alternation behind all settings together.

Conventions
-----------
As in `roomeq.optimiser.all_settings`, which states the problem. A round is: filters with joining
anew for each choice, joining, bands and level by the sum. Nothing is taken that is worse, or that
breaks a limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial

import msgspec
import numpy as np

from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.phase_control import lag_at_deg
from roomeq.device.profile import PhaseControl
from roomeq.levels import FloatArray, readonly
from roomeq.optimiser.all_settings_fit import AllSettings, AllSettingsFit
from roomeq.optimiser.band_gains import BandGainTask
from roomeq.optimiser.band_sum import BandSum, band_responses
from roomeq.optimiser.fit_data import FitData, prepare_fit
from roomeq.optimiser.joining import JoiningFit, fit_joining
from roomeq.optimiser.joining_data import JoiningData
from roomeq.optimiser.joining_settings import DelayRange, LevelRange
from roomeq.optimiser.limits import Limits, band_freedoms, limit_axis
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.problem import BandGainProblem, LabelArray
from roomeq.optimiser.target import Target
from roomeq.response import ComplexArray
from roomeq.survey import Survey

__all__ = [
    "AllSettingsTask",
    "around_crossover",
    "without_bypassed",
]

LEAST_GAIN_DB = 0.1
ALLOWANCE_DB = 0.05
MOST_ROUNDS = 8
_LEAST_SEATS = 3
_NOISE_DB = 1e-6


def without_bypassed(
    path: tuple[CrossoverFilter, ...], bypassed: tuple[CrossoverFilter, ...]
) -> tuple[CrossoverFilter, ...]:
    """Return a path without bypassed filters; of two that are alike only one goes for each.

    Raises
    ------
    ValueError
        If one of them is not in the path.
    """
    left = list(path)
    for one in bypassed:
        left.remove(one)
    return tuple(left)


def around_crossover(data: JoiningData) -> JoiningData:
    """Return data that are judged from an octave below the corner to an octave above, no wider."""
    inside = (data.frequencies >= 0.5 * data.corner) & (data.frequencies <= 2.0 * data.corner)
    weights = np.where(inside, data.frequency_weights, 0.0)
    return replace(data, frequency_weights=weights) if weights.any() else data


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AllSettingsTask:
    """Everything that the settings are chosen from.

    Attributes are the arguments of `roomeq.optimiser.all_settings.fit_all_settings`; `data` has the
    present bands taken out, `bypasses` holds every set of low-passes that may be switched off.
    """

    survey: Survey
    data: JoiningData
    equaliser: FixedBandEqualiser
    target: Target
    limits: Limits
    loss: Loss
    protection: CrossoverFilter | None
    protections: tuple[CrossoverFilter | None, ...]
    bypasses: tuple[tuple[CrossoverFilter, ...], ...]
    present_gains_db: FloatArray
    delays: DelayRange | None
    phase_control: PhaseControl | None
    levels: LevelRange
    can_invert: bool
    prove: bool
    prepared: dict[tuple[object, ...], tuple[FitData, JoiningData]] = field(default_factory=dict)

    def solved(self) -> AllSettingsFit:
        """Return what comes of solving in turn, and together from there."""
        present = AllSettings(
            protection=self.protection,
            bypassed=(),
            joining=self.data.present,
            gains_db=self.present_gains_db,
        )
        in_turn = self._in_turn(present)
        together, rounds = self._together(in_turn)
        turn_db = self.deviation_db(in_turn)
        if turn_db - self.deviation_db(together) < LEAST_GAIN_DB:
            together = in_turn
        if self._turned(together) and not (self._turned(present) or self._told_turned(together)):
            return replace(self, can_invert=False, phase_control=self._up_to_90_deg()).solved()
        final_data = self._with_bands(together)
        return AllSettingsFit(
            data=self.data,
            present_data=self._with_bands(present),
            final_data=final_data,
            present=present,
            in_turn=in_turn,
            settings=together,
            deviation_before_db=self.deviation_db(present),
            in_turn_deviation_db=turn_db,
            deviation_db=self.deviation_db(together),
            before_by_seat_db=self._by_seat_db(present),
            in_turn_by_seat_db=self._by_seat_db(in_turn),
            after_by_seat_db=self._by_seat_db(together),
            predicted_level_db=readonly(final_data.predicted_level_db(together.joining)),
            rounds=rounds,
            left_out_by_seat_db=self._left_out_by_seat_db(present),
        )

    def _left_out_by_seat_db(self, present: AllSettings) -> FloatArray | None:
        """Choose settings in turn without each seat, and see how they do there."""
        seats = self.data.seats
        if len(seats) < _LEAST_SEATS:
            return None
        found = []
        for index, seat in enumerate(seats):
            without = replace(
                self,
                survey=self.survey.without_seat(seat),
                data=self.data.without_seat(index),
                prove=False,
                prepared={},
            )
            found.append(self._by_seat_db(without._in_turn(present))[index])
        return readonly(found)

    def _filter_change(self, settings: AllSettings, frequencies: FloatArray) -> ComplexArray:
        """Return what another protection and bypassed low-passes change in the subwoofer."""
        now = () if settings.protection is None else (settings.protection,)
        was = () if self.protection is None else (self.protection,)
        return np.asarray(
            chain_response(now, frequencies)
            / chain_response(was, frequencies)
            / chain_response(settings.bypassed, frequencies)
        )

    def _filtered(self, settings: AllSettings) -> tuple[FitData, JoiningData]:
        """Return the data of the bands and of the sum with the filters of a setting, once each."""
        key = (settings.protection, settings.bypassed)
        if key not in self.prepared:
            band_data = self._band_data(settings)
            change = self._filter_change(settings, self.data.points)
            joint = replace(self.data.with_transfers(sub=change), trust=self._trust(band_data))
            self.prepared[key] = band_data, joint
        return self.prepared[key]

    def _with_bands(self, settings: AllSettings) -> JoiningData:
        bands = self.equaliser.response(settings.gains_db, self.data.points)
        return self._filtered(settings)[1].with_transfers(sub=bands)

    def deviation_db(self, settings: AllSettings) -> float:
        """Return the weighted deviation of the sum with a setting, in dB."""
        return self._with_bands(settings).deviation_db(settings.joining, loss=self.loss)

    def _by_seat_db(self, settings: AllSettings) -> FloatArray:
        data = self._with_bands(settings)
        return readonly(data.deviations_db(settings.joining, loss=self.loss))

    def _trust(self, band_data: FitData) -> FloatArray:
        """Return the trust in a shortfall of the subwoofer alone; above its fit axis 1."""
        where, known = np.log(self.data.frequencies), np.log(band_data.frequencies)
        return np.array([np.interp(where, known, row, right=1.0) for row in band_data.trust])

    def _band_data(self, settings: AllSettings) -> FitData:
        """Prepare the subwoofer alone, with another protection and bypassed low-passes."""
        path = without_bypassed(self.target.path, settings.bypassed)
        return prepare_fit(
            self.survey.filtered("sub", partial(self._filter_change, settings)),
            equaliser=self.equaliser,
            target=replace(self.target, path=path),
            present_gains_db=self.present_gains_db,
            corner=self.data.corner,
        )

    def _band_task(self, settings: AllSettings) -> BandGainTask:
        """State the band-gain problem of the subwoofer alone."""
        limits = self.limits
        if settings.protection is not None:
            known = limits.no_boost_below or 0.0
            limits = replace(limits, no_boost_below=max(known, settings.protection.corner))
        floor = limits.floor(self.target.lower_limit)
        data = self._filtered(settings)[0]
        return BandGainTask(
            data=data,
            equaliser=self.equaliser,
            limits=limits,
            loss=self.loss,
            floor=floor,
            freedoms=band_freedoms(
                self.equaliser,
                limits=limits,
                floor=floor,
                corner=self.data.corner,
                seen=data.frequencies[data.frequency_weights > 0],
            ),
            present_gains_db=self.present_gains_db,
        )

    def _in_turn(self, present: AllSettings) -> AllSettings:
        settings = self._with_best_filters(present, joined=False)
        settings = self._joined(settings)
        task = self._band_task(settings)
        problem, solution = task.solve(prove=self.prove, node_limit=None)
        gains = problem.setting_gains_db(solution.labels)
        present_mean = float(task.data.present_db @ task.data.frequency_weights)
        change = present_mean - float(problem.mean_response_db(solution.labels))
        settings = replace(settings, gains_db=gains)
        offered = self._levels_within_limits(settings).values_db
        wanted_db = settings.joining.level_change_db + change
        level = float(offered[np.argmin(np.abs(offered - wanted_db))])
        return replace(settings, joining=replace(settings.joining, level_change_db=level))

    def _levels_within_limits(self, settings: AllSettings) -> LevelRange:
        """Return the level changes that keep the drive limit with the bands of a setting.

        Boost less mean response, plus what the subwoofer gets louder: the mean cancels.
        """
        task = self._band_task(settings)
        rows = limit_axis(self.equaliser, floor=task.floor)
        boost = self.equaliser.response_db(settings.gains_db, rows)
        present_mean = float(task.data.present_db @ task.data.frequency_weights)
        loudest = float((self.limits.drive_db(rows) - boost).min()) + present_mean
        highest = min(self.levels.highest_db, loudest)
        return replace(self.levels, highest_db=max(float(self.levels.values_db[0]), highest))

    def _with_best_filters(self, settings: AllSettings, *, joined: bool) -> AllSettings:
        """Choose protection, then low-passes to bypass; `joined` joins anew for each choice."""
        for name, options in (("protection", self.protections), ("bypassed", self.bypasses)):
            tried = [settings]
            for option in options:
                if option == getattr(settings, name):
                    continue
                other = self._changed(settings, name, option)
                tried.append(self._joined(other) if joined else other)
            best = min(tried, key=self.deviation_db)
            if self.deviation_db(settings) - self.deviation_db(best) >= LEAST_GAIN_DB:
                settings = best
        return settings

    @staticmethod
    def _changed(settings: AllSettings, name: str, option: object) -> AllSettings:
        if name == "protection":
            assert option is None or isinstance(option, CrossoverFilter)
            return replace(settings, protection=option)
        assert isinstance(option, tuple)
        return replace(settings, bypassed=option)

    def _fit_of(self, settings: AllSettings) -> partial[JoiningFit]:
        """Return a search for delay, polarity, phase and level within the limits."""
        return partial(
            fit_joining,
            delays=self.delays,
            phase_control=self.phase_control,
            levels=self._levels_within_limits(settings),
            loss=self.loss,
            least_improvement_db=-math.inf,
        )

    def _turned(self, settings: AllSettings) -> bool:
        """Return whether the subwoofer is inverted, or lags by more than 90 degrees at the corner.

        A phase control beyond 90 degrees is nearer to a flip than to rest.
        """
        joining, lag = settings.joining, 0.0
        if joining.phase_deg and joining.phase_frequency is not None:
            lag = float(
                lag_at_deg(
                    self.data.corner, lag_deg=joining.phase_deg, frequency=joining.phase_frequency
                )
            )
        return joining.inverted or lag > 90.0 + 1e-9

    def _told_turned(self, settings: AllSettings) -> bool:
        """Return whether a flip still gains enough around the crossover, with the final bands."""
        near = around_crossover(self._with_bands(settings))
        found = self._fit_of(settings)(near, can_invert=self.can_invert)
        return self._turned(replace(settings, joining=found.candidate))

    def _up_to_90_deg(self) -> PhaseControl | None:
        """Return the phase control as far as it lags by 90 degrees at the corner at most."""
        control = self.phase_control
        if control is None:
            return None
        # first order: tan(lag / 2) is frequency over the all-pass's own
        most = math.degrees(2.0 * math.atan(control.frequency / self.data.corner))
        highest = max(control.lowest_deg, min(control.highest_deg, most + 1e-9))
        return msgspec.structs.replace(control, highest_deg=highest)

    def _joined(self, settings: AllSettings) -> AllSettings:
        """Choose delay, polarity, phase and level anew; keep what is there if that is better.

        Polarity is told around the crossover, where subwoofer and mains meet; over the whole span
        the room's modes outweigh it. With that polarity the rest is chosen over the whole span.
        """
        data, fit = self._with_bands(settings), self._fit_of(settings)
        near = fit(around_crossover(data), can_invert=self.can_invert).candidate
        sign = -1.0 if near.inverted else 1.0
        turned = fit(data.with_transfers(sub=sign), can_invert=False).candidate
        others = (near, replace(turned, inverted=near.inverted))
        return min(
            (settings, *(replace(settings, joining=one) for one in others)), key=self.deviation_db
        )

    def _together(self, start: AllSettings) -> tuple[AllSettings, int]:
        settings, value = start, self.deviation_db(start)
        for number in range(1, MOST_ROUNDS + 1):
            other = self._with_best_filters(settings, joined=True)
            other = self._within_limits(settings, self._joined(other))
            other = self._with_bands_by_sum(other)
            reached = self.deviation_db(other)
            if not reached < value - _NOISE_DB:
                return self._simplified(settings, start), number
            settings, value = other, reached
        return self._simplified(settings, start), MOST_ROUNDS

    def _band_sum(self, settings: AllSettings) -> tuple[BandSum, LabelArray]:
        """State the problem of bands and level by the sum, and where it stands now."""
        task = self._band_task(settings)
        problem: BandGainProblem = task.problem()
        turned = replace(settings.joining, level_change_db=0.0).response(self.data.points)
        offered = np.union1d(self.levels.values_db, [settings.joining.level_change_db])
        labels = [
            int(np.argmin(np.abs(allowed - gain)))
            for allowed, gain in zip(problem.gains_db, settings.gains_db, strict=True)
        ]
        labels.append(int(np.argmin(np.abs(offered - settings.joining.level_change_db))))
        band_sum = BandSum(
            data=self._filtered(settings)[1].with_transfers(sub=turned),
            problem=problem,
            responses=band_responses(
                self.equaliser, gains_db=problem.gains_db, frequencies=self.data.points
            ),
            level_changes_db=offered,
            present_mean_db=float(task.data.present_db @ task.data.frequency_weights),
            loss=self.loss,
        )
        return band_sum, np.array(labels)

    def _within_limits(self, settings: AllSettings, other: AllSettings) -> AllSettings:
        """Keep the old settings where a new level would break the drive limit."""
        band_sum, labels = self._band_sum(other)
        return other if band_sum.feasible(labels[None])[0] else settings

    def _with_bands_by_sum(self, settings: AllSettings) -> AllSettings:
        band_sum, labels = self._band_sum(settings)
        found, _ = band_sum.descend(labels)
        return self._taken(settings, band_sum, found)

    def _simplified(self, settings: AllSettings, start: AllSettings) -> AllSettings:
        """Put small moves back while the result stays as good as the start by 0.1 dB."""
        spare = self.deviation_db(start) - LEAST_GAIN_DB - self.deviation_db(settings)
        if spare <= 0:
            return settings
        band_sum, labels = self._band_sum(settings)
        found, _ = band_sum.simplified(labels, allowance_db=min(ALLOWANCE_DB, spare))
        return self._taken(settings, band_sum, found)

    @staticmethod
    def _taken(settings: AllSettings, band_sum: BandSum, labels: LabelArray) -> AllSettings:
        level = float(band_sum.level_changes_db[labels[-1]])
        return replace(
            settings,
            joining=replace(settings.joining, level_change_db=level),
            gains_db=band_sum.problem.setting_gains_db(labels[:-1]),
        )
