"""Repeatability: how far repeated measurements of one seat and source lie apart.

Conventions
-----------
Levels in dB; bands are the third octaves from 20 to 125 Hz. A repeat is another measurement of the
same seat, source and route; the very same recording given twice is none.
"""

from __future__ import annotations

import math

import numpy as np

from roomeq.base.bands import ThirdOctaveBand, third_octave_bands
from roomeq.base.levels import FloatArray, power_ratio, power_ratio_db
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Survey

_BANDS = third_octave_bands(20.0, 125.0)


def same_recording(one: FrequencyResponse, other: FrequencyResponse) -> bool:
    """Return whether two responses hold the very same values: no two measurements ever do."""
    return (
        one.has_phase == other.has_phase
        and np.array_equal(one.frequencies, other.frequencies)
        and np.array_equal(one.stored, other.stored)
    )


def estimate_repeatability_db(survey: Survey) -> float | None:
    """Return the pooled standard deviation of repeats, in dB.

    For repeats r = 1..R of one seat, source and route, with band levels ``L[r, b]`` and their mean
    ``L[b]`` over the repeats, the squares ``(L[r, b] - L[b])**2`` are summed over all bands that
    every repeat covers, and all groups; the sum is divided by the degrees of freedom, R - 1 for
    each band. Where the survey's levels are not comparable, each repeat's mean over the bands is
    removed first, at the cost of R - 1 degrees of freedom.

    Parameters
    ----------
    survey : Survey

    Returns
    -------
    float or None
        None where no seat was measured twice, or repeats share too few bands.
    """
    squares, freedom = np.sum([[0.0, 0.0], *_deviations(survey).values()], axis=0)
    return math.sqrt(squares / freedom) if freedom else None


def repeats_apart_db(survey: Survey) -> dict[tuple[str, str, str], float]:
    """Return the standard deviation of each seat's repeats by seat, source and route, in dB."""
    return {key: math.sqrt(squares / n) for key, (squares, n) in _deviations(survey).items()}


def _deviations(survey: Survey) -> dict[tuple[str, str, str], tuple[float, int]]:
    """Return the sum of squares and the degrees of freedom of each group of repeats."""
    found = {}
    for key, repeats in _groups(survey).items():
        levels = np.array([[_band_level_db(r, band) for band in _BANDS] for r in repeats])
        levels = levels[:, np.isfinite(levels).all(axis=0)]
        count, bands = levels.shape
        if not survey.levels_comparable and bands:
            levels = levels - levels.mean(axis=1, keepdims=True)
            bands -= 1
        if bands < 1:
            continue
        squares = float(np.sum((levels - levels.mean(axis=0)) ** 2))
        found[key] = (squares, (count - 1) * bands)
    return found


def _groups(survey: Survey) -> dict[tuple[str, str, str], list[FrequencyResponse]]:
    groups: dict[tuple[str, str, str], list[FrequencyResponse]] = {}
    for measurement in survey.measurements:
        key = (measurement.seat, measurement.source, measurement.route)
        group = groups.setdefault(key, [])
        if not any(same_recording(measurement.response, other) for other in group):
            group.append(measurement.response)
    return {key: group for key, group in groups.items() if len(group) > 1}


def _band_level_db(response: FrequencyResponse, band: ThirdOctaveBand) -> float:
    """Return the power mean over d ln f within a band, in dB; nan where it is not covered.

    Power is taken as straight over ln f between the points of the response.
    """
    axis, levels = response.frequencies, response.level_db
    if response.resolution == "third_octave":
        nearest = int(np.argmin(np.abs(axis - band.centre)))
        same = abs(axis[nearest] / band.centre - 1.0) < 0.02
        return float(levels[nearest]) if same else math.nan
    if not (axis[0] <= band.lower and axis[-1] >= band.upper):
        return math.nan
    inside = (axis > band.lower) & (axis < band.upper)
    points = np.log(np.concatenate([[band.lower], axis[inside], [band.upper]]))
    power: FloatArray = np.interp(points, np.log(axis), power_ratio(levels))
    integral = float(np.sum(np.diff(points) * (power[1:] + power[:-1]) / 2.0))
    return float(power_ratio_db(integral / (points[-1] - points[0])))
