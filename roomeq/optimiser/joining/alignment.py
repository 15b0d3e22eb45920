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

from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.levels import ComplexArray, FloatArray, readonly
from roomeq.device.processor import DelayRange, JoiningSettings, lag_at_deg, phase_settings_deg
from roomeq.device.profile import PhaseControl
from roomeq.optimiser.joining.data import JoiningData
from roomeq.optimiser.joining.summation import Summation

TIE_DB = 0.25
SEAT_LOSS_DB = 1.0
FLIP_COST = 0.002
LONG_GAIN_DB = 0.5
REALIGN_REACH = 0.0025
_SAME = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """One setting with what its sum loses.

    Attributes
    ----------
    settings : JoiningSettings
    loss_db : float
    by_seat_db : ndarray, shape (S,)
    """

    settings: JoiningSettings
    loss_db: float
    by_seat_db: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """Delay, polarity and phase that were chosen, and what they were chosen from.

    Attributes
    ----------
    data : JoiningData
    present, chosen : Candidate
        The same where what is set is kept.
    by_polarity : tuple of Candidate
        The best admissible delay with normal and with inverted polarity, whether or not the
        polarity can be set.
    least_db : float
        Least admissible loss.
    tied : tuple of Candidate
    told_inverted : bool or None
        Setting of the polarity that was told; None where it was not told.
    longer : Candidate or None
        A change of delay by more than one period that gains 0.5 dB more.
    delays : ndarray, shape (D,)
        Seconds, within one period of what is set.
    loss_map_db : ndarray, shape (2, D)
    """

    data: JoiningData
    present: Candidate
    chosen: Candidate
    by_polarity: tuple[Candidate, Candidate]
    least_db: float
    tied: tuple[Candidate, ...]
    told_inverted: bool | None
    longer: Candidate | None
    delays: FloatArray
    loss_map_db: FloatArray

    @property
    def kept(self) -> bool:
        """Whether what is set is kept."""
        return self.chosen is self.present

    @property
    def either_polarity(self) -> bool:
        """Whether both polarities sum equally well, each at a delay of its own."""
        return len({candidate.settings.inverted for candidate in self.tied}) == 2

    @property
    def at_end(self) -> bool:
        """Whether the chosen delay is the first or last one that can be set, but not set now."""
        ends = self.delays[[0, -1]]
        if self.kept or self.delays.size < 2:
            return False
        return bool(np.isclose(self.chosen.settings.delay, ends, rtol=0.0, atol=_SAME).any())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moves:
    """Settings on one line, in order, with what each does and how much it changes.

    Attributes
    ----------
    settings : tuple of JoiningSettings
        With the present polarity.
    turns : ndarray of complex, shape (K, P)
    cost : ndarray, shape (K,)
        Seconds of change.
    """

    settings: tuple[JoiningSettings, ...]
    turns: ComplexArray
    cost: FloatArray


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
    summation, present = Summation.of(data), replace(data.present, level_change_db=0.0)
    values = (delays or DelayRange()).values
    near = _near(values, present.delay, reach=1.0 / data.corner)
    if values.size == 1 and phase_control is not None:
        moves = _phase_moves(summation, present, phase_control, corner=data.corner)
    else:
        moves = _delay_moves(summation, present, near)
    losses = summation.by_seat_db(moves.turns)
    total = losses @ data.seat_weights
    now = _candidate_at(summation, present)
    allowed = [int(present.inverted)] if not can_invert else [0, 1]
    found = [_minima(moves, losses, total, polarity) for polarity in (0, 1)]
    admissible = [candidate for polarity in allowed for candidate in found[polarity]]
    least = min(now.loss_db, *(candidate.loss_db for candidate in admissible))
    tied = [one for one in admissible if one.loss_db <= least + TIE_DB]
    chosen = _chosen(now, tied, least=least, told=told_inverted, cost=_costs(moves, present))
    return Alignment(
        data=data,
        present=now,
        chosen=chosen,
        by_polarity=(_least(found[0]), _least(found[1])),
        least_db=least,
        tied=tuple([now] if now.loss_db <= least + TIE_DB else []) + tuple(tied),
        told_inverted=told_inverted,
        longer=_longer(summation, present, values, allowed, reach=1.0 / data.corner, least=least),
        delays=near,
        loss_map_db=readonly(
            summation.by_seat_db(_delay_moves(summation, present, near).turns) @ data.seat_weights
        ),
    )


def realign(
    data: JoiningData, settings: JoiningSettings, *, delays: DelayRange | None
) -> JoiningSettings:
    """Return a setting with the delay of least loss within 2.5 ms, polarity as it is.

    Once, with the bands in: they turn the phase a little. Kept where that gains nothing.
    """
    summation = Summation.of(data)
    near = _near((delays or DelayRange()).values, settings.delay, reach=REALIGN_REACH)
    moves = _delay_moves(summation, settings, near)
    total = (summation.by_seat_db(moves.turns) @ data.seat_weights)[int(settings.inverted)]
    return moves.settings[int(np.argmin(total + 1e-9 * moves.cost))]


