"""Survey: what was measured in a room, one response for each seat and source.

Conventions
-----------
Seats keep the order in which they were given; seats are the first axis of every array. Seat
weights are positive and sum to 1. Several measurements of one seat and source are repeats: they
are averaged in power and tell the repeatability.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, Self, get_args

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import ComplexArray, FloatArray, readonly, require_one_of
from roomeq.base.record import html_table
from roomeq.base.response import FrequencyResponse

if TYPE_CHECKING:
    from pandas import DataFrame

Source = Literal["sub", "mains", "both", "difference"]
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
    source : {"sub", "mains", "both", "difference"}
        What played; "difference" is both with one polarity reversed.
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
        require_one_of(self.source, Source, "source")
        require_one_of(self.route, Route, "route")
        if self.response.stored.ndim != 1:
            raise ValueError(f"seat {self.seat!r}: needs one response, got several")

    def __repr__(self) -> str:
        return f"<Measurement of {self.source} at {self.seat}: {self.response!r}>"


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

    @classmethod
    def from_levels(
        cls,
        frequencies: ArrayLike,
        level_db: ArrayLike,
        *,
        seats: Sequence[str] | None = None,
        phase_deg: ArrayLike | None = None,
        source: Source = "sub",
        levels_comparable: bool = True,
        seat_weights: dict[str, float] | None = None,
    ) -> Self:
        """Make a survey from arrays: one response for each seat.

        Parameters
        ----------
        frequencies : array_like, shape (F,)
            Hz, rising.
        level_db : array_like, shape (S, F), or (F,) for one seat
            dB.
        seats : sequence of str, length S, optional
            Names; "seat 1", "seat 2" ... by default.
        phase_deg : array_like, shape as `level_db`, optional
            Degrees.
        source : {"sub", "mains", "both", "difference"}
        levels_comparable : bool
            Whether all were measured at one drive level and microphone gain.
        seat_weights : dict of str to float, optional

        Raises
        ------
        ValueError
            If shapes or the number of names do not fit, or a value is not usable.
        """
        levels = np.atleast_2d(np.asarray(level_db, dtype=np.float64))
        count = np.size(frequencies)
        if levels.ndim != 2 or levels.shape[1] != count:
            raise ValueError(
                f"level_db needs one row a seat and {count} columns, one for each frequency, got "
                f"shape {np.shape(level_db)}: frequencies come first, and a table that has seats "
                "as columns is to be transposed"
            )
        names = [f"seat {n + 1}" for n in range(len(levels))] if seats is None else list(seats)
        if isinstance(seats, str) or len(names) != len(levels):
            raise ValueError(f"{len(levels)} rows of level_db need as many names, got {seats!r}")
        phases: list[FloatArray | None] = [None] * len(levels)
        if phase_deg is not None:
            phases = list(np.atleast_2d(np.asarray(phase_deg, dtype=np.float64)))
        return cls(
            measurements=tuple(
                Measurement(
                    seat=name,
                    source=source,
                    response=FrequencyResponse.from_level(frequencies, row, phase_deg=phase),
                )
                for name, row, phase in zip(names, levels, phases, strict=True)
            ),
            seat_weights=seat_weights,
            levels_comparable=levels_comparable,
        )

    @property
    def seats(self) -> tuple[str, ...]:
        """Names of the seats in the order of their first measurement."""
        return tuple(dict.fromkeys(measurement.seat for measurement in self.measurements))

    @property
    def sources(self) -> tuple[str, ...]:
        """Which of ``sub``, ``mains``, ``both`` and ``difference`` were measured."""
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

    def of_seats(self, seats: Iterable[str]) -> Self:
        """Return the survey with some of the seats only, in the order of the survey.

        Raises
        ------
        ValueError
            If there is no such seat, or none is named.
        """
        wanted = (seats,) if isinstance(seats, str) else tuple(seats)
        unknown = [seat for seat in wanted if seat not in self.seats]
        if unknown:
            raise ValueError(f"no seat {unknown[0]!r} in this survey, only {self.seats}")
        if not wanted:
            raise ValueError("needs at least one seat")
        return self._with_measurements(tuple(m for m in self.measurements if m.seat in wanted))

    def _with_measurements(self, kept: tuple[Measurement, ...]) -> Self:
        seats = {measurement.seat for measurement in kept}
        weights = {s: w for s, w in (self.seat_weights or {}).items() if s in seats}
        return replace(self, measurements=kept, seat_weights=weights)

    def filtered(
        self,
        source: Source,
        transfer: Callable[[FloatArray], ComplexArray],
        *,
        inverse: bool = False,
    ) -> Self:
        """Return the survey with a transfer function put into one source, or taken out.

        Parameters
        ----------
        source : str
            Whose responses change; the others stay.
        transfer : callable
            Complex amplitude ratio at frequencies in Hz, shape (F,) to (F,).
        inverse : bool
            Divide instead of multiply.
        """

        def changed(entry: Measurement) -> Measurement:
            ratio = transfer(entry.response.frequencies)
            return replace(entry, response=entry.response.filtered(ratio, inverse=inverse))

        every = (changed(one) if one.source == source else one for one in self.measurements)
        return replace(self, measurements=tuple(every))

    def at_seat(self, seat: str) -> tuple[Measurement, ...]:
        """Return the measurements of one seat, in order."""
        return tuple(measurement for measurement in self.measurements if measurement.seat == seat)

    def __repr__(self) -> str:
        count = len(self.seats)
        return (
            f"<Survey {count} seat{'s' if count != 1 else ''}, "
            f"{len(self.measurements)} measurements of {', '.join(self.sources)}>"
        )

    def to_frame(self) -> DataFrame:
        """Return the measurements as a tidy table, one row for each measurement and frequency.

        Returns
        -------
        DataFrame
            ``measurement`` (counted from 0), ``seat``, ``source``, ``route``, ``file``, ``weight``
            of the seat, and the columns of `FrequencyResponse.to_frame`. What the importers noted
            is not in it, nor whether levels compare.
        """
        import pandas as pd

        named = self.seat_weights or {}
        parts = []
        for number, entry in enumerate(self.measurements):
            part = entry.response.to_frame()
            facts: dict[str, Any] = {"measurement": number, "seat": entry.seat}
            facts |= {"source": entry.source, "route": entry.route, "file": entry.file}
            facts |= {"weight": named.get(entry.seat, 1.0)}
            parts.append(part.assign(**facts)[[*facts, *part.columns]])
        return pd.concat(parts, ignore_index=True)

    def _repr_html_(self) -> str:
        """Return one row for each measurement, for notebooks."""
        rows = [
            (
                entry.seat,
                entry.source,
                entry.response.frequencies.size,
                f"{entry.response.frequencies[0]:.4g} to {entry.response.frequencies[-1]:.4g}",
                "yes" if entry.response.has_phase else "no",
                "dB SPL" if entry.response.level_reference == "spl" else "relative",
            )
            for entry in self.measurements
        ]
        titles = ("Seat", "Source", "Points", "Hz", "Phase", "Level")
        return html_table(repr(self)[1:-1], titles, rows)
