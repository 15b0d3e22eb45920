"""The rows of a large text export: cut into pieces, which a C reader takes side by side.

Conventions
-----------
A piece is whole lines, without the last line end. Lines of text between rows are taken out only
where a piece cannot be read as it stands, so that a file without any pays nothing for them; a line
that starts like a row is never taken out. Threads help because
pandas lets go of the interpreter while it reads (pandas itself does the same with a path since
version 3.1); numpy does not, and reads one piece after the other.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from roomeq.importers.text_dialect import Shape
from roomeq.importers.text_values import pandas_pays, read_unchecked_rows
from roomeq.levels import FloatArray

__all__ = ["LargeRows", "read_large_rows"]

IndexArray = NDArray[np.int64]
_T = TypeVar("_T")
_R = TypeVar("_R")
_LARGEST_PIECE = 1_500_000  # characters; what is read from it stays near the processor
_SMALLEST_PIECE = 600_000  # below, a call of the reader costs more than a second thread gains
_MOST_THREADS = 6
_COMMENT_MARKS = "#%*!/"  # common practice, no source; of others a failed reading tells
_MOST_ABSENT = 1000  # rows of a piece with a number missing, beyond which it is looked at by line
_CAN_START_A_ROW = np.zeros(256, dtype=bool)
_CAN_START_A_ROW[list(b"-+0123456789.,;|\"'nN \t\n")] = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LargeRows:
    """The rows of a large text.

    Attributes
    ----------
    values : ndarray, shape (N, C)
        Numbers; nan where the file says that there is none.
    lines : ndarray, shape (N,)
        Line of each row.
    skipped : tuple of str
        Lines of text between the rows, in order.
    """

    values: FloatArray
    lines: IndexArray
    skipped: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Piece:
    """What one piece holds: as `LargeRows`, lines from 0; and how many lines it had."""

    values: FloatArray
    lines: IndexArray | None  # None where every line is a row
    skipped: tuple[str, ...]
    count: int


def read_large_rows(
    text: str, *, start: int, stop: int, shape: Shape, first_line: int
) -> LargeRows | None:
    r"""Read rows of plain numbers, past lines of text and blank lines between them.

    Parameters
    ----------
    text : str
        The text, with ``\n`` line ends.
    start, stop : int
        Part of it that begins and ends with a row; without the last row's line end.
    shape : Shape
        What a row looks like; plain.
    first_line : int
        Number of the line at `start`.

    Returns
    -------
    LargeRows or None
        None if a line is neither row nor text nor blank, or a number absent that the file does not
        call so: somebody must look line by line.
    """
    with_pandas = pandas_pays(stop - start) and len(shape.dialect.delimiter) == 1
    reader = _Reader(text=text, shape=shape, with_pandas=with_pandas)
    pieces = _mapped(reader.piece, _cuts(text, start, stop), threads=with_pandas)
    read = [piece for piece in pieces if piece is not None]
    if len(read) < len(pieces):
        return None
    values = np.empty((shape.count, sum(len(piece.values) for piece in read))).T
    lines = np.arange(first_line, first_line + len(values))
    places = []
    row, line = 0, 0
    for piece in read:
        rows = slice(row, row + len(piece.values))
        places.append((rows, piece.values))
        if piece.lines is not None:
            lines[rows] = piece.lines + (first_line + line)
        elif line != row:
            lines[rows] += line - row
        row, line = rows.stop, line + piece.count

    def put(part: tuple[slice, FloatArray]) -> None:
        values[part[0]] = part[1]

    _mapped(put, places, threads=with_pandas)
    skipped = tuple(line for piece in read for line in piece.skipped)
    return LargeRows(values=values, lines=lines, skipped=skipped)


def _cuts(text: str, start: int, stop: int) -> list[tuple[int, int]]:
    """Return where the pieces of a text start and stop; the line end after each is left out."""
    size = min(max((stop - start) // _processors(), _SMALLEST_PIECE), _LARGEST_PIECE)
    cuts = []
    while stop - start > size:
        end = text.find("\n", start + size, stop)
        if end < 0:
            break
        cuts.append((start, end))
        start = end + 1
    return [*cuts, (start, stop)]


def _mapped(call: Callable[[_T], _R], parts: Sequence[_T], *, threads: bool) -> list[_R]:
    """Call something with every part, in as many threads as pay."""
    workers = min(_processors(), len(parts), _MOST_THREADS) if threads else 1
    if workers == 1:
        return [call(part) for part in parts]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(call, parts))


def _processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(slots=True, kw_only=True)
class _Reader:
    """Reads the pieces of one text; remembers whether lines of text are to be expected."""

    text: str
    shape: Shape
    with_pandas: bool
    text_between: bool = field(default=False, init=False)

    def piece(self, cut: tuple[int, int]) -> _Piece | None:
        # A reading that fails costs four times one that does not: look for the usual marks first.
        marked = any(self.text.find(mark, *cut) >= 0 for mark in _COMMENT_MARKS)
        if not marked and not self.text_between:
            values = self._values(self.text, *cut)
            if values is not None:
                return self._checked(values, self.text, *cut)
        parted = _without_text(self.text[slice(*cut)])
        self.text_between |= bool(parted.skipped)
        values = self._values(parted.body, 0, len(parted.body))
        piece = None if values is None else self._checked(values, parted.body, 0, len(parted.body))
        if piece is None:
            return None
        kept = parted.kept if piece.lines is None else parted.kept[piece.lines]
        return _Piece(values=piece.values, lines=kept, skipped=parted.skipped, count=parted.count)

    def _values(self, text: str, start: int, stop: int) -> FloatArray | None:
        try:
            values = read_unchecked_rows(
                text,
                dialect=self.shape.dialect,
                start=start,
                stop=stop,
                with_pandas=self.with_pandas,
            )
        except ValueError:
            return None
        return values if values.shape[1] == self.shape.count else None

    def _checked(self, values: FloatArray, text: str, start: int, stop: int) -> _Piece | None:
        """Return the rows without blank lines; None if a number is absent but not said to be."""
        count = len(values)
        if np.isfinite(values.sum()):
            return _Piece(values=values, lines=None, skipped=(), count=count)
        absent = np.flatnonzero(~np.isfinite(values).all(axis=1)).tolist()
        if len(absent) > _MOST_ABSENT:
            return None
        piece = text[start:stop]
        _, begins, ends = _lines(piece)
        if len(ends) != count:
            return None
        lines = {row: piece[begins[row] : ends[row]] for row in absent}
        if not all(self._is_as_read(line, values[row]) for row, line in lines.items()):
            return None
        blank = [row for row, line in lines.items() if not line.strip()]
        if not blank:
            return _Piece(values=values, lines=None, skipped=(), count=count)
        kept = np.delete(np.arange(count), blank)
        return _Piece(values=values[kept], lines=kept, skipped=(), count=count)

    def _is_as_read(self, line: str, row: FloatArray) -> bool:
        """Return whether a row with absent numbers holds what its line holds; or is blank."""
        if not line or line.isspace():
            return True
        numbers = self.shape.values(line)
        held = np.where(np.isfinite(row), row, np.nan)
        return numbers is not None and bool(np.array_equal(held, numbers, equal_nan=True))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parted:
    """A piece without its lines of text."""

    body: str
    kept: IndexArray
    skipped: tuple[str, ...]
    count: int


def _without_text(piece: str) -> _Parted:
    """Take out the lines that start as no row does."""
    codes, begins, ends = _lines(piece)
    is_text = ~_CAN_START_A_ROW[codes[begins]]
    places = np.flatnonzero(is_text)
    parts, skipped, at = [], [], 0
    for begin, end in zip(begins[places].tolist(), ends[places].tolist(), strict=True):
        parts.append(piece[at:begin])
        skipped.append(piece[begin:end])
        at = end + 1
    parts.append(piece[at:])
    body = "".join(parts)
    if is_text[-1]:
        body = body.removesuffix("\n")
    return _Parted(
        body=body, kept=np.flatnonzero(~is_text), skipped=tuple(skipped), count=len(ends)
    )


def _lines(piece: str) -> tuple[NDArray[np.uint8], IndexArray, IndexArray]:
    """Return a code for each character, with a line end after the last; where lines begin and end.

    One byte stands for one character, so that places are the same; what is no Latin letter becomes
    a question mark.
    """
    codes = np.frombuffer(piece.encode("latin-1", "replace") + b"\n", dtype=np.uint8)
    ends = np.flatnonzero(codes == ord("\n"))
    return codes, np.concatenate([[0], ends[:-1] + 1]), ends
