"""Device profiles: the shipped ones, and what is refused."""

import numpy as np
import pytest

from roomeq.base.errors import DeviceProfileError
from roomeq.importers.device_profile import (
    PROFILES,
    read_device,
    read_profile_tables,
    shipped_profiles,
    write_profile,
)

GOOD = """\
format = 1
name = "Test amplifier"

[equaliser]
centres = [31.5, 40, 50]
lowest_db = -6.0
highest_db = 3.0
step_db = 1.5
q = 2.0

[level]
lowest_db = -20.0
highest_db = 0.0
step_db = 1.0

[phase]
lowest_deg = 0.0
highest_deg = 180.0
step_deg = 15.0
frequency = 80.0

[protection]
family = "butterworth"
orders = [2]
corners = [16]
can_bypass = true
"""


def read(tmp_path, text):
    (tmp_path / "device.toml").write_text(text, "utf-8")
    return read_device("device.toml", folder=tmp_path)


def test_shipped_profiles_read_and_differ():
    assert shipped_profiles() == ("coarse_step", "nine_band")
    plain, coarse = read_device("nine_band"), read_device("coarse_step")
    assert plain.equaliser.labels[0] == "20"
    assert plain.equaliser.labels[-1] == "125"
    assert (plain.equaliser.lowest_db, plain.equaliser.highest_db) == (-12.0, 6.0)
    assert plain.equaliser.step_db == 0.5
    assert np.ptp(plain.equaliser.q_law.q) == 0
    # Audio EQ Cookbook: one third of an octave is Q 4.318
    assert plain.equaliser.q_law.at(3.0) == pytest.approx(4.318)
    assert np.ptp(coarse.equaliser.q_law.q) > 0
    assert coarse.equaliser.step_db != plain.equaliser.step_db
    for device in (plain, coarse):
        assert not device.equaliser.q_law.measured
        assert device.name
        assert device.stored_settings > 0


def test_a_file_of_ones_own(tmp_path):
    device = read(tmp_path, GOOD)
    assert device.equaliser.gain_grid_db.tolist() == [-6, -4.5, -3, -1.5, 0, 1.5, 3]
    assert device.profile == "device.toml"
    assert device.low_pass is None
    assert device.phase.frequency == 80.0
    assert device.stored_settings == 0


def test_measured_shapes_come_from_files(tmp_path):
    for centre in (31.5, 40, 50):
        axis = np.geomspace(10, 200, 900)
        bell = 6.0 / (1 + (4 * np.log2(axis / centre)) ** 2)
        rows = "\n".join(f"{f:.4f},{level:.4f}" for f, level in zip(axis, bell, strict=True))
        (tmp_path / f"{centre:g}.csv").write_text(f"frequency (Hz),level (dB)\n{rows}\n")
    shapes = "".join(
        f'[[equaliser.shapes]]\ncentre = {c}\ngain_db = 6.0\nfile = "{c:g}.csv"\n'
        for c in (31.5, 40, 50)
    )
    device = read(tmp_path, GOOD.replace("q = 2.0\n", shapes))
    table = device.equaliser.band_table_db(1, [40.0, 80.0], gains_db=[3.0, -6.0])
    np.testing.assert_allclose(table, [[3.0, 3 / 17], [-6.0, -6 / 17]], atol=0.02)
    assert device.equaliser.q_law.measured


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("format = 1", "format = 7", "line 1, format: format 7 is not known"),
        ("q = 2.0", "", "nowhere (give one of q"),
        ("q = 2.0", "q = 2.0\nq_by_gain = { gain_db = [1], q = [2] }", "more than once"),
        ("q = 2.0", "q = 0.0", "Q must be finite and positive"),
        ("step_db = 1.5", "step_db = 1.4", "not a whole number of 1.4 dB steps"),
        ("step_db = 1.5", "stepdb = 1.5", "the nearest known key is 'step_db'"),
        ("[31.5, 40, 50]", "[40, 31.5]", "rising order"),
        ("highest_db = 0.0", "highest_db = -30.0", "line 11, level: lowest_db must not exceed"),
        ("step_deg = 15.0", "step_deg = 0.0", "phase: range or step"),
        ("corners = [16]", "corners = []", "protection: needs corners, and orders from 1 to 8"),
        ('family = "butterworth"', 'family = "butter"', '"butterworth" is nearest'),
        ("q = 2.0", '[[equaliser.shapes]]\ncentre=80\ngain_db=3\nfile="x"', "80 Hz is none of"),
    ],
)
def test_faults_are_pointed_at(tmp_path, old, new, said):
    with pytest.raises(DeviceProfileError) as fault:
        read(tmp_path, GOOD.replace(old, new, 1))
    assert said in str(fault.value)
    assert "device.toml" in str(fault.value)


