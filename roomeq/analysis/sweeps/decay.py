"""Decay times by band, from an impulse response.

Conventions
-----------
Decay times are in s, for 60 dB, whatever range they were read from: T20 from -5 to -25 dB, T30 from
-5 to -35 dB of the backward-integrated energy (Schroeder 1965; ISO 3382-2:2008). Arrays have one
entry for each band, lowest first; what could not be measured is nan, and says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomeq.base.bands import OCTAVE_RATIO
from roomeq.base.levels import FloatArray, readonly
from roomeq.base.recording import ImpulseResponse

_LEAST_PRODUCT = 16.0  # bandwidth times decay time (ISO 3382-2:2008, 7.3)
_HEADROOM_DB = 10.0  # noise lies at least this far below the evaluation range (ISO 3382-2, 6.2.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decay:
    """Decay by band.

    Attributes
    ----------
    frequencies, bandwidths : ndarray, shape (B,)
        Exact mid-band frequency and width of each band, in Hz.
    t20, t30 : ndarray, shape (B,)
        Decay times in s; nan where the noise leaves too small a range (35 and 45 dB are needed).
    noise_met_at : ndarray, shape (B,)
        When the decay meets the noise, in s after time zero.
    governed_by_filter : ndarray of bool, shape (B,)
        Whether the band filter's own ringing governs: bandwidth times decay time below 16, or no
        decay time known. Such values are to be greyed out.
    """

    frequencies: FloatArray
    bandwidths: FloatArray
    t20: FloatArray
    t30: FloatArray
    noise_met_at: FloatArray
    governed_by_filter: NDArray[np.bool_]

    @property
    def times(self) -> FloatArray:
        """The longer of T20 and T30, or the one that is known, shape (B,), in s."""
        return np.fmax(self.t20, self.t30)

    @property
    def longest(self) -> float:
        """Longest decay time of all bands, in s; nan if none is known."""
        known = self.times[np.isfinite(self.times)]
        return float(known.max()) if known.size else math.nan


def estimate_decay(
    impulse_response: ImpulseResponse, *, bands_per_octave: Literal[1, 3] = 1
) -> Decay:
    """Return decay times in the octave or third-octave bands that the response covers.

    Sixth-order Butterworth band-pass filters (class 1 of IEC 61260-1:2014). The noise is told by
    the end of what the recording tells of the band; the decay is integrated backwards from where it
    meets the noise, and what lies beyond is put in as the continued exponential (ISO 3382-1:2009,
    5.3.3).

    Parameters
    ----------
    impulse_response : ImpulseResponse
        One response; time zero is its beginning.
    bands_per_octave : {1, 3}
        Octaves or third octaves. Bands whose edges are not covered are left out.

    Raises
    ------
    ValueError
        If the response holds more than one, ends before time zero, or covers no band.
    """
    from scipy.signal import sosfilt

    signal, rate = impulse_response.samples, float(impulse_response.sample_rate)
    if signal.ndim != 1 or impulse_response.end <= 8.0 / rate:
        raise ValueError("needs one impulse response that reaches beyond time zero")
    edges = _band_edges(impulse_response.lowest, impulse_response.highest, bands_per_octave)
    if not edges:
        raise ValueError(
            f"no whole band between {impulse_response.lowest:g} and {impulse_response.highest:g} Hz"
        )
    first = max(0, round(-impulse_response.start * rate))
    rows = []
    for lower, upper in edges:
        told = round(float(impulse_response.told_until(upper)) * rate)
        filtered = sosfilt(_band_filter(lower, upper, rate), signal)[first : first + max(8, told)]
        rows.append(_decay_times(filtered**2, rate, upper - lower))
    t20, t30, met = (readonly(column) for column in zip(*rows, strict=True))
    widths = np.array([upper - lower for lower, upper in edges])
    governed = ~(widths * np.fmax(t20, t30) >= _LEAST_PRODUCT)
    return Decay(
        frequencies=readonly([math.sqrt(lower * upper) for lower, upper in edges]),
        bandwidths=readonly(widths),
        t20=t20,
        t30=t30,
        noise_met_at=met,
        governed_by_filter=readonly(governed, dtype=np.bool_),
    )


def _band_edges(lowest: float, highest: float, per_octave: int) -> list[tuple[float, float]]:
    """Return the edges of all whole bands within a range (IEC 61260-1:2014, 5.2 to 5.5)."""
    half = OCTAVE_RATIO ** (0.5 / per_octave)
    first = math.ceil(per_octave * math.log(lowest * half / 1000.0, OCTAVE_RATIO) - 1e-9)
    last = math.floor(per_octave * math.log(highest / half / 1000.0, OCTAVE_RATIO) + 1e-9)
    centres = [1000.0 * OCTAVE_RATIO ** (x / per_octave) for x in range(first, last + 1)]
    return [(centre / half, centre * half) for centre in centres]


@lru_cache(maxsize=128)
def _band_filter(lower: float, upper: float, rate: float) -> FloatArray:
    from scipy.signal import butter

    sections = butter(3, (lower, min(upper, 0.499 * rate)), "bandpass", fs=rate, output="sos")
    return np.asarray(sections)


def decay_curve_db(energy: FloatArray) -> FloatArray:
    """Return the backward-integrated energy in dB relative to its whole, shape (N,).

    ``10 lg (integral from t to the end / integral of all)`` (Schroeder 1965).
    """
    integral = np.maximum(np.cumsum(energy[::-1])[::-1], 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(integral / integral[0]))


def _decay_times(energy: FloatArray, rate: float, bandwidth: float) -> tuple[float, float, float]:
    """Return T20, T30 and the time at which the noise is met."""
    noise = float(energy[-max(1, energy.size // 10) :].mean())
    block = max(1, round(rate * max(0.01, 1.0 / bandwidth)))
    blocks = energy.size // block
    if blocks < 4 or not energy.max() > 0:
        return math.nan, math.nan, energy.size / rate
    level = energy[: blocks * block].reshape(blocks, block).mean(axis=1)
    begin, peak = int(np.argmax(level)), float(level.max())
    met, slope, offset = blocks, math.nan, math.nan
    for _ in range(5):  # Lundeby et al. 1995: noise and crossing, each from the other
        floor = max(noise, 1e-30 * peak)
        used = _falling(level, begin, 10.0 * floor)
        if used < begin + 3:
            break
        late = min(max(begin, _falling(level, begin, 1000.0 * floor)), used - 3)
        times = (np.arange(late, used, dtype=np.float64) + 0.5) * (block / rate)
        slope, offset = np.polyfit(times, 10.0 * np.log10(level[late:used] - noise), 1)
        if not slope < 0:
            break
        crossing = (10.0 * math.log10(floor) - offset) / slope
        met = min(blocks, max(used, math.ceil(crossing * rate / block)))
        rest = energy[min(round((crossing - 10.0 / slope) * rate), round(0.9 * energy.size)) :]
        noise = float(rest.mean())
    range_db = 10.0 * math.log10(peak / max(noise, 1e-30 * peak))
    if not (slope < 0 and range_db >= 25.0 + _HEADROOM_DB):
        return math.nan, math.nan, met * block / rate
    kept = energy[: met * block] - noise  # Chu 1978
    # What the exponential would still have held beyond the cut (ISO 3382-1, 5.3.3).
    at_cut = 10.0 ** ((offset + slope * met * block / rate) / 10.0)
    kept[-1] += at_cut * rate * 10.0 / (math.log(10.0) * -slope)
    curve = decay_curve_db(kept)
    t20 = _fitted(curve, rate, 25.0)
    t30 = _fitted(curve, rate, 35.0) if range_db >= 35.0 + _HEADROOM_DB else math.nan
    return t20, t30, met * block / rate


def _falling(level: FloatArray, begin: int, floor: float) -> int:
    """Return the first block after `begin` at which the level has reached the floor."""
    below = np.flatnonzero(level[begin:] <= floor)
    return begin + int(below[0]) if below.size else level.size


def _fitted(curve: FloatArray, rate: float, depth_db: float) -> float:
    """Return 60 dB over the slope of the least-squares line from -5 dB to -depth."""
    first = int(np.argmax(curve <= -5.0))
    last = int(np.argmax(curve <= -depth_db))
    if last - first < 3:
        return math.nan
    slope, _ = np.polyfit(np.arange(first, last + 1) / rate, curve[first : last + 1], 1)
    return -60.0 / float(slope) if slope < 0 else math.nan
