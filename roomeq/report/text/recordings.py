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
from roomeq.report.text.layout import Part, counted, joined, listed, number, worded

CODES = {code: code.replace("_", " ") for code in FindingCode} | {
    FindingCode.LOW_LEVEL: "too little level",
    FindingCode.DC_OFFSET: "direct current",
    FindingCode.LOW_SNR: "too much noise",
    FindingCode.DISTURBANCE: "slam, voice or knock",
    FindingCode.SWEEPS_MISSING: "another number of sweeps",
    FindingCode.NO_ROOM_HEARD: "loopback instead of microphone",
}
"""What a code stands for."""


_SEVERITIES = {Severity.FAULT: "FAULT", Severity.WARNING: "warning", Severity.NOTE: "note"}
_say = worded("""
ringing: In brackets: the band filter's own ringing governs (bandwidth times decay time below 16),
    so the room may decay faster. Blank: noise leaves too small a range.
no_octave: {file}: not told; left out, something else was heard, or no octave is whole.
no_sweep: Not told: left out, something else was heard, or no whole sweep of a known kind.
no_distortion: Nowhere above the noise.
hidden: Blank, and at all other bands: hidden by noise, or beyond the recording's rate.
place: channel {channel}{timed:|, {brief:|at {start:.2f} s|{start:.2f} to {stop:.2f} s}|}{banded:|,
    {narrow:|{lowest:.3g} Hz|{lowest:.3g} to {highest:.3g} Hz}|}
finding: {word}, {name} ({sure}; {place}): {what}. What to do: {remedy}.
rows: > = {place} | File = {file} | Seat = {seat} | >Peak dBFS = {peak_dbfs:.1f} | >Drift ppm =
    {drift_ppm:+.1f} | Counts = {counted} | Found = {found}
""")


def sureness_text(confidence: float) -> str:
    """Say how sure a finding is."""
    return "certain" if confidence >= 0.9 else "likely" if confidence >= 0.7 else "possible"


def place_text(where: Finding) -> str:
    """Return channel, time and frequency of a finding, as far as they apply."""
    start, stop, low, high = where.start, where.stop, where.lowest, where.highest
    timed, banded = start is not None and stop is not None, low is not None and high is not None
    brief, narrow = (stop or 0.0) - (start or 0.0) < 0.01, (high or 0.0) < 1.01 * (low or 0.0)
    return _say("place", where, timed=timed, banded=banded, brief=brief, narrow=narrow)


def finding_text(finding: Finding) -> str:
    """Return a finding in one line: what, where, how sure, what to do."""
    word = _SEVERITIES[finding.severity]
    told = {"word": word[0].upper() + word[1:], "name": CODES[finding.code]}
    told |= {"sure": sureness_text(finding.confidence), "place": place_text(finding)}
    return _say("finding", finding, **told)


def alarm_texts(rows: Sequence[RecordingRow]) -> list[str]:
    """Return what wants a look, worst first, each with its file and seat in front.

    A warning that three recordings or more share is told of the first, and the others are named.
    """
    alarms = [(row, one) for row in rows for one in row.alarms]
    shared: dict[FindingCode, dict[str, None]] = {}
    for row, one in alarms:
        if one.severity is Severity.WARNING and not row.left_out:
            shared.setdefault(one.code, {})[row.file] = None
    texts = []
    for row, one in sorted(alarms, key=lambda alarm: alarm[1].severity is Severity.WARNING):
        text = f"{row.file} ({row.seat}): {finding_text(one)}"
        if row.left_out and one is row.alarms[0]:
            text += " It is left out of everything else."
        files = list(shared.get(one.code, ()))
        if one.severity is Severity.WARNING and not row.left_out and len(files) > 2:
            if row.file != files[0]:
                continue
            text += f" Likewise {joined(files[1:])}."
        texts.append(text)
    return texts


def counts_text(row: RecordingRow) -> str:
    """Say how much a recording counts in the fit."""
    if row.counts >= 1.0:
        return "fully"
    return "left out" if row.counts <= 0.0 else f"x {row.counts:g}"


def recording_parts(rows: Sequence[RecordingRow], *, detail: bool = True) -> list[Part]:
    """Return one line for each recording; in detail its signal-to-noise ratios and the notes."""
    table = recording_table(rows, notes=detail)
    notes = listed("Recordings: of no harm here, but worth knowing", _notes(rows))
    return [table, _snr(rows), notes] if detail else [table]


