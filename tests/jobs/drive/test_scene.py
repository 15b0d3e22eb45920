"""The main seat by bands: drive, volts and limits against filters by scipy and plain sums."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from headroom_rooms import (
    AMPLIFIER,
    DRIVER,
    EVERYTHING,
    FREQUENCIES,
    HEADROOM,
    LOAD,
    OUTPUT,
    PROTECTION,
    write_levels,
    write_room,
)

from roomeq.device.crossover import CrossoverFilter
from roomeq.importers.room import read_room
from roomeq.jobs.drive.scene import DriveScene, electrical_filters
from roomeq.optimiser.drive.headroom import drive_by_frequency

NINE = ["16", "20", "25", "31.5", "40", "50", "63", "80", "100"]


def scene_of(folder, *parts, **others):
    room = read_room(write_room(folder, *parts, **others))
    return DriveScene(room, room.wanted)


def butterworth_db(frequencies, *, order, corner, kind):
    """scipy.signal's analogue prototype, in dB."""
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    response = scipy.signal.freqs(b, a, worN=2 * np.pi * np.asarray(frequencies))[1]
    return 20 * np.log10(np.abs(response))


def test_bands_from_16_hz_to_the_highest_that_is_fitted(tmp_path):
    scene = scene_of(tmp_path, HEADROOM)
    # fitted to half an octave above the crossover at 80 Hz, 113 Hz
    assert [band.label for band in scene.bands] == NINE


def test_only_bands_with_levels_are_looked_at(tmp_path):
    write_room(tmp_path, HEADROOM)
    for name in ("sofa.csv", "chair.csv"):
        text = (tmp_path / name).read_text("utf-8").splitlines(keepends=True)
        kept = [line for line in text[1:] if float(line.split(",")[0]) >= 21.0]
        (tmp_path / name).write_text(text[0] + "".join(kept), "utf-8")
    room = read_room(tmp_path)
    scene = DriveScene(room, replace(room.wanted, spl_db={"20": 90.0, "50": 95.0}))
    assert scene.bands[0].label == "25"
    assert scene.left_out == ("20",)


def test_a_seat_on_target_needs_the_difference_everywhere(tmp_path):
    write_room(tmp_path, HEADROOM)
    target = read_room(tmp_path).target
    shape = target.curve_db(FREQUENCIES) - target.allowance_db(FREQUENCIES)
    write_levels(tmp_path / "sofa.csv", 80.0 + shape)
    room = read_room(tmp_path)
    headroom = DriveScene(room, room.wanted).headroom(np.zeros(9), None)
    # power means over third octaves by their definition (IEC 61260-1 edges)
    dense = np.geomspace(40.0, 60.0, 20001)
    power = 10 ** (np.interp(np.log(dense), np.log(FREQUENCIES), shape) / 10)
    inside = np.abs(np.log10(dense / 10**1.7)) <= 0.05  # 50 Hz, where this target is highest
    highest = 80.0 + 10 * math.log10(power[inside].mean())
    for entry in headroom.bands:
        # what is smoothed over a twelfth of an octave differs a little on a curved slope
        assert entry.rise_db == pytest.approx(95.0 - highest, abs=0.05)
        assert entry.reached_db == pytest.approx(entry.wanted_db, abs=0.05)


def test_main_seat_alone_tells_how_loud_it_is(tmp_path):
    room = read_room(write_room(tmp_path, HEADROOM))
    sofa = DriveScene(room, room.wanted).headroom(np.zeros(9), None)
    chair = DriveScene(room, replace(room.wanted, main_seat="chair")).headroom(np.zeros(9), None)
    differences = [
        other.rise_db - one.rise_db for one, other in zip(sofa.bands, chair.bands, strict=True)
    ]
    # the chair is 2 dB quieter, and has 1 dB less of the boom
    assert np.ptp(differences) == pytest.approx(0.0, abs=1e-9)
    assert 2.0 < differences[0] < 2.6


