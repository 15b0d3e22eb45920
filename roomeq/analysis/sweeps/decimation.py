"""Keep the bass of a long recording at a low sample rate.

Conventions
-----------
The last (only) axis is samples. The filter is linear-phase and its delay is taken out: sample m of
the result is the recording, low-passed, at sample ``m * factor``. Beyond its ends the recording
counts as silent. Content between the passband's edge and half the low rate is not to be trusted.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, readonly

_REJECTION_DB = 130.0
_BLOCK_PRODUCTS = 250_000  # in one matrix product: stays in the cache, and in one thread


def choose_decimation(sample_rate: float, *, highest: float) -> int:
    """Return the largest convenient factor that leaves `highest` well below half the rate.

    The low rate is at least 4 times `highest`; the factor has no prime factor above 5.
    """
    factor = max(1, math.floor(sample_rate / (4.0 * highest)))
    while not _convenient(factor):
        factor -= 1
    return factor


def _convenient(number: int) -> bool:
    for prime in (2, 3, 5):
        while number % prime == 0:
            number //= prime
    return number == 1


@lru_cache(maxsize=16)
def _taps(factor: int, passband: float) -> FloatArray:
    """Return a symmetric low-pass of odd length; `passband` is a fraction of the high rate."""
    # Kaiser's formulas; what would fold back into the passband is rejected, the rest may fold.
    edge = 1.0 / factor - passband
    width = 2.0 * math.pi * (edge - passband)
    half = math.ceil((_REJECTION_DB - 7.95) / (2.285 * width) / 2.0)
    beta = 0.1102 * (_REJECTION_DB - 8.7)
    cut = passband + edge  # twice the middle of the transition, in cycles per sample
    taps = cut * np.sinc(cut * np.arange(-half, half + 1)) * np.kaiser(2 * half + 1, beta)
    return readonly(taps / taps.sum())


def _checked(factor: int, passband: float, sample_rate: float) -> FloatArray:
    if not (factor >= 1 and 0 < passband < 0.5 * sample_rate / factor):
        raise ValueError(
            f"the passband ({passband!r} Hz) must be positive and end below half the low rate "
            f"({sample_rate:g} Hz / {factor} / 2)"
        )
    return _taps(factor, passband / sample_rate)


def decimation_reach(*, factor: int, sample_rate: float, passband: float) -> int:
    """Return over how many low-rate samples on either side the filter smears a sample.

    Raises
    ------
    ValueError
        If the passband does not fit the factor.
    """
    if factor == 1:
        return 0
    return -(-(_checked(factor, passband, sample_rate).size // 2) // factor)


def decimate(samples: ArrayLike, *, factor: int, sample_rate: float, passband: float) -> FloatArray:
    """Return the low-passed signal at ``sample_rate / factor``.

    Parameters
    ----------
    samples : array_like, shape (N,)
        The signal.
    factor : int
        How many samples become one.
    sample_rate : float
        Of `samples`, in Hz.
    passband : float
        Highest frequency to keep, in Hz, below half the low rate.

    Returns
    -------
    ndarray, shape (ceil(N / factor),)
        Passband within 1e-6 of 1, fold-back rejected by 130 dB (Kaiser's design formulas). One pass
        of matrix products over blocks, so the work space stays small.

    Raises
    ------
    ValueError
        If the passband does not fit the factor.
    """
    signal = np.asarray(samples, dtype=np.float64)
    if factor == 1:
        return signal.copy()
    taps = _checked(factor, passband, sample_rate)
    half = taps.size // 2
    rows = -(-taps.size // factor)  # how many low-rate periods the filter spans
    phases = np.zeros(rows * factor)
    phases[: taps.size] = taps
    bank = np.ascontiguousarray(phases.reshape(rows, factor).T)
    frames = -(-signal.size // factor)
    result = np.empty(frames)
    block = max(16, _BLOCK_PRODUCTS // phases.size)
    for first in range(0, frames, block):
        count = min(block, frames - first)
        begin = first * factor - half
        end = begin + (count + rows - 1) * factor
        piece = signal[max(begin, 0) : max(end, 0)]
        if piece.size < end - begin:  # at the ends of the recording
            before = max(0, -begin)
            piece = np.pad(piece, (before, end - begin - before - piece.size))
        products = piece.reshape(count + rows - 1, factor) @ bank
        # Sample m is the sum of products[m + row, row]: columns of a sheared view.
        step = products.strides[1]
        sheared = as_strided(products, (count, rows), (rows * step, (rows + 1) * step))
        np.sum(sheared, axis=1, out=result[first : first + count])
    return result
