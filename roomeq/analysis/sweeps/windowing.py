"""The window that cuts an impulse response out of its surroundings.

Conventions
-----------
Times are in s relative to the response's time zero. The window rises before time zero, is flat from
there on, and falls as a raised cosine over the last fifth of its length; `length` counts from time
zero. A window that tapers while a room mode still rings lowers the mode's peak: half a second costs
2 to 5 dB where a mode rings for 1 to 2 s, so the flat part follows the measured decay.

Level over time by third octave, from an impulse response: how the sound in each band dies away.

Times in s, levels in dB relative to the strongest moment of the band; bands by rows, shape (B, N).
Nothing is integrated or taken off: where the noise of the recording is reached, a line goes level.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from roomeq.analysis.smoothing import mean_over_windows
from roomeq.analysis.sweeps.decay import estimate_decay
from roomeq.base.bands import ThirdOctaveBand, whole_bands
from roomeq.base.levels import FloatArray, amplitude_ratio_db, readonly
from roomeq.base.recording import ImpulseResponse

FLAT_PER_DECAY = 1.2
"""The window is flat for at least this much of the longest decay time."""

_LONGEST_PER_DECAY = 2.0  # beyond, a decay has fallen by 120 dB
_SHORTEST_FLAT = 0.25  # s
_FLAT_WITHOUT_DECAY = 1.0  # s; common practice, no source
_BEFORE = 0.5  # s; the band's edges ring this long ahead of time zero
_LEAST_STEADY = 0.4  # s
_HIGHEST_DECAY = 725.0  # Hz; just above the octave at 500 Hz
_Basis = Literal["decay", "noise", "available", "assumed", "early decay", "given"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpulseWindow:
    """A window.

    Attributes
    ----------
    before : float
        How long before time zero it begins, in s; it rises over the first half of that.
    length : float
        From time zero to its end, in s; the last fifth is the taper.
    decay_time : float
        The longest decay time it was chosen for, in s; nan where none could be measured.
    basis : {"decay", "noise", "available", "assumed", "early decay", "given"}
        What set the length: the decay time; the time at which the decay meets the noise; what the
        recording holds (then it may be too short); an assumption, because no decay could be
        measured; the early decay, because a disturbance feigns a longer one; the caller.

    Raises
    ------
    ValueError
        If a time is negative or not finite, or the length is zero.
    """

    before: float
    length: float
    decay_time: float = math.nan
    basis: _Basis = "given"

    def __post_init__(self) -> None:
        if not (0 <= self.before < math.inf and 0 < self.length < math.inf):
            raise ValueError(f"needs finite times, got {self.before!r} and {self.length!r}")

    @property
    def flat(self) -> float:
        """How long it is flat after time zero, in s."""
        return 0.8 * self.length

    @property
    def energy(self) -> float:
        """Integral of the window's square, in s: 3/8 of each raised cosine (arithmetic)."""
        return 0.5 * self.before + self.flat + 0.375 * (0.5 * self.before + 0.2 * self.length)

    @property
    def lowest_resolvable(self) -> float:
        """Lowest frequency of which it holds a whole period, in Hz; details finer merge."""
        return 1.0 / self.length

    @property
    def covers_decay(self) -> bool:
        """Whether it is flat for at least 1.2 times the decay time; False where that is unknown."""
        return bool(self.flat >= FLAT_PER_DECAY * self.decay_time * (1.0 - 1e-9))


def choose_window(impulse_response: ImpulseResponse) -> ImpulseWindow:
    """Return the window that the measured decay asks for.

    Flat until the decay meets the noise, but for at least 1.2 and at most 2 times the longest decay
    time; never longer than the recording allows.

    Parameters
    ----------
    impulse_response : ImpulseResponse
        As deconvolved, with all that follows it up to the next excitation.

    Raises
    ------
    ValueError
        If the response ends before time zero.
    """
    available = impulse_response.end
    if not available > 0:
        raise ValueError("needs an impulse response that reaches beyond time zero")
    before = min(_BEFORE, max(0.0, -impulse_response.start))
    time, met = math.nan, math.nan
    with suppress(ValueError):  # where it covers no whole octave; the bass decays longest
        highest = min(impulse_response.highest, _HIGHEST_DECAY)
        decay = estimate_decay(replace(impulse_response, highest=highest))
        time, met = decay.longest, float(decay.noise_met_at.max())
    basis: _Basis
    if not math.isfinite(time):
        flat, basis = _FLAT_WITHOUT_DECAY, "assumed"
    else:
        least = max(FLAT_PER_DECAY * time, _SHORTEST_FLAT)
        flat = min(max(met, least), max(_LONGEST_PER_DECAY * time, _SHORTEST_FLAT))
        basis = "noise" if least < met == flat else "decay"
    if flat > 0.8 * available:
        flat, basis = 0.8 * available, "available"
    return ImpulseWindow(before=before, length=flat / 0.8, decay_time=time, basis=basis)


