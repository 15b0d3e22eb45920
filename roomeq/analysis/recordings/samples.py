"""Faults that the samples themselves show: silence, level, direct current, clipping, lost samples.

Conventions
-----------
Samples are fractions of full scale, their indices those of the recording as it was read; levels in
dBFS as of AES17. Clipping need not lie at full scale: an amplifier or an input stage ahead of the
converter clips at any level. Its mark is the flat top: many more samples within a small distance of
the extreme value than within the next such distance. Of a sine that ratio is ``1 / (sqrt(2) - 1) =
2.4`` (arcsine law), of a decaying or swelling one less; cut off by a part e of its amplitude, it is
about ``2 (1 + e / d)`` for a distance of d times the amplitude. A tone whose period is a whole
number of samples repeats the same few values and can feign a flat top; a sweep never does.

A *dropout* is a block that stands still where the signal should move, or that equals the one
before it, sample for sample; a *jump* is a step of the waveform that neither the sweep nor the
noise around it explains: what a lost block, or an electrical click, leaves behind.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import SweepModel
from roomeq.base.levels import FloatArray
from roomeq.base.recording import Recording

IntArray = NDArray[np.intp]
SILENT_DBFS = -90.0
"""A channel that stays below is silent: one step of 16 bits."""
LOW_DBFS = -48.0
"""A sweep whose peak stays below uses half of 16 bits (common practice, no source)."""
DC_OF_FULL_SCALE = 0.005
"""A mean beyond it, or beyond a tenth of the peak, is a finding (common practice, no source)."""
_DC_OF_PEAK = 0.1
_UNEQUAL = 6.0  # of whole steps
_FLAT_RATIO = 6.0
_FLAT_SAMPLES = 16
_DISTANCES = (1e-5, 1e-4, 1e-3, 3e-3, 1e-2, 3e-2)  # of the extreme value
_SHORTEST = 24  # samples
_LEAST_STEPS = 64.0
_JUMP_STEPS = 8.0
_BLOCK = 4096
_JUMP_SIGMAS = 9.0  # of 1e6 Gaussian samples the largest reaches 4.9
_LEAST_JUMP = 0.01  # of the peak around it; smaller ones do no harm
_THIRD_DIFFERENCE = 2.0  # of a unit step, the largest sample
_BESIDE = 0.002  # s: a jump that near to a dropout is its edge


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFacts:
    """What one pass over the samples tells.

    Attributes
    ----------
    lowest, highest, mean : float
        Fractions of full scale.
    step : float
        Of the quantiser; 0 where none shows.
    values : int
        How many values a sample of the samples takes.
    """

    lowest: float
    highest: float
    mean: float
    step: float
    values: int

    @property
    def coarse(self) -> bool:
        """Whether they are those of 8 bits: few values, far apart or at unequal distances."""
        span = self.highest - self.lowest
        unequal = self.step == 0.0 or span > _UNEQUAL * self.step * self.values
        return 2 < self.values <= 256 and (unequal or self.step > 2.0**-9)

    @property
    def peak(self) -> float:
        """Greatest magnitude about the mean."""
        return max(self.highest - self.mean, self.mean - self.lowest)

    @property
    def peak_dbfs(self) -> float:
        """The same in dBFS; -inf where nothing moves."""
        return 20.0 * math.log10(self.peak) if self.peak > 0 else -math.inf


def sample_facts(recording: Recording) -> SampleFacts:
    """Return extremes, mean and quantiser step of a recording."""
    samples = recording.samples
    return SampleFacts(
        lowest=float(samples.min()),
        highest=float(samples.max()),
        mean=float(samples.mean()),
        step=smallest_step(samples),
        values=_sampled_values(samples).size,
    )


def _sampled_values(samples: FloatArray) -> FloatArray:
    """Return the values that some thousand samples from all over a recording take."""
    return np.unique(samples[:: max(1, samples.size // 4096)][:8192])


def smallest_step(samples: FloatArray) -> float:
    """Return the step of the quantiser that the samples show; 0 where they show none."""
    steps = np.diff(_sampled_values(samples))
    if not steps.size:
        return 0.0
    least = float(steps.min())
    # Of a quantised signal every step is a whole number of the smallest.
    whole = steps[:512] / least
    quantised = least > 2e-8 and np.abs(whole - np.round(whole)).max() < 0.05
    return least if quantised else 0.0


def silence_finding(recording: Recording, facts: SampleFacts) -> Finding:
    """Return that nothing was recorded."""
    what = (
        f"nothing was recorded: no sample lies further than {max(facts.peak_dbfs, -200.0):.0f} "
        "dBFS from the mean"
    )
    code, value = FindingCode.SILENT_CHANNEL, facts.peak_dbfs
    return Finding.of(code, Severity.FAULT, recording, what, 0.99, value=value)


def sample_findings(
    recording: Recording, facts: SampleFacts, model: SweepModel | None
) -> Iterator[Finding]:
    """Return what is wrong with level, direct current and clipping."""
    mean, peak_dbfs, few = facts.mean, facts.peak_dbfs, facts.values
    if peak_dbfs < LOW_DBFS:
        what = (
            f"the recording peaks at {peak_dbfs:.0f} dBFS: noise and steps of the converter come "
            "close"
        )
        code, sure = FindingCode.LOW_LEVEL, confidence_of(1.0 + (LOW_DBFS - peak_dbfs) / 6.0)
        yield Finding.of(code, Severity.WARNING, recording, what, sure, value=peak_dbfs)
    offset = abs(mean) / min(DC_OF_FULL_SCALE, _DC_OF_PEAK * facts.peak)
    if offset >= 1.0:
        headroom_db = -20.0 * math.log10(max(1.0 - abs(mean), 1e-3))
        what = (
            f"direct current of {100 * mean:.2f} % of full scale, which costs {headroom_db:.2f} dB "
            "of headroom"
        )
        severity = Severity.WARNING if abs(mean) > 0.1 else Severity.NOTE
        code, sure = FindingCode.DC_OFFSET, confidence_of(offset)
        yield Finding.of(code, severity, recording, what, sure, value=mean)
    if facts.coarse:
        what = f"its samples take {few} different values only, as of 8 bits or a telephone format"
        code = FindingCode.COARSE_SAMPLES
        yield Finding.of(code, Severity.WARNING, recording, what, 0.95, value=few)
    else:
        yield from _clipping(recording, facts, model)


def _clipping(
    recording: Recording, facts: SampleFacts, model: SweepModel | None
) -> Iterator[Finding]:
    for sign, extreme in ((1.0, facts.highest), (-1.0, -facts.lowest)):
        margin, top = _flat_top(recording.samples, sign, extreme, facts)
        if margin < 1.0:
            continue
        rate = recording.sample_rate
        seconds = (float(top[0]) / rate, float(top[-1] + 1) / rate)
        band = (0.0, 0.0) if model is None else model.played(seconds)
        told = band if band[0] < band[1] else None
        level_dbfs, side = 20.0 * math.log10(extreme), "positive" if sign > 0 else "negative"
        what = f"{side} peaks are cut off at {level_dbfs:.2f} dBFS: {top.size} samples lie there"
        code, fault, sure = FindingCode.CLIPPING, Severity.FAULT, confidence_of(margin)
        yield Finding.of(
            code, fault, recording, what, sure, seconds=seconds, band=told, value=level_dbfs
        )


def _flat_top(
    samples: FloatArray, sign: float, extreme: float, facts: SampleFacts
) -> tuple[float, IntArray]:
    """Return how clearly a flat top stands out, 1 at the threshold, and its samples."""
    swing = max(extreme - sign * facts.mean, 1e-12)
    widest = max(2.0 * _DISTANCES[-1] * swing, 5.0 * facts.step)
    edge = sign * (extreme - widest)
    near = np.flatnonzero(samples >= edge if sign > 0 else samples <= edge)
    below = extreme - sign * samples[near]
    distances = np.maximum(np.array(_DISTANCES) * swing, 2.5 * facts.step)
    inside = (below <= distances[:, np.newaxis]).sum(axis=1)
    beneath = (below <= 2.0 * distances[:, np.newaxis]).sum(axis=1) - inside
    margins = np.minimum(inside / (beneath + 2.0) / _FLAT_RATIO, 1e3)  # 2: chance of small counts
    margins[(inside < _FLAT_SAMPLES) | (extreme <= 0.0)] = 0.0
    best = int(margins.argmax())
    return float(margins[best]), near[below <= distances[best]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Samples from `first` to just before `stop`, and how it was found.

    Attributes
    ----------
    first, stop : int
        Samples.
    margin : float
        The evidence over its threshold, at least 1.
    """

    first: int
    stop: int
    margin: float


