"""Headroom and protection in words: no code without words, no number that is not there."""

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from headroom_rooms import distortion_of

from roomeq.base.bands import third_octave_band, third_octave_bands
from roomeq.base.cautions import Caution, CautionCode
from roomeq.device.amplifier import Amplifier, Load, PowerRating
from roomeq.device.crossover import HighPass
from roomeq.device.driver import ClosedBox, Driver
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.importers.text.band_table import output_table_from_levels
from roomeq.optimiser.drive.demand import estimate_extra_drive
from roomeq.optimiser.drive.headroom import HeadroomLimit, estimate_headroom
from roomeq.optimiser.drive.protection import (
    ProtectionCandidate,
    ProtectionChange,
    ProtectionChoice,
    ProtectionReason,
)
from roomeq.plan.records import HeadroomRecord
from roomeq.report.text.headroom import (
    LIMITS,
    extra_drive_lines,
    headroom_lines,
    protection_lines,
    refusal_text,
)
from roomeq.report.text.layout import WIDTH, text_of
from roomeq.report.text.wording import caution_text
from roomeq.room.equipment import Equipment, WantedLevel

BANDS = third_octave_bands(20, 40)
BOX = ClosedBox(resonance=35.0, q=0.7)
HIGH_PASS = HighPass(family="butterworth", order=2, corner=20.0)
REFUSALS = (
    ProtectionReason.NO_EVIDENCE,
    ProtectionReason.NO_EVIDENCE_THERE,
    ProtectionReason.BOX_UNKNOWN,
    ProtectionReason.NOT_ASSURED,
    ProtectionReason.MOVES_TOO_FAR_BELOW,
    ProtectionReason.VENTED_BOX,
)

DRIVE = (
    *(CautionCode.BOOST_BELOW_HIGH_PASS, CautionCode.BOOST_INTO_CANCELLATION),
    *(CautionCode.DISTORTION_EXTRAPOLATED, CautionCode.HIGH_PASS_FIRST, CautionCode.JOIN_AGAIN),
    *(CautionCode.LEVEL_TOO_HIGH, CautionCode.LICENSED_MAINS_WORK),
    *(CautionCode.MEASURING_VOLTAGE_UNKNOWN, CautionCode.MINIMUM_IMPEDANCE_ASSUMED),
    *(CautionCode.NEVER_LIFT_EARTH, CautionCode.ROOM_GAIN_UNKNOWN),
)


def demand(rise_db=20.0):
    flat = np.full(4, 100.0)
    rise = np.full(4, rise_db)
    return {"bands": BANDS, "wanted_db": flat, "rise_db": rise, "reached_db": flat}


def laid_out(part):
    return text_of(part).splitlines()


def lines_of(headroom, *, equipment=None, output=None, quieter_db=0.0):
    record = HeadroomRecord.of(
        headroom,
        equipment=replace(equipment or Equipment(), output=output),
        wanted=WantedLevel(spl_db=100.0, main_seat="sofa"),
        drive_limits_db=[6.0] * len(headroom.bands),
        quieter_db=quieter_db,
    )
    return laid_out(headroom_lines(record))


def protection_text(choice, **options):
    return " ".join(text_of(protection_lines(choice, **options)).split())


def playback(**others):
    return Equipment(
        amplifier=Amplifier(ratings=(PowerRating(power_w=200.0, load_ohm=4.0),)),
        load=Load(driver_nominal_ohm=8.0, in_parallel=2),
        **others,
    )


@pytest.mark.parametrize("code", DRIVE)
def test_every_caution_has_words(code):
    assert len(caution_text(Caution(code=code, value=3.0, frequency=20.0))) > 40
    assert "None" not in caution_text(Caution(code=code))


def test_safety_says_what_it_must():
    hum = caution_text(Caution(code=CautionCode.NEVER_LIFT_EARTH))
    assert "never cured by lifting the protective earth" in hum
    mains = caution_text(Caution(code=CautionCode.LICENSED_MAINS_WORK))
    assert "licensed people under local codes" in mains


@pytest.mark.parametrize("limit", list(HeadroomLimit))
def test_every_limit_has_words(limit):
    assert LIMITS[limit]


@pytest.mark.parametrize(
    ("reason", "change"), list(itertools.product(ProtectionReason, ProtectionChange))
)
def test_every_reason_and_change_has_words(reason, change):
    choice = ProtectionChoice(
        high_pass=None if change is ProtectionChange.SWITCHED_OFF else HIGH_PASS,
        present=HIGH_PASS,
        change=change,
        reason=reason,
        band="20",
        value_db=3.0,
    )
    lines = laid_out(protection_lines(choice))
    assert lines[0].startswith("  Protective high-pass: ")
    assert all(len(line) <= WIDTH for line in lines)
    assert "None" not in " ".join(lines)


def test_every_refusal_has_words():
    for reason in REFUSALS:
        entry = ProtectionCandidate(
            high_pass=None, weaker=True, loss_db=0.0, shortage_db=0.0, refused=reason,
            refused_at=20.0,
        )  # fmt: skip
        assert refusal_text(entry)
    free = ProtectionCandidate(high_pass=None, weaker=False, loss_db=0.0, shortage_db=0.0)
    assert refusal_text(free) == ""


