"""Several subwoofers playing together: their sum at every seat, from each measured alone.

Conventions
-----------
Pressures add as complex numbers where all were measured against one time zero, and as powers where
they were not: then nobody sees where they cancel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from roomeq.base.levels import ComplexArray, FloatArray, power_ratio, power_ratio_db
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey


def common_seats(surveys: Sequence[Survey]) -> tuple[str, ...]:
    """Return the seats that all surveys have, in the order of the first."""
    return tuple(
        seat for seat in surveys[0].seats if all(seat in other.seats for other in surveys[1:])
    )


def seat_pressures(survey: Survey, seats: Sequence[str], points: FloatArray) -> ComplexArray:
    """Return the complex pressure at seats, the mean over repeats, shape (S, F).

    Raises
    ------
    MissingPhaseError
        If a response has no phase.
    """
    return np.array(
        [
            np.mean([one.response.pressure_at(points) for one in survey.at_seat(seat)], axis=0)
            for seat in seats
        ]
    )


def summed_survey(surveys: Sequence[Survey], *, coherent: bool) -> Survey:
    """Return the sum of several subwoofers at the seats where all of them were measured.

    Parameters
    ----------
    surveys : sequence of Survey
        One for each, of source ``sub``.
    coherent : bool
        Whether all were measured against one time zero; else, and where a response has no phase,
        their powers are added and the sum has no phase.

    Returns
    -------
    Survey
        Signal-to-noise ratios where all of them are known; a seat weighs what it weighs least.

    Raises
    ------
    ValueError
        If no seat has all of them, they share no frequencies, or are of unlike resolution or level.
    """
    seats = common_seats(surveys)
    if not seats:
        raise ValueError("at no seat were all subwoofers measured: measure each at the same seats")
    weights = [{seat: (one.seat_weights or {}).get(seat, 1.0) for seat in seats} for one in surveys]
    return Survey(
        measurements=tuple(_sum_at(seat, surveys, coherent=coherent) for seat in seats),
        seat_weights={seat: min(of_one[seat] for of_one in weights) for seat in seats},
        levels_comparable=all(one.levels_comparable for one in surveys),
    )


def _sum_at(seat: str, surveys: Sequence[Survey], *, coherent: bool) -> Measurement:
    branches = [[one.response for one in survey.at_seat(seat)] for survey in surveys]
    every = [response for branch in branches for response in branch]
    for name in ("resolution", "level_reference"):
        if len(found := {getattr(one, name) for one in every}) > 1:
            said = " and ".join(sorted(word.replace("_", " ") for word in found))
            raise ValueError(f"seat {seat!r}: subwoofers were measured in {said}: measure alike")
    points = every[0].frequencies
    for one in every[1:]:
        points = points[(points >= one.frequencies[0]) & (points <= one.frequencies[-1])]
    if points.size == 0:
        raise ValueError(f"seat {seat!r}: the measurements of the subwoofers share no frequencies")
    powers = [np.mean([_power_at(r, points) for r in branch], axis=0) for branch in branches]
    power: FloatArray = np.sum(powers, axis=0)
    stored: np.ndarray = power_ratio_db(power)
    if coherent and all(one.has_phase for one in every):
        stored = np.sum([seat_pressures(one, [seat], points)[0] for one in surveys], axis=0)
        power = np.abs(stored) ** 2
    noise = sum(_noise(of[0], own, points) for of, own in zip(branches, powers, strict=True))
    snr_db = power_ratio_db(np.maximum(power, np.finfo(float).tiny) / noise)
    response = FrequencyResponse(
        frequencies=points,
        stored=stored,
        level_reference=every[0].level_reference,
        resolution=every[0].resolution,
        snr_db=None if np.isnan(snr_db).all() else snr_db,
    )
    return Measurement(seat=seat, response=response)


def _power_at(response: FrequencyResponse, points: FloatArray) -> FloatArray:
    return power_ratio(np.interp(np.log(points), np.log(response.frequencies), response.level_db))


def _noise(one: FrequencyResponse, power: FloatArray, points: FloatArray) -> FloatArray | float:
    """Return the power of the noise below a power; nan where their ratio is not known."""
    if one.snr_db is None:
        return math.nan
    return power / power_ratio(np.interp(points, one.frequencies, one.snr_db))
