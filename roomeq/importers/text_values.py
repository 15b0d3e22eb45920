"""Rows of plain numbers to an array, through a reader written in C.

Conventions
-----------
One row of the text is one row of the array; absent numbers are nan. Small texts go through numpy.
Large ones go through pandas, which is six times as fast but takes a third of a second to import:
it pays above some megabytes, or as soon as it is loaded anyway.
"""

from __future__ import annotations

import io
import sys
import warnings
from collections.abc import Sequence
from typing import Any

import numpy as np

from roomeq.levels import FloatArray

__all__ = ["read_columns"]

_PAYS_IF_LOADED = 40_000  # characters; numpy needs about 20 ns for each, pandas 4
_PAYS_TO_LOAD = 8_000_000


def read_columns(text: str, *, delimiter: str, columns: Sequence[int], count: int) -> FloatArray:
    """Read rows of numbers.

    Parameters
    ----------
    text : str
        The rows, one a line, with decimal points.
    delimiter : str
        One character; ``" "`` for runs of blanks.
    columns : sequence of int
        Columns to read, counted from 0.
    count : int
        Columns there are.

    Returns
    -------
    ndarray, shape (N, len(columns))
        The numbers. Blank lines and short rows may show up as nan; the caller looks at those.

    Raises
    ------
    ValueError
        If a cell is no number or a row is too long.
    """
    pays = _PAYS_IF_LOADED if "pandas" in sys.modules else _PAYS_TO_LOAD
    if len(text) >= pays:
        return _through_pandas(text, delimiter=delimiter, columns=columns, count=count)
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a text without a row is a fault here
        try:
            return np.loadtxt(
                text.split("\n"),
                delimiter=None if delimiter == " " else delimiter,
                usecols=tuple(columns),
                comments=None,
                ndmin=2,
            )
        except UserWarning as warning:
            raise ValueError(str(warning)) from warning


def _through_pandas(text: str, *, delimiter: str, columns: Sequence[int], count: int) -> FloatArray:
    import pandas as pd

    options: dict[str, Any] = {}
    if tuple(int(part) for part in pd.__version__.split(".")[:2]) < (3, 1):
        options["float_precision"] = "round_trip"  # later the only one there is
    frame = pd.read_csv(
        io.BytesIO(text.encode()),
        sep=r"\s+" if delimiter == " " else delimiter,
        header=None,
        usecols=None if len(columns) == count else list(columns),
        dtype=np.float64,
        skip_blank_lines=False,
        quoting=3,
        engine="c",
        **options,
    )
    return np.asarray(frame.to_numpy(), dtype=np.float64)
