"""The phase control of a subwoofer's amplifier: a first-order all-pass.

Conventions
-----------
A control is set in degrees of lag at a stated frequency in Hz: 0 does nothing, 180 is a change of
polarity. Time convention ``exp(+j omega t)``: a lag is a negative phase. With f0 the frequency of
90 degrees::

    H(f) = (1 - j f / f0) / (1 + j f / f0)      lag at f = 2 atan(f / f0)

It is neither a delay nor a flip: the lag grows from 0 at low frequencies to 180 degrees at high
ones, and the delay that goes with it is longest at low frequencies, ``1 / (pi f0)``.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, readonly
from roomeq.base.response import ComplexArray
from roomeq.device.profile import PhaseControl

MOST_DEG = 180.0


def _checked(lag_deg: float, frequency: float) -> tuple[float, float]:
    if not (math.isfinite(lag_deg) and 0.0 <= lag_deg <= MOST_DEG):
        raise ValueError(
            f"a first-order all-pass lags by 0 to {MOST_DEG:g} degrees, got {lag_deg!r}"
        )
    if not (math.isfinite(frequency) and frequency > 0):
        raise ValueError(f"the frequency of a lag must be finite and positive, got {frequency!r}")
    return math.radians(lag_deg) / 2.0, frequency


def all_pass_response(frequencies: ArrayLike, *, lag_deg: float, frequency: float) -> ComplexArray:
    """Return the response of a first-order all-pass set to a lag at one frequency.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    lag_deg : float
        Lag at `frequency`, 0 to 180 degrees.
    frequency : float
        Hz.

    Returns
    -------
    ndarray, shape (F,)
        Complex amplitude ratio of magnitude 1: 1 for 0 degrees, -1 for 180.

    Raises
    ------
    ValueError
        If the lag lies outside 0 to 180 degrees, or the frequency is not finite and positive.
    """
    half, at = _checked(lag_deg, frequency)
    # cos - j x sin over its conjugate: f0 is frequency / tan(half), which may be 0 or infinite
    x = np.asarray(frequencies, dtype=np.float64) / at
    numerator = math.cos(half) - 1j * x * math.sin(half)
    return np.asarray(numerator / np.conj(numerator))


def lag_at_deg(frequencies: ArrayLike, *, lag_deg: float, frequency: float) -> FloatArray:
    """Return the lag at other frequencies, in degrees from 0 to 180; arguments as above."""
    half, at = _checked(lag_deg, frequency)
    x = np.asarray(frequencies, dtype=np.float64) / at
    return np.asarray(np.rad2deg(2.0 * np.arctan2(x * math.sin(half), math.cos(half))))


def phase_settings_deg(control: PhaseControl) -> FloatArray:
    """Return every setting that a phase control offers, in degrees of lag, rising, shape (Q,).

    Raises
    ------
    ValueError
        If the range leaves 0 to 180 degrees: a first-order all-pass cannot do that.
    """
    _checked(control.lowest_deg, control.frequency)
    _checked(control.highest_deg, control.frequency)
    steps = math.floor((control.highest_deg - control.lowest_deg) / control.step_deg + 1e-9)
    return readonly(np.round(control.lowest_deg + control.step_deg * np.arange(steps + 1), 9))
