"""Joining subwoofer and mains: delay, polarity, phase control and level.

Conventions
-----------
Settings are absolute but for the level, which is a change; delays in seconds, positive is later.
Deviations are ``sqrt(J)`` in dB, at the loudness that suits each setting, so that "before" and
"after" compare like with like. What is preferred when little is at stake (common practice, no
source): the polarity is inverted only if that gains at least 1 dB over the best delay without; the
phase control leaves 0 only if that gains at least 0.1 dB, or 1 dB where it lags by more than 90
degrees at the corner and so is nearer to a flip than to rest; the delay is longer than a period of
the corner only if that gains at least 0.5 dB; of delays that do equally well within 0.1 dB the
shortest; and no change at all for less than 0.5 dB.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomeq.device.phase_control import lag_at_deg, phase_settings_deg
from roomeq.device.profile import PhaseControl
from roomeq.levels import FloatArray, readonly
from roomeq.optimiser.band_gain_fit import LEAST_IMPROVEMENT_DB, NoChange, judge_improvement
from roomeq.optimiser.joining_data import JoiningData
from roomeq.optimiser.joining_search import (
    Found,
    JoiningGrid,
    JoiningSurface,
    Place,
    search_grid,
)
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings, LevelRange
from roomeq.optimiser.loss import Loss

__all__ = ["JoiningFit", "Rival", "fit_joining", "joining_grid"]

LEAST_FLIP_GAIN_DB = 1.0
LEAST_PHASE_GAIN_DB = 0.1
LEAST_LONG_GAIN_DB = 0.5
TIE_DB = 0.1
AMBIGUOUS_DB = 0.5
TOLD_DB = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """The best setting that is a different answer.

    Attributes
    ----------
    settings : JoiningSettings
        Other polarity, or a delay that differs by a quarter of a period of the corner or more.
    deviation_db : float
    margin_db : float
        How much worse it is than the candidate; negative where a preference decided against it.
    """

    settings: JoiningSettings
    deviation_db: float
    margin_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoiningFit:
    """What joining proposes, with its evidence.

    Attributes
    ----------
    data : JoiningData
    loss : Loss
    settings : JoiningSettings
        Proposed; the present ones where no change is proposed.
    candidate : JoiningSettings
        What the search would set, preferences applied.
    best : JoiningSettings
        The best setting found, without preferences.
    present : JoiningSettings
    deviation_before_db, deviation_db, candidate_deviation_db, best_deviation_db : float
        Weighted deviation at the present setting, the proposed, the candidate, the best found.
    no_change : NoChange or None
        Why the present settings are kept.
    flip_gain_db : float
        What the flip gains over the best delay without it, phase control at rest; negative where
        it loses.
    phase_gain_db : float
        What moving the phase control gains over leaving it at rest, at the candidate's polarity; 0
        where there is none.
    map_delays : ndarray, shape (D,)
        Seconds.
    map_deviation_db : ndarray, shape (2, D)
        Deviation with normal and with inverted polarity over delay, at the candidate's phase, each
        at the level that suits it.
    rival : Rival or None
        The best different answer within the range of delays.
    at_ends : tuple of str
        Which of ``delay`` and ``level`` the candidate leaves at an end of their range: better ones
        may lie beyond.
    evaluations : int
        Settings evaluated by the search.
    grid_size : int
        Settings on offer.
    """

    data: JoiningData
    loss: Loss
    settings: JoiningSettings
    candidate: JoiningSettings
    best: JoiningSettings
    present: JoiningSettings
    deviation_before_db: float
    deviation_db: float
    candidate_deviation_db: float
    best_deviation_db: float
    no_change: NoChange | None
    flip_gain_db: float
    phase_gain_db: float
    map_delays: FloatArray
    map_deviation_db: FloatArray
    rival: Rival | None
    at_ends: tuple[str, ...]
    evaluations: int
    grid_size: int

    def __repr__(self) -> str:
        before_db, after_db = self.deviation_before_db, self.deviation_db
        return f"<JoiningFit: {self.settings!r}, deviation {before_db:.2f} to {after_db:.2f} dB>"

    @property
    def ambiguous(self) -> bool:
        """Whether a different answer does as well within 0.5 dB."""
        return self.rival is not None and self.rival.margin_db < AMBIGUOUS_DB

    @property
    def flip_told(self) -> bool:
        """Whether the data tell a flip from a delay of half a period (6.25 ms at 80 Hz).

        A wide span can, a third of an octave cannot: there both do equally well. Told means that
        the better of the two gains 0.2 dB or more (common practice, no source).
        """
        return abs(self.flip_gain_db) >= TOLD_DB

    @property
    def before_by_seat_db(self) -> FloatArray:
        """Weighted deviation at each seat with the present settings, shape (S,), in dB."""
        return self.data.deviations_db(self.present, loss=self.loss)

    @property
    def after_by_seat_db(self) -> FloatArray:
        """Weighted deviation at each seat with the proposal, shape (S,), in dB."""
        return self.data.deviations_db(self.settings, loss=self.loss)

    @property
    def level_gain_by_seat_db(self) -> FloatArray:
        """Change of each seat's mean level around the corner, proposal less present, in dB."""
        after = self.data.predicted_level_db(self.settings)
        before = self.data.predicted_level_db(self.present)
        return np.asarray((after - before) @ self.data.frequency_weights)


