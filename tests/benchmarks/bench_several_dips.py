"""How much several subwoofers boost into dips of their sum, and what caps there would cost.

Run by hand. Rooms of `several_rooms.py`, each set twice: as it is, and with at most 0.5 dB of boost
of any equaliser where the sum with all bands at 0, delays and levels as first found, has a dip of
the seats' power average: 8 dB deep and at most 0.8 octaves wide, as one subwoofer is held.

    python tests/benchmarks/bench_several_dips.py [rooms] [first seed] [share of the evaluations]
"""

import sys
from dataclasses import replace

import numpy as np
from bench_several import task_of
from several_rooms import BAND_LOGS, GAINS, POINTS, ROWS, random_room

from roomeq.analysis.dips import find_dips
from roomeq.optimiser.bands.fit_data import DIP_DEPTH_DB, DIP_OCTAVES
from roomeq.optimiser.several.choose import EVALUATIONS_EACH, choose_together

MARGIN = 2.0 ** (1.0 / 12.0)


def responses_db(found):
    """Return what each equaliser does at the points, (E, POINTS)."""
    places = [np.rint((gains - GAINS[0]) / 0.5).astype(int) for gains in found.gains_db]
    return 8.685889638 * np.array(
        [sum(log[k] for log, k in zip(BAND_LOGS, at, strict=True)).real for at in places]
    )


def dips_of_sum(task, found):
    total = 0.0
    for source, now in zip(task.sources, found.settings, strict=True):
        gain = (-1.0 if now.inverted else 1.0) * 10.0 ** (now.level_change_db / 20.0)
        total = total + gain * np.exp(-2j * np.pi * now.delay * POINTS) * source.pressures
    average = 10.0 * np.log10(task.seat_weights @ np.abs(total) ** 2)
    dips = find_dips(POINTS, average, least_depth_db=DIP_DEPTH_DB)
    return [(d.lower / MARGIN, d.upper * MARGIN) for d in dips if d.width_octaves <= DIP_OCTAVES]


def inside(spans, frequencies):
    return np.any([(a <= frequencies) & (frequencies <= b) for a, b in spans], axis=0)


def compared(seed, share):
    task = task_of(random_room(seed))
    if not task.equalisers:
        return None
    values = 2 * len(task.sources) + 9 * len(task.equalisers)
    often = int(share * EVALUATIONS_EACH * values)
    free = choose_together(task, evaluations=often, contributions=False)
    dips = dips_of_sum(task, free)
    if not dips:
        return 0.0, 0.0, 1.0, 0.0, 0.0
    within = inside(dips, ROWS)
    held = tuple(
        replace(one, cap_db=np.where(within, np.minimum(one.cap_db, 0.5), one.cap_db))
        for one in task.equalisers
    )
    capped = choose_together(replace(task, equalisers=held), evaluations=often, contributions=False)
    boosts = [np.maximum(responses_db(one), 0.0) for one in (free, capped)]
    there = boosts[0][:, inside(dips, POINTS)]
    drive_db = boosts[1].max(axis=1).mean() - boosts[0].max(axis=1).mean()
    ratio = capped.best.deviation_db / free.best.deviation_db
    worst = max(capped.after.by_seat_db) - max(free.after.by_seat_db)
    return there.max(), there.mean(), ratio, worst, drive_db


def main():
    given = sys.argv[1:]
    rooms, first, share = [*map(float, given), *[40, 800, 0.4][len(given) :]]
    rows = []
    for seed in range(int(first), int(first + rooms)):
        row = compared(seed, share)
        if row is not None:
            rows.append(row)
            print(seed, *(f"{value:.3f}" for value in row), flush=True)
    table = np.array(rows)
    dipped = table[table[:, 2] != 1.0]
    print(f"{len(table)} rooms with bands, {len(dipped)} with dips of the sum; in these")
    names = ("most boost there dB", "mean boost there dB", "deviation with caps", "worst seat dB")
    for name, values in zip((*names, "most boost with caps dB"), dipped.T, strict=True):
        print(f"{name:24} mean {values.mean():6.3f}  {values.min():6.3f} to {values.max():6.3f}")


if __name__ == "__main__":
    main()
