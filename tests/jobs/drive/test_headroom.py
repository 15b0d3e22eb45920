"""Proposals with high-pass and headroom: order, limits, cautions, and what is printed."""

import json
import math

import numpy as np
import pytest
import scipy.signal
import soundfile
from headroom_rooms import (
    AMPLIFIER,
    DRIVER,
    EVERYTHING,
    HEADROOM,
    LOAD,
    PROTECTION,
    ROOM,
    write_room,
)
from msgspec.structs import replace as replace_record

from roomeq.analysis.survey_levels import seat_levels_db
from roomeq.base.cautions import CautionCode
from roomeq.base.errors import PlanFileError
from roomeq.cli.main import main
from roomeq.importers.room import read_room
from roomeq.jobs.drive.bands import BandSearch, fit_room
from roomeq.jobs.drive.headroom import fit_within_headroom
from roomeq.jobs.drive.scene import DriveScene
from roomeq.jobs.propose import propose
from roomeq.optimiser.bands.reasons import Reason
from roomeq.optimiser.drive.headroom import HeadroomLimit
from roomeq.optimiser.drive.protection import ProtectionChange, ProtectionReason
from roomeq.plan.plan import read_plan, write_plan
from roomeq.report.text.plan import plan_text
from roomeq.report.text.wording import reason_text


def proposed(folder, *parts):
    """Propose what is best, with no search for fewer moves: nothing here depends on it."""
    return propose(read_room(write_room(folder, *parts)), node_limit=1, best=True)


def butterworth_db(frequencies, *, order, corner):
    """scipy.signal's analogue high-pass, in dB."""
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, "high", analog=True)
    return 20 * np.log10(np.abs(scipy.signal.freqs(b, a, worN=2 * np.pi * frequencies)[1]))


def codes(plan):
    return [caution.code for caution in plan.cautions]


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = write_room(tmp_path_factory.mktemp("whole"), EVERYTHING)
    room = read_room(folder)
    return room, propose(room)


def test_without_tables_nothing_is_said_of_headroom(tmp_path):
    plan = proposed(tmp_path)
    assert (plan.protection, plan.headroom) == (None, None)
    assert len(plan.extra_drive) == 9
    text = plan_text(plan)
    assert "Leave as is: low-pass, protective high-pass, delay, polarity, phase control." in text
    assert "At the wanted level" not in text


def test_extra_drive_is_the_response_turned_back_to_the_same_loudness(whole):
    room, plan = whole
    weights, response = np.array(plan.curves.frequency_weights), np.array(plan.curves.response_db)
    for row, band in zip(plan.extra_drive, room.equaliser.bands, strict=True):
        axis = np.geomspace(band.lower, band.upper, 9)
        drive = room.equaliser.response_db(plan.gains_db, axis) - weights @ response
        assert row.extra_db == pytest.approx(drive.max(), abs=1e-9)
        # 6.02 dB are twice the voltage and the displacement, four times the power
        assert row.voltage_ratio == pytest.approx(10 ** (drive.max() / 20))
        assert row.power_ratio == pytest.approx(10 ** (drive.max() / 10))
        assert row.displacement_ratio == row.voltage_ratio


def test_high_pass_is_switched_off_where_all_is_assured_and_reckoned_with(whole):
    room, plan = whole
    assert plan.protection.change is ProtectionChange.SWITCHED_OFF
    assert plan.protection.reason is ProtectionReason.CLEAN_TO_SPARE
    assert plan.protection.high_pass is None
    assert plan.protection.present.corner == 20.0
    # what was measured through the high-pass (scipy's second-order Butterworth) is taken out of it
    axis = np.array(plan.curves.frequencies)
    measured = seat_levels_db(room.survey, at=axis)
    relief = -butterworth_db(axis, order=2, corner=20.0)
    before = np.array(plan.curves.before_level_db)
    np.testing.assert_allclose(before - measured, np.tile(relief, (2, 1)), atol=0.05)
    # the prediction holds that, the bands and the level, nothing else
    moved = np.array(plan.curves.predicted_level_db) - before
    change = room.equaliser.response_db(plan.gains_db, axis) + plan.level.exact_change_db
    np.testing.assert_allclose(moved, np.tile(change, (2, 1)), atol=1e-9)
    assert any("reckoned into what was measured: +5.5 dB at 16 Hz" in t for t in plan.assumptions)


