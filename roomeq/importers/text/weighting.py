"""Frequency weightings C and A of sound level meters, and their removal.

Conventions
-----------
A weighting is a gain in dB that the meter adds at each frequency, 0 dB at 1000 Hz. Frequencies are
in Hz. Source of all formulas: IEC 61672-1:2013, Annex E (analytical expressions); the standard's
table of weightings gives the same values, rounded to 0.1 dB, at the exact third-octave centres.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, amplitude_ratio
from roomeq.base.response import FrequencyResponse

Weighting = Literal["none", "C", "A"]

LOWEST_A_WEIGHTED = 40.0
"""Hz; nominal centre of the lowest band from which A weighting is removed.

A weighting takes 34.6 dB off at 40 Hz and 50.5 dB at 20 Hz: what a meter shows there is mostly
noise of its own and hum of higher bands (common practice, no source for the exact limit).
"""

_LOW_CORNER = 10.0**1.5  # f_L, where C is 3 dB down
_HIGH_CORNER = 10.0**3.9  # f_H, likewise
_A_CORNER = 10.0**2.45  # f_A
_REFERENCE = 1000.0


def _c_poles() -> tuple[float, float]:
    """Return f_1 and f_4 20.60 and 12194 Hz."""
    half = math.sqrt(0.5)
    low, high = _LOW_CORNER**2, _HIGH_CORNER**2
    b = (_REFERENCE**2 + low * high / _REFERENCE**2 - half * (low + high)) / (1.0 - half)
    root = math.sqrt(b * b - 4.0 * low * high)
    return math.sqrt((-b - root) / 2.0), math.sqrt((-b + root) / 2.0)


_F1, _F4 = _c_poles()
_F2 = (3.0 - math.sqrt(5.0)) / 2.0 * _A_CORNER  # 107.7 Hz
_F3 = (3.0 + math.sqrt(5.0)) / 2.0 * _A_CORNER  # 737.9 Hz


def _ratio(frequencies: FloatArray, weighting: Weighting) -> FloatArray:
    squared = frequencies**2
    ratio = _F4**2 * squared / ((squared + _F1**2) * (squared + _F4**2))
    if weighting == "A":
        ratio = ratio * (squared / np.sqrt((squared + _F2**2) * (squared + _F3**2)))
    return np.asarray(ratio)


def weighting_db(frequencies: ArrayLike, weighting: Literal["C", "A"]) -> FloatArray:
    """Return a weighting in dB (IEC 61672-1:2013, Annex E): at 20 Hz C has -6.2 dB, A -50.5 dB.

    Raises
    ------
    ValueError
        If a frequency is not finite and positive.
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    if not (np.isfinite(axis) & (axis > 0)).all():
        raise ValueError(f"frequencies must be finite and positive, got {axis}")
    ratio = _ratio(axis, weighting) / _ratio(np.asarray(_REFERENCE), weighting)
    return np.asarray(20.0 * np.log10(ratio))


def remove_weighting(response: FrequencyResponse, *, weighting: Weighting) -> FrequencyResponse:
    """Return a response with the meter's weighting taken out of its level.

    Phase, where there is one, stays as it is: the standard lays down no phase.

    Parameters
    ----------
    response : FrequencyResponse
        Levels with the weighting in them. Third-octave levels are corrected at the exact centre.
    weighting : {"none", "C", "A"}
        The weighting.

    Raises
    ------
    ValueError
        If the weighting is unknown, or A weighting is to be removed below the 40 Hz band.
    """
    if weighting not in get_args(Weighting):
        raise ValueError(f"weighting is one of {get_args(Weighting)}, got {weighting!r}")
    if weighting == "none":
        return response
    lowest = float(response.frequencies[0])
    if weighting == "A" and lowest < 0.99 * LOWEST_A_WEIGHTED:  # its exact centre is 39.81 Hz
        raise ValueError(
            f"A weighting cannot be removed at {lowest:.3g} Hz, only from "
            f"{LOWEST_A_WEIGHTED:g} Hz upwards: there the meter showed mostly its own noise; "
            "measure again with C weighting or none, or leave those bands out"
        )
    added_db = weighting_db(response.frequencies, weighting)
    if response.has_phase:
        return replace(response, stored=response.stored / amplitude_ratio(added_db))
    return replace(response, stored=response.stored - added_db)
