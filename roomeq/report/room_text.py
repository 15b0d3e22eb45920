"""A room's measurements as plain text.

Conventions
-----------
Numbers come from `roomeq.overview`; nothing is computed here.
"""

from __future__ import annotations

from roomeq.overview import RoomOverview
from roomeq.report.layout import bullet_list, paragraph, table

__all__ = ["room_text"]

_SOURCES = {"sub": "the subwoofer alone", "both": "subwoofer and mains", "mains": "the mains"}
_VERDICTS = {
    "cancellation": "cancellation: leave it",
    "correctable": "can be mended",
    "unclear": "cannot be told",
}


def room_text(overview: RoomOverview) -> str:
    """Return what a room's measurements hold as text."""
    lines = [f"{overview.room}: measurements", ""]
    lines += [*_setup(overview), ""]
    lines += [*_measurements(overview), ""]
    lines += [*_bands(overview), ""]
    if overview.dips:
        lines += [*_dips(overview), ""]
    if overview.findings:
        lines += ["Found: look at these first", *bullet_list(overview.findings), ""]
    else:
        lines += ["Found: nothing that looks wrong", ""]
    if overview.assumptions:
        lines += ["Taken for granted", *bullet_list(overview.assumptions), ""]
    if overview.notes:
        lines += ["What the readers did", *bullet_list(overview.notes), ""]
    return "\n".join(lines[:-1]) + "\n"


def _setup(overview: RoomOverview) -> list[str]:
    entries = [f"Device: {overview.device}"]
    entries += [f"In the path: {filter_text}" for filter_text in overview.path]
    if overview.corner is not None:
        entries.append(f"Crossover corner: {overview.corner:.0f} Hz ({overview.corner_origin})")
    if overview.lower_limit is not None:
        entries.append(f"Subwoofer's own lower limit: {overview.lower_limit:.0f} Hz")
    if overview.repeatability_db is not None:
        entries.append(f"Repeatability of a measurement: {overview.repeatability_db:.1f} dB")
    return bullet_list(entries)


def _measurements(overview: RoomOverview) -> list[str]:
    rows = [
        [
            row.seat,
            row.source,
            "bands" if row.resolution == "third_octave" else str(row.points),
            f"{row.lowest:.0f} to {row.highest:.0f}",
            "yes" if row.has_phase else "no",
            "dB SPL" if row.level_reference == "spl" else "relative",
            row.file or "",
        ]
        for row in overview.measurements
    ]
    titles = ["Seat", "Source", ">Points", ">Hz", "Phase", "Level", "File"]
    return ["What was measured", *table(titles, rows)]


def _bands(overview: RoomOverview) -> list[str]:
    rows = [
        [
            f"{row.label} Hz",
            f"{row.power_mean_db:.1f}",
            f"{row.level_mean_db:.1f}",
            f"{row.spread_db:.1f}",
            f"{row.range_db:.1f}",
            row.loudest,
            row.quietest,
        ]
        for row in overview.bands
    ]
    titles = [">Band", ">Power mean dB", ">Level mean dB", ">S.d. dB", ">Range dB"]
    lines = [
        f"What the seats share and where they differ, {_SOURCES[overview.source]}",
        *table([*titles, "Loudest", "Quietest"], rows),
    ]
    if not overview.levels_comparable:
        lines += paragraph("One level offset per seat was removed first.", indent=2)
    lines += paragraph(
        f"20 to 80 Hz: variance between seats {overview.variation_between_seats_db2:.1f} dB² (no "
        "equaliser in front of all seats changes it), variance of their average "
        f"{overview.unevenness_of_average_db2:.1f} dB² (what of it is not the low-pass, the "
        "subwoofer's own limit or the wanted shape, band gains can mend).",
        indent=2,
    )
    if overview.odd_seat is not None:
        lines += paragraph(
            f"Seat {overview.odd_seat} differs from the rest by "
            f"{overview.odd_seat_distance_db or 0:.1f} dB (r.m.s.).",
            indent=2,
        )
    return lines


def _dips(overview: RoomOverview) -> list[str]:
    everywhere = len({row.seat for row in overview.measurements})
    rows = [
        [
            f"{dip.frequency:.0f} Hz",
            f"{dip.depth_db:.0f}",
            f"{dip.width_octaves:.2f}",
            "all" if len(dip.seats) == everywhere else ", ".join(dip.seats),
            _VERDICTS[dip.verdict],
            ", ".join(code.replace("_", " ") for code in dip.evidence),
        ]
        for dip in overview.dips
    ]
    titles = [">Dip", ">Depth dB", ">Octaves", "Seats", "Verdict", "Evidence"]
    return ["Dips of 6 dB and more", *table(titles, rows)]
