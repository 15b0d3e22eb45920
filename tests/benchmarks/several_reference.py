"""Reference settings for several subwoofers: a minute of scipy's searches and of local search.

Run by hand, results kept: ``python several_reference.py FILE FIRST LAST [SECONDS]``. Differential
evolution restarts and basin hopping take half of the time, iterated local search on the grid, with
block moves, the rest, from the best of them and from elsewhere. None of it knows the library.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
from scipy.optimize import basinhopping, differential_evolution
from several_rooms import DELAYS, GAINS, LEVELS, random_room


class _Late(Exception):
    pass


class Search:
    """Keeps the best grid setting that was ever judged, and stops when its time is over."""

    def __init__(self, room, seed):
        self.room, self.rng = room, np.random.default_rng([seed, 5])
        self.low, self.high = room.bounds()
        self.best, self.value, self.spent = None, np.inf, 0
        self.until = np.inf

    def objective(self, settings):
        if time.process_time() > self.until:
            raise _Late
        self.spent += len(settings)
        return self.room.objective(settings)

    def keep(self, setting, value):
        if value < self.value:
            self.best, self.value = setting.copy(), value

    def choices(self, place):
        n = self.room.n
        if place < n:
            return DELAYS
        if place < 2 * n:
            return np.array([-1.0, 1.0])
        if place < 3 * n:
            return LEVELS
        return GAINS[self.high[place] + 1e-9 >= GAINS]

    def single(self, setting, place):
        values = self.choices(place)
        block = np.repeat(setting[None], values.size, axis=0)
        block[:, place] = values
        return block

    def delay_and_polarity(self, setting, source):
        block = np.repeat(setting[None], 2 * DELAYS.size, axis=0)
        block[:, source] = np.tile(DELAYS, 2)
        block[:, self.room.n + source] = np.repeat([-1.0, 1.0], DELAYS.size)
        return block

    def pairs(self, setting):
        """Two bands, or a band and a level, moved against each other or together."""
        steps, places = self.room.steps(), np.arange(2 * self.room.n, setting.size)
        i, j = self.rng.choice(places, (2, 200))
        block = np.repeat(setting[None], 200, axis=0)
        rows = np.arange(200)
        block[rows, i] += self.rng.integers(-3, 4, 200) * steps[i]
        block[rows, j] += self.rng.integers(-3, 4, 200) * steps[j]
        return np.clip(block, self.low, self.high)

    def descend(self, setting):
        setting = self.room.rounded(setting)
        value = self.objective(setting[None])[0]
        while True:
            before = value
            moves = [("d", i) for i in range(self.room.n)]
            moves += [("s", p) for p in range(2 * self.room.n, setting.size)] + [("p", 0)] * 2
            for k in self.rng.permutation(len(moves)):
                kind, place = moves[k]
                if kind == "d":
                    block = self.delay_and_polarity(setting, place)
                else:
                    block = self.single(setting, place) if kind == "s" else self.pairs(setting)
                values = self.objective(block)
                if values.min() < value - 1e-9:
                    setting, value = block[values.argmin()], values.min()
                    self.keep(setting, value)
            if before - value < 1e-3 * value:
                return setting, value

    def kicked(self, setting):
        """A block move: one subwoofer anew, its bands anew, or both."""
        out, n = setting.copy(), self.room.n
        i, how = self.rng.integers(n), self.rng.integers(3)
        if how != 1:
            out[i] = self.rng.choice(DELAYS)
            out[n + i] = self.rng.choice([-1.0, 1.0])
            out[2 * n + i] = self.rng.choice(LEVELS)
        if how != 0 and self.room.equalisers:
            e = self.rng.integers(self.room.equalisers)
            at = slice(3 * n + 9 * e, 3 * n + 9 * e + 9)
            out[at] = np.minimum(self.rng.integers(-6, 4, 9), self.high[at]) if how == 1 else 0.0
        return out

    def evolve(self, seconds):
        self.until = time.process_time() + seconds
        bounds, seed = list(zip(self.low, self.high, strict=True)), 0
        best = [None]
        try:
            while True:
                seed += 1
                differential_evolution(
                    lambda x: self.objective(x.T),
                    bounds,
                    popsize=15,
                    maxiter=150,
                    tol=1e-6,
                    seed=seed,
                    polish=False,
                    vectorized=True,
                    updating="deferred",
                    callback=lambda x, convergence: best.__setitem__(0, x),
                )
        except _Late:
            self.until = np.inf
        if best[0] is not None:
            self.descend(best[0])

    def hop(self, seconds):
        self.until, last = time.process_time() + seconds, [None]
        scale, span = self.low, self.high - self.low

        def gradient(u):
            block = np.vstack([u, u + 1e-5 * np.eye(u.size)])
            values = self.objective(scale + np.clip(block, 0.0, 1.0) * span)
            return values[0], (values[1:] - values[0]) / 1e-5

        try:
            basinhopping(
                gradient,
                self.rng.uniform(0.0, 1.0, self.low.size),
                niter=10**6,
                stepsize=0.15,
                rng=int(self.rng.integers(10**6)),
                minimizer_kwargs={
                    "method": "L-BFGS-B",
                    "jac": True,
                    "options": {"maxiter": 60},
                    "bounds": [(0.0, 1.0)] * self.low.size,
                },
                callback=lambda x, f, accept: last.__setitem__(0, x) if accept else None,
            )
        except _Late:
            self.until = np.inf
        if last[0] is not None:
            self.descend(scale + np.clip(last[0], 0.0, 1.0) * span)

    def local(self, seconds):
        self.until = time.process_time() + seconds
        try:
            kept, value = (self.best, self.value)
            since = 0
            while True:
                if since > 12:
                    start, since = self.rng.uniform(self.low, self.high), 0
                    start[3 * self.room.n :] = 0.0
                    kept, value = self.descend(start)
                setting, found = self.descend(self.kicked(kept))
                since += 1
                if found < value:
                    kept, value, since = setting, found, 0
                if since > 12 and value > self.value:  # back to the best once, then elsewhere
                    kept, value, since = self.best, self.value, int(self.rng.integers(12))
        except _Late:
            self.until = np.inf


def reference(seed, seconds):
    room = random_room(seed)
    search = Search(room, seed)
    search.descend(room.at_rest())
    search.evolve(0.2 * seconds)
    after = [search.value]
    search.hop(0.2 * seconds)
    after.append(search.value)
    search.local(0.6 * seconds)
    loss, given_up, excess = (float(v[0]) for v in room.judge(search.best[None]))
    return {
        "seed": seed,
        "n": room.n,
        "seats": room.seat_weights.size,
        "loss": loss,
        "objective": float(search.value),
        "given_up": given_up,
        "excess": excess,
        "evolution_hopping": [float(a) for a in after],
        "spent": search.spent,
        "setting": search.best.tolist(),
    }


if __name__ == "__main__":
    target, first, last = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    limit = float(sys.argv[4]) if len(sys.argv) > 4 else 60.0
    with target.open("a", encoding="utf-8") as file:
        for number in range(first, last):
            file.write(json.dumps(reference(number, limit)) + "\n")
            file.flush()
