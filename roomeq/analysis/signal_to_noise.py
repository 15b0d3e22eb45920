"""Signal-to-noise ratio by third-octave band and seat.

Conventions
-----------
Ratios in dB; nan where a measurement does not tell. In a band the power mean of what the response
tells within it counts; of repeats at a seat the worst, for it is the one to be asked after.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomeq.base.bands import ThirdOctaveBand, third_octave_bands
from roomeq.base.levels import FloatArray, power_mean_db, readonly
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Survey

_LOWEST, _HIGHEST = 16.0, 160.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SignalToNoise:
    """Signal-to-noise ratio of every seat.

    Attributes
    ----------
    seats : tuple of str
    frequencies : ndarray, shape (B,)
        Mid-band frequencies in Hz.
    snr_db : ndarray, shape (S, B)
        Nan where it is not known.
    """

    seats: tuple[str, ...]
    frequencies: FloatArray
    snr_db: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequencies", readonly(self.frequencies))
        object.__setattr__(self, "snr_db", readonly(self.snr_db))


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


def survey_signal_to_noise(survey: Survey) -> SignalToNoise:
    """Return the signal-to-noise ratio of every seat, band by band.

    The bands are the third octaves from 16 to 160 Hz that every measurement covers.

    Parameters
    ----------
    survey : Survey
        Of one source: see `Survey.of_source`.

    Returns
    -------
    SignalToNoise

    Raises
    ------
    ValueError
        If there is no band, or the survey holds several sources.
    """
    if len(survey.sources) > 1:
        raise ValueError(
            f"one source at a time: this survey holds {', '.join(survey.sources)}; choose with "
            "of_source"
        )
    axes = [entry.response.frequencies for entry in survey.measurements]
    lowest, highest = max(axis[0] for axis in axes), min(axis[-1] for axis in axes)
    every = third_octave_bands(_LOWEST, _HIGHEST)
    bands = [band for band in every if lowest <= band.centre <= highest]
    if not bands:
        raise ValueError("no third octave is covered by every measurement")
    rows = np.full((len(survey.seats), len(bands)), np.nan)
    for entry in survey.measurements:
        row = survey.seats.index(entry.seat)
        found = [band_signal_to_noise_db(entry.response, band) for band in bands]
        rows[row] = np.fmin(rows[row], found)
    return SignalToNoise(
        seats=survey.seats, frequencies=np.array([band.centre for band in bands]), snr_db=rows
    )
