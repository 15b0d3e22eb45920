"""What the columns of a text export hold: frequency, levels, phase, coherence.

Conventions
-----------
A column is what the caller says,
else what its heading says, else what its place and values leave as the only reading. Each level
column has the phase column that stands between it and the next level column, or, where levels
and phases stand in two groups, the one in the same place of its group.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import chain, zip_longest
from typing import NamedTuple

import numpy as np

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.levels import FloatArray
from roomeq.importers.text.units import Column
from roomeq.importers.text.words import folded, is_unit_only

Pick = int | str


class Parts(NamedTuple):
    """Columns that make one response: its level, or real part where `imaginary` is one."""

    level: Column
    phase: Column | None = None
    imaginary: Column | None = None
    coherence: Column | None = None


def names_of(responses: Sequence[Parts]) -> tuple[str, ...]:
    """Return names of responses: the heading of the level without its unit, or ``column 2``.

    A heading that stands over several of them gets the number added.
    """
    texts = [parts.level.heading.text for parts in responses]
    names = []
    for parts, text in zip(responses, texts, strict=True):
        alone = f"{text} ({parts.level.where})" if texts.count(text) > 1 else text
        names.append(parts.level.where if is_unit_only(text) and not text.isdigit() else alone)
    return tuple(names)


def assign_columns(
    columns: Sequence[Column],
    *,
    frequency: Pick | None = None,
    levels: Sequence[Pick] | None = None,
    phase: Pick | None = None,
) -> tuple[Column, list[Parts], list[str]]:
    """Return which column holds the frequencies, which make the responses, and notes.

    Parameters
    ----------
    columns : sequence of Column
        Those of the table.
    frequency, phase : int or str, optional
        Column by number from 1 or by heading, where the caller knows.
    levels : sequence of int or str, optional
        Level columns, likewise.

    Raises
    ------
    AmbiguousTableError
        If the columns can be read in more than one way; names the argument that settles it.
    MeasurementFileError
        If a column that is asked for is not there.
    ValueError
        If a column number is below 1, or the same column is given twice.
    """
    axis = None if frequency is None else _picked(columns, frequency, "frequency_column")
    chosen = None if levels is None else [_picked(columns, p, "level_column") for p in levels]
    phased = None if phase is None else _picked(columns, phase, "phase_column")
    given = [c for c in (axis, phased, *(chosen or ())) if c is not None]
    if len({column.number for column in given}) < len(given):
        raise ValueError("frequency_column, level_column and phase_column must differ")
    if phased is not None and chosen is not None and len(chosen) > 1:
        raise ValueError("phase_column goes with one level column")
    filled = [column for column in columns if np.isfinite(column.values).any()]
    if axis is None:
        axis = _frequency_column(_without(filled, given))
    responses, notes = _responses(_without(filled, [axis]), chosen, phased)
    if axis.heading.role != "frequency":
        notes.insert(0, f"frequencies assumed in {_label([axis])}")
    for column in _without(columns, [axis, *filter(None, chain(*responses))]):
        if column in filled or column.heading.text:
            why = "" if column in filled else ": it holds no numbers"
            notes.append(f"{_label([column])} ignored{why}")
    return axis, responses, notes


def _without(columns: Sequence[Column], others: Collection[Column]) -> list[Column]:
    return [column for column in columns if column not in others]


def _of_role(columns: Sequence[Column], *roles: str) -> list[Column]:
    return [column for column in columns if column.heading.role in roles]


def _label(columns: Sequence[Column]) -> str:
    texts = {column.number: column.heading.text for column in columns}
    words = [f"{number} ({text})" if text else f"{number}" for number, text in texts.items()]
    return f"column{'s' if len(words) != 1 else ''} {', '.join(words)}"


def _unclear(message: str, columns: Sequence[Column], *, give: str) -> AmbiguousTableError:
    """Return the error that columns can be read in more ways, and which argument settles it."""
    return AmbiguousTableError(f"{message} {_label(columns)}", remedy=f"give {give}")


def _picked(columns: Sequence[Column], pick: Pick, argument: str) -> Column:
    if isinstance(pick, int):
        if isinstance(pick, bool) or pick < 1:
            raise ValueError(f"{argument} counts from 1, got {pick!r}")
        found = [column for column in columns if column.number == pick]
    else:
        wanted, names = folded(pick), {c: folded(c.heading.text) for c in columns}
        fits = (
            [c for c, name in names.items() if name == wanted],
            [c for c, name in names.items() if name and wanted.startswith(f"{name} ")],
            [c for c, name in names.items() if wanted in name],
        )
        found = next(filter(None, fits), [])
    if len(found) > 1:
        raise _unclear(f"{argument} {pick!r} fits", found, give=f"{argument} as a number")
    if found:
        return found[0]
    listed = ", ".join(c.heading.text for c in columns if c.heading.text) or "none"
    raise MeasurementFileError(
        f"has no column {pick!r} among its {len(columns)}; its headings are: {listed}",
        remedy=f"give {argument} as one of these or as a number",
    )


def _is_sorted(values: FloatArray) -> bool:
    steps = np.diff(values[np.isfinite(values)])  # of a single row: none, and sorted
    # A row or two of preamble are found and noted later.
    allowed = 0 if steps.size < 4 else 1 if steps.size < 7 else max(3, 0.01 * steps.size)
    return bool(min((steps < 0).sum(), (steps > 0).sum()) <= allowed)


def _frequency_column(columns: Sequence[Column]) -> Column:
    named, free = _of_role(columns, "frequency"), _of_role(columns, "unknown")
    others = _of_role(columns, "index", "other")
    if named:
        if all(np.array_equal(named[0].values, c.values, equal_nan=True) for c in named[1:]):
            return named[0]
        raise _unclear("frequencies differ in", named, give="frequency_column")
    if others and (not free or others[0].number < free[0].number):
        raise MeasurementFileError(
            f"no column is named frequency, and {_label(others[:1])} counts the rows or is over "
            "time (an impulse response)",
            remedy="export the level over frequency, or give frequency_column",
        )
    if not free:
        raise _unclear("no frequencies are named in", columns, give="frequency_column")
    first = free[0].values
    if not _is_sorted(first):
        more = "frequency_column; or decimal and delimiter, if the numbers are cut wrongly"
        raise _unclear("no frequencies rise or fall throughout in", free[:1], give=more)
    if len(free) > 1 and first[0] in (0.0, 1.0) and np.all(np.diff(first) == 1.0):
        second = free[1].values
        if _is_sorted(second) and np.nanmin(second) >= 0:
            either = f"frequency_column={free[0].number} or {free[1].number}"
            raise _unclear("rows may be counted or frequencies be in", free[:2], give=either)
    return free[0]


def _responses(
    columns: list[Column], chosen: list[Column] | None, phased: Column | None
) -> tuple[list[Parts], list[str]]:
    """Return the parts of each response, of all columns but that of the frequencies, and notes."""
    free, notes = _without(columns, [phased] if phased else []), list[str]()
    levels = _level_columns(free) if chosen is None else chosen
    imaginary, paired, by_place = list[Column](), True, False
    if not levels and phased is None:
        levels, imaginary = _of_role(free, "real"), _of_role(free, "imaginary")
        paired = len(levels) == len(imaginary)
    if not levels and paired:
        by_place = True
        levels, phased, notes = _by_place(free, phased)
    beside = _without(_of_role(free, "level"), levels)
    every = sorted([*levels, *beside], key=lambda column: column.number)
    phases: list[Column] | None = [phased] if phased else []
    if phased is None and not imaginary:
        phases = _partners(columns, "phase", levels, every)
    if phases is None or len(phases) not in (0, len(levels)) or not paired:
        rest = [*levels, *imaginary, *_of_role(_without(columns, levels), "phase")]
        said = "levels and phases, or real and imaginary parts, do not pair up:"
        raise _unclear(said, rest, give="level_column and phase_column")
    coherences = [] if by_place else _partners(columns, "coherence", levels, every)
    parts = zip_longest(levels, phases, imaginary, coherences or [])
    return [Parts._make(one) for one in parts], notes


def _level_columns(columns: Sequence[Column]) -> list[Column]:
    """Return the columns whose headings say level; of one kind of unit."""
    named = _of_role(columns, "level")
    primary = [column for column in named if not column.heading.secondary]
    if not primary and len(named) > 1:
        raise _unclear("levels may be in", named, give="level_column")
    named = primary or named
    decibels = [column for column in named if (column.heading.unit or "dB").startswith("dB")]
    named = decibels or named
    if len({column.heading.unit for column in named} - {None}) > 1:
        raise _unclear("levels have differing units in", named, give="level_column")
    return named


def _partners(
    columns: Sequence[Column], role: str, levels: Sequence[Column], every: Sequence[Column]
) -> list[Column] | None:
    """Return the column of `role` that goes with each of `levels`; None if they do not pair up.

    `every` are all level columns, of which some may be asked for.
    """
    others, ends = _of_role(columns, role), [*(column.number for column in every[1:]), np.inf]
    behind = [
        [c for c in _without(others, every) if level.number < c.number < ends[every.index(level)]]
        for level in levels
    ]
    if all(len(found) == 1 for found in behind):
        return [found[0] for found in behind]
    if len(others) == len(every):
        return [others[every.index(level)] for level in levels]
    return None if others else []


def _looks_like_phase(values: FloatArray) -> bool:
    """Return whether values jump by a turn and stay within one: wrapped phase in degrees."""
    finite = values[np.isfinite(values)]
    if not finite.size or finite.min() < -180.5 or finite.max() > 360.5 or np.ptp(finite) > 361.0:
        return False
    return bool(np.abs(np.diff(finite)).max(initial=0.0) > 270.0)


def _by_place(
    columns: Sequence[Column], phased: Column | None
) -> tuple[list[Column], Column | None, list[str]]:
    """Return levels, phase and notes where headings do not tell, or there are none."""
    unknown, notes = _of_role(columns, "unknown"), list[str]()
    if not unknown:
        raise MeasurementFileError(
            "has no level column, or no numbers in it",
            remedy="export levels, or give level_column",
        )
    phase_told = phased is not None or _of_role(columns, "phase")
    wrapped = [column for column in unknown if _looks_like_phase(column.values)]
    named = all(column.heading.text for column in unknown)
    if not phase_told and len(unknown) == 2 and wrapped == unknown[1:] and not named:
        unknown, phased = unknown[:1], unknown[1]
        notes.append(f"{phased.where} assumed to be phase: it jumps by a turn")
    elif len(unknown) > 1 and (not named or wrapped):
        numbers = ", ".join(str(column.number) for column in unknown)
        both = f"level_column={unknown[0].number} and phase_column={unknown[1].number}"
        said = "levels of several seats, or level and phase, may be in"
        raise _unclear(said, unknown, give=f"level_column=({numbers}), or {both}")
    return unknown, phased, [*notes, f"levels assumed in {_label(unknown)}"]
