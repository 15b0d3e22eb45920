"""Fit hypotheses about a path to a response: all of them at once, each with the driver's roll-off.

Conventions
-----------
What is not asked for is fitted along with a low-pass: level, polarity, delay, and the driver's own
roll-off, which is none, two poles or four. Arrays have fits or hypotheses first (B or H),
frequencies or residuals last (F or R), and parameters (P) as `roomeq.optimiser.path.starts` orders
them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray, amplitude_ratio
from roomeq.base.response import ComplexArray
from roomeq.optimiser.path.observation import Observation, rice_mean, rice_spread
from roomeq.optimiser.path.starts import (
    DRIVER_ORDERS,
    FLAT_WEIGHT,
    FitBatch,
    LowPassHypothesis,
    Parameter,
    fit_batch,
    within_bounds,
)

__all__ = ["HypothesisFits", "fit_hypotheses"]

_ALWAYS_KEPT, _HOPELESS = 8, 150.0
_DELAY_SCALE = 1e-3
_ROUNDS, _ROUNDS_BEFORE_PHASE = 40, 20
_ROUNDS_TOGETHER = 5
_DELAY_STARTS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HypothesisFits:
    """The best fit of every hypothesis.

    Attributes
    ----------
    squares : ndarray, shape (H,)
        Sum of squared residuals, each over its standard deviation, with what the priors add;
        infinite where a hypothesis was given up because its level alone fits far worse.
    penalty : ndarray, shape (H,)
        What the evidence of a hypothesis loses to its freedom, as squares: by Laplace's
        approximation (MacKay, Neural Computation 4(3), 1992).
    residuals : ndarray, shape (H, R)
        Residuals over their standard deviations; real parts before imaginary ones.
    corner : ndarray, shape (H,)
        Hz.
    higher_corner : ndarray, shape (H,)
        Hz of the second corner, or the corner where there is none.
    driver_order : ndarray, shape (H,)
        0, 2 or 4.
    driver : ndarray, shape (H, 4)
        Frequency in Hz and Q of the driver's pairs of poles; nan where there are none.
    delay : ndarray, shape (H,)
        s; nan without phase.
    level : ndarray, shape (H,)
        Amplitude in the pass-band, signed where phase is known.
    noise_factor : ndarray, shape (H,)
        By how much the noise is larger than it was estimated; 1 with phase.
    model : ndarray, shape (H, F), complex
        Response of low-pass and driver together with level, without delay.
    """

    squares: FloatArray
    penalty: FloatArray
    residuals: FloatArray
    corner: FloatArray
    higher_corner: FloatArray
    driver_order: FloatArray
    driver: FloatArray
    delay: FloatArray
    level: FloatArray
    noise_factor: FloatArray
    model: ComplexArray


@dataclass(frozen=True, slots=True, eq=False)
class _Settings:
    """What all fits share."""

    seen: Observation
    known: ComplexArray | None
    model_error_db: float


def fit_hypotheses(
    observation: Observation,
    hypotheses: Sequence[LowPassHypothesis],
    *,
    use_phase: bool,
    model_error_db: float,
    known: ComplexArray | None = None,
    driver_orders: Sequence[int] = DRIVER_ORDERS,
) -> HypothesisFits:
    """Fit every hypothesis with every kind of driver roll-off and keep the best of each.

    Levenberg's and Marquardt's method on all fits at once, with exact derivatives, from starts
    that are read off the response.

    Parameters
    ----------
    observation : Observation
    hypotheses : sequence of LowPassHypothesis
    use_phase : bool
        Fit complex values; else amplitudes, whose mean in noise is that of a Rice distribution.
    model_error_db : float
        Error of the model itself, in proportion to the response.
    known : ndarray, shape (F,), optional
        What is known to be in the path besides, such as a protective high-pass.
    driver_orders : sequence of int
        Of 0, 2 and 4.
    """
    every = fit_batch(observation, hypotheses, driver_orders)
    settings = _Settings(observation, known, model_error_db)
    level_only = _Problem(settings, every, use_phase=False)
    rounds = _ROUNDS if not use_phase else _ROUNDS_BEFORE_PHASE
    found, squares = level_only.solve(every.start, rounds=rounds)
    problem = level_only
    if use_phase:
        kept = _worth_phase(every.owner, squares)
        problem = _Problem(settings, every.rows(kept), use_phase=True)
        squares = np.full(squares.shape, np.inf)
        found[kept], squares[kept] = problem.solve_from_delays(found[kept])
        problem = _Problem(settings, every, use_phase=True)
    penalty = problem.occam(found)
    best = np.array([_best_of(every.owner, i, squares + penalty) for i in range(len(hypotheses))])
    problem = _Problem(settings, every.rows(best), use_phase=use_phase)
    at = found[best]
    driver = np.exp(
        at[:, [Parameter.FIRST, Parameter.FIRST_Q, Parameter.SECOND, Parameter.SECOND_Q]]
    )
    driver[
        ~every.free[best][
            :, [Parameter.FIRST, Parameter.FIRST_Q, Parameter.SECOND, Parameter.SECOND_Q]
        ]
    ] = np.nan
    delay = observation.delay + _DELAY_SCALE * at[:, Parameter.DELAY]
    return HypothesisFits(
        squares=squares[best],
        penalty=penalty[best],
        residuals=problem.residuals(at)[0],
        corner=np.exp(at[:, Parameter.CORNER]),
        higher_corner=np.exp(at[:, Parameter.CORNER] + at[:, Parameter.RATIO]),
        driver_order=every.driver_order[best],
        driver=driver,
        delay=delay if use_phase else np.full(best.size, np.nan),
        level=at[:, Parameter.LEVEL],
        noise_factor=np.ones(best.size) if use_phase else np.exp(at[:, Parameter.NOISE]),
        model=problem.shape(at)[0] * at[:, Parameter.LEVEL, np.newaxis],
    )


def _worth_phase(owner: NDArray[Any], squares: FloatArray) -> NDArray[Any]:
    """Return the fits whose hypothesis explains the level not hopelessly worse than the best."""
    least = np.array([squares[owner == index].min() for index in range(int(owner.max()) + 1)])
    rank = np.argsort(np.argsort(least))
    worth = (rank < _ALWAYS_KEPT) | (least < least.min() + _HOPELESS)
    return np.flatnonzero(worth[owner])


def _best_of(owner: NDArray[Any], index: int, cost: FloatArray) -> int:
    mine = np.flatnonzero(owner == index)
    return int(mine[np.argmin(cost[mine])])


class _Problem:
    """Residuals, their derivatives, and the search."""

    def __init__(self, settings: _Settings, batch: FitBatch, *, use_phase: bool) -> None:
        seen = settings.seen
        self._settings = settings
        self._seen = seen
        self._batch = batch
        self._phase = use_phase
        axis = seen.frequencies
        self._known = np.ones(axis.size) if settings.known is None else settings.known
        relative = amplitude_ratio(settings.model_error_db) - 1.0
        component = seen.noise**2 / (2.0 * seen.counts)
        if not use_phase:
            component = rice_spread(seen.smooth_amplitude, seen.noise) ** 2 / seen.counts
        self._weight = 1.0 / np.sqrt(component + (relative * seen.amplitude) ** 2)
        self._omega = 2.0 * np.pi * axis * _DELAY_SCALE

    def shape(self, parameters: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Return low-pass times driver, (B, F), and d ln of it by the parameters, (B, P, F)."""
        batch = self._batch
        axis = self._seen.frequencies
        slope = np.zeros((parameters.shape[0], len(Parameter), axis.size), dtype=np.complex128)
        value = np.tile(np.asarray(self._known, np.complex128), (parameters.shape[0], 1))
        corner = np.exp(parameters[:, Parameter.CORNER, np.newaxis])
        apart = np.exp(parameters[:, Parameter.RATIO, np.newaxis])
        copies = batch.copies[:, np.newaxis]
        low_pass = np.ones(value.shape, dtype=np.complex128)
        for column in range(batch.radius.shape[1]):
            higher = batch.higher[:, column, np.newaxis]
            own = batch.radius[:, column, np.newaxis] * np.where(higher, corner * apart, corner)
            x = axis / own
            square = batch.square[:, column, np.newaxis] * x**2
            damping = 1j * batch.damping[:, column, np.newaxis] * x
            below = 1.0 - square + damping
            low_pass /= below
            turn = copies * ((damping - 2.0 * square) / below)
            slope[:, Parameter.CORNER] += turn
            if batch.higher[:, column].any():
                slope[:, Parameter.RATIO] += np.where(higher, turn, 0.0)
        for count in np.unique(batch.copies):
            rows = batch.copies == count
            value[rows] *= low_pass[rows] ** int(count)
        for pair, (place, quality) in enumerate(
            ((Parameter.FIRST, Parameter.FIRST_Q), (Parameter.SECOND, Parameter.SECOND_Q))
        ):
            present = (batch.driver_order > 2 * pair)[:, np.newaxis]
            s = 1j * axis / np.exp(parameters[:, place, np.newaxis])
            damping = s * np.exp(-parameters[:, quality, np.newaxis])
            below = s**2 + damping + 1.0
            value *= np.where(present, s**2 / below, 1.0)
            slope[:, place] = np.where(present, -(damping + 2.0) / below, 0.0)
            slope[:, quality] = np.where(present, damping / below, 0.0)
        slope[:, Parameter.DELAY] = -1j * self._omega
        return value, slope

    def residuals(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return weighted residuals, (B, R), and their derivatives, (B, P, R)."""
        value, slope = self.shape(parameters)
        level = parameters[:, Parameter.LEVEL, np.newaxis]
        if self._phase:
            assert self._seen.pressure is not None
            value = value * np.exp(-1j * self._omega * parameters[:, Parameter.DELAY, np.newaxis])
            model = level * value
            change = slope * model[:, np.newaxis]
            change[:, Parameter.LEVEL] = value
            change[:, Parameter.NOISE] = 0.0
            left = self._weight * (model - self._seen.pressure)
            change *= self._weight
            return (
                np.concatenate((left.real, left.imag), axis=-1),
                np.concatenate((change.real, change.imag), axis=-1),
            )
        amplitude = np.abs(level * value)
        noise = self._seen.noise * np.exp(parameters[:, Parameter.NOISE, np.newaxis])
        seen, by_noise = rice_mean(amplitude, noise)
        part = amplitude / np.maximum(seen, 1e-12)
        real_change = slope.real * amplitude[:, np.newaxis]
        real_change[:, Parameter.DELAY] = 0.0
        real_change[:, Parameter.LEVEL] = np.abs(value) * np.sign(level)
        real_change *= part[:, np.newaxis]
        real_change[:, Parameter.NOISE] = by_noise
        return self._weight * (seen - self._seen.amplitude), self._weight * real_change

    def solve_from_delays(self, start: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Solve from the few delays at which each model fits the phase best; keep the best."""
        found, squares = None, np.zeros(0)
        for tried in self._delay_starts(start):
            at, cost = self.solve(tried, rounds=_ROUNDS)
            if found is None:
                found, squares = at, cost
            else:
                better = cost < squares
                found = np.where(better[:, np.newaxis], at, found)
                squares = np.where(better, cost, squares)
        assert found is not None
        return found, squares

    def _delay_starts(self, parameters: FloatArray) -> list[FloatArray]:
        assert self._seen.pressure is not None
        value, _ = self.shape(parameters)
        tried = np.arange(-150.0, 30.0, 0.25)  # in ms: filters only add to the delay taken out
        turn = np.exp(1j * self._omega[:, np.newaxis] * tried)
        weight = self._weight**2 * self._seen.pressure
        match = ((np.conj(value) * weight) @ turn).real
        power = (self._weight**2 * np.abs(value) ** 2).sum(axis=1)
        strength = np.abs(match)
        peak = np.zeros(strength.shape, dtype=bool)
        peak[:, 1:-1] = (strength[:, 1:-1] >= strength[:, :-2]) & (
            strength[:, 1:-1] > strength[:, 2:]
        )
        best_first = np.argsort(-np.where(peak, strength, -1.0), axis=1)
        starts = []
        row = np.arange(parameters.shape[0])
        for rank in range(_DELAY_STARTS):
            chosen = best_first[:, rank]
            found = parameters.copy()
            found[:, Parameter.DELAY] = tried[chosen]
            found[:, Parameter.LEVEL] = match[row, chosen] / np.maximum(power, 1e-30)
            starts.append(found)
        return starts

    def solve(self, start: FloatArray, *, rounds: int) -> tuple[FloatArray, FloatArray]:
        """Return parameters and sum of squares, priors included, of every fit.

        Every few rounds those that have settled are set aside.
        """
        at = start.copy()
        squares = np.zeros(at.shape[0])
        damping = np.full(at.shape[0], 1e-2)
        active = np.arange(at.shape[0])
        for _ in range(0, rounds, _ROUNDS_TOGETHER):
            part = _Problem(self._settings, self._batch.rows(active), use_phase=self._phase)
            at[active], squares[active], damping[active], settled = part._solve_some(
                at[active], damping[active]
            )
            active = active[~settled]
            if not active.size:
                break
        return at, squares

    def _solve_some(
        self, at: FloatArray, damping: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
        """Do a few rounds; return parameters, squares, damping, and which have settled."""
        free = self._free()
        left, change = self.residuals(at)
        squares = self._squares(left, at)
        settled = np.zeros(at.shape[0], dtype=bool)
        for _ in range(_ROUNDS_TOGETHER):
            step = self._step(at, left, change * free[:, :, np.newaxis], damping, free)
            tried = within_bounds(at + np.clip(step, -2.0, 2.0))
            new_left, new_change = self.residuals(tried)
            new_squares = self._squares(new_left, tried)
            better = new_squares < squares
            gained = np.where(better, squares - new_squares, 0.0)
            at = np.where(better[:, np.newaxis], tried, at)
            left = np.where(better[:, np.newaxis], new_left, left)
            change = np.where(better[:, np.newaxis, np.newaxis], new_change, change)
            squares = np.where(better, new_squares, squares)
            damping = np.clip(np.where(better, damping * 0.2, damping * 6.0), 1e-9, 1e9)
            settled = (gained < 1e-3) & (better | (damping > 1e4))
            if settled.all():
                break
        return at, squares, damping, settled

    def _step(
        self,
        at: FloatArray,
        left: FloatArray,
        change: FloatArray,
        damping: FloatArray,
        free: NDArray[np.bool_],
    ) -> FloatArray:
        identity = np.eye(len(Parameter))
        weight = self._batch.prior_weight**2
        curvature = np.matmul(change, np.swapaxes(change, 1, 2))
        curvature += identity * weight[:, :, np.newaxis]
        gradient = np.matmul(change, left[:, :, np.newaxis])[:, :, 0]
        gradient += weight * (at - self._batch.prior)
        diagonal = np.einsum("bpp->bp", curvature)
        scale = damping[:, np.newaxis] * (diagonal + 1e-9) + ~free
        step = np.linalg.solve(
            curvature + identity * scale[:, :, np.newaxis], -gradient[:, :, np.newaxis]
        )
        return np.where(free, step[:, :, 0], 0.0)

    def occam(self, at: FloatArray) -> FloatArray:
        """Return what each fit loses to its freedom: twice ln of prior's width over likelihood's.

        Where a prior has no part in the fit (corner, level, delay) a wide one is taken.
        """
        free = self._free()
        weight = np.where(self._batch.prior_weight > 0, self._batch.prior_weight, FLAT_WEIGHT)
        change = self.residuals(at)[1] * free[:, :, np.newaxis]
        curvature = np.matmul(change, np.swapaxes(change, 1, 2))
        curvature += np.eye(len(Parameter)) * np.where(free, weight**2, 1.0)[:, :, np.newaxis]
        prior = np.where(free, np.log(weight), 0.0).sum(axis=1)
        return np.asarray(np.linalg.slogdet(curvature)[1] - 2.0 * prior)

    def _free(self) -> NDArray[np.bool_]:
        free = self._batch.free.copy()
        free[:, Parameter.DELAY] = self._phase
        free[:, Parameter.NOISE] = not self._phase
        return free

    def _squares(self, left: FloatArray, at: FloatArray) -> FloatArray:
        prior = self._batch.prior_weight * (at - self._batch.prior)
        return np.asarray((left**2).sum(axis=-1) + (prior**2).sum(axis=-1))
