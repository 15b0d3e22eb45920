"""Page 2 of the settings sheet for two or three plans: their evidence side by side.

Conventions
-----------
Numbers come from the plans; nothing is computed here. Every row has one cell for each plan, in
their order; what is the same in all of them is said once, at the head of the row. A dash stands
where a plan has no such band or seat.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

from roomeq.plan.plan import Plan
from roomeq.report.sheet.evidence import (
    BandEvidence,
    PlanEvidence,
    SeatEvidence,
    SharedText,
    bands_by_remedy,
    share,
)
from roomeq.report.sheet.steps import joined, with_minus
from roomeq.report.text.layout import signed

__all__ = ["MOST_SIDE_BY_SIDE", "Comparison", "Row", "sheet_comparison"]

MOST_SIDE_BY_SIDE = 3
_ARROW = " \N{RIGHTWARDS ARROW} "


_Cell = TypeVar("_Cell")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row(Generic[_Cell]):
    """One row: its name, what is the same in all plans, and a cell for each plan."""

    name: str
    shared: str = ""
    cells: tuple[_Cell | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedRemedy:
    """Bands that filters cannot mend, with the plans they belong to; why, and what would."""

    bands: tuple[SharedText, ...]
    why: str
    would: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Evidence of several plans by band, seat, figure and remedy.

    Attributes
    ----------
    bands : tuple of Row of BandEvidence
        `shared` is the standard deviation between seats.
    spread_shared : bool
        Whether that standard deviation is the same in all plans; else it stands in the cells.
    seats : tuple of Row of SeatEvidence
        `shared` is the weight.
    weights_shared : bool
        Whether the weights are the same in all plans; else they stand in the cells.
    figures : tuple of Row of str
    remedies : tuple of SharedRemedy
    """

    bands: tuple[Row[BandEvidence], ...]
    spread_shared: bool
    seats: tuple[Row[SeatEvidence], ...]
    weights_shared: bool
    figures: tuple[Row[str], ...]
    remedies: tuple[SharedRemedy, ...]


def sheet_comparison(plans: Mapping[str, Plan], evidence: Mapping[str, PlanEvidence]) -> Comparison:
    """Lay the evidence of several plans side by side.

    Parameters
    ----------
    plans : mapping of str to Plan
    evidence : mapping of str to PlanEvidence
        Of the same plans, by the same names.

    Returns
    -------
    Comparison
    """
    found = [evidence[name] for name in plans]
    centres = {band.label: band.centre for plan in plans.values() for band in plan.bands}
    bands = [
        dict(zip((band.label for band in plan.bands), e.bands, strict=True))
        for plan, e in zip(plans.values(), found, strict=True)
    ]
    labels = sorted(centres, key=lambda label: centres[label])
    spreads = {label: {rows[label].spread for rows in bands if label in rows} for label in labels}
    seats = [{row.seat: row for row in e.seats} for e in found]
    names = list(dict.fromkeys(row.seat for e in found for row in e.seats))
    weights = {seat: {rows[seat].weight for rows in seats if seat in rows} for seat in names}
    return Comparison(
        bands=tuple(
            Row(
                name=f"{label}\N{NO-BREAK SPACE}Hz",
                shared=next(iter(spreads[label])),
                cells=tuple(rows.get(label) for rows in bands),
            )
            for label in labels
        ),
        spread_shared=all(len(values) == 1 for values in spreads.values()),
        seats=tuple(
            Row(
                name=seat,
                shared=next(iter(weights[seat])),
                cells=tuple(rows.get(seat) for rows in seats),
            )
            for seat in names
        ),
        weights_shared=all(len(values) == 1 for values in weights.values()),
        figures=_figures(list(plans.values())),
        remedies=_remedies(plans),
    )


def _remedies(plans: Mapping[str, Plan]) -> tuple[SharedRemedy, ...]:
    found = {name: bands_by_remedy(plan) for name, plan in plans.items()}
    causes = list(dict.fromkeys(cause for bands in found.values() for cause in bands))
    return tuple(
        SharedRemedy(
            bands=share(
                {
                    name: [f"{joined([band.label for band in bands[why, would]])} Hz"]
                    if (why, would) in bands
                    else []
                    for name, bands in found.items()
                }
            ),
            why=why,
            would=would,
        )
        for why, would in causes
    )


def _figures(plans: list[Plan]) -> tuple[Row[str], ...]:
    """Return what `roomeq.report.text.plan.evidence_sentences` says, as rows."""
    columns = [_figures_of(plan) for plan in plans]
    titles = list(dict.fromkeys(title for column in columns for title in column))
    return tuple(
        Row(name=title, cells=tuple(column.get(title) for column in columns)) for title in titles
    )


def _figures_of(plan: Plan) -> dict[str, str]:
    e = plan.evidence
    proof = "proven" if e.proven else "proof not finished"
    place = f"at {e.drive_boost_frequency:.0f} Hz, " if e.filter_boost_db > 0.1 else ""
    rows = {}
    if plan.joining is not None:
        before_db, after_db = plan.joining.judged
        rows["Sum with the mains"] = f"{before_db:.1f}{_ARROW}{after_db:.1f} dB"
    rows |= {
        "Least possible": f"{math.floor(100 * e.lower_bound_db) / 100:.2f} dB ({proof})",
        "Best found; these settings": f"{e.best_deviation_db:.2f}; {e.deviation_db:.2f} dB",
        "Average over seats, s.d.": (
            f"{e.average_sd_before_db:.1f}{_ARROW}{e.average_sd_after_db:.1f} dB"
        ),
        "Largest excess at any seat": (
            f"{signed(e.largest_excess_before_db)}{_ARROW}{signed(e.largest_excess_after_db)} dB"
        ),
        "Summed boost": f"{signed(e.filter_boost_db)} dB (limit {e.filter_boost_limit_db:g} dB)",
        "Drive, bands and level together": (
            f"{signed(e.drive_boost_db)} dB ({place}limit {round(e.drive_boost_limit_db, 1):g} dB)"
        ),
        "Power there; no boost below": f"{e.power_ratio:.1f} times; {e.no_boost_below:.0f} Hz",
    }
    if e.q_checks:
        factors = " and ".join(f"{check.factor:g}" for check in e.q_checks)
        rows[f"With {factors} times the Q"] = "; ".join(
            f"{check.before_db:.1f}{_ARROW}{check.after_db:.1f} dB" for check in e.q_checks
        )
    return {title: with_minus(text) for title, text in rows.items()}
