"""What stands between the test signal and the text file: box, filters, equaliser, microphone.

Conventions
-----------
Frequencies in Hz, shape (F,). Transfer functions are complex amplitude ratios under the time
convention ``exp(+j omega t)``. These formulas are written out here a second time on purpose: the
sample rooms must not be computed by the package they are samples for.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "band_power_level_db",
    "butterworth_high_pass",
    "butterworth_low_pass",
    "c_weighting_db",
    "closed_box",
    "equaliser_bands",
    "linkwitz_riley_high_pass",
    "linkwitz_riley_low_pass",
    "microphone_response",
    "peaking",
    "room_noise",
    "room_noise_db",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def closed_box(frequencies: FloatArray, *, corner: float, q: float) -> ComplexArray:
    """Return the far-field response of a closed box: a second-order high-pass (Small 1972)."""
    s = 1j * np.asarray(frequencies) / corner
    return np.asarray(s**2 / (s**2 + s / q + 1.0))


def butterworth_low_pass(frequencies: FloatArray, *, corner: float, order: int) -> ComplexArray:
    """Return a Butterworth low-pass from its poles on the unit circle."""
    s = 1j * np.asarray(frequencies) / corner
    angles = np.pi * (2.0 * np.arange(order) + order + 1.0) / (2.0 * order)
    response = np.ones(s.shape, dtype=np.complex128)
    for pole in np.exp(1j * angles):
        response *= -pole / (s - pole)
    return response


def linkwitz_riley_low_pass(frequencies: FloatArray, *, corner: float, order: int) -> ComplexArray:
    """Return a Linkwitz-Riley low-pass: a Butterworth of half the order, twice."""
    return butterworth_low_pass(frequencies, corner=corner, order=order // 2) ** 2


def butterworth_high_pass(frequencies: FloatArray, *, corner: float, order: int) -> ComplexArray:
    """Return a Butterworth high-pass: the low-pass with s replaced by 1/s."""
    s = 1j * np.asarray(frequencies) / corner
    return np.asarray(s**order * butterworth_low_pass(frequencies, corner=corner, order=order))


def linkwitz_riley_high_pass(frequencies: FloatArray, *, corner: float, order: int) -> ComplexArray:
    """Return a Linkwitz-Riley high-pass: a Butterworth of half the order, twice."""
    return butterworth_high_pass(frequencies, corner=corner, order=order // 2) ** 2


def peaking(frequencies: FloatArray, *, centre: float, gain_db: float, q: float) -> ComplexArray:
    """Return the peaking section ``(s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)``, A = 10^(gain/40).

    The analogue prototype of the W3C Audio EQ Cookbook; in the bass a digital section at 48 kHz
    agrees within 1e-4 dB.
    """
    s = 1j * np.asarray(frequencies) / centre
    a = 10.0 ** (gain_db / 40.0)
    return np.asarray((s**2 + s * a / q + 1.0) / (s**2 + s / (a * q) + 1.0))


def equaliser_bands(
    frequencies: FloatArray, *, gains_db: Mapping[float, float], q: float
) -> ComplexArray:
    """Return the product of peaking sections, one for each centre of `gains_db`."""
    response = np.ones(np.shape(frequencies), dtype=np.complex128)
    for centre, gain_db in gains_db.items():
        response *= peaking(frequencies, centre=centre, gain_db=gain_db, q=q)
    return response


def microphone_response(
    frequencies: FloatArray, *, roll_off: float, ripple_db: float, ripple_at: float
) -> ComplexArray:
    """Return an invented microphone: a first-order high-pass and one broad hump (Q 0.6)."""
    s = 1j * np.asarray(frequencies) / roll_off
    hump = peaking(frequencies, centre=ripple_at, gain_db=ripple_db, q=0.6)
    return np.asarray(s / (s + 1.0) * hump)


def room_noise_db(frequencies: FloatArray, *, at_20_hz_db: float) -> FloatArray:
    """Return the noise left in each value: rumble that falls by 9 dB an octave to a floor."""
    rumble_db = at_20_hz_db - 9.0 * np.log2(np.asarray(frequencies) / 20.0)
    floor_db = at_20_hz_db - 18.0
    return np.asarray(10.0 * np.log10(10.0 ** (rumble_db / 10.0) + 10.0 ** (floor_db / 10.0)))


def room_noise(frequencies: FloatArray, *, at_20_hz_db: float, seed: str) -> ComplexArray:
    """Return Gaussian complex noise whose root mean square is `room_noise_db`.

    Drawn from the random numbers of the standard library, whose sequence for a seed is promised
    to stay the same from one Python to the next.
    """
    draw = random.Random(seed)
    normal = NormalDist()
    pairs = np.array(
        [[normal.inv_cdf(max(draw.random(), 1e-12)) for _ in range(2)] for _ in frequencies]
    )
    scale = 10.0 ** (room_noise_db(frequencies, at_20_hz_db=at_20_hz_db) / 20.0)
    return np.asarray(scale * (pairs[:, 0] + 1j * pairs[:, 1]) / np.sqrt(2.0))


def c_weighting_db(frequencies: FloatArray) -> FloatArray:
    """Return the C weighting of IEC 61672-1, in dB, 0 at 1 kHz (annex E, analytic form)."""

    def unscaled(f: FloatArray) -> FloatArray:
        return np.asarray(12194.217**2 * f**2 / ((f**2 + 20.598997**2) * (f**2 + 12194.217**2)))

    f = np.asarray(frequencies, dtype=np.float64)
    return np.asarray(20.0 * np.log10(unscaled(f) / unscaled(np.array(1000.0))))


def band_power_level_db(level_db: FloatArray) -> FloatArray:
    """Return the level of pink noise through a band, from levels equally spaced in ln f in it.

    Pink noise carries the same power in equal steps of ln f, so this is the power mean over
    the last axis.
    """
    return np.asarray(10.0 * np.log10(np.mean(10.0 ** (np.asarray(level_db) / 10.0), axis=-1)))
