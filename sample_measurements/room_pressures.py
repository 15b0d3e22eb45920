"""Pressures in the sample rooms, without noise: of the subwoofer, the mains, close to the cone.

Conventions
-----------
Lengths in m, frequencies in Hz, shape (F,). A pressure is in units of 20 micropascals, so that
20 lg of it is dB SPL; seats come first, shape (S, F). What the calibrator of a room knows (`facts`)
are the tables of its ``room.toml``; what only we know is a `hidden_rooms.HiddenRoom`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from hidden_rooms import HiddenRoom
from joined_rooms import at_the_cone, late_and_miswired, mains_chain
from modal_room import Point, pressure_transfer, speed_of_sound
from numpy.typing import NDArray
from signal_chain import (
    butterworth_low_pass,
    closed_box,
    equaliser_bands,
    linkwitz_riley_low_pass,
    microphone_response,
)

__all__ = [
    "DECAY_AT",
    "NINE_BANDS",
    "close_pressure",
    "exact_centre",
    "low_pass",
    "microphone",
    "present_band_gains",
    "room_transfer",
    "subwoofer_chain",
    "true_mains",
    "true_pressure",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

DECAY_AT = (25.0, 50.0, 100.0, 200.0)
NINE_BANDS = ("20", "25", "31.5", "40", "50", "63", "80", "100", "125")


def exact_centre(nominal: str) -> float:
    """Return the exact mid-band frequency of a third-octave band (IEC 61260-1, base ten)."""
    return float(10.0 ** (round(10.0 * math.log10(float(nominal))) / 10.0))


def low_pass(facts: Mapping[str, Any], frequencies: FloatArray) -> ComplexArray:
    """Return the low-pass filters of ``[[path]]`` in a row."""
    designs = {"linkwitz_riley": linkwitz_riley_low_pass, "butterworth": butterworth_low_pass}
    response = np.ones(frequencies.shape, dtype=np.complex128)
    for stage in facts["path"]:
        design = designs[stage["family"]]
        response *= design(frequencies, corner=stage["corner"], order=stage["order"])
    return response


def present_band_gains(facts: Mapping[str, Any], frequencies: FloatArray) -> ComplexArray:
    """Return the band gains in force: third-octave Q at the exact mid-bands (IEC 61260-1)."""
    stated = facts["device"]["present"]["gains_db"]
    if isinstance(stated, list):
        stated = dict(zip(NINE_BANDS, stated, strict=True))
    exact = {exact_centre(nominal): gain for nominal, gain in stated.items() if gain}
    return equaliser_bands(frequencies, gains_db=exact, q=4.318)


def room_transfer(
    hidden: HiddenRoom, facts: Mapping[str, Any], source: Point, frequencies: FloatArray
) -> ComplexArray:
    """Return the pressure at each seat relative to free field at 1 m, shape (S, F)."""
    room = facts["room"]
    return pressure_transfer(
        (room["length"], room["width"], room["height"]),
        source,
        list(hidden.places.values()),
        frequencies,
        decay_time=lambda resonances: np.interp(resonances, DECAY_AT, hidden.decay),
        speed_of_sound=speed_of_sound(room["temperature"]),
        highest_mode=500.0,
    )


def subwoofer_chain(
    hidden: HiddenRoom, facts: Mapping[str, Any], frequencies: FloatArray
) -> ComplexArray:
    """Return all that stands between the signal and the room, band gains at 0 dB, shape (F,)."""
    present = facts["device"]["present"]
    drive_db = hidden.drive_db + present["level_db"]
    sign = -1.0 if present["polarity"] == "inverted" else 1.0
    chain = sign * 10.0 ** (drive_db / 20.0) * low_pass(facts, frequencies)
    chain *= closed_box(frequencies, corner=hidden.box_corner, q=hidden.box_q)
    if hidden.joined is not None:
        chain *= late_and_miswired(hidden.joined, frequencies)
    return np.asarray(chain)


def true_pressure(
    hidden: HiddenRoom, facts: Mapping[str, Any], frequencies: FloatArray
) -> ComplexArray:
    """Return the pressure at each seat, band gains at 0 dB, shape (S, F), without noise."""
    chain = subwoofer_chain(hidden, facts, frequencies)
    return np.asarray(chain * room_transfer(hidden, facts, hidden.source, frequencies))


def true_mains(
    hidden: HiddenRoom, facts: Mapping[str, Any], frequencies: FloatArray
) -> ComplexArray:
    """Return the pressure of both mains at each seat, shape (S, F), without noise."""
    joined = hidden.joined
    assert joined is not None
    both = [room_transfer(hidden, facts, at, frequencies) for at in (joined.left, joined.right)]
    return np.asarray(mains_chain(joined, facts, frequencies) * (both[0] + both[1]))


def close_pressure(
    hidden: HiddenRoom, facts: Mapping[str, Any], frequencies: FloatArray
) -> ComplexArray:
    """Return the pressure close to the cone, shape (F,), without noise."""
    joined = hidden.joined
    assert joined is not None
    place = tuple(at + by for at, by in zip(hidden.source, joined.close_place, strict=True))
    there = replace(hidden, places={"cone": (place[0], place[1], place[2])})
    room = room_transfer(there, facts, hidden.source, frequencies)[0]
    chain = subwoofer_chain(hidden, facts, frequencies)
    return np.asarray(chain * at_the_cone(joined, room))


def microphone(hidden: HiddenRoom, frequencies: FloatArray) -> ComplexArray:
    """Return the microphone's response, 1 at 1 kHz."""
    if hidden.microphone is None:
        return np.ones(frequencies.shape, dtype=np.complex128)
    response = microphone_response(frequencies, **hidden.microphone)
    return response / np.abs(microphone_response(np.array([1000.0]), **hidden.microphone))
