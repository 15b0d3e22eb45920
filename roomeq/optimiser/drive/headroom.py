"""Headroom by third octave at the wanted level: how much is left, and what runs out first.

Conventions
-----------
Arrays are by band, shape (B,). Voltages in V root mean square, displacement in m peak, both for a
sine at the band's centre. Headroom in dB is how much more would still do, negative where it does
not. Nan (in arrays) or None is not known. Wanted levels are dB SPL, root mean square, in each third
octave at the main seat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec.structs import force_setattr

from roomeq.base.bands import ThirdOctaveBand, third_octave_band
from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db
from roomeq.base.record import Record
from roomeq.optimiser.drive.demand import estimate_clean_rise
from roomeq.room.equipment import Equipment

if TYPE_CHECKING:
    from roomeq.analysis.sweeps.distortion import Distortion

HIGHEST_DRIVE_BOOST_DB = 12.0
_BEYOND = 1e-6  # just outside the outer bands, where the limit is no more than the flat one


class HeadroomLimit(StrEnum):
    """What runs out in a band."""

    AMPLIFIER = "amplifier"
    DISPLACEMENT = "displacement"
    DISTORTION = "distortion"
    MAXIMUM_OUTPUT = "maximum_output"


class BandHeadroom(Record, frozen=True, kw_only=True):
    """One band at the wanted level.

    Attributes
    ----------
    label : str
        Of the band.
    wanted_db, reached_db : float
        dB SPL at the main seat: wanted, and what that drive gives there.
    rise_db : float
        Drive above that of the measurement.
    voltage, power_w : float or None
        At the terminals, and into the load's nominal impedance.
    displacement : float or None
        Peak, in m.
    amplifier_db, displacement_db, distortion_db, output_db : float or None
        Headroom of each kind.
    assured_db : float or None
        Headroom that distortion or the table of maximum output assures; None without either.
    limit : HeadroomLimit or None
        What runs out first in this band; None where nothing is known. Follows from the figures.
    left_db : float or None
        Headroom until something runs out; follows from the figures as well.
    """

    label: str
    wanted_db: float
    reached_db: float
    rise_db: float
    voltage: float | None = None
    power_w: float | None = None
    displacement: float | None = None
    amplifier_db: float | None = None
    displacement_db: float | None = None
    distortion_db: float | None = None
    output_db: float | None = None
    assured_db: float | None = None
    limit: HeadroomLimit | None = None
    left_db: float | None = None

    def __post_init__(self) -> None:
        known = self.by_limit
        force_setattr(self, "limit", min(known, key=known.__getitem__, default=None))
        force_setattr(self, "left_db", min(known.values(), default=None))

    @property
    def displacement_mm(self) -> float | None:
        """How far the driver moves one way, in mm; None is not known."""
        return None if self.displacement is None else 1000.0 * self.displacement

    @property
    def band(self) -> ThirdOctaveBand:
        """The band."""
        return third_octave_band(float(self.label))

    @property
    def by_limit(self) -> dict[HeadroomLimit, float]:
        """Known headroom of each kind, in dB."""
        found = {
            HeadroomLimit.AMPLIFIER: self.amplifier_db,
            HeadroomLimit.DISPLACEMENT: self.displacement_db,
            HeadroomLimit.DISTORTION: self.distortion_db,
            HeadroomLimit.MAXIMUM_OUTPUT: self.output_db,
        }
        return {limit: value for limit, value in found.items() if value is not None}

    @property
    def driver_db(self) -> float | None:
        """Headroom of the driver alone, in dB: what a protective high-pass is there for."""
        known = {k: v for k, v in self.by_limit.items() if k is not HeadroomLimit.AMPLIFIER}
        return min(known.values(), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Headroom:
    """All bands at the wanted level.

    Attributes
    ----------
    bands : tuple of BandHeadroom
        Ascending.
    rated_voltage : float or None
        What the amplifier may give into the load, in V.
    room_gain_known : bool
        Whether the table of maximum output was carried into the room by more than distance; True
        where there is none.
    """

    bands: tuple[BandHeadroom, ...]
    rated_voltage: float | None
    room_gain_known: bool

    @property
    def first(self) -> BandHeadroom | None:
        """Band that runs out first; None where nothing is known."""
        known = [band for band in self.bands if band.left_db is not None]
        return min(known, key=lambda band: band.left_db or 0.0, default=None)


def estimate_headroom(
    bands: tuple[ThirdOctaveBand, ...],
    *,
    wanted_db: FloatArray,
    reached_db: FloatArray,
    rise_db: FloatArray,
    equipment: Equipment | None = None,
    voltages: FloatArray | None = None,
    distortion: Distortion | None = None,
    asked_db: FloatArray | None = None,
    room_gain_known: bool = False,
) -> Headroom:
    """Return what the wanted level leaves, band by band.

    The table of maximum output is compared with the level that the subwoofer would have to give at
    1 m in half space: from voltage, sensitivity and box where those are known, else as asked.

    Parameters
    ----------
    bands : tuple of ThirdOctaveBand, length B
    wanted_db, reached_db : ndarray, shape (B,)
        dB SPL at the main seat: wanted, and what that drive gives there; where the seat has a
        cancellation it stays short.
    rise_db : ndarray, shape (B,)
        Drive above that of the measurement.
    equipment : Equipment, optional
        Amplifier, load, driver and table of maximum output, as far as they are known.
    voltages : ndarray, shape (B,), optional
        At the terminals while measuring, at each band's centre, in V root mean square.
    distortion : Distortion, optional
        Measured at the drive of the measurement.
    asked_db : ndarray, shape (B,), optional
        Level that the wanted one asks for at 1 m in half space, in dB SPL, where voltage or driver
        do not tell: by distance and boost, less what the room adds.
    room_gain_known : bool
        Whether the latter is known.
    """
    known = equipment or Equipment()
    load, driver, output, rated = known.load, known.driver, known.output, known.rated_voltage
    centres = [band.centre for band in bands]
    found = {"wanted_db": wanted_db, "reached_db": reached_db, "rise_db": rise_db}
    assured = unknown = np.full(len(bands), np.nan)
    if voltages is not None:
        voltages = found["voltage"] = voltages * amplitude_ratio(rise_db)
        if load is not None:
            found["power_w"] = load.power_w(voltages)
        if rated is not None:
            found["amplifier_db"] = amplitude_ratio_db(rated / voltages)
        if driver is not None:
            found["displacement"] = moved = driver.peak_displacement(voltages, centres)
            found["displacement_db"] = amplitude_ratio_db(driver.largest_displacement / moved)
            asked_db, room_gain_known = driver.free_field_level_db(voltages, centres), True
    if distortion is not None:
        clean = estimate_clean_rise(distortion, bands=bands)
        assured, found["distortion_db"] = clean.assured_db - rise_db, clean.estimate_db - rise_db
    if output is not None:
        asked_db = unknown if asked_db is None else asked_db
        found["output_db"] = output.level_in_db(bands) - asked_db
    found["assured_db"] = np.fmin(assured, found.get("output_db", unknown))
    return Headroom(
        bands=tuple(
            BandHeadroom(label=band.label, **{name: _known(row[n]) for name, row in found.items()})
            for n, band in enumerate(bands)
        ),
        rated_voltage=rated,
        room_gain_known=room_gain_known or output is None,
    )


def _known(value: float) -> Any:
    return None if math.isnan(value) else float(value)


def drive_by_frequency(headroom: Headroom, *, flat_db: float) -> tuple[tuple[float, float], ...]:
    """Return how far the drive may rise at the same loudness: frequencies in Hz, limits in dB.

    It may take the place of one flat ``drive_boost_db``: in each band what is left, at its centre.
    Bands of which nothing is known, and what lies beyond the outer centres, get no more than the
    flat figure.

    Parameters
    ----------
    headroom : Headroom
        At the wanted level, all bands at 0.
    flat_db : float
        Where nothing is known (6 dB: common practice, no source).

    Returns
    -------
    tuple of (float, float)
        Rising in frequency, linear over ln f between; from 0 to 12 dB (common practice, no source),
        or to `flat_db` where that is more; 0 where the wanted level itself is too much.
    """
    most_db, bands = max(flat_db, HIGHEST_DRIVE_BOOST_DB), headroom.bands
    left = [flat_db if entry.left_db is None else entry.left_db for entry in bands]
    limits = [min(max(one, 0.0), most_db) for one in left]
    centres = [entry.band.centre for entry in bands]
    return (
        (centres[0] * (1.0 - _BEYOND), min(limits[0], flat_db)),
        *zip(centres, limits, strict=True),
        (centres[-1] * (1.0 + _BEYOND), min(limits[-1], flat_db)),
    )
