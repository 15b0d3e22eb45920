"""What other band gains would do to the decay: measured before, predicted after.

Conventions
-----------
Frequencies in Hz, gains in dB, decay times in s. What is predicted is the measured impulse response
through the filters proposed and backwards through those that were in force. A mode's own decay is
not changed by that, unless a cut has zeros where the mode has its poles; then the zeros take the
mode away and the cut's own, shorter ringing takes its place.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray
from roomeq.base.recording import ImpulseResponse
from roomeq.device.equaliser import FixedBandEqualiser


def predict_impulse_response(
    impulse_response: ImpulseResponse,
    *,
    equaliser: FixedBandEqualiser,
    gains_db: ArrayLike,
    present_gains_db: ArrayLike | None = None,
) -> ImpulseResponse:
    """Return an impulse response as it would be with other band gains.

    Parameters
    ----------
    impulse_response : ImpulseResponse
        Measured; one response or several.
    equaliser : FixedBandEqualiser
    gains_db : array_like, shape (B,)
        Gain of every band then, in dB.
    present_gains_db : array_like, shape (B,), optional
        Gain of every band while measuring; 0 dB by default.

    Returns
    -------
    ImpulseResponse
        As long as the one given; noise is filtered along with it.

    Raises
    ------
    ValueError
        If gains are not usable, or the device's bands were measured in level only: without phase
        nothing can be said of time.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    samples, rate = impulse_response.samples, float(impulse_response.sample_rate)
    gains = equaliser.checked_gains_db(gains_db)
    present = np.zeros(gains.size)
    if present_gains_db is not None:
        present = equaliser.checked_gains_db(present_gains_db)
    # Silence after it, in which the ringing of the filters dies before it could come round again.
    silence = math.ceil(rate * max(_ringing(equaliser, gains), _ringing(equaliser, present)))
    size = next_fast_len(samples.shape[-1] + silence, real=True)
    axis = np.arange(size // 2 + 1) * (rate / size)
    if equaliser.sample_rate is not None:
        axis = np.minimum(axis, 0.4999 * equaliser.sample_rate)
    change = equaliser.response(gains, axis) / equaliser.response(present, axis)
    filtered = irfft(rfft(samples, size) * change, size)[..., : samples.shape[-1]]
    return replace(impulse_response, samples=filtered, told=None)


def _ringing(equaliser: FixedBandEqualiser, gains_db: FloatArray) -> float:
    """Return how long the filters, or their inverses, ring until they are 140 dB down, in s.

    Of a section and its inverse the slower root has the damping ``w / (2 A Q)``, ``A`` at least 1.
    """
    sections = [equaliser.section(index, gain) for index, gain in enumerate(gains_db)]
    longest = [q * 10.0 ** (abs(gain_db) / 40.0) for gain_db, q in sections] / equaliser.centres
    return 7.0 * math.log(10.0) / math.pi * float(np.max(longest))
