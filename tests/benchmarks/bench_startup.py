"""Start-up: what a user waits for before anything happens.

Run by hand: ``python tests/benchmarks/bench_startup.py``. Prints ratios of the best of several
runs, each in a process of its own, warmed by one run before.
"""

import subprocess
import sys
import time
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "sample_measurements" / "lakeside_cabin"
REPEATS = 9


def best(*words):
    """Return the shortest wall time of several runs, in s."""
    times = []
    for _ in range(REPEATS + 1):
        start = time.perf_counter()
        subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=False)
        times.append(time.perf_counter() - start)
    return min(times[1:])


def main():
    bare = best("-c", "pass")
    numpy = best("-c", "import numpy")
    science = best("-c", "import numpy, scipy.optimize, pandas")
    rows = [
        ("python -m roomeq --help", best("-m", "roomeq", "--help"), "bare Python", bare, 2.0),
        ("import roomeq", best("-c", "import roomeq"), "import numpy", numpy, 1.3),
        (
            "roomeq propose lakeside_cabin",
            best("-m", "roomeq", "propose", str(SAMPLE)),
            "import numpy, scipy.optimize, pandas",
            science,
            2.5,
        ),
    ]
    print(f"{'what':32}{'s':>8}{'ratio':>8}{'limit':>8}  against")
    for what, spent, against, reference, limit in rows:
        ratio = spent / reference
        print(f"{what:32}{spent:8.3f}{ratio:8.2f}{limit:8.1f}  {against} ({reference:.3f} s)")


if __name__ == "__main__":
    main()
