"""One voicing for a model: from its response and from rooms, one setting for all who buy it.

Conventions
-----------
Deviations in dB as in a proposal, gains in dB. The model is a room file whose measurements were
taken outdoors on the ground, or close to the cone: it states device, target, limits, amplifier and
driver. Rooms are as measured with that model; with `flat_source` they were simulated or measured
with a flat one, and the model's response is added. Target and limits are the model's in all rooms,
the low-pass in the path each room's own.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from typing import TYPE_CHECKING

import numpy as np
from msgspec import structs

from roomeq.analysis.survey_levels import common_axis, has_band_levels, seat_levels_db
from roomeq.base.cautions import CautionCode
from roomeq.base.doing import each, say_doing
from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio, power_mean_db
from roomeq.base.record import Record
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.room import read_room
from roomeq.jobs.drive.bands import band_task, room_data
from roomeq.jobs.drive.headroom import room_behind_protection
from roomeq.jobs.propose import propose
from roomeq.optimiser.bands.fit import ChosenGains
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.optimiser.bands.problem import LabelArray
from roomeq.optimiser.bands.reasons import Reason
from roomeq.optimiser.bands.voicing import Criterion, VoicingProblem, over_rooms
from roomeq.plan.plan import Plan
from roomeq.room.room import Room, weighed_room

if TYPE_CHECKING:
    from pandas import DataFrame

SHOWN = 24
"""Rooms that stand in the plan as seats, at most; common practice, no source."""
_DRAWS, _SEED = 8, 1


class VoicedRoom(Record, frozen=True, kw_only=True):
    """What the voicing does in one room.

    Attributes
    ----------
    room : str
    before_db, voiced_db, own_db : float
        Weighted deviation with the present gains, with the voicing, and with the best setting for
        this room alone within the same limits.
    """

    room: str
    before_db: float
    voiced_db: float
    own_db: float

    @property
    def loses_db(self) -> float:
        """What the room loses against its own setting, in dB."""
        return self.voiced_db - self.own_db


class NeededRooms(Record, frozen=True, kw_only=True):
    """How well a voicing on so many rooms does in the others.

    Attributes
    ----------
    rooms, draws : int
        Rooms voiced on, and how often others were drawn.
    inside_db, outside_db : float
        What is made small, in the rooms voiced on and in the others, mean over the draws.
    sd_db : float
        Standard deviation of the second from draw to draw.
    all_db : float
        The same in the others with the voicing on all rooms.
    """

    rooms: int
    draws: int
    inside_db: float
    outside_db: float
    sd_db: float
    all_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Voicing:
    """One setting for many rooms.

    Attributes
    ----------
    plan : Plan
        The setting; rooms stand as seats, each with its average.
    criterion : {"mean", "worst_tenth"}
        What was made small over rooms.
    rooms : tuple of VoicedRoom
    problem : VoicingProblem
    """

    plan: Plan
    criterion: Criterion
    rooms: tuple[VoicedRoom, ...]
    problem: VoicingProblem

    def over_rooms_db(self, name: str) -> float:
        """Return ``before_db``, ``voiced_db`` or ``own_db`` over the rooms, by the criterion."""
        return _over_rooms_db(self.rooms, name, self.criterion)

    def to_frame(self) -> DataFrame:
        """Return a row for each room: its name, and the figures of `VoicedRoom`."""
        from pandas import DataFrame

        names = ("room", "before_db", "voiced_db", "own_db", "loses_db")
        return DataFrame([{name: getattr(room, name) for name in names} for room in self.rooms])

    def record(self, needed: Sequence[NeededRooms] = ()) -> dict[str, object]:
        """Return settings, rooms and what fewer rooms would do, for JSON."""
        return {
            "model": self.plan.room,
            "criterion": self.criterion,
            "gains_db": {band.label: band.gain_db for band in self.plan.bands},
            "rooms": self.rooms,
            "rooms_needed": needed,
        }

    def __repr__(self) -> str:
        before, after = self.over_rooms_db("before_db"), self.over_rooms_db("voiced_db")
        what = f"{self.criterion.replace('_', ' ')} deviation {before:.1f} to {after:.1f} dB"
        return f"<Voicing of {self.plan.room}: {len(self.rooms)} rooms, {what}>"


def voice(
    model: Room,
    folders: Iterable[str | PathLike[str]] = (),
    *,
    criterion: Criterion = "mean",
    flat_source: bool = False,
    date: datetime.date | None = None,
    by: str | None = None,
) -> Voicing:
    """Choose one setting of a model's bands that does best over rooms.

    Parameters
    ----------
    model : Room
        The model's own response, with its device, target, limits, amplifier and driver.
    folders : iterable of path-like
        Rooms, each as `roomeq.importers.room.read_room` takes it; without any the model is voiced
        by its own response.
    criterion : {"mean", "worst_tenth"}
        Whether the mean of the rooms' deviations is made small, or that of the worst tenth.
    flat_source : bool
        Whether the rooms hold the response of a flat source, to which the model's is added.
    date, by
        As for `roomeq.jobs.propose.propose`.

    Returns
    -------
    Voicing

    Raises
    ------
    ValueError
        If a room, or the model, has third-octave levels, several subwoofers or
        mains only, or nothing can be fitted.
    RoomeqError
        If a room cannot be read.
    """
    measured = weighed_room(model)
    model = _within_headroom(measured)
    source = _average(_refused(measured)) if flat_source else None
    named = each(tuple(map(str, folders)), lambda folder: f"reading {folder}")
    rooms = [_with_model(weighed_room(read_room(one)), model, source=source) for one in named]
    rooms = rooms or [_with_model(measured, model, source=None)]
    data = tuple(map(room_data, rooms))
    task = replace(band_task(rooms[0]), corner=model.corner, seen_in_all=_seen(data))
    problem = VoicingProblem(rooms=data, task=task, criterion=criterion)
    say_doing(f"voicing on {len(rooms)} rooms")
    labels = problem.solve()
    voiced = _voiced(problem, labels, [room.name for room in rooms])
    averages = [_average(room) for room in rooms]
    gains_db = problem.limited.setting_gains_db(labels)
    plan = _plan(model, averages, voiced, gains_db, criterion=criterion, date=date, by=by)
    return Voicing(plan=plan, criterion=criterion, rooms=voiced, problem=problem)


def rooms_needed(
    voicing: Voicing, *, counts: Sequence[int] | None = None, draws: int = _DRAWS
) -> tuple[NeededRooms, ...]:
    """Tell how many rooms a voicing needs: voice on some, judge on the others.

    Parameters
    ----------
    voicing : Voicing
    counts : sequence of int, optional
        Rooms to voice on; by default 1, 2, 4 and so on, to half of what is there.
    draws : int
        How often rooms are drawn for each, by a fixed seed.

    Raises
    ------
    ValueError
        If a count leaves no room to judge on.
    """
    problem, random, total = voicing.problem, np.random.default_rng(_SEED), len(voicing.rooms)
    if counts is None:
        counts = [2**n for n in range(total.bit_length()) if 2 ** (n + 1) <= total]
    if not all(1 <= count < total for count in counts) or draws < 1:
        raise ValueError(f"counts lie from 1 to below the {total} rooms, draws are at least 1")
    all_db = np.array([room.voiced_db for room in voicing.rooms])
    found = []
    for count in each(list(counts), lambda count: f"voicing on {count} rooms"):
        figures = []
        for _ in range(draws):
            order = random.permutation(total)
            inside, outside = (problem.of_rooms(part) for part in np.split(order, [count]))
            labels = inside.solve()[None]
            by_all_db = over_rooms(all_db[order[count:]], voicing.criterion)
            figures.append([*inside.value_db(labels), *outside.value_db(labels), by_all_db])
        names = ("inside_db", "outside_db", "all_db")
        means = dict(zip(names, np.mean(figures, axis=0).tolist(), strict=True))
        sd_db = float(np.std(figures, axis=0, ddof=min(draws - 1, 1))[1])
        found.append(NeededRooms(rooms=count, draws=draws, sd_db=sd_db, **means))
    return tuple(found)


def _refused(room: Room) -> Room:
    """Return a room that can be voiced on, or raise."""
    if room.source == "mains":
        raise ValueError(f"{room.name}: only the mains were measured, not the subwoofer")
    if room.subwoofers:
        raise ValueError(f"{room.name}: holds several subwoofers; a model is voiced alone")
    if has_band_levels(room.survey.of_source(room.source)):
        raise ValueError(
            f"{room.name}: holds third-octave levels; voicing needs responses of finer resolution"
        )
    return room


def _with_model(room: Room, model: Room, *, source: FrequencyResponse | None) -> Room:
    """Return a room as the model with its present gains leaves it, to be set as the model.

    With a `source` the room was that of a flat one, and the response of the source is added.
    """

    def ratio(frequencies: FloatArray) -> ComplexArray:
        if source is None:
            added = model.equaliser.response_db(model.present.gains_db, frequencies)
        else:
            level_db = source.level_db - source.level_db.mean()
            added = np.interp(np.log(frequencies), np.log(source.frequencies), level_db)
        taken_out = room.equaliser.response_db(room.present.gains_db, frequencies)
        return amplitude_ratio(added - taken_out).astype(np.complex128)

    return replace(
        _refused(room),
        survey=room.survey.filtered(room.source, ratio),
        device=model.device,
        present=model.present,
        target=replace(model.target, path=room.target.path),
        limits=model.limits,
        loss=model.loss,
    )


def _average(room: Room) -> FrequencyResponse:
    """Return the power average over the seats."""
    chosen = room.survey.of_source(room.source)
    axis = common_axis(chosen)
    levels = seat_levels_db(chosen, at=axis)
    return FrequencyResponse.from_level(axis, power_mean_db(levels, weights=chosen.weights))


def _within_headroom(model: Room) -> Room:
    """Return the model with limits that follow its headroom.

    The protective high-pass stays as it is: a voicing sets bands alone.
    """
    behind, _ = room_behind_protection(model, None)
    limits = behind.limits
    floor = max(limits.no_boost_below or 0.0, limits.high_pass_corner or 0.0)
    return replace(model, limits=replace(limits, no_boost_below=floor or None))


def _seen(data: Sequence[FitData]) -> FloatArray:
    """Return what is fitted in every room, in Hz."""
    lowest = max(float(one.frequencies[one.frequency_weights > 0][0]) for one in data)
    highest = min(float(one.frequencies[one.frequency_weights > 0][-1]) for one in data)
    axis = data[0].frequencies
    return axis[(axis >= lowest) & (axis <= highest) & (data[0].frequency_weights > 0)]


def _over_rooms_db(rooms: Sequence[VoicedRoom], name: str, criterion: Criterion) -> float:
    return float(over_rooms(np.array([getattr(room, name) for room in rooms]), criterion))


def _voiced(
    problem: VoicingProblem, labels: LabelArray, names: Sequence[str]
) -> tuple[VoicedRoom, ...]:
    before, after = problem.present_db(), problem.deviations_db(labels[None])[0]
    working = each(names, lambda name: f"setting {name} by itself")
    own = np.minimum([problem.own_db(index) for index, _ in enumerate(working)], after)
    return VoicedRoom.of_columns(room=names, before_db=before, voiced_db=after, own_db=own)


def _plan(
    model: Room,
    averages: Sequence[FrequencyResponse],
    voiced: Sequence[VoicedRoom],
    gains_db: FloatArray,
    *,
    criterion: Criterion,
    date: datetime.date | None,
    by: str | None,
) -> Plan:
    """Judge the setting as any other, rooms in place of seats, and keep it."""
    order = sorted(range(len(voiced)), key=lambda n: -voiced[n].voiced_db)
    places = np.unique(np.linspace(0, len(order) - 1, min(SHOWN, len(order))).round().astype(int))
    survey = Survey(
        measurements=tuple(
            Measurement(seat=f"{n + 1}: {voiced[n].room}", response=averages[n])
            for n in (order[place] for place in places)
        ),
    )
    before, after = (_over_rooms_db(voiced, n, criterion) for n in ("before_db", "voiced_db"))
    what = criterion.replace("_", " ")
    told = (
        f"voiced for {len(voiced)} rooms by the {what} of their weighted deviations, {before:.2f} "
        f"dB before, {after:.2f} dB after; {len(places)} of them stand as seats, from the worst "
        "to the best, each with its average, and figures of the plan are those of the average over "
        "these"
    )
    room = replace(
        model,
        survey=survey,
        source="sub",
        target=replace(model.target, level_db=None),
        wanted=None,
        recordings=(),
        assumptions=(*model.assumptions, told),
    )
    chosen = ChosenGains(gains_db=gains_db, level_change_db=None, reason=Reason.MANY_ROOMS)
    plan = propose(room, chosen=chosen, date=date, by=by)
    of_seats = CautionCode.ONE_SEAT_STANDS_OUT  # rooms differ, and were not measured alike
    return structs.replace(plan, cautions=tuple(c for c in plan.cautions if c.code != of_seats))
