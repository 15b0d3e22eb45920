"""Fractional-octave bands: nominal and exact mid-band frequencies, band edges.

Conventions
-----------
Base-ten system of IEC 61260-1:2014: ``G = 10 ** (3 / 10)``, reference 1000 Hz. Third-octave bands
carry the nominal frequencies of ISO 266. Frequencies are in Hz.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from roomeq.base.levels import FloatArray, readonly, require_positive

OCTAVE_RATIO = 10.0**0.3
"""G of IEC 61260-1:2014, clause 5.2."""

_NOMINAL_MANTISSAS = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
_LOWEST, _HIGHEST = 0, 43  # band numbers: 1 Hz to 20 kHz


@dataclass(frozen=True, slots=True, kw_only=True)
class ThirdOctaveBand:
    """One third-octave band, or the band of a device that lies in it.

    Attributes
    ----------
    number : int
        Band number n; the exact mid-band frequency is ``10 ** (n / 10)`` Hz. It alone tells bands
        apart.
    printed, measured : float, optional
        What the device calls the band where that is no nominal frequency, and where its centre
        really lies, in Hz.
    """

    number: int
    printed: float | None = field(default=None, compare=False)
    measured: float | None = field(default=None, compare=False)

    @property
    def nominal(self) -> float:
        """Nominal mid-band frequency of ISO 266, or what the device calls the band, in Hz."""
        if self.printed is not None:
            return self.printed
        decade, position = divmod(self.number, 10)
        return round(_NOMINAL_MANTISSAS[position] * 10.0**decade, 6)

    @property
    def centre(self) -> float:
        """Exact mid-band frequency, in Hz (IEC 61260-1:2014, formula 2); a device's own first."""
        return self.measured or self.printed or float(10.0 ** (self.number / 10.0))

    @property
    def lower(self) -> float:
        """Lower band edge, in Hz (formula 4)."""
        return float(self.centre * OCTAVE_RATIO ** (-1.0 / 6.0))

    @property
    def upper(self) -> float:
        """Upper band edge, in Hz (formula 5)."""
        return float(self.centre * OCTAVE_RATIO ** (1.0 / 6.0))

    @property
    def label(self) -> str:
        """Nominal frequency as it is printed: ``31.5`` or ``80``."""
        return f"{self.nominal:g}"


def third_octave_band(frequency: float) -> ThirdOctaveBand:
    """Return the third-octave band that holds `frequency`.

    A nominal frequency gives its own band: the nominal value lies within 1 % of the exact one.

    Raises
    ------
    ValueError
        If the frequency is not finite or lies outside the bands from 1 Hz to 20 kHz.
    """
    require_positive(frequency, "a frequency")
    number = round(10.0 * math.log10(frequency))
    if not _LOWEST <= number <= _HIGHEST:
        raise ValueError(f"{frequency:g} Hz lies outside the bands from 1 Hz to 20 kHz")
    return ThirdOctaveBand(number=number)


def device_band(printed: float, measured: float | None = None) -> ThirdOctaveBand:
    """Return the band that a device calls so, by a nominal frequency (within 2 %) or another.

    Parameters
    ----------
    printed : float
        Hz.
    measured : float, optional
        Where its centre really lies, in Hz; where it is called by default.

    Raises
    ------
    ValueError
        If it lies outside the bands from 1 Hz to 20 kHz.
    """
    band = third_octave_band(printed)
    is_nominal = abs(printed / band.centre - 1.0) <= 0.02
    return replace(band, printed=None if is_nominal else printed, measured=measured)


def third_octave_bands(lowest: float, highest: float) -> tuple[ThirdOctaveBand, ...]:
    """Return the bands from the one that holds `lowest` to the one that holds `highest`.

    Raises
    ------
    ValueError
        If a frequency is not usable or `highest` lies in a lower band than `lowest`.
    """
    first, last = third_octave_band(lowest).number, third_octave_band(highest).number
    if last < first:
        raise ValueError(f"highest ({highest:g} Hz) lies below lowest ({lowest:g} Hz)")
    return tuple(ThirdOctaveBand(number=number) for number in range(first, last + 1))


def whole_bands(
    lowest: float, highest: float, *, first: float, last: float
) -> tuple[ThirdOctaveBand, ...]:
    """Return the bands from `lowest` to `highest` that lie wholly from `first` to `last`, in Hz."""
    bands = third_octave_bands(lowest, highest)
    return tuple(band for band in bands if band.lower >= first and band.upper <= last)


def logarithmic_axis(lowest: float, highest: float, *, per_octave: int) -> FloatArray:
    """Return frequencies equally spaced on a logarithmic scale, shape (n,), in Hz.

    The points are ``1000 * 2 ** (i / per_octave)`` for whole i, so that axes of different span
    share their points; all points within ``[lowest, highest]`` are returned.

    Raises
    ------
    ValueError
        If the span is not positive and finite or holds no point, or `per_octave` is below 1.
    """
    if not (math.isfinite(highest) and 0 < lowest <= highest):
        raise ValueError(f"needs 0 < lowest <= highest, got {lowest!r} and {highest!r}")
    if per_octave < 1:
        raise ValueError(f"per_octave must be at least 1, got {per_octave}")
    first = math.ceil(per_octave * math.log2(lowest / 1000.0) - 1e-9)
    last = math.floor(per_octave * math.log2(highest / 1000.0) + 1e-9)
    if last < first:
        raise ValueError(f"no point between {lowest:g} and {highest:g} Hz")
    return readonly(1000.0 * 2.0 ** (np.arange(first, last + 1) / per_octave))
