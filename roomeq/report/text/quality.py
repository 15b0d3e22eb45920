"""The quality of recorded sweeps in words.

Conventions
-----------
Lines of plain text, worst findings first. Every code has its words here; a test holds that none is
missing. What is not known is left blank, never shown as 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from roomeq.analysis.recordings.findings import Finding, FindingCode, FindingPlace, Severity
from roomeq.report.text.layout import table

__all__ = [
    "code_text",
    "finding_text",
    "place_text",
    "snr_lines",
    "sureness_text",
]


def code_text(code: FindingCode) -> str:
    """Return what a code stands for."""
    words = {
        FindingCode.SILENT_CHANNEL: "silent channel",
        FindingCode.LOW_LEVEL: "too little level",
        FindingCode.CLIPPING: "clipping",
        FindingCode.DC_OFFSET: "direct current",
        FindingCode.DROPPED_SAMPLES: "dropped samples",
        FindingCode.LOW_SNR: "too much noise",
        FindingCode.NOISE_UNKNOWN: "noise not known",
        FindingCode.HUM: "hum",
        FindingCode.DISTURBANCE: "slam, voice or knock",
        FindingCode.START_MISSING: "start missing",
        FindingCode.END_MISSING: "end missing",
        FindingCode.SWEEPS_MISSING: "another number of sweeps",
        FindingCode.SWEEP_NOT_FOUND: "no sweep found",
        FindingCode.WRONG_SWEEP: "wrong sweep",
        FindingCode.WRONG_SAMPLE_RATE: "wrong sample rate",
        FindingCode.CHANNELS_SWAPPED: "channels swapped",
        FindingCode.NO_ROOM_HEARD: "loopback instead of microphone",
        FindingCode.CLOCK_DRIFT: "clock drift",
        FindingCode.SAME_RECORDING: "the same recording twice",
        FindingCode.DECAY_CUT: "decay cut off",
        FindingCode.DISTORTION: "distortion",
        FindingCode.COARSE_SAMPLES: "coarse samples",
        FindingCode.NOT_A_LOOPBACK: "no loopback",
        FindingCode.REPEATS_DISAGREE: "sweeps that disagree",
        FindingCode.GAIN_CHANGED: "gain changed",
        FindingCode.GAIN_UNKNOWN: "gain not told",
    }
    return words[code]


def sureness_text(confidence: float) -> str:
    """Say how sure a finding is."""
    if confidence >= 0.9:
        return "certain"
    return "likely" if confidence >= 0.7 else "possible"


def place_text(where: FindingPlace) -> str:
    """Return channel, time and frequency of a finding, as far as they apply."""
    parts = [f"channel {where.channel}"]
    if where.start is not None and where.stop is not None:
        if where.stop - where.start < 0.01:
            parts.append(f"at {where.start:.2f} s")
        else:
            parts.append(f"{where.start:.2f} to {where.stop:.2f} s")
    if where.lowest is not None and where.highest is not None:
        if where.highest < 1.01 * where.lowest:
            parts.append(f"{where.lowest:.3g} Hz")
        else:
            parts.append(f"{where.lowest:.3g} to {where.highest:.3g} Hz")
    return ", ".join(parts)


def finding_text(finding: Finding) -> str:
    """Return a finding in one line: what, where, how sure, what to do."""
    severities = {Severity.FAULT: "FAULT", Severity.WARNING: "Warning", Severity.NOTE: "Note"}
    return (
        f"{severities[finding.severity]}, {code_text(finding.code)} "
        f"({sureness_text(finding.confidence)}; {place_text(finding.where)}): {finding.what}. "
        f"What to do: {finding.remedy}."
    )


def snr_lines(labels: Sequence[str], columns: Sequence[Mapping[str, float | None]]) -> list[str]:
    """Return a table of signal-to-noise ratios, a numbered column for each recording.

    Parameters
    ----------
    labels : sequence of str
        Of the bands, lowest first.
    columns : sequence of mapping of str to float
        Ratio in dB by label; what is not there, None or not a number is left blank.
    """
    rows = [
        [f"{label} Hz", *(_cell(column.get(label)) for column in columns), ""] for label in labels
    ]
    titles = [">Band", *(f">{index + 1}" for index in range(len(columns))), ""]
    return [
        "Signal-to-noise ratio of the response, dB, by recording:",
        *(line.rstrip() for line in table(titles, rows)),
    ]


def _cell(ratio: float | None) -> str:
    return f"{ratio:.0f}" if ratio is not None and math.isfinite(ratio) else ""
