"""What a response of the subwoofer's path tells: verdict, candidates, high-pass.

Conventions
-----------
Levels in dB, frequencies in Hz, probabilities from 0 to 1. How it is found is said in
`roomeq.optimiser.path.estimation`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.path import PathAnalysis

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
    ways : tuple of tuple of CrossoverFilter
        Every set of filters that gives it, the fewest filters first: those described, or else
        corners rounded to 0.1 Hz; an empty set for no low-pass.
    engaged : tuple of tuple of int
        Every choice of described filters (by position) that gives it.
    """

    probability: float
    ways: tuple[tuple[CrossoverFilter, ...], ...]
    engaged: tuple[tuple[int, ...], ...]

    @property
    def filters(self) -> tuple[CrossoverFilter, ...]:
        """The filters of the first way."""
        return self.ways[0]

    @property
    def order(self) -> int:
        """Of all its low-passes together."""
        return sum(one.order for one in self.filters)

    @property
    def corner(self) -> float:
        """Of the lowest filter, in Hz; 0 for none."""
        return min((one.corner for one in self.filters), default=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class HighPassFinding:
    """The protective high-pass that is in the response, or that none is.

    Attributes
    ----------
    probability : float
        Of the likeliest, or of none where the data reach.
    filter : CrossoverFilter or None
        The likeliest where it is likely enough to be named; None if there is none, or if it cannot
        be told.
    as_described : bool or None
        Whether it is the described one; None if none was, or several, or it cannot be told.
    """

    probability: float
    filter: CrossoverFilter | None
    as_described: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PathEstimate:
    """What a response of the path tells.

    Attributes
    ----------
    verdict : PathVerdict
    taken : {"electrical", "close", "seat"}
    candidates : tuple of PathCandidate
        Likeliest first; those at least 2 % likely.
    described : tuple of CrossoverFilter or None
        As it was given; None if nothing was said.
    as_described : bool or None
        Whether the low-passes are those described; None if nothing was, or it cannot be told: at a
        seat they can be contradicted only.
    high_pass : HighPassFinding or None
        None at a seat.
    highest : float
        Hz: low-passes with a corner above lie at the edge of the data or beyond, and are not named.
    signal_to_noise_db : float
        Largest level less the noise of one point.
    misfit_db : float
        What the likeliest candidate leaves of the level, root mean square where it is clear of
        noise.
    fall_seen_db : float
        How far the level falls above its largest before it meets the noise or the end.
    analysis : PathAnalysis or None
        What the engaged low-passes do to the sum and which to bypass, where several are engaged.
    """

    verdict: PathVerdict
    taken: Taken
    candidates: tuple[PathCandidate, ...]
    described: tuple[CrossoverFilter, ...] | None
    as_described: bool | None
    high_pass: HighPassFinding | None
    highest: float
    signal_to_noise_db: float
    misfit_db: float
    fall_seen_db: float
    analysis: PathAnalysis | None

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
        """Lowest and highest corner among the candidates, in Hz; that of the data without any."""
        corners = [one.corner for one in self.candidates if one.order] or [self.highest]
        return min(corners), max(corners)

    @property
    def contradicts(self) -> bool:
        """Whether filters are engaged otherwise than described, or some that nobody stated."""
        high = self.high_pass is not None and self.high_pass.as_described is False
        unstated = self.described is None and self.verdict is PathVerdict.IDENTIFIED
        return self.as_described is False or high or (unstated and bool(self.best.filters))
