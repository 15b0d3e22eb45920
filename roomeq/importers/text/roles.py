"""What the columns of a text export hold: frequency, levels, phase, coherence.

Conventions
-----------
Columns count from 0 here; messages and arguments count from 1. A column is what the caller says,
else what its heading says, else what its place and values leave as the only reading. Each level
column has the phase column that stands between it and the next level column, or, where levels
and phases stand in two groups, the one in the same place of its group.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.levels import FloatArray
from roomeq.importers.text.header import Headings
from roomeq.importers.text.words import Heading, folded, heading_of, is_unit_only

Pick = int | str


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Roles of the columns of one table.

    Attributes
    ----------
    headings : tuple of Heading
        What is said of each column.
    frequency : int
        The frequency column.
    levels : tuple of int
        Level columns, one for each response; or real parts where `imaginary` is not empty.
    phases, imaginary, coherences : tuple of int
        One for each response, or empty.
    notes : tuple of str
        What was assumed and ignored.
    """

    headings: tuple[Heading, ...]
    frequency: int
    levels: tuple[int, ...]
    phases: tuple[int, ...] = ()
    imaginary: tuple[int, ...] = ()
    coherences: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the level columns: the heading without its unit, or ``column 2``.

        A heading that stands over several of them gets the number added.
        """
        texts = [self.headings[column].text for column in self.levels]
        names = []
        for column, text in zip(self.levels, texts, strict=True):
            number = f"column {column + 1}"
            alone = f"{text} ({number})" if texts.count(text) > 1 else text
            names.append(number if is_unit_only(text) and not text.isdigit() else alone)
        return tuple(names)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """What the rules look at."""

    values: FloatArray
    headings: tuple[Heading, ...]
    filled: tuple[int, ...]
    told: bool

    def of_role(self, role: str, *, but: Collection[int | None] = ()) -> list[int]:
        return [c for c in self.filled if self.headings[c].role == role and c not in but]

    def label(self, columns: Sequence[int]) -> str:
        texts = {c: self.headings[c].text for c in columns}
        words = [f"{c + 1} ({text})" if text else f"{c + 1}" for c, text in texts.items()]
        return f"column{'s' if len(words) != 1 else ''} {', '.join(words)}"


def assign_columns(
    values: FloatArray,
    headings: Headings,
    *,
    frequency: Pick | None = None,
    levels: Sequence[Pick] | None = None,
    phase: Pick | None = None,
) -> Columns:
    """Return the roles of the columns of a table.

    Parameters
    ----------
    values : ndarray, shape (N, C)
        Numbers, nan where there is none.
    headings : Headings
        What stands above the columns.
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
    heads = tuple(map(heading_of, headings.texts))
    filled = tuple(np.flatnonzero(np.isfinite(values).any(axis=0)).tolist())
    table = _Table(values=values, headings=heads, filled=filled, told=headings.found)
    axis = None if frequency is None else _picked(table, frequency, "frequency_column")
    chosen = None if levels is None else [_picked(table, p, "level_column") for p in levels]
    phased = None if phase is None else _picked(table, phase, "phase_column")
    given = [c for c in (axis, phased, *(chosen or ())) if c is not None]
    if len(set(given)) < len(given):
        raise ValueError("frequency_column, level_column and phase_column must differ")
    if phased is not None and chosen is not None and len(chosen) > 1:
        raise ValueError("phase_column goes with one level column")
    if axis is None:
        axis = _frequency_column(table, given)
    return _with_notes(table, _responses(table, axis, chosen, phased))


