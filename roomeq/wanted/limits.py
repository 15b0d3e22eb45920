"""Limits of a proposal: how much boost, where none, and which bands may move.

Conventions
-----------
Boosts in dB, frequencies in Hz; bands are named by their nominal centres.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from numbers import Real

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import FloatArray
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.wanted.target import Target

UNKNOWN_LOWER_LIMIT = 32.0
"""Hz below which nothing is boosted where no lower limit is known; common practice, no source."""
DRIVE_BELOW_FLOOR_DB = 3.0
LOWEST_SIGNAL = 20.0
LOWEST_ROW, HIGHEST_ROW = 10.0, 300.0
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
        Most that boost and level together may raise the drive anywhere (6 dB: common practice, no
        source); 3 dB at most below the floor.
    drive_by_frequency : tuple of (float, float)
        Frequency in Hz and limit in dB, rising in frequency: in place of `drive_boost_db` what the
        drive may rise there, linear over ln f, constant outside; empty by default.
    no_boost_below : float, optional
        Hz below which nothing is boosted, for example the protective high-pass. The subwoofer's
        own lower limit takes its place where that is higher; 32 Hz where neither is known.
    high_pass_corner : float, optional
        Corner of the protective high-pass in Hz, below which no signal reaches the driver.
    locked : tuple of float
        Nominal centres of bands that keep their present gain.
    unlocked : tuple of float
        Nominal centres of bands that may move although they lie above the crossover.
    output_given_up_db : float
        Of several subwoofers: how much less output than all in phase evenness may cost (3 dB:
        common practice, no source).

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
    high_pass_corner: float | None = None
    output_given_up_db: float = 3.0

    def __post_init__(self) -> None:
        points = np.asarray(self.drive_by_frequency, dtype=np.float64).reshape(-1, 2)
        rising = bool(np.all(points[:, 0] > 0) and np.all(np.diff(points[:, 0]) > 0))
        if not (rising and np.isfinite(points).all() and np.all(points[:, 1] >= 0)):
            raise ValueError(
                "drive_by_frequency needs rising, positive frequencies and limits that are finite "
                f"and not negative, got {self.drive_by_frequency!r}"
            )
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if isinstance(value, Real) and not 0.0 <= float(value) < np.inf:
                raise ValueError(f"{name} must be finite and not negative, got {value!r}")

    def floor(self, target: Target) -> float:
        """Return the frequency below which nothing is boosted, in Hz.

        The highest of what is stated; an estimate of the lower limit only ever raises the 32 Hz
        that hold where nothing is.
        """
        limit = target.lower_limit
        stated = None if target.lower_limit_estimated else limit
        known = [f for f in (self.no_boost_below, stated) if f is not None]
        floor = max(known) if known else max(UNKNOWN_LOWER_LIMIT, limit or 0.0)
        return max(floor, self.high_pass_corner or 0.0)

    @property
    def lowest_signal(self) -> float:
        """Lowest frequency at which signal reaches the driver, in Hz."""
        return max(LOWEST_SIGNAL, self.high_pass_corner or 0.0)

    def drive_db(self, frequencies: ArrayLike) -> FloatArray:
        """Return the most that the drive may rise at each frequency, in dB, shape (F,)."""
        axis = np.asarray(frequencies, dtype=np.float64)
        if not self.drive_by_frequency:
            return np.full(axis.shape, self.drive_boost_db)
        centres, limits = np.array(self.drive_by_frequency).T
        return np.asarray(np.interp(np.log(axis), np.log(centres), limits))

    def granted_behind_db(
        self, equaliser: FixedBandEqualiser, gains_db: FloatArray, floor: float
    ) -> tuple[float, float]:
        """Return what `granted_level_db` does behind bands, told finely enough for their peaks."""
        kinks = [max(floor, LOWEST_ROW), *(f for f, _ in self.drive_by_frequency)]
        fine = np.append(logarithmic_axis(LOWEST_ROW, HIGHEST_ROW, per_octave=384), kinks)
        return self.granted_level_db(fine, equaliser.response_db(gains_db, fine), floor)

    def granted_level_db(
        self, frequencies: FloatArray, boost_db: FloatArray, floor: float
    ) -> tuple[float, float]:
        """Return how far the level may be turned up behind a boost, and where that is least.

        In dB, negative is down, and in Hz.

        Parameters
        ----------
        frequencies : ndarray, shape (G,)
            Hz.
        boost_db : ndarray, shape (G,)
            Summed response of the bands there.
        floor : float
            Hz below which nothing is boosted: turning the level up is a boost too.
        """
        start = self.lowest_signal
        reached = frequencies >= start
        limit = self.drive_db(frequencies)
        if floor > start:
            limit = np.where(frequencies <= floor, np.minimum(limit, DRIVE_BELOW_FLOOR_DB), limit)
        left = np.where(reached, limit - boost_db, np.inf)
        least = int(left.argmin())
        return float(left[least]), float(frequencies[least])


def band_freedoms(
    equaliser: FixedBandEqualiser,
    *,
    limits: Limits,
    floor: float,
    corner: float | None,
    seen: FloatArray,
) -> tuple[BandFreedom, ...]:
    """Return how far each band may move.

    A locked band keeps its present gain. A band centred at or above 1.2 times the stated corner
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
    locked, unlocked = (
        {equaliser.bands[equaliser.index_of(centre)] for centre in centres}
        for centres in (limits.locked, limits.unlocked)
    )
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
    by_freedom = {
        BandFreedom.AT_REST: np.zeros(1),
        BandFreedom.CUT_ONLY: grid[grid <= 0],
        BandFreedom.FREE: grid,
    }
    allowed = []
    for freedom, present in zip(freedoms, present_gains_db, strict=True):
        kept = [present] if freedom is BandFreedom.LOCKED else [0.0, present]
        allowed.append(by_freedom.get(freedom, np.unique(kept)))
    return tuple(allowed)


def limit_axis(equaliser: FixedBandEqualiser) -> FloatArray:
    """Return the frequencies on which limits are held: 10 to 300 Hz at 1/48 octave, and centres."""
    grid = logarithmic_axis(LOWEST_ROW, HIGHEST_ROW, per_octave=48)
    return np.unique(np.concatenate([grid, equaliser.centres]))
