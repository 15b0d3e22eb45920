"""What is said of wrong texts and wrong rooms, and how often of right ones; run by hand.

    python tests/benchmarks/bench_wrong_inputs.py [clean N] [rooms N] [texts] [--seed S] [--show]

`texts` and `rooms` run the cases of `wrong_texts` and `wrong_rooms` through the command line (each
room N times, on rooms of other seeds); `clean` checks N clean rooms of `invented_rooms`: none may
say that anything was found. Seeds from 500 on were not looked at when thresholds were chosen.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
from invented_rooms import clean_room, in_db
from wrong_rooms import WRONG_ROOMS, plain, rewritten
from wrong_texts import FILE, WRONG_TEXTS, Truth


def run(*words):
    """Return exit status and everything printed by one command line."""
    from roomeq.cli.main import main

    output = io.StringIO()
    with (
        contextlib.redirect_stdout(output),
        contextlib.redirect_stderr(output),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("error")
        try:
            status = main(list(map(str, words)))
        except SystemExit as error:
            status = error.code
        except Exception as error:
            return 99, f"{output.getvalue()}\n{type(error).__name__}: {error}"
    return status, output.getvalue()


def lacking(printed, words):
    """Return the words that are not said."""
    plain_text = " ".join(printed.lower().split())
    return [
        word for word in words if not any(part.lower() in plain_text for part in word.split("|"))
    ]


def found_part(printed):
    start = printed.find("Found:")
    return printed[start : printed.find("\n\n", start)] if start >= 0 else printed[:600]


def judge_room(case, seed, folder):
    room = case.make(seed).write(folder)
    plan = folder / "plan.json"
    if "PLAN" in case.command:
        run("propose", room, "--plan", plan)
    words = [{"ROOM": room, "PLAN": plan}.get(word, word) for word in case.command]
    status, printed = run(*words)
    lacks = lacking(printed, case.words)
    return status in case.status and not lacks, f"status {status}, lacks {lacks}", printed


def judge_text(case, seed, folder):
    room = plain(seed, seats=2)
    while room.frequencies[-1] < 290.0 or room.frequencies.size < 150:
        seed += 100
        room = plain(seed, seats=2)
    truth = Truth(
        frequencies=room.frequencies,
        level=in_db(room.sub[1]),
        phase=np.degrees(np.angle(room.sub[1])),
    )
    content = case.make(truth)
    room = rewritten(room, 1, room.sub[1]).with_file(FILE, content).with_measurement(1, file=FILE)
    began = time.perf_counter()
    status, printed = run("check", room.write(folder))
    took = time.perf_counter() - began
    lacks = lacking(printed, case.words)
    good = status in ((1, 2) if case.loud else (0, 1)) and not lacks
    why = f"status {status}, lacks {lacks}"
    if status in (0, 1) and not case.loud:
        good, why = good and _is_true(folder, truth), f"{why}, levels {_is_true(folder, truth)}"
    if took > 10.0:
        good, why = False, f"{why}, took {took:.0f} s"
    return good, why, printed


def _is_true(folder, truth):
    from roomeq.importers.room import read_room

    found = next(m for m in read_room(folder).survey.measurements if m.file == FILE).response
    wanted = np.interp(found.frequencies, truth.frequencies, truth.level)
    return bool(
        np.abs(found.level_db - wanted).max() <= 0.1
        and found.frequencies.size > 0.9 * truth.level.size
    )


def table(cases, judge, seeds, show):
    right = total = 0
    for case in cases:
        for seed in seeds:
            with tempfile.TemporaryDirectory() as folder:
                good, why, printed = judge(case, seed, Path(folder) / "room")
            right, total = right + good, total + 1
            if not good:
                print(f"  {case.name} (seed {seed}): {why}")
                if show:
                    print("    " + found_part(printed).replace("\n", "\n    "))
    print(f"{right} of {total} treated rightly")


def clean(seeds, show):
    silent = 0
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            status, printed = run("check", clean_room(seed).write(Path(folder) / "room"))
        silent += status == 0
        if status:
            print(f"  clean room {seed}: status {status}")
            if show:
                print("    " + found_part(printed).replace("\n", "\n    "))
    print(f"{silent} of {len(seeds)} clean rooms raise nothing")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--clean", type=int, default=0, metavar="N")
    parser.add_argument("--rooms", type=int, default=0, metavar="N")
    parser.add_argument("--texts", type=int, default=0, metavar="N")
    parser.add_argument("--seed", type=int, default=500)
    parser.add_argument("--only", default="")
    parser.add_argument("--show", action="store_true")
    options = parser.parse_args()
    if options.texts:
        print(f"{len(WRONG_TEXTS)} texts")
        chosen = [case for case in WRONG_TEXTS if options.only in case.name]
        table(chosen, judge_text, range(options.seed, options.seed + options.texts), options.show)
    if options.rooms:
        print(f"{len(WRONG_ROOMS)} rooms")
        chosen = [case for case in WRONG_ROOMS if options.only in case.name]
        table(chosen, judge_room, range(options.seed, options.seed + options.rooms), options.show)
    if options.clean:
        clean(range(options.seed, options.seed + options.clean), options.show)


if __name__ == "__main__":
    sys.exit(main())
