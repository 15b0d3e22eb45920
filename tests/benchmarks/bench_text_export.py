"""Time of the text importer against pandas' C reader, run by hand.

    python tests/benchmarks/bench_text_export.py [--rows 500 480000] [--turns 9]

Figure to reach: at most twice ``pandas.read_csv`` plus 2 ms a file, in one warmed process. The
pandas call is told the dialect (separator, decimal mark, comment mark, lines to skip); the importer
has to find it out, and returns checked responses instead of a plain table: with three columns that
takes an exponential and a tangent of every row. Both calls take turns, so that whatever else the
machine does hits both; the time is the median over the turns. On the right, the same ratio in
processor time: from 5 MB on a newer pandas reads a path with several threads, and so does the
importer, so that a busy machine shows in the first ratio more than in the second.
"""

import argparse
import itertools
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from roomeq.importers.text_export import read_text_export

HEADINGS = ("Frequency (Hz)", "Level (dB SPL)", "Phase (deg)")
DIALECTS: dict[str, dict[str, Any]] = {
    "comma": {"sep": ",", "decimal": "."},
    "semicolon, decimal comma": {"sep": ";", "decimal": ","},
    "tab": {"sep": "\t", "decimal": "."},
    "bars": {"sep": "|", "decimal": "."},
    "blanks": {"sep": r"\s+", "decimal": "."},
    "quoted": {"sep": ",", "decimal": "."},
    "comma, nan at DC": {"sep": ",", "decimal": "."},
    "comma, comment inside": {"sep": ",", "decimal": ".", "comment": "#"},
    "comma, 20 comments": {"sep": ",", "decimal": ".", "comment": "#"},
    "comma, comment each 100": {"sep": ",", "decimal": ".", "comment": "#"},
    "semicolon, preamble": {"sep": ";", "decimal": ",", "skiprows": 5},
    "fixed width": {"sep": r"\s+", "decimal": "."},
}
PREAMBLE = "Sweep 3\nRoom: back\nDate: 2024-05-01\nAverages;4\n\n"


def table(rows: int, columns: int) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(1)
    frequencies = 0.05 * np.arange(1, rows + 1) if rows > 10_000 else np.geomspace(20, 200, rows)
    levels = rng.normal(70.0, 6.0, rows)
    return np.column_stack([frequencies, levels, rng.uniform(-180, 180, rows)])[:, :columns]


def written(folder: Path, name: str, rows: int, columns: int) -> Path:
    dialect = DIALECTS[name]
    mark = "  " if dialect["sep"] == r"\s+" else dialect["sep"]
    quote = '"' if name == "quoted" else ""
    if name == "fixed width":
        lines = ["".join(f"{v:14.4f}" for v in row) for row in table(rows, columns)]
    else:
        lines = [mark.join(f"{quote}{v:.4f}{quote}" for v in row) for row in table(rows, columns)]
    text = "\n".join(lines).replace(".", dialect["decimal"])
    if name == "comma, nan at DC":
        text = mark.join(["0.0", *["nan"] * (columns - 1)]) + "\n" + text
    if "comment" in name:
        each = {"comma, comment inside": rows // 2, "comma, 20 comments": rows // 20}.get(name, 100)
        for place in range(rows - each, each - 1, -each):
            lines.insert(place, "# a remark")
        text = "\n".join(lines)
    heads = [h.replace(" ", "_") if mark == "  " else h for h in HEADINGS[:columns]]
    path = folder / f"{name.replace(' ', '_')}_{rows}_{columns}.txt"
    preamble = PREAMBLE if "preamble" in name else ""
    path.write_text(preamble + mark.join(heads) + "\n" + text + "\n", encoding="utf-8")
    return path


def median_ms(calls: tuple[Callable[[], object], ...], turns: int) -> list[tuple[float, float]]:
    """Return wall time and processor time of each call, in ms."""
    found: list[list[tuple[float, float]]] = [[] for _ in calls]
    for _ in range(turns + 1):  # the first turn warms
        for call, taken in zip(calls, found, strict=True):
            wall, processor = time.perf_counter(), time.process_time()
            call()
            taken.append((time.perf_counter() - wall, time.process_time() - processor))
    medians = 1000.0 * np.median(np.array(found)[:, 1:], axis=1)
    return [(float(wall), float(processor)) for wall, processor in medians]


def main() -> None:
    parser = argparse.ArgumentParser(description="Time of the text importer against pandas.")
    parser.add_argument("--rows", type=int, nargs="+", default=[500, 5_000, 50_000, 480_000])
    parser.add_argument("--turns", type=int, default=9)
    chosen = parser.parse_args()
    print(
        f"{'file':44} {'pandas ms':>10} {'ours ms':>9} {'limit ms':>9} {'of limit':>9} {'cpu':>6}"
    )
    with tempfile.TemporaryDirectory() as name:
        for dialect, options in DIALECTS.items():
            for rows, columns in itertools.product(chosen.rows, (2, 3)):
                path = written(Path(name), dialect, rows, columns)
                calls = (partial(pd.read_csv, path, **options), partial(read_text_export, path))
                turns = chosen.turns if rows > 100_000 else 4 * chosen.turns
                theirs, ours = median_ms(calls, turns)
                limit, processor = (2.0 * time + 2.0 for time in theirs)
                print(
                    f"{dialect + f', {rows} rows of {columns}':44} {theirs[0]:10.2f} {ours[0]:9.2f}"
                    f" {limit:9.2f} {ours[0] / limit:9.2f} {ours[1] / processor:6.2f}",
                    flush=True,
                )
                path.unlink()


if __name__ == "__main__":
    main()
