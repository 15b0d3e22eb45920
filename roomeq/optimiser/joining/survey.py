"""Read the joining problem off a survey: subwoofer and mains against one time reference.

Conventions
-----------
Complex pressure ratios, seats by frequencies. Nothing in a measurement tells whether its time zero
is that of another one, so the caller has to say it; where the sum of both was measured as well, it
is held against the prediction. What the subwoofer was fed through (`route`) is taken as stated,
never guessed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from roomeq.analysis.smoothing import smooth_power_db
from roomeq.base.errors import MissingPhaseError
from roomeq.base.levels import ComplexArray, FloatArray, power_ratio_db, readonly
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Source, Survey
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.bands.fit_data import SNR_FULL_DB, SNR_IGNORED_DB
from roomeq.optimiser.joining.data import (
    SMOOTHING_FRACTION,
    JoiningData,
    JoiningNote,
    SumExplanation,
    assemble_joining,
    explain_sum,
    joining_axes,
)
from roomeq.room.together import seat_pressures
from roomeq.wanted.target import Target

LFE_OFFSET_DB = 10.0
"""The low-frequency-effects channel plays 10 dB above the mains (ITU-R BS.775; from memory)."""

SUM_RESIDUAL_DB = 1.0
"""A measured sum further than this from the predicted one is a caution (common practice)."""

_BRANCHES: tuple[Source, ...] = ("sub", "mains")


def prepare_joining(
    survey: Survey,
    *,
    corner: float,
    target: Target | None = None,
    present: JoiningSettings | None = None,
    span: tuple[float, float] | None = None,
) -> JoiningData:
    """Prepare subwoofer and mains of a survey for joining.

    Subwoofer and mains at a seat must have been measured against the same time zero (a loopback, or
    one reference loudspeaker). Nothing in the measurements tells; without it their relative phase
    means nothing.

    Parameters
    ----------
    survey : Survey
        With `sub` and `mains` at one or more of the same seats, with phase. Where `both` was
        measured as well, it checks the prediction. Repeats are averaged as complex numbers.
    corner : float
        Crossover corner in Hz.
    target : Target, optional
        Wanted shape of the sum; its path is left out. Flat by default.
    present : JoiningSettings, optional
        Settings while measuring; everything at rest by default.
    span : tuple of float, optional
        What is judged, in Hz; an octave to either side of the corner by default.

    Returns
    -------
    JoiningData

    Raises
    ------
    ValueError
        If no seat has both, or the span is not measured.
    MissingPhaseError
        If a response has no phase.
    """
    seats = _joint_seats(survey)
    measured = [r for seat in seats for s in _BRANCHES for r in _responses(survey, seat, s)]
    points, axis = joining_axes(
        span or (0.5 * corner, 2.0 * corner),
        first=max(float(response.frequencies[0]) for response in measured),
        last=min(float(response.frequencies[-1]) for response in measured),
    )
    sub, mains = _pressures(survey, seats, points)
    offset_db, notes = _route_notes(survey, seats)
    named = dict(zip(survey.seats, survey.weights, strict=True))
    noise, noise_known = _noise_weights(
        survey, seats, axis=axis, points=points, sub=sub, mains=mains
    )
    data = assemble_joining(
        corner=corner,
        seats=seats,
        seat_weights=np.array([named[seat] for seat in seats]),
        points=points,
        sub=sub * 10.0 ** (-offset_db / 20.0),
        mains=mains,
        frequencies=axis,
        noise_weights=noise,
        target=target,
        present=present or JoiningSettings(),
        levels_comparable=survey.levels_comparable,
    )
    if not noise_known:
        notes.append(JoiningNote.NOISE_UNKNOWN)
    return _with_checks(data, survey, notes)


def _with_checks(data: JoiningData, survey: Survey, notes: list[JoiningNote]) -> JoiningData:
    """Return the data with the check against a measured sum, seats left out, and all notes."""
    left_out = tuple(seat for seat in survey.seats if seat not in data.seats)
    residual = _sum_residual_db(survey, data)
    if residual is None:
        notes.append(JoiningNote.SUM_NOT_MEASURED)
    elif np.nanmax(residual) > SUM_RESIDUAL_DB:
        notes.append(JoiningNote.SUM_DISAGREES)
    if left_out:
        notes.append(JoiningNote.SEATS_LEFT_OUT)
    return replace(
        data,
        sum_residual_db=residual,
        explanation=_explanation(survey, data),
        notes=tuple(notes),
        seats_left_out=left_out,
    )


def joint_pressures(
    survey: Survey, seats: tuple[str, ...], axis: FloatArray
) -> tuple[ComplexArray, ComplexArray] | None:
    """Return subwoofer and mains at seats on an axis, both of shape (S, F).

    None where one of them was not measured over all of it.
    """
    measured = [r for seat in seats for s in _BRANCHES for r in _responses(survey, seat, s)]
    if any(r.frequencies[0] > axis[0] or r.frequencies[-1] < axis[-1] for r in measured):
        return None
    return _pressures(survey, seats, axis)


def _joint_seats(survey: Survey) -> tuple[str, ...]:
    """Return the seats at which subwoofer and mains were both measured."""
    found = {source: set(survey.of_source(source).seats) for source in _BRANCHES}
    seats = tuple(seat for seat in survey.seats if seat in found["sub"] & found["mains"])
    if not seats:
        raise ValueError("no seat has measurements of both subwoofer and mains")
    for seat in seats:
        for measurement in survey.at_seat(seat):
            if measurement.source in _BRANCHES and not measurement.response.has_phase:
                raise MissingPhaseError(
                    f"seat {seat!r}: the response of the {measurement.source} has level only; "
                    "joining needs phase"
                )
    return seats


def _responses(survey: Survey, seat: str, source: Source) -> list[FrequencyResponse]:
    return [m.response for m in survey.at_seat(seat) if m.source == source]


def _pressures(
    survey: Survey, seats: tuple[str, ...], points: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return subwoofer and mains at seats and points, the complex mean over repeats."""
    sub, mains = (seat_pressures(survey.of_source(source), seats, points) for source in _BRANCHES)
    return sub, mains


