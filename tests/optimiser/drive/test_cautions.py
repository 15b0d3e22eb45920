"""Cautions before turning up: what raises each, and the phase of scipy's filters."""

import numpy as np
import pytest
import scipy.signal
from headroom_rooms import distortion_of

from roomeq.base.bands import third_octave_band, third_octave_bands
from roomeq.base.cautions import CautionCode
from roomeq.device.amplifier import Amplifier, Load, PowerRating
from roomeq.device.crossover import CrossoverFilter, HighPass
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.device.output_table import OutputTable
from roomeq.jobs.drive.headroom import (
    boost_notes,
    headroom_notes,
    protection_notes,
    wiring_notes,
)
from roomeq.optimiser.drive.headroom import estimate_headroom
from roomeq.optimiser.drive.protection import ProtectionChange, ProtectionChoice, ProtectionReason
from roomeq.room.equipment import Equipment

BANDS = third_octave_bands(20, 125)
EQUALISER = FixedBandEqualiser(
    bands=BANDS, lowest_db=-12.0, highest_db=6.0, step_db=0.5, q_law=QLaw.constant(4.318)
)
AMPLIFIER = Amplifier(ratings=(PowerRating(power_w=200.0, load_ohm=4.0),))


def high_pass(corner, order=2):
    return CrossoverFilter(
        kind="high_pass", family="butterworth", order=order, corner=float(corner)
    )


def codes(notes):
    return [note.code for note in notes]


def test_a_boost_below_the_high_pass_is_named():
    gains = np.zeros(9)
    gains[0] = 3.0
    (note,) = boost_notes(EQUALISER, gains, high_pass=high_pass(25))
    assert note.code is CautionCode.BOOST_BELOW_HIGH_PASS
    assert note.value == pytest.approx(3.0, abs=0.02)
    assert note.frequency == pytest.approx(19.953, rel=0.02)
    assert [*boost_notes(EQUALISER, gains, high_pass=None)] == []
    assert [*boost_notes(EQUALISER, -gains, high_pass=high_pass(25))] == []
    # the skirt of a boost well above the corner stays below half a decibel there
    skirt = np.zeros(9)
    skirt[3] = 3.0
    assert [*boost_notes(EQUALISER, skirt, high_pass=high_pass(20))] == []


def test_a_boost_into_a_cancellation_is_named():
    gains = np.zeros(9)
    gains[4] = 4.0
    cancelled = (third_octave_band(50.0), third_octave_band(80.0))
    (note,) = boost_notes(EQUALISER, gains, high_pass=high_pass(20), cancelled=cancelled)
    assert note.code is CautionCode.BOOST_INTO_CANCELLATION
    assert note.frequency == pytest.approx(50.12, abs=0.01)
    assert note.value == pytest.approx(4.0, abs=0.01)
    with pytest.raises(ValueError, match="needs 9 gains"):
        list(boost_notes(EQUALISER, [1.0], high_pass=None))


def demand(rise_db):
    flat = np.full(9, 100.0)
    rise = np.full(9, rise_db)
    return {"bands": BANDS, "wanted_db": flat, "rise_db": rise, "reached_db": flat}


def test_a_level_beyond_the_amplifier():
    # 1 V and 30 dB are 31.6 V; 200 W into 4 ohm are 28.3 V: 0.97 dB too much
    play = Equipment(
        amplifier=AMPLIFIER,
        load=Load(driver_nominal_ohm=4.0),
        measuring_voltage=1.0,
        measuring_frequency=50.0,
    )

    def notes(rise_db):
        found = estimate_headroom(**demand(rise_db), equipment=play, voltages=np.ones(9))
        return tuple(headroom_notes(found, equipment=play))

    (note,) = notes(30.0)
    assert note.code is CautionCode.LEVEL_TOO_HIGH
    assert note.value == pytest.approx(0.969, abs=1e-3)
    assert notes(20.0) == ()


def test_an_unknown_measuring_voltage_and_room_gain():
    table = OutputTable(
        bands=BANDS,
        level_db=np.full(9, 110.0),
        edition="CEA-2010-A",
        distance=1.0,
        detector="rms",
    )
    play = Equipment(amplifier=AMPLIFIER, load=Load(driver_nominal_ohm=4.0), output=table)
    found = estimate_headroom(**demand(20.0), equipment=play, asked_db=np.full(9, 100.0))
    assert codes(headroom_notes(found, equipment=play)) == [
        CautionCode.MEASURING_VOLTAGE_UNKNOWN,
        CautionCode.ROOM_GAIN_UNKNOWN,
    ]


@pytest.mark.parametrize(("rise_db", "said"), [(5.0, False), (7.0, True)])
def test_distortion_far_above_the_sweep_is_a_guess(rise_db, said):
    evidence = distortion_of(np.geomspace(17.0, 150.0, 120), -80.0, level_db=0.0)
    found = estimate_headroom(**demand(rise_db), distortion=evidence)
    notes = headroom_notes(found, equipment=Equipment())
    assert codes(notes) == [CautionCode.DISTORTION_EXTRAPOLATED] * said


def test_wiring():
    load = Load(driver_nominal_ohm=8.0, in_parallel=2)
    play = Equipment(amplifier=AMPLIFIER, load=load)
    assumed, mains = wiring_notes(play)
    assert assumed.code is CautionCode.MINIMUM_IMPEDANCE_ASSUMED
    assert assumed.value == pytest.approx(3.2)  # 0.8 times 4 ohm: common practice, no source
    assert mains.code is CautionCode.LICENSED_MAINS_WORK
    measured = Equipment(load=Load(driver_nominal_ohm=8.0, driver_minimum_ohm=6.5))
    assert list(wiring_notes(measured)) == []
    assert codes(wiring_notes(Equipment(), hum=True)) == [CautionCode.NEVER_LIFT_EARTH]


def choice(before, after, change):
    return ProtectionChoice(
        high_pass=HighPass.of(after),
        present=HighPass.of(before),
        change=change,
        reason=ProtectionReason.RELIEF_NEEDED,
    )


def phase_at_80(corner):
    """Phase of a high-pass of second order at 80 Hz by scipy, in degrees."""
    b, a = scipy.signal.butter(2, 2 * np.pi * corner, "highpass", analog=True)
    return np.degrees(np.angle(scipy.signal.freqs(b, a, worN=[2 * np.pi * 80])[1][0]))


def test_another_high_pass_asks_for_joining_anew():
    stronger = choice(high_pass(16), high_pass(25), ProtectionChange.STRENGTHENED)
    (note,) = protection_notes(stronger, crossover=80.0)
    assert note.code is CautionCode.JOIN_AGAIN
    assert note.value == pytest.approx(phase_at_80(25) - phase_at_80(16), abs=1e-9)
    assert note.value > 5.0
    off = choice(None, high_pass(25), ProtectionChange.STRENGTHENED)
    (note,) = protection_notes(off, crossover=80.0)
    assert note.value == pytest.approx(phase_at_80(25))
    off = choice(high_pass(25), None, ProtectionChange.SWITCHED_OFF)
    (note,) = protection_notes(off, crossover=80.0)
    assert note.value == pytest.approx(-phase_at_80(25))
    assert list(protection_notes(stronger, crossover=None)) == []
    assert list(protection_notes(stronger, crossover=400.0)) == []
    kept = choice(high_pass(16), high_pass(16), ProtectionChange.KEPT)
    assert list(protection_notes(kept, crossover=80.0)) == []
