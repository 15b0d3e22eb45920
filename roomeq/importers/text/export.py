"""Text exports of measured responses: read a file, whatever its dialect.

Conventions
-----------
Frequencies come back in Hz, ascending and above zero; levels in dB; phase, where the file has it,
as a complex response. Columns are counted from 1, as people count. What was assumed, ignored or
dropped is listed in ``notes``; what can be read in more than one way raises, and the message names
the argument that settles it. The file is never changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from os import PathLike, fspath
from typing import Any, get_args

import numpy as np

from roomeq.base.bands import third_octave_bands
from roomeq.base.errors import AmbiguousTableError
from roomeq.base.levels import FloatArray, amplitude_ratio_db
from roomeq.base.response import FrequencyResponse, LevelReference
from roomeq.importers.text.decoding import asked_in, faults_of, read_decoded_text
from roomeq.importers.text.header import read_headings
from roomeq.importers.text.layout import Table, find_table
from roomeq.importers.text.roles import Parts, Pick, assign_columns, names_of
from roomeq.importers.text.units import (
    LINEAR_SCALES,
    Column,
    FrequencyUnit,
    LevelUnit,
    PhaseUnit,
    coherence_snr_db,
    frequency_scale,
    level_in_db,
)
from roomeq.importers.text.values import (
    clean_rows,
    refuse_impossible_levels,
    usable_phase_deg,
)
from roomeq.importers.text.words import DecimalMark, heading_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TextExport:
    """What one text export holds.

    Attributes
    ----------
    path : str
        The file.
    names : tuple of str
        One for each level column: its heading without the unit, or ``column 2``.
    responses : tuple of FrequencyResponse
        In the same order, each of shape (F,), on one shared ascending axis above 0 Hz.
    notes : tuple of str
        What was assumed, ignored or dropped.
    remarks : tuple of (int, str)
        Lines shortly above the table, each with its number.
    """

    path: str
    names: tuple[str, ...]
    responses: tuple[FrequencyResponse, ...]
    notes: tuple[str, ...] = ()
    remarks: tuple[tuple[int, str], ...] = ()


_Units = tuple[FrequencyUnit | None, LevelUnit | None, PhaseUnit | None]


def read_text_export(
    path: str | PathLike[str],
    *,
    frequency_column: Pick | None = None,
    level_column: Pick | Sequence[Pick] | None = None,
    phase_column: Pick | None = None,
    frequency_unit: FrequencyUnit | None = None,
    level_unit: LevelUnit | None = None,
    phase_unit: PhaseUnit | None = None,
    decimal: DecimalMark | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> TextExport:
    """Read a text export of one or several responses.

    Every argument but the path is found out from the file where it can be.

    Parameters
    ----------
    path : path-like
        The file.
    frequency_column, phase_column : int or str, optional
        A column, by number from 1 or by its heading.
    level_column : int, str or a sequence of them, optional
        Level columns, one for each seat. Other columns are ignored then.
    frequency_unit : {"Hz", "kHz"}, optional
        Unit of the frequency column.
    level_unit : {"dB", "dB SPL", "dBFS", "Pa", "ratio"}, optional
        Unit of the level columns; ``ratio`` is any amplitude that is not in dB.
    phase_unit : {"deg", "rad"}, optional
        Unit of the phase columns.
    decimal : {".", ","}, optional
        Decimal mark.
    delimiter : str, optional
        What stands between cells; ``" "`` for runs of blanks.
    encoding : str, optional
        A codec's name.

    Returns
    -------
    TextExport
        Names, responses and notes.

    Raises
    ------
    AmbiguousTableError
        If the file can be read in more than one way; names the argument that settles it.
    MeasurementFileError
        If it cannot be read; with line, column, value and remedy.
    ValueError
        If an argument is not one of those above.
    OSError
        If the file cannot be opened.
    """
    units = (frequency_unit, level_unit, phase_unit)
    for name, given, kind in (
        ("frequency_unit", frequency_unit, FrequencyUnit),
        ("level_unit", level_unit, LevelUnit),
        ("phase_unit", phase_unit, PhaseUnit),
        ("decimal", decimal, DecimalMark),
    ):
        if given is not None and given not in get_args(kind):
            raise ValueError(f"{name} is one of {get_args(kind)}, got {given!r}")
    if delimiter is not None and (not delimiter or "\n" in delimiter):
        raise ValueError(f"delimiter must be one character or more, got {delimiter!r}")
    levels = [level_column] if isinstance(level_column, int | str) else level_column
    if levels is not None and not levels:
        raise ValueError("level_column must name a column at least")
    text, assumed = read_decoded_text(path, encoding=encoding)
    mark = " " if delimiter is not None and delimiter.isspace() and delimiter != "\t" else delimiter
    with faults_of(path):
        table = find_table(text, delimiter=mark, decimal=decimal)
        headings, found = read_headings(table)
        if decimal is None:
            _refuse_commas_of_both_kinds(table, headings, levels or ())
        columns = [
            Column(number=place, heading=heading_of(said), values=values, lines=table.line_numbers)
            for place, (said, values) in enumerate(zip(headings, table.values.T, strict=True), 1)
        ]
        axis, parts, notes = assign_columns(
            columns, frequency=frequency_column, levels=levels, phase=phase_column
        )
        needed = [c for one in parts for c in (one.level, one.imaginary) if c is not None]
        numbers = np.column_stack([column.values for column in needed])
        rows = clean_rows(table, axis.values, numbers, has_heading=found, notes=notes)
        parts = [Parts._make(column and column.at(rows) for column in one) for one in parts]
        responses = tuple(_responses(axis.at(rows), parts, units, notes))
    return TextExport(
        path=fspath(path),
        names=names_of(parts),
        responses=responses,
        notes=(*assumed, *table.notes, *dict.fromkeys(notes)),
        remarks=table.remarks,
    )


def read_one_response(path: str | PathLike[str], *, named_in: str) -> FrequencyResponse:
    """Read a text export of a single response that a table of another file names.

    Raises
    ------
    MeasurementFileError
        If it cannot be read, or holds several responses.
    OSError
        If the file cannot be opened.
    """
    with asked_in(f"{named_in} has no key for that: give two columns, headed Hz and dB"):
        responses = read_text_export(path).responses
        if len(responses) > 1:
            remedy = "leave one level column"
            raise AmbiguousTableError(f"holds {len(responses)} levels", path=path, remedy=remedy)
    return responses[0]


def _refuse_commas_of_both_kinds(
    table: Table, headings: Sequence[str], levels: Sequence[Pick]
) -> None:
    """Refuse ``20,5,70,3``: its commas may part cells only, or be decimal commas as well."""
    shape, values, first = table.shape, table.values, table.rows[0].strip()[:60]
    picked = max((pick for pick in levels if isinstance(pick, int)), default=0)
    pairs = (shape.delimiter, shape.decimal) == (",", ".") and shape.count >= max(3, 2 * picked)
    whole = bool(np.all(values == np.floor(values))) and values[:, 1::2].min() >= 0
    marked = any(mark in line for line in table.rows[:6] for mark in (".", '"', ", "))
    if pairs and whole and not marked and not all(headings):
        raise AmbiguousTableError(
            f"commas may part the cells of {first!r} or be decimal marks as well",
            line=int(table.line_numbers[0]),
            remedy='give decimal=".", or decimal="," with delimiter="," if every second one is one',
        )


def _responses(
    frequency: Column, responses: Sequence[Parts], units: _Units, notes: list[str]
) -> Iterator[FrequencyResponse]:
    """Yield the responses, ascending in frequency; add notes."""
    axis = frequency.values * frequency_scale(frequency, unit=units[0], notes=notes)
    for parts in responses:
        if parts.imaginary is not None:
            stored, reference = _pressure(axis, parts.level, parts.imaginary, units)
        else:
            stored, reference = _level(axis, parts.level, parts.phase, units, notes)
        snr_db = None
        if parts.coherence is not None:
            snr_db = coherence_snr_db(parts.coherence)
            if snr_db is None:
                notes.append(f"{parts.coherence.where} ignored: no usable coherence (0 to 1)")
        yield FrequencyResponse(
            frequencies=axis, stored=stored, level_reference=reference, snr_db=snr_db
        )
    if _are_third_octaves(axis):
        notes.append("frequencies are third-octave mid-bands: read as levels there, not in bands")


def _pressure(
    axis: FloatArray, real: Column, imaginary: Column, units: _Units
) -> tuple[np.ndarray[Any, Any], LevelReference]:
    """Return a response from its two parts as `FrequencyResponse` stores it, and its reference."""
    unit = units[1] or real.heading.unit
    if unit in ("dB", "dB SPL", "dBFS"):
        remedy = 'give level_unit="Pa" or level_unit="ratio"'
        raise real.fault(f"real and imaginary parts cannot be in {unit}", remedy)
    scale = LINEAR_SCALES.get(unit or "", 1.0)
    pressure = scale * (real.values + 1j * imaginary.values)
    refuse_impossible_levels(axis, amplitude_ratio_db(pressure), real)
    return pressure, "relative" if scale == 1.0 else "spl"


def _level(
    axis: FloatArray, level: Column, phase: Column | None, units: _Units, notes: list[str]
) -> tuple[np.ndarray[Any, Any], LevelReference]:
    """Return a response as `FrequencyResponse` stores it, and its reference; add notes."""
    level_db, reference = level_in_db(level, unit=units[1], notes=notes)
    refuse_impossible_levels(axis, level_db, level)
    phase_deg = None if phase is None else usable_phase_deg(axis, phase, units[2], notes)
    if phase_deg is None:
        return level_db, reference
    # With t the tangent of half the angle, its cosine is 2/(1 + t^2) - 1 and its sine 2t/(1 + t^2).
    magnitude = np.exp(level_db * (math.log(10.0) / 20.0))
    tangent = np.tan(np.deg2rad(0.5 * phase_deg))
    scaled = 2.0 * magnitude / (1.0 + tangent * tangent)
    return scaled - magnitude + 1j * (scaled * tangent), reference


def _are_third_octaves(axis: np.ndarray[Any, Any]) -> bool:
    """Return whether the frequencies are successive nominal mid-bands of ISO 266."""
    if not (3 <= axis.size <= 44 and axis[0] >= 1.0 and axis[-1] <= 20000.0):
        return False
    nominal = [band.nominal for band in third_octave_bands(axis[0], axis[-1])]
    return len(nominal) == axis.size and np.allclose(nominal, axis, rtol=1e-3)
