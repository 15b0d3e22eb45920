"""Values of a text export that cannot be: levels beyond reason, marks for none, no phases.

Conventions
-----------
Levels in dB, phases as they came; lines count from 1. Deep, narrow dips are what rooms do, and are
never refused; nor are levels near 0 dB, which relative files have.

The frequency axis of a text export made clean: which rows stay, and in which order.

Rows without a number that is needed are dropped and counted; so is the row at 0 Hz. What remains
must rise or fall throughout; falling rows are turned round. A frequency twice is a fault unless
the whole rows are alike.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from roomeq.base.errors import MeasurementFileError
from roomeq.base.levels import FloatArray
from roomeq.importers.text.layout import IndexArray, Table
from roomeq.importers.text.units import Column, PhaseUnit, phase_in_deg

_BEYOND_DB = 300.0
"""No level and no ratio of a sound lies beyond this (common practice, no source)."""

_SPIKE_DB = 12.0
"""In 4731 clean responses with noise floor the largest excess was 10.6 dB. Where rows differ much
from one to the next anyway, a spike has to be four times what nine in ten steps are."""
_REACH = 4  # rows on either side that a spike of up to three rows stands out from

_FALL_DB = 25.0
"""A fall by at least this, within one row, to a whole number twice, to any number three times, or
to just 0 is a mark for "no value"; nulls of 1500 clean responses fell by up to 50 dB, twice to the
same number in one of them, and to no whole one."""

_RARE = 0.2  # share of the rows beyond which a number is a level, of a plateau

_HIGHEST = 400.0
_LOWEST, _HIGHEST_BASS = 16.0, 160.0
_JUMP_DB, _JUMP_RATIO, _CLOSE_OCTAVES = 8.0, 6.0, 1.0 / 24.0
"""Seen in 0 of 1213 clean responses; a shift by 10 and 20 dB from one row on in 47 and 74 of 100:
where a room is rough it looks like a null's flank."""
_FROZEN = 15  # common practice, no source
_HOLE_OCTAVES, _HOLE_STEPS = 1.0 / 6.0, 6.0  # common practice, no source
_BEYOND_DEG = 1e7
_WRAPPED_DEG, _STRAY_DEG = 360.5, 720.0

_GAP = 2.0
"""Hz between the rows on either side of missing phases. In 1680 gaps of 40 rooms the phase between
them was off by at most a tenth of the mean pressure nearby in 95 %, by 0.3 in 0.4 %; at 3 Hz in
2.3 %."""


def refuse_impossible_levels(frequencies: FloatArray, level_db: FloatArray, column: Column) -> None:
    """Refuse levels that no measurement gives, and a table in which rows are missing.

    Parameters
    ----------
    frequencies : ndarray, shape (N,)
        Hz, rising. Beyond 400 Hz, where a subwoofer leaves noise, only the first rule holds.
    level_db : ndarray, shape (N,)
        dB.
    column : Column
        Where they stand.

    Raises
    ------
    MeasurementFileError
        If two rows from 16 to 160 Hz lie over a sixth of an octave apart, and over six times as far
        as the rows near them; a level is that of silence or lies beyond 300 dB either way; up to
        three rows stand far above all near them, levels fall to the same number again and again,
        jump from one smooth run to another, or stand still between others that do not.
    """
    for found, said in _impossible(frequencies, level_db):
        if found.size:
            lines = column.lines[found]
            others = f" (and lines {', '.join(map(str, lines[1:6]))})" * (found.size > 1)
            raise MeasurementFileError(
                f"{said.format(level_db[found[0]])}{others}",
                line=int(lines[0]),
                where=column.where,
                remedy="correct it or export again; leave cells empty where nothing was measured",
            )


