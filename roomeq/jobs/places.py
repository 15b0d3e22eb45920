"""Where to put subwoofers: one, two, three or four of the places where one was tried.

Conventions
-----------
Each place is taken as if a subwoofer of the same kind stood there. Deviations, variation and output
are those of `roomeq.optimiser.several`, in dB; delays in ms. Nothing is computed here; figures come
from `roomeq.optimiser`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from msgspec.structs import asdict

from roomeq.base.record import Record, html_table
from roomeq.device.processor import DelayRange
from roomeq.jobs.several.task import several_task
from roomeq.optimiser.several.places import Combination, choose_places
from roomeq.room.room import Room, Subwoofer
from roomeq.room.together import common_seats, summed_survey

if TYPE_CHECKING:
    from pandas import DataFrame

MOST_TOGETHER = 4
_LONGEST_DELAY = 0.020


class PlaceSetting(Record, frozen=True, kw_only=True):
    """What a subwoofer at a place would be set to; level against how it was tried."""

    place: str
    delay_ms: float
    inverted: bool
    level_db: float
    gains_db: dict[str, float]


class PlaceChoice(Record, frozen=True, kw_only=True):
    """One place, or several together.

    Attributes
    ----------
    settings : tuple of PlaceSetting
    deviation_db : float
        Root of the mean over seats of each seat's own loss.
    variation_db : float
        How the seats differ, standard deviation.
    output_db : float
        At equal drive, against the loudest choice in the list.
    worst_seat : str
    worst_db : float
        Its own deviation.
    """

    settings: tuple[PlaceSetting, ...]
    deviation_db: float
    variation_db: float
    output_db: float
    worst_seat: str
    worst_db: float

    @property
    def places(self) -> tuple[str, ...]:
        """Names of the places."""
        return tuple(setting.place for setting in self.settings)


class RoomPlaces(Record, frozen=True, kw_only=True):
    """The best choices of each size.

    Attributes
    ----------
    room : str
    seats, places : tuple of str
    choices : tuple of PlaceChoice
        By how many stand together, then by deviation.
    findings, assumptions : tuple of str
    """

    room: str
    seats: tuple[str, ...]
    places: tuple[str, ...]
    choices: tuple[PlaceChoice, ...]
    findings: tuple[str, ...]
    assumptions: tuple[str, ...]

    def of_size(self, count: int) -> tuple[PlaceChoice, ...]:
        """Return the choices of so many together, the best first."""
        return tuple(one for one in self.choices if len(one.settings) == count)

    def to_frame(self) -> DataFrame:
        """Return one row for each choice as a pandas table."""
        from pandas import DataFrame

        rows = [
            {"together": len(one.settings), "places": ", ".join(one.places), **asdict(one)}
            for one in self.choices
        ]
        return DataFrame(rows).drop(columns="settings")

    def __repr__(self) -> str:
        best = min(self.choices, key=lambda one: one.deviation_db)
        return f"<RoomPlaces of {self.room}: {len(self.places)} tried, best {best.places}>"

    def _repr_html_(self) -> str:
        """Return the choices, for notebooks."""
        frame = self.to_frame().round(2)
        return html_table(repr(self)[1:-1], frame.columns, frame.to_numpy().tolist())


def rank_places(room: Room, *, most: int = MOST_TOGETHER) -> RoomPlaces:
    """Say which place is best for one subwoofer, and which for two, three or four together.

    Parameters
    ----------
    room : Room
        With places at which a subwoofer was tried.
    most : int
        How many may stand together, 1 to 4.

    Returns
    -------
    RoomPlaces

    Raises
    ------
    ValueError
        If fewer than two places were tried, their levels do not compare, no seat was measured from
        all of them, or they cannot be compared for want of a common time zero or phase.
    """
    if len(room.places) < 2:
        raise ValueError(
            f"{len(room.places)} places were tried: measure one subwoofer at two places or more, "
            'and write place = "..." in its [[measurements]]'
        )
    if not room.survey.levels_comparable:
        raise ValueError(
            "levels of the places do not compare: keep drive level and microphone gain while the "
            "subwoofer moves, and state comparable = true in [levels]"
        )
    stated = next((one.delays for one in room.subwoofers if one.delays is not None), None)
    delays = stated or DelayRange(lowest=0.0, highest=_LONGEST_DELAY)
    tried = tuple(replace(one, delays=one.delays or delays) for one in room.places)
    surveys = [one.room.survey for one in tried]
    common = room.joining.common_time_reference or False
    whole = replace(tried[0].room, survey=summed_survey(surveys, coherent=common), subwoofers=tried)
    seats = common_seats(surveys)
    found = choose_places(several_task(whole, tried), most=most)
    loudest_db = max(one.together.output_db for one in found)
    taken = ["the subwoofers are alike, and each has bands of its own", *room.assumptions]
    if stated is None:
        reach = f"0 to {1e3 * _LONGEST_DELAY:g} ms were taken"
        taken.insert(0, f"what delays each can be given is not stated: {reach}")
    if len(seats) == 1:
        taken.insert(0, "one seat speaks for all: how others differ from it is not known")
    return RoomPlaces(
        room=room.name,
        seats=seats,
        places=tuple(one.name for one in tried),
        choices=tuple(_choice(one, tried, seats, loudest_db) for one in found),
        findings=room.findings,
        assumptions=tuple(taken),
    )


def _choice(
    found: Combination, tried: Sequence[Subwoofer], seats: tuple[str, ...], loudest_db: float
) -> PlaceChoice:
    together = found.together
    earliest = min(setting.delay for setting in together.settings)
    worst_seat, worst_db = together.after.worst(seats)
    each = zip(found.places, together.settings, together.gains_db, strict=True)
    settings = tuple(
        PlaceSetting(
            place=tried[place].name,
            delay_ms=round(1e3 * (setting.delay - earliest), 6),
            inverted=setting.inverted,
            level_db=setting.level_change_db,
            gains_db=dict(zip(tried[0].room.equaliser.labels, gains.tolist(), strict=True)),
        )
        for place, setting, gains in each
    )
    return PlaceChoice.copied(
        together.after,
        settings=settings,
        output_db=together.output_db - loudest_db,
        worst_seat=worst_seat,
        worst_db=worst_db,
    )
