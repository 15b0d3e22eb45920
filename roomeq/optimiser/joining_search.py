"""The search of the joining problem: many delays, both polarities, phases and levels.

Conventions
-----------
Settings are places on a grid: number of delay, phase setting, polarity (0 normal, 1 inverted) and
level. J is the loss of `roomeq.optimiser.loss`, weighted over seats and frequencies, of the
smoothed sum less target with its weighted mean removed; in dB squared.

How it goes: the landscape over delay has tens to hundreds of local minima, so nothing descends from
a single start. A coarse grid (0.5 ms, 15 degrees, 2 dB) is evaluated completely, the best local
minima over delay are refined on the full grid until no neighbour is better. Most of the work is
saved by ``|g S + M|^2 = g^2 |S|^2 + |M|^2 + 2 g Re{S conj(M)}``: a turn of the phase touches one
term, and both polarities and all levels share it. That the result is the best of the full grid is
not proven; tests and tests/benchmarks/bench_joining.py hold it against complete scans.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.device.phase_control import all_pass_response
from roomeq.levels import FloatArray, readonly
from roomeq.optimiser.joining_data import JoiningData
from roomeq.optimiser.joining_settings import JoiningSettings
from roomeq.optimiser.loss import Loss

__all__ = ["Found", "JoiningGrid", "JoiningSurface", "Place", "refine_place", "search_grid"]

Place = tuple[int, int, int, int]
"""Numbers of delay, phase, polarity and level on a grid."""

Found = tuple[tuple[Place, float], ...]
"""Refined places with their J, the best first."""

COARSE_DELAY, COARSE_PHASE_DEG, COARSE_LEVEL_DB = 0.0005, 15.0, 2.0
REFINED = 20
_CHUNK = 400_000  # values judged at a time: they stay within the cache
_NEPERS = 10.0 / np.log(10.0)
_LEVELS_AROUND = 2
_SIGNS = (1.0, -1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoiningGrid:
    """Every setting on offer.

    Attributes
    ----------
    delays : ndarray, shape (D,)
        Seconds, rising, equally spaced.
    phases_deg : ndarray, shape (Q,)
        Degrees of lag, rising.
    phase_frequency : float or None
        Hz; None where there is no phase control.
    level_changes_db : ndarray, shape (L,)
        Rising.
    """

    delays: FloatArray
    phases_deg: FloatArray = field(default_factory=lambda: np.zeros(1))
    phase_frequency: float | None = None
    level_changes_db: FloatArray = field(default_factory=lambda: np.zeros(1))

    def __post_init__(self) -> None:
        for name in ("delays", "phases_deg", "level_changes_db"):
            values = readonly(getattr(self, name))
            rising = values.ndim == 1 and values.size and bool((np.diff(values) > 0).all())
            if not (rising and np.isfinite(values).all()):
                raise ValueError(f"{name} must be finite, rising and not empty")
            object.__setattr__(self, name, values)

    @property
    def size(self) -> int:
        """Number of settings, both polarities counted."""
        return 2 * self.delays.size * self.phases_deg.size * self.level_changes_db.size

    @property
    def rest(self) -> int:
        """Number of the phase setting nearest to 0."""
        return int(np.argmin(np.abs(self.phases_deg)))

    def settings(self, place: Place) -> JoiningSettings:
        """Return the setting at a place."""
        delay, phase, polarity, level = place
        return JoiningSettings(
            delay=float(self.delays[delay]),
            inverted=bool(polarity),
            phase_deg=float(self.phases_deg[phase]),
            phase_frequency=self.phase_frequency,
            level_change_db=float(self.level_changes_db[level]),
        )

    def stride(self, name: str) -> int:
        """Return how many fine steps make a coarse one."""
        values, coarse = {
            "delay": (self.delays, COARSE_DELAY),
            "phase": (self.phases_deg, COARSE_PHASE_DEG),
            "level": (self.level_changes_db, COARSE_LEVEL_DB),
        }[name]
        if values.size < 2:
            return 1
        return max(1, int(coarse / float(np.min(np.diff(values))) + 1e-6))

    def coarse(self, name: str) -> NDArray[np.intp]:
        """Return the numbers of the coarse grid, both ends among them."""
        count = {
            "delay": self.delays.size,
            "phase": self.phases_deg.size,
            "level": self.level_changes_db.size,
        }[name]
        return np.unique(np.append(np.arange(0, count, self.stride(name)), count - 1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoiningSurface:
    """J as a function of the settings, prepared once.

    Attributes
    ----------
    data : JoiningData
    loss : Loss
    phase_frequency : float or None
    """

    data: JoiningData
    loss: Loss
    phase_frequency: float | None = None
    kernel: FloatArray = field(init=False, repr=False)
    sub_power: FloatArray = field(init=False, repr=False)
    mains_power: FloatArray = field(init=False, repr=False)
    reference_db: FloatArray = field(init=False, repr=False)
    weights: FloatArray = field(init=False, repr=False)
    trusted: FloatArray = field(init=False, repr=False)
    judged: NDArray[np.intp] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        data = self.data
        judged = np.flatnonzero(data.frequency_weights > 0)
        smoothing = data.smoothing[:, judged]
        weights = np.outer(data.seat_weights, data.frequency_weights[judged])
        cross = data.sub * np.conj(data.mains)
        parts = np.concatenate([cross.real, -cross.imag], axis=1)[:, :, None]
        kernel = parts * np.concatenate([smoothing, smoothing])
        prepared = {
            "kernel": np.ascontiguousarray(kernel.transpose(1, 0, 2).reshape(parts.shape[1], -1)),
            "sub_power": np.abs(data.sub) ** 2 @ smoothing,
            "mains_power": np.abs(data.mains) ** 2 @ smoothing,
            "reference_db": data.target_db[judged] + data.seat_offsets_db[:, None],
            "weights": weights.ravel(),
            "trusted": (weights * data.trust[:, judged]).ravel(),
            "judged": judged,
        }
        for name, values in prepared.items():
            object.__setattr__(self, name, values)

    def turned_cross(self, delays: FloatArray, phases_deg: FloatArray) -> FloatArray:
        """Return smoothed Re{S conj(M)} for pairs of delay and phase, shape (N, S, F)."""
        points = self.data.points
        turn = np.exp(np.outer(delays, -2j * np.pi * points))
        for phase in np.unique(phases_deg):
            if phase and self.phase_frequency is not None:
                turn[phases_deg == phase] *= all_pass_response(
                    points, lag_deg=float(phase), frequency=self.phase_frequency
                )
        cross = np.concatenate([turn.real, turn.imag], axis=1) @ self.kernel
        return np.asarray(cross.reshape(len(turn), *self.mains_power.shape))

    def objective(
        self,
        delays: ArrayLike,
        phases_deg: ArrayLike,
        *,
        level_changes_db: ArrayLike,
        signs: Sequence[float] = _SIGNS,
    ) -> FloatArray:
        """Return J for pairs of delay and phase, each polarity and level, shape (N, signs, L).

        Parameters
        ----------
        delays, phases_deg : array_like, shape (N,)
            Seconds; degrees of lag.
        level_changes_db : array_like, shape (L,)
        signs : sequence of float
            1 for normal, -1 for inverted.
        """
        late, turned = np.broadcast_arrays(np.atleast_1d(delays), np.atleast_1d(phases_deg))
        late, turned = late.astype(np.float64), turned.astype(np.float64)
        ratios = 10.0 ** (np.atleast_1d(np.asarray(level_changes_db, dtype=np.float64)) / 20.0)
        result = np.empty((late.size, len(signs), ratios.size))
        step = max(1, _CHUNK // self.weights.size)
        for start in range(0, late.size, step):
            part = slice(start, start + step)
            cross = self.turned_cross(late[part], turned[part])
            for column, ratio in enumerate(ratios):
                steady = self.mains_power + ratio**2 * self.sub_power
                for row, sign in enumerate(signs):
                    result[part, row, column] = self.judged_power(
                        steady + 2.0 * sign * ratio * cross
                    )
        return result

    def judged_power(self, power: FloatArray) -> FloatArray:
        """Return J of smoothed powers at the judged frequencies, shape (N, S, F) to (N,)."""
        error = np.maximum(power, np.finfo(np.float64).tiny)
        np.log(error, out=error)
        error *= _NEPERS
        error -= self.reference_db
        error = error.reshape(len(error), -1)
        error -= (error @ self.weights)[:, None]
        excess = np.maximum(error, 0.0)
        shortfall = np.subtract(excess, error, out=error)
        squared = np.minimum(shortfall, self.loss.tail_start_db)
        shortfall *= 2.0
        shortfall -= squared
        shortfall *= squared
        excess *= excess
        return np.asarray(
            self.loss.excess_weight * (excess @ self.weights) + shortfall @ self.trusted
        )

    def objective_of(self, settings: JoiningSettings) -> float:
        """Return J of one setting, on the grid or not, at its own phase frequency."""
        power = np.abs(self.data.predicted_sum(settings)) ** 2
        return float(self.judged_power((power @ self.data.smoothing[:, self.judged])[None])[0])


def refine_place(
    surface: JoiningSurface,
    grid: JoiningGrid,
    place: Place,
    *,
    phase_free: bool,
    evaluated: list[int] | None = None,
) -> tuple[Place, float]:
    """Move a place to the best of its neighbourhood until it stays there.

    The neighbourhood is a coarse step of delay to either side, one phase setting to either side
    (where the phase is free) and two levels; the polarity stays.

    Returns
    -------
    tuple
        The place and its J.
    """
    return _Descent(surface, grid, evaluated).end_of(place, phase_free=phase_free)


@dataclass(slots=True, eq=False)
class _Descent:
    """Descents that share what they have seen: J of settings, and where each place leads."""

    surface: JoiningSurface
    grid: JoiningGrid
    evaluated: list[int] | None
    values: dict[tuple[int, int, int], FloatArray] = field(default_factory=dict)
    ends: dict[tuple[Place, bool], tuple[Place, float]] = field(default_factory=dict)

    def end_of(self, place: Place, *, phase_free: bool) -> tuple[Place, float]:
        """Return where a place leads, and J there."""
        passed: list[tuple[Place, bool]] = []
        while (place, phase_free) not in self.ends:
            passed.append((place, phase_free))
            other, value, here = self._best_around(place, phase_free=phase_free)
            if not value < here - 1e-12:
                self.ends[place, phase_free] = place, here
            else:
                place = other
        end = self.ends[place, phase_free]
        self.ends.update(dict.fromkeys(passed, end))
        return end

    def _best_around(self, place: Place, *, phase_free: bool) -> tuple[Place, float, float]:
        """Return the best of a neighbourhood, its J, and J in the middle."""
        grid, around = self.grid, 1 if phase_free else 0
        delay, phase, polarity, level = place
        delays = _within(delay, grid.stride("delay"), grid.delays.size)
        phases = _within(phase, around, grid.phases_deg.size)
        levels = _within(level, _LEVELS_AROUND, grid.level_changes_db.size)
        keys = [(late, turned, polarity) for late in delays for turned in phases]
        values = self._values_at(keys, levels)
        pair, column = divmod(int(np.argmin(values)), len(levels))
        best = (keys[pair][0], keys[pair][1], polarity, levels[column])
        middle = keys.index((delay, phase, polarity)), levels.index(level)
        return best, float(values[pair, column]), float(values[middle])

    def _values_at(self, keys: list[tuple[int, int, int]], levels: range) -> FloatArray:
        """Return J of delays and phases of one polarity at levels; only what is new is computed."""
        part = slice(levels[0], levels[-1] + 1)
        count = self.grid.level_changes_db.size
        rows = [self.values.setdefault(key, np.full(count, np.nan)) for key in keys]
        new = [i for i, row in enumerate(rows) if np.isnan(row[part]).any()]
        if new:
            pairs = np.array([keys[i][:2] for i in new])
            found = self.surface.objective(
                self.grid.delays[pairs[:, 0]],
                self.grid.phases_deg[pairs[:, 1]],
                level_changes_db=self.grid.level_changes_db[part],
                signs=(_SIGNS[keys[0][2]],),
            )[:, 0]
            if self.evaluated is not None:
                self.evaluated[0] += found.size
            for i, row in zip(new, found, strict=True):
                rows[i][part] = row
        return np.array([row[part] for row in rows])


def _within(middle: int, reach: int, count: int) -> range:
    return range(max(0, middle - reach), min(count, middle + reach + 1))


def _valleys(values: FloatArray) -> NDArray[np.bool_]:
    """Return where values are not above their neighbours along the first axis."""
    padded = np.pad(values, [(1, 1)] + [(0, 0)] * (values.ndim - 1), constant_values=np.inf)
    return np.asarray((values <= padded[:-2]) & (values <= padded[2:]))


def search_grid(
    surface: JoiningSurface,
    grid: JoiningGrid,
    *,
    refined: int = REFINED,
    near: float | None = None,
    evaluated: list[int] | None = None,
) -> dict[tuple[int, bool], Found]:
    """Find the best settings of each polarity, with the phase control at rest and free.

    Parameters
    ----------
    surface : JoiningSurface
    grid : JoiningGrid
    refined : int
        How many of the best local minima on the coarse grid are refined, for each polarity and for
        each of phase at rest and phase free.
    near : float, optional
        Seconds; half as many again are refined among the delays that are no longer than this, so
        that a short delay is at hand where a long one is hardly better.
    evaluated : list of one int, optional
        Counts the settings evaluated.

    Returns
    -------
    dict
        From (polarity, whether the phase was free) to the refined places with their J, the best
        first. Without a choice of phase settings both are the same.
    """
    delays, levels = grid.coarse("delay"), grid.coarse("level")
    phases = np.unique(np.append(grid.coarse("phase"), grid.rest))
    pairs = np.stack(np.meshgrid(delays, phases, indexing="ij"), axis=-1).reshape(-1, 2)
    coarse = surface.objective(
        grid.delays[pairs[:, 0]],
        grid.phases_deg[pairs[:, 1]],
        level_changes_db=grid.level_changes_db[levels],
    ).reshape(delays.size, phases.size, 2, levels.size)
    if evaluated is not None:
        evaluated[0] += coarse.size
    level_at, lowest = coarse.argmin(axis=-1), coarse.min(axis=-1)
    valleys = _valleys(lowest)
    found: dict[tuple[int, bool], Found] = {}
    descent = _Descent(surface, grid, evaluated)
    for polarity in (0, 1):
        for free in (False, True):
            if free and phases.size == 1:
                found[polarity, True] = found[polarity, False]
                continue
            allowed = valleys[:, :, polarity] & (free | (phases == grid.rest))
            order = np.argsort(lowest[:, :, polarity][allowed], kind="stable")
            ranked = np.argwhere(allowed)[order]
            short = np.abs(grid.delays[delays[ranked[:, 0]]]) <= (np.inf if near is None else near)
            starts = [*ranked[:refined], *(ranked[refined:][short[refined:]][: refined // 2])]
            ends = dict(found[polarity, False]) if free else {}
            for d, q in starts:
                level = int(levels[level_at[d, q, polarity]])
                end, value = descent.end_of(
                    (int(delays[d]), int(phases[q]), polarity, level), phase_free=free
                )
                ends[end] = value
            found[polarity, free] = tuple(sorted(ends.items(), key=lambda end: (end[1], end[0])))
    return found
