"""Random rooms with several subwoofers, and a judge of settings, apart from the library.

Conventions
-----------
A setting of n subwoofers and E equalisers is one real row: n delays in ms, n polarities (below 0:
inverted), n levels in dB, then nine gains for each equaliser in dB. Many at a time: (N, variables).
What is judged is stated in `roomeq.optimiser.several`; it is written again here from that text.
Ranges that are drawn from are guesses at living rooms, from no source.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from rooms_apart import CENTRES, image_transfer, modal_transfer, peaking, random_box

POINTS = 20.0 * 2.0 ** (np.arange(-2, 66) / 24.0)
AXIS = POINTS[2:-2]  # 20 to 123 Hz
ROWS = 10.0 * 2.0 ** (np.arange(0, 118) / 24.0)
GAINS = np.arange(-12.0, 6.01, 0.5)
DELAYS = np.arange(0.0, 15.01, 0.1)  # ms
LEVELS = np.arange(-12.0, 0.01, 0.5)
MOST_GIVEN_UP_DB = 3.0
EQUALISERS = ("own", "shared", "none")


def _band_tables(frequencies):
    """Complex logarithm of each band's response at each gain, (9, K, F)."""
    return np.array([[np.log(peaking(frequencies, c, g)) for g in GAINS] for c in CENTRES])


BAND_LOGS, ROW_TABLES = _band_tables(POINTS), 8.685889638 * _band_tables(ROWS).real
SMOOTH = np.zeros((POINTS.size, AXIS.size))  # 1/6 octave: trapezoids over ln f
for _column in range(AXIS.size):
    SMOOTH[_column : _column + 5, _column] = np.array([0.5, 1.0, 1.0, 1.0, 0.5]) / 4.0
AXIS_WEIGHTS = np.full(AXIS.size, 1.0)
AXIS_WEIGHTS[[0, -1]] = 0.5
AXIS_WEIGHTS /= AXIS_WEIGHTS.sum()


