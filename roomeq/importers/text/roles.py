"""What the columns of a text export hold: frequency, levels, phase, coherence.

Conventions
-----------
Columns count from 0 here; messages and arguments count from 1. A column is what the caller says,
else what its heading says, else what its place and values leave as the only reading. Each level
column has the phase column that stands between it and the next level column, or, where levels
and phases stand in two groups, the one in the same place of its group.
"""

from __future__ import annotations

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

    def of_role(self, *roles: str, but: Collection[int | None] = ()) -> list[int]:
        """Return the columns with numbers that have one of some roles."""
        return [c for c in self.filled if self.headings[c].role in roles and c not in but]

    def label(self, columns: Sequence[int]) -> str:
        texts = {c: self.headings[c].text for c in columns}
        words = [f"{c + 1} ({text})" if text else f"{c + 1}" for c, text in texts.items()]
        return f"column{'s' if len(words) != 1 else ''} {', '.join(words)}"

    def unclear(self, message: str, columns: Sequence[int], *, give: str) -> AmbiguousTableError:
        """Return the error that columns can be read in more ways, and which argument settles it."""
        return AmbiguousTableError(f"{message} {self.label(columns)}", remedy=f"give {give}")


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
    columns = _responses(table, axis, chosen, phased)
    used = {axis, *columns.levels, *columns.phases, *columns.imaginary, *columns.coherences}
    notes = list(columns.notes)
    if heads[axis].role != "frequency":
        notes.insert(0, f"frequencies assumed in {table.label([axis])}")
    for column, heading in enumerate(heads):
        if column not in used and (column in filled or heading.text):
            why = "" if column in filled else ": it holds no numbers"
            notes.append(f"{table.label([column])} ignored{why}")
    return replace(columns, notes=tuple(notes))


def _picked(table: _Table, pick: Pick, argument: str) -> int:
    count = len(table.headings)
    names = [folded(heading.text) for heading in table.headings]
    if isinstance(pick, int):
        if isinstance(pick, bool) or pick < 1:
            raise ValueError(f"{argument} counts from 1, got {pick!r}")
        found = [pick - 1] if pick <= count else []
    else:
        wanted = folded(pick)
        fits = (
            [c for c, name in enumerate(names) if name == wanted],
            [c for c, name in enumerate(names) if name and wanted.startswith(f"{name} ")],
            [c for c, name in enumerate(names) if wanted in name],
        )
        found = next(filter(None, fits), [])
    if len(found) > 1:
        raise table.unclear(f"{argument} {pick!r} fits", found, give=f"{argument} as a number")
    if found:
        return found[0]
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


def _frequency_column(table: _Table, given: Sequence[int]) -> int:
    named = table.of_role("frequency", but=given)
    free = table.of_role("unknown", but=given)
    others = table.of_role("index", "other", but=given)
    if named:
        first, *again = (table.values[:, column] for column in named)
        if all(np.array_equal(first, values, equal_nan=True) for values in again):
            return named[0]
        raise table.unclear("frequencies differ in", named, give="frequency_column")
    if others and (not free or others[0] < free[0]):
        raise MeasurementFileError(
            f"no column is named frequency, and {table.label(others[:1])} counts the rows or is "
            "over time (an impulse response)",
            remedy="export the level over frequency, or give frequency_column",
        )
    if not free:
        levels = table.of_role("level", but=given)
        raise table.unclear("no column is named frequency, beside", levels, give="frequency_column")
    first = table.values[:, free[0]]
    if not _is_sorted(first):
        more = "frequency_column; or decimal and delimiter, if the numbers are cut wrongly"
        raise table.unclear("no frequencies rise or fall throughout in", free[:1], give=more)
    if len(free) > 1 and first[0] in (0.0, 1.0) and np.all(np.diff(first) == 1.0):
        second = table.values[:, free[1]]
        if _is_sorted(second) and np.nanmin(second) >= 0:
            either = f"frequency_column={free[0] + 1} or {free[1] + 1}"
            raise table.unclear("rows may be counted or frequencies be in", free[:2], give=either)
    return free[0]