def test_no_such_profile(tmp_path):
    with pytest.raises(DeviceProfileError, match="one of coarse_step, nine_band"):
        read_device("ten_band", folder=tmp_path)


def test_everything_that_is_written_is_kept(tmp_path):
    text = GOOD.replace(
        'name = "Test amplifier"', 'name = "Test amplifier"\nnote = "mine"\npolarity = false'
    )
    text = text.replace("q = 2.0", "q = 2.0\nq_measured = true\nsample_rate = 48000")
    text += "\n[low_pass]\nfamily = 'linkwitz_riley'\norders = [4]\ncorners = [80]\n"
    text += "can_bypass = false\n\n[memory]\nstored_settings = 5\n"
    device = read(tmp_path, text)
    assert (device.name, device.note) == ("Test amplifier", "mine")
    assert not device.polarity
    assert device.stored_settings == 5
    assert device.equaliser.q_law.measured
    assert device.equaliser.sample_rate == 48000.0
    assert device.low_pass.corners == (80.0,)
    assert not device.low_pass.can_bypass
    assert (device.level.lowest_db, device.level.highest_db, device.level.step_db) == (-20, 0, 1)
    plain = read(tmp_path, GOOD)
    assert plain.polarity
    assert plain.note == ""
    assert not plain.equaliser.q_law.measured
    assert plain.equaliser.sample_rate is None


def test_a_q_that_follows_gain_may_be_measured_too(tmp_path):
    text = GOOD.replace(
        "q = 2.0", "q_measured = true\nq_by_gain = { gain_db = [1, 6], q = [1, 2] }"
    )
    law = read(tmp_path, text).equaliser.q_law
    assert law.measured
    assert (law.gain_db.tolist(), law.q.tolist()) == ([1, 6], [1, 2])


def test_shapes_keep_the_gain_they_were_measured_at(tmp_path):
    rows = "\n".join(f"{f},{4.0 if f == 40 else 0.0}" for f in (20, 30, 40, 60, 80))
    (tmp_path / "cut.csv").write_text(f"frequency (Hz),level (dB)\n{rows}\n")
    shape = '[[equaliser.shapes]]\ncentre = 40\ngain_db = 3.0\nfile = "cut.csv"\n'
    device = read(tmp_path, GOOD.replace("[31.5, 40, 50]", "[40]").replace("q = 2.0\n", shape))
    # 4 dB were measured at a setting of 3 dB: 1.5 dB gives half of it
    table = device.equaliser.band_table_db(0, [40.0], gains_db=[3.0, 1.5])
    np.testing.assert_allclose(table[:, 0], [4.0, 2.0])


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("step_db = 1.0", "step_db = 0.0", "level: lowest_db must not exceed"),
        ("lowest_deg = 0.0", "lowest_deg = 270.0", "phase: range or step"),
        ("frequency = 80.0", "frequency = 0.0", "phase.frequency: 0 Hz is not plausible"),
        ("corners = [16]", "corners = [0]", "protection.corners 1: 0 Hz is not plausible"),
        (
            'family = "butterworth"\norders = [2]',
            'family = "linkwitz_riley"\norders = [3]',
            "orders from 1 to 8, a Linkwitz-Riley filter even ones",
        ),
        ("orders = [2]", "orders = [9]", "protection: needs corners, and orders from 1 to 8"),
        (
            "[protection]",
            '[low_pass]\nfamily = "butterworth"\norders = []\ncorners = [80]\n'
            "can_bypass = true\n[protection]",
            "low_pass: needs corners, and orders from 1 to 8",
        ),
    ],
)
def test_controls_that_cannot_be_are_pointed_at(tmp_path, old, new, said):
    with pytest.raises(DeviceProfileError) as fault:
        read(tmp_path, GOOD.replace(old, new, 1))
    assert said in str(fault.value)


def test_centres_stay_as_they_are_stated(tmp_path):
    own = GOOD.replace("[31.5, 40, 50]", "[24, 36, 55, 85]")
    equaliser = read(tmp_path, own).equaliser
    assert equaliser.labels == ("24", "36", "55", "85")
    assert equaliser.centres.tolist() == [24.0, 36.0, 55.0, 85.0]
    # the response at its centre is the gain (W3C Audio EQ Cookbook)
    assert equaliser.response_db([0.0, 0.0, 3.0, 0.0], [55.0])[0] == pytest.approx(3.0)
    # nominal names mean the exact centres of IEC 61260-1: 10 ** 1.5 for 31.5
    assert read(tmp_path, GOOD).equaliser.centres[0] == pytest.approx(10.0**1.5)


