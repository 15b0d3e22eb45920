"""What settings of several subwoofers give at the seats: loss, output, limits, and derivatives.

Conventions
-----------
A setting is a vector x of V values, a delay in ms for each source, a level in dB for each, then the
gains of each equaliser in dB, then a sign for each source. Between the steps of a band
the complex logarithm of its response runs straight, and so does its level at the limit frequencies;
bands with fewer gains than others are padded with what their last gain does. A *state* is a setting
with what it gives; *moves* are settings beside it, many of which are judged at once. Values are
weighed as in the package; merit is the loss with what breaks a limit added, so that the search may
pass there.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Any, Generic, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import ComplexArray, FloatArray, power_ratio_db
from roomeq.optimiser.several.task import BandSet, IntArray, SeveralTask
from roomeq.wanted.loss import MEAN_CUT_WEIGHT

NEPERS_PER_DB = math.log(10.0) / 20.0
Figure = TypeVar("Figure", float, FloatArray)
LIMIT_TOLERANCE_DB = 1e-6
_BROKEN, _PER_DB = 1e3, 1e2
_ROW_WEIGHT, _OUTPUT_WEIGHT = 300.0, 100.0  # of squared excesses while values are continuous
_OUTPUT_MARGIN_DB = 0.01  # what rounding may lose
_LEAST_POWER = 1e-20
_BLOCK = 8000  # pressures that are held at once
_DECIMALS = 9  # of pressures, so that unit and order leave not even a rounding error


Summed = tuple[ComplexArray, FloatArray]
"""Logarithms (K, P) and rows (K, G) of all bands, of K settings; or slopes of B bands."""


class BandTables:
    """Stacked tables of one equaliser.

    Attributes
    ----------
    gains : ndarray, shape (B, K)
    values : ndarray, shape (B, K, 2 P + G)
        Logarithms of the responses, real and imaginary parts in turn, then rows in dB.
    steps : ndarray, shape (B, K - 1, 2 P + G)
        By how much these change to the next gain, for each dB.
    """

    def __init__(self, bands: BandSet) -> None:
        sizes = np.array([gains.size for gains in bands.gains_db])
        steps = np.arange(sizes.max() + 1)

        def padded(tables: tuple[Any, ...]) -> NDArray[Any]:
            return np.array([table[np.minimum(steps, len(table) - 1)] for table in tables])

        self.bands, self.last = np.arange(sizes.size), np.maximum(sizes - 2, 0)
        self.gains = padded(bands.gains_db) + np.maximum(steps - sizes[:, None] + 1, 0)
        logs = np.log(padded(bands.responses)).view(np.float64)
        self.values = np.concatenate([logs, padded(bands.limit_tables_db)], axis=-1)
        self.steps = np.diff(self.values, axis=1) / np.diff(self.gains, axis=1)[..., None]
        self._ends = logs.shape[-1]

    def summed(self, gains_db: FloatArray) -> Summed:
        """Return logarithms (K, P) and rows (K, G) of all bands at gains (K, B)."""
        below = self._below(gains_db)
        beyond = np.einsum("kb,kbp->kp", gains_db - self.gains[below], self.steps[below])
        return self._parted(self.values[below].sum(axis=1) + beyond)

    def slopes(self, gains_db: FloatArray) -> Summed:
        """Return by how much each band's logarithm and rows change for a dB of its gain (B,)."""
        return self._parted(self.steps[self._below(gains_db)])

    def _below(self, gains_db: FloatArray) -> tuple[IntArray, IntArray]:
        """Return the places of the gains on offer next below each gain (..., B)."""
        k = (self.gains < gains_db[..., None]).sum(axis=-1) - 1
        return self.bands, np.minimum(np.maximum(k, 0), self.last)

    def _parted(self, values: FloatArray) -> Summed:
        return values[..., : self._ends].view(np.complex128), values[..., self._ends :]


