"""Proposals against a person who reads the deviations, on random rooms with known truth.

    python tests/benchmarks/bench_against_hand.py [--rooms 60] [--seed 1] [--processes 2] [--each]

Rooms are written to text exports and a ``room.toml`` and read back as their user would; they, the
rivals' filters and all figures share no code with the library, of which only `read_room`, `propose`
and the plan's bands and level are used. Room `n` of seed `s` has the seed ``1000 s + n``: keep
seeds for tuning and for reporting apart. Each room is given with the subwoofer's lower limit (and
its box, where known) stated, and not stated; once more with neither limit nor path stated.

Rivals see what the library sees: responses as measured, present gains taken out, seats brought to
one level where levels are not comparable.

- hand: minus the deviation of the 1/6-octave power average at each centre, to the step.
- hand in limits: the same; bands from 1.2 times the corner stay at 0, a band below the floor only
  cuts, and the nearest boost is lowered until E <= 3 dB (0.5 dB below the floor). Floor: what is
  stated (the higher of limit and tuning), else 32 Hz.
- hand in rows, evolution in rows: as in limits, and at most 0.5 dB wherever the statement forbids
  a boost, worked out here from what was measured: in dips of the average, with their margin, and
  where fewer than three quarters of the seats, by weight, are 1 dB short beyond the allowance of
  the stated limit. "In limits" may boost into a cancellation, "in rows" may not: the difference is
  what these rows cost, the rest what the weighing costs.
- evolution: scipy's differential evolution on (i) within those limits, 120 settings for 250
  generations, rounded to the step at every trial. Shares are of the sums over rooms of
  (as it is - method) / (as it is - best), best being evolution on that very figure. "told the
  limit" is evolution on the usable figure, which nobody else is told.

Figures are on the noise-free truth, 1/6-octave power smoothing, 20 to 125 Hz at 1/96 octave up to
the corner, relative to curve and low-pass: (i) standard deviation of the power average over seats;
usable, the same above the true limit; (ii) mean over seats of each seat's own; excess, the largest
at any seat over its own mean above the limit; worst, the seat that loses most against as it is;
left out, mean of four places that were not measured; sqrt(F), the statement's weighted deviation
with the true allowance; the loss of proposals, the same against the level that they aim at; dips,
largest boost in a dip of the truth; risen, the same against the mean boost: by how much more than
the rest a cancellation is fed once the level is restored.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import tempfile
import time
import warnings
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from rooms_apart import (
    CENTRES,
    HIGHEST_DB,
    LOWEST_DB,
    STEP_DB,
    TRUE_AXIS,
    equaliser,
    peaking,
    random_room,
)
from rooms_judged import Truth, cancellations, excused, gain_db, in_db, smoothing
from scipy.optimize import differential_evolution

import roomeq

UNKNOWN_FLOOR, BELOW_FLOOR_DB, BOOST_DB, DRIVE_DB, ABOVE_CORNER = 32.0, 0.5, 3.0, 6.0, 1.2
GENERATIONS, SETTINGS = 250, 120
GRID_DB = np.arange(LOWEST_DB, HIGHEST_DB + STEP_DB / 2, STEP_DB)
ROWS = 10.0 * 2.0 ** (np.arange(0, 982) / 200.0)  # 10 to 300 Hz
HAND_AXIS = 16.0 * 2.0 ** (np.arange(0, 159) / 48.0)
STATED = {"stated": (True, True), "not stated": (False, True), "nothing stated": (False, False)}
METHODS = (
    "as it is",
    "all at 0",
    "hand",
    "hand in limits",
    "hand in rows",
    "evolution",
    "evolution in rows",
    "told the limit",
    "library",
)
FIGURES = ("(i)", "(ii)", "usable", "excess", "worst", "left out", "sqrt(F)")


FURTHER = ("dips", "risen")


class Rivals:
    """What can be read off the measurements without the library."""

    def __init__(self, room):
        self.room = room
        present = np.abs(equaliser(room.frequencies, room.present_db))
        level = 20.0 * np.log10(np.abs(room.measured) / present)
        axis = HAND_AXIS
        self.weights = room.weights
        self.play = (axis >= 20.0) & (axis <= min(room.corner, 125.0))
        each = [np.interp(np.log(axis), np.log(room.frequencies), row) for row in level]
        each = np.array(each)
        if not room.comparable:
            each -= each[:, self.play].mean(axis=1, keepdims=True)
        self.power = 10.0 ** (each / 10.0)
        self.average = room.weights / room.weights.sum() @ self.power
        self.curve = room.curve_db(axis)
        self.smooth = smoothing(axis)
        self.at_rest = ABOVE_CORNER * room.corner <= CENTRES * 1.0001  # whose centres are exact

    def hand(self):
        deviation = in_db(self.smooth @ self.average) - self.curve
        deviation -= deviation[self.play].mean()
        read = np.interp(np.log(CENTRES), np.log(HAND_AXIS), deviation)
        return np.clip(np.rint(-read / STEP_DB) * STEP_DB, LOWEST_DB, HIGHEST_DB)

    def rows_db(self, floor, allowance):
        """Return the most that may be boosted at `ROWS` by all that the statement says."""
        axis, total = TRUE_AXIS, self.weights / self.weights.sum()
        each = 10.0 ** (np.array([np.interp(axis, HAND_AXIS, x) for x in in_db(self.power)]) / 10.0)
        curve, heard = self.room.curve_db(axis), (axis >= 20.0) & (axis <= 125.0)
        dips, nulls = cancellations(in_db(smoothing(axis, 1 / 24) @ (total @ each)) - curve, heard)
        seats = in_db(each @ smoothing(axis).T) - curve
        average = in_db(total @ 10.0 ** (seats / 10.0))
        parts = (x[heard] for x in (average, allowance, dips, nulls))
        level = average[heard][0] - excused(*parts)[0][0]
        short = total @ (seats - level + allowance <= -1.0)
        held = dips | nulls | ((short < 0.75 - 1e-9) & heard)
        held = np.interp(ROWS, axis[heard], held[heard].astype(float)) > 0.0
        return np.where(held, BELOW_FLOOR_DB, caps_db(floor))

    def hand_in_limits(self, floor, caps):
        gains = np.minimum(np.where(self.at_rest, 0.0, self.hand()), upper_db(floor))
        while True:
            over = gain_db(ROWS, gains) - caps
            worst = np.argmax(over)
            if over[worst] <= 0.01:
                return gains
            boosted = np.flatnonzero(gains > 0.0)
            gains[boosted[np.argmin(np.abs(np.log(CENTRES[boosted] / ROWS[worst])))]] -= STEP_DB

    def evolution(self, floor, caps, *, seats=False, lowest=20.0):
        """Return the best gains on (i), or on (ii) with `seats`, or on (i) above `lowest`."""
        free = np.flatnonzero(~self.at_rest)
        play = self.play & (lowest <= HAND_AXIS)
        smooth, curve = self.smooth[play].T, self.curve[play]
        every = self.power if seats else self.average[None]
        offset, rows, cap = round(-LOWEST_DB / STEP_DB), ROWS[::4], caps[::4]
        axes = np.concatenate([HAND_AXIS, rows])
        tables = [
            [20.0 * np.log10(np.abs(peaking(axes, CENTRES[band], gain))) for gain in GRID_DB]
            for band in free
        ]
        tables = np.array(tables)

        def merit(columns):
            labels = np.rint(columns).astype(int) + offset
            boost = tables[np.arange(len(free))[:, None], labels].sum(axis=0)
            over = np.maximum((boost[:, HAND_AXIS.size :] - cap).max(axis=1), 0.0)
            shaped = 10.0 ** (boost[:, : HAND_AXIS.size] / 10.0)
            spread = [(in_db((shaped * power) @ smooth) - curve).std(axis=1) for power in every]
            return np.mean(spread, axis=0) + 100.0 * over

        upper = upper_db(floor)[free] / STEP_DB
        found = differential_evolution(
            merit,
            [(-offset - 0.49, high + 0.49) for high in upper],
            maxiter=GENERATIONS,
            popsize=SETTINGS // len(free),
            tol=0.0,
            atol=1e-3,
            seed=1,
            polish=False,
            updating="deferred",
            vectorized=True,
        )
        gains = np.zeros(CENTRES.size)
        gains[free] = np.rint(found.x) * STEP_DB
        return gains


def upper_db(floor):
    return np.where(floor > CENTRES, 0.0, HIGHEST_DB)


def caps_db(floor):
    return np.where(floor > ROWS, BELOW_FLOOR_DB, BOOST_DB)


def allowance_db(box, name):
    """Return what the statement excuses on the true axis by what is stated of the box."""
    if name != "stated":
        return np.zeros(TRUE_AXIS.size)
    orders = (2, 4) if box.table is None else (box.order,)
    return np.max([in_db(1 + 3 * (box.limit / TRUE_AXIS) ** (2 * n)) for n in orders], axis=0)


def library(room, name):
    """Return gains, change of level and seconds; None for gains where there is no answer."""
    limit_stated, path_stated = STATED[name]
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        room.write(
            Path(folder),
            limit_stated=limit_stated,
            path_stated=path_stated,
            says_none=True,
        )
        start = time.process_time()
        try:
            plan = roomeq.propose(roomeq.read_room(folder))
        except (roomeq.RoomeqError, ValueError) as error:
            print(f"room {room.seed}, {name}: {error}", flush=True)
            return None, 0.0, time.process_time() - start
        seconds = time.process_time() - start
    gains = np.array([band.gain_db for band in plan.bands])
    return gains, plan.level.exact_change_db, seconds


def beyond_rows(gains, change_db, floor):
    """Return by how much the summed boost, and the drive with its level, pass their limits."""
    boost = gain_db(ROWS, gains)
    heard = ROWS >= 20.0
    limit = np.where(floor > ROWS, BOOST_DB, DRIVE_DB)
    return (boost - caps_db(floor)).max(), (boost + change_db - limit)[heard].max()


def judge(seed):
    """Return all figures of one room, by variant and method."""
    room = random_room(seed)
    truth, rivals = Truth(room), Rivals(room)
    tuning = (room.box.table or {}).get("tuning", 0.0)
    floors = {"stated": max(room.box.limit, tuning), "not stated": UNKNOWN_FLOOR}
    shared = {
        "as it is": room.present_db,
        "all at 0": np.zeros(CENTRES.size),
        "hand": rivals.hand(),
    }
    result = {"room": room, "methods": {}, "best": {}, "plans": {}}
    axis = TRUE_AXIS[truth.axis]
    for name in STATED:
        gains, change, seconds = library(room, name)
        answered = gains is not None
        gains = gains if answered else room.present_db
        floor = floors.get(name, UNKNOWN_FLOOR)
        boost, drive = beyond_rows(gains, change, floor)
        heard = gain_db(axis, gains).mean() + change - gain_db(axis, room.present_db).mean()
        result["plans"][name] = {
            "answered": answered,
            "seconds": seconds,
            "boost over": boost,
            "drive over": drive,
            "louder": heard,
            "moved": int(np.sum(gains != room.present_db)),
        }
        methods = {"library": gains}
        if name in floors:
            caps, rows = caps_db(floor), rivals.rows_db(floor, allowance_db(room.box, name))
            told = max(room.box.limit, 20.0)
            methods |= shared | {
                "hand in limits": rivals.hand_in_limits(floor, caps),
                "hand in rows": rivals.hand_in_limits(floor, rows),
                "evolution": rivals.evolution(floor, caps),
                "evolution in rows": rivals.evolution(floor, rows),
                "told the limit": rivals.evolution(floor, caps, lowest=told),
            }
            seats_best = truth.figures(rivals.evolution(floor, caps, seats=True))["(ii)"]
            result["best"][name] = {"(ii)": seats_best}
        result["methods"][name] = {key: truth.figures(value) for key, value in methods.items()}
        if name in floors:
            result["best"][name]["(i)"] = result["methods"][name]["evolution"]["(i)"]
            result["best"][name]["usable"] = result["methods"][name]["told the limit"]["usable"]
    return result


def column(results, name, method, figure):
    return np.array([result["methods"][name][method][figure] for result in results])


def share(results, name, method, figure):
    before = column(results, name, "as it is", figure)
    best = np.array([result["best"][name][figure] for result in results])
    return (before - column(results, name, method, figure)).sum() / (before - best).sum()


def print_table(results, name):
    print(
        f"\nLimit {name}: means over {len(results)} rooms, dB (shares: of what evolution reaches)"
    )
    print(
        f"  {'':18s}" + "".join(f"{x:>9s}" for x in (*FIGURES, *FURTHER, "share i", "ii", "usable"))
    )
    for method in METHODS:
        values = [column(results, name, method, figure).mean() for figure in (*FIGURES, *FURTHER)]
        values += [share(results, name, method, figure) for figure in ("(i)", "(ii)", "usable")]
        print(f"  {method:18s}" + "".join(f"{value:9.2f}" for value in values))


def print_goals(results, name):
    def of(method, figure):
        return column(results, name, method, figure)

    usable = {method: of(method, "usable") for method in METHODS}
    plans = [result["plans"][name] for result in results]
    better = 100 * np.mean(usable["library"] < usable["hand in limits"])
    better_rows = 100 * np.mean(usable["library"] < usable["hand in rows"])
    better_i = 100 * np.mean(of("library", "(i)") < of("hand in limits", "(i)"))
    ratio = usable["library"].mean() / usable["evolution"].mean()
    ratio_rows = usable["library"].mean() / usable["evolution in rows"].mean()
    worse = [
        f"{figure} by {excess:.2f}"
        for figure in FIGURES
        if (excess := (of("library", figure) - of("hand in limits", figure)).mean()) > 0.0
    ]
    broken = [sum(plan[key] > 0.01 for plan in plans) for key in ("boost over", "drive over")]
    most = [max(plan[key] for plan in plans) for key in ("boost over", "drive over")]
    quieter = [-plan["louder"] for plan in plans if plan["louder"] < -0.05]
    unanswered = sum(not plan["answered"] for plan in plans)
    moved, seconds = ([plan[key] for plan in plans] for key in ("moved", "seconds"))
    print(f"\nLibrary, limit {name}")
    print(f"  usable better than hand in limits: {better:.0f} % (goal 90); (i) {better_i:.0f} %")
    print(f"  usable better than hand in rows: {better_rows:.0f} %")
    print(
        f"  usable over that of evolution, means: {ratio:.3f} (goal at most 1.08); in rows "
        f"{ratio_rows:.3f}"
    )
    print(f"  means worse than hand in limits (goal none): {', '.join(worse) or 'none'}")
    print(f"  summed boost beyond its rows: {broken[0]} (goal 0; most {most[0]:+.2f} dB)")
    print(f"  drive beyond its rows: {broken[1]} (goal 0; most {most[1]:+.2f} dB)")
    print(
        f"  quieter than now: {len(quieter)} rooms, {np.mean(quieter or [0]):.1f} dB in the mean, "
        f"{max(quieter, default=0.0):.1f} at most; bands moved {np.mean(moved):.1f}"
    )
    print(
        f"  no answer: {unanswered} (goal 0); seconds: median {np.median(seconds):.2f}, "
        f"most {max(seconds):.2f}"
    )


def print_stating(results):
    """How often stating a truth makes a loss worse by more than 5 % of the improvement."""
    for loss, words in (("aimed", "the loss of proposals"), ("sqrt(F)", "sqrt(F) at the mean")):
        print(f"\nStating the truth makes {words} worse by more than 5 % of the improvement")
        before = column(results, "stated", "as it is", loss)
        for more, less, truth in (
            ("stated", "not stated", "limit and box"),
            ("not stated", "nothing stated", "low-pass, or none"),
            ("stated", "nothing stated", "all of it"),
        ):
            said, unsaid = (column(results, name, "library", loss) for name in (more, less))
            worse = said - unsaid > 0.05 * np.maximum(before - unsaid, 0.0) + 1e-9
            print(f"  {truth}: {100 * worse.mean():.0f} % of rooms (goal at most 5)")


def print_each(results):
    methods = ("as it is", "hand in limits", "evolution", "library")
    print("\nRoom, kind, seats, order, limit, corner; usable: " + " / ".join(methods))
    for result in results:
        room = result["room"]
        start = f"{room.seed:6d} {room.kind:17s} {len(room.weights)} {room.box.order} "
        start += f"{room.box.limit:4.1f} {room.corner:5.0f}"
        for name in ("stated", "not stated"):
            figures = (result["methods"][name][method]["usable"] for method in methods)
            start += "  " + " ".join(f"{figure:6.2f}" for figure in figures)
        print(start)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--rooms", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--each", action="store_true", help="one line for each room as well")
    chosen = parser.parse_args()
    seeds = [1000 * chosen.seed + index for index in range(chosen.rooms)]
    start = time.perf_counter()
    with Pool(chosen.processes) as pool:
        results = pool.map(judge, seeds, chunksize=1)
    print(f"{chosen.rooms} rooms of seed {chosen.seed}, {time.perf_counter() - start:.0f} s")
    if chosen.each:
        print_each(results)
    for name in ("stated", "not stated"):
        print_table(results, name)
    for name in ("stated", "not stated"):
        print_goals(results, name)
    print_stating(results)


if __name__ == "__main__":
    main()
