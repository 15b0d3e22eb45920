"""Bytes changed at random in files of every kind, run by hand until something else comes out.

    python tests/benchmarks/bench_mutated_files.py [--runs 120000] [--seed 1] [KIND ...]

Only our own errors may come out, no warning either. 120,000 runs of each of the nine kinds are a
million executions; finds are printed by where they came from, and stay as tests.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from mutated_files import SEEDS, failures


def origin(error: BaseException) -> str:
    """Return where an error came from."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    place = "" if trace is None else f"{trace.tb_frame.f_code.co_filename}:{trace.tb_lineno}"
    return f"{type(error).__name__}: {str(error)[:80]} ({place})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=120_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("kinds", nargs="*", metavar="KIND")
    options = parser.parse_args()
    for name in options.kinds or SEEDS:
        found: Counter[str] = Counter()
        examples: dict[str, bytes] = {}
        start = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            given = {"runs": options.runs, "seed": options.seed, "folder": Path(folder)}
            for data, error in failures(name, **given):
                found[origin(error)] += 1
                examples.setdefault(origin(error), data)
        seconds = time.perf_counter() - start
        print(f"{name:10s} {options.runs} runs, {found.total()} finds, {seconds:.0f} s", flush=True)
        for place, count in found.most_common():
            print(f"  {count} times {place}\n    {examples[place][:400]!r}")


if __name__ == "__main__":
    main()