def _impossible(frequencies: FloatArray, level_db: FloatArray) -> Iterator[tuple[IndexArray, str]]:
    """Yield where levels break a rule, and words for the first; rule after rule."""
    yield from _holes(frequencies)
    yield np.flatnonzero(np.isneginf(level_db)), "a magnitude of zero has no level"
    yield np.flatnonzero(np.abs(level_db) > _BEYOND_DB), "{:g} dB is no level"
    used = level_db[: np.searchsorted(frequencies, _HIGHEST)]
    if used.size > 2 * _REACH:
        yield _spikes(used), "{:g} dB is far above all rows near it"
        yield _marks(used), "{:g} dB is a mark for 'no value' rather than a level"
    jump = "{:g} dB is a jump from the row above, smooth on both sides"
    yield _jumps(frequencies, level_db), jump
    yield _frozen(frequencies, level_db), f"{{:g}} dB is the same in {_FROZEN} rows and more"


def _spikes(level_db: FloatArray) -> IndexArray:
    """Return where up to three rows stand out from those near them; never the outermost row."""
    steps, found = np.abs(np.diff(level_db)), set[int]()
    if steps.max() <= _SPIKE_DB:
        return np.array([], dtype=np.int64)
    padded = np.pad(level_db, _REACH, constant_values=-np.inf)
    least = max(_SPIKE_DB, 4.0 * float(np.quantile(steps, 0.9)))
    for width in (1, 2, 3):
        near = sliding_window_view(padded, 2 * _REACH + width)
        inner = near[:, _REACH : _REACH + width].min(axis=1)
        outer = np.delete(near, range(_REACH, _REACH + width), axis=1).max(axis=1)
        above = np.flatnonzero(inner - outer > least)
        found |= set(above[(above > 0) & (above < level_db.size - width)].tolist())
    return np.array(sorted(found), dtype=np.int64)


def _marks(level_db: FloatArray) -> IndexArray:
    """Return where levels fall, within a row, to a number that stands for none."""
    steps = np.diff(level_db)
    falls = np.append(False, steps < -_FALL_DB)
    rises = np.append(steps > _FALL_DB, False)
    low = np.flatnonzero(falls | rises)
    if not low.size:
        return low
    values, times = np.unique(level_db[low], return_counts=True)
    again = np.append(False, steps == 0) | np.append(steps == 0, False)
    again |= np.isin(level_db, values[times > 1]) | ((level_db == 0) & falls & rises)
    again &= level_db == np.round(level_db)
    every, share = np.unique(level_db, return_counts=True)
    rare = np.isin(level_db, every[share < _RARE * level_db.size])
    return np.asarray(low[(rare & (again | np.isin(level_db, values[times > 2])))[low]])


def _jumps(frequencies: FloatArray, level_db: FloatArray) -> IndexArray:
    """Return where all that follows is shifted, in the bass, where rows stand close."""
    steps = np.abs(np.diff(level_db))
    inside = (frequencies[1:] > _LOWEST) & (frequencies[:-1] < _HIGHEST_BASS)
    close = np.diff(np.log2(frequencies)) < _CLOSE_OCTAVES
    close &= steps[::-1].cumsum()[::-1] - steps > 0  # one level to the end may be a floor
    places = np.flatnonzero(inside & close & (steps >= _JUMP_DB))
    near = sliding_window_view(np.pad(steps, _REACH, constant_values=np.inf), 2 * _REACH + 1)
    quiet = np.delete(near[places], _REACH, axis=1).max(axis=1)
    return np.asarray(places[quiet * _JUMP_RATIO <= steps[places]] + 1)


def _frozen(frequencies: FloatArray, level_db: FloatArray) -> IndexArray:
    """Return the first row of a run of equal levels in the bass, where few others are equal.

    A run that begins or ends the file is none: it may be a floor.
    """
    still = np.diff(level_db) == 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]])))
    start, stop = edges.reshape(-1, 2).T
    inside = (start > 0) & (stop < still.size)
    inside &= (frequencies[start] > _LOWEST) & (frequencies[start] < _HIGHEST_BASS)
    length = stop - start
    alone = still.sum() - length < 0.1 * still.size
    return np.asarray(start[inside & alone & (length >= _FROZEN - 1)])


