"""Delay and polarity of the subwoofer: what gets most of both through the crossover.

Conventions
-----------
The loss is that of `roomeq.optimiser.joining.summation`, with the filters as they will be and
before the bands. A delay that is set is the subwoofer's against the mains in s, positive is later.
Rules:

1. Admissible are both polarities, if they can be set, and changes of delay up to one period of the
   corner. Candidates are the local minima of either polarity, ends of the range included.
2. Tied is what loses at most 0.25 dB more than the least admissible: 0.3 dB, less what noise 40 dB
   below makes of it (with 0.3 dB as measured 6 of 240 random rooms ended beyond 0.3 dB without
   noise, with 0.25 dB none). What is set is kept if it is tied, unless the polarity is told to be
   the other one and a tied candidate with that polarity loses no more than what is set.
3. Otherwise, of the tied candidates, those of the told polarity if there are any; not those at
   which a seat loses more than 1 dB more than now, if any is left; then the shortest change, where
   a flip counts as 2 ms.
4. A phase control stays where it is (it gained at most 0.17 dB beside a delay) unless there is no
   delay to set: then it is chosen in the same way.

Shortest, not flattest: flatness within the tie bought at most 0.1 dB of deviation, with delays
twice as long and more loss at seats left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.levels import FloatArray, readonly
from roomeq.device.processor import DelayRange, JoiningSettings, lag_at_deg, phase_settings_deg
from roomeq.device.profile import PhaseControl
from roomeq.optimiser.joining.data import JoiningData
from roomeq.optimiser.joining.summation import SumLoss, judge_sum, judge_sums

TIE_DB = 0.25
SEAT_LOSS_DB = 1.0
FLIP_COST = 0.002
LONG_GAIN_DB = 0.5
REALIGN_REACH = 0.0025
_SAME = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """Delay, polarity and phase that were chosen, and what they were chosen from.

    Attributes
    ----------
    data : JoiningData
    present, chosen : SumLoss
        The same where what is set is kept.
    by_polarity : tuple of SumLoss
        The best admissible delay with normal and with inverted polarity, whether or not the
        polarity can be set.
    least_db : float
        Least admissible loss.
    tied : tuple of SumLoss
    told_inverted : bool or None
        Setting of the polarity that was told; None where it was not told.
    longer : SumLoss or None
        A change of delay by more than one period that gains 0.5 dB more.
    delays : ndarray, shape (D,)
        Seconds, within one period of what is set.
    loss_map_db : ndarray, shape (2, D)
    """

    data: JoiningData
    present: SumLoss
    chosen: SumLoss
    by_polarity: tuple[SumLoss, SumLoss]
    least_db: float
    tied: tuple[SumLoss, ...]
    told_inverted: bool | None
    longer: SumLoss | None
    delays: FloatArray
    loss_map_db: FloatArray

    @property
    def kept(self) -> bool:
        """Whether what is set is kept."""
        return self.chosen is self.present

    @property
    def either_polarity(self) -> bool:
        """Whether both polarities sum equally well, each at a delay of its own."""
        return len({one.settings.inverted for one in self.tied}) == 2

    @property
    def at_end(self) -> bool:
        """Whether the chosen delay is the first or last one that can be set, but not set now."""
        ends = self.delays[[0, -1]]
        if self.kept or self.delays.size < 2:
            return False
        return bool(np.isclose(self.chosen.settings.delay, ends, rtol=0.0, atol=_SAME).any())


def align(
    data: JoiningData,
    *,
    delays: DelayRange | None = None,
    phase_control: PhaseControl | None = None,
    can_invert: bool = True,
    told_inverted: bool | None = None,
) -> Alignment:
    """Choose delay and polarity, or the phase control where there is no delay to set.

    Parameters
    ----------
    data : JoiningData
        Filters as they will be, bands as they are.
    delays : DelayRange, optional
        Delays that can be set, the mains' counted as negative; 20 ms to either side by default.
    phase_control : PhaseControl, optional
    can_invert : bool
        Whether the polarity can be set; both are judged all the same.
    told_inverted : bool, optional
        Setting of the polarity that `roomeq.optimiser.joining.polarity` tells; it only ever chooses
        between settings that sum equally well.

    Returns
    -------
    Alignment

    Raises
    ------
    ValueError
        If too little was measured around the corner, or a range holds no setting.
    """
    present, period = replace(data.present, level_change_db=0.0), 1.0 / data.corner
    values, now = (delays or DelayRange()).values, judge_sum(data, present)
    near = _near(values, present.delay, reach=period)
    over_delay = _both_polarities(data, [replace(present, delay=d) for d in near.tolist()])
    tried = over_delay
    if values.size == 1 and phase_control is not None:
        at = phase_control.frequency
        phases = _with(phase_settings_deg(phase_control), present.phase_deg)
        turned = [replace(present, phase_deg=p, phase_frequency=at) for p in phases.tolist()]
        tried = _both_polarities(data, turned)
    allowed = (False, True) if can_invert else (present.inverted,)
    admissible = [one for inverted in allowed for one in _minima(tried[inverted])]
    least = min(one.loss_db for one in (now, *admissible))
    tied = [one for one in admissible if one.loss_db <= least + TIE_DB]
    far = [present.delay, *values[np.abs(values - present.delay) > period + _SAME].tolist()]
    beyond = _both_polarities(data, [replace(present, delay=d) for d in far])
    longest = _least(one for inverted in allowed for one in beyond[inverted])
    return Alignment(
        data=data,
        present=now,
        chosen=_chosen(now, tied, least=least, told=told_inverted, corner=data.corner),
        by_polarity=(_least(tried[0]), _least(tried[1])),
        least_db=least,
        tied=tuple(one for one in (now, *tied) if one.loss_db <= least + TIE_DB),
        told_inverted=told_inverted,
        longer=longest if least - longest.loss_db >= LONG_GAIN_DB else None,
        delays=near,
        loss_map_db=readonly([[one.loss_db for one in row] for row in over_delay]),
    )


def realign(
    data: JoiningData, settings: JoiningSettings, *, delays: DelayRange | None
) -> JoiningSettings:
    """Return a setting with the delay of least loss within 2.5 ms, polarity as it is.

    Once, with the bands in: they turn the phase a little. Kept where that gains nothing.
    """
    near = _near((delays or DelayRange()).values, settings.delay, reach=REALIGN_REACH)
    judged = judge_sums(data, [replace(settings, delay=delay) for delay in near.tolist()])
    away = 1e-9 * np.abs(near - settings.delay)
    losses = [one.loss_db for one in judged]
    return judged[int(np.argmin(losses + away))].settings


def _near(values: FloatArray, delay: float, *, reach: float) -> FloatArray:
    """Return the delays within reach of one, and that one, rising."""
    return _with(values[np.abs(values - delay) <= reach + _SAME], delay)


def _with(values: FloatArray, present: float) -> FloatArray:
    """Return what can be set, rising, and what is set."""
    if not np.isclose(values, present, rtol=0.0, atol=_SAME).any():
        values = np.sort(np.append(values, present))
    return readonly(values)


def _both_polarities(
    data: JoiningData, settings: list[JoiningSettings]
) -> tuple[list[SumLoss], list[SumLoss]]:
    """Judge settings on one line, in order: normal, then inverted."""
    both = [replace(one, inverted=inverted) for inverted in (False, True) for one in settings]
    judged = judge_sums(data, both)
    return judged[: len(settings)], judged[len(settings) :]


def _minima(line: list[SumLoss]) -> list[SumLoss]:
    """Return the local minima on a line, its ends included."""
    row = np.pad([one.loss_db for one in line], 1, constant_values=np.inf)
    places = np.flatnonzero((row[1:-1] <= row[:-2]) & (row[1:-1] <= row[2:]))
    return [line[place] for place in places]


def _least(judged: Iterable[SumLoss]) -> SumLoss:
    return min(judged, key=lambda one: one.loss_db)


def _change(one: JoiningSettings, now: JoiningSettings, *, corner: float) -> float:
    """Return how much a setting changes, in s."""
    lags = [
        lag_at_deg(corner, lag_deg=each.phase_deg, frequency=each.phase_frequency or corner)
        for each in (one, now)
    ]
    turned = abs(one.delay - now.delay) + float(abs(lags[0] - lags[1])) / 360.0 / corner
    return turned + FLIP_COST * (one.inverted != now.inverted)


def _chosen(
    now: SumLoss, tied: list[SumLoss], *, least: float, told: bool | None, corner: float
) -> SumLoss:
    """Apply rules 2 and 3."""
    if now.loss_db <= least + TIE_DB:
        other = [
            one
            for one in tied
            if told is not None
            and one.settings.inverted == told != now.settings.inverted
            and one.loss_db <= now.loss_db
        ]
        if not other:
            return now
        tied = other
    left = [one for one in tied if one.settings.inverted == told] or tied
    kind = [one for one in left if np.max(one.by_seat_db - now.by_seat_db) <= SEAT_LOSS_DB]

    def cost(one: SumLoss) -> tuple[float, float]:
        return _change(one.settings, now.settings, corner=corner), one.loss_db

    return min(kind or left, key=cost)
