"""The inverse of an excitation's spectrum, exact within its band and quiet outside.

Conventions
-----------
Spectra are those of the discrete Fourier transform (sums), shape (F,); frequencies in Hz. The
usable band of an excitation ends a sixth of an octave inside the excited one.
"""

from __future__ import annotations

import math

import numpy as np

from roomeq.base.levels import ComplexArray, FloatArray

BAND_EDGE = 2.0 ** (1.0 / 6.0)
"""Ratio between the end of the excited band and that of the usable one."""
FADE_BELOW = 2.0 ** (2.0 / 3.0)
"""Ratio of frequency over which the inverse fades to zero below the usable band."""
FADE_ABOVE = 2.0 ** (1.0 / 3.0)
"""The same above it."""
_FLOOR = 0.01  # of the power at the band's edge: outside it the inverse gains at most 20 dB more


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
