"""A room's measurements as plain text.

Conventions
-----------
Numbers come from `roomeq.jobs.check`; nothing is computed here.
"""

from __future__ import annotations

from roomeq.jobs.check import EquipmentRow, RoomOverview
from roomeq.optimiser.path.estimate import PathEstimate
from roomeq.report.text.joining import explanation_text, meeting_sentences
from roomeq.report.text.layout import bullet_list, paragraph, table
from roomeq.report.text.path import path_estimate_lines, path_lines
from roomeq.report.text.recordings import alarm_texts, detail_lines, recording_lines
from roomeq.report.text.summation import loss_text

__all__ = ["room_text"]

_SOURCES = {"sub": "the subwoofer alone", "both": "subwoofer and mains", "mains": "the mains"}
_VERDICTS = {
    "cancellation": "cancellation: leave it",
    "correctable": "can be mended",
    "unclear": "cannot be told",
}


def room_text(overview: RoomOverview, *, estimate: PathEstimate | None = None) -> str:
    """Return what a room's measurements hold as text.

    Parameters
    ----------
    overview : RoomOverview
    estimate : PathEstimate, optional
        Which low-passes are really engaged.

    Returns
    -------
    str
    """
    lines = [f"{overview.room}: measurements", ""]
    lines += [*_setup(overview), ""]
    if overview.sum_corner is not None and overview.sum_loss_db is not None:
        lines += [*paragraph(loss_text(overview.sum_corner, overview.sum_loss_db)), ""]
    if overview.path_analysis is not None:
        lines += [*path_lines(overview.path_analysis), ""]
    if estimate is not None:
        lines += [*path_estimate_lines(estimate, described=overview.path_analysis), ""]
    if overview.equipment is not None:
        lines += ["Amplifier and driver", *bullet_list(_equipment(overview.equipment)), ""]
    lines += [*_measurements(overview), ""]
    lines += [*_bands(overview), ""]
    if overview.dips:
        lines += [*_dips(overview), ""]
    found = [*alarm_texts(overview.recordings), *overview.findings, *_sum_findings(overview)]
    if overview.recordings:
        lines += [*recording_lines(overview.recordings), ""]
    if overview.detail is not None:
        lines += [*detail_lines(overview.detail), ""]
    if found:
        lines += ["Found: look at these first", *bullet_list(found), ""]
    else:
        lines += ["Found: nothing that looks wrong", ""]
    if overview.assumptions:
        lines += ["Taken for granted", *bullet_list(overview.assumptions), ""]
    if overview.notes:
        lines += ["What the readers did", *bullet_list(overview.notes), ""]
    return "\n".join(lines[:-1]) + "\n"


def _sum_findings(overview: RoomOverview) -> list[str]:
    """Say what is wrong with subwoofer and mains together, in the words of `join`."""
    found = meeting_sentences(overview.meeting)
    if overview.sum_explanation is not None and overview.sum_corner is not None:
        found.insert(0, explanation_text(overview.sum_explanation, overview.sum_corner))
    return found


def _setup(overview: RoomOverview) -> list[str]:
    entries = [f"Device: {overview.device}"]
    if overview.path_analysis is None:
        entries += [f"In the path: {filter_text}" for filter_text in overview.path]
    if overview.corner is not None:
        entries.append(f"Crossover corner: {overview.corner:.0f} Hz ({overview.corner_origin})")
    elif overview.corner_origin == "none":
        entries.append("No low-pass in the path, as stated")
    if overview.lower_limit is not None:
        estimate = " (an estimate, not stated)" if overview.lower_limit_estimated else ""
        entries.append(f"Subwoofer's own lower limit: {overview.lower_limit:.0f} Hz{estimate}")
    if overview.repeatability_db is not None:
        entries.append(f"Repeatability of a measurement: {overview.repeatability_db:.1f} dB")
    return bullet_list(entries)


def _equipment(row: EquipmentRow) -> list[str]:
    """Say what is stated of amplifier, load, driver and wanted level, and what is not."""
    entries, unknown = [], []

    def said(words: str | None, name: str) -> None:
        if words is None:
            unknown.append(name)
        else:
            entries.append(words)

    assumed = ", taken for 0.8 times nominal" if row.minimum_assumed else ""
    said(row.load and f"Load: {row.load}, at least {row.load_minimum_ohm:.2f} ohm{assumed}", "load")
    said(
        None
        if row.amplifier_minimum_ohm is None
        else f"Amplifier: {_rating_text(row)}no load below {row.amplifier_minimum_ohm:g} ohm",
        "amplifier",
    )
    said(
        None
        if row.measuring_voltage is None
        else f"While measuring: {row.measuring_voltage:g} V at {row.measuring_frequency:g} Hz",
        "voltage while measuring",
    )
    said(row.box and f"Box: {row.box}", "box")
    said(
        None
        if row.largest_displacement is None
        else f"Driver: may move {1000 * row.largest_displacement:g} mm one way",
        "driver",
    )
    said(row.output and f"Maximum output: {row.output}", "maximum output")
    said(
        "Distortion: told by the recorded sweep at the main seat" if row.distortion_known else None,
        "distortion",
    )
    high_pass = row.high_pass and row.high_pass.removeprefix("high-pass ")
    said(high_pass and f"Protective high-pass: {high_pass}", "protective high-pass")
    said(_wanted_text(row), "wanted level")
    return [*entries, f"Not known: {', '.join(unknown)}"] if unknown else entries


def _rating_text(row: EquipmentRow) -> str:
    if row.rated_voltage is None or row.rated_power_w is None:
        return ""
    return f"{row.rated_voltage:.1f} V, {row.rated_power_w:.0f} W into that load; "


def _wanted_text(row: EquipmentRow) -> str | None:
    if row.main_seat is None:
        return None
    levels = ", ".join(
        f"{level:g} dB SPL" + (f" at {label} Hz" if label else "") for label, level in row.wanted_db
    )
    away = "" if row.distance is None else f", {row.distance:g} m from the subwoofer"
    follows = "; the drive limit follows the headroom" if row.drive_limit == "headroom" else ""
    return f"Wanted: {levels} at seat {row.main_seat}{away}{follows}"


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
        f"20 to 80 Hz: variance between seats {overview.variation_between_seats_db2:.1f} dB^2 (no "
        "equaliser in front of all seats changes it), variance of their average "
        f"{overview.unevenness_of_average_db2:.1f} dB^2 (what of it is not the low-pass, the "
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
