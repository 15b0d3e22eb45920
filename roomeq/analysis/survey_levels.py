"""Levels of a survey's seats on one common axis.

Conventions
-----------
Seats by frequencies, in dB, repeats of a seat averaged in power. Narrow-band responses are smoothed
in power over 1/12 octave and taken at 24 points an octave; hand-typed band levels keep their band
centres.

Signal-to-noise ratio by third-octave band and seat.

Ratios in dB; nan where a measurement does not tell. In a band the power mean of what the response
tells within it counts; of repeats at a seat the worst, for it is the one to be asked after.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from roomeq.analysis.phase import estimate_excess_group_delay
from roomeq.analysis.smoothing import smooth_power_db
from roomeq.base.bands import ThirdOctaveBand, logarithmic_axis, third_octave_bands
from roomeq.base.levels import FloatArray, power_mean_db
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey

if TYPE_CHECKING:
    from pandas import DataFrame

POINTS_PER_OCTAVE = 24
SMOOTHING_FRACTION = 12
_LEAST_BANDS = 3
_LEAST_SHARE = 1.0 / 3.0  # of the octaves that are needed


def has_band_levels(survey: Survey) -> bool:
    """Return whether a survey holds third-octave band levels.

    Raises
    ------
    ValueError
        If it holds both band levels and narrow-band responses: they do not mix.
    """
    kinds = {measurement.response.resolution for measurement in survey.measurements}
    if len(kinds) > 1:
        raise ValueError(
            "hand-typed band levels and narrow-band responses cannot be judged together: leave one "
            "of them out"
        )
    return kinds == {"third_octave"}


def covered_span(measurements: Sequence[Measurement]) -> tuple[float, float]:
    """Return the lowest and the highest frequency that all measurements cover, in Hz."""
    axes = [measurement.response.frequencies for measurement in measurements]
    return max(float(axis[0]) for axis in axes), min(float(axis[-1]) for axis in axes)


def common_axis(survey: Survey, *, lowest: float = 0.0, highest: float = np.inf) -> FloatArray:
    """Return the frequencies that all measurements cover, within a span, in Hz.

    Raises
    ------
    ValueError
        If they share less than a third of the span's octaves, or fewer than three bands.
    """
    if has_band_levels(survey):
        axes = [measurement.response.frequencies for measurement in survey.measurements]
        common = set.intersection(*(set(axis.tolist()) for axis in axes))
        axis = np.array(sorted(f for f in common if lowest <= f <= highest))
        if axis.size < _LEAST_BANDS:
            raise ValueError(
                f"only {axis.size} bands are common to all seats: {_LEAST_BANDS} or more are needed"
            )
        return axis
    first, last = covered_span(survey.measurements)
    start, end = max(lowest, first), min(highest, last)
    needed = 2.0 / POINTS_PER_OCTAVE
    if lowest > 0.0 and np.isfinite(highest):
        needed = max(needed, np.log2(highest / lowest) * _LEAST_SHARE)
    if not (end > start and np.log2(end / start) > needed):
        raise ValueError(
            f"the measurements share {first:g} to {last:g} Hz, which leaves "
            f"{'too little' if end > start else 'nothing'} of the {lowest:.4g} to {highest:.4g} Hz "
            f"that is needed{_narrowest(survey, lowest=lowest, highest=highest)}: measure over all "
            "of it, with a microphone file that covers it"
        )
    return logarithmic_axis(start, end, per_octave=POINTS_PER_OCTAVE)


def _narrowest(survey: Survey, *, lowest: float, highest: float) -> str:
    """Name the measurements that start last and end first, where they fall short."""
    begins = max(survey.measurements, key=lambda m: float(m.response.frequencies[0]))
    ends = min(survey.measurements, key=lambda m: float(m.response.frequencies[-1]))
    found = []
    if begins.response.frequencies[0] > lowest:
        found.append(f"{begins.file or begins.seat!r} starts at {begins.response.frequencies[0]:g}")
    if ends.response.frequencies[-1] < highest:
        found.append(f"{ends.file or ends.seat!r} ends at {ends.response.frequencies[-1]:g}")
    return f" ({', '.join(found)} Hz)" if found else ""


def seat_levels_db(
    survey: Survey,
    *,
    at: FloatArray,
    fraction: int = SMOOTHING_FRACTION,
    without_db: Callable[[FloatArray], FloatArray] | None = None,
) -> FloatArray:
    """Return the level of every seat, shape (S, F), in dB.

    Parameters
    ----------
    survey : Survey
        Of one source.
    at : ndarray, shape (F,)
        Hz, as `common_axis` gives them.
    fraction : int
        N of the 1/N-octave power smoothing; band levels stay as they are.
    without_db : callable, optional
        Response in dB at frequencies in Hz that is taken out before the smoothing.
    """
    rows = []
    for seat in survey.seats:
        levels = []
        for measurement in survey.at_seat(seat):
            frequencies = measurement.response.frequencies
            level_db = measurement.response.level_db
            if without_db is not None:
                level_db = level_db - without_db(frequencies)
            if measurement.response.resolution == "third_octave":
                levels.append(level_db[np.searchsorted(frequencies, at * (1.0 - 1e-9))])
            else:
                levels.append(smooth_power_db(frequencies, level_db, at=at, fraction=fraction))
        rows.append(power_mean_db(np.array(levels)))
    return np.array(rows)


def level_travel_db(frequencies: FloatArray, level_db: FloatArray) -> float:
    """Return by how much a level rises and falls in all from 20 to 125 Hz, smoothed, in dB."""
    lowest, highest = max(20.0, float(frequencies[0])), min(125.0, float(frequencies[-1]))
    if not lowest < highest / 1.2:
        return np.inf
    at = logarithmic_axis(lowest, highest, per_octave=POINTS_PER_OCTAVE)
    smooth = smooth_power_db(frequencies, level_db, at=at, fraction=SMOOTHING_FRACTION)
    return float(np.abs(np.diff(smooth)).sum())


def seat_excess_group_delays(survey: Survey, *, at: FloatArray) -> FloatArray | None:
    """Return the excess group delay of each seat's first response with phase, in seconds.

    Parameters
    ----------
    survey : Survey
        Of one source.
    at : ndarray, shape (F,)
        Hz, within what was measured.

    Returns
    -------
    ndarray, shape (S, F), or None
        Not a number throughout for a seat without phase; None where no seat has phase.
    """
    delays = np.full((len(survey.seats), at.size), np.nan)
    for index, seat in enumerate(survey.seats):
        phased = [m.response for m in survey.at_seat(seat) if m.response.has_phase]
        if phased:
            delays[index] = estimate_excess_group_delay(
                phased[0], at=at, fraction=SMOOTHING_FRACTION
            )
    return None if np.isnan(delays).all() else delays


_LOWEST, _HIGHEST = 16.0, 160.0


def band_signal_to_noise_db(response: FrequencyResponse, band: ThirdOctaveBand) -> float:
    """Return the ratio of one response in one band, in dB; nan where it does not tell.

    Where no frequency of the response lies within the band, it is interpolated at the centre.
    """
    if response.snr_db is None:
        return float("nan")
    axis = response.frequencies
    inside = (axis >= band.lower) & (axis <= band.upper)
    if inside.any():
        return float(power_mean_db(response.snr_db[inside]))
    return float(np.interp(np.log(band.centre), np.log(axis), response.snr_db))


def survey_signal_to_noise(survey: Survey) -> DataFrame:
    """Return the signal-to-noise ratio of every seat, band by band, in dB.

    Parameters
    ----------
    survey : Survey
        Of one source: see `Survey.of_source`.

    Returns
    -------
    DataFrame, shape (S, B)
        A row for each seat; columns are the mid-band frequencies, in Hz, of the third octaves from
        16 to 160 Hz that every measurement covers. Nan where it is not known.

    Raises
    ------
    ValueError
        If there is no band, or the survey holds several sources.
    """
    from pandas import DataFrame

    if len(survey.sources) > 1:
        raise ValueError(
            f"one source at a time: this survey holds {', '.join(survey.sources)}; choose with "
            "of_source"
        )
    lowest, highest = covered_span(survey.measurements)
    every = third_octave_bands(_LOWEST, _HIGHEST)
    bands = [band for band in every if lowest <= band.centre <= highest]
    if not bands:
        raise ValueError("no third octave is covered by every measurement")
    rows = [
        {band.centre: band_signal_to_noise_db(entry.response, band) for band in bands}
        for entry in survey.measurements
    ]
    seats = [entry.seat for entry in survey.measurements]
    return DataFrame(rows, index=seats).groupby(level=0, sort=False).min()
