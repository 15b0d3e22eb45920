"""Places for subwoofers: how long ten take, and how well the coarse search ranks. Run by hand.

Rooms of modes or image sources with ten places along the walls, bands of each its own. Searched
coarsely once, `rank 30 400 24` kept the best in full in 1.00, 0.97, 1.00, 0.87 of 30 rooms for 1,
2, 3, 4 together, lost 0, 0.06, 0, 0.7 % in the mean and 12.8 % at most; rank correlation 0.99,
0.85, 0.77, 0.63. So the best are now searched coarsely once more; `time 1 4` is 98 s of the
processor.

    python tests/benchmarks/bench_places.py time [seed] [seats]
    python tests/benchmarks/bench_places.py rank [rooms] [first seed] [how many in full]
"""

import sys
import time
from collections import defaultdict
from dataclasses import replace

import numpy as np
from bench_several import task_of
from rooms_apart import image_transfer, modal_transfer
from scipy.stats import spearmanr
from several_rooms import POINTS, before_wall, random_room

from roomeq.optimiser.several import places

PLACES = 10


def places_task(seed, seats=None):
    """Return a task with ten places of a room, in which nobody has stood a subwoofer before."""
    rng = np.random.default_rng([seed, 31])
    sides = np.array([rng.uniform(4.3, 8.0), rng.uniform(3.2, 5.6), rng.uniform(2.3, 2.9)])
    around = (np.arange(PLACES) + rng.uniform(0.1, 0.9, PLACES)) / PLACES * 4.0
    at = []
    for wall, along in zip(around.astype(int), around % 1.0, strict=True):
        off, along = rng.uniform(0.25, 0.5), 0.06 + 0.88 * along
        at.append(np.array([*before_wall(sides, int(wall), off, along), rng.uniform(0.2, 0.45)]))
    count = int(rng.integers(3, 7)) if seats is None else seats
    middle = sides * [rng.uniform(0.4, 0.75), rng.uniform(0.35, 0.65), 0.0] + [0.0, 0.0, 1.1]
    reach = np.array([1.0, 1.2, 0.1])
    listeners = np.clip(middle + reach * rng.uniform(-1.0, 1.0, (count, 3)), 0.3, sides - 0.3)
    seconds, losses = rng.uniform(0.25, 0.7), rng.uniform(0.04, 0.28, (3, 2))
    like = random_room(seed, 2, count)  # limit of the box, allowance and seat weights
    s = 1j * POINTS / like.floor
    box = s**2 / (s**2 + s / 0.7 + 1.0)
    fields = [
        modal_transfer(POINTS, sides, place, listeners, lambda modes, _: 0.0 * modes + seconds)
        if seed % 2 == 0
        else image_transfer(POINTS, sides, place, listeners, losses)
        for place in at
    ]
    task = task_of(replace(like, equaliser_of=(0, 1)))
    sources = tuple(
        replace(task.sources[0], name=f"{i}", pressures=box * field, equaliser=i)
        for i, field in enumerate(fields)
    )
    return replace(task, sources=sources, equalisers=task.equalisers[:1] * PLACES)


def timed(seed, seats):
    start = time.process_time(), time.perf_counter()
    found = places.choose_places(places_task(seed, seats))
    spent = time.process_time() - start[0], time.perf_counter() - start[1]
    print(f"{len(found)} in full; {spent[0]:.1f} s of the processor, {spent[1]:.1f} s by the clock")


def ranked(seed, full):
    """Return by size ranks by the coarse search, and deviations in full in that order."""
    by_size = defaultdict(list)
    for one in places.choose_places(places_task(seed), full=full):
        by_size[len(one.places)].append((one.coarse_db, one.together.after.deviation_db))
    return {size: np.array(sorted(rows)) for size, rows in by_size.items()}


def main():
    how, given = sys.argv[1], [int(word) for word in sys.argv[2:]]
    if how == "time":
        seed, seats = given + [1, 5][len(given) :]
        timed(seed, seats)
        return
    rooms, first, full = given + [30, 400, 24][len(given) :]
    table = defaultdict(list)
    for seed in range(first, first + rooms):
        for size, rows in ranked(seed, full).items():
            rank = int(rows[:, 1].argmin()) + 1
            kept = rows[: places.FULL, 1].min() / rows[:, 1].min() - 1.0
            order = spearmanr(rows[:, 0], rows[:, 1]).statistic
            table[size].append((rank <= places.FULL, rank, 100.0 * kept, order))
            print(seed, size, rank, f"{100.0 * kept:.2f} % {order:.2f}", flush=True)
    for size, rows in table.items():
        kept, rank, lost, order = np.array(rows).T
        print(
            f"{size} together: best in full kept in {kept.mean():.2f}, rank {np.median(rank):g} "
            f"(most {rank.max():g}), lost {lost.mean():.2f} %, at most {lost.max():.2f} %, "
            f"rank correlation {order.mean():.2f}"
        )


if __name__ == "__main__":
    main()