def _responses(
    table: _Table, axis: int, chosen: Sequence[int] | None, phased: int | None
) -> Columns:
    used, notes, by_place, paired = (axis, phased), list[str](), False, True
    levels = _level_columns(table, used) if chosen is None else list(chosen)
    imaginary = list[int]()
    if not levels and phased is None:
        levels, imaginary = (table.of_role(role, but=used) for role in ("real", "imaginary"))
        paired = len(levels) == len(imaginary)
    if not levels and paired:
        by_place = True
        levels, phased, notes = _by_place(table, axis, phased)
    every = sorted({*levels, *table.of_role("level", but=used)})
    phases: Sequence[int] | None = () if phased is None else (phased,)
    if phased is None and not imaginary:
        phases = _partners(table, "phase", levels, every)
    if phases is None or len(phases) not in (0, len(levels)) or not paired:
        rest = [*levels, *imaginary, *table.of_role("phase", but=levels)]
        both = "level_column and phase_column"
        raise table.unclear(
            "levels and phases, or real and imaginary parts, do not pair up:", rest, give=both
        )
    coherences = None if by_place else _partners(table, "coherence", levels, every)
    return Columns(
        headings=table.headings,
        frequency=axis,
        levels=tuple(levels),
        phases=tuple(phases),
        imaginary=tuple(imaginary),
        coherences=tuple(coherences or ()),
        notes=tuple(notes),
    )


def _level_columns(table: _Table, used: Collection[int | None]) -> list[int]:
    """Return the columns whose headings say level; of one kind of unit."""
    named = table.of_role("level", but=used)
    primary = [c for c in named if not table.headings[c].secondary]
    if not primary and len(named) > 1:
        raise table.unclear("levels may be in", named, give="level_column")
    named = primary or named
    decibels = [c for c in named if (table.headings[c].unit or "dB").startswith("dB")]
    named = decibels or named
    if len({table.headings[c].unit for c in named} - {None}) > 1:
        raise table.unclear("levels have differing units in", named, give="level_column")
    return named


def _partners(
    table: _Table, role: str, levels: Sequence[int], every: Sequence[int]
) -> Sequence[int] | None:
    """Return the column of `role` that goes with each of `levels`; None if they do not pair up.

    `every` are all level columns, of which some may be asked for.
    """
    others = [column for column in table.of_role(role) if column not in every]
    if len(others) == len(every):
        return [others[every.index(level)] for level in levels]
    ends = (*every, len(table.headings))
    behind = [[c for c in others if level < c < ends[every.index(level) + 1]] for level in levels]
    if all(len(found) == 1 for found in behind):
        return [found[0] for found in behind]
    return None if others else ()


def _looks_like_phase(values: FloatArray) -> bool:
    """Return whether values jump by a turn and stay within one: wrapped phase in degrees."""
    finite = values[np.isfinite(values)]
    if not finite.size or finite.min() < -180.5 or finite.max() > 360.5 or np.ptp(finite) > 361.0:
        return False
    return bool(np.abs(np.diff(finite)).max(initial=0.0) > 270.0)


def _by_place(
    table: _Table, axis: int, phased: int | None
) -> tuple[list[int], int | None, list[str]]:
    """Return levels, phase and notes where headings do not tell, or there are none."""
    unknown, notes = table.of_role("unknown", but=(axis, phased)), list[str]()
    if not unknown:
        raise MeasurementFileError(
            "has no level column, or no numbers in it",
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
        both = f"level_column={unknown[0] + 1} and phase_column={unknown[1] + 1}"
        either = f"level_column=({numbers}), or {both}"
        raise table.unclear(
            "levels of several seats, or level and phase, may be in", unknown, give=either
        )
    return unknown, phased, [*notes, f"levels assumed in {table.label(unknown)}"]