def test_moved_high_pass_turns_the_phase_at_the_crossover(whole):
    caution = next(c for c in whole[1].cautions if c.code is CautionCode.JOIN_AGAIN)
    b, a = scipy.signal.butter(2, 2 * np.pi * 20.0, "high", analog=True)
    lead = np.angle(scipy.signal.freqs(b, a, worN=[2 * np.pi * 80.0])[1][0], deg=True)
    assert caution.frequency == 80.0
    assert caution.value == pytest.approx(-lead)
    assert caution in whole[1].reservations


def test_rows_say_what_runs_out_first(whole):
    plan = whole[1]
    record = plan.headroom
    assert record.main_seat == "sofa"
    kinds = {
        HeadroomLimit.AMPLIFIER: "amplifier_db",
        HeadroomLimit.DISPLACEMENT: "displacement_db",
        HeadroomLimit.MAXIMUM_OUTPUT: "output_db",
    }
    for row in record.bands:
        known = {limit: getattr(row, name) for limit, name in kinds.items()}
        known = {limit: left for limit, left in known.items() if left is not None}
        assert row.left_db == min(known.values())
        assert known[row.limit] == row.left_db
        assert row.drive_limit_db == 6.0
        assert row.power_w == pytest.approx(row.voltage**2 / 4)
        assert row.amplifier_db == pytest.approx(20 * math.log10(40 / row.voltage))
    least = min(record.bands, key=lambda row: row.left_db)
    assert record.first == least.label


def test_main_seat_gets_the_wanted_level_with_the_proposed_gains(whole):
    # the volume is set so that the level mean over the fitted bands is the wanted one
    rows = [row for row in whole[1].headroom.bands if row.label != "16"]
    assert np.mean([row.reached_db - row.wanted_db for row in rows]) == pytest.approx(0.0, abs=1e-9)


def test_plan_file_prints_the_same(whole, tmp_path):
    plan = whole[1]
    write_plan(plan, tmp_path / "plan.json")
    again = read_plan(tmp_path / "plan.json")
    assert again == plan
    text = plan_text(again, detail=True)
    assert text == plan_text(plan, detail=True)
    for said in (
        "Protective high-pass: switch it off (now Butterworth 12 dB/oct at 20 Hz)",
        "Extra drive against all bands at 0",
        "Headroom at the wanted level, main seat sofa (aim and reached: dB SPL there",
        "What runs out first: maximum output at 16 Hz, with ",
        "Maximum output: 16 to 63 Hz, CEA-2010-A, rms at 2 m.",
        "the amplifier is rated for 40.0 V, 400 W into it.",
        "Leave as is: low-pass, delay, polarity, phase control.",
        "licensed people under local codes",
    ):
        assert said in " ".join(text.split())


def test_damaged_drive_in_a_plan_file_is_found(whole, tmp_path):
    text = whole[1].to_json().decode()
    assert '"driver_nominal_ohm": 8.0' in text
    path = tmp_path / "plan.json"
    path.write_text(text.replace('"driver_nominal_ohm": 8.0', '"driver_nominal_ohm": 1.0'), "utf-8")
    with pytest.raises(PlanFileError, match=r"is damaged: the load of 0\.5 ohm"):
        read_plan(path)