def _picked(table: _Table, pick: Pick, argument: str) -> int:
    count = len(table.headings)
    names = [folded(heading.text) for heading in table.headings]
    if isinstance(pick, int):
        if isinstance(pick, bool) or pick < 1:
            raise ValueError(f"{argument} counts from 1, got {pick!r}")
        fits = [[pick - 1] if pick <= count else []]
    else:
        wanted = folded(pick)
        fits = [
            [c for c, name in enumerate(names) if name == wanted],
            [c for c, name in enumerate(names) if name and wanted.startswith(f"{name} ")],
            [c for c, name in enumerate(names) if wanted in name],
        ]
    found = next(filter(None, fits), [])
    if len(found) == 1:
        return found[0]
    if found:
        raise _give(f"{argument} as a number", f"{argument} {pick!r} fits {table.label(found)}")
    listed = ", ".join(heading.text for heading in table.headings if heading.text) or "none"
    raise MeasurementFileError(
        f"has no column {pick!r} among its {count}; its headings are: {listed}",
        remedy=f"give {argument} as one of these or as a number",
    )


def _is_sorted(values: FloatArray) -> bool:
    steps = np.diff(values[np.isfinite(values)])  # of a single row: none, and sorted
    # A row or two of preamble are found and noted later.
    allowed = 0 if steps.size < 4 else 1 if steps.size < 7 else max(3, 0.01 * steps.size)
    return bool(min((steps < 0).sum(), (steps > 0).sum()) <= allowed)


def _give(argument: str, message: str, more: str = "") -> AmbiguousTableError:
    return AmbiguousTableError(message, remedy=f"give {argument}{more}")


def _frequency_column(table: _Table, given: Sequence[int]) -> int:
    named = table.of_role("frequency", but=given)
    if named:
        first = table.values[:, named[0]]
        if all(np.array_equal(first, table.values[:, c], equal_nan=True) for c in named[1:]):
            return named[0]
        differing = f"frequencies may be in {table.label(named)}, which differ"
        raise _give("frequency_column", differing)
    free = table.of_role("unknown", but=given)
    for column in sorted({*table.of_role("index"), *table.of_role("other")} - {*given}):
        if not free or column < free[0]:
            counts = table.headings[column].role == "index"
            words = "counts the rows" if counts else "is none (over time: an impulse response)"
            raise MeasurementFileError(
                f"no column is named frequency, and {table.label([column])} {words}",
                remedy="export the level over frequency, or give frequency_column",
            )
    if not free:
        raise _give("frequency_column", "no column is named frequency")
    first, label = table.values[:, free[0]], table.label(free[:1])
    if not _is_sorted(first):
        turns = f"{label} neither rises nor falls throughout: it may be no frequency"
        more = "; or decimal and delimiter, if the numbers are cut wrongly"
        raise _give("frequency_column", turns, more)
    if len(free) > 1 and first[0] in (0.0, 1.0) and np.all(np.diff(first) == 1.0):
        second = table.values[:, free[1]]
        if _is_sorted(second) and np.nanmin(second) >= 0:
            counts_rows = f"{label} may count the rows or be frequencies"
            raise _give(f"frequency_column={free[0] + 1} or {free[1] + 1}", counts_rows)
    return free[0]


def _responses(
    table: _Table, axis: int, chosen: Sequence[int] | None, phased: int | None
) -> Columns:
    used, notes = (axis, phased), list[str]()
    levels = _level_columns(table, used) if chosen is None else list(chosen)
    imaginary, by_place = list[int](), False
    if not levels and phased is None:
        levels, imaginary = (table.of_role(role, but=used) for role in ("real", "imaginary"))
        if len(levels) != len(imaginary):
            raise _unpaired(table, "real and imaginary parts", [*levels, *imaginary])
    if not levels:
        by_place = True
        levels, phased, notes = _by_place(table, axis, phased)
    every = sorted({*levels, *table.of_role("level", but=used)})
    phases: tuple[int, ...] | None = () if phased is None else (phased,)
    if phased is None and not imaginary:
        phases = _partners(table, "phase", levels, every)
    if phases is None or len(phases) not in (0, len(levels)):
        raise _unpaired(table, "levels and phases", [*levels, *table.of_role("phase", but=levels)])
    coherences = None if by_place else _partners(table, "coherence", levels, every)
    return Columns(
        headings=table.headings,
        frequency=axis,
        levels=tuple(levels),
        phases=phases,
        imaginary=tuple(imaginary),
        coherences=coherences or (),
        notes=tuple(notes),
    )


