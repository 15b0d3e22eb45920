"""Time of the text importer, run by hand.

    python tests/benchmarks/bench_text_export.py [--rows 500 480000] [--turns 9]

Figure to reach: 480,000 rows in half a second where every row is plain; with remarks or absent
numbers between them rows are read one by one, which takes some four times as long, and quoted ones
some eight times. The time is the median over the turns, in one warmed process; the time for each
row tells whether it is linear.
"""

import argparse
import itertools
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from roomeq.importers.text.export import read_text_export

HEADINGS = ("Frequency (Hz)", "Level (dB SPL)", "Phase (deg)")
DIALECTS = {  # delimiter, decimal mark
    "comma": (",", "."),
    "semicolon, decimal comma": (";", ","),
    "tab": ("\t", "."),
    "bars": ("|", "."),
    "blanks": ("  ", "."),
    "quoted": (",", "."),
    "comma, nan at DC": (",", "."),
    "comma, comment inside": (",", "."),
    "comma, 20 comments": (",", "."),
    "comma, comment each 100": (",", "."),
    "semicolon, preamble": (";", ","),
    "fixed width": ("  ", "."),
}
PREAMBLE = "Sweep 3\nRoom: back\nDate: 2024-05-01\nAverages;4\n\n"


def table(rows: int, columns: int) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(1)
    frequencies = 0.05 * np.arange(1, rows + 1) if rows > 10_000 else np.geomspace(20, 200, rows)
    levels = rng.normal(70.0, 6.0, rows)
    return np.column_stack([frequencies, levels, rng.uniform(-180, 180, rows)])[:, :columns]


def written(folder: Path, name: str, rows: int, columns: int) -> Path:
    mark, decimal = DIALECTS[name]
    quote = '"' if name == "quoted" else ""
    if name == "fixed width":
        lines = ["".join(f"{v:14.4f}" for v in row) for row in table(rows, columns)]
    else:
        lines = [mark.join(f"{quote}{v:.4f}{quote}" for v in row) for row in table(rows, columns)]
    text = "\n".join(lines).replace(".", decimal)
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


def median_ms(path: Path, turns: int) -> float:
    """Return the wall time of a reading, in ms."""
    taken = []
    for _ in range(turns + 1):  # the first turn warms
        start = time.perf_counter()
        read_text_export(path)
        taken.append(time.perf_counter() - start)
    return 1000.0 * float(np.median(taken[1:]))


def main() -> None:
    parser = argparse.ArgumentParser(description="Time of the text importer.")
    parser.add_argument("--rows", type=int, nargs="+", default=[500, 5_000, 50_000, 480_000])
    parser.add_argument("--turns", type=int, default=9)
    chosen = parser.parse_args()
    print(f"{'file':44} {'ms':>9} {'us a row':>9}")
    with tempfile.TemporaryDirectory() as name:
        for dialect in DIALECTS:
            for rows, columns in itertools.product(chosen.rows, (2, 3)):
                path = written(Path(name), dialect, rows, columns)
                taken = median_ms(path, chosen.turns)
                title = f"{dialect}, {rows} rows of {columns}"
                print(f"{title:44} {taken:9.2f} {1000.0 * taken / rows:9.3f}", flush=True)
                path.unlink()


if __name__ == "__main__":
    main()
