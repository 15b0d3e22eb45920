"""A room's measurements as plain text.

Conventions
-----------
Numbers come from `roomeq.jobs.check`; nothing is computed here.
"""

from __future__ import annotations

import math
from itertools import repeat

from roomeq.jobs.check import EquipmentRow, RoomOverview
from roomeq.optimiser.path.estimate import PathEstimate
from roomeq.report.text.joining import explanation_text, loss_text, meeting_sentences
from roomeq.report.text.layout import Part, bullets, listed, text_of, worded
from roomeq.report.text.path import contradiction_texts, path_part
from roomeq.report.text.recordings import alarm_texts, detail_parts, recording_parts
from roomeq.report.text.several import together_lines
from roomeq.report.text.wording import SOURCES

_VERDICTS = {
    "cancellation": "cancellation: leave it",
    "correctable": "can be mended",
    "unclear": "cannot be told",
}
_say = worded("""
corner: Crossover corner: {corner:.0f} Hz ({corner_origin})
no_low_pass: No low-pass in the path, as stated
lower_limit: Subwoofer's own lower limit: {lower_limit:.0f} Hz{lower_limit_estimated:| (an estimate,
    not stated)|}
repeatability: Repeatability of a measurement: {repeatability_db:.1f} dB
bands: >Band = {label} Hz | >Power mean dB = {power_mean_db:.1f} | >Level mean dB =
    {level_mean_db:.1f} | >S.d. dB = {spread_db:.1f} | >Range dB = {range_db:.1f} | Loudest =
    {loudest} | Quietest = {quietest}
dips: >Dip = {frequency:.0f} Hz | >Depth dB = {depth_db:.0f} | >Octaves = {width_octaves:.2f} |
    Seats = {where} | Verdict = {verdict} | Evidence = {evidence}
files: Seat = {seat} | >Points = {points} | >Hz = {lowest:.0f} to {highest:.0f} | Phase =
    {has_phase:|yes|no} | Level = {level} | File = {file} | Source = {source}
one_level: One level offset per seat was removed first.
variation: 20 to 80 Hz: the seats differ by {apart_db:.1f} dB (s.d.), which no equaliser changes;
    their average varies by {uneven_db:.1f} dB, which bands can mend in part.
odd_seat: Seat {odd_seat} differs from the others by {odd_seat_distance_db:.1f} dB (r.m.s.).
late: Excess group delay: sound comes later there than the level explains, as where sounds cancel;
    minimum phase: it does not.
""")

_equipment_words = worded("""
load: {load:|Load: {load}, at least {load_minimum_ohm:.2f} ohm{minimum_assumed:|, taken for 0.8
    times nominal|}|}
amplifier: {amplifier_minimum_ohm:|Amplifier: {rated_power_w:|{rated_voltage:.1f} V,
    {rated_power_w:.0f} W into that load{rating_derived:| (derived from the rating of another
    load)|}; |}no load below {amplifier_minimum_ohm:g} ohm|}
voltage while measuring: {measuring_voltage:|While measuring: {measuring_voltage:g} V at
    {measuring_frequency:g} Hz|}
box: {box:|Box: {box}|}
driver: {moves_mm:|Driver: may move {moves_mm:g} mm one way|}
maximum output: {output:|Maximum output: {output}|}
distortion: {distortion_known:|Distortion: told by the recorded sweep at the main seat|}
protective high-pass: {filter:|Protective high-pass: {filter}|}
wanted level: {main_seat:|Wanted: {levels} at seat {main_seat}{distance:|, {distance:g} m from the
    subwoofer|}{follows:|; the drive limit follows the headroom|}|}
""")
"""What is told of equipment; empty where it is not stated."""


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
    found = [*alarm_texts(overview.recordings), *overview.findings]
    if overview.sum_explanation is not None and overview.sum_corner is not None:
        found.append(explanation_text(overview.sum_explanation, overview.sum_corner))
    found += meeting_sentences(overview.meeting)
    if estimate is not None:
        found += contradiction_texts(estimate)
    of_path = path_part(overview.path_analysis, estimate, detail=detail)
    places = ", ".join(overview.places)
    return text_of(
        f"{overview.room}: measurements",
        listed("Found: look at these first", found) or "Found: nothing that looks wrong",
        [*bullets(_setup(overview)), *of_path],
        listed("Amplifier and driver", _equipment(overview.equipment)),
        _measurements(overview, detail=detail) if detail or not overview.recordings else [],
        *recording_parts(overview.recordings, detail=detail),
        _bands(overview, detail=detail),
        together_lines(overview) if overview.together else [],
        f"Tried: {places}; roomeq places tells which is best." if places else [],
        _dips(overview, detail=detail) if overview.dips else [],
        *([] if overview.detail is None else detail_parts(overview.detail)),
        listed("Taken for granted", overview.assumptions),
        listed("What the readers did", _notes(overview, detail=detail)),
    )


