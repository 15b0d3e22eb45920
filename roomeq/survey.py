"""Survey: what was measured in a room, one response for each seat and source.

Conventions
-----------
Seats keep the order in which they were given; seats are the first axis of every array. Seat
weights are positive and sum to 1. Several measurements of one seat and source are repeats: they
are averaged in power and tell the repeatability.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, Self, get_args

import numpy as np

from roomeq.levels import FloatArray, readonly
from roomeq.response import FrequencyResponse

__all__ = ["Measurement", "Route", "Source", "Survey"]

Source = Literal["sub", "mains", "both"]
Route = Literal[
    "subwoofer_output", "low_frequency_effects", "bass_managed_main", "direct", "unknown"
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """One response at one seat.

    Attributes
    ----------
    seat : str
        Name of the seat.
    source : {"sub", "mains", "both"}
        What played.
    route : str
        How the signal got there: ``subwoofer_output``, ``low_frequency_effects``,
        ``bass_managed_main``, ``direct`` (straight into the amplifier) or ``unknown``.
    response : FrequencyResponse
        One response, shape (F,).
    file : str, optional
        Where it came from, as written in the room file.
    notes : tuple of str
        What the importer did or assumed.

    Raises
    ------
    ValueError
        If a name is empty, a word is unknown, or the response holds more than one.
    """

    seat: str
    source: Source = "sub"
    route: Route = "unknown"
    response: FrequencyResponse
    file: str | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.seat:
            raise ValueError("a seat needs a name")
        if self.source not in get_args(Source):
            raise ValueError(f"source is one of {get_args(Source)}, got {self.source!r}")
        if self.route not in get_args(Route):
            raise ValueError(f"route is one of {get_args(Route)}, got {self.route!r}")
        if self.response.stored.ndim != 1:
            raise ValueError(f"seat {self.seat!r}: needs one response, got several")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Survey:
    """All measurements of one room.

    Attributes
    ----------
    measurements : tuple of Measurement
        At least one. The same seat and source twice is a repeat.
    seat_weights : mapping of str to float, optional
        Weight of each seat, positive; a seat that is not named weighs 1.
    levels_comparable : bool
        Whether level differences between seats are real: same drive level, same microphone gain.
        If not, one offset per seat is removed before fitting.

    Raises
    ------
    ValueError
        If there is no measurement, or a weight is not usable or belongs to no seat.
    """

    measurements: tuple[Measurement, ...]
    seat_weights: dict[str, float] | None = None
    levels_comparable: bool = False

    def __post_init__(self) -> None:
        if not self.measurements:
            raise ValueError("a survey needs at least one measurement")
        object.__setattr__(self, "measurements", tuple(self.measurements))
        weights = dict(self.seat_weights or {})
        known = {measurement.seat for measurement in self.measurements}
        for seat, weight in weights.items():
            if seat not in known:
                raise ValueError(f"a weight is given for seat {seat!r}, which was not measured")
            if not (np.isfinite(weight) and weight > 0):
                raise ValueError(f"seat {seat!r}: a weight must be positive, got {weight!r}")
        object.__setattr__(self, "seat_weights", weights)

    @property
    def seats(self) -> tuple[str, ...]:
        """Names of the seats in the order of their first measurement."""
        return tuple(dict.fromkeys(measurement.seat for measurement in self.measurements))

    @property
    def sources(self) -> tuple[str, ...]:
        """Which of ``sub``, ``mains`` and ``both`` were measured."""
        found = {measurement.source for measurement in self.measurements}
        return tuple(source for source in get_args(Source) if source in found)

    @property
    def weights(self) -> FloatArray:
        """Seat weights, shape (S,), summing to 1."""
        named = self.seat_weights or {}
        raw = np.array([named.get(seat, 1.0) for seat in self.seats])
        return readonly(raw / raw.sum())

    def of_source(self, source: Source) -> Self:
        """Return the survey with the measurements of one source only.

        Raises
        ------
        ValueError
            If that source was not measured.
        """
        kept = tuple(m for m in self.measurements if m.source == source)
        if not kept:
            raise ValueError(f"no measurement of {source!r} in this survey, only {self.sources}")
        return self._with_measurements(kept)

    def without_seat(self, seat: str) -> Self:
        """Return the survey without one seat.

        Raises
        ------
        ValueError
            If there is no such seat, or no other.
        """
        if seat not in self.seats:
            raise ValueError(f"no seat {seat!r} in this survey, only {self.seats}")
        return self._with_measurements(tuple(m for m in self.measurements if m.seat != seat))

    def _with_measurements(self, kept: tuple[Measurement, ...]) -> Self:
        seats = {measurement.seat for measurement in kept}
        weights = {s: w for s, w in (self.seat_weights or {}).items() if s in seats}
        return replace(self, measurements=kept, seat_weights=weights)

    def at_seat(self, seat: str) -> tuple[Measurement, ...]:
        """Return the measurements of one seat, in order."""
        return tuple(measurement for measurement in self.measurements if measurement.seat == seat)

    def __repr__(self) -> str:
        count = len(self.seats)
        return (
            f"<Survey {count} seat{'s' if count != 1 else ''}, "
            f"{len(self.measurements)} measurements of {', '.join(self.sources)}>"
        )
