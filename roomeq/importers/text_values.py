"""Rows of plain numbers to an array, through a reader written in C.

Conventions
-----------
One row of the text is one row of the array; absent numbers are nan. Small texts go through numpy.
Large ones go through pandas, which is six times as fast but takes a third of a second to import:
it pays above some megabytes, or as soon as it is loaded anyway.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator, Sequence
from typing import Any, cast

import numpy as np

from roomeq.importers.text_cells import Dialect
from roomeq.levels import FloatArray

__all__ = ["read_columns"]

_PAYS_IF_LOADED = 40_000  # characters; numpy needs about 20 ns for each, pandas 4
_PAYS_TO_LOAD = 8_000_000


class _Translated:
    """Rows as pandas asks for them: a piece at a time, so that no second copy is made of a file."""

    def __init__(self, text: str, start: int, stop: int, dialect: Dialect) -> None:
        self._text, self._place, self._stop, self._dialect = text, start, stop, dialect

    def read(self, size: int = -1) -> str:
        begin = self._place
        self._place = min(begin + size, self._stop) if size >= 0 else self._stop
        return self._dialect.canonical(self._text[begin : self._place])[0]

    def __iter__(self) -> Iterator[str]:  # pandas asks that a file can do this, and never does it
        yield self.read()


def read_columns(
    text: str,
    *,
    dialect: Dialect,
    columns: Sequence[int],
    count: int,
    start: int = 0,
    stop: int | None = None,
) -> FloatArray:
    """Read rows of plain numbers.

    Parameters
    ----------
    text : str
        The rows, one a line, in the dialect given.
    dialect : Dialect
        How they are written.
    columns : sequence of int
        Columns to read, counted from 0.
    count : int
        Columns there are.
    start, stop : int
        Part of the text that holds the rows.

    Returns
    -------
    ndarray, shape (N, len(columns))
        The numbers, one row for each line. A blank line or a short row shows up as nan, or raises;
        the caller looks at those.

    Raises
    ------
    ValueError
        If a cell is no number, a row too long, or a line blank.
    """
    end = len(text) if stop is None else stop
    pays = _PAYS_IF_LOADED if "pandas" in sys.modules else _PAYS_TO_LOAD
    chosen = None if len(columns) == count else list(columns)
    if end - start >= pays and len(dialect.delimiter) == 1:
        return _through_pandas(_Translated(text, start, end, dialect), dialect, chosen)
    canonical, delimiter = dialect.canonical(text[start:end])
    rows = canonical.split("\n")
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a text without a row is a fault here
        try:
            values = np.loadtxt(
                rows,
                delimiter=None if delimiter == " " else delimiter,
                usecols=chosen,
                comments=None,
                ndmin=2,
            )
        except UserWarning as warning:
            raise ValueError(str(warning)) from warning
    if len(values) != len(rows):
        raise ValueError("a line is blank")
    return values


def _through_pandas(rows: _Translated, dialect: Dialect, columns: list[int] | None) -> FloatArray:
    import pandas as pd

    options: dict[str, Any] = {}
    if tuple(int(part) for part in pd.__version__.split(".")[:2]) < (3, 1):
        options["float_precision"] = "round_trip"  # later the only one there is
    delimiter = dialect.canonical("")[1]
    frame = pd.read_csv(
        cast(Any, rows),
        sep=r"\s+" if delimiter == " " else delimiter,
        header=None,
        usecols=columns,
        dtype=np.float64,
        skip_blank_lines=False,
        quoting=3,
        engine="c",
        **options,
    )
    return np.asarray(frame.to_numpy(), dtype=np.float64)
