"""What gains and the wanted level ask of the drive, third octave by third octave.

Conventions
-----------
Arrays are by band, shape (B,). A *rise* is drive in dB above that of the measurement, device and
level changes included. Voltages in V root mean square. Wanted levels are dB SPL, root mean square,
in each third octave at the main seat.

How much more drive stays clean, from distortion against frequency.

Orders are rows, 2 to 5; the last axis is frequency of the fundamental in Hz, or third-octave bands.
Ratios are harmonic over fundamental in dB at the drive of the measurement; a rise is drive in dB
above that. The microphone hears both through the room, so within a band powers are summed before
the ratio is taken: a dip of the fundamental then counts little. Nan is not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.base.bands import ThirdOctaveBand, third_octave_band
from roomeq.base.levels import (
    FloatArray,
    amplitude_ratio,
    amplitude_ratio_db,
    power_ratio,
    power_ratio_db,
)
from roomeq.base.record import Record
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.driver import Box, moved_displacement_db
from roomeq.device.equaliser import FixedBandEqualiser

if TYPE_CHECKING:
    from roomeq.analysis.sweeps.distortion import Distortion

_POINTS_IN_BAND = 9


class BandExtra(Record, frozen=True, kw_only=True):
    """What gains and level ask of one band, relative to all bands at 0 and the level untouched.

    Attributes
    ----------
    label : str
        Of the band.
    extra_db : float
        Largest rise of the drive within the band.
    voltage_ratio, power_ratio : float
    displacement_ratio : float
        Of the band itself: displacement follows voltage.
    displacement_db : float or None
        Displacement in the band, in dB re the largest in any band at rest: above 0 the driver moves
        further than before. None where the box is not known.
    """

    label: str
    extra_db: float
    voltage_ratio: float
    power_ratio: float
    displacement_ratio: float
    displacement_db: float | None

    @property
    def band(self) -> ThirdOctaveBand:
        """The band."""
        return third_octave_band(float(self.label))


def estimate_extra_drive(
    equaliser: FixedBandEqualiser,
    gains_db: ArrayLike,
    *,
    level_change_db: float = 0.0,
    box: Box | None = None,
    filters: tuple[CrossoverFilter, ...] = (),
) -> tuple[BandExtra, ...]:
    """Return what gains and level cost in each band.

    6 dB more is twice the voltage, four times the power, twice the displacement.

    Parameters
    ----------
    equaliser : FixedBandEqualiser
    gains_db : array_like, shape (B,)
        Gain of every band of the equaliser.
    level_change_db : float
        Change of the level that goes with them.
    box : ClosedBox or VentedBox, optional
    filters : tuple of CrossoverFilter
        Filters in the path, for the displacement.

    Raises
    ------
    ValueError
        If a gain is off the device's grid.
    """
    gains, bands = equaliser.checked_gains_db(gains_db), equaliser.bands
    points = np.array([np.geomspace(band.lower, band.upper, _POINTS_IN_BAND) for band in bands])
    extras = equaliser.response_db(gains, points.ravel()).reshape(points.shape) + level_change_db
    moved: list[float | None] = [None] * len(bands)
    if box is not None:
        rest = moved_displacement_db(box, filters, points)
        moved = ((rest + extras).max(axis=1) - rest.max()).tolist()
    most = extras.max(axis=1)
    return tuple(
        BandExtra(
            label=band.label,
            extra_db=float(most[n]),
            voltage_ratio=float(amplitude_ratio(most[n])),
            power_ratio=float(power_ratio(most[n])),
            displacement_ratio=float(amplitude_ratio(most[n])),
            displacement_db=moved[n],
        )
        for n, band in enumerate(bands)
    )


def wanted_by_band_db(
    wanted_db: float | Mapping[str, float],
    *,
    bands: tuple[ThirdOctaveBand, ...],
    target_db: FloatArray,
) -> tuple[FloatArray, tuple[str, ...]]:
    """Return the wanted level in each band, shape (B,), in dB SPL, and what is none of the bands.

    Parameters
    ----------
    wanted_db : float or mapping of str to float
        One figure holds where the target is highest and follows the target elsewhere: nobody wants
        it above the crossover or below the subwoofer's own limit. Or a figure by nominal frequency,
        as ``"31.5"``, taken as it is; bands that are left out follow the target below the highest
        figure.
    bands : tuple of ThirdOctaveBand, length B
    target_db : ndarray, shape (B,)
        Target, against any reference.

    Raises
    ------
    ValueError
        If no figure is given for any of the bands.
    """
    shape = target_db - target_db.max()
    if not isinstance(wanted_db, Mapping):
        return np.asarray(wanted_db + shape), ()
    labels = [band.label for band in bands]
    known = {label: figure for label, figure in wanted_db.items() if label in labels}
    if not known:
        raise ValueError("needs a wanted level for at least one band")
    wanted = max(known.values()) + shape
    for label, figure in known.items():
        wanted[labels.index(label)] = figure
    return wanted, tuple(label for label in wanted_db if label not in known)


def estimate_volume_db(
    wanted_db: FloatArray,
    *,
    predicted_db: FloatArray,
    target_db: FloatArray,
    cancelled: NDArray[np.bool_],
) -> FloatArray:
    """Return by how much the programme is turned up until the main seat has the wanted level.

    On the level mean over the bands without a cancellation. A dip is not filled by it: each band
    gets the drive that its gain and the volume give, no more.

    Parameters
    ----------
    wanted_db : ndarray, shape (B,)
        dB SPL in each third octave at the main seat.
    predicted_db : ndarray, shape (B,)
        dB SPL predicted there with the proposed settings, at the drive of the measurement.
    target_db : ndarray, shape (B,)
        Target, against any reference.
    cancelled : ndarray of bool, shape (B,)
        Bands in which the seats have a cancellation; where all have, all count.

    Returns
    -------
    ndarray, shape (B,)
        dB, in each band as the wanted level is above the target there.
    """
    counted = np.ones_like(cancelled) if cancelled.all() else ~cancelled
    return wanted_db - (target_db + float(np.mean((predicted_db - target_db)[counted])))


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
    compressing = _without_compression(limits) - _without_compression(ratios)
    growing = np.where(above, (limits - ratios) / steps, np.nan)
    return CleanRise(
        estimate_db=np.fmin.reduce(growing),  # nan only where all are
        assured_db=np.minimum(np.fmin.reduce(compressing / steps), LARGEST_EXTRAPOLATION_DB),
    )
