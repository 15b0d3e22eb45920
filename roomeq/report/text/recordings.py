"""Recorded sweeps of a room in words: findings, what each is worth, decay and distortion.

Conventions
-----------
Lines of plain text, worst findings first. Numbers come from `roomeq.plan.recordings`; nothing is
computed here. Every code has its words here; a test holds that none is missing. What is not known
is left blank, never shown as 0.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity
from roomeq.plan.recordings import DecayRow, DetailRow, RecordingRow
from roomeq.report.text.layout import bullets, columns, joined, number, paragraph, table

CODES = {code: code.replace("_", " ") for code in FindingCode} | {
    FindingCode.LOW_LEVEL: "too little level",
    FindingCode.DC_OFFSET: "direct current",
    FindingCode.LOW_SNR: "too much noise",
    FindingCode.NOISE_UNKNOWN: "noise not known",
    FindingCode.DISTURBANCE: "slam, voice or knock",
    FindingCode.SWEEPS_MISSING: "another number of sweeps",
    FindingCode.SWEEP_NOT_FOUND: "no sweep found",
    FindingCode.NO_ROOM_HEARD: "loopback instead of microphone",
    FindingCode.SAME_RECORDING: "the same recording twice",
    FindingCode.DECAY_CUT: "decay cut off",
    FindingCode.NOT_A_LOOPBACK: "no loopback",
    FindingCode.REPEATS_DISAGREE: "sweeps that disagree",
    FindingCode.GAIN_UNKNOWN: "gain not told",
}
"""What a code stands for."""


_SEVERITIES = {Severity.FAULT: "FAULT", Severity.WARNING: "warning", Severity.NOTE: "note"}


def sureness_text(confidence: float) -> str:
    """Say how sure a finding is."""
    if confidence >= 0.9:
        return "certain"
    return "likely" if confidence >= 0.7 else "possible"


def place_text(where: Finding) -> str:
    """Return channel, time and frequency of a finding, as far as they apply."""
    parts, start, stop = [f"channel {where.channel}"], where.start, where.stop
    low, high = where.lowest, where.highest
    if start is not None and stop is not None:
        brief = stop - start < 0.01
        parts.append(f"at {start:.2f} s" if brief else f"{start:.2f} to {stop:.2f} s")
    if low is not None and high is not None:
        parts.append(f"{low:.3g} Hz" if high < 1.01 * low else f"{low:.3g} to {high:.3g} Hz")
    return ", ".join(parts)


def finding_text(finding: Finding) -> str:
    """Return a finding in one line: what, where, how sure, what to do."""
    word = _SEVERITIES[finding.severity]
    return (
        f"{word[0].upper()}{word[1:]}, {CODES[finding.code]} "
        f"({sureness_text(finding.confidence)}; {place_text(finding)}): {finding.what}. "
        f"What to do: {finding.remedy}."
    )


def alarm_texts(rows: Sequence[RecordingRow]) -> list[str]:
    """Return what wants a look, worst first, each with its file and seat in front.

    A warning that three recordings or more share is told of the first, and the others are named.
    """
    told: dict[Severity, list[str]] = {Severity.FAULT: [], Severity.WARNING: []}
    alike: dict[FindingCode, list[str]] = {}
    for row in rows:
        shared = (e.code for e in row.alarms if e.severity is Severity.WARNING and not row.left_out)
        for code in dict.fromkeys(shared):
            alike.setdefault(code, []).append(row.file)
    for row in rows:
        left_out = " It is left out of everything else." if row.left_out else ""
        for one in row.alarms:
            text = f"{row.file} ({row.seat}): {finding_text(one)}{left_out}"
            fault = one.severity is Severity.FAULT
            first, *others = [row.file] if fault or row.left_out else alike[one.code]
            if len(others) < 2:
                told[one.severity].append(text)
            elif row.file == first:
                told[one.severity].append(f"{text} Likewise {joined(others)}.")
            left_out = ""
    return [*told[Severity.FAULT], *told[Severity.WARNING]]


def counts_text(row: RecordingRow) -> str:
    """Say how much a recording counts in the fit."""
    if row.counts >= 1.0:
        return "fully"
    return "left out" if row.counts <= 0.0 else f"x {row.counts:g}"


def recording_lines(rows: Sequence[RecordingRow], *, detail: bool = True) -> list[str]:
    """Return one line for each recording; in detail its signal-to-noise ratios and the notes."""
    lines = recording_table(rows, notes=detail)
    if detail:
        lines += _snr(rows)
    if detail and (notes := _notes(rows)):
        lines += ["", "Recordings: of no harm here, but worth knowing", *bullets(notes)]
    return lines


def recording_table(rows: Sequence[RecordingRow], *, notes: bool = True) -> list[str]:
    """Return one line for each recording, `notes` by name or by number; none without any."""
    if not rows:
        return []
    cells = [
        {
            ">": str(place),
            "File": row.file,
            "Seat": row.seat,
            ">Peak dBFS": number(row.peak_dbfs),
            ">Drift ppm": "" if row.drift_ppm is None else f"{row.drift_ppm:+.1f}",
            "Counts": counts_text(row),
            "Found": _found(row, notes=notes),
        }
        for place, row in enumerate(rows, start=1)
    ]
    return ["Recorded sweeps, and how much each counts in a proposal", *columns(cells)]


def _notes(rows: Sequence[RecordingRow]) -> list[str]:
    """Return the notes; those of one kind with one remedy stand together."""
    alike: dict[tuple[FindingCode, str], list[tuple[str, Finding]]] = {}
    for row in rows:
        for one in row.findings:
            if one.severity is Severity.NOTE:
                alike.setdefault((one.code, one.remedy), []).append((row.file, one))
    texts = []
    for (code, remedy), entries in alike.items():
        text = f"{entries[0][0]}: {finding_text(entries[0][1])}"
        if len(entries) > 1:
            each = "; ".join(f"{file}: {one.what}" for file, one in entries)
            text = f"Notes, {CODES[code]}: {each}. What to do: {remedy}."
        texts.append(text)
    return texts


def _found(row: RecordingRow, *, notes: bool) -> str:
    """Return in a few words what was found in a recording."""
    if not row.findings:
        return "nothing wrong" if row.judged else "only its samples were judged"
    mended = ", not mended" if row.drift_mended_by is None else ", mended"
    named = [
        f"{_SEVERITIES[one.severity]}: {CODES[one.code]}"
        + (mended if one.code is FindingCode.CLOCK_DRIFT else "")
        for one in row.findings
        if notes or one.severity is not Severity.NOTE or one.code is FindingCode.CLOCK_DRIFT
    ]
    if unsaid := len(row.findings) - len(named):
        named.append(f"{unsaid} note{'s' if unsaid > 1 else ''}")
    counted = Counter(named)
    return ", ".join(f"{name} ({n} times)" if n > 1 else name for name, n in counted.items())


def _snr(rows: Sequence[RecordingRow]) -> list[str]:
    """Return signal-to-noise ratios by band, a numbered column for each recording."""
    columns = {
        place: dict(zip(row.bands, (number(one, digits=0) for one in row.snr_db), strict=True))
        for place, row in enumerate(rows, start=1)
    }
    if not any(columns.values()):
        return []
    title = "Signal-to-noise ratio of the response, dB, by recording:"
    return ["", title, *_by_recording(">Band", columns)]


def _by_recording(title: str, columns: Mapping[int, Mapping[str, str]]) -> list[str]:
    """Lay out figures by band, a numbered column for each recording."""
    body = [
        [f"{label} Hz", *(column.get(label, "") for column in columns.values()), ""]
        for label in max(columns.values(), key=len)
    ]
    return table([title, *(f">{place}" for place in columns), ""], body)


def detail_lines(rows: Sequence[DetailRow]) -> list[str]:
    """Return decay by octave and distortion by third octave of each recording."""
    if not rows:
        return paragraph("Decay and distortion are told by recorded sweeps; there are none.")
    return [*_decay(rows), *(line for row in rows for line in ("", *_distortion(row)))]


def _decay(rows: Sequence[DetailRow]) -> list[str]:
    told = {
        n: {one.label: _times(one) for one in r.decay} for n, r in enumerate(rows, 1) if r.decay
    }
    lines = ["Decay time of 60 dB by octave, s (T20, T30; ISO 3382-2), by recording"]
    if told:
        lines += _by_recording(">Octave", told)
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


def _times(band: DecayRow) -> str:
    if band.t20 is None and band.t30 is None:
        return ""
    times = ", ".join("-" if t is None else f"{t:.2f}" for t in (band.t20, band.t30))
    return f"({times})" if band.governed_by_filter else times


def _distortion(row: DetailRow) -> list[str]:
    title = paragraph(
        f"Distortion in {row.file} ({row.seat}), dB relative to the fundamental as heard"
    )
    if not row.distortion:
        why = "Not told: left out, something else was heard, or no whole sweep of a known kind."
        return [*title, *paragraph(why, indent=2)]
    body = [
        [f"{band.label} Hz", *(number(value, digits=0) for value in band.orders_db), total, ""]
        for band in row.distortion
        if (total := number(band.total_percent, digits=2))
    ]
    if not body:
        return [*title, *paragraph("Nowhere above the noise.", indent=2)]
    titles = [">Band", ">2nd", ">3rd", ">4th", ">5th", ">Total %", ""]
    blank = "Blank, and at all other bands: hidden by noise, or beyond the recording's rate."
    return [*title, *table(titles, body), *paragraph(blank, indent=2)]
