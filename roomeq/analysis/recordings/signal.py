"""Faults that the samples themselves show: silence, level, direct current, clipping, lost samples.

Conventions
-----------
Samples are fractions of full scale; levels in dBFS as of AES17. Clipping need not lie at full
scale: an amplifier or an input stage ahead of the converter clips at any level. Its mark is the
flat top: many more samples within a small distance of the extreme value than within the next such
distance. Of a sine that ratio is ``1 / (sqrt(2) - 1) = 2.4`` (arcsine law), of a decaying or
swelling one less; cut off by a part e of its amplitude, it is about ``2 (1 + e / d)`` for a
distance of d times the amplitude. A tone whose period is a whole number of samples repeats the same
few values and can feign a flat top; a sweep never does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.recordings.samples import (
    Gap,
    IntArray,
    find_gaps,
    find_jumps,
    find_repeats,
    sampled,
    smallest_step,
)
from roomeq.base.levels import FloatArray
from roomeq.base.recording import Recording

SILENT_DBFS = -90.0
"""A channel that stays below is silent: one step of 16 bits."""
LOW_DBFS = -48.0
"""A sweep whose peak stays below uses half of 16 bits (common practice, no source)."""
DC_OF_FULL_SCALE = 0.005
"""A mean beyond it, or beyond a tenth of the peak, is a finding (common practice, no source)."""
_DC_OF_PEAK = 0.1
_UNEQUAL = 6.0  # of whole steps
_BLOCK = 65536
_FLAT_RATIO = 6.0
_FLAT_SAMPLES = 16
_DISTANCES = (1e-5, 1e-4, 1e-3, 3e-3, 1e-2, 3e-2)  # of the extreme value


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
    """Return extremes, mean and quantiser step of a recording, block by block."""
    samples = recording.samples
    lowest, highest, total = math.inf, -math.inf, 0.0
    for first in range(0, samples.size, _BLOCK):
        block = samples[first : first + _BLOCK]
        lowest, highest = min(lowest, float(block.min())), max(highest, float(block.max()))
        total += float(block.sum())
    return SampleFacts(
        lowest=lowest,
        highest=highest,
        mean=total / samples.size,
        step=smallest_step(samples),
        values=np.unique(sampled(samples)).size,
    )


def silence_findings(recording: Recording, facts: SampleFacts) -> Iterator[Finding]:
    """Return whether nothing was recorded."""
    if not facts.peak_dbfs < SILENT_DBFS:
        return
    yield Finding.of(
        FindingCode.SILENT_CHANNEL,
        Severity.FAULT,
        recording,
        what="nothing was recorded: no sample lies further than "
        f"{max(facts.peak_dbfs, -200.0):.0f} dBFS from the mean",
        confidence=0.99,
        value=facts.peak_dbfs,
    )


def sample_findings(
    recording: Recording, facts: SampleFacts, model: SweepModel | None
) -> Iterator[Finding]:
    """Return what is wrong with level, direct current and clipping."""
    if facts.peak_dbfs < LOW_DBFS:
        yield Finding.of(
            FindingCode.LOW_LEVEL,
            Severity.WARNING,
            recording,
            what=f"the recording peaks at {facts.peak_dbfs:.0f} dBFS: noise and steps of the "
            "converter come close",
            confidence=confidence_of(1.0 + (LOW_DBFS - facts.peak_dbfs) / 6.0),
            value=facts.peak_dbfs,
        )
    offset = abs(facts.mean) / min(DC_OF_FULL_SCALE, _DC_OF_PEAK * facts.peak)
    if offset >= 1.0:
        headroom_db = -20.0 * math.log10(max(1.0 - abs(facts.mean), 1e-3))
        yield Finding.of(
            FindingCode.DC_OFFSET,
            Severity.WARNING if abs(facts.mean) > 0.1 else Severity.NOTE,
            recording,
            what=f"direct current of {100 * facts.mean:.2f} % of full scale, which costs "
            f"{headroom_db:.2f} dB of headroom",
            confidence=confidence_of(offset),
            value=facts.mean,
        )
    if not facts.coarse:
        yield from _clipping(recording, facts, model)
        return
    yield Finding.of(
        FindingCode.COARSE_SAMPLES,
        Severity.WARNING,
        recording,
        what=f"its samples take {facts.values} different values only, as of 8 bits or a telephone "
        "format",
        confidence=0.95,
        value=facts.values,
    )


def _clipping(
    recording: Recording, facts: SampleFacts, model: SweepModel | None
) -> Iterator[Finding]:
    for sign, extreme in ((1.0, facts.highest), (-1.0, -facts.lowest)):
        found = _flat_top(recording.samples, sign, extreme, facts)
        if found is None:
            continue
        margin, at = found
        rate = recording.sample_rate
        seconds = (float(at[0]) / rate, float(at[-1] + 1) / rate)
        band = None if model is None else model.played(seconds)
        level_dbfs = 20.0 * math.log10(extreme)
        yield Finding.of(
            FindingCode.CLIPPING,
            Severity.FAULT,
            recording,
            what=f"{'positive' if sign > 0 else 'negative'} peaks are cut off at "
            f"{level_dbfs:.2f} dBFS: {at.size} samples lie there",
            confidence=confidence_of(margin),
            seconds=seconds,
            band=band if band is not None and band[0] < band[1] else None,
            value=level_dbfs,
        )


def _flat_top(
    samples: FloatArray, sign: float, extreme: float, facts: SampleFacts
) -> tuple[float, IntArray] | None:
    """Return how clearly a flat top stands out, and its samples; None where there is none."""
    if not extreme > 0:
        return None
    swing = max(extreme - sign * facts.mean, 1e-12)
    widest = 2.0 * _DISTANCES[-1] * swing
    near = _beyond(samples, sign, extreme - max(widest, 5.0 * facts.step))
    below = extreme - sign * samples[near]
    best: tuple[float, IntArray] | None = None
    for part in _DISTANCES:
        distance = max(part * swing, 2.5 * facts.step)
        top = below <= distance
        inside = int(top.sum())
        beneath = int((below <= 2.0 * distance).sum()) - inside
        margin = min(inside / (beneath + 2.0) / _FLAT_RATIO, 1e3)  # 2: chance of small counts
        if inside >= _FLAT_SAMPLES and margin >= 1.0 and (best is None or margin > best[0]):
            best = margin, near[top]
    return best


def _beyond(samples: FloatArray, sign: float, limit: float) -> IntArray:
    found = []
    for first in range(0, samples.size, _BLOCK):
        block = samples[first : first + _BLOCK]
        extreme = float(block.max()) if sign > 0 else -float(block.min())
        if extreme >= limit:
            found.append(np.flatnonzero(sign * block >= limit) + first)
    return np.concatenate(found) if found else np.zeros(0, dtype=np.intp)


def dropped_findings(
    recording: Recording, facts: SampleFacts, model: SweepModel, *, clipped: bool
) -> Iterator[Finding]:
    """Return gaps, repeats and jumps while a sweep plays.

    Flat tops of a clipped recording are no gaps, and their corners no jumps.
    """
    rate, sweep = recording.sample_rate, model.view.excitation
    for start in model.starts:
        first = max(0, round((start + 0.5 * sweep.fade_in) * rate))
        last = round((start + sweep.duration - 0.5 * sweep.fade_out) * rate)
        last = min(recording.samples.size, last)
        part = recording.samples[first:last]
        if part.size < 1024:
            continue
        gaps = find_gaps(part, step=facts.step)
        if clipped:
            gaps = [gap for gap in gaps if _within(part[gap.first], facts)]
        repeats = find_repeats(part, step=facts.step, sample_rate=rate)
        jumps = [] if clipped else find_jumps(part, step=facts.step)
        jumps = [jump for jump in jumps if not _touches(jump, (*gaps, *repeats), rate)]
        for kind, places in (("gap", gaps), ("repeat", repeats), ("jump", jumps)):
            if places:
                yield _dropped(recording, model, kind, places, first)


def _within(value: float, facts: SampleFacts) -> bool:
    """Return whether a value lies well within the extremes."""
    margin = 2e-2 * facts.peak
    return bool(facts.lowest + margin < value < facts.highest - margin)


def _touches(jump: Gap, others: tuple[Gap, ...], rate: float) -> bool:
    reach = 0.002 * rate
    return any(gap.first - reach <= jump.first <= gap.stop + reach for gap in others)


def _dropped(
    recording: Recording, model: SweepModel, kind: str, places: list[Gap], offset: int
) -> Finding:
    rate = recording.sample_rate
    seconds = ((places[0].first + offset) / rate, (places[-1].stop + offset) / rate)
    count = sum(place.stop - place.first for place in places)
    times = "once" if len(places) == 1 else f"{len(places)} times"
    words = {
        "gap": f"the signal stands still {times}, for {count} samples in all",
        "repeat": f"a block is repeated {times}, {count} samples in all",
        "jump": f"the waveform jumps {times}: samples were lost, or there was an electrical click",
    }
    sure = confidence_of(max(place.margin for place in places))
    return Finding.of(
        FindingCode.DROPPED_SAMPLES,
        Severity.WARNING if kind == "jump" else Severity.FAULT,
        recording,
        what=words[kind],
        confidence=min(sure, 0.8) if kind == "jump" else sure,
        seconds=seconds,
        band=model.played(seconds),
        value=None if kind == "jump" else count,
    )
