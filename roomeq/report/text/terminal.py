"""What only a terminal gets: its width, a bar for every band, a sign of life during long work.

Conventions
-----------
Bars go to standard output where it is a terminal that takes UTF-8 and is wide enough for them;
piped output has none, and `WIDTH` columns. Progress goes to standard error, only where that is a
terminal, only after `PATIENCE` seconds, and takes its line away when the work is done. The search
for gains does not know how long it will take, so progress tells the time spent, no percentage.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from roomeq.base.doing import watched
from roomeq.report.text.layout import WIDTH, page, text_of

BAR_CELLS = 6
PATIENCE = 1.0
_INTERVAL = 0.25
_CLEAR = "\r\x1b[K"
_NARROWEST, _WIDEST = 60, 120  # of a page; beyond it eyes lose the line


def _is_terminal(stream: TextIO | None) -> bool:
    return stream is not None and stream.isatty() and os.environ.get("TERM") != "dumb"


def columns_of(stream: TextIO | None) -> int:
    """Return how wide a page may be: as the terminal, or `WIDTH` where there is none."""
    if not _is_terminal(stream):
        return WIDTH
    return min(max(shutil.get_terminal_size().columns, _NARROWEST), _WIDEST)


def message(text: str, stream: TextIO) -> str:
    """Return words for standard error: in lines that fit a terminal, else in one line."""
    if not _is_terminal(stream):
        return f"roomeq: {text}"
    with page(columns_of(stream)):
        return text_of(f"roomeq: {text}").rstrip("\n")


def bars_wanted(stream: TextIO | None) -> bool:
    """Return whether bars can be drawn: a terminal, UTF-8, and `WIDTH` columns."""
    encoding = (getattr(stream, "encoding", None) or "").lower().replace("-", "").replace("_", "")
    wide = shutil.get_terminal_size().columns >= WIDTH
    return _is_terminal(stream) and encoding in ("utf8", "utf8sig") and wide


def gain_bar(gain_db: float, *, lowest_db: float, highest_db: float) -> str:
    """Draw a gain as a bar from zero: cut to the left, boost to the right.

    Parameters
    ----------
    gain_db : float
        Gain in dB.
    lowest_db, highest_db : float
        Range of the device.

    Returns
    -------
    str
        `BAR_CELLS` characters of bar around a line for zero, `BAR_CELLS` + 1 in all. The bar is
        drawn to the nearest half character; a gain that is not zero shows at least half of one.
    """
    lowest = min(lowest_db, 0.0)
    span = max(highest_db, 0.0) - lowest
    left = round(BAR_CELLS * -lowest / span)
    right = BAR_CELLS - left
    halves = round(2 * BAR_CELLS * abs(gain_db) / span) or int(gain_db != 0)
    room = left if gain_db < 0 else right
    full, half = divmod(min(halves, 2 * room), 2)
    if gain_db < 0:
        return (half * "▐" + full * "█").rjust(left) + "│" + " " * right
    return " " * left + "│" + (full * "█" + half * "▌").ljust(right)


@contextmanager
def progress(doing: str, stream: TextIO) -> Iterator[None]:
    """Say what is being done, and for how long, while the body runs.

    Parameters
    ----------
    doing : str
        What the body does, such as "choosing band gains", where it does not say more itself.
    stream : text file
        Standard error; where it is not a terminal nothing is written.
    """
    if not _is_terminal(stream):
        yield
        return
    finished = threading.Event()
    said = deque([""], maxlen=1)

    def report() -> None:
        started, wait = time.monotonic(), PATIENCE
        while not finished.wait(wait):
            text = f"roomeq: {said[0] or doing}, {time.monotonic() - started:.0f} s"
            stream.write(_CLEAR + text[: shutil.get_terminal_size().columns - 1])
            stream.flush()
            wait = _INTERVAL
        if wait == _INTERVAL:
            stream.write(_CLEAR)
            stream.flush()

    reporter = threading.Thread(target=report, daemon=True)
    reporter.start()
    try:
        with watched(said.append):
            yield
    finally:
        finished.set()
        reporter.join()
