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
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db, readonly
from roomeq.base.response import checked_frequencies
from roomeq.device.amplifier import Amplifier, Load
from roomeq.device.driver import Driver
from roomeq.device.output_table import OutputTable
from roomeq.optimiser.drive.clean_drive import DistortionEvidence, estimate_clean_rise
from roomeq.optimiser.drive.demand import DriveDemand, checked_by_band

__all__ = [
    "BandHeadroom",
    "Headroom",
    "HeadroomLimit",
    "Listening",
    "Playback",
    "drive_limit_db",
    "estimate_headroom",
]

FLAT_DRIVE_BOOST_DB = 6.0
HIGHEST_DRIVE_BOOST_DB = 12.0


class HeadroomLimit(StrEnum):
    """What runs out in a band."""

    AMPLIFIER = "amplifier"
    DISPLACEMENT = "displacement"
    DISTORTION = "distortion"
    MAXIMUM_OUTPUT = "maximum_output"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Playback:
    """What is known of amplifier, load and driver; what is not is None.

    Attributes
    ----------
    amplifier : Amplifier or None
    load : Load or None
    driver : Driver or None
    measuring_voltages : ndarray, shape (B,), or None
        As `estimate_measuring_voltages` gives them, for the bands of the demand.

    Raises
    ------
    ValueError
        If the load is below the amplifier's minimum.
    """

    amplifier: Amplifier | None = None
    load: Load | None = None
    driver: Driver | None = None
    measuring_voltages: FloatArray | None = None

    def __post_init__(self) -> None:
        if self.amplifier is not None and self.load is not None:
            self.amplifier.check_load(self.load)
        if self.measuring_voltages is not None:
            object.__setattr__(self, "measuring_voltages", readonly(self.measuring_voltages))

    @property
    def rated_voltage(self) -> float | None:
        """What the amplifier may give into the load, in V; None where either is not known."""
        if self.amplifier is None or self.load is None:
            return None
        return self.amplifier.rated_voltage(self.load)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Listening:
    """How the table of maximum output is carried to the main seat.

    Attributes
    ----------
    distance : float
        From the subwoofer to the main seat, in m.
    boost_db : ndarray, shape (B,), or None
        Response of the proposed gains less its mean over the fit: what the room takes and the
        equaliser puts back must come from the driver.
    room_gain_db : ndarray, shape (B,), or None
        What the room adds on average over seats; 0 where it is not known.
    """

    distance: float
    boost_db: FloatArray | None = None
    room_gain_db: FloatArray | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.distance) and self.distance > 0):
            raise ValueError(f"distance must be finite and positive, got {self.distance!r}")
        for name in ("boost_db", "room_gain_db"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, readonly(getattr(self, name)))


@dataclass(frozen=True, slots=True, kw_only=True)
class BandHeadroom:
    """One band at the wanted level.

    Attributes
    ----------
    band : ThirdOctaveBand
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
    """

    band: ThirdOctaveBand
    wanted_db: float
    reached_db: float
    rise_db: float
    voltage: float | None
    power_w: float | None
    displacement: float | None
    amplifier_db: float | None
    displacement_db: float | None
    distortion_db: float | None
    output_db: float | None
    assured_db: float | None

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
    def limit(self) -> HeadroomLimit | None:
        """What runs out first in this band; None where nothing is known."""
        known = self.by_limit
        return min(known, key=known.__getitem__) if known else None

    @property
    def least_db(self) -> float | None:
        """Headroom until something runs out, in dB."""
        return min(self.by_limit.values(), default=None)

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
        known = [(band.least_db, index) for index, band in enumerate(self.bands)]
        found = [(least, index) for least, index in known if least is not None]
        return self.bands[min(found)[1]] if found else None


def estimate_headroom(
    demand: DriveDemand,
    *,
    playback: Playback | None = None,
    distortion: DistortionEvidence | None = None,
    output: OutputTable | None = None,
    listening: Listening | None = None,
) -> Headroom:
    """Return what the wanted level leaves, band by band.

    The table of maximum output is compared with the level that the subwoofer would have to give at
    1 m in half space: from voltage, sensitivity and box where those are known, else from the wanted
    level, the distance and the boost, the room's own gain taken for 0 dB unless it is given.

    Parameters
    ----------
    demand : DriveDemand
    playback : Playback, optional
    distortion : DistortionEvidence, optional
        Measured at the drive of the measurement.
    output : OutputTable, optional
    listening : Listening, optional
        Needed to compare with `output` where voltage or driver are not known.

    Raises
    ------
    ValueError
        If an array does not fit the bands.
    """
    play = playback or Playback()
    electrical = _electrical(demand, play)
    from_driver = play.driver is not None and play.measuring_voltages is not None
    assured, distortion_db = _distortion_headroom(demand, distortion)
    output_db = np.full(len(demand.bands), np.nan)
    if output is not None:
        driver = play.driver if from_driver else None
        asked_db = _asked_at_one_metre_db(demand, electrical["voltage"], driver, listening)
        output_db = output.level_in_db(demand.bands) - asked_db
    columns = electrical | {
        "wanted_db": demand.wanted_db,
        "reached_db": demand.reached_db,
        "rise_db": demand.rise_db,
        "distortion_db": distortion_db,
        "output_db": output_db,
        "assured_db": np.fmin(assured, output_db),
    }
    known_room = listening is not None and listening.room_gain_db is not None
    return Headroom(
        bands=tuple(
            BandHeadroom(
                band=band, **{name: _known(column[index]) for name, column in columns.items()}
            )
            for index, band in enumerate(demand.bands)
        ),
        rated_voltage=play.rated_voltage,
        room_gain_known=output is None or from_driver or known_room,
    )


