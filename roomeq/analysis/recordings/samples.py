"""Samples that a recorder lost, filled in or repeated.

Conventions
-----------
Indices are samples of the recording as it was read. A *gap* is a run of one and the same value
where the signal should move, a *repeat* a block that equals the one before it, sample for sample, a
*jump* a step of the waveform that neither the sweep nor the noise around it explains: what a lost
block, or an electrical click, leaves behind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomeq.base.levels import FloatArray

IntArray = NDArray[np.intp]
_STRIDE = 8
_SHORTEST_GAP = 24  # samples
_GAP_STEPS = 64.0
_JUMP_STEPS = 8.0
_REPEAT_STRIDE = 16
_BLOCK = 4096
_JUMP_SIGMAS = 9.0  # of 1e6 Gaussian samples the largest reaches 4.9
_LEAST_JUMP = 0.01  # of the peak around it; smaller ones do no harm
_THIRD_DIFFERENCE = 2.0  # of a unit step, the largest sample


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch of samples, from `first` to just before `stop`, and how it was found.

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


def sampled(samples: FloatArray) -> FloatArray:
    """Return some thousand samples from all over a recording."""
    return samples[:: max(1, samples.size // 4096)][:8192]


def smallest_step(samples: FloatArray) -> float:
    """Return the step of the quantiser that the samples show; 0 where they show none."""
    steps = np.diff(np.unique(sampled(samples)))
    steps = steps[steps > 0]
    if not steps.size:
        return 0.0
    least = float(steps.min())
    # Of a quantised signal every step is a whole number of the smallest.
    whole = steps[:512] / least
    quantised = least > 2e-8 and np.abs(whole - np.round(whole)).max() < 0.05
    return least if quantised else 0.0


def find_gaps(samples: FloatArray, *, step: float) -> list[Gap]:
    """Return runs of one value that are longer than quantising can make them.

    Where a smooth signal stays within one step of the quantiser for a while, it moves by 8 steps in
    as long a while before or after it at the top of a sine, by 26 at a bend of third order. So a
    run is a gap where the signal moves by at least 64 steps in as long a while beside it.

    Parameters
    ----------
    samples : ndarray, shape (N,)
        Where the signal should move.
    step : float
        Of the quantiser, from `smallest_step`.
    """
    sparse = samples[::_STRIDE]
    same = sparse[1:] == sparse[:-1]
    hits = np.flatnonzero(same[1:] & same[:-1]) * _STRIDE
    whole = np.ones(hits.size, dtype=bool)
    for offset in range(1, 2 * _STRIDE + 1):
        whole &= samples[hits + offset] == samples[hits]
    gaps: list[Gap] = []
    stop = 0
    for hit in hits[whole]:
        if hit < stop:
            continue
        first, stop = _extent(samples, int(hit))
        count = stop - first
        sides = samples[max(0, first - count) : first], samples[stop : stop + count]
        moved = max((float(np.ptp(side)) for side in sides if side.size), default=0.0)
        steps = moved / step if step > 0 else math.inf if moved > 0 else 0.0
        margin = min(count / _SHORTEST_GAP, steps / _GAP_STEPS)
        if margin >= 1.0:
            gaps.append(Gap(first=first, stop=stop, margin=margin))
    return gaps


def _extent(samples: FloatArray, index: int) -> tuple[int, int]:
    """Return the whole run of one value around an index."""
    value, reach = samples[index], 64
    while True:
        first, stop = max(0, index - reach), min(samples.size, index + reach)
        other = np.flatnonzero(samples[first:stop] != value) + first
        before, after = other[other < index], other[other > index]
        open_start = not before.size and first > 0
        open_stop = not after.size and stop < samples.size
        if not (open_start or open_stop):
            begin = int(before[-1]) + 1 if before.size else 0
            return begin, int(after[0]) if after.size else samples.size
        reach *= 4


def _block_lengths(sample_rate: float) -> list[int]:
    """Return the lengths in which recorders handle samples (common practice, no source)."""
    lengths = {2**power for power in range(6, 14)} | {192, 384, 480, 960, 441, 882}
    lengths |= {round(part * sample_rate) for part in (0.01, 0.02, 0.05, 0.1)}
    return sorted(length for length in lengths if length >= 64)


def find_repeats(samples: FloatArray, *, step: float, sample_rate: float) -> list[Gap]:
    """Return blocks that equal, sample for sample, the block before them.

    Looked for at the usual block lengths, 64 to 8192 samples; a block must move by more than 16
    steps of the quantiser.
    """
    found: list[Gap] = []
    sparse = np.ascontiguousarray(samples[::_REPEAT_STRIDE])
    for length in _block_lengths(sample_rate):
        if samples.size < 3 * length:
            continue
        for hit in _sparse_hits(samples, sparse, length):
            if found and any(gap.first <= hit < gap.stop for gap in found):
                continue
            first, stop = _equal_extent(samples, hit, length)
            block = samples[first:stop]
            if stop - first >= length and float(np.ptp(block)) > 16.0 * step:
                found.append(Gap(first=first, stop=stop, margin=(stop - first) / (0.25 * length)))
    return found


def _sparse_hits(samples: FloatArray, sparse: FloatArray, length: int) -> list[int]:
    """Return samples at which four sparse samples in a row equal those a block earlier."""
    later = samples[length::_REPEAT_STRIDE]
    same = later == sparse[: later.size]
    if not same.any():
        return []
    four = same[3:] & same[2:-1] & same[1:-2] & same[:-3]
    hits = np.flatnonzero(four) * _REPEAT_STRIDE + length
    return [int(hit) for hit in hits[:2000] if samples[hit] != samples[hit + _REPEAT_STRIDE]]


def _equal_extent(samples: FloatArray, hit: int, length: int) -> tuple[int, int]:
    """Return the stretch around a sample that equals what lies a block earlier."""
    first, stop = max(length, hit - length), min(samples.size, hit + 2 * length)
    other = np.flatnonzero(samples[first:stop] != samples[first - length : stop - length]) + first
    before, after = other[other < hit], other[other >= hit]
    return (
        int(before[-1]) + 1 if before.size else first,
        int(after[0]) if after.size else stop,
    )


def find_jumps(samples: FloatArray, *, step: float) -> list[Gap]:
    """Return steps of the waveform.

    The third difference suppresses the bass (by 71 dB at 500 Hz and 48 kHz) and makes of a unit
    step the samples 1, -2, 1. A jump stands nine times above the root mean square of the third
    difference around it, and is at least 1 % of the peak around it and 8 steps of the quantiser.
    """
    found: list[Gap] = []
    for first in range(0, samples.size - 8, _BLOCK):
        part = samples[max(0, first - 3) : first + _BLOCK]
        third = np.diff(part, 3)
        if third.size < 64:
            break
        power = third * third
        at = int(np.argmax(power))
        largest = float(power[at])
        if largest * third.size < _JUMP_SIGMAS**2 * float(power.sum()):
            continue  # the block's own mean square, jump included, is a quick lower bound
        least = max(_LEAST_JUMP * float(np.abs(part).max()), _JUMP_STEPS * step)
        if largest < (_THIRD_DIFFERENCE * least) ** 2:
            continue
        around = float(np.sum(power)) - float(power[max(0, at - 4) : at + 5].sum())
        mean = max(around, 0.0) / max(1, third.size - 9)
        margin = math.sqrt(largest / max(mean, 1e-30)) / _JUMP_SIGMAS
        if margin >= 1.0:
            index = max(0, first - 3) + at + 2
            found.append(Gap(first=index, stop=index + 1, margin=min(margin, 100.0)))
    return found
