"""From a room to a plan: the one thin driver that runs the chain.

Conventions
-----------
Nothing here computes acoustics and nothing is written; figures come from `roomeq.optimiser`.
"""

from __future__ import annotations

import datetime

from roomeq.jobs.drive.bands import BandSearch, fit_room
from roomeq.jobs.propose_joined import proposal_of_joined, proposal_with_mains
from roomeq.jobs.propose_several import propose_several
from roomeq.jobs.proposed_plan import plan_of
from roomeq.optimiser.bands.fit import BandGainFit, ChosenGains
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.plan import Plan
from roomeq.room.room import Room, weighed_room


def propose(
    room: Room,
    *,
    best: bool = False,
    node_limit: int | None = None,
    keep_bands: bool = False,
    joined: JoiningRecord | None = None,
    chosen: ChosenGains | None = None,
    date: datetime.date | None = None,
    by: str | None = None,
) -> Plan:
    """Propose band gains for a room.

    Parameters
    ----------
    room : Room
        As read by `roomeq.importers.room.read_room`.
    best : bool
        Propose the best setting itself; by default one within 2 % of what it gains that moves
        fewer bands.
    node_limit : int, optional
        Most nodes of the search for the proof; the optimiser's default otherwise.
    keep_bands : bool
        Join subwoofer and mains only: bands and level stay as they are.
    joined : JoiningRecord, optional
        A joining found otherwise, as from levels alone; bands and level then stay.
    chosen : ChosenGains, optional
        Gains chosen otherwise, as for many rooms: they are judged only, no seat is left out.
    date : datetime.date, optional
        When the plan is made; today by default.
    by : str, optional
        Who makes it.

    Returns
    -------
    Plan

    Raises
    ------
    ValueError
        If nothing can be fitted, only the mains were measured, or of several subwoofers bands are
        to stay.
    """
    if room.source == "mains":
        raise ValueError("the subwoofer was not measured: add its files, with source = 'sub'")
    search = BandSearch(node_limit=node_limit, best=best, chosen=chosen, leave_out=chosen is None)
    if room.subwoofers:
        if keep_bands or joined is not None:
            raise ValueError(
                "delay, polarity, level and bands of several subwoofers are chosen together, none "
                "of them is kept: propose --plan keeps the plan of all"
            )
        return propose_several(room, search, date=date, by=by)
    as_measured = weighed_room(room)
    if joined is None:
        found = proposal_with_mains(as_measured, search, keep_bands=keep_bands)
    else:
        found = proposal_of_joined(as_measured, search, joined)
    return plan_of(found, given=room, date=date, by=by)


def fit_room_gains(
    room: Room, *, prove: bool = True, node_limit: int | None = None, leave_out: bool = True
) -> BandGainFit:
    """Choose band gains by what a room's file states, without the further checks of a plan.

    Doubtful recordings count less, as in `propose`. With ``dataclasses.replace`` a room takes other
    limits, or some of its seats only. What hangs on a wanted level (protective high-pass, headroom)
    or on the mains belongs to `propose` alone.

    Parameters
    ----------
    room : Room
    prove : bool
        Search until the gap to the proven bound is at most 0.05 dB, or the node limit.
    node_limit : int, optional
        Most nodes of the search.
    leave_out : bool
        Choose gains without each seat in turn as well, and judge them there.

    Returns
    -------
    BandGainFit

    Raises
    ------
    ValueError
        As `propose`.
    """
    search = BandSearch(prove=prove, node_limit=node_limit, leave_out=leave_out)
    return fit_room(weighed_room(room), search)
