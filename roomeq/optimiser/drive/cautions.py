"""What to be careful of before turning up: codes, with the figure and the band they speak of.

Conventions
-----------
Codes only; `roomeq.report.text.headroom` has the words. Values in dB; degrees for "join_again", ohm
for "minimum_impedance_assumed". A load below the amplifier's minimum is no caution:
`roomeq.device.amplifier` refuses it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import ThirdOctaveBand, logarithmic_axis
from roomeq.base.cautions import Caution, CautionCode
from roomeq.device.crossover import CrossoverFilter, filter_of
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.optimiser.drive.demand import LARGEST_EXTRAPOLATION_DB
from roomeq.optimiser.drive.headroom import Headroom
from roomeq.optimiser.drive.protection import ProtectionChoice
from roomeq.room.equipment import Equipment

ALLOWED_BOOST_DB = 0.5
NOTICEABLE_TURN_DEG = 5.0


def boost_notes(
    equaliser: FixedBandEqualiser,
    gains_db: ArrayLike,
    *,
    high_pass: CrossoverFilter | None,
    cancelled: Iterable[ThirdOctaveBand] = (),
) -> tuple[Caution, ...]:
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
        notes.append((CautionCode.BOOST_BELOW_HIGH_PASS, float(boost[most]), float(axis[most])))
    for band in cancelled:
        boosted = float(equaliser.response_db(gains, [band.centre])[0])
        notes.append((CautionCode.BOOST_INTO_CANCELLATION, boosted, band.centre))
    return tuple(
        Caution(code=code, value=boosted, frequency=frequency)
        for code, boosted, frequency in notes
        if boosted > ALLOWED_BOOST_DB
    )


def headroom_notes(headroom: Headroom, *, equipment: Equipment) -> tuple[Caution, ...]:
    """Return what the figures of a headroom leave open or warn of.

    Parameters
    ----------
    headroom : Headroom
    equipment : Equipment
        What it was estimated with.
    """
    notes = []
    first = headroom.first
    if first is not None and first.left_db is not None and first.left_db < -0.05:
        code, centre = CautionCode.LEVEL_TOO_HIGH, first.band.centre
        notes.append(Caution(code=code, value=-first.left_db, frequency=centre))
    risen = [entry for entry in headroom.bands if entry.distortion_db is not None]
    most = max(risen, key=lambda entry: entry.rise_db, default=None)
    if most is not None and most.rise_db > LARGEST_EXTRAPOLATION_DB:
        code, centre = CautionCode.DISTORTION_EXTRAPOLATED, most.band.centre
        notes.append(Caution(code=code, value=most.rise_db, frequency=centre))
    if equipment.amplifier is not None and equipment.measuring_voltage is None:
        notes.append(Caution(code=CautionCode.MEASURING_VOLTAGE_UNKNOWN))
    if not headroom.room_gain_known:
        notes.append(Caution(code=CautionCode.ROOM_GAIN_UNKNOWN))
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


def protection_notes(choice: ProtectionChoice, *, crossover: float | None) -> tuple[Caution, ...]:
    """Return what a changed high-pass asks for: joining anew where it turns the phase.

    Parameters
    ----------
    choice : ProtectionChoice
    crossover : float or None
        Crossover corner in Hz.
    """
    if crossover is None or not choice.changes:
        return ()
    before, after = filter_of(choice.present), filter_of(choice.high_pass)
    turn = phase_change_deg(before, after, frequency=crossover)
    if abs(turn) <= NOTICEABLE_TURN_DEG:
        return ()
    return (Caution(code=CautionCode.JOIN_AGAIN, value=turn, frequency=crossover),)


def wiring_notes(equipment: Equipment, *, hum: bool = False) -> tuple[Caution, ...]:
    """Return the cautions that belong where amplifiers and loads are connected, or hum is heard.

    Parameters
    ----------
    equipment : Equipment
    hum : bool
        Whether a recording holds hum.
    """
    notes = []
    if equipment.load is not None and equipment.load.minimum_assumed:
        code = CautionCode.MINIMUM_IMPEDANCE_ASSUMED
        notes.append(Caution(code=code, value=equipment.load.minimum_ohm))
    if equipment.amplifier is not None:
        notes.append(Caution(code=CautionCode.LICENSED_MAINS_WORK))
    if hum:
        notes.append(Caution(code=CautionCode.NEVER_LIFT_EARTH))
    return tuple(notes)