def recording_table(rows: Sequence[RecordingRow], *, notes: bool = True) -> Part:
    """Return one line for each recording, `notes` by name or by number; none without any."""
    if not rows:
        return []
    told = [
        {"place": place, "counted": counts_text(one), "found": _found(one, notes=notes)}
        for place, one in enumerate(rows, start=1)
    ]
    title = "Recorded sweeps, and how much each counts in a proposal"
    return [title, *_say.table("rows", rows, told)]


def _notes(rows: Sequence[RecordingRow]) -> list[str]:
    """Return the notes; those of one kind with one remedy stand together."""
    alike: dict[tuple[FindingCode, str], list[str]] = {}
    for row in rows:
        for one in row.findings:
            if one.severity is Severity.NOTE:
                alike.setdefault((one.code, one.remedy), []).append(f"{row.file}: {one.what}")
    return [
        f"Notes, {CODES[code]}: {'; '.join(each)}. What to do: {remedy}."
        for (code, remedy), each in alike.items()
    ]


def _found(row: RecordingRow, *, notes: bool) -> str:
    """Return in a few words what was found in a recording."""
    if not row.findings:
        return "nothing wrong" if row.judged else "only its samples were judged"
    mended = ", not mended" if row.drift_mended_by is None else ", mended"
    named: Counter[str] = Counter()
    for one in row.findings:
        drift = one.code is FindingCode.CLOCK_DRIFT
        told = notes or drift or one.severity is not Severity.NOTE
        name = f"{_SEVERITIES[one.severity]}: {CODES[one.code]}{mended if drift else ''}"
        named[name if told else ""] += 1
    unsaid = named.pop("", 0)
    texts = [f"{name} ({n} times)" if n > 1 else name for name, n in named.items()]
    return ", ".join([*texts, counted(unsaid, "note")] if unsaid else texts)


def _snr(rows: Sequence[RecordingRow]) -> Part:
    """Return signal-to-noise ratios by band, a numbered column for each recording."""
    ratios = [
        {label: number(one, digits=0) for label, one in zip(row.bands, row.snr_db, strict=True)}
        for row in rows
    ]
    title = "Signal-to-noise ratio of the response, dB, by recording:"
    return [title, *_by_recording(">Band", ratios)] if any(ratios) else []


def _by_recording(title: str, columns: Sequence[Mapping[str, str]]) -> Part:
    """Lay out figures by band, a numbered column for each recording that tells any."""
    labels = max(columns, key=len)
    body = [[f"{label} Hz", *(column.get(label, "") for column in columns)] for label in labels]
    return [[title, *(f">{place}" for place in range(1, len(columns) + 1))], *body]


def detail_parts(rows: Sequence[DetailRow]) -> list[Part]:
    """Return decay by octave and distortion by third octave of each recording."""
    if not rows:
        return ["Decay and distortion are told by recorded sweeps; there are none."]
    return [_decay(rows), *map(_distortion, rows)]


def _decay(rows: Sequence[DetailRow]) -> Part:
    title = "Decay time of 60 dB by octave, s (T20, T30; ISO 3382-2), by recording"
    times = [{one.label: _times(one) for one in row.decay} for row in rows]
    untold = [f"  {_say('no_octave', row)}" for row in rows if not row.decay]
    found = [*_by_recording(">Octave", times), f"  {_say('ringing')}"] if any(times) else []
    return [title, *found, *untold]


def _times(band: DecayRow) -> str:
    if band.t20 is None and band.t30 is None:
        return ""
    times = f"{number(band.t20, digits=2) or '-'}, {number(band.t30, digits=2) or '-'}"
    return f"({times})" if band.governed_by_filter else times


def _distortion(row: DetailRow) -> Part:
    title = f"Distortion in {row.file} ({row.seat}), dB relative to the fundamental as heard"
    body = [
        [f"{band.label} Hz", *(number(one, digits=0) or " " for one in band.orders_db), total]
        for band in row.distortion
        if (total := number(band.total_percent, digits=2))
    ]
    why = "hidden" if body else "no_distortion" if row.distortion else "no_sweep"
    titles = [">Band", ">2nd", ">3rd", ">4th", ">5th", ">Total %"]
    return [title, titles, *body, f"  {_say(why)}"]
