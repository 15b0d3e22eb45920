"""How much more drive stays clean, from distortion against frequency.

Conventions
-----------
Orders are rows, 2 to 5; the last axis is frequency of the fundamental in Hz, or third-octave bands.
Ratios are harmonic over fundamental in dB at the drive of the measurement; a rise is drive in dB
above that. The microphone hears both through the room, so within a band powers are summed before
the ratio is taken: a dip of the fundamental then counts little. Nan is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np
from numpy.typing import NDArray

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import (
    FloatArray,
    amplitude_ratio,
    amplitude_ratio_db,
    power_ratio,
    power_ratio_db,
    readonly,
)
from roomeq.base.response import checked_frequencies

if TYPE_CHECKING:
    from roomeq.analysis.sweeps.distortion import Distortion

__all__ = [
    "HARMONIC_LIMITS_DB",
    "LARGEST_EXTRAPOLATION_DB",
    "CleanRise",
    "DistortionEvidence",
    "estimate_clean_rise",
]

HARMONIC_LIMITS_DB = (-10.0, -15.0, -20.0, -20.0)
"""Second to fifth harmonic of a burst that still passes, re fundamental (CTA-2010 as in CEA-2010
and CEA-2010-A; CTA-2010-B lets them change with frequency)."""

LARGEST_EXTRAPOLATION_DB = 6.0
"""How far above the measured drive distortion is trusted to follow its law (common practice, no
source)."""

_ORDERS = np.arange(2, 6)
_FUNDAMENTAL_PER_HARMONIC = np.array([0.0, 3.0, 0.0, 10.0])
_LEAST_POINTS = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DistortionEvidence:
    """Distortion as one measurement tells it.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Fundamental, in Hz.
    ratios_db : ndarray, shape (4, F)
        Orders 2 to 5 over the fundamental, in dB; nan where they are not known.
    level_db : ndarray, shape (F,)
        Level of the fundamental in dB, against any reference.
    above_noise : ndarray of bool, shape (4, F)
        Where the harmonic stands above the noise; elsewhere its ratio is no more than a bound.

    Raises
    ------
    ValueError
        If shapes differ, a level is not finite or a ratio is infinite upwards.
    """

    frequencies: FloatArray
    ratios_db: FloatArray
    level_db: FloatArray
    above_noise: NDArray[np.bool_]

    def __post_init__(self) -> None:
        axis = checked_frequencies(self.frequencies)
        ratios, level = readonly(self.ratios_db), readonly(self.level_db)
        above = readonly(self.above_noise, dtype=np.bool_)
        if ratios.shape != (_ORDERS.size, axis.size) or above.shape != ratios.shape:
            raise ValueError(
                f"ratios_db and above_noise must have shape {(_ORDERS.size, axis.size)}, got "
                f"{ratios.shape} and {above.shape}"
            )
        if level.shape != axis.shape or not np.isfinite(level).all():
            raise ValueError("level_db must be finite, one value for each frequency")
        if np.isposinf(ratios).any():
            raise ValueError("ratios_db must not be infinite upwards: the fundamental is missing")
        for name, value in (
            ("frequencies", axis),
            ("ratios_db", ratios),
            ("level_db", level),
            ("above_noise", above),
        ):
            object.__setattr__(self, name, value)

    @classmethod
    def from_distortion(cls, distortion: Distortion) -> Self:
        """Return what one sweep tells; its drive is then the drive of the measurement.

        Raises
        ------
        ValueError
            If the fundamental is not known everywhere.
        """
        return cls(
            frequencies=distortion.frequencies,
            ratios_db=distortion.ratios_db,
            level_db=amplitude_ratio_db(distortion.harmonics[0]),
            above_noise=distortion.above_noise,
        )

    def band_ratios_db(
        self, bands: tuple[ThirdOctaveBand, ...]
    ) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Return ratios by order and band, and whether each stands above the noise.

        Powers of harmonic and fundamental are summed over a band's points before the ratio is
        taken. A band with fewer than two points, or an order with an unknown one, is nan.

        Returns
        -------
        ratios_db : ndarray, shape (4, B)
        above_noise : ndarray of bool, shape (4, B)
            Whether at least half of the points do.
        """
        ratios = np.full((_ORDERS.size, len(bands)), np.nan)
        above = np.zeros(ratios.shape, dtype=np.bool_)
        for column, band in enumerate(bands):
            inside = (self.frequencies >= band.lower) & (self.frequencies <= band.upper)
            if inside.sum() < _LEAST_POINTS:
                continue
            level = self.level_db[inside] - self.level_db[inside].max()
            harmonic = power_ratio(self.ratios_db[:, inside] + level).sum(axis=1)
            ratios[:, column] = power_ratio_db(harmonic / power_ratio(level).sum())
            above[:, column] = self.above_noise[:, inside].mean(axis=1) >= 0.5
        return ratios, above & np.isfinite(ratios)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CleanRise:
    """How far the drive may rise above that of the measurement.

    Attributes
    ----------
    estimate_db : ndarray, shape (B,)
        From the orders that stand above the noise; nan where none does.
    assured_db : ndarray, shape (B,)
        From all known orders, noise taken for distortion, the driver taken to compress, and never
        more than 6 dB above what was measured; nan where no order is known.
    """

    estimate_db: FloatArray
    assured_db: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "estimate_db", readonly(self.estimate_db))
        object.__setattr__(self, "assured_db", readonly(self.assured_db))


