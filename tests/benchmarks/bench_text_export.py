"""Time of the text importer against pandas' C reader, run by hand.

Run with ``python tests/benchmarks/bench_text_export.py``. Figure to reach: at most twice
``pandas.read_csv`` plus 2 ms a file, in one warmed process. The pandas call is told the dialect;
the importer has to find it out, and returns checked responses instead of a plain table: with three
columns that takes an exponential, a sine and a cosine of every row. Both calls take turns, so that
whatever else the machine does hits both.
"""

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
}


def table(rows: int, columns: int) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(1)
    frequencies = 0.05 * np.arange(1, rows + 1) if rows > 10_000 else np.geomspace(20, 200, rows)
    levels = rng.normal(70.0, 6.0, rows)
    return np.column_stack([frequencies, levels, rng.uniform(-180, 180, rows)])[:, :columns]


def written(folder: Path, name: str, rows: int, columns: int) -> Path:
    dialect = DIALECTS[name]
    mark = "  " if dialect["sep"] == r"\s+" else dialect["sep"]
    quote = '"' if name == "quoted" else ""
    lines = [mark.join(f"{quote}{v:.4f}{quote}" for v in row) for row in table(rows, columns)]
    text = "\n".join(lines).replace(".", dialect["decimal"])
    if name == "comma, nan at DC":
        text = mark.join(["0.0", *["nan"] * (columns - 1)]) + "\n" + text
    if name == "comma, comment inside":
        text = "\n".join([*lines[: rows // 2], "# half way", *lines[rows // 2 :]])
    heads = [h.replace(" ", "_") if mark == "  " else h for h in HEADINGS[:columns]]
    path = folder / f"{name.replace(' ', '_')}_{rows}_{columns}.txt"
    path.write_text(mark.join(heads) + "\n" + text + "\n", encoding="utf-8")
    return path


def best_ms(calls: tuple[Callable[[], object], ...], times: int) -> list[float]:
    found: list[list[float]] = [[] for _ in calls]
    for _ in range(times + 1):  # the first turn warms
        for call, taken in zip(calls, found, strict=True):
            start = time.perf_counter()
            call()
            taken.append(time.perf_counter() - start)
    return [1000.0 * min(taken[1:]) for taken in found]


SIZES = ((500, 2, 40), (500, 3, 40), (480_000, 2, 9), (480_000, 3, 9))


def main() -> None:
    print(f"{'file':44} {'pandas ms':>10} {'ours ms':>9} {'limit ms':>9} {'of limit':>9}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for dialect, options in DIALECTS.items():
            for rows, columns, times in SIZES:
                path = written(folder, dialect, rows, columns)
                calls = (partial(pd.read_csv, path, **options), partial(read_text_export, path))
                theirs, ours = best_ms(calls, times)
                limit = 2.0 * theirs + 2.0
                print(
                    f"{dialect + f', {rows} rows of {columns}':44} {theirs:10.2f} {ours:9.2f} "
                    f"{limit:9.2f} {ours / limit:9.2f}"
                )
                path.unlink()


if __name__ == "__main__":
    main()
