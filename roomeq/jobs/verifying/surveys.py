"""Two surveys of one room, side by side in the form that causes are compared by.

Conventions
-----------
Differences are the later survey less the earlier, in dB, on an axis that both cover. The earlier
stands in the place of a prediction.
"""

from __future__ import annotations

import numpy as np

from roomeq.analysis.survey_levels import common_axis, has_band_levels, seat_levels_db
from roomeq.base.levels import FloatArray
from roomeq.base.survey import Source, Survey
from roomeq.jobs.verifying.observation import Part, bin_means
from roomeq.room.room import Room


def compared_parts(before: Room, after: Room) -> tuple[dict[Source, Part], dict[Source, Part]]:
    """Return what was measured in both surveys: what causes explain, and what they do not.

    What bands are fitted to comes first. A sum is compared by itself, unless bands are fitted to
    sums, well below the crossover: how it follows from its parts hangs on their phase.

    Raises
    ------
    ValueError
        If nothing was, or not in the same way.
    """
    explained: dict[Source, Part] = {}
    alone: dict[Source, Part] = {}
    others = (entry.source for entry in before.survey.measurements)
    for source in dict.fromkeys((before.source, *others)):
        part = _part(before, after, source)
        if part is not None:
            joins = source in ("both", "difference") and before.source != source
            (alone if joins else explained)[source] = part
    if not explained:
        raise ValueError(
            "nothing to compare: no seat was measured both times in the same way; before "
            f"{_said(before.survey)}, afterwards {_said(after.survey)}"
        )
    return explained, alone


def _said(survey: Survey) -> str:
    sources = dict.fromkeys(entry.source for entry in survey.measurements)
    return "; ".join(f"{s} at {', '.join(survey.of_source(s).seats)}" for s in sources)


def _levels_db(survey: Survey, seats: list[str], axis: FloatArray) -> FloatArray:
    return seat_levels_db(survey, at=axis)[[survey.seats.index(seat) for seat in seats]]


def _part(before: Room, after: Room, source: Source) -> Part | None:
    """Return a source at the seats where it was measured both times; None where there is none."""
    if source not in before.survey.sources or source not in after.survey.sources:
        return None
    one, other = before.survey.of_source(source), after.survey.of_source(source)
    seats = [seat for seat in one.seats if seat in other.seats]
    if not seats:
        return None
    measured = [m for survey in (one, other) for m in survey.measurements if m.seat in seats]
    lowest, highest = before.used_span(source)
    axis = common_axis(Survey(measurements=tuple(measured)), lowest=lowest, highest=highest)
    earlier = _levels_db(one, seats, axis)
    return Part(
        seats=tuple(seats),
        frequencies=axis,
        difference_db=_levels_db(other, seats, axis) - earlier,
        predicted_db=earlier,
        before_db=np.zeros_like(earlier),
        means=bin_means(axis, bands_only=has_band_levels(one)),
        of_mains=source == "mains",
    )
