"""A device told from its responses, and the profile that rooms can name."""

import shutil

import numpy as np
import pytest
from devices_apart import CALLED, Device, heard, measured, peaking, write_export
from places import SAMPLES

from roomeq.base.errors import DeviceProfileError, MeasurementFileError
from roomeq.device.profile import LevelKnob
from roomeq.importers.device_profile import read_device
from roomeq.importers.room import read_room
from roomeq.jobs.device import measure_device, write_measured_profile
from roomeq.jobs.measuring.findings import Doubt
from roomeq.jobs.propose import propose
from roomeq.jobs.proposed_plan import choose_level
from roomeq.jobs.verify import equaliser_of
from roomeq.plan.plan import read_plan, write_plan

AXIS = np.geomspace(8, 400, 271)


def device(**changes):
    usual = {
        "labels": ("40", "63", "80"),
        "settings": (-6.0, 3.0),
        "centres": CALLED | {"40": 41.0, "63": 61.5, "80": 81.5},
        "q": 3.0,
        "follows": 0.0,
        "gain": 0.95,
    }
    return Device(**(usual | changes))


def put(folder, name, change=1.0, *, seed=0, louder_db=0.0):
    rng = np.random.default_rng([11, seed])
    return write_export(folder / name, AXIS, heard(AXIS, change, rng, 40.0) + louder_db)


@pytest.mark.parametrize("follows", [0.0, 0.08])
def test_goals_are_held_at_40_db(tmp_path, follows):
    own = device(follows=follows)
    found = measure_device(*measured(own, tmp_path, np.random.default_rng(21), snr_db=40.0))
    assert [(row.label, row.setting_db) for row in found.rows] == [
        (label, setting) for label in own.labels for setting in (-6.0, 3.0)
    ]
    for row in found.rows:
        gain, q = own.setting(row.label, row.setting_db)
        assert (set(row.told), row.doubt) == ({"centre", "gain", "q"}, None)
        assert row.centre == pytest.approx(own.centres[row.label], rel=0.01)
        assert row.q == pytest.approx(q, rel=0.05)
        assert row.gain_db == pytest.approx(gain, abs=0.1)
    assert set(found.laws.values()) == {"follows" if follows else "constant"}
    assert found.all_told


def test_a_gain_that_is_surely_not_as_set_is_told_with_less_certainty(tmp_path):
    own = device(labels=("40",), settings=(-9.0,), gain=0.85)
    found = measure_device(*measured(own, tmp_path, np.random.default_rng(28), snr_db=36.0))
    (row,) = found.rows
    assert 0.1 < 1.96 * row.gain_error_db < 0.2
    assert "gain" in row.told
    assert row.gain_db == pytest.approx(-7.65, abs=0.15)


def test_a_law_is_assumed_from_one_gain(tmp_path):
    flat, moved = measured(device(), tmp_path, np.random.default_rng(22), snr_db=40.0)
    found = measure_device(flat, moved[:1])
    assert found.laws == {"40": "assumed"}
    assert found.profile.equaliser.q == pytest.approx(3.0, rel=0.05)  # of the bands not measured
    assert not found.profile.equaliser.q_measured


@pytest.mark.parametrize(
    ("fault", "doubt"),
    [
        ("another band moved by 3 dB as well", Doubt.MISFIT),
        ("another band moved by 1 dB as well", Doubt.MISFIT),
        ("the microphone moved", Doubt.MISFIT),
        ("the next band was moved", Doubt.MISFIT),
        ("the sign is wrong", Doubt.OTHER_GAIN),
        ("smoothed over 1/3 octave", Doubt.SMOOTHED),
        ("noise of 25 dB", Doubt.UNCERTAIN),
    ],
)
def test_where_data_forbid_it_it_says_so(tmp_path, fault, doubt):
    rng = np.random.default_rng(23)
    flat, moved = measured(device(), tmp_path, rng, snr_db=40.0, fault=fault)
    row = measure_device(flat, moved[:1]).rows[0]
    assert row.doubt is doubt
    assert set(row.told) <= ({"centre"} if doubt is Doubt.UNCERTAIN else set())


