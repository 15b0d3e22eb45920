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
from roomeq.base.levels import (
    ComplexArray,
    FloatArray,
    amplitude_ratio,
    power_ratio,
    power_ratio_db,
)
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Route, Source, Survey
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.bands.fit_data import SNR_FULL_DB, SNR_IGNORED_DB
from roomeq.optimiser.joining.data import (
    SMOOTHING_FRACTION,
    JoiningData,
    JoiningNote,
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
    seats, present = _joint_seats(survey), present or JoiningSettings()
    measured = _measured(survey, seats)
    points, axis = joining_axes(
        span or (0.5 * corner, 2.0 * corner),
        first=max(float(one.response.frequencies[0]) for one in measured),
        last=min(float(one.response.frequencies[-1]) for one in measured),
    )
    sub, mains = _pressures(survey, seats, points)
    louder_db = _louder_db({one.route for one in measured if one.source == "sub"})
    powers = np.abs([sub, mains]) ** 2
    noise_weights, noise_known = _noise_weights(survey, seats, axis, points, powers)
    named = dict(zip(survey.seats, survey.weights, strict=True))
    data = JoiningData(
        corner=corner,
        seats=seats,
        seat_weights=np.array([named[seat] for seat in seats]),
        points=points,
        sub=sub / amplitude_ratio(louder_db) / present.response(points),
        mains=mains,
        frequencies=axis,
        target_db=(target or Target()).shape_db(axis),
        frequency_weights=noise_weights,
        seat_offsets_db=np.zeros(len(seats)),
        present=present,
        seats_left_out=tuple(seat for seat in survey.seats if seat not in seats),
    )
    if not survey.levels_comparable:
        data = data.with_seats_levelled()
    routes, data = {one.route for one in measured}, _against_sum(data, survey)
    residual = data.sum_residual_db
    notes = {
        JoiningNote.ROUTE_UNKNOWN: "unknown" in routes,
        JoiningNote.ROUTE_DIRECT: "direct" in routes,
        JoiningNote.LFE_OFFSET_REMOVED: louder_db > 0.0,
        JoiningNote.NOISE_UNKNOWN: not noise_known,
        JoiningNote.SUM_NOT_MEASURED: residual is None,
        JoiningNote.SUM_DISAGREES: residual is not None and np.nanmax(residual) > SUM_RESIDUAL_DB,
        JoiningNote.SEATS_LEFT_OUT: bool(data.seats_left_out),
    }
    return replace(data, notes=tuple(note for note, holds in notes.items() if holds))


def joint_pressures(
    survey: Survey, seats: tuple[str, ...], axis: FloatArray
) -> tuple[ComplexArray, ComplexArray] | None:
    """Return subwoofer and mains at seats on an axis, both of shape (S, F).

    None where one of them was not measured over all of it.
    """
    if all(_covers(one.response, axis) for one in _measured(survey, seats)):
        return _pressures(survey, seats, axis)
    return None


def _joint_seats(survey: Survey) -> tuple[str, ...]:
    """Return the seats at which subwoofer and mains were both measured."""
    found = {source: set(survey.of_source(source).seats) for source in _BRANCHES}
    seats = tuple(seat for seat in survey.seats if seat in found["sub"] & found["mains"])
    if not seats:
        raise ValueError("no seat has measurements of both subwoofer and mains")
    for one in _measured(survey, seats):
        if not one.response.has_phase:
            raise MissingPhaseError(
                f"seat {one.seat!r}{f', {one.file}' if one.file else ''}: the response of the "
                f"{one.source} has level only; joining needs phase"
            )
    return seats


def _responses(survey: Survey, seat: str, source: Source) -> list[FrequencyResponse]:
    return [m.response for m in survey.at_seat(seat) if m.source == source]


def _measured(survey: Survey, seats: tuple[str, ...]) -> list[Measurement]:
    return [one for seat in seats for one in survey.at_seat(seat) if one.source in _BRANCHES]


def _covers(one: FrequencyResponse, axis: FloatArray) -> bool:
    return bool(one.frequencies[0] <= axis[0] and one.frequencies[-1] >= axis[-1])


def _pressures(
    survey: Survey, seats: tuple[str, ...], points: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return subwoofer and mains at seats and points, the complex mean over repeats."""
    sub, mains = (seat_pressures(survey.of_source(source), seats, points) for source in _BRANCHES)
    return sub, mains


def _louder_db(routes: set[Route]) -> float:
    """Return by how many dB the subwoofer was played louder than the mains."""
    if "low_frequency_effects" not in routes:
        return 0.0
    if len(routes) > 1:
        raise ValueError(
            "the subwoofer was measured over the low-frequency-effects channel at some seats and "
            "otherwise at others: their levels against the mains cannot be compared"
        )
    return LFE_OFFSET_DB


def _noise_weights(
    survey: Survey,
    seats: tuple[str, ...],
    axis: FloatArray,
    points: FloatArray,
    powers: FloatArray,
) -> tuple[FloatArray, bool]:
    """Return the weight that noise leaves the sum, and whether it is known everywhere.

    A branch that is close to its noise does no harm where the other one is much louder, so the
    noise of both together is set against the power of both: 0 below 10 dB, 1 from 20 dB. `powers`
    at the points are (2, S, P).
    """
    weights, known = np.zeros(axis.size), True
    for index, seat in enumerate(seats):
        power, noise = np.zeros(axis.size), np.zeros(axis.size)
        for source, row in zip(_BRANCHES, powers[:, index], strict=True):
            signal = np.interp(axis, points, row)
            power += signal
            first = _responses(survey, seat, source)[0]
            if first.snr_db is None:
                known = False
            else:
                clear = smooth_power_db(first.frequencies, first.snr_db, at=axis, fraction=3)
                noise += signal / power_ratio(clear)
        ratio_db = power_ratio_db(power / np.maximum(noise, 1e-30 * power))
        weights += np.clip((ratio_db - SNR_IGNORED_DB) / (SNR_FULL_DB - SNR_IGNORED_DB), 0.0, 1.0)
    return weights / len(seats), known


def _against_sum(data: JoiningData, survey: Survey) -> JoiningData:
    """Return the data with how far a measured sum is from the predicted one, and what explains it.

    The first with the level aside; neither where no sum was measured over the whole axis.
    """
    residual, heard = np.full(len(data.seats), np.nan), {}
    predicted, axis = data.predicted_level_db(data.present), data.frequencies
    for row, seat in enumerate(data.seats):
        sums = [
            one
            for one in _responses(survey, seat, "both")
            if one.resolution == "narrow" and _covers(one, axis)
        ]
        if not sums:
            continue
        smooth = [
            smooth_power_db(one.frequencies, one.level_db, at=axis, fraction=SMOOTHING_FRACTION)
            for one in sums
        ]
        difference = np.mean(smooth, axis=0) - predicted[row]
        centred = difference - difference @ data.frequency_weights
        residual[row] = np.sqrt(centred**2 @ data.frequency_weights)
        where = np.log(data.points)
        levels = [np.interp(where, np.log(one.frequencies), one.level_db) for one in sums]
        heard[row] = amplitude_ratio(np.mean(levels, axis=0))
    if not heard:
        return data
    rows = list(heard)
    explanation = explain_sum(
        data.points,
        sub=data.sub[rows] * data.present.response(data.points),
        mains=data.mains[rows],
        both=np.array(list(heard.values())),
        corner=data.corner,
    )
    return replace(data, sum_residual_db=residual, explanation=explanation)
