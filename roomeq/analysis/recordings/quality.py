"""Judge recorded sweeps: signal-to-noise ratio by third octave, and all that can be wrong.

Conventions
-----------
A judgement never changes a recording, and never mends what it finds. Time in s after the start of
the recording, frequency in Hz, channels counted from 1, levels in dBFS (AES17). Findings come worst
first. The work is done at the rate that carries the bass; sweeps are judged up to 1.4 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass

from msgspec import structs

from roomeq.analysis.recordings.drift import clock_findings, read_lead_in
from roomeq.analysis.recordings.findings import (
    LOOPBACK_REMEDIES,
    Finding,
    FindingCode,
    Severity,
    worst_first,
)
from roomeq.analysis.recordings.model import (
    SweepModel,
    explain_clipping,
    model_sweep,
    view_recording,
)
from roomeq.analysis.recordings.noise import (
    NO_LEVELS,
    NoiseLevels,
    distortion_findings,
    estimate_noise,
    noise_findings,
    total_distortion,
)
from roomeq.analysis.recordings.repeats import (
    ClockDrift,
    Trace,
    channel_findings,
    repeat_findings,
    same_as_earlier,
)
from roomeq.analysis.recordings.residual import disturbance_findings, estimate_hum, hum_findings
from roomeq.analysis.recordings.samples import (
    SILENT_DBFS,
    SampleFacts,
    dropped_findings,
    sample_facts,
    sample_findings,
    silence_finding,
)
from roomeq.analysis.recordings.timing import cut_findings, sweep_findings
from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray
from roomeq.base.recording import Recording, SweepDescription

_BENT = 0.04  # total distortion from which on higher orders are taken for harmonics


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordingQuality:
    """What can be said of one recording.

    Attributes
    ----------
    channel : int
        Which channel, counted from 1.
    sample_rate : int
        Hz.
    duration : float
        Length, in s.
    starts : tuple of float
        When each sweep begins to be heard, in s; empty where none was found.
    peak_dbfs : float
        Greatest magnitude about the mean.
    bands : tuple of ThirdOctaveBand
        Bands of the figures below, lowest first; none where no sweep was found.
    snr_db : ndarray, shape (B,)
        Effective signal-to-noise ratio of the response in dB (ISO 18233). Nan where not known.
    drift : ClockDrift, optional
        Clock drift, where the recording tells it.
    findings : tuple of Finding
        Worst first, the surest first among equals.
    """

    channel: int
    sample_rate: int
    duration: float
    starts: tuple[float, ...]
    peak_dbfs: float
    bands: tuple[ThirdOctaveBand, ...]
    snr_db: FloatArray
    drift: ClockDrift | None
    findings: tuple[Finding, ...]

    def found(self, code: FindingCode) -> tuple[Finding, ...]:
        """Return the findings of one code."""
        return tuple(finding for finding in self.findings if finding.code is code)


def judge_recording(
    recording: Recording,
    sweep: SweepDescription | Recording,
    *,
    loopback: Recording | None = None,
    earlier: list[Trace] | None = None,
) -> RecordingQuality:
    """Return the quality of one recorded channel.

    Parameters
    ----------
    recording : Recording
        The microphone's channel.
    sweep : SweepDescription or Recording
        What was played.
    loopback : Recording, optional
        The channel of the same recording into which the excitation was fed back. Its own faults
        are among the findings, with its channel.
    earlier : list of Trace, optional
        What is kept of recordings of the same sweep that were judged before, to tell whether this
        is one of them; what is kept of this one is added.

    Raises
    ------
    ValueError
        If recording and loopback are not of one rate and length, or the rate of the recording
        cannot carry the sweep.
    """
    if loopback is not None and (
        loopback.sample_rate != recording.sample_rate
        or loopback.samples.size != recording.samples.size
    ):
        raise ValueError("recording and loopback are not channels of one file")
    facts, model, findings = _looked_at(recording, sweep)
    levels, drift = NO_LEVELS, None
    if model is not None:
        levels = estimate_noise(model)
        drift, more = _judged(model, levels, facts, findings, loopback)
        findings += [*more, *same_as_earlier(model, levels, [] if earlier is None else earlier)]
    return RecordingQuality(
        channel=recording.channel,
        sample_rate=recording.sample_rate,
        duration=recording.duration,
        starts=() if model is None else model.starts,
        peak_dbfs=facts.peak_dbfs,
        bands=levels.bands,
        snr_db=levels.snr_db,
        drift=drift,
        findings=tuple(worst_first(sorted(findings, key=lambda one: -one.confidence))),
    )


def _judged(
    model: SweepModel,
    noise: NoiseLevels,
    facts: SampleFacts,
    known: list[Finding],
    loopback: Recording | None,
) -> tuple[ClockDrift | None, list[Finding]]:
    """Return clock drift, and what a recording in which the sweep was found tells besides."""
    codes = {finding.code for finding in known}
    hum, totals = estimate_hum(model), total_distortion(model, noise)
    findings = [*noise_findings(model, noise), *hum_findings(model, hum)]
    findings += cut_findings(model, noise)
    heard: list[Finding] = []
    if model.view.excitation.sweeps and FindingCode.COARSE_SAMPLES not in codes:
        bent = any(total > _BENT for _, total in totals)
        spared = [  # what is missing, was dropped or cut off disturbs by itself
            (one.start, one.stop)
            for one in known + findings
            if one.start is not None and one.stop is not None
        ]
        fuller = explain_clipping(model) if bent else model
        heard += disturbance_findings(fuller, step=facts.step, spared=spared)
    disturbed = any(one.severity is not Severity.NOTE for one in heard)
    if not disturbed:  # else it may lie where harmonics do
        findings += distortion_findings(model, totals)
    reference, faults = None, list[Finding]()
    if loopback is not None:
        _, reference, faults = _looked_at(loopback, model.view.excitation.played)
    told = [
        structs.replace(one, remedy=LOOPBACK_REMEDIES.get(one.code, one.remedy)) for one in faults
    ]
    channels = list(channel_findings(model, reference))
    lead_in = None
    if FindingCode.LOW_LEVEL not in codes:  # steps bend what is quieter than the sweep
        lead_in = read_lead_in(model, hum=() if hum is None else hum.frequencies)
    timed = None if channels else reference
    drift, more = clock_findings(model, timed, lead_in, disturbed=disturbed)
    return drift, [*findings, *heard, *repeat_findings(model, noise), *told, *channels, *more]


def _looked_at(
    recording: Recording, sweep: SweepDescription | Recording
) -> tuple[SampleFacts, SweepModel | None, list[Finding]]:
    """Return what samples and sweep of a channel tell; no model where a finding is decisive."""
    facts, view = sample_facts(recording), view_recording(recording, played=sweep)
    if facts.peak_dbfs < SILENT_DBFS:
        return facts, None, [silence_finding(recording, facts)]
    model = model_sweep(view)
    findings, wrong = [*sample_findings(recording, facts, model)], [*sweep_findings(view, model)]
    if model is None or wrong:
        return facts, None, findings + wrong
    codes = {finding.code for finding in findings}
    if FindingCode.COARSE_SAMPLES not in codes:
        clipped = FindingCode.CLIPPING in codes
        findings += dropped_findings(recording, facts, model, clipped=clipped)
    return facts, model, findings
