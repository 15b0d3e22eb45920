"""Limits of a proposal: how much boost, where none, and which bands may move.

Conventions
-----------
Boosts in dB, frequencies in Hz; bands are named by their nominal centres.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from roomeq.bands import ThirdOctaveBand, logarithmic_axis, third_octave_band
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.levels import FloatArray

__all__ = ["BandFreedom", "Limits", "allowed_gains_db", "band_freedoms", "limit_axis"]

UNKNOWN_LOWER_LIMIT = 25.0
BOOST_BELOW_LIMIT_DB = 0.5
ABOVE_CORNER_FACTOR = 1.2
_SEEN_OCTAVES = 1.0 / 12.0


class BandFreedom(StrEnum):
    """How far a band may move."""

    FREE = "free"
    CUT_ONLY = "cut_only"
    AT_REST = "at_rest"
    UNSEEN = "unseen"
    LOCKED = "locked"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a proposal may ask of the device.

    Attributes
    ----------
    filter_boost_db : float
        Most that the summed response may boost anywhere (3 dB: common practice, no source).
    drive_boost_db : float
        Most that the drive may rise anywhere once loudness is the same again (6 dB: common
        practice, no source).
    drive_by_frequency : tuple of (float, float)
        Frequency in Hz and limit in dB, rising in frequency: in place of `drive_boost_db` what the
        drive may rise there, linear over ln f, constant outside; empty by default.
    no_boost_below : float, optional
        Hz below which nothing is boosted, for example the protective high-pass. The subwoofer's
        own lower limit takes its place where that is higher; 25 Hz where neither is known.
    locked : tuple of float
        Nominal centres of bands that keep their present gain.
    unlocked : tuple of float
        Nominal centres of bands that may move although they lie above the crossover.

    Raises
    ------
    ValueError
        If a figure is negative or not finite, or frequencies do not rise.
    """

    filter_boost_db: float = 3.0
    drive_boost_db: float = 6.0
    no_boost_below: float | None = None
    locked: tuple[float, ...] = ()
    unlocked: tuple[float, ...] = ()
    drive_by_frequency: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        points = np.asarray(self.drive_by_frequency, dtype=np.float64).reshape(-1, 2)
        rising = bool(np.all(points[:, 0] > 0) and np.all(np.diff(points[:, 0]) > 0))
        if not (rising and np.isfinite(points).all() and np.all(points[:, 1] >= 0)):
            raise ValueError(
                "drive_by_frequency needs rising, positive frequencies and limits that are finite "
                f"and not negative, got {self.drive_by_frequency!r}"
            )
        for name in ("filter_boost_db", "drive_boost_db", "no_boost_below"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value >= 0):
                raise ValueError(f"{name} must be finite and not negative, got {value!r}")

    def floor(self, lower_limit: float | None) -> float:
        """Return the frequency below which nothing is boosted, in Hz."""
        known = [f for f in (self.no_boost_below, lower_limit) if f is not None]
        return max(known) if known else UNKNOWN_LOWER_LIMIT

    def drive_db(self, frequencies: FloatArray) -> FloatArray:
        """Return the most that the drive may rise at each frequency, in dB, shape (F,)."""
        if not self.drive_by_frequency:
            return np.full(np.shape(frequencies), self.drive_boost_db)
        centres, limits = np.array(self.drive_by_frequency).T
        return np.asarray(np.interp(np.log(frequencies), np.log(centres), limits))

    def cap_db(self, frequencies: FloatArray, *, floor: float) -> FloatArray:
        """Return the most that the summed response may reach at each frequency, in dB."""
        below = min(BOOST_BELOW_LIMIT_DB, self.filter_boost_db)
        return np.where(frequencies <= floor, below, self.filter_boost_db)


def _named_bands(
    centres: tuple[float, ...], equaliser: FixedBandEqualiser, word: str
) -> set[ThirdOctaveBand]:
    named = {third_octave_band(centre) for centre in centres}
    for band in named:
        if band not in equaliser.bands:
            raise ValueError(
                f"{word} band {band.label} Hz: the device has the bands "
                f"{', '.join(equaliser.labels)} Hz"
            )
    return named


def band_freedoms(
    equaliser: FixedBandEqualiser,
    *,
    limits: Limits,
    floor: float,
    corner: float | None,
    seen: FloatArray,
) -> tuple[BandFreedom, ...]:
    """Return how far each band may move.

    A locked band keeps its present gain. A band centred at or above 1.2 times the crossover corner
    stays at 0 unless it is unlocked. A band without a fitted frequency within 1/12 octave of its
    centre keeps its present gain or goes to 0: its skirts could mend a neighbour, but nobody would
    see what its peak does. A band centred below the floor may only cut.

    Parameters
    ----------
    equaliser : FixedBandEqualiser
    limits : Limits
    floor : float
        Hz below which nothing is boosted.
    corner : float or None
        Crossover corner in Hz.
    seen : ndarray
        Frequencies that are fitted, in Hz.

    Returns
    -------
    tuple of BandFreedom

    Raises
    ------
    ValueError
        If a locked or unlocked centre is none of the device's bands.
    """
    locked = _named_bands(limits.locked, equaliser, "locked")
    unlocked = _named_bands(limits.unlocked, equaliser, "unlocked")
    freedoms = []
    for band in equaliser.bands:
        above = corner is not None and band.nominal >= ABOVE_CORNER_FACTOR * corner
        if band in locked:
            freedoms.append(BandFreedom.LOCKED)
        elif above and band not in unlocked:
            freedoms.append(BandFreedom.AT_REST)
        elif not np.any(np.abs(np.log2(seen / band.centre)) <= _SEEN_OCTAVES):
            freedoms.append(BandFreedom.UNSEEN)
        elif band.nominal < floor:
            freedoms.append(BandFreedom.CUT_ONLY)
        else:
            freedoms.append(BandFreedom.FREE)
    return tuple(freedoms)


def allowed_gains_db(
    equaliser: FixedBandEqualiser,
    *,
    freedoms: tuple[BandFreedom, ...],
    present_gains_db: FloatArray,
) -> tuple[FloatArray, ...]:
    """Return the gains each band may take, in dB, rising."""
    grid = equaliser.gain_grid_db
    allowed = []
    for freedom, present in zip(freedoms, present_gains_db, strict=True):
        if freedom is BandFreedom.LOCKED:
            allowed.append(np.array([present]))
        elif freedom is BandFreedom.AT_REST:
            allowed.append(np.zeros(1))
        elif freedom is BandFreedom.UNSEEN:
            allowed.append(np.unique([0.0, present]))
        elif freedom is BandFreedom.CUT_ONLY:
            allowed.append(grid[grid <= 0])
        else:
            allowed.append(grid)
    return tuple(allowed)


def limit_axis(equaliser: FixedBandEqualiser, *, floor: float) -> FloatArray:
    """Return the frequencies on which limits are held, in Hz.

    10 to 300 Hz at 1/48 octave, every band's centre, and the floor itself, at which the limit
    jumps.
    """
    grid = logarithmic_axis(10.0, 300.0, per_octave=48)
    return np.unique(np.concatenate([grid, equaliser.centres, [floor]]))
