"""Recorded sweeps of a room in words: what each is worth, decay and distortion.

Conventions
-----------
Lines of plain text. Numbers come from `roomeq.plan.recordings`; nothing is computed here. What is
not known is left blank, never shown as 0.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.plan.recordings import DetailRow, FindingRow, RecordingRow
from roomeq.report.text.layout import bullet_list, paragraph, table
from roomeq.report.text.quality import code_text, finding_text, snr_lines

__all__ = [
    "alarm_texts",
    "counts_text",
    "detail_lines",
    "kept_recording_lines",
    "recording_lines",
]


def alarm_texts(rows: Sequence[RecordingRow]) -> list[str]:
    """Return what wants a look, worst first, each with its file and seat in front."""
    found: list[tuple[Severity, str]] = []
    for row in rows:
        for index, one in enumerate(row.alarms):
            text = f"{row.file} ({row.seat}): {finding_text(one)}"
            if row.left_out and index == 0:
                text += " It is left out of everything else."
            found.append((one.severity, text))
    found.sort(key=lambda entry: entry[0] is not Severity.FAULT)
    return [text for _, text in found]


def counts_text(row: RecordingRow) -> str:
    """Say how much a recording counts in the fit."""
    if row.counts >= 1.0:
        return "fully"
    return "left out" if row.counts <= 0.0 else f"x {row.counts:g}"


def recording_lines(rows: Sequence[RecordingRow]) -> list[str]:
    """Return one line for each recording, its signal-to-noise ratios, and the notes."""
    if not rows:
        return []
    lines = [*_overview(rows), *_snr(rows)]
    notes = _notes(rows)
    if notes:
        lines += ["", "Recordings: of no harm here, but worth knowing", *bullet_list(notes)]
    return lines


def kept_recording_lines(rows: Sequence[RecordingRow]) -> list[str]:
    """Return what a plan keeps of its recordings: one line for each, then what wants a look."""
    return [*_overview(rows), *bullet_list(alarm_texts(rows))]


def _overview(rows: Sequence[RecordingRow]) -> list[str]:
    cells = [
        [
            str(number),
            row.file,
            row.seat,
            "" if row.peak_dbfs is None else f"{row.peak_dbfs:.1f}",
            "" if row.drift_ppm is None else f"{row.drift_ppm:+.1f}",
            counts_text(row),
            _found(row),
        ]
        for number, row in enumerate(rows, start=1)
    ]
    titles = [">", "File", "Seat", ">Peak dBFS", ">Drift ppm", "Counts", "Found"]
    return ["Recorded sweeps, and how much each counts in a proposal", *table(titles, cells)]


def _notes(rows: Sequence[RecordingRow]) -> list[str]:
    """Return the notes; those of one kind with one remedy stand together."""
    alike: dict[tuple[FindingCode, str], list[tuple[RecordingRow, FindingRow]]] = {}
    for row in rows:
        for one in row.findings:
            if one.severity is Severity.NOTE:
                alike.setdefault((one.code, one.remedy), []).append((row, one))
    texts = []
    for (code, remedy), entries in alike.items():
        if len(entries) == 1:
            ((row, one),) = entries
            texts.append(f"{row.file}: {finding_text(one.finding(row.file))}")
            continue
        each = "; ".join(f"{row.file}: {one.what}" for row, one in entries)
        texts.append(f"Notes, {code_text(code)}: {each}. What to do: {remedy}.")
    return texts


def _found(row: RecordingRow) -> str:
    """Return in a few words what was found in a recording."""
    if not row.findings:
        return "nothing wrong" if row.judged else "only its samples were judged"
    words = {Severity.FAULT: "FAULT", Severity.WARNING: "warning", Severity.NOTE: "note"}
    mended = ", not mended" if row.drift_mended_by is None else ", mended"
    named = [
        f"{words[one.severity]}: {code_text(one.code)}"
        + (mended if one.code is FindingCode.CLOCK_DRIFT else "")
        for one in row.findings
    ]
    counted = Counter(named)
    return ", ".join(f"{name} ({n} times)" if n > 1 else name for name, n in counted.items())


def _snr(rows: Sequence[RecordingRow]) -> list[str]:
    columns = [dict(zip(row.bands, row.snr_db, strict=True)) for row in rows]
    if not any(columns):
        return []
    labels = max((row.bands for row in rows), key=len)
    return ["", *snr_lines(labels, columns)]


def detail_lines(rows: Sequence[DetailRow]) -> list[str]:
    """Return decay by octave and distortion by third octave of each recording."""
    if not rows:
        return ["Decay and distortion are told by recorded sweeps; there are none."]
    lines = [*_decay(rows)]
    for row in rows:
        lines += ["", *_distortion(row)]
    return lines


def _decay(rows: Sequence[DetailRow]) -> list[str]:
    told = [(number, row) for number, row in enumerate(rows, start=1) if row.decay]
    lines = ["Decay time of 60 dB by octave, s (T20, T30; ISO 3382-2), by recording"]
    if told:
        columns = [{band.label: band for band in row.decay} for _, row in told]
        labels = [band.label for band in max((row.decay for _, row in told), key=len)]
        body = []
        for label in labels:
            cells = [f"{label} Hz"]
            for column in columns:
                band = column.get(label)
                if band is None or (band.t20 is None and band.t30 is None):
                    cells.append("")
                    continue
                times = ", ".join("-" if t is None else f"{t:.2f}" for t in (band.t20, band.t30))
                cells.append(f"({times})" if band.governed_by_filter else times)
            body.append([*cells, ""])
        titles = [">Octave", *(f">{number}" for number, _ in told), ""]
        lines += [line.rstrip() for line in table(titles, body)]
        lines += paragraph(
            "In brackets: the band filter's own ringing governs (bandwidth times decay time below "
            "16), so the room may decay faster. Blank: noise leaves too small a range.",
            indent=2,
        )
    for row in rows:
        if not row.decay:
            lines += paragraph(
                f"{row.file}: not told; left out, something else was heard, or no octave is whole.",
                indent=2,
            )
    return lines


def _distortion(row: DetailRow) -> list[str]:
    title = f"Distortion in {row.file} ({row.seat}), dB relative to the fundamental as heard"
    if not row.distortion:
        why = "Not told: left out, something else was heard, or no whole sweep of a known kind."
        return [title, *paragraph(why, indent=2)]
    body = [
        [
            f"{band.label} Hz",
            *("" if value is None else f"{value:.0f}" for value in band.orders_db),
            "" if band.total_percent is None else f"{band.total_percent:.2f}",
            "",
        ]
        for band in row.distortion
        if band.total_percent is not None
    ]
    if not body:
        return [title, *paragraph("Nowhere above the noise.", indent=2)]
    titles = [">Band", ">2nd", ">3rd", ">4th", ">5th", ">Total %", ""]
    return [
        title,
        *(line.rstrip() for line in table(titles, body)),
        *paragraph(
            "Blank, and at all other bands: hidden by noise, or beyond the recording's rate.",
            indent=2,
        ),
    ]