def _notes(overview: RoomOverview, *, detail: bool) -> list[str]:
    """Return what the readers did: to recordings only in detail, else how much that was."""
    apart = ["repeats of a seat"]  # they stand above, as the repeatability
    if overview.recordings:
        apart += ["all ", "the chain", *(row.file for row in overview.recordings)]
    shared = [note for note in overview.notes if detail or not note.startswith(tuple(apart))]
    rest = len(overview.notes) - len(shared)
    return [*shared, f"{rest} more: see --detail"] if rest else shared


def _setup(overview: RoomOverview) -> list[str]:
    path = overview.path if overview.path_analysis is None else ()
    told = {
        "corner": overview.corner is not None and overview.corner_origin != "path",
        "no_low_pass": overview.corner is None and overview.corner_origin == "none",
        "lower_limit": overview.lower_limit is not None,
        "repeatability": overview.repeatability_db is not None,
    }
    entries = [f"Device: {overview.device}", *(f"In the path: {one}" for one in path)]
    entries += _say.each(told, overview)
    if overview.sum_corner is not None and overview.sum_loss_db is not None:
        entries.append(loss_text(overview.sum_corner, overview.sum_loss_db))
    return entries


def _equipment(row: EquipmentRow | None) -> list[str]:
    """Say what is stated of amplifier, load, driver and wanted level, and what is not."""
    if row is None:
        return []
    levels = [f"{level:g} dB SPL{f' at {at} Hz' * bool(at)}" for at, level in row.wanted_db]
    words = {
        "moves_mm": 1000 * (row.largest_displacement or 0.0),
        "filter": (row.high_pass or "").removeprefix("high-pass "),
        "levels": ", ".join(levels),
        "follows": row.drive_limit == "headroom",
    }
    told = {name: _equipment_words(name, row, **words) for name in _equipment_words}
    unknown = ", ".join(name for name, text in told.items() if not text)
    return [*filter(None, told.values()), *([f"Not known: {unknown}"] if unknown else [])]


def _measurements(overview: RoomOverview, *, detail: bool) -> Part:
    """Return one line for each file in detail, else one for the seats that are alike."""
    told = [
        {
            "points": "bands" if row.resolution == "third_octave" else row.points,
            "level": "dB SPL" if row.level_reference == "spl" else "relative",
            "file": row.file if detail else None,
        }
        for row in overview.measurements
    ]
    titles, *rows = _say.table("files", overview.measurements, told)
    sources: dict[tuple[str, ...], list[str]] = {}
    for *kind, source in rows:
        sources.setdefault(tuple(kind), []).append(source)
    alike: dict[tuple[str, ...], list[str]] = {}
    for (seat, *cells), found in sources.items():
        alike.setdefault((*cells, ", ".join(found)), []).append(seat)
    shown = ([", ".join(seats), *cells] for cells, seats in alike.items())
    return ["What was measured", titles, *shown]


def _bands(overview: RoomOverview, *, detail: bool) -> Part:
    less: dict[str, None] = {} if detail else {"level_mean_db": None, "range_db": None}
    of = "all subwoofers together" if overview.together else SOURCES[overview.source]
    apart_db = math.sqrt(overview.variation_between_seats_db2)
    uneven_db = math.sqrt(overview.unevenness_of_average_db2)
    texts = [] if overview.levels_comparable else [_say("one_level")]
    texts.append(_say("variation", apart_db=apart_db, uneven_db=uneven_db))
    if overview.odd_seat is not None:
        texts.append(_say("odd_seat", overview))
    return [
        f"What the seats share and where they differ, {of}",
        *_say.table("bands", overview.bands, repeat(less)),
        *(f"  {text}" for text in texts),
    ]


def _dips(overview: RoomOverview, *, detail: bool) -> Part:
    everywhere = len({row.seat for row in overview.measurements})
    told = [
        {
            "where": "all" if len(dip.seats) == everywhere else ", ".join(dip.seats),
            "verdict": _VERDICTS[dip.verdict],
            "evidence": ", ".join(code.replace("_", " ") for code in dip.evidence) * detail,
        }
        for dip in overview.dips
    ]
    late = [f"  {_say('late')}"] if detail else []
    return ["Dips of 6 dB and more", *_say.table("dips", overview.dips, told), *late]