def test_a_measured_centre_is_apart_from_the_label(tmp_path):
    found = GOOD.replace(
        "lowest_db = -6.0", "measured_centres = [33.0, 41.5, 48.7]\nlowest_db = -6.0"
    )
    equaliser = read(tmp_path, found).equaliser
    assert equaliser.labels == ("31.5", "40", "50")
    assert equaliser.centres.tolist() == [33.0, 41.5, 48.7]
    assert [equaliser.index_of(label) for label in ("31.5", 31.6, "40", 50)] == [0, 0, 1, 2]
    for label in ("35", "45", "x", 33.0):
        with pytest.raises(ValueError, match=r"none of the device.s bands: 31\.5, 40, 50"):
            equaliser.index_of(label)
    with pytest.raises(DeviceProfileError, match=r"line 6.*measured_centres: needs one for each"):
        read(tmp_path, found.replace("33.0, ", ""))
    with pytest.raises(DeviceProfileError, match="each in a third octave"):
        read(tmp_path, GOOD.replace("[31.5, 40, 50]", "[48, 53]"))


def with_found(*tables):
    bands = "\n".join(f"[[equaliser.found]]\n{table}" for table in tables)
    return GOOD.replace("q = 2.0\n", f"q = 2.0\n\n{bands}\n")


def test_found_bands_are_read(tmp_path):
    own = "centre = 40\nmeasured_centre = 41.5\nsettings = [{ setting_db = -6.0, gain_db = -5.5 }]"
    equaliser = read(tmp_path, with_found(own)).equaliser
    assert equaliser.centres[1] == 41.5
    gain, q = equaliser.section(1, -6.0)
    assert (float(gain), float(q)) == (-5.5, 2.0)


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        (["centre = 45"], "each is one of centres, given once"),
        (["centre = 40", "centre = 40"], "each is one of centres, given once"),
        (["centre = 40\nsettings = [{ setting_db = -6.0, gain_db = 5.5 }]"], "the same sign"),
        (["centre = 40\nmeasured_centre = -1"], "-1 Hz is not plausible"),
        (["centre = 40\ngain = 3"], "gain"),
    ],
)
def test_found_bands_that_cannot_be_are_refused(tmp_path, tables, said):
    with pytest.raises(DeviceProfileError, match=said):
        read(tmp_path, with_found(*tables))


def test_a_profile_is_written_as_it_is_read(tmp_path):
    text = GOOD.replace('"Test amplifier"', '"An \\"old\\" box, \\u00e9t\\u00e9\\\\"')
    own = "centre = 40\nsettings = [{ setting_db = -6.0, q = 3.0 }, { setting_db = 3.0, q = 2.5 }]"
    (tmp_path / "one.toml").write_text(
        text.replace("q = 2.0\n", f"q = 2.0\n\n[[equaliser.found]]\n{own}\n"), "utf-8"
    )
    tables = read_profile_tables(tmp_path / "one.toml")
    said = {("equaliser", "found", 0): "of the band", ("equaliser", "q"): "of the Q"}
    write_profile(tables, tmp_path / "two.toml", comments=said)
    assert read_profile_tables(tmp_path / "two.toml") == tables
    written = (tmp_path / "two.toml").read_text("utf-8")
    assert "# of the Q\nq = 2.0\n" in written
    assert "# of the band\n[[equaliser.found]]\n" in written


def test_a_profile_takes_the_place_of_nothing(tmp_path):
    (tmp_path / "one.toml").write_text(GOOD, "utf-8")
    (tmp_path / "link.toml").symlink_to(tmp_path / "elsewhere.toml")
    tables = read_profile_tables(tmp_path / "one.toml")
    for name, said in (("one", "exists: it is left as it is"), ("link", "is a link")):
        with pytest.raises(DeviceProfileError, match=said):
            write_profile(tables, tmp_path / f"{name}.toml", comments={})
    assert (tmp_path / "one.toml").read_text("utf-8") == GOOD
    assert not (tmp_path / "elsewhere.toml").exists()


@pytest.mark.parametrize("table", ["[equaliser.q_by_gain]", "[[equaliser.found]]"])
def test_what_the_shipped_profile_explains_is_read(tmp_path, table):
    text = (PROFILES / "nine_band.toml").read_text("utf-8")
    lines = [line.removeprefix("#   ") for line in text.splitlines() if line.startswith("#   ")]
    start = lines.index(table)
    size = next((n for n, line in enumerate(lines[start + 1 :], 1) if line[0] == "["), len(lines))
    if "q_by_gain" in table:
        text = text.replace("\nq = 4.318", "\n#")
    (tmp_path / "own.toml").write_text("\n".join([text, *lines[start : start + size]]), "utf-8")
    equaliser = read_device(tmp_path / "own.toml").equaliser
    told = {"[equaliser.q_by_gain]": [2.2, 3.2], "[[equaliser.found]]": [3.9, 3.21]}[table]
    assert [float(equaliser.section(3, gain)[1]) for gain in (3.0, -6.0)] == told
