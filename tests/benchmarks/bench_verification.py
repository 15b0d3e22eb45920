"""What verification says of re-measurements with one known fault. Run by hand.

Figures to reach, over 2000 re-measurements in 20 rooms, faults of at least 3 dB or 2 ms: the right
cause, or a set that holds it, in 90 % at 0.3 dB of scatter and 80 % at 1 dB; a wrong cause in at
most 3 %, an innocent band accused and a false alarm in at most 2 % each; "cannot tell" the rest.

    python tests/benchmarks/bench_verification.py [rooms] [first seed] [repeats]
"""

import itertools
import sys
from collections import Counter, defaultdict
from dataclasses import replace

import numpy as np
from bench_joining import room_of
from joining_cases import FREQUENCIES, KINDS, random_case
from verification_cases import Set, faults, measured_again, of_sub, parts_of, visible_db

import roomeq as rq
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey

SOURCES = ("sub", "both", "sub both")
NAMES = ("right", "set", "cannot tell", "wrong", "innocent")


def survey_of(rows):
    return Survey(
        measurements=tuple(
            Measurement(
                seat=f"seat {i + 1}",
                source=source,
                response=FrequencyResponse.from_level(FREQUENCIES, 20 * np.log10(np.abs(row))),
            )
            for source, block in rows.items()
            for i, row in enumerate(block)
        )
    )


def planned_room(seed):
    rng = np.random.default_rng([seed, 77])
    case = random_case(seed, KINDS[seed % 3])
    present = np.zeros(9)
    if rng.uniform() < 0.6:
        moved = rng.choice(9, 4, replace=False)
        present[moved] = rng.integers(-12, 9, 4) * 0.5
    before = Set(gains=present, level_db=0.0, delay=0.0, inverted=False, bypass=False)
    now = of_sub(case, before)
    case.noisy_sub = case.noisy_sub * now
    room = room_of(case, boxes=bool(seed % 2))
    room = replace(room, present=replace(room.present, gains_db=present))
    plan = rq.propose(room)
    s = plan.joining.settings
    state = Set(
        gains=np.array(plan.gains_db),
        level_db=s.level_change_db,
        delay=s.delay_ms / 1e3,
        inverted=s.inverted,
        bypass=bool(plan.joining.bypass),
    )
    return case, before, plan, state


def judge(fault, found):
    """Return the verdict on what was found, and whether an innocent band is accused."""
    codes = [cause.code.value for cause in found.causes]
    accused = set(found.causes[0].bands) if codes[:1] in (["band"], ["two_bands"]) else set()
    names = {f"seat {int(index) + 1}" for index in fault.seats}
    right = [
        cause.code.value == fault.code
        and (not fault.bands or set(cause.bands) == set(fault.bands))
        and (not names or set(cause.seats) == names)
        for cause in found.causes
    ]
    if fault.code == "level" and "level" not in codes:  # with the subwoofer alone it is an offset
        right = [not found.level.agrees and codes[:1] == ["as_planned"]]
    if not found.causes:
        verdict = "cannot tell"
    elif right and right[0]:
        verdict = "right"
    else:
        verdict = "set" if any(right) else "wrong"
    return verdict, bool(accused - set(fault.bands))


def shown(case, fault, planned, sources):
    """Return whether a fault can be seen in what is measured again, each of two bands by itself."""
    if fault.code in ("as_planned", "level", "mains_level"):
        return sources != "sub" or fault.code != "mains_level"
    if sources == "sub" and fault.code in ("polarity", "delay"):
        return False
    return all(
        max(visible_db(case, one, planned, source) for source in sources.split()) >= 3.0
        for one in parts_of(fault, planned)
    )


def cases(rooms, first, repeats):
    """Yield what was done, and what was said of it."""
    for seed in range(first, first + rooms):
        case, before, plan, state = planned_room(seed)
        rng = np.random.default_rng([seed, 5])
        for _ in range(repeats):
            for fault in faults(rng, state, before, None, case, len(case.noisy_sub)):
                for scatter, sources in itertools.product((0.3, 1.0), SOURCES):
                    if not shown(case, fault, state, sources):
                        continue
                    gain = 0.0 if fault.name == "level" else rng.uniform(-2.0, 2.0)
                    sub, both = measured_again(case, fault, rng, scatter, gain)
                    rows = {"sub": sub, "both": both}
                    survey = survey_of({source: rows[source] for source in sources.split()})
                    yield seed, scatter, sources, fault, rq.verify(plan, survey)


def main():
    given = [int(word) for word in sys.argv[1:] if word != "-v"]
    rooms, first, repeats = given + [20, 500, 1][len(given) :]
    table = defaultdict(Counter)
    for seed, scatter, sources, fault, found in cases(rooms, first, repeats):
        verdict, innocent = judge(fault, found)
        table[scatter, sources, fault.name].update([verdict] + ["innocent"] * innocent)
        if "-v" in sys.argv and (verdict == "wrong" or innocent):
            told = [
                (c.code.value, c.bands, c.gains_db, c.value, round(c.share, 2))
                for c in found.causes
            ]
            print(seed, scatter, sources, fault.name, set(fault.bands), told, flush=True)
    for scatter, sources in itertools.product((0.3, 1.0), SOURCES):
        print(f"\nscatter {scatter} dB, measured again: {sources}; per cent {NAMES}, and how many")
        total = Counter()
        for (at, what, name), row in table.items():
            if (at, what) == (scatter, sources):
                total.update(row)
                print_row(name, row)
        print_row("all", total)


def print_row(name, row):
    count = sum(row[verdict] for verdict in NAMES[:4])
    print(
        f"  {name:18s}", *(f"{100.0 * row[x] / max(count, 1):6.1f}" for x in NAMES), f"{count:6d}"
    )


if __name__ == "__main__":
    main()