def test_voltages_are_the_measured_one_through_the_filters_before_the_terminals(tmp_path):
    acoustic = '\n[[path]]\nkind = "high_pass"\nfamily = "butterworth"\norder = 2\ncorner = 30\n'
    scene = scene_of(tmp_path, acoustic + 'where = "Box"\n', EVERYTHING)
    assert [str(entry) for entry in electrical_filters(scene.room, scene.room.equipment.protection)]
    axis = np.array([50.0, *(10 ** (n / 10) for n in range(12, 21))])  # IEC 61260-1, 16 to 100 Hz
    path = butterworth_db(axis, order=2, corner=20.0, kind="high")
    path += 2 * butterworth_db(axis, order=2, corner=80.0, kind="low")  # Linkwitz-Riley, 4th order
    expected = 2.0 * 10 ** ((path[1:] - path[0]) / 20)
    np.testing.assert_allclose(scene.voltages, expected, rtol=1e-9)
    headroom = scene.headroom(np.zeros(9), scene.room.equipment.protection)
    for entry, voltage in zip(headroom.bands, expected, strict=True):
        assert entry.voltage == pytest.approx(voltage * 10 ** (entry.rise_db / 20))
        # two drivers of 8 ohm side by side; 400 W into 4 ohm are 40 V
        assert entry.power_w == pytest.approx(entry.voltage**2 / 4)
        assert entry.amplifier_db == pytest.approx(20 * math.log10(40 / entry.voltage))


def test_voltages_carry_the_gains_in_force(tmp_path):
    room = read_room(write_room(tmp_path, EVERYTHING))
    gains = np.where(np.arange(9) == 4, 6.0, 0.0)  # 50 Hz, where the voltage was read
    with_gains = replace(room, present=replace(room.present, gains_db=gains))
    plain, boosted = (DriveScene(one, room.wanted).voltages for one in (room, with_gains))
    assert boosted[5] / plain[5] == pytest.approx(1.0, rel=1e-3)
    assert boosted[0] / plain[0] == pytest.approx(1 / 1.9953, rel=0.01)  # check values, section 10


def test_another_high_pass_changes_the_drive_by_its_response(tmp_path):
    scene = scene_of(tmp_path, EVERYTHING)
    present = scene.room.equipment.protection
    lower = CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=16.0)
    axis = scene.centres
    change = butterworth_db(axis, order=2, corner=16.0, kind="high")
    change -= butterworth_db(axis, order=2, corner=20.0, kind="high")
    before, after = (scene.headroom(np.zeros(9), one).bands for one in (present, lower))
    rises = np.array([b.rise_db - a.rise_db for a, b in zip(before, after, strict=True)])
    # but for the volume, which is turned back by what the bands gained on average
    np.testing.assert_allclose(rises - rises[-1], change - change[-1], atol=1e-9)
    assert -0.6 < rises[-1] < 0.0
    off = np.array([entry.rise_db for entry in scene.headroom(np.zeros(9), None).bands])
    kept = np.array([entry.rise_db for entry in before])
    relief = -butterworth_db(axis, order=2, corner=20.0, kind="high")
    np.testing.assert_allclose((off - kept) - (off - kept)[-1], relief - relief[-1], atol=1e-9)


def test_maximum_output_is_carried_to_the_seat_by_distance_boost_and_room(tmp_path):
    gain = HEADROOM + 'room_gain_db = { "20" = 6.0 }\n'
    plain, helped = scene_of(tmp_path, OUTPUT, HEADROOM), scene_of(tmp_path, OUTPUT, gain)
    gains = np.array([0, 0, 2, -4, 0, 0, 0, 0, 0.0])
    equaliser = plain.room.equaliser
    response = equaliser.response_db(gains, plain.centres)
    mean = plain.data.response_db(equaliser, gains) @ plain.data.frequency_weights
    stated = {"16": 90, "20": 96, "25": 102, "31.5": 108, "40": 111, "50": 112, "63": 112}
    found = zip(
        plain.headroom(gains, None).bands, helped.headroom(gains, None).bands, response, strict=True
    )
    for entry, other, boost in found:
        if entry.band.label not in stated:
            assert entry.output_db is None
            continue
        at_one_metre = stated[entry.band.label] + 20 * math.log10(2)  # stated at 2 m, root mean sq.
        asked = entry.wanted_db + 20 * math.log10(3) + boost - mean
        assert entry.output_db == pytest.approx(at_one_metre - asked)
        more = 6.0 if entry.band.label == "20" else 0.0
        assert other.output_db - entry.output_db == pytest.approx(more)


