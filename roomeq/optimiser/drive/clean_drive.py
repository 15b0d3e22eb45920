"""How much more drive stays clean, from distortion against frequency.

Conventions
-----------
Orders are rows, 2 to 5; the last axis is frequency of the fundamental in Hz, or third-octave bands.
Ratios are harmonic over fundamental in dB at the drive of the measurement; a rise is drive in dB
above that. The microphone hears both through the room, so within a band powers are summed before
the ratio is taken: a dip of the fundamental then counts little. Nan is not known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import (
    FloatArray,
    amplitude_ratio,
    amplitude_ratio_db,
    power_ratio,
    power_ratio_db,
)

if TYPE_CHECKING:
    from roomeq.analysis.sweeps.distortion import Distortion

HARMONIC_LIMITS_DB = (-10.0, -15.0, -20.0, -20.0)
"""Second to fifth harmonic of a burst that still passes, re fundamental (CTA-2010 as in CEA-2010
and CEA-2010-A; CTA-2010-B lets them change with frequency)."""

LARGEST_EXTRAPOLATION_DB = 6.0
"""How far above the measured drive distortion is trusted to follow its law (common practice, no
source)."""

_ORDERS = np.arange(2, 6)
_FUNDAMENTAL_PER_HARMONIC = np.array([0.0, 3.0, 0.0, 10.0])
_LEAST_POINTS = 2


class CleanRise(NamedTuple):
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


def band_ratios_db(
    distortion: Distortion, bands: tuple[ThirdOctaveBand, ...]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return ratios by order and band, and whether each stands above the noise.

    Powers of harmonic and fundamental are summed over a band's points before the ratio is taken. A
    band with fewer than two points, or an order with an unknown one, is nan.

    Returns
    -------
    ratios_db : ndarray, shape (4, B)
    above_noise : ndarray of bool, shape (4, B)
        Whether at least half of the points do.
    """
    axis, ratios_db = distortion.frequencies, distortion.ratios_db
    level_db, above_noise = amplitude_ratio_db(distortion.harmonics[0]), distortion.above_noise
    ratios = np.full((_ORDERS.size, len(bands)), np.nan)
    above = np.zeros(ratios.shape, dtype=np.bool_)
    for column, band in enumerate(bands):
        inside = (axis >= band.lower) & (axis <= band.upper)
        if inside.sum() < _LEAST_POINTS:
            continue
        level = level_db[inside] - level_db[inside].max()
        harmonic = power_ratio(ratios_db[:, inside] + level).sum(axis=1)
        ratios[:, column] = power_ratio_db(harmonic / power_ratio(level).sum())
        above[:, column] = above_noise[:, inside].mean(axis=1) >= 0.5
    return ratios, above & np.isfinite(ratios)


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


def estimate_clean_rise(distortion: Distortion, *, bands: tuple[ThirdOctaveBand, ...]) -> CleanRise:
    """Return how far the drive may rise until a harmonic reaches its limit.

    In a weakly nonlinear system the n-th harmonic grows by n dB for every dB of drive, its ratio to
    the fundamental by n - 1 dB (each term of a power series), so that the rise is
    ``(limit - ratio) / (n - 1)``: the estimate. An odd term also takes from the fundamental when
    it compresses, 3 times (third order) and 10 times (fifth) the harmonic, which brings the limit
    up to 1.9 and 1.5 dB nearer: reckoned with in what is assured. Near a driver's stop harmonics
    grow faster still: a rise beyond 6 dB is not assured, whatever the law gives.

    Parameters
    ----------
    distortion : Distortion
        Of a sweep; its drive is the drive of the measurement.
    bands : tuple of ThirdOctaveBand, length B

    Returns
    -------
    CleanRise
        Negative where a limit was exceeded while measuring.
    """
    limits = np.array(HARMONIC_LIMITS_DB)[:, np.newaxis]
    ratios, above = band_ratios_db(distortion, bands)
    steps = _ORDERS[:, np.newaxis] - 1.0
    known = ~np.isnan(ratios)
    compressing = _without_compression(limits) - _without_compression(ratios)
    assured = _lowest_known(compressing / steps, known)
    return CleanRise(
        estimate_db=_lowest_known((limits - ratios) / steps, above),
        assured_db=np.minimum(assured, LARGEST_EXTRAPOLATION_DB),
    )
