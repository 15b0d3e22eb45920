"""What was played: a described sweep, or a recording of any excitation.

Conventions
-----------
Time in s from the beginning of the excitation, frequency in Hz. Of a reference only what carries
energy is the excitation: silence around it is left out, noise that leads in stands apart, and of
several equal sweeps the first counts. When it passes a frequency is read from its spectrum: the
centroid of the energy in narrow bands. Where that grows with ln f it is an *exponential* sweep, and
a harmonic of order n lies ``L ln n`` ahead of it, whatever formula made it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from roomeq.analysis.sweeps.sweep import quiet_noise, sweep_signal
from roomeq.analysis.sweeps.windowing import band_envelopes, band_means
from roomeq.base.levels import FloatArray
from roomeq.base.recording import Recording, SweepDescription

_BLOCK = 0.01  # s
_SILENT = 1e-3  # of the strongest block's rms, and no less than four times the weakest's
_APART = 0.2  # s of silence between what is played one after the other
_AS_STRONG = 0.5  # energy of a repeat over that of the strongest
_BANDS = 24
_WIDTH = 0.1  # of ln f
_WITHIN = 0.1  # of the duration at either end: there a band is not passed as a whole
_SWEPT = 0.12  # of the duration: standard deviation in time of a narrow band; of noise 0.29
_STRAIGHT = 0.01  # of the duration: rms of the instants about a line in ln f
_REFERENCE_FADE = 0.05  # s, taken for granted


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Excitation:
    """An excitation at the rate of the recordings it is looked for in.

    Attributes
    ----------
    played : SweepDescription or Recording
        What it was made from.
    signal : ndarray, shape (N,)
        Fractions of full scale, from its beginning to the end of its energy.
    sample_rate : int
        Hz.
    band : tuple of float
        Excited, in Hz.
    duration : float
        In s, where `signal` ends early because its rate cannot carry it, longer than that.
    amplitude : float
        Peak of the steady sine, or root of twice the mean square.
    axis, instants : ndarray, shape (K,)
        Rising frequencies in Hz, and when each is passed, in s. Of what does not sweep all
        frequencies are passed at its end.
    growth : float
        Time in which the frequency grows e-fold, in s; nan unless it does so throughout.
    ahead, pause : float
        From the beginning of the lead-in to that of the excitation, and from the end of the lead-in
        on, in s; 0 where there is none.
    repeats : int
        How many are played.
    period : float
        From one to the next, in s.
    fade_in, fade_out : float
        In s.
    """

    played: SweepDescription | Recording
    signal: FloatArray
    sample_rate: int
    band: tuple[float, float]
    duration: float
    amplitude: float
    axis: FloatArray
    instants: FloatArray
    growth: float
    ahead: float
    pause: float
    repeats: int
    period: float
    fade_in: float
    fade_out: float

    @property
    def sweeps(self) -> bool:
        """Whether it passes its frequencies one after the other."""
        return bool(self.instants[0] != self.instants[-1])

    def time_of(self, frequencies: FloatArray | float) -> FloatArray:
        """Return when frequencies are passed, in s; exponential sweeps go on beyond their ends."""
        logs = np.log(frequencies)
        if math.isnan(self.growth):
            return np.asarray(np.interp(logs, np.log(self.axis), self.instants))
        return np.asarray(self.instants[0] + self.growth * (logs - math.log(self.axis[0])))

    def frequency_at(self, since: FloatArray | float) -> FloatArray:
        """Return what is played at times after its start, in Hz, held to the ends of its band."""
        order = np.argsort(self.instants, kind="stable")
        return np.exp(np.interp(since, self.instants[order], np.log(self.axis[order])))

    def growth_at(self, frequencies: FloatArray) -> FloatArray:
        """Return how long the e-fold around given frequencies takes, in s."""
        logs = np.log(self.axis)
        if not self.sweeps:
            return np.full(frequencies.shape, self.duration / float(logs[-1] - logs[0]))
        slope = np.abs(np.gradient(self.instants, logs))
        return np.interp(np.log(frequencies), logs, np.maximum(slope, 1e-6))

    def harmonic_advance(self, order: int) -> float:
        """Return how far ahead a harmonic lies, in s; nan where that depends on frequency."""
        return self.growth * math.log(order)


@lru_cache(maxsize=4)
def excitation_of(played: SweepDescription | Recording, *, sample_rate: int) -> Excitation:
    """Return an excitation at a rate; the last four are kept.

    A reference that is no exponential sweep excites the band where its third-octave power density
    is within 30 dB of its greatest.

    Parameters
    ----------
    played : SweepDescription or Recording
        The sweep, or a recording of what was played.
    sample_rate : int
        Of the recordings, in Hz. A reference at another rate is resampled.

    Raises
    ------
    ValueError
        If a reference is silent, or the rate cannot carry a sweep's lowest octave.
    """
    if isinstance(played, SweepDescription):
        top = min(played.stop, 0.48 * sample_rate)
        same = ("duration", "amplitude", "growth", "pause", "repeats", "period")
        stated: dict[str, Any] = {
            name: getattr(played, name) for name in (*same, "fade_in", "fade_out")
        }
        return Excitation(
            played=played,
            signal=sweep_signal(played, sample_rate=sample_rate),
            sample_rate=sample_rate,
            band=(played.start, top),
            axis=np.array([played.start, played.stop]),
            instants=np.array([0.0, played.duration]),
            ahead=played.lead_in + played.pause,
            **stated,
        )
    return _examined(played, sample_rate)


@lru_cache(maxsize=4)
def lead_in_signal(excitation: Excitation) -> FloatArray:
    """Return the noise that leads in, at the excitation's rate; empty where there is none."""
    played = excitation.played
    if isinstance(played, SweepDescription):
        noise = quiet_noise(played)
    else:
        noise = played.samples[slice(*_spans(played)[0])]
    if not noise.size or not np.abs(noise).max() > 1e-6:
        return np.zeros(0)
    return _resampled(noise, played.sample_rate, excitation.sample_rate)


