"""What a comparison of two surveys says, with one known change between them. Run by hand.

    python tests/benchmarks/bench_comparison.py [rooms] [first seed]

Rooms, changes and scatter are those of `bench_verification.py`; what presupposes that a list of
gains was just set is left out. The earlier survey has subwoofer and mains with their phase, and
their sum; the later one the subwoofer, and the sum or not. Told are, in per cent: "changed" (exit
status 1), the right cause first, in a set, none, a wrong one.

12 rooms, seed 740, on which nothing was set. With 0.3 dB of scatter in both surveys all but one
of 259 changes of 3 dB or 2 ms are noticed; the cause is named in 90 of 100 by the subwoofer, in
67 with sums, of which no cause is sought, wrongly in 1. With 1 dB 97 of 100 are noticed and 77
and 61 named, wrongly in 2 and 4. Where nothing has changed nothing is said in 64 of 64 at 0.3 and
0.6 dB; at 1 dB in 13 of 16, and in 16 where that repeatability is stated (seeds 800 to 815).
"""

import itertools
import sys
from collections import Counter, defaultdict
from dataclasses import replace

import numpy as np
from bench_joining import room_of
from bench_verification import judge, planned_room, shown, survey_of
from verification_cases import faults, measured_again, of_sub

import roomeq as rq
from roomeq.base.response import FrequencyResponse

KINDS = {"as_planned", "bands_off", "band", "two_bands", "level", "high_pass", "low_pass"}
KINDS |= {"polarity", "delay", "mains_level", "seat_moved", "all_moved"}
SOURCES = ("sub", "sub both")


def earlier(case, state, rng, scatter, seed):
    """Return the room as it was measured first, in force what `state` has."""
    sub = case.sub["seats"] * of_sub(case, state)
    rows = {"sub": sub, "mains": case.mains["seats"], "both": sub + case.mains["seats"]}
    knots = np.geomspace(12.0, 330.0, 15)
    axis = survey_of({"sub": sub}).measurements[0].response.frequencies
    for source, block in rows.items():
        octaves = [
            np.interp(np.log(axis), np.log(knots), rng.normal(0, scatter, 15)) for _ in block
        ]
        rows[source] = block * 10 ** (np.array(octaves) / 20)
    room = room_of(case, boxes=bool(seed % 2))
    measurements = []
    for entry in survey_of(rows).measurements:
        row = rows[entry.source][int(entry.seat.split()[1]) - 1]
        response = FrequencyResponse.from_pressure(axis, row)
        measurements.append(replace(entry, response=response))
    survey = replace(room.survey, measurements=tuple(measurements))
    present = replace(room.present, gains_db=state.gains)
    return replace(room, survey=survey, present=present)


def main():
    given = [int(word) for word in sys.argv[1:]]
    rooms, first = given + [8, 700][len(given) :]
    table = defaultdict(Counter)
    for seed in range(first, first + rooms):
        case, before, _, state = planned_room(seed)
        rng = np.random.default_rng([seed, 6])
        for scatter in (0.3, 1.0):
            room = earlier(case, state, rng, scatter, seed)
            for fault in faults(rng, state, before, None, case, len(case.noisy_sub)):
                if fault.code not in KINDS:
                    continue
                for sources in SOURCES:
                    if not shown(case, fault, state, sources):
                        continue
                    sub, both = measured_again(case, fault, rng, scatter, 0.0)
                    blocks = {"sub": sub, "both": both}
                    survey = survey_of({source: blocks[source] for source in sources.split()})
                    found = rq.compare(room, replace(room, survey=survey))
                    verdict = "level" if fault.code == "level" and not found.level_agrees else ""
                    if found.level_agrees and not found.unchanged and _as_was(found):
                        verdict = "cannot tell"  # a sum that changed by itself
                    verdict = verdict or judge(fault, _as_verified(found))[0]
                    table[scatter, sources, fault.name].update(
                        ["changed"] * (not found.unchanged) + [verdict, "count"]
                    )
    for scatter, sources in itertools.product((0.3, 1.0), SOURCES):
        print(f"\nscatter {scatter} dB, measured again: {sources}")
        print(f"  {'':18s} changed  right    set   none  wrong  of")
        total = Counter()
        for (at, what, name), row in table.items():
            if (at, what) == (scatter, sources):
                print_row(name, row)
                total.update(row if name != "as planned" else {})
        print_row("all changes", total)


def _as_verified(found):
    """Return a comparison as what is judged of a verification."""

    class Level:
        agrees = found.level_agrees

    class Verified:
        causes, level = found.causes, Level

    return Verified


def _as_was(found):
    return [cause.code.value for cause in found.causes] == ["as_planned"]


def print_row(name, row):
    right = row["right"] + row["level"]
    shares = [row["changed"], right, row["set"], row["cannot tell"], row["wrong"]]
    count = max(row["count"], 1)
    print(f"  {name:18s}", *(f"{100.0 * x / count:6.1f}" for x in shares), f"{row['count']:4d}")


if __name__ == "__main__":
    main()