def choose_steady_window(
    impulse_response: ImpulseResponse, *, plain: ImpulseWindow, disturbed: bool = False
) -> ImpulseWindow:
    """Return the window that the decay asks for, where a disturbance may have feigned decay.

    A slam or a voice spreads over the lags far below the response and looks like a slow decay. So
    the window is held between what the early decay time and what twice that asks for: three times
    as long as an octave stays 20 dB below its peak. Of the octaves the slowest counts among those
    that go on falling, by 30 dB in twice that time (common practice, no source).

    Parameters
    ----------
    impulse_response : ImpulseResponse
        One response.
    plain : ImpulseWindow
        What `choose_window` says of it.
    disturbed : bool
        Whether a disturbance is known of. Then the median over the octaves counts: a slam holds up
        few of them (common practice, no source).
    """
    octaves = max(1, round(math.log2(impulse_response.highest / impulse_response.lowest)))
    centres = np.geomspace(1.2 * impulse_response.lowest, impulse_response.highest / 1.2, octaves)
    samples, rate = impulse_response.samples, impulse_response.sample_rate
    times, falling = [], []
    for instants, envelope in band_envelopes(samples, rate, centres, width=0.3):
        peak = int(np.argmax(envelope))
        last = int(np.flatnonzero(envelope >= 10 ** (-20 / 20) * envelope[peak])[-1])
        later = envelope[peak + 2 * (last - peak) :]
        times.append(3.0 * float(instants[last] - instants[peak]))
        falling.append(later.size > 0 and later.max() <= 10 ** (-30 / 20) * envelope[peak])
    early = float(np.median(times))
    if not disturbed:
        credible = [time for time, falls in zip(times, falling, strict=True) if falls]
        early = max(credible, default=float(np.percentile(times, 25)))
    least = FLAT_PER_DECAY * early / 0.8
    most = FLAT_PER_DECAY * max(2.0 * early, _LEAST_STEADY) / 0.8
    length = min(max(plain.length, least), most, max(impulse_response.end, plain.length))
    if length == plain.length:
        return plain
    time = length * 0.8 / FLAT_PER_DECAY
    return replace(plain, length=length, decay_time=time, basis="early decay")


def tapered_power(samples: FloatArray, size: int | None = None) -> tuple[FloatArray, float]:
    """Return the squared spectrum of a stretch under a Hann window, and the window's energy.

    Padded with zeros to `size`, shape (size // 2 + 1,). Over that energy it is the power of a noise
    for each sample.
    """
    taper = np.hanning(samples.size + 2)[1:-1]
    spectrum = np.fft.rfft(samples * taper, size)
    return spectrum.real**2 + spectrum.imag**2, float(taper @ taper)


def band_means(
    values: FloatArray, *, lower: FloatArray, upper: FloatArray, step: float, first: float = 0.0
) -> FloatArray:
    """Return means over bands of values at ``first + i * step`` Hz, shape (B,)."""
    axis, rows = first + step * np.arange(values.size, dtype=np.float64), values[np.newaxis]
    return np.asarray(mean_over_windows(axis, rows, lower=lower, upper=upper, over="linear")[0])


def band_envelopes(
    samples: FloatArray, rate: float, centres: FloatArray, *, width: float
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Return the magnitude of bands of a signal against time, each with its instants, shape (M,).

    Gaussian over ln f with standard deviation `width`, on as many samples as the band needs: they
    cover the same (circular) time as the signal, in s from its first sample on.
    """
    from scipy.fft import ifft, next_fast_len, rfft

    spectrum, step = rfft(samples), rate / samples.size
    for centre in centres.tolist():
        first = max(1, int(centre * math.exp(-3.0 * width) / step))
        last = min(spectrum.size, int(centre * math.exp(3.0 * width) / step) + 1)
        axis = step * np.arange(first, last)
        weight = np.exp(-0.5 * (np.log(axis / centre) / width) ** 2)
        envelope = np.abs(ifft(spectrum[first:last] * weight, next_fast_len(2 * axis.size)))
        yield np.arange(envelope.size) / (step * envelope.size), envelope


def window_values(times: FloatArray, *, window: ImpulseWindow) -> FloatArray:
    """Return the window at given times, shape (N,)."""
    edges = (-window.before, -0.5 * window.before, window.flat, window.length)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.interp(times, edges, (0.0, 1.0, 1.0, 0.0))))


def apply_window(impulse_response: ImpulseResponse, *, window: ImpulseWindow) -> ImpulseResponse:
    """Return the windowed response, cut to where the window is not zero.

    Raises
    ------
    ValueError
        If the response does not reach as far as the window.
    """
    rate, slack = impulse_response.sample_rate, 1.5 / impulse_response.sample_rate
    if window.length > impulse_response.end + slack:
        raise ValueError(
            f"the window ends at {window.length:.3f} s, but the response at "
            f"{impulse_response.end:.3f} s"
        )
    times = impulse_response.times
    edges = -window.before - 0.5 / rate, window.length + 0.5 / rate
    kept = slice(*np.searchsorted(times, edges).tolist())
    values = window_values(times[kept], window=window)
    samples = impulse_response.samples[..., kept] * values
    return replace(impulse_response, samples=samples, start=float(times[kept.start]))


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
    samples, rate = impulse_response.samples, float(impulse_response.sample_rate)
    lowest, highest = impulse_response.lowest, impulse_response.highest
    covered = whole_bands(20.0, 125.0, first=lowest, last=highest)
    end = min(until, impulse_response.end)
    if samples.ndim != 1 or not covered or not end > _STEP:
        raise ValueError("needs one impulse response beyond time zero that covers a band")
    times = np.arange(0.0, end, _STEP)
    centres = np.array([band.centre for band in covered])
    rows = []
    envelopes = band_envelopes(samples, rate, centres, width=_WIDTH)
    for band, (instants, envelope) in zip(covered, envelopes, strict=True):
        level_db = amplitude_ratio_db(envelope / envelope.max())
        level = np.interp(times, instants + impulse_response.start, level_db)
        rows.append(np.where(times <= impulse_response.told_until(band.upper), level, np.nan))
    deviations = 1.0 / (2.0 * math.pi * _WIDTH * centres)
    return DecayLines(
        bands=covered,
        times=readonly(times),
        level_db=readonly(rows),
        own_times=readonly(deviations * math.sqrt(2.0 * math.log(10.0**1.5))),
    )
