"""What can be wrong with a recorded sweep: codes, severities, places, remedies.

Conventions
-----------
Time in s after the start of the recording, frequency in Hz, channels counted from 1. A confidence
of 0.5 stands for evidence that just passes its threshold; it rises towards 1 with the evidence. It
ranks findings and is no probability (common practice, no source). Nothing is repaired here: a
finding says what is wrong and what a person can do about it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from enum import StrEnum

from roomeq.base.record import Record
from roomeq.base.recording import Recording


class FindingCode(StrEnum):
    """What was found."""

    SILENT_CHANNEL = "silent_channel"
    LOW_LEVEL = "low_level"
    CLIPPING = "clipping"
    DC_OFFSET = "dc_offset"
    DROPPED_SAMPLES = "dropped_samples"
    LOW_SNR = "low_snr"
    NOISE_UNKNOWN = "noise_unknown"
    HUM = "hum"
    DISTURBANCE = "disturbance"
    START_MISSING = "start_missing"
    END_MISSING = "end_missing"
    SWEEPS_MISSING = "sweeps_missing"
    SWEEP_NOT_FOUND = "sweep_not_found"
    WRONG_SWEEP = "wrong_sweep"
    WRONG_SAMPLE_RATE = "wrong_sample_rate"
    CHANNELS_SWAPPED = "channels_swapped"
    NO_ROOM_HEARD = "no_room_heard"
    CLOCK_DRIFT = "clock_drift"
    SAME_RECORDING = "same_recording"
    DECAY_CUT = "decay_cut"
    DISTORTION = "distortion"
    COARSE_SAMPLES = "coarse_samples"
    NOT_A_LOOPBACK = "not_a_loopback"
    REPEATS_DISAGREE = "repeats_disagree"
    GAIN_CHANGED = "gain_changed"
    GAIN_UNKNOWN = "gain_unknown"


class Severity(StrEnum):
    """What a finding means for the response."""

    NOTE = "note"
    """It does no harm by itself."""
    WARNING = "warning"
    """Part of the response is doubtful."""
    FAULT = "fault"
    """The recording, or the band named, must not be used."""


REMEDIES: dict[FindingCode, str] = {
    FindingCode.SILENT_CHANNEL: "check cable, input and phantom power; record again",
    FindingCode.LOW_LEVEL: "raise the microphone's input gain, then record again",
    FindingCode.CLIPPING: "lower the input gain, or the playback level, and record again",
    FindingCode.DC_OFFSET: "use another input or interface; switch its high-pass on if it has one",
    FindingCode.DROPPED_SAMPLES: "use larger buffers, close other programs, and record again",
    FindingCode.LOW_SNR: "sweep for longer, average more sweeps, or quieten the room; louder, but "
    "never below the subwoofer's lower limit",
    FindingCode.NOISE_UNKNOWN: "leave 2 s of quiet before and 4 s after the sweep in the recording",
    FindingCode.HUM: "use balanced cables and one mains socket for all devices; never lift a "
    "protective earth",
    FindingCode.DISTURBANCE: "keep the room quiet and record again",
    FindingCode.START_MISSING: "start recording before playback; wake the amplifier before the "
    "sweep and play the lead-in",
    FindingCode.END_MISSING: "keep recording until the tail has been played",
    FindingCode.SWEEPS_MISSING: "record all of the file, or describe it by the sweeps it holds",
    FindingCode.SWEEP_NOT_FOUND: "check that the sweep was played and that this channel heard it",
    FindingCode.WRONG_SWEEP: "name the sweep that was played; what another program made is "
    'described with "synchronised": false and its exact length',
    FindingCode.WRONG_SAMPLE_RATE: "record again at the rate that the file states; or name the "
    "sweep that was played, if it was another",
    FindingCode.CHANNELS_SWAPPED: "name the channels the other way round",
    FindingCode.NO_ROOM_HEARD: "name the channel of the microphone: this looks like a loopback",
    FindingCode.CLOCK_DRIFT: "play and record through one interface, or mend the drift explicitly",
    FindingCode.DECAY_CUT: "go on recording for 4 s after the last sweep, and record again",
    FindingCode.DISTORTION: "play more quietly and record again: the response is that of an "
    "overdriven loudspeaker or amplifier",
    FindingCode.COARSE_SAMPLES: "record in linear samples of 16 bits or more, in no voice or "
    "telephone format",
    FindingCode.NOT_A_LOOPBACK: "name the channel that is wired to the player, or leave "
    "loopback_channel out",
    FindingCode.REPEATS_DISAGREE: "change nothing while the sweeps play, use larger buffers, and "
    "record again",
    FindingCode.GAIN_CHANGED: "switch gain control, noise reduction and limiters of the recorder "
    "off, leave its gain alone, and record again",
    FindingCode.GAIN_UNKNOWN: "none needed where gain control is off; to have it checked, play and "
    "record the lead-in that `roomeq sweep` writes",
    FindingCode.SAME_RECORDING: "name the right file for each seat, or measure the seat again",
}
"""What to do about each finding."""

_NO_LOOPBACK = (
    "check the loopback's cable and input; or leave loopback_channel out, and record again"
)
LOOPBACK_REMEDIES: dict[FindingCode, str] = {
    FindingCode.SILENT_CHANNEL: _NO_LOOPBACK,
    FindingCode.SWEEP_NOT_FOUND: _NO_LOOPBACK,
    FindingCode.LOW_LEVEL: "raise the gain of the loopback's input, or take its signal where it is "
    "stronger; the microphone's gain is another matter",
    FindingCode.CLIPPING: "lower the gain of the loopback's input and record again",
}
"""What to do about it where the channel is the loopback."""


class Finding(Record, frozen=True, kw_only=True):
    """One thing that is wrong or doubtful in a recording; what does not apply is None.

    Attributes
    ----------
    code : FindingCode
        Which.
    severity : Severity
        How bad.
    what : str
        What was seen, with its figures.
    confidence : float
        How sure, 0 to 1; see the conventions above.
    remedy : str
        What to do.
    channel : int
        Where, counted from 1.
    start, stop : float, optional
        From when to when, in s.
    lowest, highest : float, optional
        Frequencies concerned, in Hz.
    value : float, optional
        The figure behind it, in the unit that `what` states; None where it is not finite.

    Raises
    ------
    ValueError
        If the confidence does not lie between 0 and 1.
    """

    code: FindingCode
    severity: Severity
    what: str
    confidence: float
    remedy: str
    channel: int
    start: float | None
    stop: float | None
    lowest: float | None
    highest: float | None
    value: float | None

    def __post_init__(self) -> None:
        if not 0.0 <= self.confidence <= 1.0:
            raise ValueError(f"confidence lies between 0 and 1, got {self.confidence!r}")

    @classmethod
    def of(
        cls,
        code: FindingCode,
        severity: Severity,
        recording: Recording,
        what: str,
        confidence: float = 1.0,
        *,
        seconds: tuple[float, float] | None = None,
        band: tuple[float, float] | None = None,
        value: float | None = None,
    ) -> Finding:
        """Return a finding about a recording, with the usual remedy.

        Parameters
        ----------
        code, severity, what, confidence, value
            As of `Finding`.
        recording : Recording
            Tells the channel.
        seconds, band : tuple of float, optional
            From when to when in s, from where to where in Hz.
        """
        names = ("start", "stop", "lowest", "highest", "value")
        nothing = None, None
        stated = zip(names, (*(seconds or nothing), *(band or nothing), value), strict=True)
        figures = {n: None if x is None or not math.isfinite(x) else float(x) for n, x in stated}
        return cls(
            code=code,
            severity=severity,
            what=what,
            confidence=float(confidence),
            remedy=REMEDIES[code],
            channel=recording.channel,
            **figures,
        )


def worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings in order of severity; what is alike stays as it stands."""
    return sorted(findings, key=lambda one: -list(Severity).index(one.severity))


def confidence_of(margin: float) -> float:
    """Return how sure a finding is whose evidence is `margin` times its threshold.

    ``1 - 0.5 / margin``: 0.5 at the threshold, 0.9 at five times.

    Raises
    ------
    ValueError
        If the margin is nan or below 1: then there is no finding.
    """
    if not margin >= 1.0:
        raise ValueError(f"evidence must reach its threshold, got {margin!r} times")
    return 1.0 if math.isinf(margin) else 1.0 - 0.5 / margin
