"""The problem of several subwoofers, as arrays: what each can be set to, and what is wanted.

Conventions
-----------
Pressures are complex, at one time zero for all sources and seats, in any unit, with every setting
at rest: no delay, normal polarity, 0 dB of level, bands at 0. They stand at `points`, which reach a
twelfth of an octave beyond `frequencies` on either side, or as far as the data do; there levels are
judged. Delays in s (positive is later), levels and gains in dB, polarity +1 or -1.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from roomeq.analysis.smoothing import smooth_power
from roomeq.base.levels import ComplexArray, FloatArray, readonly
from roomeq.base.record import Record
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.bands.fit_data import SHAPE_FRACTION
from roomeq.wanted.loss import Loss

IntArray = NDArray[np.int64]
_DECIMALS = 12  # of weights, so that the order of seats leaves not even a rounding error


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source:
    """One subwoofer: what arrives from it, and what can be set on it.

    Attributes
    ----------
    name : str
    pressures : ndarray, shape (S, P)
        Complex, everything at rest.
    delays, levels_db : ndarray
        What its amplifier offers, rising; a single value is fixed. A source that is fed by another
        has that one's.
    polarities : tuple of float
        (1.0, -1.0) if it can be inverted, or the one that it has.
    equaliser : int, optional
        Which of the task's equalisers lies before it; None: no bands.
    fed_by : int, optional
        The source that it is fed from in series, whose delay, level and bands it takes.
    present : JoiningSettings
        Where it stands; breaks ties, and is what is told as before.
    """

    name: str
    pressures: ComplexArray
    delays: FloatArray = field(default_factory=lambda: np.zeros(1))
    levels_db: FloatArray = field(default_factory=lambda: np.zeros(1))
    polarities: tuple[float, ...] = (1.0,)
    equaliser: int | None = None
    fed_by: int | None = None
    present: JoiningSettings = field(default_factory=JoiningSettings)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandSet:
    """The bands of one equaliser.

    Attributes
    ----------
    gains_db : tuple of B ndarray, shape (K_b,)
        Gains that each band may take, rising.
    responses : tuple of B ndarray, shape (K_b, P)
        Complex response of each band at each of its gains, at the points.
    limit_tables_db : tuple of B ndarray, shape (K_b, G)
        Its level at the limit frequencies.
    cap_db : ndarray, shape (G,)
        Most that the summed response may reach there, at least 0.
    present_gains_db : ndarray, shape (B,)
        Where they stand, whether or not they may be set so.
    present_response : ndarray, shape (P,)
        Complex response of all bands as they stand.
    """

    gains_db: tuple[FloatArray, ...]
    responses: tuple[ComplexArray, ...]
    limit_tables_db: tuple[FloatArray, ...]
    cap_db: FloatArray
    present_gains_db: FloatArray
    present_response: ComplexArray

    def is_like(self, other: BandSet) -> bool:
        """Return whether another offers the same bands, within the same limits, and stands so."""
        pairs = [(getattr(self, key), getattr(other, key)) for key in self.__dataclass_fields__]
        return all(len(a) == len(b) and all(map(np.array_equal, a, b)) for a, b in pairs)


class SeatFigures(Record, frozen=True, kw_only=True):
    """What one set of settings gives at the seats.

    Attributes
    ----------
    deviation_db : float
        ``sqrt(F)``, the mean over seats of each seat's own, at one level.
    variation_db : float
        Root of the mean over the axis of the variance over seats of the levels.
    output_given_up_db : float
        Against the best sum in phase.
    by_seat_db : tuple of float
        Each seat's own ``sqrt(F_s)``, without the term of the mean cut.
    """

    deviation_db: float
    variation_db: float
    output_given_up_db: float
    by_seat_db: tuple[float, ...]

    def worst(self, seats: tuple[str, ...]) -> tuple[str, float]:
        """Return the seat with the largest deviation of its own, and that deviation in dB."""
        worst_db, seat = max(zip(self.by_seat_db, seats, strict=True))
        return seat, worst_db


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeveralTask:
    """Everything that the settings of several subwoofers are chosen from.

    Attributes
    ----------
    points : ndarray, shape (P,)
        Frequencies of the pressures in Hz.
    frequencies : ndarray, shape (F,)
        Fit axis in Hz, within the points.
    sources : tuple of Source
    equalisers : tuple of BandSet
    seat_weights, frequency_weights : ndarray, shape (S,) and (F,)
        Normalised to sum 1.
    target_db, allowance_db : ndarray, shape (F,)
        Wanted shape, and the shortfall that the subwoofers' roll-off excuses, at least 0.
    loss : Loss
    most_given_up_db : float
        See the package.
    """

    points: FloatArray
    frequencies: FloatArray
    sources: tuple[Source, ...]
    equalisers: tuple[BandSet, ...] = ()
    seat_weights: FloatArray
    frequency_weights: FloatArray
    target_db: FloatArray
    allowance_db: FloatArray
    most_given_up_db: float
    loss: Loss = field(default_factory=Loss)
    smoothing: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        for name in ("seat_weights", "frequency_weights"):
            weights = np.asarray(getattr(self, name))
            object.__setattr__(self, name, readonly(np.round(weights / weights.sum(), _DECIMALS)))
        points, every = self.points, np.eye(self.points.size)
        smoothing = smooth_power(points, every, at=self.frequencies, fraction=SHAPE_FRACTION)
        object.__setattr__(self, "smoothing", smoothing)

    def of_sources(self, kept: tuple[int, ...]) -> Self:
        """Return the task of some sources alone, in the order given.

        What was fed by a source that is left out stands in its
        place. The equalisers come in the order in which the sources name them; others are dropped.
        """
        sources, heirs = [], dict[int, int]()
        of = [self.sources[i].equaliser for i in kept]
        used = list(dict.fromkeys(e for e in of if e is not None))
        for place, (i, e) in enumerate(zip(kept, of, strict=True)):
            source = replace(self.sources[i], equaliser=None if e is None else used.index(e))
            fed = source.fed_by
            if fed in kept:
                source = replace(source, fed_by=kept.index(fed))
            elif fed is not None:
                first = heirs.setdefault(fed, place)
                source = replace(source, fed_by=None if first == place else first)
            sources.append(source)
        equalisers = tuple(self.equalisers[e] for e in used)
        return replace(self, sources=tuple(sources), equalisers=equalisers)

    def with_one_equaliser(self) -> Self | None:
        """Return the task with the same bands before all sources; None if they are not alike."""
        few = len(self.equalisers) < 2 or any(s.equaliser is None for s in self.sources)
        if few or not all(map(self.equalisers[0].is_like, self.equalisers)):
            return None
        sources = tuple(replace(source, equaliser=0) for source in self.sources)
        return replace(self, sources=sources, equalisers=self.equalisers[:1])

    def of_seats(self, order: IntArray) -> Self:
        """Return the task with some seats alone, in the order given."""
        sources = tuple(replace(s, pressures=s.pressures[order]) for s in self.sources)
        return replace(self, sources=sources, seat_weights=self.seat_weights[order])