def test_protection_says_the_setting_the_cause_and_what_is_lacking():
    after = HighPass(family="butterworth", order=4, corner=25.0)
    choice = ProtectionChoice(
        high_pass=after,
        present=HIGH_PASS,
        change=ProtectionChange.STRENGTHENED,
        reason=ProtectionReason.RELIEF_NEEDED,
        band="20",
        value_db=4.2,
        unrelieved="20",
        unrelieved_db=1.3,
        candidates=(
            ProtectionCandidate(
                high_pass=None,
                weaker=True,
                loss_db=0.0,
                shortage_db=9.0,
                refused=ProtectionReason.NO_EVIDENCE,
            ),
        ),
    )
    text = protection_text(choice)
    assert "set it to Butterworth 24 dB/oct at 25 Hz (now Butterworth 12 dB/oct at 20 Hz)" in text
    assert "the driver lacks 4.2 dB at 20 Hz" in text
    assert "1.3 dB are still lacking at 20 Hz" in text
    assert "off" in text
    assert "neither distortion nor output data" in text
    assert "neither distortion" not in protection_text(choice, detail=False)
    # a plan that stays 2 dB below the wanted level lacks nothing: that is said, once
    below = protection_text(choice, quieter_db=2.0, detail=False)
    assert below.endswith(
        "lacks 4.2 dB at 20 Hz, at the full wanted level; the plan stays 2.0 dB below it."
    )
    part = protection_text(choice, quieter_db=1.0, detail=False)
    assert "0.3 dB are still lacking" in part


def test_headroom_table_shows_only_what_is_known():
    driver = Driver(box=BOX, piston_area_m2=0.05, largest_displacement=0.012, sensitivity_db=91.0)
    play = playback(driver=driver)
    found = estimate_headroom(**demand(), equipment=play, voltages=np.ones(4))
    lines = lines_of(found, equipment=play)
    text = "\n".join(lines)
    assert all(len(line) <= WIDTH for line in lines)
    assert "10.0  25" in text  # V and W of 20 dB above 1 V into 4 ohm
    assert "Headroom at the wanted level" in text
    assert re.search(r"What runs out first: [\w ]+ at 20 Hz, with \d+\.\d dB to spare\.", text)
    # 4 ohm from two of 8: 28.3 V, 200 W; at 3.2 ohm 250 W and 8.8 A
    assert "28.3 V, 200 W" in text
    joined = " ".join(text.split())
    assert "(3.20 ohm, taken for 0.8 times nominal) that is 250 W and 8.8 A" in joined
    blank = "\n".join(lines_of(estimate_headroom(**demand())))
    assert "What runs out first is not known" in blank
    titles = next(line for line in blank.splitlines() if "Reached" in line)
    assert " V " not in titles
    assert "mm" not in titles


def test_headroom_that_is_none_says_how_much_is_short():
    play = playback()
    found = estimate_headroom(**demand(32.0), equipment=play, voltages=np.ones(4))
    text = "\n".join(lines_of(found, equipment=play))
    # 32 dB above 1 V are 39.8 V, 2.97 dB above the rated 28.28 V
    assert "What runs out first: amplifier voltage at 20 Hz, 3.0 dB short." in text
    # what is turned down until nothing is short has nothing left
    exact = estimate_headroom(**demand(29.03), equipment=play, voltages=np.ones(4))
    text = "\n".join(lines_of(exact, equipment=play, quieter_db=3.0))
    assert "Headroom 3.0 dB below the wanted level" in text
    assert "with nothing to spare." in text


def test_the_edition_is_said_and_bands_are_called_by_their_names():
    table = output_table_from_levels(
        {"20": 99.0, "31.5": 105.0}, edition="CTA-2010-B", distance=2.0, detector="peak"
    )
    found = estimate_headroom(**demand(), equipment=Equipment(output=table))
    text = "\n".join(lines_of(found, output=table))
    assert "Maximum output: 20 to 31.5 Hz, CTA-2010-B, peak at 2 m." in text
    evidence = distortion_of(np.geomspace(17.0, 75.0, 120), -40.0, level_db=0.0)
    text = " ".join(lines_of(estimate_headroom(**demand(1.0), distortion=evidence)))
    assert "-10, -15, -20, -20 dB for the second to the fifth" in " ".join(text.split())
    centre = third_octave_band(31.5).centre
    note = Caution(code=CautionCode.LEVEL_TOO_HIGH, value=1.0, frequency=centre)
    assert "at 31.5 Hz" in caution_text(note)
    elsewhere = Caution(code=CautionCode.LEVEL_TOO_HIGH, value=1.0, frequency=33.0)
    assert "at 33 Hz" in caution_text(elsewhere)


def test_extra_drive_table():
    equaliser = FixedBandEqualiser(
        bands=BANDS, lowest_db=-12.0, highest_db=6.0, step_db=0.5, q_law=QLaw.constant(4.318)
    )
    plain = text_of(extra_drive_lines(estimate_extra_drive(equaliser, [6.0, 0, 0, 0])))
    assert "+6.0" in plain
    assert "x 2.00" in plain
    assert "x 3.98" in plain  # check values, section 10
    assert "Of largest" not in plain
    assert "the most within each band" in plain  # a cut band still has its edges
    boxed = laid_out(extra_drive_lines(estimate_extra_drive(equaliser, [6.0, 0, 0, 0], box=BOX)))
    assert "Of largest dB" in boxed[1]
    assert "against the largest that any band had before" in boxed[-1]
    assert all(len(line) <= WIDTH for line in boxed)
