"""What a response of the subwoofer's path tells: verdict, candidates, curves.

Conventions
-----------
Levels in dB, frequencies in Hz, probabilities from 0 to 1. How it is found is said in
`roomeq.optimiser.path.estimation`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from roomeq.base.levels import FloatArray, readonly
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.path import PathAnalysis
from roomeq.optimiser.path.classes import LowPassClass

__all__ = ["PathCandidate", "PathEstimate", "PathVerdict", "Taken"]

Taken = Literal["electrical", "close", "seat"]


class PathVerdict(StrEnum):
    """What could be told."""

    IDENTIFIED = "identified"
    SEVERAL = "several"
    NOTHING_FITS = "nothing_fits"
    IN_ROOM = "in_room"


@dataclass(frozen=True, slots=True, kw_only=True)
class PathCandidate:
    """One total low-pass response that explains what was measured.

    Attributes
    ----------
    probability : float
        Among all that were tried, 0 to 1.
    filters : tuple of CrossoverFilter
        Filters that give it: those described, or else the fewest that do, corners rounded to
        0.1 Hz; none for no low-pass.
    low_pass : LowPassClass or None
        The class with the fitted corner, which lists every set that gives it; None for filters
        of differing order or corner.
    engaged : tuple of tuple of int
        Every choice of described filters (by position) that gives it; empty if none was described.
    corner : float
        Fitted, in Hz; of the lowest filter where several corners are in it.
    order : int
        Of all its low-passes together.
    driver_order : int
        Order of the driver's roll-off that goes with it.
    """

    probability: float
    filters: tuple[CrossoverFilter, ...]
    low_pass: LowPassClass | None
    engaged: tuple[tuple[int, ...], ...]
    corner: float
    order: int
    driver_order: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PathEstimate:
    """What a response of the path tells.

    Attributes
    ----------
    verdict : PathVerdict
    taken : {"electrical", "close", "seat"}
    candidates : tuple of PathCandidate
        Likeliest first; those at least 2 % likely.
    described : tuple of CrossoverFilter
        As it was given.
    as_described : bool or None
        Whether some choice of the described low-passes explains the response; None if none was
        described.
    phase_used : bool
        Whether phase was fitted too; not so where it was not measured or does not follow.
    signal_to_noise_db : float
        Largest level less the noise of one point.
    misfit_db : float
        What the likeliest candidate leaves of the level beyond noise, root mean square.
    fall_seen_db : float
        How far the level falls above its largest before it meets the noise or the end.
    frequencies, measured_level_db, fitted_level_db, low_pass_level_db : ndarray, shape (F,)
        Hz; level as measured; as fitted; and the total low-pass: measured less the driver's
        roll-off and level.
    analysis : PathAnalysis or None
        What the engaged low-passes do to the sum and which to bypass, where several are engaged.
    """

    verdict: PathVerdict
    taken: Taken
    candidates: tuple[PathCandidate, ...]
    described: tuple[CrossoverFilter, ...]
    as_described: bool | None
    phase_used: bool
    signal_to_noise_db: float
    misfit_db: float
    fall_seen_db: float
    frequencies: FloatArray
    measured_level_db: FloatArray
    fitted_level_db: FloatArray
    low_pass_level_db: FloatArray
    analysis: PathAnalysis | None

    def __post_init__(self) -> None:
        for name in ("frequencies", "measured_level_db", "fitted_level_db", "low_pass_level_db"):
            object.__setattr__(self, name, readonly(getattr(self, name)))

    @property
    def best(self) -> PathCandidate:
        """The likeliest candidate."""
        return self.candidates[0]

    @property
    def order_span(self) -> tuple[int, int]:
        """Lowest and highest order of all low-passes together among the candidates."""
        orders = [entry.order for entry in self.candidates]
        return min(orders), max(orders)

    @property
    def corner_span(self) -> tuple[float, float]:
        """Lowest and highest fitted corner among the candidates, in Hz."""
        corners = [entry.corner for entry in self.candidates if entry.order] or [0.0]
        return min(corners), max(corners)