@dataclass(frozen=True, kw_only=True)
class SeveralRoom:
    """Pressures (n, seats, POINTS), the allowance of the roll-off, and which equaliser each has."""

    seed: int
    pressures: np.ndarray
    seat_weights: np.ndarray
    allowance_db: np.ndarray
    floor: float
    equaliser_of: tuple[int | None, ...]

    @property
    def n(self):
        return len(self.pressures)

    @property
    def equalisers(self):
        return len({e for e in self.equaliser_of if e is not None})

    @property
    def cap_db(self):
        return np.where(self.floor >= ROWS, 0.5, 3.0)

    def bounds(self):
        n = self.n
        low = [0.0] * n + [-1.0] * n + [-12.0] * n
        high = [15.0] * n + [1.0] * n + [0.0] * n
        for _ in range(self.equalisers):
            low += [-12.0] * 9
            high += [0.0 if c < self.floor else 6.0 for c in CENTRES]
        return np.array(low), np.array(high)

    def steps(self):
        n = self.n
        return np.array([0.1] * n + [2.0] * n + [0.5] * (n + 9 * self.equalisers))

    def rounded(self, settings):
        low, _ = self.bounds()
        n, steps = self.n, self.steps()
        out = low + np.round((settings - low) / steps) * steps
        out[..., n : 2 * n] = np.where(settings[..., n : 2 * n] < 0, -1.0, 1.0)
        return out

    def _bands(self, settings, tables):
        """Sum of the bands' tables, linear between steps, (N, E, F)."""
        gains = settings[:, 3 * self.n :].reshape(len(settings), self.equalisers, 9)
        place = np.clip((gains - GAINS[0]) / 0.5, 0, GAINS.size - 1)
        left = np.minimum(place.astype(int), GAINS.size - 2)
        share = (place - left)[..., None]
        total = 0.0
        for b in range(9):
            table = tables[b]
            near, far = table[left[..., b]], table[left[..., b] + 1]
            total = total + near + share[..., b, :] * (far - near)
        return total

    def totals(self, settings):
        """Complex pressure at the seats, (N, S, P), and each subwoofer's mean response (N, n)."""
        n = self.n
        delay, sign = settings[:, :n] * 1e-3, np.where(settings[:, n : 2 * n] < 0, -1.0, 1.0)
        gain = sign * 10.0 ** (settings[:, 2 * n : 3 * n] / 20.0)
        turned = gain[..., None] * np.exp(-2j * np.pi * delay[..., None] * POINTS)
        means = np.zeros((len(settings), n))
        if self.equalisers:
            logs = self._bands(settings, BAND_LOGS)
            ratio = np.exp(logs)
            mean = 8.685889638 * logs.real[..., 2:-2] @ AXIS_WEIGHTS
            for i, e in enumerate(self.equaliser_of):
                if e is not None:
                    turned[:, i] = turned[:, i] * ratio[:, e]
                    means[:, i] = mean[:, e]
        return np.einsum("nip,isp->nsp", turned, self.pressures), means

    def judge(self, settings):
        """Return F, output given up in dB, and the largest excess over a limit row in dB."""
        loss, output, excess = self.outputs(settings)
        return loss, self.loudest_db - output, excess

    def outputs(self, settings):
        """Return the same with the output itself."""
        settings = np.atleast_2d(settings)
        total, means = self.totals(settings)
        power = (total.real**2 + total.imag**2) @ SMOOTH
        level = 10.0 * np.log10(np.maximum(power, 1e-30))
        n = self.n
        mean_cut = np.minimum(means.mean(axis=1), 0.0)
        loss = self._least_loss(level) + 0.01 * mean_cut**2
        average = 10.0 * np.log10(np.einsum("s,nsf->nf", self.seat_weights, power))
        turned_up = (settings[:, 2 * n : 3 * n] + means).max(axis=1)
        output = average @ AXIS_WEIGHTS - turned_up
        excess = np.full(len(settings), -1.0)
        if self.equalisers:
            excess = (self._bands(settings, ROW_TABLES) - self.cap_db).max(axis=(1, 2))
        return loss, output, excess

    def _least_loss(self, level):
        """Mean over seats of 2 max(d, 0)^2 + min(d + A, 0)^2 at the common level least for it."""
        weights = self.seat_weights[:, None] * AXIS_WEIGHTS
        m = np.einsum("nsf,sf->n", level, weights)
        for _ in range(30):
            d = level - m[:, None, None]
            over, short = d > 0, d + self.allowance_db < 0
            slope = np.einsum(
                "nsf,sf->n", 2.0 * over * d + short * (d + self.allowance_db), weights
            )
            bend = np.einsum("nsf,sf->n", 2.0 * over + short, weights)
            step = slope / np.maximum(bend, 1e-9)
            m = m + step
            if np.abs(step).max() < 1e-9:
                break
        d = level - m[:, None, None]
        loss = 2.0 * np.maximum(d, 0.0) ** 2 + np.minimum(d + self.allowance_db, 0.0) ** 2
        return np.einsum("nsf,sf->n", loss, weights)

    def objective(self, settings):
        """F with what breaks a limit as a penalty, for searches without constraints."""
        loss, given_up, excess = self.judge(settings)
        return (
            loss
            + 5.0 * np.maximum(given_up - MOST_GIVEN_UP_DB, 0.0)
            + 20.0 * np.maximum(excess - 0.005, 0.0)
        )

    def at_rest(self):
        n = self.n
        return np.array([0.0] * n + [1.0] * n + [0.0] * (n + 9 * self.equalisers))

    @functools.cached_property
    def loudest_db(self):
        """Largest mean level of the seats' power average over delay and polarity, levels at 0."""
        rng, n = np.random.default_rng([self.seed, 77]), self.n
        turn = np.exp(-2j * np.pi * 1e-3 * DELAYS[:, None] * POINTS)
        best = -math.inf
        for start in range(2 ** (n - 1) * 24):
            signs = np.array([1.0] + [1.0 - 2.0 * (start >> k & 1) for k in range(n - 1)])
            at = rng.integers(0, DELAYS.size, n) if start >= 2 ** (n - 1) else np.full(n, 75)
            value = -math.inf
            while True:
                for i in range(n):
                    rest = sum(
                        signs[k] * turn[at[k]] * self.pressures[k] for k in range(n) if k != i
                    )
                    total = rest + signs[i] * turn[:, None] * self.pressures[i]
                    power = self.seat_weights @ (total.real**2 + total.imag**2) @ SMOOTH
                    levels = 10.0 * np.log10(np.maximum(power, 1e-30)) @ AXIS_WEIGHTS
                    at[i] = int(levels.argmax())
                if levels.max() < value + 1e-6:
                    break
                value = levels.max()
            best = max(best, value)
        return float(best)

    def magnitudes_db(self):
        """The same mean level if all magnitudes added at every seat and frequency."""
        power = self.seat_weights @ np.abs(self.pressures).sum(axis=0) ** 2 @ SMOOTH
        return float(10.0 * np.log10(power) @ AXIS_WEIGHTS)


