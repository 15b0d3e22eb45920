"""Records of drive in a plan: what went in comes out, whatever of it is known."""

import msgspec
import numpy as np
import pytest
from places import SAVED_PLANS

from roomeq.base.bands import third_octave_bands
from roomeq.device.amplifier import Amplifier, Load, PowerRating
from roomeq.device.crossover import HighPass
from roomeq.device.driver import ClosedBox
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.importers.text.band_table import output_table_from_levels
from roomeq.optimiser.drive.demand import estimate_extra_drive
from roomeq.optimiser.drive.headroom import estimate_headroom
from roomeq.optimiser.drive.protection import (
    ProtectionCandidate,
    ProtectionChange,
    ProtectionChoice,
    ProtectionReason,
)
from roomeq.plan.plan import read_plan
from roomeq.plan.records import HeadroomRecord
from roomeq.room.equipment import Equipment, WantedLevel

BANDS = third_octave_bands(20, 40)
HIGH_PASS = HighPass(family="butterworth", order=2, corner=20.0)


def kept(record):
    """The record as it comes back from a file."""
    return msgspec.json.decode(msgspec.json.encode(record), type=type(record))


def playback(**others):
    return Equipment(
        amplifier=Amplifier(
            ratings=(
                PowerRating(power_w=200.0, load_ohm=8.0),
                PowerRating(power_w=350.0, load_ohm=4.0),
            ),
            minimum_load_ohm=3.0,
        ),
        load=Load(driver_nominal_ohm=4.0, in_series=2, in_parallel=2, driver_minimum_ohm=3.4),
        **others,
    )


def headroom(play, *, voltages=None):
    wanted = np.array([90.0, 92.0, 94.0, 95.0])
    return estimate_headroom(
        BANDS,
        wanted_db=wanted,
        rise_db=np.array([12.0, 16.0, 11.0, 14.0]),
        reached_db=np.array([88.0, 93.0, 94.5, 95.2]),
        equipment=play,
        voltages=voltages,
        asked_db=wanted + 20.0 * np.log10(3.0),
    )


@pytest.mark.parametrize("known", [True, False])
def test_headroom_comes_back(known):
    output = output_table_from_levels(
        {"20": 95.0, "31.5": 107.0}, edition="CTA-2010-B", distance=1.0, detector="peak"
    )
    play = playback(output=output) if known else Equipment()
    found = headroom(play, voltages=np.array([1.0, 1.5, 2.0, 2.1]) if known else None)
    record = HeadroomRecord.of(
        found,
        equipment=play,
        wanted=WantedLevel(spl_db=95.0, main_seat="sofa", drive_limit="headroom"),
        drive_limits_db=[1.0, 2.0, 3.0, 4.0],
        quieter_db=1.5,
    )
    again = kept(record)
    assert again == record
    assert again.headroom() == found
    back = again.equipment()
    assert (back.amplifier, back.load) == (play.amplifier, play.load)
    assert again.rated_voltage == play.rated_voltage
    assert again.first == (None if found.first is None else found.first.band.label)
    assert (again.first is not None) == known
    for row, entry in zip(again.bands, found.bands, strict=True):
        assert (row.limit, row.left_db) == (entry.limit, entry.left_db)
    assert (again.main_seat, again.drive_limit, again.quieter_db) == ("sofa", "headroom", 1.5)
    assert again.output == (str(output) if known else None)
    assert again.drive_limit_at_db("25") == 2.0
    assert again.drive_limit_at_db("100") is None


@pytest.mark.parametrize("band", ["31.5", None])
@pytest.mark.parametrize("high_pass", [HIGH_PASS, None])
def test_choice_comes_back(band, high_pass):
    choice = ProtectionChoice(
        high_pass=high_pass,
        present=HIGH_PASS,
        change=ProtectionChange.WEAKENED,
        reason=ProtectionReason.CLEAN_TO_SPARE,
        band=band,
        value_db=1.5,
        unrelieved=band,
        unrelieved_db=None if band is None else 0.5,
        candidates=(
            ProtectionCandidate(high_pass=HIGH_PASS, weaker=False, loss_db=1.0, shortage_db=0.2),
            ProtectionCandidate(
                high_pass=None,
                weaker=True,
                loss_db=0.0,
                shortage_db=1.2,
                refused=ProtectionReason.NOT_ASSURED,
                refused_at=20.0,
            ),
        ),
    )
    record = kept(choice)
    assert record == choice
    assert record.changes
    unchanged = msgspec.structs.replace(record, change=ProtectionChange.KEPT)
    assert not unchanged.changes
    plan = read_plan(SAVED_PLANS / "format_2.json")
    for one in (record, unchanged):
        assert msgspec.structs.replace(plan, protection=one).moves_high_pass is one.changes


def test_extra_drive_comes_back():
    equaliser = FixedBandEqualiser(
        bands=BANDS, lowest_db=-6.0, highest_db=6.0, step_db=0.5, q_law=QLaw.constant(4.318)
    )
    for box in (None, ClosedBox(resonance=35.0, q=0.7)):
        extras = estimate_extra_drive(equaliser, [1.0, -2.0, 0.0, 3.0], box=box)
        assert tuple(kept(extra) for extra in extras) == extras