@pytest.mark.parametrize("parts", [PROTECTION + HEADROOM, PROTECTION + DRIVER + HEADROOM])
def test_high_pass_is_never_weakened_without_distortion_or_output(tmp_path, parts):
    plan = proposed(tmp_path, parts)
    assert plan.protection.change is ProtectionChange.KEPT
    assert plan.protection.reason is ProtectionReason.NO_EVIDENCE
    assert plan.headroom.first is None
    assert CautionCode.JOIN_AGAIN not in codes(plan)
    text = " ".join(plan_text(plan).split())
    assert "leave it at Butterworth 12 dB/oct at 20 Hz" in text
    assert "What runs out first is not known" in text


def test_unknown_high_pass_stays_as_it_is(tmp_path):
    plan = proposed(tmp_path, EVERYTHING.replace(PROTECTION, ""))
    assert plan.protection.reason is ProtectionReason.PRESENT_UNKNOWN
    assert plan.protection.change is ProtectionChange.KEPT
    assert "leave it as it is" in plan_text(plan)


def test_short_driver_gets_a_stronger_high_pass(tmp_path):
    weak = EVERYTHING.replace("0.014", "0.004").replace("corner = 20.0\n", "corner = 16.0\n")
    plan = proposed(tmp_path, weak)
    setting = plan.protection
    assert setting.change is ProtectionChange.STRENGTHENED
    assert setting.reason is ProtectionReason.RELIEF_NEEDED
    assert setting.high_pass.corner == 25.0
    assert plan.evidence.no_boost_below == 25.0  # nothing is boosted below the one that is set
    least = min(plan.headroom.bands, key=lambda row: row.left_db)
    assert least.left_db < 0.0
    caution = next(c for c in plan.cautions if c.code is CautionCode.LEVEL_TOO_HIGH)
    assert caution.value == pytest.approx(-least.left_db)
    assert caution in plan.reservations


def test_nothing_is_boosted_below_the_present_high_pass(tmp_path, monkeypatch):
    corner = PROTECTION.replace("20.0", "25.0")
    off = PROTECTION.replace("corner = 20.0", "off = true")
    stated = "\n[limits]\nno_boost_below = 30.0\n"
    cases = {"": 24.0, corner: 25.0, stated + corner: 30.0, off: 24.0}
    for parts, floor in cases.items():
        fitted = []

        def fit(room, search, fitted=fitted):
            fitted.append(room.limits.floor(room.target))
            raise InterruptedError

        monkeypatch.setattr("roomeq.jobs.drive.headroom.fit_room", fit)
        with pytest.raises(InterruptedError):
            fit_within_headroom(read_room(write_room(tmp_path, parts)), BandSearch())
        assert fitted == [floor]


def test_gains_found_may_change_the_high_pass_once_more(tmp_path, monkeypatch):
    """Where the boosts ask for another one, the bands are fitted again behind it."""
    room = read_room(write_room(tmp_path, EVERYTHING))
    seen = []

    def fit(behind, search):
        seen.append(behind)
        return fit_room(behind, search)

    scene_protection = DriveScene.protection

    def protection(scene, gains_db):
        choice = scene_protection(scene, gains_db)
        if not np.any(gains_db):
            return replace_record(choice, high_pass=choice.present, change=ProtectionChange.KEPT)
        return choice

    monkeypatch.setattr(DriveScene, "protection", protection)
    monkeypatch.setattr("roomeq.jobs.drive.headroom.fit_room", fit)
    drive = fit_within_headroom(room, BandSearch(node_limit=1, best=True))
    assert len(seen) == 2
    assert seen[0].survey is room.survey
    assert drive.room is seen[1]
    assert drive.protection.change is ProtectionChange.SWITCHED_OFF


LOUD = HEADROOM.replace("95.0", "103.0")


