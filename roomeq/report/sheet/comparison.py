"""Page 2 of the settings sheet for two or three plans: their evidence side by side.

Conventions
-----------
Numbers come from the plans; nothing is computed here. Every row has one cell for each plan, in
their order; what is the same in all of them is said once, at the head of the row. None stands where
a plan has no such band, seat or figure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from roomeq.optimiser.bands.reasons import BandSetting
from roomeq.plan.joining import JoiningSeatRow
from roomeq.plan.plan import Plan
from roomeq.plan.records import HeadroomRecord, SeatResult
from roomeq.report.sheet.evidence import (
    SharedText,
    bands_by_remedy,
    figure,
    headroom_cells,
    share,
)
from roomeq.report.sheet.steps import bands_side_by_side, judged_seats, side_by_side
from roomeq.report.text.headroom import LIMITS
from roomeq.report.text.layout import joined, signed

__all__ = ["MOST_SIDE_BY_SIDE", "Comparison", "sheet_comparison"]

MOST_SIDE_BY_SIDE = 3
_ARROW = " \N{RIGHTWARDS ARROW} "


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Evidence of several plans: a row for each band, seat and figure, a cell for each plan.

    Attributes
    ----------
    bands, seats, figures : mapping
        Rows by label, name and title.
    spread_shared, weights_shared : bool
        Whether the standard deviations between seats, and the weights of the seats, are the same in
        all plans; else they stand in the cells.
    remedies : tuple
        Bands that filters cannot mend with the plans they belong to, why, and what would.
    """

    bands: Mapping[str, tuple[BandSetting | None, ...]]
    spread_shared: bool
    seats: Mapping[str, tuple[SeatResult | JoiningSeatRow | None, ...]]
    weights_shared: bool
    figures: Mapping[str, tuple[str | None, ...]]
    remedies: tuple[tuple[tuple[SharedText, ...], str, str], ...]


def sheet_comparison(plans: Mapping[str, Plan]) -> Comparison:
    """Lay the evidence of several plans side by side.

    Parameters
    ----------
    plans : mapping of str to Plan

    Returns
    -------
    Comparison
    """
    listed = list(plans.values())
    bands = bands_side_by_side(listed)
    joins = any(plan.joining is not None for plan in listed)
    seats = side_by_side({row.seat: row for row in judged_seats(plan)} for plan in listed)
    return Comparison(
        bands=bands,
        spread_shared=all(
            len({figure(band.spread_db) for band in row if band}) == 1 for row in bands.values()
        ),
        seats=seats,
        weights_shared=all(
            len({f"{100 * seat.weight:.0f}" for seat in row if seat}) == 1 for row in seats.values()
        ),
        figures=side_by_side(_figures(plan, joins=joins) for plan in listed),
        remedies=_remedies(plans),
    )


def _remedies(
    plans: Mapping[str, Plan],
) -> tuple[tuple[tuple[SharedText, ...], str, str], ...]:
    found = {name: bands_by_remedy(plan) for name, plan in plans.items()}

    def named(cause: tuple[str, str], name: str) -> list[str]:
        bands = found[name].get(cause)
        return [f"{joined([band.label for band in bands])} Hz"] if bands else []

    causes = dict.fromkeys(cause for bands in found.values() for cause in bands)
    return tuple((share({name: named(cause, name) for name in plans}), *cause) for cause in causes)


def _figures(plan: Plan, *, joins: bool) -> dict[str, str]:
    """Return what `roomeq.report.text.plan.evidence_sentences` says, by title."""
    e = plan.evidence
    proof = "proven" if e.proven else "proof not finished"
    place = f"at {e.drive_boost_frequency:.0f} Hz, " if e.filter_boost_db > 0.1 else ""
    alone, with_mains = (", subwoofer alone", ", with the mains") if joins else ("", "")
    rows = {
        f"Least possible{alone}": f"{math.floor(100 * e.lower_bound_db) / 100:.2f} dB ({proof})",
        f"Best found; these settings{alone}": f"{e.best_deviation_db:.2f}; {e.deviation_db:.2f} dB",
        f"Average over seats, s.d.{alone}": (
            f"{e.average_sd_before_db:.1f}{_ARROW}{e.average_sd_after_db:.1f} dB"
        ),
        f"Largest excess at any seat{alone}": (
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
        title = f"With {factors} times the Q{with_mains if plan.joining else alone}"
        rows[title] = f"{'; '.join(f'{check.after_db:.1f}' for check in e.q_checks)} dB"
    return rows if plan.headroom is None else rows | _headroom(plan.headroom)


def _headroom(record: HeadroomRecord) -> dict[str, str]:
    first = record.headroom().first
    if first is None or first.limit is None or first.left_db is None:
        return {}
    _, _, watts, moved, left = headroom_cells(first)
    left = f"{-first.left_db:.1f} dB short" if first.left_db < -0.05 else f"{left} dB to spare"
    text = f"{first.label} Hz, {LIMITS[first.limit]}: {left}, {watts} W, {moved} mm"
    below = f"{record.quieter_db:.1f} dB below it, " if record.quieter_db >= 0.05 else ""
    return {"Runs out first at the wanted level": f"{below}{text}"}
