"""Mains beside a subwoofer that comes late and the wrong way round; a microphone at its cone.

Conventions
-----------
Lengths in m, frequencies in Hz, shape (F,), times in s. Time zero is when the signal leaves the
player (a loopback was taken out), for subwoofer and mains alike. Transfer functions are complex
amplitude ratios under the time convention ``exp(+j omega t)``. The chain, in order::

    mains = drive x high-pass x box x (room from the left + room from the right)
    sub   = as in `make_rooms`, x delay x polarity of the wiring
    close = sub without its room x (close to the cone + a little of the room)
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from modal_room import Point
from numpy.typing import NDArray
from signal_chain import butterworth_high_pass, closed_box, linkwitz_riley_high_pass

__all__ = [
    "Joined",
    "at_the_cone",
    "fault_notes",
    "late_and_miswired",
    "mains_chain",
    "mains_high_pass",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """What the calibrator does not know of mains and subwoofer.

    Attributes
    ----------
    left, right : tuple of float
        Places of the mains, m.
    mains_drive_db : float
        dB SPL that each of them would give at 1 m in a free field.
    mains_corner, mains_q : float
        Their closed boxes.
    late : float
        How much later than the mains the subwoofer's signal reaches its driver, s.
    miswired : bool
        Whether the driver moves inwards where the mains move outwards.
    cone_radius : float
        Of the subwoofer's driver, m.
    close_drive_db : float
        Change of drive while the microphone was close to the cone.
    """

    left: Point
    right: Point
    mains_drive_db: float
    mains_corner: float
    mains_q: float
    late: float
    miswired: bool
    cone_radius: float
    close_drive_db: float

    @property
    def close_place(self) -> tuple[float, float, float]:
        """Microphone against the subwoofer's place, m: 5 cm towards the room."""
        return (0.0, 0.05, 0.0)


def mains_high_pass(facts: Mapping[str, Any], frequencies: FloatArray) -> ComplexArray:
    """Return the high-pass filters of ``[[mains_path]]`` in a row."""
    designs = {"linkwitz_riley": linkwitz_riley_high_pass, "butterworth": butterworth_high_pass}
    response = np.ones(frequencies.shape, dtype=np.complex128)
    for stage in facts["mains_path"]:
        design = designs[stage["family"]]
        response *= design(frequencies, corner=stage["corner"], order=stage["order"])
    return response


def mains_chain(joined: Joined, facts: Mapping[str, Any], frequencies: FloatArray) -> ComplexArray:
    """Return drive, high-pass and box of one of the mains."""
    drive = 10.0 ** (joined.mains_drive_db / 20.0)
    box = closed_box(frequencies, corner=joined.mains_corner, q=joined.mains_q)
    return drive * mains_high_pass(facts, frequencies) * box


def late_and_miswired(joined: Joined, frequencies: FloatArray) -> ComplexArray:
    """Return what the digital box and the wires do to the subwoofer."""
    sign = -1.0 if joined.miswired else 1.0
    return np.asarray(sign * np.exp(-2j * np.pi * frequencies * joined.late))


def at_the_cone(joined: Joined, room: ComplexArray) -> ComplexArray:
    """Return the pressure close to the cone relative to free field at 1 m, shape (F,).

    On the axis of a piston of radius a in a wall, right before it, the pressure is 2/a times (in m)
    that at 1 m in half space, which is twice that in free field (D. B. Keele, "Low-frequency
    loudspeaker assessment by nearfield sound-pressure measurement", J. Audio Eng. Soc. 22 (1974)
    154-162). `room` is what the modes add there.
    """
    drive = 10.0 ** (joined.close_drive_db / 20.0)
    return np.asarray(drive * (4.0 / joined.cone_radius + room))


def fault_notes(joined: Joined, facts: Mapping[str, Any]) -> bytes:
    """Return what is wrong, as a table."""
    places = [stage["where"] for stage in facts["path"] if stage["kind"] == "low_pass"]
    lines = [
        "what,value",
        f"low-passes engaged,{' and '.join(places)}",
        f"subwoofer late by s,{joined.late:g}",
        f"subwoofer wired,{'inverted' if joined.miswired else 'normal'}",
        f"near field of the cone dB,{20.0 * math.log10(4.0 / joined.cone_radius):.2f}",
    ]
    return ("\n".join(lines) + "\n").encode()
