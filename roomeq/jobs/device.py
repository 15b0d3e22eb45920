"""What a device really does: responses with one thing or a few moved -> a profile.

Conventions
-----------
Settings and gains in dB, frequencies in Hz. Only the ratio to the flat response counts. Nothing is
written but by `write_measured_profile`.

The profile that states what was found of a device, what is assumed marked in it.

Settings and gains in dB, frequencies in Hz. What was not told stays as the profile has it that one
started from; the Q of bands that were not measured is assumed from those that were.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from os import PathLike, fspath

import msgspec
import numpy as np

from roomeq.analysis.device_fit import LEVEL, MovedResponse
from roomeq.base.record import Record
from roomeq.base.toml_lines import KeyPath
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.found_band import FoundBand, FoundSetting
from roomeq.device.profile import FilterChoice
from roomeq.importers.device_profile import (
    EqualiserTable,
    ProfileTables,
    QByGainTable,
    read_device,
    read_profile_tables,
    write_profile,
)
from roomeq.importers.text.export import read_one_response
from roomeq.jobs.measuring.findings import (
    FilterRow,
    MoveRow,
    filter_row,
    fit_described,
    move_row,
)

_SAME_LAW = 0.01
"""Chance below which one Q for all gains is ruled out."""
_SHARED = 1.5
"""By how much the noise of the flat response, which all share, raises the variance of what a boost
and a cut differ by."""
_ALIKE = 0.03
"""A Q that differs by less over all gains is one: half the goal and a little."""


def law_of(label: str, rows: Sequence[MoveRow]) -> str | None:
    """Return whether the Q of a band is "constant" or "follows" its gain.

    "assumed" where it is known at one magnitude of gain; None where at none.
    """
    from scipy.special import gammaincc

    own = [row for row in rows if row.label == label and "q" in row.told]
    if len({abs(row.setting_db) for row in own}) < 2:
        return "assumed" if own else None
    q, error = np.log([row.q or 1.0 for row in own]), np.array([row.q_error for row in own])
    left = (q - np.average(q, weights=error**-2.0)) / error
    chance = gammaincc(0.5 * (q.size - 1), 0.5 / _SHARED * float(left @ left))  # chi-squared
    return "follows" if chance < _SAME_LAW and np.ptp(q) > _ALIKE else "constant"


def measured_tables(
    tables: ProfileTables,
    rows: Sequence[MoveRow],
    filters: Sequence[FilterRow],
    *,
    follows: bool,
    name: str | None,
) -> ProfileTables:
    """Return the tables one started from with what was told put in."""
    level = tables.level
    turned = [row.gain_db / row.setting_db for row in rows if row.label == LEVEL and row.told]
    if level is not None and turned:
        real = _figures(level.step_db * float(np.median(turned)))
        level = msgspec.structs.replace(level, real_step_db=real)
    before = tables.note or tables.name
    return msgspec.structs.replace(
        tables,
        name=name or tables.name,
        note=f"Measured in part; what was not is marked as assumed. Made from: {before}",
        equaliser=_equaliser(tables.equaliser, rows, follows=follows),
        level=level,
        low_pass=_choice(tables.low_pass, [r for r in filters if r.kind == "low_pass"]),
        protection=_choice(tables.protection, [r for r in filters if r.kind == "high_pass"]),
    )


def _equaliser(table: EqualiserTable, rows: Sequence[MoveRow], *, follows: bool) -> EqualiserTable:
    found = {band.centre: band for band in table.found}
    told = [row for row in rows if row.told and row.label != LEVEL]
    for label in dict.fromkeys(row.label for row in told):
        own = [row for row in told if row.label == label]
        centre = min(table.centres, key=lambda one: abs(one - float(label)))
        found[centre] = FoundBand(
            centre=centre,
            measured_centre=_figures(own[0].centre or 0.0),
            settings=tuple(
                FoundSetting(
                    setting_db=row.setting_db,
                    gain_db=_figures(row.gain_db) if "gain" in row.told else None,
                    q=_figures(row.q or 0.0) if "q" in row.told else None,
                )
                for row in own
            ),
        )
    with_q = [band for band in found.values() if band.tells_q]
    return msgspec.structs.replace(
        table,
        found=tuple(found[centre] for centre in table.centres if centre in found),
        q_measured=table.q_measured or len(with_q) == len(table.centres),
        **_shared_q(
            [(abs(row.setting_db), row.q or 0.0) for row in told if "q" in row.told], follows
        ),
    )


def _shared_q(told: Sequence[tuple[float, float]], follows: bool) -> dict[str, object]:
    """Return the Q of bands that were not measured: the middle one of those that were."""
    if not told:
        return {}
    if not follows:
        return {"q": _figures(float(np.median([q for _, q in told]))), "q_by_gain": None}
    sizes = sorted({size for size, _ in told})
    middle = [_figures(float(np.median([q for s, q in told if s == size]))) for size in sizes]
    return {"q": None, "q_by_gain": QByGainTable(gain_db=tuple(sizes), q=tuple(middle))}


def _choice(known: FilterChoice | None, rows: Sequence[FilterRow]) -> FilterChoice | None:
    """Return what a filter offers with corners, family and order as they were told."""
    told = [row for row in rows if row.doubt is None]
    if not told:
        return known
    first, marks = told[0], {row.mark: _figures(row.corner) for row in told}
    alike = known is not None and known.family == first.family and first.order in known.orders
    return FilterChoice(
        family=first.family,
        orders=known.orders if known is not None and alike else (first.order,),
        corners=tuple(sorted(marks.get(c, c) for c in {*(known.corners if known else ()), *marks})),
        can_bypass=True,
    )


def _figures(value: float) -> float:
    """Return a value with four figures: the goals need no more."""
    return float(f"{value:.4g}")


def comments_of(
    tables: ProfileTables, rows: Sequence[MoveRow], filters: Sequence[FilterRow]
) -> dict[KeyPath, str]:
    """Return what is said in a profile above what was told and above what is assumed."""
    said: dict[KeyPath, str] = {}
    equaliser = tables.equaliser
    for index, band in enumerate(equaliser.found):
        own = [row for row in rows if row.told and row.label == f"{band.centre:g}"]
        if own:
            said["equaliser", "found", index] = "standard errors: " + "; ".join(
                f"at {row.setting_db:+g} dB centre {100 * (row.centre_error or 0):.2f} %, gain "
                f"{row.gain_error_db:.3f} dB, Q {100 * (row.q_error or 0):.1f} %"
                for row in own
            )
    known = {band.centre for band in equaliser.found if band.tells_q}
    assumed = ", ".join(f"{centre:g}" for centre in equaliser.centres if centre not in known)
    for key in ("q", "q_by_gain"):
        if assumed and not equaliser.q_measured:
            said["equaliser", key] = f"assumed, not measured: {assumed} Hz"
    for table, kind in (("low_pass", "low_pass"), ("protection", "high_pass")):
        told = [row for row in filters if row.kind == kind and row.doubt is None]
        if told:
            said[table,] = (
                "measured: "
                + ", ".join(f"{r.mark:g} is really {r.corner:.4g} Hz" for r in told)
                + "; other corners are assumed"
            )
    return said


Named = tuple[str, str | PathLike[str]]


class DeviceMeasurement(Record, frozen=True, kw_only=True):
    """What was found of a device.

    Attributes
    ----------
    device : str
        Name in the profile that one started from.
    rows : tuple of MoveRow
    filters : tuple of FilterRow
    laws : dict of str to str
        By band whose Q was told: "constant" or "follows" its gain, by two gains or more; "assumed"
        by one.
    offsets_db : dict of str to float
        Levels that differed by more than what was moved, by response; taken out.
    misfits : tuple of str
        Responses that the bands moved do not describe.
    profile : ProfileTables
    """

    device: str
    rows: tuple[MoveRow, ...]
    filters: tuple[FilterRow, ...]
    laws: dict[str, str]
    offsets_db: dict[str, float]
    misfits: tuple[str, ...]
    profile: ProfileTables

    @property
    def all_told(self) -> bool:
        """Whether everything that was moved could be told."""
        return not any(one.doubt for one in self.rows) and not any(f.doubt for f in self.filters)

    @property
    def any_told(self) -> bool:
        """Whether anything that was moved could be told."""
        return any(one.told for one in self.rows) or any(not f.doubt for f in self.filters)


def measure_device(
    flat: str | PathLike[str],
    moved: Sequence[Named] = (),
    *,
    low_pass: Sequence[Named] = (),
    high_pass: Sequence[Named] = (),
    base: str | PathLike[str] = "nine_band",
    name: str | None = None,
) -> DeviceMeasurement:
    """Tell what a device does from responses with one thing or a few moved.

    Parameters
    ----------
    flat : path-like
        Response with all bands at 0 and the filters off: at the terminals, or by a microphone close
        to the cone that stays where it is.
    moved : sequence of (str, path-like)
        What was moved, and the response: ``"40:-6"``, ``"40:-6,63:+3"``, ``"level:-10"`` (change of
        the level knob).
    low_pass, high_pass : sequence of (str, path-like)
        The corner as the device calls it, and the response with that filter on.
    base : str or path-like
        Profile that says which bands there are, and what is not measured.
    name : str, optional
        Of the device.

    Returns
    -------
    DeviceMeasurement

    Raises
    ------
    ValueError
        If what was moved is not understood or is none of the device's, or a response is too coarse.
    MeasurementFileError, DeviceProfileError
        If a file cannot be read.
    """
    if not (moved or low_pass or high_pass):
        raise ValueError("nothing was moved: give --moved, --low-pass or --high-pass with a file")
    device, tables = read_device(base), read_profile_tables(base)
    equaliser = device.equaliser
    if equaliser.shapes is not None:
        raise ValueError(f"{fspath(base)} holds measured shapes: start from another profile")
    against = read_one_response(flat, named_in="roomeq device")

    def ratio(path: str | PathLike[str], moves: Sequence[tuple[str, float]] = ()) -> MovedResponse:
        response = read_one_response(path, named_in="roomeq device")
        return MovedResponse.of(against, response, name=fspath(path), moves=moves)

    responses = [ratio(path, _moves(spec, equaliser)) for spec, path in moved]
    if len({one.name for one in responses}) < len(responses):
        raise ValueError("a response is given twice")
    filters = [filter_row(ratio(path), "low_pass", mark) for mark, path in low_pass]
    filters += [filter_row(ratio(path), "high_pass", mark) for mark, path in high_pass]
    centres = {band.label: band.nominal for band in equaliser.bands}
    fit, misfits = fit_described(responses, centres)
    names = [*equaliser.labels, LEVEL]
    moves = {move for one in responses for move in one.moves}
    rows = [
        move_row(fit, responses, misfits, centres, move)
        for move in sorted(moves, key=lambda move: (names.index(move[0]), move[1]))
    ]
    laws = {label: law for label in names if (law := law_of(label, rows))}
    follows = "follows" in laws.values()
    return DeviceMeasurement(
        device=device.name,
        rows=tuple(rows),
        filters=tuple(filters),
        laws=laws,
        offsets_db=fit.offsets_db,
        misfits=misfits,
        profile=measured_tables(tables, rows, filters, follows=follows, name=name),
    )


def write_measured_profile(found: DeviceMeasurement, path: str | PathLike[str]) -> None:
    """Write the profile of a measured device; raises as `write_profile`."""
    comments = comments_of(found.profile, found.rows, found.filters)
    write_profile(found.profile, path, comments=comments)


def _moves(spec: str, equaliser: FixedBandEqualiser) -> list[tuple[str, float]]:
    """Return labels and settings of what was moved.

    Raises
    ------
    ValueError
        If it is not understood, names no band, one twice, or a setting that the device has not.
    """
    found: dict[str, float] = {}
    for part in spec.split(","):
        name, _, gain = part.strip().partition(":")
        try:
            setting = float(gain)
        except ValueError:
            setting = math.nan
        if not (math.isfinite(setting) and setting):
            raise ValueError(
                f"--moved {spec}: {part.strip()!r} needs a band and a gain other than 0, as in "
                "40:-6 or 40:-6,63:+3"
            )
        label = LEVEL if name == LEVEL else equaliser.labels[equaliser.index_of(name)]
        if label in found:
            raise ValueError(f"--moved {spec}: {label} is given twice")
        if label != LEVEL and not np.min(np.abs(equaliser.gain_grid_db - setting)) < 1e-6:
            raise ValueError(
                f"--moved {spec}: {label} Hz takes {equaliser.lowest_db:g} to "
                f"{equaliser.highest_db:g} dB in steps of {equaliser.step_db:g} dB by the profile "
                "that one starts from (--device)"
            )
        found[label] = setting
    return list(found.items())
