"""Start-up: what a user waits for before anything happens.

    python tests/benchmarks/bench_startup.py [--turns 9]

Prints ratios of the best of several runs, each in a process of its own, warmed by one run before.
The commands take turns, so that whatever else the machine does hits all of them; on the right, the
same ratio in processor time, which a busy machine changes less.
"""

import argparse
import resource
import subprocess
import sys
import time
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "sample_measurements" / "lakeside_cabin"
COMMANDS = {
    "bare Python": ("-c", "pass"),
    "import numpy": ("-c", "import numpy"),
    "import numpy, scipy.optimize, pandas": ("-c", "import numpy, scipy.optimize, pandas"),
    "python -m roomeq --help": ("-m", "roomeq", "--help"),
    "import roomeq": ("-c", "import roomeq"),
    "roomeq propose lakeside_cabin": ("-m", "roomeq", "propose", str(SAMPLE)),
}
LIMITS = {
    "python -m roomeq --help": ("bare Python", 2.0),
    "import roomeq": ("import numpy", 1.3),
    "roomeq propose lakeside_cabin": ("import numpy, scipy.optimize, pandas", 2.5),
}


def taken(words: tuple[str, ...]) -> tuple[float, float]:
    """Return wall time and processor time of one run, in s."""
    start, used = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=False)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description="Time until something happens.")
    parser.add_argument("--turns", type=int, default=9)
    turns = [
        {name: taken(words) for name, words in COMMANDS.items()}
        for _ in range(parser.parse_args().turns + 1)  # the first turn warms
    ]
    best = {name: [min(turn[name][i] for turn in turns[1:]) for i in (0, 1)] for name in COMMANDS}
    print(f"{'what':32}{'s':>8}{'ratio':>8}{'limit':>8}{'cpu':>8}  against")
    for what, (against, limit) in LIMITS.items():
        wall, processor = (best[what][i] / best[against][i] for i in (0, 1))
        print(
            f"{what:32}{best[what][0]:8.3f}{wall:8.2f}{limit:8.1f}{processor:8.2f}  {against} "
            f"({best[against][0]:.3f} s)"
        )


if __name__ == "__main__":
    main()
