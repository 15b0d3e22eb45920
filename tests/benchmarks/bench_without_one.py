"""How often "can be left off without loss" is right. Run by hand.

Rooms of `several_rooms.py` with two or three subwoofers, of three kinds in turn: as they are; with
one more that stands beside another (the same within 0.5 dB, 4 degrees and 3 dB of level); with one
of them 25 dB down. The rule is asked of pressures that scatter by 0.3 dB and as much in phase. The
truth is of those without scatter, by long searches: without it the deviation stays within the tie
of the best with all or 0.1 dB, and the output within what may be given up against all, both at
once. Close cases, whose deviation lies within 2 % of the limit or whose output lies within 0.3 dB
of it, are counted apart too. Truths are kept in FILE, and taken from there. From seed 1000 on one
of them is 60 dB down: it adds nothing, and it alone is counted.

    python tests/benchmarks/bench_without_one.py FILE [rooms] [first seed] [-v]
"""

import json
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from bench_several import task_of
from scipy.interpolate import CubicSpline
from several_rooms import MOST_GIVEN_UP_DB, POINTS, random_room

from roomeq.optimiser.several.choose import (
    EVALUATIONS_BASE,
    EVALUATIONS_EACH,
    NEEDLESS_DB,
    TIE_SHARE,
    choose_together,
)
from roomeq.optimiser.several.model import Model
from roomeq.optimiser.several.search import find_loudest

SCATTER_DB, CLOSE, CLOSE_DB = 0.3, 0.02, 0.3
SHORT, LONG, DOUBTFUL = 0.5, 2.0, 1.06  # of the evaluations; long ones where a case is close
KINDS, DEAD = ("as they are", "a copy", "25 dB down"), 1000


def scattered(rng, pressures, scatter_db):
    """Return pressures with scatter in level and phase, correlated over a third of an octave."""
    knots = np.geomspace(12.0, 200.0, 13)
    smooth = rng.normal(size=(2, *pressures.shape[:-1], knots.size))
    level, turn = CubicSpline(np.log(knots), smooth, axis=-1)(np.log(POINTS))
    scale = scatter_db * np.log(10.0) / 20.0
    return pressures * np.exp(scale * (level + 1j * turn))


def task_of_kind(seed):
    """Return kind, task without scatter, and which one is weak or copied."""
    rng = np.random.default_rng([seed, 6])
    kind = KINDS[seed % 3]
    task = task_of(random_room(seed, int(rng.integers(2, 4))))
    i = int(rng.integers(len(task.sources)))
    one, sources, equalisers = task.sources[i], list(task.sources), task.equalisers
    if seed >= DEAD:
        sources[i] = replace(one, pressures=1e-3 * one.pressures)
    elif kind == "25 dB down":
        sources[i] = replace(one, pressures=10.0 ** (-25.0 / 20.0) * one.pressures)
    elif kind == "a copy":
        beside = scattered(rng, one.pressures, 0.5) * 10.0 ** (rng.uniform(-3, 3) / 20.0)
        own = len(equalisers) == len(sources)
        of = len(equalisers) if own else one.equaliser
        sources.append(replace(one, pressures=beside, equaliser=of))
        equalisers += equalisers[:1] if own else ()
    return kind, replace(task, sources=tuple(sources), equalisers=equalisers), i


def heard(task, seed):
    """Return what is measured: pressures with scatter."""
    rng = np.random.default_rng([seed, 7])
    return replace(
        task,
        sources=tuple(
            replace(one, pressures=scattered(rng, one.pressures, SCATTER_DB))
            for one in task.sources
        ),
    )


def searched(task, times):
    values = 2 * len(task.sources) + sum(
        gains.size > 1 for bands in task.equalisers for gains in bands.gains_db
    )
    evaluations = int(times * EVALUATIONS_EACH * (values + EVALUATIONS_BASE))
    return choose_together(task, evaluations=evaluations, contributions=False)


def loudest_db(task):
    model = Model(task)
    find_loudest(model)
    return model.loudest_db + model.unit_db


def truths(seed):
    """Return by source deviation over the limit (0: not looked at), and output over its limit."""
    _, task, dead = task_of_kind(seed)
    if seed >= DEAD:
        return {dead: (0.0, -MOST_GIVEN_UP_DB)}
    every = searched(task, 1.0)
    best, before = every.best.deviation_db, every.before.deviation_db
    limit = best + max(TIE_SHARE * max(before - best, 0.0), NEEDLESS_DB)
    loudest, found = every.output_db + every.after.output_given_up_db, {}
    for i in range(len(task.sources)):
        others = task.of_sources(tuple(k for k in range(len(task.sources)) if k != i))
        share, over_db = 0.0, loudest - MOST_GIVEN_UP_DB - loudest_db(others)
        if over_db <= 0.0:
            for times in (SHORT, LONG):
                without = searched(replace(others, most_given_up_db=-over_db), times).best
                share = without.deviation_db / limit
                if not 1.0 < share < DOUBTFUL:
                    break
        found[i] = share, over_db
    return found


def kept_truths(file, seeds):
    known = {}
    if file.exists():
        known = {row["seed"]: row["truths"] for row in map(json.loads, file.open())}
    for seed in seeds:
        if seed not in known:
            known[seed] = truths(seed)
            with file.open("a", encoding="utf-8") as kept:
                kept.write(json.dumps({"seed": seed, "truths": known[seed]}) + "\n")
        yield seed, known[seed]


def main():
    words = [word for word in sys.argv[2:] if word != "-v"]
    rooms, first = [*map(int, words), *[40, 900][len(words) :]]
    counts = Counter()
    for seed, true_of in kept_truths(Path(sys.argv[1]), range(first, first + rooms)):
        kind, task, _ = task_of_kind(seed)
        said = choose_together(heard(task, seed))
        for i, (share, over_db) in true_of.items():
            true, one = over_db <= 0.0 and share <= 1.0, said.without[int(i)]
            close = abs(share - 1.0) <= CLOSE if over_db <= 0.0 else over_db <= CLOSE_DB
            counts.update([(true, one.needless, "all"), (true, one.needless, close)])
            if "-v" in sys.argv:
                told = share, over_db, one.without_db / said.best.deviation_db
                print(seed, kind, i, true, one.needless, close, np.round(told, 3), flush=True)
    for close, name in (("all", "all"), (False, "not close"), (True, "close")):
        right, missed, false, needed = (
            counts[true, named, close]
            for true, named in ((True, True), (True, False), (False, True), (False, False))
        )
        print(
            f"{name}: needless {right + missed}, of which named {right}; "
            f"needed {false + needed}, of which named needless {false}"
        )


if __name__ == "__main__":
    main()
