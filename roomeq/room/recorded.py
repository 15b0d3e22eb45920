"""Recorded sweeps of a room: what each is worth, judged over what it is used for.

Conventions
-----------
Frequencies in Hz, times in s, drift in ppm. A finding belongs to a recording; what lies wholly
outside the span that a recording is used for is kept as a note and raises no alarm. Nothing is
changed here but the severity, and that is said in the finding.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from msgspec import structs

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, worst_first
from roomeq.base.survey import Source

if TYPE_CHECKING:  # a room without recordings needs none of it
    from roomeq.analysis.recordings.quality import RecordingQuality
    from roomeq.analysis.sweeps.decay import Decay
    from roomeq.analysis.sweeps.distortion import Distortion
    from roomeq.analysis.sweeps.windowing import ImpulseWindow
    from roomeq.base.recording import ImpulseResponse

_WRONG = frozenset(
    {
        FindingCode.SILENT_CHANNEL,
        FindingCode.SWEEP_NOT_FOUND,
        FindingCode.WRONG_SWEEP,
        FindingCode.WRONG_SAMPLE_RATE,
        FindingCode.CHANNELS_SWAPPED,
        FindingCode.NO_ROOM_HEARD,
        FindingCode.SAME_RECORDING,
        FindingCode.NOT_A_LOOPBACK,
    }
)
"""What makes a recording say nothing of its seat."""

_BY_BAND = frozenset(
    {
        FindingCode.LOW_SNR,
        FindingCode.HUM,
        FindingCode.START_MISSING,
        FindingCode.END_MISSING,
        FindingCode.DECAY_CUT,
        FindingCode.DISTORTION,
        FindingCode.GAIN_CHANGED,
        FindingCode.REPEATS_DISAGREE,
    }
)
"""Findings that harm no frequency but those they name."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedSweep:
    """One recording of a room file.

    Attributes
    ----------
    seat, source, file : str
        As the room file has them.
    quality : RecordingQuality
        As it was judged.
    findings : tuple of Finding
        The same findings, judged over what the recording is used for; worst first.
    left_out : bool
        Whether it is not among the measurements, because it says nothing of its seat.
    judged : bool
        Whether the sweep was known; else only the samples were looked at.
    drift_mended_by : str or None
        What took the clock drift out, in words; None where it was left in, or there is none.
    impulse_response, window : ImpulseResponse and ImpulseWindow, or None
        Before windowing, and the window; where detail was asked for and nothing else was heard.
    decay : Decay or None
        By octaves, where it was asked for and nothing else was heard.
    distortion : Distortion or None
        Of the first sweep, where that is whole and exponential, and nothing else was heard.
    """

    seat: str
    source: Source
    file: str
    quality: RecordingQuality
    findings: tuple[Finding, ...]
    left_out: bool = False
    judged: bool = True
    drift_mended_by: str | None = None
    impulse_response: ImpulseResponse | None = None
    window: ImpulseWindow | None = None
    decay: Decay | None = None
    distortion: Distortion | None = None

    @property
    def alarms(self) -> tuple[Finding, ...]:
        """Findings that want a look: all but the notes."""
        return tuple(one for one in self.findings if one.severity is not Severity.NOTE)

    @property
    def hum(self) -> bool:
        """Whether hum of the mains was heard, loud or not."""
        return any(one.code is FindingCode.HUM for one in self.findings)

    @property
    def spoilt(self) -> bool:
        """Whether a fault reaches into what it is used for, other than noise.

        Noise is told by band; everything else is a fault of the whole recording.
        """
        return any(
            one.severity is Severity.FAULT and one.code is not FindingCode.LOW_SNR
            for one in self.findings
        )


def is_wrong(findings: Iterable[Finding]) -> Finding | None:
    """Return the finding by which a recording says nothing of its seat; None where none does."""
    wrong = (one for one in findings if one.code in _WRONG and one.severity is Severity.FAULT)
    return next(wrong, None)


def judged_within(recorded: RecordedSweep, span: tuple[float, float]) -> RecordedSweep:
    """Return a recording with its findings judged over a span, in Hz.

    Noise is judged anew by the third octaves whose centre lies within the span; hum and missing
    ends of the sweep become notes where they lie outside. A finding that tells no frequency stays.

    Raises
    ------
    ValueError
        If the span is empty.
    """
    lowest, highest = span
    if not 0 < lowest < highest:
        raise ValueError(f"needs a span of frequencies, got {lowest!r} to {highest!r} Hz")
    found = [
        _within(one, recorded.quality, lowest, highest) if one.code in _BY_BAND else one
        for one in recorded.findings
    ]
    return replace(recorded, findings=tuple(worst_first(found)))


def _within(finding: Finding, quality: RecordingQuality, lowest: float, highest: float) -> Finding:
    from roomeq.analysis.recordings.noise import LEAST_SNR_DB, UNUSABLE_SNR_DB

    if finding.lowest is None or finding.highest is None or finding.severity is Severity.NOTE:
        return finding
    severity: Severity = finding.severity
    if finding.highest <= lowest or finding.lowest >= highest:
        severity = Severity.NOTE
    elif finding.code is FindingCode.LOW_SNR:
        first, last = max(finding.lowest, lowest), min(finding.highest, highest)
        ratios = zip(quality.bands, quality.snr_db.tolist(), strict=True)
        within = (ratio for band, ratio in ratios if first <= band.centre <= last)
        worst = min(within, default=LEAST_SNR_DB)
        severity = Severity.FAULT if worst < UNUSABLE_SNR_DB else Severity.WARNING
        severity = severity if worst < LEAST_SNR_DB else Severity.NOTE
    remedy = finding.remedy
    if severity is Severity.NOTE and finding.code is not FindingCode.HUM:  # whose remedy stays
        remedy = f"nothing, as only {lowest:.0f} to {highest:.0f} Hz are used"
    return structs.replace(finding, severity=severity, remedy=remedy)