def _holes(frequencies: FloatArray) -> Iterator[tuple[IndexArray, str]]:
    """Yield the first row behind missing ones, between which all would be invented, and words."""
    steps = np.diff(np.log2(frequencies))
    if steps.size <= 2 * _REACH:
        return
    inside = (frequencies[1:] > _LOWEST) & (frequencies[:-1] < _HIGHEST_BASS)
    inside &= steps > _HOLE_OCTAVES
    if not inside.any():
        return
    near = np.median(sliding_window_view(np.pad(steps, _REACH, mode="reflect"), 2 * _REACH + 1), -1)
    for place in np.flatnonzero(inside & (steps > _HOLE_STEPS * near))[:1]:
        first, last = frequencies[place : place + 2]
        yield (
            np.array([place + 1]),
            f"no rows between {first:.4g} and {last:.4g} Hz, where rows near by stand "
            f"{first * (2 ** near[place] - 1):.2g} Hz apart",
        )


def usable_phase_deg(
    frequencies: FloatArray, column: Column, unit: PhaseUnit | None, notes: list[str]
) -> FloatArray | None:
    """Return phases in degrees, those missing in short gaps taken from both sides; note it.

    Parameters
    ----------
    frequencies : ndarray, shape (N,)
        Hz, rising.
    column : Column
        Degrees or radians; nan where a row has none.
    unit : {"deg", "rad"}, optional
        Unit, where the caller knows.
    notes : list of str
        What is assumed or done without is added.

    Returns
    -------
    ndarray, shape (N,), or None
        None where these are no phases, or a gap at an end or between rows more than 2 Hz apart is
        left: a resonance may hide in it.
    """
    if fault := _phase_fault(column):
        notes.append(f"{column.where}: {fault}: done without phase")
        return None
    phase_deg = phase_in_deg(column, unit=unit, notes=notes)
    absent = np.isnan(phase_deg)
    near, known = frequencies[absent], frequencies[~absent]
    after = np.searchsorted(known, near)
    padded = np.concatenate([[-np.inf], known, [np.inf]])
    wide = padded[after + 1] - padded[after] > _GAP
    lines = column.lines[absent][wide if wide.any() else slice(None)]
    listed = ", ".join(map(str, lines[:5])) + " ..." * (lines.size > 5)
    note = f"{column.where}: no phase in line {listed}"
    if wide.any():
        notes.append(f"{note} (delete such rows to have it elsewhere): done without phase")
        return None
    if absent.any():
        notes.append(f"{note}: taken from the rows on either side")
        phase_deg = phase_deg.copy()
        phase_deg[absent] = np.interp(near, known, np.unwrap(phase_deg[~absent], period=360.0))
    return phase_deg


def _phase_fault(column: Column) -> str:
    """Return why a column holds no usable phase, in words; empty where it does."""
    known = np.flatnonzero(~np.isnan(column.values))
    phases = column.values[known]
    if not phases.size:
        return "no phase in any row"
    if phases.size > 2 and np.ptp(phases) == 0:
        return f"{phases[0] + 0.0:g} in every row is no phase"
    sizes = np.abs(phases)
    worst = int(np.argmax(sizes))
    stray = sizes[worst] > _STRAY_DEG and np.mean(sizes <= _WRAPPED_DEG) > 0.95
    if sizes[worst] > _BEYOND_DEG or stray:
        return f"{phases[worst]:g} in line {column.lines[known[worst]]} is no phase"
    return ""


_EDGE = 3  # rows that a preamble or footer may add


