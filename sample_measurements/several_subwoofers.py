"""Two subwoofers that each play alone, both together, and one carried from place to place.

Conventions
-----------
As in `room_pressures`. Time zero is when the signal leaves the player, for all of them. A subwoofer
is the room's own (box, decay, mains) with another place, drive, delay and wiring; what the
calibrator set on it stands under ``[subwoofers.present]``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from hidden_rooms import HiddenRoom, Several
from numpy.typing import NDArray
from room_pressures import present_band_gains, true_mains, true_pressure

__all__ = ["facts_of", "heard_alone", "played_by", "wiring_notes"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def facts_of(facts: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return the tables of a room file as if they were of one subwoofer alone."""
    own = next(one for one in facts["subwoofers"] if one["name"] == name)
    return {**facts, "device": {"present": own["present"]}}


def heard_alone(
    hidden: HiddenRoom,
    facts: Mapping[str, Any],
    frequencies: FloatArray,
    *,
    name: str,
    place: str | None = None,
) -> ComplexArray:
    """Return the pressure of one subwoofer at each seat, bands at 0 dB, shape (S, F), no noise."""
    assert hidden.several is not None
    one = hidden.several.subwoofers[name]
    source = one.source if place is None else hidden.several.tried[place]
    there = replace(hidden, source=source, drive_db=one.drive_db)
    sign = -1.0 if one.miswired else 1.0
    return sign * true_pressure(there, facts_of(facts, name), frequencies)


def played_by(
    hidden: HiddenRoom, facts: Mapping[str, Any], frequencies: FloatArray, entry: Mapping[str, Any]
) -> ComplexArray:
    """Return what was played for a measurement at each seat, shape (S, F), without noise."""
    if entry["source"] == "mains":
        return true_mains(hidden, facts, frequencies)
    assert hidden.several is not None
    name = entry["subwoofer"]
    names = list(hidden.several.subwoofers) if name == "all" else [name]
    parts = [
        heard_alone(hidden, facts, frequencies, name=one, place=entry.get("place"))
        * present_band_gains(facts_of(facts, one), frequencies)
        for one in names
    ]
    return np.asarray(np.sum(parts, axis=0))


def wiring_notes(several: Several) -> bytes:
    """Return how each is wired, as a table."""
    rows = [
        f"{name},{'inverted' if one.miswired else 'normal'},{one.drive_db:g}"
        for name, one in several.subwoofers.items()
    ]
    return ("\n".join(["subwoofer,wired,drive dB at 1 m", *rows]) + "\n").encode()
