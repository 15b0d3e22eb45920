"""What a room's file and measurements tell of the subwoofer's path.

Conventions
-----------
Nothing here computes acoustics: figures come from `roomeq.device.path` and
`roomeq.optimiser.path.estimation`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomeq.analysis.survey_levels import common_axis, has_band_levels, seat_levels_db
from roomeq.base.record import Record
from roomeq.base.response import FrequencyResponse
from roomeq.device.path import PathAnalysis, predict_path
from roomeq.room.room import Room

if TYPE_CHECKING:
    from roomeq.optimiser.path.estimate import PathEstimate

__all__ = ["EngagedRow", "EngagedRows", "described_path", "estimated_path"]

_LOWEST, _HIGHEST = 15.0, 400.0


def described_path(room: Room) -> PathAnalysis | None:
    """Return what the described filters do to the sum with the mains.

    None where there is nothing to say: no low-pass is described, or one, and of the mains nothing.
    """
    mains = room.joining.mains_filters
    count = _low_passes(room)
    if not count or (count == 1 and mains is None and "mains" not in room.survey.sources):
        return None
    return predict_path(room.path, mains=mains, fixed=room.joining.fixed)


def _low_passes(room: Room) -> int:
    return sum(entry.kind == "low_pass" for entry in room.path)


def estimated_path(room: Room) -> PathEstimate | None:
    """Return what is really engaged, as far as measurements tell.

    From the response of the path itself, its present bands taken out; else from the seats, which
    tell far less and are asked only where not just one low-pass is described. None where nothing
    is asked or only band levels were measured.
    """
    from roomeq.optimiser.path.estimation import estimate_path

    measured = room.joining.path_response
    protection = room.equipment.protection
    described = room.path if protection is None else (*room.path, protection)
    if measured is not None:
        try:
            return estimate_path(
                _with_bands_at_rest(room, measured.response),
                taken=measured.taken,
                described=described,
                mains=room.joining.mains_filters,
                fixed=room.joining.fixed,
            )
        except ValueError as error:
            raise ValueError(f"{measured.file}, named in [path_response]: {error}") from None
    if room.source != "sub" or _low_passes(room) == 1 or room.corner_origin == "none":
        return None
    survey = room.survey.of_source("sub")
    if has_band_levels(survey):
        return None
    axis = common_axis(survey)
    axis = axis[(axis >= _LOWEST) & (axis <= _HIGHEST)]
    levels = seat_levels_db(survey, at=axis)
    levels = levels - room.equaliser.response_db(room.present.gains_db, axis)
    return estimate_path(FrequencyResponse.from_level(axis, levels), taken="seat")


def _with_bands_at_rest(room: Room, response: FrequencyResponse) -> FrequencyResponse:
    """Return a response with the present bands taken out; in level only where that is all known."""
    gains, axis = room.present.gains_db, response.frequencies
    if not gains.any():
        return response
    if room.equaliser.shapes is None:
        return response.filtered(room.equaliser.response(gains, axis), inverse=True)
    levels = response.level_db - room.equaliser.response_db(gains, axis)
    return FrequencyResponse.from_level(axis, levels)


class EngagedRow(Record, frozen=True, kw_only=True):
    """One total low-pass response that explains what was measured.

    Attributes
    ----------
    probability : float
    corner : float
        Fitted, in Hz.
    order : int
        Of all its low-passes together.
    filters : tuple of str
        In words.
    """

    probability: float
    corner: float
    order: int
    filters: tuple[str, ...]


class EngagedRows(Record, frozen=True, kw_only=True):
    """Which low-passes are really engaged; see `roomeq.optimiser.path.estimate.PathEstimate`."""

    verdict: str
    taken: str
    as_described: bool | None
    phase_used: bool
    signal_to_noise_db: float
    misfit_db: float
    candidates: tuple[EngagedRow, ...]

    @classmethod
    def of(cls, estimate: PathEstimate | None) -> EngagedRows | None:
        """Return the rows of an estimate; None for none."""
        if estimate is None:
            return None
        rows = (
            EngagedRow.copied(one, filters=tuple(map(str, one.filters)))
            for one in estimate.candidates
        )
        return cls.copied(estimate, candidates=tuple(rows))