def _known(value: float) -> Any:
    return None if math.isnan(value) else float(value)


def _electrical(demand: DriveDemand, play: Playback) -> dict[str, FloatArray]:
    """Return voltage, power, displacement and their headroom, each shape (B,)."""
    bands = demand.bands
    nothing = np.full(len(bands), np.nan)
    names = ("voltage", "power_w", "displacement", "amplifier_db", "displacement_db")
    found = dict.fromkeys(names, nothing)
    if play.measuring_voltages is None:
        return found
    measured = checked_by_band(play.measuring_voltages, bands, "measuring_voltages")
    voltages = measured * amplitude_ratio(demand.rise_db)
    found["voltage"] = voltages
    if play.load is not None:
        found["power_w"] = play.load.power_w(voltages)
    if play.rated_voltage is not None:
        found["amplifier_db"] = amplitude_ratio_db(play.rated_voltage / voltages)
    if play.driver is not None:
        moved = play.driver.peak_displacement(voltages, [band.centre for band in bands])
        found["displacement"] = moved
        found["displacement_db"] = amplitude_ratio_db(play.driver.largest_displacement / moved)
    return found


def _distortion_headroom(
    demand: DriveDemand, distortion: DistortionEvidence | None
) -> tuple[FloatArray, FloatArray]:
    """Return assured and estimated headroom until a harmonic reaches its limit, in dB."""
    if distortion is None:
        nothing = np.full(len(demand.bands), np.nan)
        return nothing, nothing
    clean = estimate_clean_rise(distortion, bands=demand.bands)
    return clean.assured_db - demand.rise_db, clean.estimate_db - demand.rise_db


def _asked_at_one_metre_db(
    demand: DriveDemand,
    voltages: FloatArray,
    driver: Driver | None,
    listening: Listening | None,
) -> FloatArray:
    """Return the level that the wanted one asks for at 1 m in half space, in dB SPL, shape (B,)."""
    bands = demand.bands
    if driver is not None:
        return driver.free_field_level_db(voltages, [band.centre for band in bands])
    if listening is None:
        return np.full(len(bands), np.nan)
    asked = demand.wanted_db + float(amplitude_ratio_db(listening.distance))
    if listening.boost_db is not None:
        asked = asked + checked_by_band(listening.boost_db, bands, "boost_db")
    if listening.room_gain_db is not None:
        asked = asked - checked_by_band(listening.room_gain_db, bands, "room_gain_db")
    return np.asarray(asked)


def drive_limit_db(
    headroom: Headroom,
    frequencies: ArrayLike,
    *,
    boost_db: ArrayLike | None = None,
    flat_db: float = FLAT_DRIVE_BOOST_DB,
    highest_db: float = HIGHEST_DRIVE_BOOST_DB,
) -> FloatArray:
    """Return how far the drive may rise at the same loudness, by frequency, shape (F,), in dB.

    It may take the place of one flat ``drive_boost_db``: in each band the boost that the headroom
    was estimated with, plus what is left; linear over ln f between the bands' centres. Bands of
    which nothing is known, and frequencies beyond the outer centres, get no more than the flat
    figure.

    Parameters
    ----------
    headroom : Headroom
        At the wanted level.
    frequencies : array_like, shape (F,)
        Hz.
    boost_db : array_like, shape (B,), optional
        Response of the gains it was estimated with, less its mean over the fit, plus a rise of the
        level; 0 by default: estimated with all bands at 0.
    flat_db : float
        Where nothing is known (6 dB: common practice, no source).
    highest_db : float
        Never more than this (12 dB: common practice, no source).

    Returns
    -------
    ndarray, shape (F,)
        From 0 to `highest_db`; 0 where the wanted level itself is too much.

    Raises
    ------
    ValueError
        If ``0 <= flat_db <= highest_db`` does not hold or an array is not usable.
    """
    if not (math.isfinite(highest_db) and 0.0 <= flat_db <= highest_db):
        raise ValueError(
            f"needs 0 <= flat_db <= highest_db, finite, got {flat_db!r}, {highest_db!r}"
        )
    bands = tuple(entry.band for entry in headroom.bands)
    present = np.zeros(len(bands))
    if boost_db is not None:
        present = checked_by_band(boost_db, bands, "boost_db")
    left = [flat_db if band.least_db is None else band.least_db for band in headroom.bands]
    known = np.array([band.least_db is not None for band in headroom.bands])
    allowed = np.clip(np.where(known, present + left, flat_db), 0.0, highest_db)
    axis = np.log(checked_frequencies(frequencies))
    centres = np.log([band.centre for band in bands])
    limit = np.interp(axis, centres, allowed)
    beyond = (axis < centres[0] - 1e-9) | (axis > centres[-1] + 1e-9)
    return np.asarray(np.where(beyond, np.minimum(limit, flat_db), limit))
