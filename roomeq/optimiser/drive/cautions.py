"""What to be careful of before turning up: codes, with the figure and the band they speak of.

Conventions
-----------
Codes only; `roomeq.report.text.headroom` has the words. Values in dB unless the code says
otherwise. A load below the amplifier's minimum is no caution: `roomeq.device.amplifier` refuses it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import ThirdOctaveBand, logarithmic_axis
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.optimiser.drive.clean_drive import LARGEST_EXTRAPOLATION_DB
from roomeq.optimiser.drive.headroom import Headroom, Playback
from roomeq.optimiser.drive.protection import ProtectionChange, ProtectionChoice

__all__ = [
    "DriveCaution",
    "DriveNote",
    "boost_notes",
    "headroom_notes",
    "phase_change_deg",
    "protection_notes",
    "wiring_notes",
]

ALLOWED_BOOST_DB = 0.5
NOTICEABLE_TURN_DEG = 5.0


class DriveCaution(StrEnum):
    """What the reader should know before turning up or wiring."""

    BOOST_BELOW_HIGH_PASS = "boost_below_high_pass"
    BOOST_INTO_CANCELLATION = "boost_into_cancellation"
    DISTORTION_EXTRAPOLATED = "distortion_extrapolated"
    JOIN_AGAIN = "join_again"
    LEVEL_TOO_HIGH = "level_too_high"
    LICENSED_MAINS_WORK = "licensed_mains_work"
    MEASURING_VOLTAGE_UNKNOWN = "measuring_voltage_unknown"
    MINIMUM_IMPEDANCE_ASSUMED = "minimum_impedance_assumed"
    NEVER_LIFT_EARTH = "never_lift_earth"
    ROOM_GAIN_UNKNOWN = "room_gain_unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveNote:
    """A caution with what it speaks of.

    Attributes
    ----------
    code : DriveCaution
    value : float or None
        dB; degrees for "join_again", ohm for "minimum_impedance_assumed".
    frequency : float or None
        Hz.
    """

    code: DriveCaution
    value: float | None = None
    frequency: float | None = None


def boost_notes(
    equaliser: FixedBandEqualiser,
    gains_db: ArrayLike,
    *,
    high_pass: CrossoverFilter | None,
    cancelled: Iterable[ThirdOctaveBand] = (),
) -> tuple[DriveNote, ...]:
    """Return what is boosted although it must not be: below the high-pass, into cancellations.

    Parameters
    ----------
    equaliser : FixedBandEqualiser
    gains_db : array_like, shape (B,)
        Gain of every band, set or proposed.
    high_pass : CrossoverFilter or None
        Protective high-pass.
    cancelled : iterable of ThirdOctaveBand
        Bands in which the seats have a cancellation.

    Raises
    ------
    ValueError
        If a gain is off the device's grid.
    """
    gains = equaliser.checked_gains_db(gains_db)
    notes = []
    if high_pass is not None:
        axis = logarithmic_axis(min(5.0, 0.5 * high_pass.corner), high_pass.corner, per_octave=48)
        boost = equaliser.response_db(gains, axis)
        most = int(np.argmax(boost))
        if boost[most] > ALLOWED_BOOST_DB:
            notes.append(
                DriveNote(
                    code=DriveCaution.BOOST_BELOW_HIGH_PASS,
                    value=float(boost[most]),
                    frequency=float(axis[most]),
                )
            )
    for band in cancelled:
        boosted = float(equaliser.response_db(gains, [band.centre])[0])
        if boosted > ALLOWED_BOOST_DB:
            notes.append(
                DriveNote(
                    code=DriveCaution.BOOST_INTO_CANCELLATION, value=boosted, frequency=band.centre
                )
            )
    return tuple(notes)


def headroom_notes(headroom: Headroom, *, playback: Playback) -> tuple[DriveNote, ...]:
    """Return what the figures of a headroom leave open or warn of.

    Parameters
    ----------
    headroom : Headroom
    playback : Playback
        What it was estimated with.
    """
    notes = []
    first = headroom.first
    if first is not None and first.least_db is not None and first.least_db < -0.05:
        notes.append(
            DriveNote(
                code=DriveCaution.LEVEL_TOO_HIGH,
                value=-first.least_db,
                frequency=first.band.centre,
            )
        )
    risen = [entry for entry in headroom.bands if entry.distortion_db is not None]
    if risen:
        most = max(risen, key=lambda entry: entry.rise_db)
        if most.rise_db > LARGEST_EXTRAPOLATION_DB:
            notes.append(
                DriveNote(
                    code=DriveCaution.DISTORTION_EXTRAPOLATED,
                    value=most.rise_db,
                    frequency=most.band.centre,
                )
            )
    if playback.amplifier is not None and playback.measuring_voltages is None:
        notes.append(DriveNote(code=DriveCaution.MEASURING_VOLTAGE_UNKNOWN))
    if not headroom.room_gain_known:
        notes.append(DriveNote(code=DriveCaution.ROOM_GAIN_UNKNOWN))
    return tuple(notes)


def phase_change_deg(
    before: CrossoverFilter | None, after: CrossoverFilter | None, *, frequency: float
) -> float:
    """Return by how much another high-pass turns the phase at a frequency, in degrees.

    Positive is lead. What turns the phase at the crossover asks for joining anew.
    """
    turned = complex(1.0)
    if after is not None:
        turned *= complex(after.response([frequency])[0])
    if before is not None:
        turned /= complex(before.response([frequency])[0])
    return math.degrees(math.atan2(turned.imag, turned.real))


def protection_notes(choice: ProtectionChoice, *, crossover: float | None) -> tuple[DriveNote, ...]:
    """Return what a changed high-pass asks for: joining anew where it turns the phase.

    Parameters
    ----------
    choice : ProtectionChoice
    crossover : float or None
        Crossover corner in Hz.
    """
    if crossover is None or choice.change is ProtectionChange.KEPT:
        return ()
    turn = phase_change_deg(choice.present, choice.high_pass, frequency=crossover)
    if abs(turn) <= NOTICEABLE_TURN_DEG:
        return ()
    return (DriveNote(code=DriveCaution.JOIN_AGAIN, value=turn, frequency=crossover),)


def wiring_notes(*, playback: Playback | None = None, hum: bool = False) -> tuple[DriveNote, ...]:
    """Return the cautions that belong where amplifiers and loads are connected, or hum is heard.

    Parameters
    ----------
    playback : Playback, optional
    hum : bool
        Whether a recording holds hum.
    """
    notes = []
    if playback is not None and playback.load is not None and playback.load.minimum_assumed:
        notes.append(
            DriveNote(code=DriveCaution.MINIMUM_IMPEDANCE_ASSUMED, value=playback.load.minimum_ohm)
        )
    if playback is not None and playback.amplifier is not None:
        notes.append(DriveNote(code=DriveCaution.LICENSED_MAINS_WORK))
    if hum:
        notes.append(DriveNote(code=DriveCaution.NEVER_LIFT_EARTH))
    return tuple(notes)
