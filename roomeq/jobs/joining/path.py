"""What a room's file and measurements tell of the subwoofer's path.

Conventions
-----------
Nothing here computes acoustics: figures come from `roomeq.device.path` and
`roomeq.optimiser.path.estimation`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from roomeq.analysis.survey_levels import common_axis, has_band_levels, seat_levels_db
from roomeq.base.response import FrequencyResponse
from roomeq.device.path import PathAnalysis, predict_path
from roomeq.room.room import Room

if TYPE_CHECKING:
    from roomeq.optimiser.path.estimate import PathEstimate

_LOWEST, _HIGHEST = 15.0, 400.0
_POINTS = 16


def described_path(room: Room) -> PathAnalysis | None:
    """Return what the described filters do to the sum with the mains.

    None where there is nothing to say: no low-pass is described, or one, and of the mains nothing.
    """
    mains = room.joining.mains_filters
    count = sum(entry.kind == "low_pass" for entry in room.path)
    if not count or (count == 1 and mains is None and "mains" not in room.survey.sources):
        return None
    return predict_path(room.path, mains=mains, fixed=room.joining.fixed)


def estimated_path(room: Room) -> PathEstimate | None:
    """Return what is really engaged, as far as measurements tell.

    From the response of the path itself, its present bands taken out; else from the seats, which
    tell far less. None where the subwoofer alone was not measured, or only its band levels.
    """
    from roomeq.optimiser.path.estimation import estimate_path

    measured = room.joining.path_response
    described = room.path if room.corner_origin in ("path", "none") else None
    limit = None if room.target.lower_limit_estimated else room.target.lower_limit

    def at_rest(response: FrequencyResponse) -> FrequencyResponse:
        bands_db = room.equaliser.response_db(room.present.gains_db, response.frequencies)
        return replace(response, stored=response.level_db - bands_db)

    if measured is not None:
        try:
            return estimate_path(
                at_rest(measured.response),
                taken=measured.taken,
                described=described,
                protection=room.equipment.protection,
                mains=room.joining.mains_filters,
                fixed=room.joining.fixed,
                lower_limit=limit,
            )
        except ValueError as error:
            raise ValueError(f"{measured.file}, named in [path_response]: {error}") from None
    survey = room.survey.of_source("sub") if room.source == "sub" else None
    if survey is None or has_band_levels(survey):
        return None
    axis = common_axis(survey)
    axis = axis[(axis >= _LOWEST) & (axis <= _HIGHEST)]
    if axis.size < _POINTS:
        return None
    seats = FrequencyResponse.from_level(axis, seat_levels_db(survey, at=axis))
    return estimate_path(at_rest(seats), taken="seat", described=described, lower_limit=limit)


def engaged_rows(estimate: PathEstimate | None) -> dict[str, object] | None:
    """Return what an estimate tells of the low-passes that are really engaged, as JSON has it.

    Of each candidate its probability, fitted corner in Hz, order of all low-passes together, and
    filters in words. None for none.
    """
    if estimate is None:
        return None
    high = None if estimate.high_pass is None else estimate.high_pass.filter
    return {
        "verdict": estimate.verdict,
        "taken": estimate.taken,
        "as_described": estimate.as_described,
        "contradicts": estimate.contradicts,
        "high_pass": None if high is None else str(high),
        "highest": estimate.highest,
        "signal_to_noise_db": estimate.signal_to_noise_db,
        "misfit_db": estimate.misfit_db,
        "candidates": [
            {
                "probability": one.probability,
                "corner": one.corner,
                "order": one.order,
                "filters": list(map(str, one.filters)),
            }
            for one in estimate.candidates
        ],
    }
