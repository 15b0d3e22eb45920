"""Harmonic distortion against frequency, from a synchronised exponential sweep.

Conventions
-----------
Frequency in Hz is that of the fundamental, shape (F,). Orders are rows. A harmonic response is
complex, per unit of the fundamental's amplitude at the converter; distortion is its ratio to the
fundamental as heard at the microphone, so where the room cancels the fundamental the ratio rises.
What cannot be known is nan.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from roomeq.analysis.sweeps.deconvolution import (
    BAND_EDGE,
    band_weight,
    choose_decimation,
    decimate,
    regularised_inverse,
)
from roomeq.analysis.sweeps.excitation import Excitation, excitation_of
from roomeq.analysis.sweeps.sweep import closed_form_inverse, sweep_signal
from roomeq.analysis.sweeps.windowing import band_means, tapered_power
from roomeq.base.bands import ThirdOctaveBand, logarithmic_axis
from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db, readonly
from roomeq.base.recording import Recording, SweepDescription

ORDERS = (1, 2, 3, 4, 5)
_PER_OCTAVE = 24
_LONGEST_TAIL = 4.0  # s of the recording after the sweep that are looked at
_PASSBAND = 1.25  # of the decimation, and where the inverse has faded, over the last frequency
_SETTLED = 1.0  # s after the sweep from which the recording counts as noise
_SPACING = 0.06  # Hz between the bins that responses are read from


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Distortion:
    """Distortion of the second to the fifth order.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Fundamental, in Hz, 24 to the octave.
    harmonics : ndarray, shape (5, F)
        Complex response of order 1 to 5, that of order n at n times the fundamental.
    noise : ndarray, shape (5, F)
        Root mean square of what the recording's noise alone would give there, told by the tail;
        nan where the recording ends less than 1.5 s after the sweep.
    """

    frequencies: FloatArray
    harmonics: ComplexArray
    noise: FloatArray

    @property
    def ratios(self) -> FloatArray:
        """Orders 2 to 5 over the fundamental, amplitude ratios, shape (4, F)."""
        magnitude = np.abs(self.harmonics)
        return np.asarray(magnitude[1:] / magnitude[0])

    @property
    def ratios_db(self) -> FloatArray:
        """Orders 2 to 5 relative to the fundamental, in dB, shape (4, F)."""
        return amplitude_ratio_db(self.ratios)

    @property
    def total(self) -> FloatArray:
        """Root of the summed squares of the known orders over the fundamental, shape (F,)."""
        return _total(self.ratios)

    @property
    def above_noise(self) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
        """Whether orders 2 to 5 stand at least 6 dB above the noise, shape (4, F)."""
        return np.asarray(np.abs(self.harmonics[1:]) >= 2.0 * self.noise[1:])


def estimate_distortion(
    recording: Recording, *, sweep: SweepDescription | Recording, start: float
) -> Distortion:
    """Return the harmonics that one sweep of a recording carries.

    The closed-form inverse (Novak et al. 2015, eq. 50 and 51) goes on beyond the sweep's last
    frequency, so that every order is known over the sweep's whole range; order n lies L ln n ahead
    of the linear response (eq. 18). What the ends and fades of the sweep do to that is taken out:
    each order is divided by what the same steps make of that very harmonic of the sweep. Work is
    done at the rate that carries five times the last frequency. The inverse of a reference ends
    with its band, and so does every order.

    Parameters
    ----------
    recording : Recording
        The microphone's channel.
    sweep : SweepDescription or Recording
        What was played: a described sweep, or a recording of an exponential one.
    start : float
        When time zero of the sweep lies, in s after the start of the recording: an entry of
        `SweepMeasurement.starts`.

    Returns
    -------
    Distortion
        Orders that the rate of the recording cannot carry are nan.

    Raises
    ------
    ValueError
        If the sweep does not lie within the recording, or is not exponential.
    """
    played = excitation_of(sweep, sample_rate=recording.sample_rate)
    if not played.growth > 0:
        raise ValueError("only an exponential sweep sets harmonics apart")
    if not 0 <= start <= recording.duration - 0.9 * played.duration:
        raise ValueError(
            f"a sweep of {played.duration:.3f} s that starts at {start!r} s does not lie within a "
            f"recording of {recording.duration:.3f} s"
        )
    heard = _Deconvolved(recording, played, start)
    lowest, highest = float(played.axis[0]) * BAND_EDGE, float(played.axis[-1]) / BAND_EDGE
    axis = logarithmic_axis(lowest, highest, per_octave=_PER_OCTAVE)
    harmonics = np.full((len(ORDERS), axis.size), complex(math.nan, math.nan))
    noise = np.full(harmonics.shape, math.nan)
    for row, order in enumerate(ORDERS):
        known = order * axis <= heard.top
        if known.any():
            harmonics[row, known], noise[row, known] = heard.harmonic(order, order * axis[known])
    return Distortion(
        frequencies=axis,
        harmonics=readonly(harmonics, dtype=np.complex128),
        noise=readonly(noise),
    )


def distortion_by_band(
    distortion: Distortion, *, bands: Sequence[ThirdOctaveBand]
) -> tuple[FloatArray, FloatArray]:
    """Return distortion by third octave: energies of harmonics and fundamental over each band.

    A cancellation of the fundamental, narrow against the band, so raises the figure little. An
    order that stands less than 6 dB above the noise in a band is nan, and not in the total.

    Returns
    -------
    ratios_db : ndarray, shape (4, B)
        Orders 2 to 5 over the fundamental, in dB.
    total : ndarray, shape (B,)
        Root of the summed squares of the orders that are told over the fundamental; nan where none
        is.

    Raises
    ------
    ValueError
        If a band holds none of the frequencies.
    """
    ratios = np.full((len(ORDERS) - 1, len(bands)), math.nan)
    power = np.abs(distortion.harmonics) ** 2
    for index, band in enumerate(bands):
        inside = (distortion.frequencies >= band.lower) & (distortion.frequencies < band.upper)
        if not inside.any():
            raise ValueError(f"the distortion is not known around {band.label} Hz")
        mean = power[:, inside].mean(axis=1)
        noise = (distortion.noise[1:, inside] ** 2).mean(axis=1)
        told = mean[1:] >= 4.0 * noise  # never true where either is nan
        ratios[told, index] = np.sqrt(mean[1:][told] / mean[0])
    return amplitude_ratio_db(ratios), _total(ratios)


def _total(ratios: FloatArray) -> FloatArray:
    """Return the root of the summed squares of the known rows; nan where none is."""
    known = np.isfinite(ratios)
    total = np.sqrt(np.sum(np.where(known, ratios, 0.0) ** 2, axis=0))
    return np.where(known.any(axis=0), total, math.nan)


class _Deconvolved:
    """A sweep as recorded, deconvolved by the closed form at the rate that carries its orders.

    The inverse fades out below the sweep and above `top`.
    """

    def __init__(self, recording: Recording, sweep: Excitation, start: float) -> None:
        from scipy.fft import next_fast_len

        self.sweep, rate, stop_frequency = sweep, recording.sample_rate, float(sweep.axis[-1])
        described = isinstance(sweep.played, SweepDescription)
        top = ORDERS[-1] * stop_frequency if described else stop_frequency / BAND_EDGE
        self.top = min(top, 0.42 * rate)
        self.factor = choose_decimation(rate, highest=self.top)
        self.rate, zero = rate / self.factor, round(start * rate)
        stop = min(recording.samples.size, zero + round((sweep.duration + _LONGEST_TAIL) * rate))
        signal = decimate(recording.samples[zero:stop], factor=self.factor)
        length = next_fast_len(signal.size + math.ceil(sweep.duration * self.rate), real=True)
        self.quiet = signal[math.ceil((sweep.duration + _SETTLED) * self.rate) :]
        self.inverse, self.length = self._inverse(length), length
        self.lags = self._lags(signal)

    def _lags(self, signal: FloatArray) -> FloatArray:
        from scipy.fft import irfft, rfft

        spectrum = rfft(signal, self.length) * self.inverse
        return np.asarray(irfft(spectrum, self.length, overwrite_x=True))

    def _inverse(self, length: int) -> ComplexArray:
        sweep, rate, top = self.sweep.played, self.rate, self.top
        if isinstance(sweep, Recording):
            signal = decimate(self.sweep.signal, factor=self.factor)
            usable = self.sweep.band[0] * BAND_EDGE, top
            return regularised_inverse(signal, fft_length=length, sample_rate=rate, usable=usable)
        step = rate / length
        inverse = np.zeros(length // 2 + 1, dtype=np.complex128)
        last = min(math.ceil(_PASSBAND * top / step) + 1, inverse.size)
        kept = slice(max(1, math.floor(0.5 * sweep.start / step)), last)
        frequencies = step * np.arange(kept.start, kept.stop, dtype=np.float64)
        weight = band_weight(frequencies, (sweep.start, top), fades=(2.0, _PASSBAND))
        inverse[kept] = weight * closed_form_inverse(frequencies, sweep=sweep, sample_rate=rate)
        return inverse

    def harmonic(self, order: int, frequencies: FloatArray) -> tuple[ComplexArray, FloatArray]:
        """Return one harmonic at its own frequencies, and the noise there."""
        from scipy.fft import next_fast_len, rfft

        sweep, rate = self.sweep.played, self.rate
        place = -self.sweep.harmonic_advance(order)
        nearest = round(place * rate)
        index, window = harmonic_window(order, self.sweep, rate)
        size = next_fast_len(max(window.size, round(rate / _SPACING)), real=True)
        turn = np.exp(2j * np.pi * frequencies * (place - nearest / rate))

        def read(lags: FloatArray) -> ComplexArray:  # what lies there, as a spectrum
            cut = np.zeros(size)  # time zero at the first sample
            cut[index] = lags[(nearest + index) % lags.size] * window
            spectrum = rfft(cut)
            axis = np.arange(spectrum.size) * (rate / size)
            return np.asarray(np.interp(frequencies, axis, spectrum) * turn)

        unit: ComplexArray | float = 1.0
        if isinstance(sweep, SweepDescription):
            own = _harmonic_signal(sweep, self.sweep.sample_rate, order, self.factor)
            unit = read(self._lags(own))
        gain = self.inverse[np.round(frequencies * self.length / rate).astype(np.intp)] / unit
        density = _density(self.quiet, rate, frequencies)
        return read(self.lags) / unit, np.abs(gain) * np.sqrt(density * float(window @ window))


@lru_cache(maxsize=len(ORDERS))
def _harmonic_signal(
    sweep: SweepDescription, sample_rate: int, order: int, factor: int
) -> FloatArray:
    """Return what a distortion of one order adds, decimated; kept for the next recording."""
    return decimate(sweep_signal(sweep, sample_rate=sample_rate, order=order), factor=factor)


def harmonic_window(
    order: int, sweep: Excitation, rate: float
) -> tuple[NDArray[np.intp], FloatArray]:
    """Return the samples about time zero over which a harmonic is looked at, and their weights.

    They begin a quarter of the way to the next higher order and end shortly before the next lower.
    """
    ahead = sweep.harmonic_advance(order + 1) - sweep.harmonic_advance(order)
    behind = sweep.growth * math.log(order / (order - 1)) if order > 1 else 1.5
    before, after = min(0.25 * ahead, 0.25), min(0.7 * behind, 1.5)
    index = np.arange(-round(before * rate), round(after * rate))
    edges = (-before, -0.5 * before, 0.7 * after, after)
    values = np.interp(index / rate, edges, (0.0, 1.0, 1.0, 0.0))
    return index, np.asarray(0.5 - 0.5 * np.cos(np.pi * values))


def _density(quiet: FloatArray, rate: float, frequencies: FloatArray) -> FloatArray:
    """Return the noise's mean square per bin and sample, over a third octave around each frequency.

    From what was recorded after the sweep, taken as steady; nan if that is less than half a second.
    """
    if quiet.size < 0.5 * rate:
        return np.full(frequencies.shape, math.nan)
    power, energy = tapered_power(quiet - quiet.mean())
    lower, upper = frequencies * 10**-0.05, frequencies * 10**0.05
    return band_means(power / energy, lower=lower, upper=upper, step=rate / quiet.size)