def dropped_findings(
    recording: Recording, facts: SampleFacts, model: SweepModel, *, clipped: bool
) -> Iterator[Finding]:
    """Return dropouts and jumps while a sweep plays.

    Flat tops of a clipped recording are no dropouts, and their corners no jumps.
    """
    rate, sweep = recording.sample_rate, model.view.excitation
    ends, away = 2e-2 * facts.peak if clipped else -math.inf, _BESIDE * rate
    for start in model.starts:
        first = max(0, round((start + 0.5 * sweep.fade_in) * rate))
        last = round((start + sweep.duration - 0.5 * sweep.fade_out) * rate)
        part = recording.samples[first:last]
        if part.size < 1024:
            continue
        dropouts = [
            one
            for one in find_dropouts(part, step=facts.step, sample_rate=rate)
            if facts.lowest + ends < part[one.first] < facts.highest - ends
        ]
        jumps = [
            jump
            for jump in ([] if clipped else find_jumps(part, step=facts.step))
            if not any(one.first - away <= jump.first <= one.stop + away for one in dropouts)
        ]
        for places in filter(None, (dropouts, jumps)):
            yield _dropped(model, places, first, jump=places is jumps)


def _dropped(model: SweepModel, places: list[Stretch], offset: int, *, jump: bool) -> Finding:
    rate = model.recording.sample_rate
    seconds = ((places[0].first + offset) / rate, (places[-1].stop + offset) / rate)
    count = sum(place.stop - place.first for place in places)
    times = "once" if len(places) == 1 else f"{len(places)} times"
    severity, most, value = Severity.FAULT, 1.0, float(count)
    what = f"the signal stands still or repeats itself {times}, for {count} samples in all"
    if jump:
        severity, most, value = Severity.WARNING, 0.8, math.nan
        what = f"the waveform jumps {times}: samples were lost, or there was an electrical click"
    sure, band = min(confidence_of(max(one.margin for one in places)), most), model.played(seconds)
    code, heard = FindingCode.DROPPED_SAMPLES, model.recording
    return Finding.of(code, severity, heard, what, sure, seconds=seconds, band=band, value=value)