def _lowest_known(rises_db: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    lowest = np.where(known, rises_db, np.inf).min(axis=0)
    return np.where(known.any(axis=0), lowest, np.nan)


def _without_compression(ratios_db: FloatArray) -> FloatArray:
    """Return the ratios to the fundamental as it would be without what odd terms take from it.

    A term -a x**n of a cosine gives its n-th harmonic 1 part and takes from the fundamental 3 (n =
    3) or 10 (n = 5): ratio = q / (1 - k q), so q = ratio / (1 + k ratio).
    """
    ratio = amplitude_ratio(ratios_db)
    return amplitude_ratio_db(ratio / (1.0 + _FUNDAMENTAL_PER_HARMONIC[:, np.newaxis] * ratio))


def estimate_clean_rise(
    evidence: DistortionEvidence,
    *,
    bands: tuple[ThirdOctaveBand, ...],
    limits_db: tuple[float, float, float, float] = HARMONIC_LIMITS_DB,
) -> CleanRise:
    """Return how far the drive may rise until a harmonic reaches its limit.

    In a weakly nonlinear system the n-th harmonic grows by n dB for every dB of drive, its ratio to
    the fundamental by n - 1 dB (each term of a power series), so that the rise is
    ``(limit - ratio) / (n - 1)``: the estimate. An odd term also takes from the fundamental when
    it compresses, 3 times (third order) and 10 times (fifth) the harmonic, which brings the limit
    up to 1.9 and 1.5 dB nearer: reckoned with in what is assured. Near a driver's stop harmonics
    grow faster still: a rise beyond 6 dB is not assured, whatever the law gives.

    Parameters
    ----------
    evidence : DistortionEvidence
    bands : tuple of ThirdOctaveBand, length B
    limits_db : tuple of four floats
        Largest ratio of orders 2 to 5, in dB.

    Returns
    -------
    CleanRise
        Negative where a limit was exceeded while measuring.

    Raises
    ------
    ValueError
        If the limits are not four finite figures.
    """
    limits = np.asarray(limits_db, dtype=np.float64)
    if limits.shape != _ORDERS.shape or not np.isfinite(limits).all():
        raise ValueError(f"limits_db must be four finite figures, got {limits_db!r}")
    ratios, above = evidence.band_ratios_db(bands)
    steps = _ORDERS[:, np.newaxis] - 1.0
    known = ~np.isnan(ratios)
    compressing = _without_compression(limits[:, np.newaxis]) - _without_compression(ratios)
    assured = _lowest_known(compressing / steps, known)
    return CleanRise(
        estimate_db=_lowest_known((limits[:, np.newaxis] - ratios) / steps, above),
        assured_db=np.minimum(assured, LARGEST_EXTRAPOLATION_DB),
    )