def before_wall(sides, wall, off, along):
    """Return where one stands so far off a wall, along it by a share of its length."""
    return (
        (off, along * sides[1]),
        (sides[0] - off, along * sides[1]),
        (along * sides[0], off),
        (along * sides[0], sides[1] - off),
    )[wall]


def random_room(seed, subwoofers=None, seats=None, kind=None):
    """Draw a room of modes or of image sources with 2 to 4 subwoofers and 3 to 9 seats."""
    rng = np.random.default_rng([seed, 20190])
    sides = np.array([rng.uniform(4.3, 8.0), rng.uniform(3.2, 5.6), rng.uniform(2.3, 2.9)])
    n = int(rng.integers(2, 5)) if subwoofers is None else subwoofers
    seats = int(rng.integers(3, 10)) if seats is None else seats
    walls = rng.permutation(4)[:n]  # each before a wall of its own
    at = []
    for wall in walls:
        along, off = rng.uniform(0.08, 0.92), rng.uniform(0.25, 0.5)
        at.append(np.array([*before_wall(sides, int(wall), off, along), rng.uniform(0.2, 0.45)]))
    centre = sides * [rng.uniform(0.4, 0.75), rng.uniform(0.35, 0.65), 0.0] + [0.0, 0.0, 1.1]
    reach = np.array([*rng.uniform([0.5, 0.6], [1.3, 1.5]), 0.1])
    places = np.clip(centre + reach * rng.uniform(-1.0, 1.0, (seats, 3)), 0.3, sides - 0.3)
    slope, reverberant = rng.uniform(-0.4, 0.5), rng.uniform(0.25, 0.7)
    by_axes, losses = np.array([0.6, 1.0, 0.85, 0.7]), rng.uniform(0.04, 0.28, (3, 2))

    def decay_time(modes, orders):
        return (
            reverberant
            * np.clip(modes / 63.0, 0.3, None) ** -slope
            * by_axes[(orders > 0).sum(axis=1)]
        )

    modal = seed % 2 == 0 if kind is None else kind == "modes"
    boxes = [random_box(rng)] * n
    if rng.uniform() < 0.3:
        boxes = [random_box(rng) for _ in range(n)]
    parts = []
    for source, box in zip(at, boxes, strict=True):
        field_ = (
            modal_transfer(POINTS, sides, source, places, decay_time)
            if modal
            else image_transfer(POINTS, sides, source, places, losses, slope)
        )
        late = np.exp(-2j * np.pi * POINTS * rng.uniform(0.0, 2e-3))
        parts.append(field_ * box.response(POINTS) * late * 10.0 ** (rng.uniform(-3, 3) / 20.0))
    limit = max(box.limit for box in boxes)
    order = max(2 if box.order == 2 else 4 for box in boxes)
    kind_of = EQUALISERS[rng.choice(3, p=[0.6, 0.25, 0.15])]
    of = {"own": tuple(range(n)), "shared": (0,) * n, "none": (None,) * n}[kind_of]
    weights = rng.uniform(0.5, 2.0, seats) if rng.uniform() < 0.25 else np.ones(seats)
    return SeveralRoom(
        seed=seed,
        pressures=np.array(parts),
        seat_weights=weights / weights.sum(),
        allowance_db=10.0 * np.log10(1.0 + 3.0 * (limit / AXIS) ** (2 * order)),
        floor=limit,
        equaliser_of=of,
    )