def fit_joining(
    data: JoiningData,
    *,
    delays: DelayRange | None = None,
    phase_control: PhaseControl | None = None,
    levels: LevelRange | None = None,
    loss: Loss | None = None,
    can_invert: bool = True,
    repeatability_db: float | None = None,
    least_improvement_db: float = LEAST_IMPROVEMENT_DB,
) -> JoiningFit:
    """Choose delay, polarity, phase and level so that the sum follows the target at all seats.

    Parameters
    ----------
    data : JoiningData
    delays : DelayRange, optional
        Delays that can be set, the mains' counted as negative.
    phase_control : PhaseControl, optional
        Without it the phase stays where it is.
    levels : LevelRange, optional
        Changes of the subwoofer's level that can be set.
    loss : Loss, optional
    can_invert : bool
        Whether the polarity can be inverted. It is evaluated all the same.
    repeatability_db : float, optional
        Standard deviation of a repeated measurement: smaller improvements are not proposed.
    least_improvement_db : float
        Smaller improvements are not proposed either.

    Returns
    -------
    JoiningFit

    Raises
    ------
    ValueError
        If a range holds no setting, a phase control's range is none of a first-order all-pass, or
        a least improvement is not a number.
    """
    _check_least(least_improvement_db, repeatability_db)
    loss = loss or Loss()
    grid = joining_grid(
        delays=delays, phase_control=phase_control, levels=levels, present=data.present
    )
    surface = JoiningSurface(data=data, loss=loss, phase_frequency=grid.phase_frequency)
    found, evaluations = _searched(surface, grid)
    place = _preferred(found, grid, corner=data.corner, can_invert=can_invert)
    candidate, best = grid.settings(place), grid.settings(_best(found, can_invert=can_invert))
    candidate_db = _deviation_db(surface, candidate)
    before_db = _deviation_db(surface, data.present)
    no_change = judge_improvement(
        before_db - candidate_db,
        repeatability_db=repeatability_db,
        least_improvement_db=least_improvement_db,
    )
    deviation_map, map_levels = _map_db(surface, grid, place)
    at_rest = [np.sqrt(found[polarity, False][0][1]) for polarity in (0, 1)]
    freed = np.sqrt(found[place[2], True][0][1])
    return JoiningFit(
        data=data,
        loss=loss,
        settings=candidate if no_change is None else data.present,
        candidate=candidate,
        best=best,
        present=data.present,
        deviation_before_db=before_db,
        deviation_db=candidate_db if no_change is None else before_db,
        candidate_deviation_db=candidate_db,
        best_deviation_db=_deviation_db(surface, best),
        no_change=no_change,
        flip_gain_db=float(at_rest[0] - at_rest[1]),
        phase_gain_db=max(0.0, float(at_rest[place[2]] - freed)),
        map_delays=grid.delays,
        map_deviation_db=readonly(deviation_map),
        rival=_rival(grid, place, deviation_map, map_levels, data.corner, candidate_db),
        at_ends=_at_ends(grid, place),
        evaluations=evaluations,
        grid_size=grid.size,
    )


def joining_grid(
    *,
    delays: DelayRange | None = None,
    phase_control: PhaseControl | None = None,
    levels: LevelRange | None = None,
    present: JoiningSettings | None = None,
) -> JoiningGrid:
    """Return every setting on offer; arguments as for `fit_joining`.

    With the `present` settings a phase that cannot be set stays where it is.
    """
    phases_deg, frequency = np.zeros(1), None
    if phase_control is not None:
        phases_deg, frequency = phase_settings_deg(phase_control), phase_control.frequency
    elif present is not None and present.phase_deg:
        phases_deg, frequency = np.array([present.phase_deg]), present.phase_frequency
    return JoiningGrid(
        delays=(delays or DelayRange()).values,
        phases_deg=phases_deg,
        phase_frequency=frequency,
        level_changes_db=(levels or LevelRange()).values_db,
    )


def _check_least(least_improvement_db: float, repeatability_db: float | None) -> None:
    if not least_improvement_db < np.inf:
        raise ValueError(f"least_improvement_db must be below infinity, got {least_improvement_db}")
    if repeatability_db is not None and not 0.0 <= repeatability_db < np.inf:
        raise ValueError(
            f"repeatability_db must be finite and not negative, got {repeatability_db}"
        )


