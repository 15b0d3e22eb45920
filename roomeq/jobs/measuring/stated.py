"""The profile that states what was found of a device, what is assumed marked in it.

Conventions
-----------
Settings and gains in dB, frequencies in Hz. What was not told stays as the profile has it that one
started from; the Q of bands that were not measured is assumed from those that were.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np

from roomeq.analysis.device_fit import LEVEL
from roomeq.base.toml_lines import KeyPath
from roomeq.device.found_band import FoundBand, FoundSetting
from roomeq.device.profile import FilterChoice
from roomeq.importers.device_profile import EqualiserTable, ProfileTables, QByGainTable
from roomeq.jobs.measuring.findings import FilterRow, MoveRow

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
