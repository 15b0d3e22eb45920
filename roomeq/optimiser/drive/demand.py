"""What gains and the wanted level ask of the drive, third octave by third octave.

Conventions
-----------
Arrays are by band, shape (B,). A *rise* is drive in dB above that of the measurement, device and
level changes included. Voltages in V root mean square. Wanted levels are dB SPL, root mean square,
in each third octave at the main seat.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.base.bands import ThirdOctaveBand, third_octave_band
from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db, power_ratio
from roomeq.base.record import Record
from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.driver import Box, moved_displacement_db
from roomeq.device.equaliser import FixedBandEqualiser

_POINTS_IN_BAND = 9


def _points(band: ThirdOctaveBand) -> FloatArray:
    """Return frequencies across a band, both edges and the centre among them, in Hz."""
    return np.asarray(np.geomspace(band.lower, band.upper, _POINTS_IN_BAND))


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
    gains = equaliser.checked_gains_db(gains_db)
    bands = equaliser.bands
    extras = [equaliser.response_db(gains, _points(band)) + level_change_db for band in bands]
    moved: list[float | None] = [None] * len(bands)
    if box is not None:
        rest = [moved_displacement_db(box, filters, _points(band)) for band in bands]
        largest = max(float(row.max()) for row in rest)
        moved = [
            float((row + extra).max()) - largest for row, extra in zip(rest, extras, strict=True)
        ]
    return tuple(
        BandExtra(
            label=band.label,
            extra_db=float(extra.max()),
            voltage_ratio=float(amplitude_ratio(extra.max())),
            power_ratio=float(power_ratio(extra.max())),
            displacement_ratio=float(amplitude_ratio(extra.max())),
            displacement_db=displacement,
        )
        for band, extra, displacement in zip(bands, extras, moved, strict=True)
    )


def estimate_measuring_voltages(
    bands: tuple[ThirdOctaveBand, ...],
    *,
    voltage: float,
    frequency: float,
    equaliser: FixedBandEqualiser,
    present_gains_db: ArrayLike,
    filters: tuple[CrossoverFilter, ...] = (),
) -> FloatArray:
    """Return the voltage at the terminals while measuring, at each band's centre, shape (B,), in V.

    Parameters
    ----------
    bands : tuple of ThirdOctaveBand
    voltage : float
        V root mean square at the terminals, with the signal at the level of the measurement.
    frequency : float
        Hz at which that was read.
    equaliser : FixedBandEqualiser
    present_gains_db : array_like, shape (B,)
        Gains in force while measuring.
    filters : tuple of CrossoverFilter
        Filters in force between signal and terminals.

    Raises
    ------
    ValueError
        If a gain is off the grid.
    """
    axis = np.array([frequency, *(band.centre for band in bands)])
    path_db = equaliser.response_db(equaliser.checked_gains_db(present_gains_db), axis)
    path_db = path_db + amplitude_ratio_db(chain_response(filters, axis))
    return np.asarray(voltage * amplitude_ratio(path_db[1:] - path_db[0]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveDemand:
    """What the wanted level at the main seat asks of the drive.

    Attributes
    ----------
    bands : tuple of ThirdOctaveBand
    wanted_db : ndarray, shape (B,)
        dB SPL.
    rise_db : ndarray, shape (B,)
        Drive above that of the measurement.
    reached_db : ndarray, shape (B,)
        Level at the main seat with that drive: where the seat has a cancellation it stays short.
    """

    bands: tuple[ThirdOctaveBand, ...]
    wanted_db: FloatArray
    rise_db: FloatArray
    reached_db: FloatArray


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


def estimate_drive_demand(
    bands: tuple[ThirdOctaveBand, ...],
    *,
    wanted_db: FloatArray,
    predicted_db: FloatArray,
    target_db: FloatArray,
    change_db: FloatArray,
    cancelled: NDArray[np.bool_],
) -> DriveDemand:
    """Return the drive at which the main seat has the wanted level.

    The programme is turned up until the seat, on the level mean over the bands without a
    cancellation, is at the wanted level. A dip is not filled by it: each band gets the drive that
    its gain and the volume give, no more.

    Parameters
    ----------
    bands : tuple of ThirdOctaveBand, length B
    wanted_db : ndarray, shape (B,)
        dB SPL in each third octave at the main seat.
    predicted_db : ndarray, shape (B,)
        dB SPL predicted there with the proposed settings, at the drive of the measurement.
    target_db : ndarray, shape (B,)
        Target, against any reference.
    change_db : ndarray, shape (B,)
        Proposed less present response of the device, level change included.
    cancelled : ndarray of bool, shape (B,)
        Bands in which the seats have a cancellation; where all have, all count.
    """
    counted = ~cancelled if not cancelled.all() else np.ones(len(bands), dtype=np.bool_)
    meant = target_db + float(np.mean((predicted_db - target_db)[counted]))
    volume = wanted_db - meant
    return DriveDemand(
        bands=bands,
        wanted_db=wanted_db,
        rise_db=change_db + volume,
        reached_db=predicted_db + volume,
    )
