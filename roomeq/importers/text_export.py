"""Text exports of measured responses: read a file, whatever its dialect.

Conventions
-----------
Frequencies come back in Hz, ascending and above zero; levels in dB; phase in degrees. Columns are
counted from 1, as people count. What was assumed, ignored or dropped is listed in ``notes``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike, fspath
from pathlib import Path
from typing import Literal

import numpy as np

from roomeq.errors import AmbiguousTableError, MeasurementFileError
from roomeq.response import FrequencyResponse

__all__ = ["TextExport", "read_text_export"]

Column = int | str
FrequencyUnit = Literal["Hz", "kHz"]
LevelUnit = Literal["dB", "dB SPL", "dBFS", "Pa", "ratio"]
PhaseUnit = Literal["deg", "rad"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TextExport:
    """What one text export holds.

    Attributes
    ----------
    path : str
        The file.
    names : tuple of str
        One for each level column: its header text without the unit, or ``column 2``.
    responses : tuple of FrequencyResponse
        In the same order, on one shared ascending axis above 0 Hz.
    notes : tuple of str
        What was assumed, ignored or dropped.
    """

    path: str
    names: tuple[str, ...]
    responses: tuple[FrequencyResponse, ...]
    notes: tuple[str, ...] = ()


def read_text_export(
    path: str | PathLike[str],
    *,
    frequency_column: Column | None = None,
    level_column: Column | Sequence[Column] | None = None,
    phase_column: Column | None = None,
    frequency_unit: FrequencyUnit | None = None,
    level_unit: LevelUnit | None = None,
    phase_unit: PhaseUnit | None = None,
    decimal: Literal[".", ","] | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> TextExport:
    """Read a text export (first slice: clean tables of frequency, level and phase in degrees)."""
    text = Path(path).read_text(encoding=encoding or "utf-8-sig")
    rows = []
    header = ""
    for line in text.splitlines():
        cells = [cell for cell in re.split(r"[\s,;|]+", line.strip()) if cell]
        try:
            rows.append([float(cell) for cell in cells])
        except ValueError:
            if not rows:
                header = line
    if not rows:
        raise MeasurementFileError("holds no table of numbers", path=path)
    table = np.array([row for row in rows if len(row) == len(rows[0])])
    labelled = re.search("phase", header, re.IGNORECASE) is not None
    if table.shape[1] > 2 and not labelled:
        raise AmbiguousTableError("level and phase, or two seats?", path=path)
    table = table[table[:, 0] > 0]
    response = FrequencyResponse.from_level(
        table[:, 0],
        table[:, 1],
        phase_deg=table[:, 2] if labelled else None,
        level_reference="spl" if "SPL" in header else "relative",
    )
    return TextExport(path=fspath(path), names=("column 2",), responses=(response,))