@pytest.mark.parametrize("level", ["", "level_spl_db = 84.0\n"])
def test_drive_limit_follows_the_headroom(tmp_path, level):
    # what the driver has left at 103 dB is little below 31.5 Hz and much above
    tight = PROTECTION + AMPLIFIER + LOAD + DRIVER + LOUD + 'drive_limit = "headroom"\n'
    room = read_room(
        write_room(tmp_path, tight, room=ROOM.replace("lower_limit", level + "lower_limit"))
    )
    plan = propose(room, node_limit=1, best=True)
    record = plan.headroom
    assert record.drive_limit == "headroom"
    limits = [row.drive_limit_db for row in record.bands]
    assert min(limits) < 2.0
    assert max(limits) > 6.0
    # the drive on another axis, against the limit read linearly over ln f between the bands
    axis = np.geomspace(20.0, 100.0, 2000)
    assert not np.any(plan.curves.present_response_db)  # so that k is against all bands at 0
    drive = room.equaliser.response_db(plan.gains_db, axis) + plan.level.exact_change_db
    centres = 10 ** (np.arange(12, 12 + len(limits)) / 10)
    limit = np.interp(np.log(axis), np.log(centres), limits)
    assert (drive - limit).max() <= 0.006
    assert "The drive limit of the bands follows this headroom." in plan_text(plan)
    cut = next(c for c in plan.cautions if c.code is CautionCode.LOUDNESS_CUT)
    assert cut.value == pytest.approx(record.quieter_db)
    assert record.headroom().first.left_db >= -1e-9


def test_drive_limit_by_headroom_lets_no_more_through_than_flat_where_nothing_is_known(tmp_path):
    flat, other = (
        proposed(tmp_path, PROTECTION, HEADROOM + more)
        for more in ("", 'drive_limit = "headroom"\n')
    )
    assert [row.drive_limit_db for row in other.headroom.bands] == [6.0] * 9
    assert other.gains_db == flat.gains_db
    assert other.evidence == flat.evidence


def test_reason_names_the_limit_of_its_band(whole):
    plan = whole[1]
    band = replace_record(plan.bands[2], reason=Reason.HELD_BY_DRIVE_BOOST)
    assert reason_text(band, plan) == "held by the drive limit, +6 dB"
    rows = [replace_record(r, drive_limit_db=1.25 * n) for n, r in enumerate(plan.headroom.bands)]
    headroom = replace_record(plan.headroom, drive_limit="headroom", bands=tuple(rows))
    told = replace_record(plan, headroom=headroom)
    assert band.label == "31.5"
    assert reason_text(band, told) == "held by the drive limit, +3.8 dB by its headroom"
    aside = replace_record(band, label="125")
    assert reason_text(aside, told) == "held by the drive limit, its headroom"


def test_wanted_bands_that_were_not_measured_are_named(tmp_path):
    wanted = HEADROOM.replace("95.0", '{ "12.5" = 80.0, "31.5" = 99.0 }')
    plan = proposed(tmp_path, PROTECTION, wanted)
    assert any("no level was measured at 12.5 Hz at seat sofa" in t for t in plan.assumptions)
    assert {row.label: row.wanted_db for row in plan.headroom.bands}["31.5"] == 99.0


def test_no_wanted_level_no_headroom_but_the_cautions_of_wiring(tmp_path):
    plan = proposed(tmp_path, AMPLIFIER, LOAD, DRIVER)
    assert plan.headroom is None
    assert CautionCode.LICENSED_MAINS_WORK in codes(plan)
    assert CautionCode.MINIMUM_IMPEDANCE_ASSUMED in codes(plan)
    assert all(row.displacement_db is not None for row in plan.extra_drive)
    assert any("no wanted level is stated" in text for text in plan.assumptions)


def test_commands_refuse_a_load_below_the_minimum(tmp_path, capsys):
    write_room(tmp_path, AMPLIFIER, LOAD.replace("in_parallel = 2", "in_parallel = 4"))
    for command in ("check", "propose"):
        assert main([command, str(tmp_path)]) == 2
        said = capsys.readouterr().err
        assert "below the amplifier's minimum of 4 ohm: do not connect it" in said
        assert "room.toml, line" in said


