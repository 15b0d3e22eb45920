"""Second-order sections of the W3C Audio EQ Cookbook.

Conventions
-----------
Formulas after R. Bristow-Johnson, "Audio EQ Cookbook", W3C Working Group Note, 8 June 2021. Gains
in dB, frequencies and sample rates in Hz. A digital section is evaluated through its analogue
prototype on the bilinearly warped axis ``tan(pi f / fs) / tan(pi f0 / fs)``, which is the same
function and keeps every digit in the bass, where ``1 - cos`` of a small angle would not.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import ComplexArray, FloatArray


def _normalised_axis(
    frequencies: ArrayLike, *, centre: float, sample_rate: float | None
) -> FloatArray:
    """Return s/j of the prototype: frequency over centre, warped for a digital section."""
    axis = np.asarray(frequencies, dtype=np.float64)
    if not (math.isfinite(centre) and centre > 0):
        raise ValueError(f"a centre must be finite and positive, got {centre!r}")
    if sample_rate is None:
        return axis / centre
    if not (math.isfinite(sample_rate) and sample_rate > 2.0 * centre):
        raise ValueError(f"a sample rate of {sample_rate!r} Hz cannot hold {centre:g} Hz")
    return np.asarray(np.tan(np.pi * axis / sample_rate) / np.tan(np.pi * centre / sample_rate))


def peaking_response(
    frequencies: ArrayLike,
    *,
    centre: float,
    q: ArrayLike,
    gain_db: ArrayLike,
    sample_rate: float | None = None,
) -> ComplexArray:
    """Return the response of peaking sections.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    centre : float
        Centre frequency in Hz.
    q, gain_db : array_like, shape () or (K,)
        Q and gain at the centre in dB; several together give several sections.
    sample_rate : float, optional
        Hz for a digital section; without it the section is analogue.

    Returns
    -------
    ndarray, shape (F,) or (K, F)
        Complex amplitude ratio.

    Raises
    ------
    ValueError
        If Q, gain, centre or sample rate is not usable.
    """
    quality, gain = np.broadcast_arrays(
        np.asarray(q, dtype=np.float64), np.asarray(gain_db, dtype=np.float64)
    )
    if not (np.isfinite(quality).all() and (quality > 0).all()):
        raise ValueError(f"Q must be finite and positive, got {quality}")
    if not np.isfinite(gain).all():
        raise ValueError(f"a gain must be finite, got {gain}")
    ratio = 10.0 ** (gain[..., np.newaxis] / 40.0)
    x = _normalised_axis(frequencies, centre=centre, sample_rate=sample_rate)
    real = 1.0 - x**2
    bandwidth = x / quality[..., np.newaxis]
    return np.asarray((real + 1j * bandwidth * ratio) / (real + 1j * bandwidth / ratio))


def low_shelf_response(
    frequencies: ArrayLike, *, corner: float, gain_db: float, q: float = math.sqrt(0.5)
) -> ComplexArray:
    """Return the response of the Cookbook's analogue low shelf, shape (F,).

    The gain is `gain_db` far below the corner, half of it (in dB) at the corner, 0 far above. With
    the Q of 0.7071 the slope is as steep as it can be without over- or undershoot.
    """
    ratio = 10.0 ** (gain_db / 40.0)
    s = 1j * _normalised_axis(frequencies, centre=corner, sample_rate=None)
    damping = math.sqrt(ratio) / q * s
    return np.asarray(ratio * (s**2 + damping + ratio) / (ratio * s**2 + damping + 1.0))