def runs(flags: NDArray[np.bool_], *, least: int = 1) -> list[tuple[int, int]]:
    """Return first and one past the last index of every run of at least so many True."""
    if np.count_nonzero(flags) < least:
        return []
    edges = np.flatnonzero(np.diff(flags, prepend=False, append=False)).reshape(-1, 2)
    return [(first, stop) for first, stop in edges[edges[:, 1] - edges[:, 0] >= least].tolist()]


def _block_lengths(sample_rate: float) -> list[int]:
    """Return the lengths in which recorders handle samples (common practice, no source)."""
    lengths = {2**power for power in range(6, 14)} | {192, 384, 480, 960, 441, 882}
    lengths |= {round(part * sample_rate) for part in (0.01, 0.02, 0.05, 0.1)}
    return sorted(length for length in lengths if length >= 64)


def find_dropouts(samples: FloatArray, *, step: float, sample_rate: float) -> list[Stretch]:
    """Return blocks that stand still, from 24 samples on, or equal the block before them.

    Repeats are looked for at the usual block lengths, 64 to 8192 samples. Where a smooth signal
    stays within one step of the quantiser for a while, it moves by 8 steps in as long a while
    before or after it at the top of a sine, by 26 at a bend of third order. So the signal must move
    by at least 64 steps in as long a while before the block or after it.

    Parameters
    ----------
    samples : ndarray, shape (N,)
        Where the signal should move.
    step : float
        Of the quantiser, from `smallest_step`.
    sample_rate : float
        Hz.
    """
    found: list[Stretch] = []
    for length in (1, *_block_lengths(sample_rate)):
        same = samples[length:] == samples[:-length]
        for begin, end in runs(same, least=_SHORTEST - 1 if length == 1 else length):
            first, stop = (begin, end + 1) if length == 1 else (begin + length, end + length)
            count = stop - first
            sides = samples[max(0, first - count) : first], samples[stop : stop + count]
            moved = max((float(np.ptp(side)) for side in sides if side.size), default=0.0)
            steps = moved / step if step > 0 else math.inf if moved > 0 else 0.0
            margin = min(count / _SHORTEST, steps / _LEAST_STEPS)
            known = any(one.first <= first < one.stop for one in found)
            if margin >= 1.0 and not known:
                found.append(Stretch(first=first, stop=stop, margin=margin))
    return found


def find_jumps(samples: FloatArray, *, step: float) -> list[Stretch]:
    """Return steps of the waveform.

    The third difference suppresses the bass (by 71 dB at 500 Hz and 48 kHz) and makes of a unit
    step the samples 1, -2, 1. A jump stands nine times above the root mean square of the third
    difference around it, and is at least 1 % of the peak around it and 8 steps of the quantiser.
    """
    found = []
    for begin in range(0, samples.size - 8, _BLOCK):
        part = samples[max(0, begin - 3) : begin + _BLOCK]
        power = np.diff(part, 3) ** 2
        if power.size < 64:
            break
        at = int(power.argmax())
        around = float(power.sum() - power[max(0, at - 4) : at + 5].sum())
        mean = max(around, 0.0) / (power.size - 9)
        margin = math.sqrt(float(power[at]) / max(mean, 1e-30)) / _JUMP_SIGMAS
        least = max(_LEAST_JUMP * float(np.abs(part).max()), _JUMP_STEPS * step)
        if margin >= 1.0 and power[at] >= (_THIRD_DIFFERENCE * least) ** 2:
            index = max(0, begin - 3) + at + 2
            found.append(Stretch(first=index, stop=index + 1, margin=min(margin, 100.0)))
    return found
