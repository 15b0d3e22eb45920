"""Level over time by third octave, from an impulse response: how the sound in each band dies away.

Conventions
-----------
Times in s, levels in dB relative to the strongest moment of the band; bands by rows, shape (B, N).
Nothing is integrated or taken off: where the noise of the recording is reached, a line goes level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roomeq.analysis.sweeps.windowing import band_envelope
from roomeq.base.bands import ThirdOctaveBand, whole_bands
from roomeq.base.levels import FloatArray, amplitude_ratio_db, readonly
from roomeq.base.recording import ImpulseResponse

_WIDTH = math.log(10.0) / 10.0 / math.sqrt(math.pi)
"""Standard deviation over ln f of a Gaussian band that passes as much noise as a third octave: its
power integrates to the square root of pi times that (arithmetic)."""
_STEP = 0.005  # s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecayLines:
    """Level over time.

    Attributes
    ----------
    bands : tuple of ThirdOctaveBand, length B
    times : ndarray, shape (N,)
        After time zero.
    level_db : ndarray, shape (B, N)
        Nan from where the recording no longer tells the band.
    own_times : ndarray, shape (B,)
        About how long the band filter by itself takes to fall by 30 dB, in s: nothing falls
        faster.
    """

    bands: tuple[ThirdOctaveBand, ...]
    times: FloatArray
    level_db: FloatArray
    own_times: FloatArray


def estimate_decay_lines(impulse_response: ImpulseResponse, *, until: float) -> DecayLines:
    """Return the level over time in the third octaves from 20 to 125 Hz that are covered whole.

    Bands are Gaussian over the logarithm of frequency: they ring as little as a band can.

    Parameters
    ----------
    impulse_response : ImpulseResponse
        One response.
    until : float
        s after time zero.

    Raises
    ------
    ValueError
        If the response holds more than one, ends before time zero, or covers none of the bands.
    """
    from scipy.fft import rfft

    samples, rate = impulse_response.samples, float(impulse_response.sample_rate)
    lowest, highest = impulse_response.lowest, impulse_response.highest
    covered = whole_bands(20.0, 125.0, first=lowest, last=highest)
    end = min(until, impulse_response.end)
    if samples.ndim != 1 or not covered or not end > _STEP:
        raise ValueError("needs one impulse response beyond time zero that covers a band")
    spectrum, duration = rfft(samples), samples.size / rate
    times = np.arange(0.0, end, _STEP)
    rows = []
    for band in covered:
        envelope = band_envelope(spectrum, step=1.0 / duration, centre=band.centre, width=_WIDTH)
        own = np.arange(envelope.size) * (duration / envelope.size) + impulse_response.start
        level = np.interp(times, own, amplitude_ratio_db(envelope / envelope.max()))
        rows.append(np.where(times <= impulse_response.told_until(band.upper), level, np.nan))
    deviations = 1.0 / (2.0 * math.pi * _WIDTH * np.array([band.centre for band in covered]))
    return DecayLines(
        bands=covered,
        times=readonly(times),
        level_db=readonly(rows),
        own_times=readonly(deviations * math.sqrt(2.0 * math.log(10.0**1.5))),
    )
