"""From a room with several subwoofers to the problem of their settings.

Conventions
-----------
What is set now is taken out of what was measured; delays in s, levels against now in dB. A fed
subwoofer has bands, delay and level of the one that feeds it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from roomeq.analysis.survey_levels import covered_span
from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import FloatArray, amplitude_ratio
from roomeq.base.survey import Survey
from roomeq.jobs.drive.bands import band_task, room_data
from roomeq.jobs.drive.headroom import room_behind_protection
from roomeq.jobs.joining.steps import joining_offer
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.optimiser.joining.sum_bands import band_responses
from roomeq.optimiser.several.task import BandSet, SeveralTask, Source
from roomeq.room.room import Room, Subwoofer
from roomeq.room.together import seat_pressures

_POINTS_PER_OCTAVE = 48
_REACH = 2.0 ** (1.0 / 12.0)
_NO_PHASE = (
    "delay, polarity and level of several subwoofers need one time zero and phase: measure each "
    "with a loopback, or against a reference loudspeaker that stays, export with phase, and state "
    "common_reference = true in [timing]. Until then roomeq check tells the levels of each"
)
_NO_SHAPES = "the phase of the bands of {} is not known: their shapes were measured in level only"


def several_task(room: Room, subwoofers: Sequence[Subwoofer]) -> SeveralTask:
    """State the problem of subwoofers' settings.

    Parameters
    ----------
    room : Room
        Its survey holds the sum as it is set.
    subwoofers : sequence of Subwoofer

    Raises
    ------
    ValueError
        If they cannot be set together: no phase, or that of the bands is not known.
    """
    if not all(e.response.has_phase for e in room.survey.of_source("sub").measurements):
        raise ValueError(_NO_PHASE)
    for one in subwoofers:
        if one.room.equaliser.shapes is not None:
            raise ValueError(_NO_SHAPES.format(one.name))
    data = room_data(room)
    points = _points(data, [one.room.survey for one in subwoofers])
    names = [one.name for one in subwoofers]
    first = [one for one in subwoofers if one.fed_by is None]
    lines = [[one, *(o for o in subwoofers if o.fed_by == one.name)] for one in first]
    gain = amplitude_ratio(-data.seat_offsets_db)[:, None]
    sources = [
        Source(
            name=one.name,
            pressures=seat_pressures(one.room.survey, data.seats, points)
            * (gain / one.response_now(points)),
            delays=np.array([one.present.delay]) if one.delays is None else one.delays.values,
            levels_db=_levels_db(one.room),
            polarities=_polarities(one),
            equaliser=next(n for n, line in enumerate(lines) if one in line),
            fed_by=None if one.fed_by is None else names.index(one.fed_by),
            present=one.present,
        )
        for one in subwoofers
    ]
    return SeveralTask(
        points=points,
        frequencies=data.frequencies,
        sources=tuple(sources),
        equalisers=tuple(_bands([with_own_limits(o.room) for o in line], points) for line in lines),
        seat_weights=data.seat_weights,
        frequency_weights=data.frequency_weights,
        target_db=data.target_db,
        allowance_db=data.allowance_db,
        loss=room.loss,
        most_given_up_db=room.limits.output_given_up_db,
    )


def with_own_limits(room: Room) -> Room:
    """Return one subwoofer's room with the limits that follow from its box and high-pass."""
    behind, _ = room_behind_protection(room, room.present.gains_db)
    return replace(room, limits=behind.limits)


def _points(data: FitData, surveys: Sequence[Survey]) -> FloatArray:
    first, last = covered_span([one for survey in surveys for one in survey.measurements])
    low = max(float(data.frequencies[0]) / _REACH, first)
    high = min(float(data.frequencies[-1]) * _REACH, last)
    return logarithmic_axis(low, high, per_octave=_POINTS_PER_OCTAVE)


def _levels_db(room: Room) -> FloatArray:
    return np.zeros(1) if room.device.level is None else joining_offer(room).levels.values_db


def _polarities(one: Subwoofer) -> tuple[float, ...]:
    if one.room.device.polarity:
        return (1.0, -1.0)
    return (-1.0,) if one.present.inverted else (1.0,)


def _bands(rooms: Sequence[Room], points: FloatArray) -> BandSet:
    """Return what the bands of one device may be set to, within the limits of all that it feeds."""
    equaliser, stand = rooms[0].equaliser, rooms[0].present.gains_db
    tasks = [replace(band_task(room), by_seats=False) for room in rooms]
    stated = tasks[0].problem()
    return BandSet(
        gains_db=stated.gains_db,
        responses=band_responses(equaliser, gains_db=stated.gains_db, frequencies=points),
        limit_tables_db=stated.limit_tables_db,
        cap_db=np.min([task.cap_db(stated.limit_frequencies) for task in tasks], axis=0),
        present_gains_db=stand,
        present_response=equaliser.response(stand, points),
    )
