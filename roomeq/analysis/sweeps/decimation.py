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
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, readonly

_REJECTION_DB = 130.0


def choose_decimation(sample_rate: float, *, highest: float) -> int:
    """Return the largest convenient factor that leaves `highest` well below half the rate.

    The low rate is at least 4 times `highest`; the factor has no prime factor above 5.
    """
    from scipy.fft import next_fast_len

    factor = max(1, math.floor(sample_rate / (4.0 * highest)))
    while next_fast_len(factor, real=True) != factor:  # the next without such a prime factor
        factor -= 1
    return factor


@lru_cache(maxsize=16)
def _taps(factor: int, passband: float, sample_rate: float) -> FloatArray:
    """Return a symmetric low-pass of odd length."""
    from scipy.signal import firwin, kaiser_beta

    if not (factor >= 1 and 0 < passband < 0.5 * sample_rate / factor):
        raise ValueError(
            f"the passband ({passband!r} Hz) must be positive and end below half the low rate "
            f"({sample_rate:g} Hz / {factor} / 2)"
        )
    # Kaiser's formulas; what would fold back into the passband is rejected, the rest may fold.
    width = 2.0 * math.pi * (1.0 / factor - 2.0 * passband / sample_rate)
    half = math.ceil((_REJECTION_DB - 7.95) / (2.285 * width) / 2.0)
    window = "kaiser", float(kaiser_beta(_REJECTION_DB))
    return readonly(firwin(2 * half + 1, 1.0 / factor, window=window))


def decimation_reach(*, factor: int, sample_rate: float, passband: float) -> int:
    """Return over how many low-rate samples on either side the filter smears a sample.

    Raises
    ------
    ValueError
        If the passband does not fit the factor.
    """
    if factor == 1:
        return 0
    return -(-(_taps(factor, passband, sample_rate).size // 2) // factor)


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
        Passband within 1e-6 of 1, fold-back rejected by 130 dB (Kaiser's design formulas).

    Raises
    ------
    ValueError
        If the passband does not fit the factor.
    """
    from scipy.signal import upfirdn

    signal = np.asarray(samples, dtype=np.float64)
    if factor == 1:
        return signal
    taps = _taps(factor, passband, sample_rate)
    half = taps.size // 2
    ahead = -half % factor  # so that the middle of the filter falls on a sample that is kept
    low = upfirdn(np.pad(taps, (ahead, 0)), signal, 1, factor)[(half + ahead) // factor :]
    return np.asarray(low[: -(-signal.size // factor)])