RATE = 6000


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """A room of one loudspeaker y = x + 0.6 x**2 whose sweep was recorded at the only seat."""
    folder = tmp_path_factory.mktemp("swept")
    words = ["sweep", str(folder / "sweep.wav"), "--rate", str(RATE), "--length", "8"]
    words += ["--tail", "3", "--start", "10", "--stop", "500", "--level", "-20"]
    assert main([*words, "--volume", "-10"]) == 0
    signal = soundfile.read(folder / "sweep.wav")[0]
    # a loudspeaker ends somewhere: what is flat throughout is taken for a loopback
    ending = scipy.signal.butter(8, 320.0, fs=RATE, output="sos")
    played = scipy.signal.sosfilt(ending, signal + 0.6 * signal**2)
    heard = np.concatenate([np.zeros(RATE), played, np.zeros(3 * RATE)])
    noise = np.random.default_rng(3).normal(0, 1e-6, heard.size)
    soundfile.write(folder / "bed.flac", 0.5 * heard + noise, RATE, subtype="PCM_24")
    text = """\
format = 1
name = "Attic"
[sweep]
description = "sweep.json"
[calibration]
same_gain = true
level_dbfs = -26.0
level_db = 80.0
[[measurements]]
seat = "bed"
kind = "sweep"
file = "bed.flac"
source = "sub"
[levels]
comparable = true
[device.present.protection]
corner = 20.0
[headroom]
wanted_spl_db = 90.0
"""
    (folder / "room.toml").write_text(text, "utf-8")
    return folder


def test_distortion_of_the_sweep_at_the_main_seat_limits_the_drive(swept):
    # x = A cos, A = 0.1 at -20 dBFS: the second harmonic is 0.6 A**2 / 2, 30.5 dB below the first
    room = read_room(swept)
    ratio = 20 * math.log10(0.6 * 0.1 / 2)
    inside = (room.wanted.distortion.frequencies > 15) & (room.wanted.distortion.frequencies < 120)
    found = room.wanted.distortion.ratios_db[0][inside]
    np.testing.assert_allclose(found, ratio, atol=0.3)
    plan = propose(room, node_limit=1, best=True)
    for row in plan.headroom.bands:
        # it grows as fast again as the drive, and -10 dB is allowed (CEA-2010-A, second harmonic)
        assert row.distortion_db + row.rise_db == pytest.approx(-10.0 - ratio, abs=0.3)
        assert row.assured_db + row.rise_db == pytest.approx(6.0, abs=1e-6)
        assert row.limit is HeadroomLimit.DISTORTION
    assert "distortion" in plan_text(plan)
    assert "box is not stated" in " ".join(plan_text(plan).split())
    assert CautionCode.DISTORTION_EXTRAPOLATED in codes(plan)


def test_an_exponential_reference_tells_distortion_too(swept, tmp_path):
    for name in ("bed.flac", "sweep.wav"):
        (tmp_path / name).write_bytes((swept / name).read_bytes())
    text = (swept / "room.toml").read_text("utf-8")
    text = text.replace('description = "sweep.json"', 'reference = "sweep.wav"')
    (tmp_path / "room.toml").write_text(text, "utf-8")
    told, described = (read_room(folder).wanted.distortion for folder in (tmp_path, swept))
    # The description of the same sweep is the outside reference; a reference ends with its band.
    axis, orders = told.frequencies, slice(0, 2)
    same = np.interp(axis, described.frequencies, described.ratios_db[0])
    inside = np.isfinite(told.ratios_db[0]) & told.above_noise[0] & (axis > 20.0)
    assert inside.any()
    assert np.abs(np.median((told.ratios_db[0] - same)[inside])) < 1.0
    assert np.isnan(told.ratios_db[orders, -1]).all()


def test_propose_prints_json_with_drive(whole, tmp_path, capsys):
    write_room(tmp_path, EVERYTHING)
    assert main(["propose", str(tmp_path), "--json"]) == 1
    plan = json.loads(capsys.readouterr().out)
    assert plan["protection"]["change"] == "switched_off"
    assert plan["headroom"]["first"] == whole[1].headroom.first
    assert plan["headroom"]["bands"][0]["limit"] == "maximum_output"