def _near(values: FloatArray, delay: float, *, reach: float) -> FloatArray:
    """Return the delays within reach of one, and that one, rising."""
    near = values[np.abs(values - delay) <= reach + _SAME]
    if not np.isclose(near, delay, rtol=0.0, atol=_SAME).any():
        near = np.sort(np.append(near, delay))
    return readonly(near)


def _delay_moves(summation: Summation, present: JoiningSettings, delays: FloatArray) -> _Moves:
    settings = tuple(replace(present, delay=float(delay)) for delay in delays)
    at_rest = replace(present, delay=0.0, inverted=False, level_change_db=0.0)
    turns = np.exp(np.outer(delays, -2j * np.pi * summation.frequencies))
    return _Moves(
        settings=settings,
        turns=turns * at_rest.response(summation.frequencies),
        cost=np.abs(delays - present.delay),
    )


def _phase_moves(
    summation: Summation, present: JoiningSettings, control: PhaseControl, *, corner: float
) -> _Moves:
    phases = phase_settings_deg(control)
    if not np.isclose(phases, present.phase_deg).any():
        phases = np.sort(np.append(phases, present.phase_deg))
    settings = tuple(
        replace(present, phase_deg=float(phase), phase_frequency=control.frequency)
        for phase in phases
    )
    lags = np.array(
        [lag_at_deg(corner, lag_deg=float(p), frequency=control.frequency) for p in phases]
    )
    upright = [replace(one, inverted=False) for one in settings]
    here = int(np.argmin(np.abs(phases - present.phase_deg)))
    return _Moves(
        settings=settings,
        turns=np.array([one.response(summation.frequencies) for one in upright]),
        cost=np.abs(lags - lags[here]) / 360.0 / corner,
    )


def _candidate_at(summation: Summation, settings: JoiningSettings) -> Candidate:
    upright = replace(settings, inverted=False, level_change_db=0.0)
    turn = upright.response(summation.frequencies)[None]
    by_seat = summation.by_seat_db(turn)[int(settings.inverted), 0]
    return Candidate(
        settings=settings,
        loss_db=float(by_seat @ summation.seat_weights),
        by_seat_db=readonly(by_seat),
    )


def _minima(moves: _Moves, losses: FloatArray, total: FloatArray, polarity: int) -> list[Candidate]:
    """Return the local minima of one polarity, ends of the range included."""
    row = np.pad(total[polarity], 1, constant_values=np.inf)
    places = np.flatnonzero((row[1:-1] <= row[:-2]) & (row[1:-1] <= row[2:]))
    return [
        Candidate(
            settings=replace(moves.settings[place], inverted=bool(polarity)),
            loss_db=float(total[polarity, place]),
            by_seat_db=readonly(losses[polarity, place]),
        )
        for place in places
    ]


def _least(candidates: list[Candidate]) -> Candidate:
    return min(candidates, key=lambda one: one.loss_db)


def _costs(moves: _Moves, present: JoiningSettings) -> dict[JoiningSettings, float]:
    """Return how much each setting changes, in s."""
    return {
        replace(one, inverted=inverted): float(cost) + FLIP_COST * (inverted != present.inverted)
        for one, cost in zip(moves.settings, moves.cost, strict=True)
        for inverted in (False, True)
    }


def _chosen(
    now: Candidate,
    tied: list[Candidate],
    *,
    least: float,
    told: bool | None,
    cost: dict[JoiningSettings, float],
) -> Candidate:
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
    of_told = [one for one in tied if one.settings.inverted == told]
    left = of_told or tied
    kind = [one for one in left if np.max(one.by_seat_db - now.by_seat_db) <= SEAT_LOSS_DB]
    return min(kind or left, key=lambda one: (cost[one.settings], one.loss_db))


def _longer(
    summation: Summation,
    present: JoiningSettings,
    values: FloatArray,
    allowed: list[int],
    *,
    reach: float,
    least: float,
) -> Candidate | None:
    """Return the best change by more than a period where it gains 0.5 dB more."""
    far = values[np.abs(values - present.delay) > reach + _SAME]
    if not far.size:
        return None
    moves = _delay_moves(summation, present, far)
    losses = summation.by_seat_db(moves.turns)
    total = losses @ summation.seat_weights
    minima = [one for polarity in allowed for one in _minima(moves, losses, total, polarity)]
    best = _least(minima)
    return best if least - best.loss_db >= LONG_GAIN_DB else None