def test_drive_limits_are_what_is_left_with_all_bands_at_0(tmp_path):
    scene = scene_of(tmp_path, AMPLIFIER, LOAD, PROTECTION, HEADROOM.replace("95.0", "112.0"))
    high_pass = scene.room.equipment.protection
    flat = scene.headroom(scene.flat_gains_db, high_pass)
    left = [entry.amplifier_db for entry in flat.bands]
    points = drive_by_frequency(flat, flat_db=6.0)
    inner = [limit for _, limit in points[1:-1]]
    np.testing.assert_allclose(inner, np.clip(left, 0.0, 12.0))
    assert min(left) < 0.0 < max(left)  # the clipping at 0 is looked at
    # beyond the outer bands nothing is known: no more than the flat 6 dB
    assert points[0][1] == min(inner[0], 6.0)
    assert points[-1][1] == min(inner[-1], 6.0)
    assert points[0][0] < scene.bands[0].centre < points[1][0] * (1 + 1e-12)


def test_bands_that_are_not_fitted_do_not_tell_how_loud_it_is(tmp_path):
    write_room(tmp_path, HEADROOM)
    room = read_room(tmp_path)
    scene = DriveScene(room, room.wanted)
    # bands are fitted from 20 Hz upwards
    uncounted = [b.label for b, so in zip(scene.bands, scene.uncounted, strict=True) if so]
    assert uncounted == ["16"]
    before = scene.headroom(np.zeros(9), None).bands
    level = np.where(scene.axis < 17.0, scene.level_db + 20.0, scene.level_db)
    scene.level_db = level
    after = scene.headroom(np.zeros(9), None).bands
    assert after[4].rise_db == pytest.approx(before[4].rise_db, abs=0.3)
    assert after[0].reached_db > before[0].reached_db + 10.0


def test_band_levels_typed_by_hand(tmp_path):
    rows = "\n".join(f"{label},{80 + n % 3},{78 + n % 2}" for n, label in enumerate(NINE))
    (tmp_path / "bands.csv").write_text("Hz,sofa,chair\n" + rows + "\n", "utf-8")
    entry = '[[measurements]]\nkind = "band_levels"\nfile = "bands.csv"\n\n[levels]'
    write_room(tmp_path, PROTECTION, DRIVER, HEADROOM)
    text = (tmp_path / "room.toml").read_text("utf-8")
    first, last = text.index("[[measurements]]"), text.index("[levels]")
    (tmp_path / "room.toml").write_text(text[:first] + entry + text[last + 8 :], "utf-8")
    room = read_room(tmp_path)
    scene = DriveScene(room, room.wanted)
    assert [band.label for band in scene.bands] == NINE
    np.testing.assert_array_equal(scene.level_db, [80 + n % 3 for n in range(9)])
    gains = np.zeros(9)
    gains[3] = -6.0  # 40 Hz
    flat, cut = (scene.headroom(g, room.equipment.protection).bands for g in (np.zeros(9), gains))
    fallen = [
        b.reached_db - b.rise_db - a.reached_db + a.rise_db for a, b in zip(flat, cut, strict=True)
    ]
    drive = [b.rise_db - a.rise_db for a, b in zip(flat, cut, strict=True)]
    # a sine at the centre sees all 6 dB, the power in the third octave about two thirds of it
    assert drive[4] - drive[8] == pytest.approx(-6.0, abs=0.1)  # 100 Hz sees a little of it
    assert -0.1 < fallen[8] < 0.1
    assert 0.5 < fallen[4] < 2.5