def _route_notes(survey: Survey, seats: tuple[str, ...]) -> tuple[float, list[JoiningNote]]:
    """Return by how many dB the subwoofer was played louder than the mains, and doubts about it."""
    routes = {
        source: {m.route for seat in seats for m in survey.at_seat(seat) if m.source == source}
        for source in _BRANCHES
    }
    everything = routes["sub"] | routes["mains"]
    notes = []
    if "unknown" in everything:
        notes.append(JoiningNote.ROUTE_UNKNOWN)
    if "direct" in everything:
        notes.append(JoiningNote.ROUTE_DIRECT)
    if "low_frequency_effects" not in routes["sub"]:
        return 0.0, notes
    if routes["sub"] != {"low_frequency_effects"}:
        raise ValueError(
            "the subwoofer was measured over the low-frequency-effects channel at some seats and "
            "otherwise at others: their levels against the mains cannot be compared"
        )
    notes.append(JoiningNote.LFE_OFFSET_REMOVED)
    return LFE_OFFSET_DB, notes


def _noise_weights(
    survey: Survey,
    seats: tuple[str, ...],
    *,
    axis: FloatArray,
    points: FloatArray,
    sub: ComplexArray,
    mains: ComplexArray,
) -> tuple[FloatArray, bool]:
    """Return the weight that noise leaves the sum, and whether it is known everywhere.

    A branch that is close to its noise does no harm where the other one is much louder, so the
    noise of both together is set against the power of both: 0 below 10 dB, 1 from 20 dB.
    """
    weights = np.zeros(axis.size)
    known = True
    for index, seat in enumerate(seats):
        power, noise = np.zeros(axis.size), np.zeros(axis.size)
        for source, branch in zip(_BRANCHES, (sub[index], mains[index]), strict=True):
            signal = np.interp(axis, points, np.abs(branch) ** 2)
            power += signal
            first = _responses(survey, seat, source)[0]
            if first.snr_db is None:
                known = False
                continue
            smooth_db = smooth_power_db(first.frequencies, first.snr_db, at=axis, fraction=3)
            noise += signal * 10.0 ** (-smooth_db / 10.0)
        ratio_db = power_ratio_db(power / np.maximum(noise, 1e-30 * power))
        weights += np.clip((ratio_db - SNR_IGNORED_DB) / (SNR_FULL_DB - SNR_IGNORED_DB), 0.0, 1.0)
    return weights / len(seats), known


def _sum_residual_db(survey: Survey, data: JoiningData) -> FloatArray | None:
    """Return how far a measured sum differs from the predicted one at each seat, level aside."""
    predicted = data.predicted_level_db(data.present)
    residual = np.full(len(data.seats), np.nan)
    for index, seat in enumerate(data.seats):
        levels = [
            smooth_power_db(
                r.frequencies, r.level_db, at=data.frequencies, fraction=SMOOTHING_FRACTION
            )
            for r in _sums(survey, seat, data.frequencies)
        ]
        if levels:
            difference = np.mean(levels, axis=0) - predicted[index]
            centred = difference - difference @ data.frequency_weights
            residual[index] = np.sqrt(centred**2 @ data.frequency_weights)
    return None if np.isnan(residual).all() else readonly(residual)


def _sums(survey: Survey, seat: str, axis: FloatArray) -> list[FrequencyResponse]:
    """Return what was measured of both together at a seat, in narrow bands and over an axis."""
    narrow = [r for r in _responses(survey, seat, "both") if r.resolution == "narrow"]
    return [r for r in narrow if r.frequencies[0] <= axis[0] and r.frequencies[-1] >= axis[-1]]


def _explanation(survey: Survey, data: JoiningData) -> SumExplanation | None:
    """Return what explains the measured sum at the seats where it was measured."""
    rows, heard = [], []
    for index, seat in enumerate(data.seats):
        levels = [
            np.interp(np.log(data.points), np.log(r.frequencies), r.level_db)
            for r in _sums(survey, seat, data.points)
        ]
        if levels:
            rows.append(index)
            heard.append(10.0 ** (np.mean(levels, axis=0) / 20.0))
    if not rows:
        return None
    return explain_sum(
        data.points,
        sub=data.sub[rows] * data.present.response(data.points),
        mains=data.mains[rows],
        both=np.array(heard),
        corner=data.corner,
    )
