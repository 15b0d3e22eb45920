"""Rows of plain numbers to an array, through a reader written in C.

Conventions
-----------
One row of the text is one row of the array; absent numbers are nan. Small texts go through numpy.
Large ones go through pandas, which is six times as fast but takes a third of a second to import:
it pays above some megabytes or, once it is loaded anyway, above some kilobytes. Every digit counts:
both readers return the number nearest to the text, so that frequencies of two files that read alike
are equal.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, cast

import numpy as np

from roomeq.importers.text_cells import Dialect
from roomeq.levels import FloatArray

__all__ = ["pandas_pays", "read_columns", "read_unchecked_rows"]

_PAYS_IF_LOADED = 16_000  # characters; numpy needs about 20 ns for each, pandas 4
_PAYS_TO_LOAD = 8_000_000


class _Slice:
    """Part of a text as pandas asks for it: a bit at a time, so that no second copy is made."""

    def __init__(self, text: str, start: int, stop: int) -> None:
        self._text, self._place, self._stop = text, start, stop

    def read(self, size: int = -1) -> str:
        begin = self._place
        self._place = min(begin + size, self._stop) if size >= 0 else self._stop
        return self._text[begin : self._place]

    def __iter__(self) -> Iterator[str]:  # pandas asks that a file can do this, and never does it
        yield self.read()


def pandas_pays(characters: int) -> bool:
    """Return whether pandas reads a text of so many characters sooner than numpy."""
    return characters >= (_PAYS_IF_LOADED if "pandas" in sys.modules else _PAYS_TO_LOAD)


def read_columns(text: str, *, dialect: Dialect, columns: Sequence[int], count: int) -> FloatArray:
    """Read rows that are known to be plain.

    Parameters
    ----------
    text : str
        The rows, one a line, each of which matches the dialect's `plain_row`.
    dialect : Dialect
        How they are written.
    columns : sequence of int
        Columns to read, counted from 0.
    count : int
        Columns there are.

    Returns
    -------
    ndarray, shape (N, len(columns))
        The numbers, one row for each line.

    Raises
    ------
    ValueError
        If a cell is no number, a row too long, or a line blank.
    """
    canonical, delimiter = dialect.canonical(text)
    chosen = None if len(columns) == count else list(columns)
    if pandas_pays(len(text)):
        rows = _Slice(canonical, 0, len(canonical))
        return _through_pandas(rows, delimiter, {"quoting": 3, "usecols": chosen})
    return _through_numpy(canonical, delimiter, chosen)


def read_unchecked_rows(
    text: str, *, dialect: Dialect, start: int, stop: int, with_pandas: bool
) -> FloatArray:
    """Read rows that nobody has looked at, and refuse what is not as it should be.

    Nothing is translated or taken away before the reader sees it that could turn a broken row into
    a whole one.

    Parameters
    ----------
    text : str
        A text.
    dialect : Dialect
        How its rows are written.
    start, stop : int
        Part of the text that holds the rows.
    with_pandas : bool
        Whether pandas reads them; numpy knows fewer dialects.

    Returns
    -------
    ndarray, shape (N, C)
        The numbers. With pandas a blank line or a short row shows up as nan; the caller looks at
        those.

    Raises
    ------
    ValueError
        If a cell is no number, a row too long, or the dialect not one for this reader.
    """
    delimiter = dialect.delimiter
    framed = delimiter == "|" and text[start:stop].lstrip(" ").startswith("|")
    if not with_pandas:
        if framed or text.find('"', start, stop) >= 0:
            raise ValueError("quotes and frames are for pandas")
        if delimiter != "|":
            return _through_numpy(*dialect.canonical(text[start:stop]), None)
        canonical, _ = replace(dialect, delimiter="\t").canonical(text[start:stop])  # keeps bars
        return _through_numpy(canonical, "|", None)
    if len(delimiter) > 1:
        raise ValueError("delimiters of several characters are for numpy")
    options: dict[str, Any] = {"decimal": dialect.decimal, "thousands": dialect.grouping or None}
    rows = _Slice(text, start, stop)
    if not framed:
        return _through_pandas(rows, delimiter, options)
    values = _through_pandas(rows, delimiter, {"skipinitialspace": True, **options})
    if not np.isnan(values[:, [0, -1]]).all():
        raise ValueError("a row is not framed as the others")
    return values[:, 1:-1]


def _through_numpy(text: str, delimiter: str, columns: list[int] | None) -> FloatArray:
    rows = text.split("\n")
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a text without a row is a fault here
        try:
            values = np.loadtxt(
                rows,
                delimiter=None if delimiter == " " else delimiter,
                usecols=columns,
                comments=None,
                ndmin=2,
            )
        except UserWarning as warning:
            raise ValueError(str(warning)) from warning
    if len(values) != len(rows):
        raise ValueError("a line is blank")
    return values


def _through_pandas(rows: _Slice, delimiter: str, options: dict[str, Any]) -> FloatArray:
    import pandas as pd

    if tuple(int(part) for part in pd.__version__.split(".")[:2]) < (3, 1):
        options["float_precision"] = "round_trip"  # later the only one there is
    frame = pd.read_csv(
        cast(Any, rows),
        sep=r"\s+" if delimiter == " " else delimiter,
        header=None,
        dtype=np.float64,
        skip_blank_lines=False,
        low_memory=False,
        engine="c",
        **options,
    )
    return np.asarray(frame.to_numpy(), dtype=np.float64)