def test_moved_by_too_little_or_outside_the_data(tmp_path):
    flat = put(tmp_path, "flat.txt")
    little = put(tmp_path, "little.txt", peaking(AXIS, 40, 3, 0.5), seed=1)
    (row,) = measure_device(flat, [("40:0.5", little)]).rows
    assert (row.doubt, "q" in row.told) == (Doubt.UNCERTAIN, False)
    inside = AXIS > 24
    for name in ("flat.txt", "low.txt"):
        change = 1.0 if name == "flat.txt" else peaking(AXIS, 20, 3, -6)
        level = heard(AXIS, change, np.random.default_rng(5), 40.0)
        write_export(tmp_path / name, AXIS[inside], level[inside])
    (row,) = measure_device(flat, [("20:-6", tmp_path / "low.txt")]).rows
    assert (row.doubt, row.told) == (Doubt.OUTSIDE, ())


def test_what_one_response_spoils_another_may_tell(tmp_path):
    flat = put(tmp_path, "flat.txt")
    good = put(tmp_path, "good.txt", peaking(AXIS, 41, 3, -6), seed=1)
    bad = put(tmp_path, "bad.txt", peaking(AXIS, 63, 3, 3) * peaking(AXIS, 100, 3, -2), seed=2)
    found = measure_device(flat, [("40:-6", good), ("63:3", bad)])
    assert [bool(row.told) for row in found.rows] == [True, False]
    assert found.misfits == (str(bad),)
    assert [band.centre for band in found.profile.equaliser.found] == [40.0]


def test_the_profile_is_what_rooms_then_go_by(tmp_path):
    folder = tmp_path / "room"
    shutil.copytree(SAMPLES / "lakeside_cabin", folder)
    own = device(follows=0.06, gain=0.9)
    flat, moved = measured(own, tmp_path, np.random.default_rng(24), snr_db=60.0)
    found = measure_device(flat, moved, name="The one here")
    write_measured_profile(found, folder / "own.toml")
    text = (folder / "own.toml").read_text("utf-8")
    assert "# assumed, not measured: 20, 25, 31.5, 50, 100, 125 Hz" in text
    assert "# standard errors: at -6 dB centre" in text
    read = read_device("own.toml", folder=folder)
    assert read.name == "The one here"
    assert read.equaliser.found == found.profile.equaliser.found
    at_one = read.equaliser.response_db([0, 0, 0, -6.0, 0, 0, 3.0, 0, 0], AXIS)
    expected = own.response(AXIS, "40", -6.0) * own.response(AXIS, "80", 3.0)
    np.testing.assert_allclose(at_one, 20 * np.log10(np.abs(expected)), atol=0.03)

    room_file = (folder / "room.toml").read_text("utf-8")
    assert 'profile = "nine_band"' in room_file
    (folder / "room.toml").write_text(
        room_file.replace('profile = "nine_band"', 'profile = "own.toml"'), "utf-8"
    )
    room = read_room(folder)
    plan = propose(room, node_limit=1)
    assert any(plan.gains_db[i] for i in (3, 5, 6))  # a band that was measured is set
    frequencies = np.array(plan.curves.frequencies)
    parts = np.zeros(frequencies.size)
    for label, setting in zip(plan.device.labels, plan.gains_db, strict=True):
        centre = room.equaliser.centres[room.equaliser.index_of(label)]
        gain, q = setting, float(room.equaliser.q_law.at(setting))
        if label in own.labels:  # one cut and one boost were measured: their Q, gain in proportion
            centre, gain = own.centres[label], own.gain * setting
            q = own.setting(label, -6.0 if setting < 0 else 3.0)[1]
        parts += 20 * np.log10(np.abs(peaking(frequencies, centre, q, gain)))
    np.testing.assert_allclose(plan.curves.response_db, parts, atol=0.03)
    (said,) = [c for c in plan.cautions if c.code == "q_assumed"]
    assert said.name == "20, 25, 31.5, 50, 100, 125"
    write_plan(plan, tmp_path / "plan.json")
    kept = equaliser_of(read_plan(tmp_path / "plan.json").device)
    np.testing.assert_allclose(
        kept.response_db(plan.gains_db, frequencies), plan.curves.response_db, atol=1e-9
    )


