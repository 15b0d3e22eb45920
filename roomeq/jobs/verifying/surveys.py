"""Two surveys of one room, side by side in the form that causes are compared by.

Conventions
-----------
Differences are the later survey less the earlier, in dB, on an axis that both cover. The earlier
stands in the place of a prediction.
"""

from __future__ import annotations

import numpy as np

from roomeq.analysis.survey_levels import common_axis, has_band_levels, seat_levels_db
from roomeq.base.levels import FloatArray, power_ratio
from roomeq.base.survey import Source, Survey
from roomeq.jobs.joining.steps import present_data
from roomeq.jobs.verifying.observation import Part, bin_means
from roomeq.optimiser.joining.data import JoiningNote
from roomeq.room.room import Room

__all__ = ["compared_parts"]

_NOT_THE_SUM_OF = {JoiningNote.SUM_DISAGREES, JoiningNote.LFE_OFFSET_REMOVED}


def compared_parts(before: Room, after: Room) -> tuple[dict[Source, Part], dict[Source, Part]]:
    """Return what was measured in both surveys: what causes explain, and what they do not.

    What bands are fitted to comes first. A sum can be explained around the crossover where
    subwoofer and mains of the first survey are known with their phase, or where bands are fitted to
    sums, well below it; another one is compared by itself.

    Raises
    ------
    ValueError
        If nothing was, or not in the same way.
    """
    explained: dict[Source, Part] = {}
    alone: dict[Source, Part] = {}
    others = (entry.source for entry in before.survey.measurements)
    for source in dict.fromkeys((before.source, *others)):
        joins = source in ("both", "difference") and before.source != source
        part = _sum_part(before, after) if source == "both" and joins else None
        if part is not None:
            explained[source] = part
        elif (part := _part(before, after, source)) is not None:
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


def _shared(before: Room, after: Room, source: Source) -> tuple[Survey, Survey, list[str]] | None:
    """Return both surveys of a source, and the seats of both."""
    if source not in before.survey.sources or source not in after.survey.sources:
        return None
    one, other = before.survey.of_source(source), after.survey.of_source(source)
    seats = [seat for seat in one.seats if seat in other.seats]
    return (one, other, seats) if seats else None


def _levels_db(survey: Survey, seats: list[str], axis: FloatArray) -> FloatArray:
    return seat_levels_db(survey, at=axis)[[survey.seats.index(seat) for seat in seats]]


def _part(before: Room, after: Room, source: Source) -> Part | None:
    shared = _shared(before, after, source)
    if shared is None:
        return None
    one, other, seats = shared
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


def _sum_part(before: Room, after: Room) -> Part | None:
    """Return the sum around the crossover, where what it is the sum of is known with its phase."""
    shared, data = _shared(before, after, "both"), present_data(before)
    if shared is None or data is None or _NOT_THE_SUM_OF & set(data.notes):
        return None
    one, other, seats = shared
    seats, axis = [seat for seat in seats if seat in data.seats], data.frequencies
    ends = [m.response.frequencies[[0, -1]] for s in (one, other) for m in s.measurements]
    if not seats or any(low > axis[0] or high < axis[-1] for low, high in ends):
        return None
    rows = [data.seats.index(seat) for seat in seats]
    sub = (data.sub * data.present.response(data.points))[rows]
    mains, earlier = data.mains[rows], _levels_db(one, seats, axis)
    sub_power, mains_power = (np.abs(x) ** 2 @ data.smoothing for x in (sub, mains))
    in_phase = 0.5 * (power_ratio(earlier) - sub_power - mains_power)
    quadrature = np.imag(sub * mains.conj()) @ data.smoothing
    return Part(
        seats=tuple(seats),
        frequencies=axis,
        difference_db=_levels_db(other, seats, axis) - earlier,
        predicted_db=earlier,
        before_db=np.zeros_like(earlier),
        means=bin_means(axis),
        sub_power=sub_power,
        mains_power=mains_power,
        cross_power=in_phase + 1j * quadrature,
    )
