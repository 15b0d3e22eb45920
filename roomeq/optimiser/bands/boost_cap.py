"""The most that the summed response of the bands may reach, over frequency.

Conventions
-----------
Boosts in dB, frequencies in Hz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.wanted.limits import HIGHEST_ROW, LOWEST_ROW, Limits
from roomeq.wanted.span import Span, merged_spans, within_spans
from roomeq.wanted.target import Target

BARRED_BOOST_DB = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class BoostCap:
    """Most that the summed response may reach, over frequency.

    Attributes
    ----------
    limits : Limits
    barred : tuple of (float, float)
        Spans in Hz in which nothing is boosted beyond 0.5 dB.
    """

    limits: Limits
    barred: tuple[tuple[float, float], ...]

    @classmethod
    def of(
        cls, data: FitData | None, *, limits: Limits, target: Target, by_seats: bool = True
    ) -> BoostCap:
        """Return the cap of prepared data: below the floor, in dips, where few seats are short.

        Without `by_seats` the last is left out: what few tenths of a dB at one seat decide. Without
        data it is that of the device alone.
        """
        spans = [] if data is None else cls._of_room(data, by_seats=by_seats)
        if (floor := limits.floor(target)) > LOWEST_ROW:
            spans.append((LOWEST_ROW, floor))
        if target.upper_limit is not None:
            spans.append((target.upper_limit, HIGHEST_ROW))
        return cls(limits=limits, barred=merged_spans(spans))

    @staticmethod
    def _of_room(data: FitData, *, by_seats: bool) -> list[Span]:
        edges = np.sqrt(data.frequencies[1:] * data.frequencies[:-1])
        starts = np.concatenate(([LOWEST_ROW], edges))
        ends = np.concatenate((edges, [HIGHEST_ROW]))
        few = data.few_seats_short & by_seats
        return [*data.dips, *zip(starts[few].tolist(), ends[few].tolist(), strict=True)]

    @property
    def edges(self) -> tuple[float, ...]:
        """Where the cap jumps, in Hz."""
        return tuple(edge for span in self.barred for edge in span)

    def at(self, frequencies: FloatArray) -> FloatArray:
        """Return the cap at each frequency, in dB, shape (F,)."""
        drive = np.maximum(self.limits.drive_db(frequencies), 0.0)
        boost = min(BARRED_BOOST_DB, self.limits.filter_boost_db)
        inside = within_spans(self.barred, frequencies)
        return np.minimum(np.where(inside, boost, self.limits.filter_boost_db), drive)
