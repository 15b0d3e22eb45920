"""Verification of several subwoofers: what is stated of each is not what the plan sets on it.

Conventions
-----------
As in `roomeq.jobs.verify`. Of one that is fed by another, bands, level and delay are stated
there.
"""

from __future__ import annotations

from collections.abc import Iterator

from roomeq.device.processor import Polarity
from roomeq.jobs.verifying.agreement import planned_db, stated_otherwise, told_otherwise
from roomeq.plan.plan import Plan
from roomeq.plan.verification import StatedJoiningSetting, StatedSetting
from roomeq.room.room import Joined, Room


def gains_stated_otherwise(plan: Plan, room: Room) -> Iterator[StatedSetting]:
    """Yield the gains and levels of each that are stated to be others than planned."""
    for one in room.subwoofers:
        if one.name in plan.subwoofers and one.fed_by is None:
            planned = planned_db(plan.subwoofers[one.name])
            yield from stated_otherwise(planned, one.room.stated_db, subwoofer=one.name)


def others_stated_otherwise(plan: Plan, room: Room) -> Iterator[StatedJoiningSetting]:
    """Yield other subwoofers than planned, then of each what feeds it, delay, polarity and phase.

    Nothing where they were measured again as one.
    """
    names = [tuple(plan.subwoofers), tuple(one.name for one in room.subwoofers)]
    if all(names) and set(names[0]) != set(names[1]):
        planned, stated = (" and ".join(sorted(of)) for of in names)
        yield StatedJoiningSetting(label="subwoofers", planned=planned, stated=stated)
    for one in room.subwoofers:
        part = plan.subwoofers.get(one.name)
        if part is None or part.set_together is None:
            continue
        own = part.set_together
        set_to: Joined = {
            "fed_by": own.fed_by or "none",
            "delay_ms": own.delay_ms if one.fed_by is None else None,
            "polarity": Polarity[own.inverted],
            "phase_deg": None if part.present is None else part.present.phase_deg,
        }
        now: Joined = {"fed_by": one.fed_by or "none", **one.room.joined_by}
        yield from told_otherwise(set_to, now, before=part.present, subwoofer=one.name)