def _searched(
    surface: JoiningSurface, grid: JoiningGrid
) -> tuple[dict[tuple[int, bool], Found], int]:
    """Return what the search found, short delays first, and how many settings it evaluated."""
    longest, evaluated = 1.0 / surface.data.corner, [0]
    found = search_grid(surface, grid, near=longest, evaluated=evaluated)
    short = {kind: _short_first(ends, grid, longest=longest) for kind, ends in found.items()}
    return short, evaluated[0]


def _best(found: dict[tuple[int, bool], Found], *, can_invert: bool) -> Place:
    """Return the best place of the polarities that can be set."""
    allowed = [found[polarity, True] for polarity in ((0, 1) if can_invert else (0,))]
    return min((end for ends in allowed for end in ends), key=lambda end: end[1])[0]


def _deviation_db(surface: JoiningSurface, settings: JoiningSettings) -> float:
    return float(np.sqrt(surface.objective_of(settings)))


def _short_first(ends: Found, grid: JoiningGrid, *, longest: float) -> Found:
    """Put delays up to the longest first unless one beyond gains at least 0.5 dB."""
    short = tuple(end for end in ends if abs(grid.delays[end[0][0]]) <= longest)
    if not short or np.sqrt(short[0][1]) - np.sqrt(ends[0][1]) >= LEAST_LONG_GAIN_DB:
        return ends
    return (*short, *(end for end in ends if end not in short))


def _shortest(ends: Found, grid: JoiningGrid) -> Place:
    """Return the place with the shortest delay among those within 0.1 dB of the first."""
    first = np.sqrt(ends[0][1])
    tied = [end for end in ends if np.sqrt(end[1]) <= first + TIE_DB]
    return min(tied, key=lambda end: (abs(grid.delays[end[0][0]]), end[1]))[0]


def _at_ends(grid: JoiningGrid, place: Place) -> tuple[str, ...]:
    counts = {
        "delay": (place[0], grid.delays.size),
        "level": (place[3], grid.level_changes_db.size),
    }
    return tuple(
        name for name, (index, count) in counts.items() if count > 1 and index in (0, count - 1)
    )


def _preferred(
    found: dict[tuple[int, bool], Found], grid: JoiningGrid, *, corner: float, can_invert: bool
) -> Place:
    """Apply the preferences of the module to what the search found."""
    at_rest = [np.sqrt(found[polarity, False][0][1]) for polarity in (0, 1)]
    freed = [np.sqrt(found[polarity, True][0][1]) for polarity in (0, 1)]
    gain = max(at_rest[0] - at_rest[1], freed[0] - freed[1])
    polarity = int(can_invert and gain >= LEAST_FLIP_GAIN_DB)
    place = _shortest(found[polarity, False], grid)
    worth = []
    for end in found[polarity, True]:
        phase_deg = float(grid.phases_deg[end[0][1]])
        if end[0][1] == grid.rest or grid.phase_frequency is None:
            continue
        lag = lag_at_deg(corner, lag_deg=phase_deg, frequency=grid.phase_frequency)
        least = LEAST_PHASE_GAIN_DB if lag <= 90.0 else LEAST_FLIP_GAIN_DB
        if abs(grid.delays[end[0][0]]) > 1.0 / corner:
            least = max(least, LEAST_LONG_GAIN_DB)
        if at_rest[polarity] - np.sqrt(end[1]) >= least:
            worth.append(end)
    if worth:
        place = _shortest(tuple(worth), grid)
    return place


def _map_db(
    surface: JoiningSurface, grid: JoiningGrid, place: Place
) -> tuple[FloatArray, FloatArray]:
    """Return deviation over polarity and delay at a place's phase, and the level of each point."""
    values = surface.objective(
        grid.delays, grid.phases_deg[place[1]], level_changes_db=grid.level_changes_db
    )
    return np.sqrt(values.min(axis=-1)).T, values.argmin(axis=-1).T


def _rival(
    grid: JoiningGrid,
    place: Place,
    deviation_map: FloatArray,
    levels: FloatArray,
    corner: float,
    candidate_db: float,
) -> Rival | None:
    """Return the best local minimum of the map that is a different answer from a place."""
    padded = np.pad(deviation_map, [(0, 0), (1, 1)], constant_values=np.inf)
    valley = (deviation_map <= padded[:, :-2]) & (deviation_map <= padded[:, 2:])
    apart = np.abs(grid.delays - grid.delays[place[0]]) >= 0.25 / corner
    valley[place[2]] &= apart
    if not valley.any():
        return None
    polarity, delay = np.unravel_index(
        int(np.argmin(np.where(valley, deviation_map, np.inf))), valley.shape
    )
    found = (int(delay), place[1], int(polarity), int(levels[polarity, delay]))
    deviation_db = float(deviation_map[polarity, delay])
    return Rival(
        settings=grid.settings(found),
        deviation_db=deviation_db,
        margin_db=deviation_db - candidate_db,
    )