def _unpaired(table: _Table, what: str, columns: list[int]) -> AmbiguousTableError:
    message = f"{what} do not pair up: {table.label(columns)}"
    return _give("level_column and phase_column", message)


def _level_columns(table: _Table, used: Collection[int | None]) -> list[int]:
    """Return the columns whose headings say level; of one kind of unit."""
    named = table.of_role("level", but=used)
    primary = [c for c in named if not table.headings[c].secondary]
    if not primary and len(named) > 1:
        raise _give("level_column", f"levels may be in {table.label(named)}")
    named = primary or named
    decibels = [c for c in named if (table.headings[c].unit or "dB").startswith("dB")]
    named = decibels or named
    if len({table.headings[c].unit for c in named if table.headings[c].unit}) > 1:
        raise _give("level_column", f"{table.label(named)} are levels in differing units")
    return named


def _partners(
    table: _Table, role: str, levels: Sequence[int], every: Sequence[int]
) -> tuple[int, ...] | None:
    """Return the column of `role` that goes with each of `levels`; None if they do not pair up."""
    others = table.of_role(role)
    if not others:
        return ()
    behind = Counter(bisect_right(every, column) for column in others if column not in every)
    if all(behind[every.index(level) + 1] == 1 for level in levels):
        places = {bisect_right(every, column): column for column in others if column not in every}
        return tuple(places[every.index(level) + 1] for level in levels)
    if len(others) == len(every):
        return tuple(others[every.index(level)] for level in levels)
    return None


def _looks_like_phase(values: FloatArray) -> bool:
    """Return whether values jump by a turn and stay within one: wrapped phase in degrees."""
    finite = values[np.isfinite(values)]
    within = finite.size > 0 and bool(finite.min() >= -180.5 and finite.max() <= 360.5)
    within = within and float(np.ptp(finite)) <= 361.0
    return within and bool(np.abs(np.diff(finite)).max(initial=0.0) > 270.0)


def _by_place(
    table: _Table, axis: int, phased: int | None
) -> tuple[list[int], int | None, list[str]]:
    """Return levels, phase and notes where headings do not tell, or there are none."""
    unknown, notes = table.of_role("unknown", but=(axis, phased)), list[str]()
    if not unknown:
        raise MeasurementFileError(
            "the level column holds no numbers"
            if any(heading.role == "level" for heading in table.headings)
            else "has no level column",
            remedy="export levels, or give level_column",
        )
    told = phased is not None or table.of_role("phase")
    wrapped = [c for c in unknown if _looks_like_phase(table.values[:, c])]
    named = table.told and all(table.headings[c].text for c in unknown)
    if not told and len(unknown) == 2 and wrapped == unknown[1:] and not named:
        unknown, phased = unknown[:1], unknown[1]
        notes.append(f"column {phased + 1} assumed to be phase: it jumps by a turn")
    elif len(unknown) > 1 and (not named or wrapped):
        numbers = ", ".join(str(c + 1) for c in unknown)
        seats = f"{table.label(unknown)} may be levels of {len(unknown)} seats"
        raise _give(
            f"level_column=({numbers})",
            f"{seats}, or level and phase or something else",
            f", or level_column={unknown[0] + 1} and phase_column={unknown[1] + 1}",
        )
    return unknown, phased, [*notes, f"levels assumed in {table.label(unknown)}"]


def _with_notes(table: _Table, columns: Columns) -> Columns:
    """Add notes on what was assumed and on the columns that are ignored."""
    used = {columns.frequency, *columns.levels, *columns.phases}
    used |= {*columns.imaginary, *columns.coherences}
    notes = list(columns.notes)
    if table.headings[columns.frequency].role != "frequency":
        notes.insert(0, f"frequencies assumed in {table.label([columns.frequency])}")
    for column, heading in enumerate(table.headings):
        if column not in used and (column in table.filled or heading.text):
            state = "ignored" + ": it holds no numbers" * (column not in table.filled)
            notes.append(f"{table.label([column])} {state}")
    return replace(columns, notes=tuple(notes))
