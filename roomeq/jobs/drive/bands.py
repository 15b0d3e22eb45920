"""Band gains of a room, by what its file states: the one way from a room to the optimiser.

Conventions
-----------
Gains and levels in dB. Doubtful recordings are weighed before; nothing is weighed here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from roomeq.optimiser.bands.fit import BandGainFit, ChosenGains
from roomeq.optimiser.bands.fit_data import FitData, prepare_fit
from roomeq.optimiser.bands.gains import fit_band_gains
from roomeq.optimiser.bands.search import TIE_SHARE
from roomeq.optimiser.bands.task import BandGainTask
from roomeq.room.room import Room


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandSearch:
    """How band gains are searched, or that they were chosen otherwise.

    Attributes
    ----------
    prove, leave_out : bool
        As `roomeq.optimiser.bands.gains.fit_band_gains` takes them.
    node_limit : int or None
        Most nodes of the search.
    best : bool
        Whether the best setting is meant, not one within 2 % of it that moves fewer bands.
    keep_level : bool
        Whether the level stays: mains play along, and how their sum comes about is open. What keeps
        the loudness of the subwoofer alone would be a guess then.
    chosen : ChosenGains or None
        Gains that are judged only.
    """

    prove: bool = True
    node_limit: int | None = None
    leave_out: bool = True
    best: bool = False
    keep_level: bool = False
    chosen: ChosenGains | None = None


def room_data(room: Room) -> FitData:
    """Return what is corrected and what is excused in a room.

    Raises
    ------
    ValueError
        As `roomeq.optimiser.bands.fit_data.prepare_fit`.
    """
    return prepare_fit(
        room.survey,
        equaliser=room.equaliser,
        target=room.target,
        present_gains_db=room.present.gains_db,
        source=room.source,
        clear_of=room.clear_of,
    )


def band_task(room: Room) -> BandGainTask:
    """State the band-gain problem of the subwoofer alone in a room, for limits and a start."""
    return BandGainTask(
        data=room_data(room),
        equaliser=room.equaliser,
        target=room.target,
        limits=room.limits,
        loss=room.loss,
        corner=room.corner,
        present_gains_db=room.present.gains_db,
    )


def fit_room(room: Room, search: BandSearch) -> BandGainFit:
    """Fit the band gains of a room, or judge chosen ones.

    Raises
    ------
    ValueError
        As `roomeq.optimiser.bands.gains.fit_band_gains`.
    """
    found = fit_band_gains(
        room.survey,
        equaliser=room.equaliser,
        target=room.target,
        limits=room.limits,
        present_gains_db=room.present.gains_db,
        corner=room.corner,
        source=room.source,
        loss=room.loss,
        repeatability_db=room.repeatability_db,
        prove=search.prove,
        node_limit=search.node_limit,
        chosen=search.chosen,
        leave_out=search.leave_out,
        tie_share=0.0 if search.best else TIE_SHARE,
    )
    if search.keep_level and found.level_change_db:
        return fit_room(room, replace(search, chosen=ChosenGains(gains_db=found.gains_db)))
    return found
