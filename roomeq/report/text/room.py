"""A room's measurements as plain text.

Conventions
-----------
Numbers come from `roomeq.jobs.check`; nothing is computed here.
"""

from __future__ import annotations

import math

from roomeq.jobs.check import EquipmentRow, RoomOverview
from roomeq.optimiser.path.estimate import PathEstimate
from roomeq.report.text.joining import explanation_text, loss_text, meeting_sentences
from roomeq.report.text.layout import bullets, columns, listed, paragraph, table, text_of
from roomeq.report.text.path import contradiction_texts, path_parts
from roomeq.report.text.recordings import alarm_texts, detail_lines, recording_lines
from roomeq.report.text.several import together_lines
from roomeq.report.text.wording import SOURCES

_VERDICTS = {
    "cancellation": "cancellation: leave it",
    "correctable": "can be mended",
    "unclear": "cannot be told",
}
_LATE = (
    "Excess group delay: sound comes later there than the level explains, as where sounds cancel; "
    "minimum phase: it does not."
)


def room_text(
    overview: RoomOverview, *, estimate: PathEstimate | None = None, detail: bool = False
) -> str:
    """Return what a room's measurements hold as text.

    Parameters
    ----------
    overview : RoomOverview
    estimate : PathEstimate, optional
        Which low-passes are really engaged.
    detail : bool
        Whether to tell as well what each answer rests on, and what was done to single files.

    Returns
    -------
    str
    """
    path, corner = overview.path_analysis, overview.sum_corner
    found = [*alarm_texts(overview.recordings), *overview.findings]
    places = ", ".join(overview.places)
    if overview.sum_explanation is not None and corner is not None:
        found.append(explanation_text(overview.sum_explanation, corner))
    found += meeting_sentences(overview.meeting)
    if estimate is not None:
        found += contradiction_texts(estimate)
    of_path, blocks = path_parts(path, estimate, detail=detail)
    parts = [
        paragraph(f"{overview.room}: measurements"),
        listed("Found: look at these first", found) or ["Found: nothing that looks wrong"],
        bullets([*_setup(overview), *of_path]),
        *blocks,
        listed("Amplifier and driver", _equipment(overview.equipment)),
        _measurements(overview, detail=detail) if detail or not overview.recordings else [],
        recording_lines(overview.recordings, detail=detail),
        _bands(overview, detail=detail),
        together_lines(overview) if overview.together else [],
        paragraph(f"Tried: {places}; roomeq places tells which is best.") if places else [],
        _dips(overview, detail=detail) if overview.dips else [],
        [] if overview.detail is None else detail_lines(overview.detail),
        listed("Taken for granted", overview.assumptions),
        _notes(overview, detail=detail),
    ]
    return text_of(parts)


def _notes(overview: RoomOverview, *, detail: bool) -> list[str]:
    """Return what the readers did, in detail; else how much that was."""
    title, count = "What the readers did", len(overview.notes)
    if detail or not count:
        return listed(title, overview.notes)
    return [f"{title}: {count} note{'s' if count > 1 else ''}, see --detail"]


def _setup(overview: RoomOverview) -> list[str]:
    entries, corner, loss_db = (
        [f"Device: {overview.device}"],
        overview.sum_corner,
        overview.sum_loss_db,
    )
    if overview.path_analysis is None:
        entries += [f"In the path: {filter_text}" for filter_text in overview.path]
    if overview.corner is not None and overview.corner_origin != "path":
        entries.append(f"Crossover corner: {overview.corner:.0f} Hz ({overview.corner_origin})")
    elif overview.corner_origin == "none":
        entries.append("No low-pass in the path, as stated")
    if overview.lower_limit is not None:
        estimate = " (an estimate, not stated)" if overview.lower_limit_estimated else ""
        entries.append(f"Subwoofer's own lower limit: {overview.lower_limit:.0f} Hz{estimate}")
    if overview.repeatability_db is not None:
        entries.append(f"Repeatability of a measurement: {overview.repeatability_db:.1f} dB")
    if corner is not None and loss_db is not None:
        entries.append(loss_text(corner, loss_db))
    return entries


def _equipment(row: EquipmentRow | None) -> list[str]:
    """Say what is stated of amplifier, load, driver and wanted level, and what is not."""
    if row is None:
        return []
    assumed = ", taken for 0.8 times nominal" if row.minimum_assumed else ""
    ohm, voltage, moves = row.amplifier_minimum_ohm, row.measuring_voltage, row.largest_displacement
    high_pass = row.high_pass and row.high_pass.removeprefix("high-pass ")
    played = (
        f"While measuring: {voltage:g} V at {row.measuring_frequency:g} Hz" if voltage else None
    )
    told = {
        "load": row.load and f"Load: {row.load}, at least {row.load_minimum_ohm:.2f} ohm{assumed}",
        "amplifier": ohm and f"Amplifier: {_rating_text(row)}no load below {ohm:g} ohm",
        "voltage while measuring": played,
        "box": row.box and f"Box: {row.box}",
        "driver": moves and f"Driver: may move {1000 * moves:g} mm one way",
        "maximum output": row.output and f"Maximum output: {row.output}",
        "distortion": row.distortion_known
        and "Distortion: told by the recorded sweep at the main seat",
        "protective high-pass": high_pass and f"Protective high-pass: {high_pass}",
        "wanted level": row.main_seat and _wanted_text(row),
    }
    unknown = ", ".join(name for name, words in told.items() if not words)
    entries = [str(words) for words in told.values() if words]
    return [*entries, f"Not known: {unknown}"] if unknown else entries


