"""One file of one of several subwoofers turned round, in rooms made by code: told, or told wrongly.

Rooms of modes, image sources and irregular walls, 3.5 to 10 m long, 2 to 4 subwoofers (anywhere,
before walls, mirrored, in corners), 3 to 9 seats, levels, delays and polarities of their own, 0.05
to 0.5 dB of scatter, noise 30 to 60 dB below; ranges are guesses at living rooms, from no source.
Each is judged clean, then with one file drawn by lot turned round. Run by hand.

    python tests/benchmarks/bench_turned_files.py [rooms] [first seed] [lowest Hz measured]
"""

import math
import sys

import numpy as np
from rooms_apart import image_transfer, irregular_transfer, low_pass, modal_transfer, random_box
from scipy.interpolate import CubicSpline

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.subwoofers import turned_files

AXIS = 12.0 * 2.0 ** (np.arange(0, 144) / 32.0)  # 12 to 270 Hz
CHAINS = (("linkwitz_riley", 4), ("butterworth", 2), ("butterworth", 4))


def stand(rng, sides, count):
    """Draw where subwoofers stand, shape (count, 3), and how they were drawn."""
    layout = rng.choice(["any", "walls", "mirrored", "corners"], p=[0.25, 0.35, 0.25, 0.15])
    at = rng.uniform([0.25, 0.25, 0.15], [sides[0] - 0.25, sides[1] - 0.25, 0.5], (count, 3))
    for k, row in enumerate(at):
        if layout == "walls":
            side = rng.integers(2)
            row[side] = rng.choice([0.3, sides[side] - 0.3])
            if rng.uniform() < 0.4:
                row[1 - side] = sides[1 - side] / 2
        elif layout == "corners":
            row[:2] = [(0.4, sides[0] - 0.4)[k % 2], (0.4, sides[1] - 0.4)[k // 2 % 2]]
        elif layout == "mirrored" and k % 2:
            row[:] = at[k - 1] * [1, -1, 1] + [0, sides[1], 0]
    return at, str(layout)


def sit(rng, sides, count, layout):
    """Draw where the seats are: all over the room, in a mirrored row, or around a middle."""
    if rng.uniform() < 0.35:
        low, high = [0.4, 0.4, 0.7], [sides[0] - 0.4, sides[1] - 0.4, 1.3]
        return rng.uniform(low, high, (count, 3))
    if layout == "mirrored" and rng.uniform() < 0.5:
        y = sides[1] / 2 + np.linspace(-1, 1, count) * rng.uniform(0.6, 1.3)
        x = sides[0] * rng.uniform(0.4, 0.8)
        return np.column_stack([np.full(count, x), y, np.full(count, 1.1)])
    centre = sides * [rng.uniform(0.35, 0.8), rng.uniform(0.35, 0.65), 0] + [0, 0, 1.1]
    reach = np.array([*rng.uniform([0.3, 0.5], [1.5, 1.6]), 0.1])
    return np.clip(centre + reach * rng.uniform(-1, 1, (count, 3)), 0.3, sides - 0.3)


def transfers(rng, seed, sides, sources, places):
    """Return the pressure from each source at places, shape (n, S, F)."""
    decay, slope = rng.uniform(0.2, 0.9), rng.uniform(-0.4, 0.5)
    losses, leak = rng.uniform(0.04, 0.4, (3, 2)), rng.uniform(0.3, 1.0)
    by_axes, walls = np.array([leak, 1.0, 0.85, 0.7]), int(rng.integers(2**31))

    def time(frequencies, orders):
        times = decay * np.clip(frequencies / 63, 0.3, 9) ** -slope
        return times if orders is None else times * by_axes[(orders > 0).sum(axis=1)]

    def one(source):
        if seed % 3 == 0:
            return modal_transfer(AXIS, sides, source, places, time, highest=320.0)
        if seed % 3 == 1:
            return image_transfer(AXIS, sides, source, places, losses, slope)
        same = np.random.default_rng(walls)  # all stand in the same room
        return irregular_transfer(AXIS, sides, source, places, time, same)

    return np.array([one(source) for source in sources])


def measured_room(seed):
    """Return what was measured of each subwoofer at each seat, shape (n, S, F)."""
    rng = np.random.default_rng([seed, 4711])
    sides = rng.uniform([3.5, 2.8, 2.2], [10.0, 6.5, 3.4])
    count, seats = int(rng.integers(2, 5)), int(rng.integers(3, 10))
    sources, layout = stand(rng, sides, count)
    rows = transfers(rng, seed, sides, sources, sit(rng, sides, seats, layout))
    rows = rows * low_pass(AXIS, *CHAINS[rng.integers(3)], float(rng.choice([70, 80, 100, 120])))
    box, unlike = random_box(rng), rng.uniform() < 0.3
    for n in range(count):
        own = random_box(rng) if unlike else box
        late = np.exp(-2j * np.pi * AXIS * rng.choice([0.0, rng.uniform(0, 12e-3)]))
        sign = -1.0 if rng.uniform() < 0.2 else 1.0
        rows[n] *= own.response(AXIS) * late * sign * 10 ** (rng.uniform(-4, 4) / 20)
    scatter, knots = rng.uniform(0.05, 0.5), np.log(np.geomspace(10, 300, 15))
    drawn = rng.normal(0, scatter, (2, count, seats, 15))
    level_db, turn = CubicSpline(knots, drawn, axis=-1)(np.log(AXIS))
    floor = 10 ** (-rng.uniform(30, 60) / 20) * np.sqrt(np.mean(np.abs(rows) ** 2))
    floor = floor * np.maximum(1.0, (40.0 / AXIS) ** rng.uniform(0, 1.5))
    noise = (rng.normal(size=(*rows.shape, 2)) @ [1, 1j]) / math.sqrt(2)
    return rows * 10 ** (level_db / 20) * np.exp(1j * np.radians(6.6) * turn) + floor * noise


def told(rows, lowest):
    """Return what is said of rows from a frequency on."""
    kept = lowest * 0.999 <= AXIS
    surveys = {
        f"subwoofer {n}": Survey(
            measurements=tuple(
                Measurement(
                    seat=f"seat {seat}",
                    response=FrequencyResponse.from_pressure(AXIS[kept], row[kept]),
                )
                for seat, row in enumerate(own)
            )
        )
        for n, own in enumerate(rows)
    }
    return list(turned_files(surveys))


def main():
    given = [float(word) for word in sys.argv[1:]]
    rooms, first, lowest = given + [100, 0, 12][len(given) :]
    false, right, beside = 0, 0, 0
    for seed in range(int(first), int(first + rooms)):
        rows, rng = measured_room(seed), np.random.default_rng([seed, 9])
        said = told(rows, lowest)
        if said:
            false += 1
            print(f"{seed}, clean: {said}", flush=True)
        n, seat = rng.integers(rows.shape[0]), rng.integers(rows.shape[1])
        rows[n, seat] *= -1.0
        said = told(rows, lowest)
        named = f"subwoofer {n} is turned round at seat 'seat {seat}'"
        hits = sum(text.startswith(named) for text in said)
        right, beside = right + hits, beside + len(said) - hits
    print(f"{rooms:.0f} rooms from {lowest:g} Hz: false {false}, found {right}, wrong {beside}")


if __name__ == "__main__":
    main()