def test_filters_and_level_knob_go_into_the_profile(tmp_path):
    from scipy import signal

    flat = put(tmp_path, "flat.txt")
    low = signal.freqs(*signal.butter(2, 2 * np.pi * 83, analog=True), worN=2 * np.pi * AXIS)[1]
    high = signal.freqs(
        *signal.butter(4, 2 * np.pi * 21, "high", analog=True), worN=2 * np.pi * AXIS
    )[1]
    found = measure_device(
        flat,
        [("level:-10", put(tmp_path, "level.txt", louder_db=-9.4, seed=1))],
        low_pass=[("80", put(tmp_path, "low.txt", low**2, seed=2))],
        high_pass=[("20", put(tmp_path, "high.txt", high, seed=3))],
    )
    assert found.all_told
    write_measured_profile(found, tmp_path / "own.toml")
    read = read_device(tmp_path / "own.toml")
    assert (read.low_pass.family, read.low_pass.orders) == ("linkwitz_riley", (4,))
    assert read.low_pass.corners == pytest.approx((50, 60, 70, 83, 90, 100, 120), rel=0.005)
    assert (read.protection.family, read.protection.orders) == ("butterworth", (4,))
    assert read.protection.corners == pytest.approx((16, 21, 25), rel=0.005)
    assert read.level.scale == pytest.approx(0.94, abs=0.005)
    assert "80 is really 8" in (tmp_path / "own.toml").read_text("utf-8")


def test_a_filter_that_is_not_there_is_not_told(tmp_path):
    from scipy import signal

    flat, twice = put(tmp_path, "flat.txt"), put(tmp_path, "twice.txt", seed=1)
    far = signal.freqs(*signal.butter(2, 2 * np.pi * 180, analog=True), worN=2 * np.pi * AXIS)[1]
    band = put(tmp_path, "band.txt", peaking(AXIS, 63, 3, -6), seed=2)
    for path in (twice, band, put(tmp_path, "far.txt", far, seed=3)):
        found = measure_device(flat, low_pass=[("80", path)])
        assert found.filters[0].doubt in (Doubt.MISFIT, Doubt.ELSEWHERE)
        assert found.profile.low_pass == read_device("nine_band").low_pass
        assert not found.any_told
    found = measure_device(flat, low_pass=[("500", twice)])
    assert found.filters[0].doubt is Doubt.OUTSIDE


def test_a_level_knob_is_turned_by_what_it_really_gives():
    knob = LevelKnob(lowest_db=-20.0, highest_db=0.0, step_db=1.0, real_step_db=0.8)
    chosen = choose_level(-4.0, knob=knob, present_db=-5.0)
    # 5 steps of 0.8 dB are 4 dB
    assert (chosen.change_db, chosen.setting_db) == (-5.0, -10.0)
    assert chosen.residual_db == pytest.approx(0.0)


def test_no_file_is_ever_replaced(tmp_path):
    flat, moved = measured(device(), tmp_path, np.random.default_rng(25), snr_db=40.0)
    (tmp_path / "own.toml").write_text("my notes\n", "utf-8")
    with pytest.raises(DeviceProfileError, match=r"own\.toml: exists: it is left as it is"):
        write_measured_profile(measure_device(flat, moved[:1]), tmp_path / "own.toml")
    assert (tmp_path / "own.toml").read_text("utf-8") == "my notes\n"


@pytest.mark.parametrize(
    ("spec", "said"),
    [
        ("40", "needs a band and a gain other than 0"),
        ("40:0", "needs a band and a gain other than 0"),
        ("40:nan", "needs a band and a gain other than 0"),
        ("45:-6", "none of the device's bands"),
        ("40:-6,40:3", "40 is given twice"),
        ("40:-6.25", "takes -12 to 6 dB in steps of 0.5 dB"),
        ("40:9", "takes -12 to 6 dB in steps of 0.5 dB"),
    ],
)
def test_what_was_moved_is_one_of_the_devices_settings(tmp_path, spec, said):
    flat = put(tmp_path, "flat.txt")
    with pytest.raises(ValueError, match=said):
        measure_device(flat, [(spec, flat)])


def test_what_is_no_response_is_refused(tmp_path):
    flat = put(tmp_path, "flat.txt")
    (tmp_path / "words.txt").write_text("a shopping list\n", "utf-8")
    with pytest.raises(MeasurementFileError, match=r"words\.txt"):
        measure_device(flat, [("40:-6", tmp_path / "words.txt")])
    with pytest.raises(ValueError, match="a response is given twice"):
        measure_device(flat, [("40:-6", flat), ("63:3", flat)])
    with pytest.raises(ValueError, match="nothing was moved"):
        measure_device(flat)
    with pytest.raises(ValueError, match="--low-pass eighty: needs the corner in Hz"):
        measure_device(flat, low_pass=[("eighty", flat)])