def clean_rows(
    table: Table, axis: FloatArray, numbers: FloatArray, *, has_heading: bool, notes: list[str]
) -> IndexArray:
    """Return the indices of the rows of a table that make the response, ascending.

    Parameters
    ----------
    table : Table
        The table.
    axis : ndarray, shape (N,)
        Its frequencies.
    numbers : ndarray, shape (N, C)
        What a row must have.
    has_heading : bool
        Whether headings stand above the first row, so that no row of preamble can follow them.
    notes : list of str
        What is left out is added.

    Raises
    ------
    MeasurementFileError
        If a frequency is negative, out of order, or twice with differing values; or fewer than two
        rows remain.
    """
    rows = np.flatnonzero(np.isfinite(axis))
    own_part = _own_part(table, axis, rows, has_heading=has_heading)
    own, foreign = rows[own_part], np.delete(rows, own_part)
    if foreign.size:
        notes.append(f"numbers outside the table ignored ({table.listed(foreign)})")
    _refuse_disorder(table, axis, own)
    rows = own[axis[own] != 0]
    if rows.size < own.size:
        notes.append("row at 0 Hz dropped")
    whole = np.asarray(np.isfinite(numbers).all(axis=1))
    if gone := sorted([*np.flatnonzero(~np.isfinite(axis)), *rows[~whole[rows]]]):
        count = f"{len(gone)} row{'s' if len(gone) > 1 else ''}"
        notes.append(f"{count} without a number dropped ({table.listed(gone)})")
    rows = rows[whole[rows]]
    if rows.size > 1 and axis[rows[0]] > axis[rows[-1]]:
        notes.append("sorted from descending to ascending frequency")
        rows = rows[::-1]
    again = np.flatnonzero(np.diff(axis[rows]) == 0) + 1
    for place in again:
        first, second = sorted(rows[place - 1 : place + 1])
        if (numbers[first] != numbers[second]).any():
            line = table.line_numbers[first]
            raise table.fault(
                second,
                f"frequency {axis[second]:g} stands in line {line} too, with other values",
                remedy="delete one of the two, or export frequencies with more digits",
            )
    if again.size:
        plural = "s" if again.size > 1 else ""
        notes.append(f"{again.size} repeated row{plural} dropped (the same numbers)")
    rows = np.delete(rows, again)
    if rows.size < 2:
        raise MeasurementFileError(
            f"only {rows.size} row{'' if rows.size == 1 else 's'} of usable numbers",
            remedy="export frequency and level as columns, with at least two rows",
        )
    return rows


def _turned(values: FloatArray) -> FloatArray:
    """Return the steps of an axis, positive where they follow its direction."""
    steps = np.diff(values)
    return steps if np.sign(steps).sum() >= 0 else -steps


def _own_part(table: Table, axis: FloatArray, rows: IndexArray, *, has_heading: bool) -> slice:
    """Return which rows to keep: those at the ends may belong to a preamble or footer."""
    if rows.size < 5:
        return slice(0, rows.size)
    back = np.flatnonzero(_turned(axis[rows]) < 0)
    start, stop, early = 0, rows.size, back[back < _EDGE]
    if not has_heading:
        start = early[-1] + 1 if early.size else int(_first_is_foreign(table, axis[rows]))
    late = back[back >= rows.size - 1 - _EDGE]
    if late.size and late[0] + 1 - start >= 4:
        before, after = table.line_numbers[rows[late[0] : late[0] + 2]]
        stop = late[0] + 1 if after - before > 1 else stop
    return slice(start, stop)


def _first_is_foreign(table: Table, axis: FloatArray) -> bool:
    """Return whether a first row stands out: whole numbers among decimals, and a leap after it."""
    mark = table.shape.decimal
    first, *others = table.rows[:6]
    cells = [cell for line in others for cell in table.shape.split(line)]
    if mark in first or min(axis[:4]) <= 0 or not all(mark in cell for cell in cells):
        return False
    gaps, ratios = np.abs(np.diff(axis[:4])), np.abs(np.diff(np.log(axis[:4])))
    return bool(gaps[0] > 2.0 * gaps[1:].max() and ratios[0] > 3.0 * ratios[1:].max())


def _refuse_disorder(table: Table, axis: FloatArray, rows: IndexArray) -> None:
    values, remedy = axis[rows], "sort the rows by frequency, or give frequency_column"
    if (values < 0).any():
        row = rows[np.argmax(values < 0)]
        raise table.fault(row, f"{axis[row]:g} is no frequency", remedy=remedy)
    back = _turned(values) < 0
    if back.any():
        before, row = rows[np.argmax(back) :][:2]
        said = f"frequency {axis[row]:g} comes after {axis[before]:g}: neither rising nor falling"
        raise table.fault(row, f"{said} throughout", remedy=remedy)