def _rating_text(row: EquipmentRow) -> str:
    if row.rated_voltage is None or row.rated_power_w is None:
        return ""
    derived = " (derived from the rating of another load)" * row.rating_derived
    return f"{row.rated_voltage:.1f} V, {row.rated_power_w:.0f} W into that load{derived}; "


def _wanted_text(row: EquipmentRow) -> str:
    levels = ", ".join(
        f"{level:g} dB SPL" + (f" at {label} Hz" if label else "") for label, level in row.wanted_db
    )
    away = "" if row.distance is None else f", {row.distance:g} m from the subwoofer"
    follows = "; the drive limit follows the headroom" if row.drive_limit == "headroom" else ""
    return f"Wanted: {levels} at seat {row.main_seat}{away}{follows}"


def _measurements(overview: RoomOverview, *, detail: bool) -> list[str]:
    """Return one line for each file in detail, else one for the seats that are alike."""
    seats: dict[str, dict[tuple[str, ...], list[str]]] = {}
    for row in overview.measurements:
        cells = (
            "bands" if row.resolution == "third_octave" else str(row.points),
            f"{row.lowest:.0f} to {row.highest:.0f}",
            "yes" if row.has_phase else "no",
            "dB SPL" if row.level_reference == "spl" else "relative",
            *([row.file or ""] if detail else []),
        )
        seats.setdefault(row.seat, {}).setdefault(cells, []).append(row.source)
    alike: dict[tuple[str, ...], list[str]] = {}
    for seat, kinds in seats.items():
        for cells, sources in kinds.items():
            alike.setdefault((*cells, ", ".join(sources)), []).append(seat)
    titles = ["Seat", ">Points", ">Hz", "Phase", "Level", *(["File"] if detail else []), "Source"]
    rows = [[", ".join(names), *cells] for cells, names in alike.items()]
    return ["What was measured", *table(titles, rows)]


def _bands(overview: RoomOverview, *, detail: bool) -> list[str]:
    rows = [
        {
            ">Band": f"{row.label} Hz",
            ">Power mean dB": f"{row.power_mean_db:.1f}",
            ">Level mean dB": f"{row.level_mean_db:.1f}",
            ">S.d. dB": f"{row.spread_db:.1f}",
            ">Range dB": f"{row.range_db:.1f}",
            "Loudest": row.loudest,
            "Quietest": row.quietest,
        }
        for row in overview.bands
    ]
    of = "all subwoofers together" if overview.together else SOURCES[overview.source]
    title = f"What the seats share and where they differ, {of}"
    without = () if detail else (">Level mean dB", ">Range dB")
    lines = [*paragraph(title), *columns(rows, without=without)]
    if not overview.levels_comparable:
        lines += paragraph("One level offset per seat was removed first.", indent=2)
    apart_db, uneven_db = (
        math.sqrt(found)
        for found in (overview.variation_between_seats_db2, overview.unevenness_of_average_db2)
    )
    lines += paragraph(
        f"20 to 80 Hz: the seats differ by {apart_db:.1f} dB (s.d.), which no equaliser changes; "
        f"their average varies by {uneven_db:.1f} dB, which bands can mend in part.",
        indent=2,
    )
    if overview.odd_seat is not None:
        lines += paragraph(
            f"Seat {overview.odd_seat} differs from the others by "
            f"{overview.odd_seat_distance_db or 0:.1f} dB (r.m.s.).",
            indent=2,
        )
    return lines


def _dips(overview: RoomOverview, *, detail: bool) -> list[str]:
    everywhere = len({row.seat for row in overview.measurements})
    rows = [
        {
            ">Dip": f"{dip.frequency:.0f} Hz",
            ">Depth dB": f"{dip.depth_db:.0f}",
            ">Octaves": f"{dip.width_octaves:.2f}",
            "Seats": "all" if len(dip.seats) == everywhere else ", ".join(dip.seats),
            "Verdict": _VERDICTS[dip.verdict],
            "Evidence": ", ".join(code.replace("_", " ") for code in dip.evidence),
        }
        for dip in overview.dips
    ]
    lines = ["Dips of 6 dB and more", *columns(rows, without=() if detail else ("Evidence",))]
    return [*lines, *paragraph(_LATE, indent=2)] if detail else lines