class Given(NamedTuple, Generic[Figure]):
    """Settings and what they give: of many with a leading axis more."""

    x: FloatArray  # (V,)
    transfers: ComplexArray  # (n, P), what is set on each source
    total: ComplexArray  # (S, P)
    rows: FloatArray  # (R,), excess of each equaliser's summed response over its limit rows
    means: FloatArray  # (E,), mean response of each equaliser over the axis
    level: Figure  # common level m
    loss: Figure
    given_up: Figure
    excess: Figure  # the largest of the rows
    merit: Figure


State = Given[float]


def state_at(given: Given[FloatArray], k: int) -> State:
    """Return one of many settings with what it gives."""
    return State(*(value[k] for value in given[:5]), *(float(value[k]) for value in given[5:]))


class Model:
    """Tables of one task.

    Parameters
    ----------
    task : SeveralTask

    Attributes
    ----------
    choices : tuple of V ndarray
        Values that may be set, rising.
    free : ndarray of int
        Places in x with a choice, but for the signs.
    sign_places : ndarray of int, shape (n,)
        Places of the signs in x.
    invertible : ndarray of bool, shape (n,)
        Which sources have a choice of sign.
    lines : ndarray of int, shape (n,)
        Of each source, whose delay and level it has: its own, or its feeder's.
    own : ndarray of int
        Sources that have a line of their own, rising.
    gain_places : list of ndarray of int
        Places of each equaliser's gains in x.
    of_sources : ndarray, shape (E, n)
        1 where an equaliser lies before a source.
    share_of_sources : ndarray, shape (E,)
        Of how many it lies before.
    evaluations : int
        Settings judged so far; a derivative counts as one for each free value.
    """

    def __init__(self, task: SeveralTask) -> None:
        self.task = task
        self.n = len(task.sources)
        self.pressures = np.array([source.pressures for source in task.sources])
        mean_power = np.mean(np.abs(self.pressures) ** 2)
        self.unit_db = float(power_ratio_db(max(mean_power, np.finfo(np.float64).tiny)))
        self.pressures = np.round(self.pressures / 10.0 ** (self.unit_db / 20.0), _DECIMALS)
        fed_by = enumerate(source.fed_by for source in task.sources)
        self.lines = np.array([i if fed is None else fed for i, fed in fed_by])
        self.own = np.unique(self.lines)
        self.bands_of = np.array([-1 if s.equaliser is None else s.equaliser for s in task.sources])
        still = np.zeros(1)  # of one that is fed
        delays = [1e3 * s.delays if s.fed_by is None else still for s in task.sources]
        levels = [s.levels_db if s.fed_by is None else still for s in task.sources]
        sizes = [len(e.gains_db) for e in task.equalisers]
        ends = 2 * self.n + np.cumsum([0, *sizes])
        self.gain_places = [np.arange(first, end) for first, end in itertools.pairwise(ends)]
        signs = [np.sort(s.polarities) for s in task.sources]
        gains = (grid for e in task.equalisers for grid in e.gains_db)
        self.choices = (*delays, *levels, *gains, *signs)
        self.sign_places = np.arange(ends[-1], len(self.choices))
        chosen = np.array([c.size > 1 for c in self.choices])
        self.free, self.invertible = np.flatnonzero(chosen[: ends[-1]]), chosen[ends[-1] :]
        self.low, self.high = (np.array([c[k] for c in self.choices]) for k in (0, -1))
        axis, points = task.frequencies, task.points
        self.mean_of = (
            np.array([np.interp(np.log(axis), np.log(points), row) for row in np.eye(points.size)])
            @ task.frequency_weights
        )
        self.turn = -2e-3j * np.pi * points
        self.weights = task.seat_weights[:, None] * task.frequency_weights
        self.asked = -task.allowance_db
        self.asked_at_seats = np.tile(self.asked, len(task.seat_weights))
        self.evaluations = 0
        self.loudest_db = 0.0
        caps = [bands.cap_db for bands in task.equalisers]
        self.caps_db = np.concatenate([*caps, np.zeros(0)])
        self.rows_of = np.repeat(np.arange(len(caps)), [cap.size for cap in caps])
        self.row_weights = _ROW_WEIGHT / np.bincount(self.rows_of)[self.rows_of]
        self.tables = [BandTables(bands) for bands in task.equalisers]
        self.of_sources = 1.0 * (self.bands_of == np.arange(len(caps))[:, None])
        self.share_of_sources = self.of_sources.mean(axis=-1)

    # -- settings -------------------------------------------------------------------------------

    def present(self) -> FloatArray:
        """Return what is set now, whether or not it may be set."""
        sources = self.task.sources
        x = [1e3 * s.present.delay for s in sources] + [s.present.level_change_db for s in sources]
        x += [float(g) for e in self.task.equalisers for g in e.present_gains_db]
        return np.array(x + [-1.0 if s.present.inverted else 1.0 for s in sources])

    def rounded(self, x: FloatArray) -> FloatArray:
        """Return the nearest choices."""
        pairs = zip(self.choices, x, strict=True)
        return np.array([offered[np.abs(offered - value).argmin()] for offered, value in pairs])

    # -- what settings give ---------------------------------------------------------------------

    def state(self, x: FloatArray, start: float = math.nan) -> State:
        """Return a setting with what it gives; one evaluation. `start` is near its level."""
        return state_at(self.judged(x[None], start), 0)

    def before(self) -> State:
        """Return what is set now with what it gives, also where it may not be set."""
        x = self.present()[None]
        parts = zip(self.task.equalisers, self.tables, self.gain_places, strict=True)
        found = [(np.log(e.present_response)[None], t.summed(x[:, at])[1]) for e, t, at in parts]
        return state_at(self._given(x, found, math.nan), 0)

    def judged(self, x: FloatArray, start: float = math.nan) -> Given[FloatArray]:
        """Return what settings (K, V) give; one evaluation each. `start` is near their level."""
        bands = []
        for table, at in zip(self.tables, self.gain_places, strict=True):
            alike = bool((x[:, at] == x[0, at]).all())  # then once for all
            bands.append(table.summed(x[:1, at] if alike else x[:, at]))
        return self._given(x, bands, start)

    def _given(self, x: FloatArray, bands: list[Summed], start: float) -> Given[FloatArray]:
        task = self.task
        self.evaluations += len(x)
        delays, levels_db = x[:, self.lines, None], x[:, self.n + self.lines, None]
        exponents = self.turn * delays + NEPERS_PER_DB * levels_db
        means, rows = np.zeros((len(x), len(bands))), np.zeros((len(x), self.caps_db.size))
        for e, (log, row) in enumerate(bands):
            exponents[:, self.bands_of == e] += log[:, None]
            means[:, e], rows[:, self.rows_of == e] = self._means_db(log), row
        rows -= self.caps_db
        transfers = x[:, self.sign_places, None] * np.exp(exponents)
        total = np.einsum("knp,nsp->ksp", transfers, self.pressures)
        levels, average = self.levels_db(total)
        m, loss = self._least_loss(levels.reshape(len(x), -1), start)
        mean_cut = np.minimum(means @ self.share_of_sources, 0.0)
        loss += MEAN_CUT_WEIGHT * mean_cut**2
        given_up = self.loudest_db - self.output_db(average, x, means)
        excess = rows.max(axis=-1, initial=-math.inf)
        broken = np.maximum(excess, 0.0) + np.maximum(given_up - task.most_given_up_db, 0.0)
        merit = loss + np.where(broken > LIMIT_TOLERANCE_DB, _BROKEN + _PER_DB * broken, 0.0)
        return Given(x, transfers, total, rows, means, m, loss, given_up, excess, merit)

    def merits(self, x: FloatArray, start: float) -> FloatArray:
        """Return the merits of many settings (K, V), judged in blocks that a fast memory holds."""
        size = _BLOCK // self.pressures[0].size + 1
        blocks = [x[k : k + size] for k in range(0, len(x), size)]
        return np.concatenate([self.judged(block, start).merit for block in blocks])

    def levels_db(self, total: ComplexArray) -> tuple[FloatArray, FloatArray]:
        """Return level less target at each seat (..., S, F), and the seats' power average."""
        power = np.maximum(self._smoothed(total.real**2 + total.imag**2), _LEAST_POWER)
        average = self.task.seat_weights @ power
        return power_ratio_db(power) - self.task.target_db, power_ratio_db(average)

    def _smoothed(self, power: FloatArray) -> FloatArray:
        """Return power at the points (..., P) as power on the fit axis (..., F)."""
        rows = power.reshape(-1, power.shape[-1]) @ self.task.smoothing  # in one product
        return rows.reshape(*power.shape[:-1], -1)

    def _least_loss(self, levels: FloatArray, start: float) -> tuple[FloatArray, FloatArray]:
        """Return the level m at which the loss of levels (K, S F) is least, and that loss, (K,).

        By Newton steps on its slope.
        """
        weights, r = self.weights.ravel(), self.task.loss.excess_weight
        m = levels @ weights if math.isnan(start) else np.full(len(levels), start)
        for _ in range(30):
            d = levels - m[:, None]
            over, short = np.maximum(d, 0.0), np.minimum(d - self.asked_at_seats, 0.0)
            step = (r * over + short) @ weights
            if (np.abs(step) < 1e-10).all():
                break
            m = m + step / np.maximum((r * (over > 0.0) + (short < 0.0)) @ weights, 1e-3)
        return m, (r * over**2 + short**2) @ weights

    def _means_db(self, logs: ComplexArray) -> FloatArray:
        """Return the mean level over the fit axis, in dB, of logarithms of responses (..., P)."""
        return np.asarray(logs.real @ self.mean_of / NEPERS_PER_DB)

    def output_db(self, average: FloatArray, x: FloatArray, means: FloatArray) -> FloatArray:
        """Return the mean level of the seats' power average at equal drive of the most driven."""
        driven = x[..., self.n + self.lines] + means @ self.of_sources
        return np.asarray(average @ self.task.frequency_weights - driven.max(axis=-1))

    # -- moves from a state ---------------------------------------------------------------------

    def line_moves(
        self, state: State, line: int, delays: FloatArray, levels: FloatArray, *, flips: bool = True
    ) -> FloatArray:
        """Return settings with one line moved: every delay with every level, also turned."""
        delay, level = (grid.ravel() for grid in np.meshgrid(delays, levels, indexing="ij"))
        x = np.repeat(state.x[None], delay.size, axis=0)
        x[:, line], x[:, self.n + line] = delay, level
        touched = self.lines == line
        if flips and self.invertible[touched].all():
            x = np.concatenate([x, self.turned(x, touched)])
        return x

    def given_up_by(self, state: State, line: int, delays: FloatArray) -> FloatArray:
        """Return the output that `line_moves` of these delays give up; one evaluation each.

        What moves is turned against the rest, so that the seats' power needs no sum over seats.
        """
        touched = self.lines == line
        moved = np.einsum("np,nsp->sp", state.transfers[touched], self.pressures[touched])
        rest, weights = state.total - moved, self.task.seat_weights
        turns = np.exp(self.turn * (delays[:, None] - state.x[line]))
        cross = 2.0 * (turns * (weights @ (moved * rest.conj()))).real
        if self.invertible[touched].all():
            cross = np.concatenate([cross, -cross])
        self.evaluations += len(cross)
        power = (cross + weights @ (np.abs(moved) ** 2 + np.abs(rest) ** 2)) @ self.task.smoothing
        average = power_ratio_db(np.maximum(power, _LEAST_POWER))
        return self.loudest_db - self.output_db(average, state.x, state.means)

    def turned(self, x: FloatArray, sources: np.int64 | NDArray[np.bool_]) -> FloatArray:
        """Return settings (..., V) with the polarity of some sources turned."""
        turn = np.ones(x.shape[-1])
        turn[self.sign_places[sources]] = -1.0
        return np.asarray(turn * x)

    # -- continuous values ----------------------------------------------------------------------

    def smooth_merit(self, given: Given[Any]) -> Any:
        """Return the loss with what breaks a limit squared, of one setting or of many."""
        over = np.maximum(given.given_up - self.task.most_given_up_db + _OUTPUT_MARGIN_DB, 0.0)
        rows = np.maximum(given.rows, 0.0) ** 2 @ self.row_weights
        return given.loss + _OUTPUT_WEIGHT * over**2 + rows

    def expansion(self, state: State) -> tuple[FloatArray, FloatArray]:
        """Return half the slope and curvature of the smooth merit in the free values, (V',).

        Gauss and Newton's curvature, the common level eliminated from it. One evaluation for each
        free value.
        """
        self.evaluations += self.free.size
        task, r = self.task, self.task.loss.excess_weight
        power = np.maximum(self._smoothed(np.abs(state.total) ** 2), _LEAST_POWER)
        pairs = zip(self.tables, self.gain_places, strict=True)
        bands = [table.slopes(state.x[at]) for table, at in pairs]
        slopes = self._power_slopes(state, [logs for logs, _ in bands])[self.free]
        bent = self._smoothed(slopes)  # half of what the power gains, (V', S, F)
        d = power_ratio_db(power) - task.target_db - state.level
        short = np.minimum(d - self.asked, 0.0)
        jacobian = (bent / power / NEPERS_PER_DB).reshape(self.free.size, -1)
        gradient = jacobian @ (self.weights * (r * np.maximum(d, 0.0) + short)).ravel()
        counted = (self.weights * (r * (d > 0.0) + (short < 0.0))).ravel()
        weighted = jacobian * counted
        column = weighted.sum(axis=1)
        curvature = weighted @ jacobian.T
        curvature -= np.outer(column, column) / max(float(counted.sum()), 1e-9)
        for weights, residuals, rows in self._penalties(state, bands, bent, power):
            gradient = gradient + rows @ (weights * residuals)
            curvature = curvature + weights * rows @ rows.T
        return gradient, curvature

    def _power_slopes(self, state: State, logs: list[ComplexArray]) -> FloatArray:
        """Return half of the slope of the power at the points in every value, (V, S, P)."""
        inner = np.conj(state.total) * (state.transfers[:, None] * self.pressures)
        of_lines = np.array([inner[self.lines == i].sum(axis=0) for i in range(self.n)])
        found = [-self.turn.imag * of_lines.imag, NEPERS_PER_DB * of_lines.real]
        for e, log in enumerate(logs):
            of_bands = inner[self.bands_of == e].sum(axis=0)
            found.append((log[:, None, :] * of_bands).real)
        return np.concatenate(found)

    def _penalties(
        self, state: State, bands: list[Summed], bent: FloatArray, power: FloatArray
    ) -> Iterator[tuple[float, FloatArray, FloatArray]]:
        """Yield weight, residuals (R,) and their slopes (V', R): mean cut, output, limit rows."""
        task, n, free = self.task, self.n, self.free
        means = np.zeros((n, len(self.choices)))
        for e, (logs, _) in enumerate(bands):
            means[np.ix_(self.bands_of == e, self.gain_places[e])] = self._means_db(logs)
        means = means[:, free]
        cut = float((state.means @ self.of_sources).mean())
        if cut < 0.0:
            yield MEAN_CUT_WEIGHT, np.array([cut]), means.mean(axis=0)[:, None]
        over = state.given_up - task.most_given_up_db + _OUTPUT_MARGIN_DB
        if over > 0.0:
            first = int((state.x[n + self.lines] + state.means @ self.of_sources).argmax())
            driven = means[first] + (free == n + self.lines[first])
            average = task.seat_weights @ power
            louder = np.einsum("s,vsf->vf", task.seat_weights, bent) / average / NEPERS_PER_DB
            slope = driven - louder @ task.frequency_weights
            yield _OUTPUT_WEIGHT, np.array([over]), slope[:, None]
        for e, (_, row_slopes) in enumerate(bands):
            broken = (self.rows_of == e) & (state.rows > 0.0)
            if broken.any():
                rows = np.zeros((len(self.choices), int(broken.sum())))
                rows[self.gain_places[e]] = row_slopes[:, broken[self.rows_of == e]]
                yield float(self.row_weights[broken][0]), state.rows[broken], rows[free]
