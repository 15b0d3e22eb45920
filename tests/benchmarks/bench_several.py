"""Several subwoofers against a reference search, differential evolution, and each of its rules.

Run by hand: ``python several_reference.py FILE 100 140`` once, for an hour, then
``python bench_several.py FILE``; ``--each`` evaluations for each value, ``--without-evolution``
leaves out the slow rival.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np
from scipy.optimize import differential_evolution
from several_rooms import (
    AXIS,
    AXIS_WEIGHTS,
    BAND_LOGS,
    CENTRES,
    DELAYS,
    GAINS,
    LEVELS,
    MOST_GIVEN_UP_DB,
    POINTS,
    ROW_TABLES,
    random_room,
)

from roomeq.optimiser.several.choose import EVALUATIONS_BASE, EVALUATIONS_EACH, choose_together
from roomeq.optimiser.several.task import BandSet, SeveralTask, Source


def band_set(room):
    offered = [GAINS[: 25 if c < room.floor else None] for c in CENTRES]
    return BandSet(
        gains_db=tuple(offered),
        responses=tuple(np.exp(logs[: g.size]) for logs, g in zip(BAND_LOGS, offered, strict=True)),
        limit_tables_db=tuple(
            table[: g.size] for table, g in zip(ROW_TABLES, offered, strict=True)
        ),
        cap_db=room.cap_db,
        present_gains_db=np.zeros(9),
        present_response=np.ones(POINTS.size, complex),
    )


def task_of(room, **changes):
    sources = tuple(
        Source(
            name=f"{i}",
            pressures=pressures,
            delays=1e-3 * DELAYS,
            levels_db=LEVELS,
            polarities=(1.0, -1.0),
            equaliser=equaliser,
        )
        for i, (pressures, equaliser) in enumerate(
            zip(room.pressures, room.equaliser_of, strict=True)
        )
    )
    return SeveralTask(
        points=POINTS,
        frequencies=AXIS,
        sources=sources,
        equalisers=(band_set(room),) * room.equalisers,
        seat_weights=room.seat_weights,
        frequency_weights=AXIS_WEIGHTS,
        target_db=np.zeros(AXIS.size),
        allowance_db=room.allowance_db,
        **{"most_given_up_db": MOST_GIVEN_UP_DB} | changes,
    )


def row_of(room, found):
    """Return what was found as the judge takes it: gains once for each equaliser."""
    settings, of = found.settings, dict(zip(room.equaliser_of, found.gains_db, strict=True))
    gains_db = [of[e] for e in range(room.equalisers)]
    row = [1e3 * s.delay for s in settings] + [-1.0 if s.inverted else 1.0 for s in settings]
    return np.concatenate([row, [s.level_change_db for s in settings], *gains_db])


def evolved(room, evaluations):
    """The least that differential evolution reaches between the steps of the grid, and on them."""
    spent, best, at = 0, np.inf, None

    def objective(x):
        nonlocal spent, best, at
        values = room.objective(x.T)
        k = int(values[: max(evaluations - spent, 1)].argmin())
        if spent < evaluations and values[k] < best:
            best, at = float(values[k]), x.T[k].copy()
        spent += len(values)
        return values

    low, high = room.bounds()
    generations = int(np.ceil(evaluations / (15 * low.size)))
    differential_evolution(
        objective, list(zip(low, high, strict=True)), popsize=15, maxiter=generations, seed=1,
        tol=0.0, polish=False, vectorized=True, updating="deferred",
    )  # fmt: skip
    return best, float(room.objective(room.rounded(at[None]))[0])


def compared(record, each, evolution):
    """Print one room's figures, judged apart, and return them."""
    room = random_room(record["seed"])
    values = 2 * room.n + sum(
        len(g) > 1 for e in range(room.equalisers) for g in band_set(room).gains_db
    )
    start = time.process_time()
    found = choose_together(
        task_of(room), evaluations=each * (values + EVALUATIONS_BASE), contributions=False
    )
    spent = time.process_time() - start
    loss, given_up, excess = (float(v[0]) for v in room.judge(row_of(room, found)[None]))
    assert given_up <= 3.05, (room.seed, given_up)  # the best in phase may be another's
    assert excess <= 0.005, (room.seed, excess)
    assert abs(np.sqrt(loss) - found.after.deviation_db) < 0.01
    reference = np.sqrt(record["objective"])
    rival = np.sqrt(evolved(room, found.evaluations) if evolution else (np.nan, np.nan))
    row = {
        "ratio": found.best.deviation_db / reference,
        "proposed": found.after.deviation_db / reference,
        "evolution": rival[0] / reference,
        "rounded": rival[1] / reference,
        "before": found.before.deviation_db,
        "best": found.best.deviation_db,
        "after": found.after.deviation_db,
        "variation_before": found.before.variation_db,
        "variation": found.after.variation_db,
        "given_up": given_up,
        "beyond": room.magnitudes_db() - room.loudest_db,
        "seconds": spent,
    }
    words = "  ".join(f"{name} {value:.3f}" for name, value in row.items())
    print(f"{room.seed} {room.n} {room.seat_weights.size} {words}", flush=True)
    return row


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("reference", nargs="+", type=Path)
    parser.add_argument("--each", type=int, default=EVALUATIONS_EACH)
    parser.add_argument("--without-evolution", action="store_true")
    chosen = parser.parse_args()
    records = [json.loads(line) for path in chosen.reference for line in path.open()]
    records = {record["seed"]: record for record in records}
    rows = [
        compared(records[seed], chosen.each, not chosen.without_evolution)
        for seed in sorted(records)
    ]
    table = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    for name, values in table.items():
        print(
            f"{name:18} mean {values.mean():6.3f}  median {np.median(values):6.3f}  "
            f"9 of 10 {np.quantile(values, 0.9):6.3f}  most {values.max():6.3f}"
        )
    print(f"within 1.03 of the reference: {np.mean(table['ratio'] <= 1.03):.2f}")
    worse = table["ratio"] > 1.005 * table["evolution"]  # it may end between the steps
    print(f"worse than evolution by more than 0.005: {np.sum(worse)} of {len(rows)}")


if __name__ == "__main__":
    main()
