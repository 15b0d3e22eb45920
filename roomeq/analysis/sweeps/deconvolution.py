"""From a recording of a known excitation to its impulse responses.

Conventions
-----------
The last (only) axis is samples or frequency; time in s, frequency in Hz. The deconvolved signal is
circular: sample i belongs to lag ``i / rate``, and the upper part of the array holds negative lags
(so that sample -1 is the lag just before zero). A recording is deconvolved linearly, zero-padded to
the common length of recording and excitation (ISO 18233:2006, Annex B), at a rate that just carries
what is wanted. The lag of an impulse response is the time at which the excitation began, plus the
travel time. What comes out is the ratio of recorded to played samples, both as fractions of full
scale.

To keep the bass of a long recording at a low rate a linear-phase filter is used whose delay is
taken out: sample m of the result is the recording, low-passed, at sample ``m * factor``. Beyond its
ends the recording counts as silent.

Spectra are those of the discrete Fourier transform (sums), shape (F,). The usable band of an
excitation ends a sixth of an octave inside the excited one: within it the inverse is exact, outside
it is quiet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.sweeps.excitation import Excitation, excitation_of
from roomeq.base.errors import MeasurementFileError
from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.recording import Recording, SweepDescription

_KAISER = 12.5  # 0.1102 (120 dB + 2.8 - 8.7), for 120 dB
_SMEARED = 10  # low-rate samples to either side, over which `decimate` smears a sample
BAND_EDGE = 2.0 ** (1.0 / 6.0)
"""Ratio between the end of the excited band and that of the usable one."""
FADE_BELOW = 2.0 ** (2.0 / 3.0)
"""Ratio of frequency over which the inverse fades to zero below the usable band."""
FADE_ABOVE = 2.0 ** (1.0 / 3.0)
"""The same above it."""
_FLOOR = 0.01  # of the power at the band's edge: outside it the inverse gains at most 20 dB more
_WEAKEST = 0.3  # a repeat is at least this much of the strongest arrival (-10.5 dB)
BEFORE = 1.0
"""How long before time zero a response is kept, in s, unless distortion products lie there."""
LONGEST_DECAY = 6.0
"""How long after time zero a response is kept at most, in s."""
_PROMINENCE = 12.0  # an arrival against the median nearby; of Gaussian noise the peak reaches 7


def choose_decimation(sample_rate: float, *, highest: float) -> int:
    """Return the largest convenient factor that leaves `highest` well below half the rate.

    The low rate is at least 4 times `highest`; the factor has no prime factor above 5.
    """
    from scipy.fft import next_fast_len

    factor = max(1, math.floor(sample_rate / (4.0 * highest)))
    while next_fast_len(factor, real=True) != factor:  # the next without such a prime factor
        factor -= 1
    return factor


def decimate(samples: ArrayLike, *, factor: int) -> FloatArray:
    """Return a low-passed signal at a rate that is lower by a whole factor.

    Up to 0.3 times the low rate it is kept within 1e-6; what would fold into that is rejected by
    120 dB (Kaiser's design formulas, for a filter that reaches over ten low samples either way).

    Parameters
    ----------
    samples : array_like, shape (N,)
        The signal.
    factor : int
        How many samples become one.

    Returns
    -------
    ndarray, shape (ceil(N / factor),)
    """
    from scipy.signal import resample_poly

    signal = np.asarray(samples, dtype=np.float64)
    return np.asarray(resample_poly(signal, 1, factor, window=("kaiser", _KAISER)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExcitationInverse:
    """The inverse of an excitation, made once and kept for many recordings.

    Attributes
    ----------
    frames : int
        Longest signal it fits, in samples.
    factor : int
        Decimation.
    fft_length : int
        At the low rate.
    spectrum : ndarray, shape (fft_length // 2 + 1,)
        Complex inverse spectrum: exact within the usable band, fading to zero outside it.
    lowest, highest : float
        Usable band, in Hz.
    excitation : Excitation
        What it is the inverse of, at the rate of the recordings it fits.
    """

    frames: int
    factor: int
    fft_length: int
    spectrum: ComplexArray
    lowest: float
    highest: float
    excitation: Excitation

    @property
    def low_rate(self) -> float:
        """Rate of the deconvolved signal, in Hz."""
        return self.excitation.sample_rate / self.factor

    @property
    def duration(self) -> float:
        """Length of the excitation, in s, as far as the rate carries it."""
        return self.excitation.signal.size / self.excitation.sample_rate


@lru_cache(maxsize=4)
def prepare_inverse(
    excitation: SweepDescription | Recording,
    *,
    sample_rate: int,
    frames: int,
    highest: float | None = None,
) -> ExcitationInverse:
    """Return the regularised inverse of an excitation; the last four are kept.

    Within the usable band the inverse is exact, ``1 / X``. Outside, where the excitation says
    nothing and the recording holds only noise, it fades to zero (two thirds of an octave below, one
    third above) and stays within 20 dB of its gain at the edge of the band.

    Parameters
    ----------
    excitation : SweepDescription or Recording
        The sweep, or any other known excitation as it was played.
    sample_rate : int
        Of the recordings, in Hz. A reference at another rate is resampled.
    frames : int
        Samples of the longest recording.
    highest : float, optional
        Highest frequency wanted, in Hz; the work is done at a rate that just carries it. By default
        the full band.

    Raises
    ------
    ValueError
        If the wanted band lies outside the excited one.
    """
    source = excitation_of(excitation, sample_rate=sample_rate)
    lowest, last = source.band[0] * BAND_EDGE, source.band[1] / BAND_EDGE
    top = last if highest is None else min(highest, last)
    if not lowest < top:
        raise ValueError(
            f"nothing usable: the excitation reaches from {source.band[0]:g} to "
            f"{source.band[1]:g} Hz, and {top:g} Hz is the highest wanted"
        )
    from scipy.fft import next_fast_len

    factor = choose_decimation(sample_rate, highest=top)
    signal = decimate(np.pad(source.signal, _SMEARED * factor), factor=factor)
    length = next_fast_len(-(-frames // factor) + signal.size, real=True)
    # What the filter smears ahead of the start lies at the far end.
    placed = np.roll(np.pad(signal, (0, length - signal.size)), -_SMEARED)
    spectrum = regularised_inverse(
        placed, fft_length=length, sample_rate=sample_rate / factor, usable=(lowest, top)
    )
    return ExcitationInverse(
        frames=frames,
        factor=factor,
        fft_length=length,
        spectrum=spectrum,
        lowest=lowest,
        highest=top,
        excitation=source,
    )


def regularised_inverse(
    signal: FloatArray, *, fft_length: int, sample_rate: float, usable: tuple[float, float]
) -> ComplexArray:
    """Return the inverse spectrum of an excitation, regularised outside its band.

    Within the usable band the inverse is exact, ``1 / X``. Outside, where the excitation says
    nothing and a recording holds only noise, it fades to zero (two thirds of an octave below, one
    third above) and stays within 20 dB of its gain at the edge of the band.

    Parameters
    ----------
    signal : ndarray, shape (N,)
        The excitation.
    fft_length : int
        Not shorter than the excitation.
    sample_rate : float
        Hz.
    usable : tuple of float
        Band in which the inverse is exact, in Hz.

    Returns
    -------
    ndarray, shape (fft_length // 2 + 1,)
        Complex, read-only.
    """
    from scipy.fft import rfft

    spectrum = rfft(signal, fft_length)
    step = sample_rate / fft_length
    lowest, highest = usable
    floor, ceiling = lowest / FADE_BELOW, min(highest * FADE_ABOVE, 0.5 * sample_rate)
    kept = slice(max(1, math.ceil(floor / step)), min(int(ceiling / step) + 1, spectrum.size))
    frequencies: FloatArray = step * np.arange(kept.start, kept.stop, dtype=np.float64)
    power = spectrum[kept].real ** 2 + spectrum[kept].imag ** 2
    for outside, edge in ((frequencies < lowest, lowest), (frequencies > highest, highest)):
        near = (frequencies > edge / BAND_EDGE) & (frequencies < edge * BAND_EDGE)
        power[outside] = np.maximum(power[outside], _FLOOR * power[near & ~outside].mean())
    inverse = np.zeros(spectrum.size, dtype=np.complex128)
    weight = band_weight(frequencies, usable, fades=(FADE_BELOW, ceiling / highest))
    inverse[kept] = np.conj(spectrum[kept]) * (weight / power)
    inverse.setflags(write=False)
    return inverse


def band_weight(
    frequencies: FloatArray, usable: tuple[float, float], *, fades: tuple[float, float]
) -> FloatArray:
    """Return 1 within a band, falling as a raised cosine over log frequency outside.

    It has reached 0 where the ratio to the band's edge is as of `fades`.
    """
    weight = np.ones(frequencies.size)
    outwards = usable[0] / frequencies, frequencies / usable[1]
    for ratio, fade in zip(outwards, fades, strict=True):
        depth = np.log(ratio) / math.log(fade)
        weight *= 0.5 + 0.5 * np.cos(np.pi * np.clip(depth, 0.0, 1.0))
    return weight


def deconvolve(samples: ArrayLike, *, inverse: ExcitationInverse) -> FloatArray:
    """Return a recording with its excitation taken out.

    Parameters
    ----------
    samples : array_like, shape (N,)
        The recording, at the inverse's rate, not longer than the inverse fits.
    inverse : ExcitationInverse
        From `prepare_inverse`.

    Returns
    -------
    ndarray, shape (fft_length,)
        Circular, at ``inverse.low_rate``; see the conventions above.

    Raises
    ------
    ValueError
        If the recording has not one axis or is too long.
    """
    from scipy.fft import irfft, rfft

    signal = np.asarray(samples, dtype=np.float64)
    if signal.ndim != 1 or not 0 < signal.size <= inverse.frames:
        raise ValueError(
            f"needs one channel of 1 to {inverse.frames} samples, got shape {signal.shape}"
        )
    spectrum = rfft(decimate(signal, factor=inverse.factor), inverse.fft_length)
    spectrum *= inverse.spectrum
    return np.asarray(irfft(spectrum, inverse.fft_length, overwrite_x=True))


def find_excitations(
    deconvolved: ArrayLike, *, inverse: ExcitationInverse, recording: Recording
) -> tuple[int, ...]:
    """Return where the impulse responses of a recording lie, strongest sample each, in time order.

    Several excitations in one recording never lie closer than the excitation is long; each is at
    least a third as strong as the strongest. Distortion products of a sweep lie earlier and are
    passed over.

    Parameters
    ----------
    deconvolved : array_like, shape (fft_length,)
        From `deconvolve`.
    inverse : ExcitationInverse
        What it was deconvolved with.
    recording : Recording
        What was deconvolved: tells the last place at which an excitation still fits.

    Returns
    -------
    tuple of int
        Samples at the low rate; negative where the recording began after the excitation did.

    Raises
    ------
    MeasurementFileError
        If nothing stands out clearly: the excitation is not in this recording.
    """
    magnitude = np.abs(np.asarray(deconvolved))
    length, spacing = magnitude.size, round(0.95 * inverse.duration * inverse.low_rate)
    around = np.arange(-spacing // 2, spacing // 2, max(1, spacing // 8192))
    strongest, found = float(magnitude.max()), list[int]()
    while True:
        index = int(np.argmax(magnitude))
        nearby = float(np.median(magnitude[(index + around) % length]))
        if not magnitude[index] > max(_WEAKEST * strongest, _PROMINENCE * nearby):
            break
        found.append(index)
        magnitude[np.arange(index - spacing, index + spacing + 1) % length] = 0.0
    if not found:
        raise MeasurementFileError(
            "the excitation is not found in this recording",
            path=recording.path,
            where=f"channel {recording.channel}",
            remedy="another sweep, another channel, or far too much noise?",
        )
    last = recording.samples.size / inverse.factor
    return tuple(sorted(index if index < last else index - length for index in found))