def _resampled(signal: FloatArray, rate: int, wanted: int) -> FloatArray:
    from scipy.signal import resample_poly

    shared = math.gcd(wanted, rate)
    return np.asarray(resample_poly(signal, wanted // shared, rate // shared))


def _spans(reference: Recording) -> tuple[tuple[int, int], list[tuple[int, int]]]:
    """Return from where to where noise leads in, and the sweep and its repeats lie, in samples.

    Where no noise leads in it ends where it begins, with the first sweep. Repeats are about as
    strong as the strongest.
    """
    size = max(1, round(_BLOCK * reference.sample_rate))
    count = max(1, reference.samples.size // size)
    used = reference.samples[: count * size]
    level = np.sqrt((used.reshape(count, -1) ** 2).mean(axis=1))
    if not level.max() > 0:
        raise ValueError(f"the reference is silent: {reference.place}")
    floor = min(4.0 * float(np.percentile(level, 5)), 0.1 * float(level.max()))
    heard = np.flatnonzero(level > max(_SILENT * float(level.max()), floor))
    groups = np.split(heard, np.flatnonzero(np.diff(heard) > _APART / _BLOCK) + 1)
    # A block more on either side: what fades begins and ends beneath the threshold.
    whole = reference.samples.size
    spans = [
        (max(0, int(one[0] - 1) * size), min(whole, int(one[-1] + 2) * size)) for one in groups
    ]
    energy = [float(np.sum(reference.samples[first:last] ** 2)) for first, last in spans]
    strong = [s for s, one in zip(spans, energy, strict=True) if one >= _AS_STRONG * max(energy)]
    begin = strong[0][0]
    return spans[0] if spans[0] != strong[0] else (begin, begin), strong


def _examined(reference: Recording, sample_rate: int) -> Excitation:
    """Return what a reference holds, at another rate."""
    rate, (lead, strong) = reference.sample_rate, _spans(reference)
    first, last = strong[0]
    played = reference.samples[first:last]
    duration = played.size / rate
    axis, instants, growth = _instants(reference, first, last)
    signal = _resampled(played, rate, sample_rate)
    if growth > 0:
        band = float(axis[0]), min(float(axis[-1]), 0.48 * sample_rate)
    else:
        band = _excited_band(signal, sample_rate)
    inner = slice(played.size // 10, -(played.size // 10) or None)
    return Excitation(
        played=reference,
        signal=signal,
        sample_rate=sample_rate,
        band=band,
        duration=duration,
        amplitude=math.sqrt(2.0 * float(np.mean(played[inner] ** 2))),
        axis=axis,
        instants=instants,
        growth=growth,
        ahead=(first - lead[0]) / rate,
        pause=(first - lead[1]) / rate,
        repeats=len(strong),
        period=duration if len(strong) < 2 else (strong[1][0] - first) / rate,
        fade_in=_REFERENCE_FADE,
        fade_out=_REFERENCE_FADE,
    )


@lru_cache(maxsize=4)
def _instants(reference: Recording, first: int, last: int) -> tuple[FloatArray, FloatArray, float]:
    """Return frequencies, when each is passed, and the time of e-fold growth; kept for all rates.

    Of what lies between two samples of a reference.
    """
    from scipy.fft import next_fast_len

    signal, rate = reference.samples[first:last], reference.sample_rate
    duration = signal.size / rate
    size = next_fast_len(round(1.3 * signal.size), real=True)
    padded, span = np.pad(signal, (0, size - signal.size)), size / rate
    low, high = _excited_band(signal, rate)
    axis = np.geomspace(1.2 * low, high / 1.2, _BANDS)
    instants, widths = np.empty(_BANDS), np.empty(_BANDS)
    for index, (times, envelope) in enumerate(band_envelopes(padded, rate, axis, width=_WIDTH)):
        energy = envelope**2 / float(np.sum(envelope**2))
        times[times > 0.5 * (duration + span)] -= span  # what rings ahead
        instants[index] = energy @ times
        widths[index] = math.sqrt(max(0.0, float(energy @ (times - instants[index]) ** 2)))
    within = np.abs(instants / duration - 0.5) < 0.5 - _WITHIN
    axis, instants, widths = axis[within], instants[within], widths[within]
    rises = np.diff(instants)
    one_way = rises.size >= 2 and ((rises > 0).all() or (rises < 0).all())
    if not one_way or np.median(widths) > _SWEPT * duration:
        return np.array([low, high]), np.full(2, duration), math.nan
    logs = np.log(axis)
    growth, offset = (float(value) for value in np.polyfit(logs, instants, 1))
    away = instants - growth * logs - offset
    straight = growth > 0 and math.sqrt(float(np.mean(away**2))) < _STRAIGHT * duration
    if not straight:
        return axis, np.clip(instants, 0.0, duration), math.nan
    ends = np.array([0.0, duration])
    return np.exp((ends - offset) / growth), ends, growth


def _excited_band(signal: FloatArray, sample_rate: int) -> tuple[float, float]:
    """Return where the third-octave power density lies within 30 dB of its greatest."""
    power, step = np.abs(np.fft.rfft(signal)) ** 2, sample_rate / signal.size
    centres = np.geomspace(max(5.0, 2.0 * step), 0.48 * sample_rate, 400)
    lower, upper = centres * 2 ** (-1 / 6), centres * 2 ** (1 / 6)
    density = band_means(power, lower=lower, upper=upper, step=step)
    strong = np.flatnonzero(density >= 1e-3 * density.max())
    return float(centres[strong[0]]), float(centres[strong[-1]])
