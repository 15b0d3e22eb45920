"""Draw the two pictures of the README from sample rooms.

``python sample_measurements/make_pictures.py`` draws them where they are; it needs the extra
``report``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib as mpl

mpl.use("agg")

import matplotlib.pyplot as plt

import roomeq as rq
from roomeq.plots import plot_joining, plot_prediction

__all__ = ["main"]

HERE = Path(__file__).resolve().parent
LARGEST = 150_000  # bytes


def main(arguments: list[str] | None = None) -> int:
    """Draw the pictures; return the exit status."""
    named = sys.argv[1:] if arguments is None else arguments
    folder = Path(named[0]) if named else HERE / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    ferry = rq.read_room(HERE / "ferry_office")
    drawn = {
        "prediction": plot_prediction(rq.propose(rq.read_room(HERE / "lakeside_cabin"))),
        "joining": plot_joining(rq.join(ferry).fit, level_reference=ferry.level_reference),
    }
    for name, axes in drawn.items():
        path = folder / f"{name}.png"
        axes.figure.savefig(path, dpi=100, metadata={"Software": None})
        plt.close(axes.figure)
        size = path.stat().st_size
        print(f"{path}: {size} bytes{'' if size < LARGEST else ', too large'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
