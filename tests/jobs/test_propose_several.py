"""Several subwoofers proposed: what is promised is what plain numpy gives, within every limit."""

import numpy as np
import pytest
from subwoofer_rooms import (
    AXIS,
    HEAD,
    OWN,
    SEATS,
    SHARED,
    digital_band,
    echoes,
    late,
    set_to,
    write_several,
)

from roomeq.base.cautions import CautionCode
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.several import choose
from roomeq.plan.plan import read_plan, write_plan
from roomeq.plan.rooms import RoomRow

FRONT, BACK = echoes(1, strength=0.3), -echoes(2, strength=0.3)
MAINS = (
    echoes(3, strength=0.3)
    * (1j * AXIS / 80) ** 4
    / ((1j * AXIS / 80) ** 2 + 2**0.5 * 1j * AXIS / 80 + 1) ** 2
)
LOW = 1.0 / ((1j * AXIS / 80) ** 2 + 2**0.5 * 1j * AXIS / 80 + 1) ** 2
CROSSED = """\
[[path]]
kind = "low_pass"
family = "linkwitz_riley"
order = 4
corner = 80
[[mains_path]]
kind = "high_pass"
family = "linkwitz_riley"
order = 4
corner = 80
[processor]
delay_lowest_ms = -10
delay_highest_ms = 0
delay_step_ms = 0.1
"""
FEW = 60
UPPER_LOCKED = "[limits]\nlocked = [50, 63, 80, 100, 125]\n"
ALL_LOCKED = UPPER_LOCKED.replace("[50", "[20, 25, 31.5, 40, 50")


@pytest.fixture(scope="module", autouse=True)
def few_evaluations():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(choose, "EVALUATIONS_EACH", FEW)
        yield


def settings_of(plan):
    """Return what the plan changes on each against now, as arguments of `set_to`."""
    return {
        name: {
            "gains_db": one.gains_db,
            "level_db": one.level.exact_change_db,
            "delay": 1e-3 * one.set_together.delay_ms,
            "inverted": one.set_together.inverted,
        }
        for name, one in plan.subwoofers.items()
    }


def levels_at(pressures, points):
    return np.array([np.interp(np.log(points), np.log(AXIS), 20 * np.log10(np.abs(row)))
                     for row in pressures])  # fmt: skip


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    own, parts = OWN + "delay_ms = 0\n", {"front": FRONT, "back": BACK}
    folder = write_several(tmp_path_factory.mktemp("two"), parts, own=own)
    return propose(read_room(folder))


def test_an_inverted_one_is_turned_back_or_made_up_for(plan):
    def efficiency(front, back):
        low = (AXIS > 25.0) & (AXIS < 60.0)
        whole = np.abs(front + back)[:, low] / (np.abs(front) + np.abs(back))[:, low]
        return float(np.mean(whole))

    turns = {
        name: {key: setting[key] for key in ("delay", "inverted")}
        for name, setting in settings_of(plan).items()
    }
    assert efficiency(FRONT, BACK) < 0.5
    assert efficiency(set_to(FRONT, **turns["front"]), set_to(BACK, **turns["back"])) > 0.85
    assert plan.together.after.deviation_db < 0.6 * plan.together.before.deviation_db
    assert plan.no_change is None


def test_no_joining_is_kept_that_leaves_the_bands_of_several(tmp_path):
    room = read_room(write_several(tmp_path, {"front": FRONT, "back": BACK}))
    with pytest.raises(ValueError, match="chosen together, none of them is kept"):
        propose(room, keep_bands=True)


def test_table_and_view_hold_what_is_set_on_each(plan):
    """And nothing of the bands of the whole, of which there are none."""
    frame = plan.to_frame()
    for name, one in plan.subwoofers.items():
        rows = frame[frame["subwoofer"] == name]
        assert list(rows["band"][:9]) == [band.label for band in one.bands]
        assert [float(text) for text in rows["set_to"][:9]] == list(one.gains_db)
        told = dict(zip(rows["band"], rows["set_to"], strict=True))
        assert told["Delay"] == f"{one.set_together.delay_ms:.2f} ms"
        assert told["Polarity"] == ("inverted" if one.set_together.inverted else "normal")
    assert set(frame["subwoofer"]) == {"front", "back"}
    page = plan._repr_html_()
    for _, *words in plan.setting_cells():
        for text in words:
            assert f"<td>{text}</td>" in page
    assert "not stated" not in page


def test_what_arrives_of_each_is_promised_as_numpy_has_it(plan):
    points = np.array(plan.together.points)
    parts = {"front": FRONT, "back": BACK}
    for name, setting in settings_of(plan).items():
        promised = plan.subwoofers[name].set_together
        expected = set_to(parts[name], **setting)
        np.testing.assert_allclose(promised.level_db, levels_at(expected, points), atol=0.05)
        turn = np.array([np.interp(points, AXIS, np.unwrap(np.angle(row))) for row in expected])
        off = np.exp(1j * (np.deg2rad(promised.phase_deg) - turn))
        np.testing.assert_allclose(np.angle(off, deg=True), 0.0, atol=1.0)


def test_the_predicted_sum_is_that_of_numpy(plan):
    settings = settings_of(plan)
    whole = set_to(FRONT, **settings["front"]) + set_to(BACK, **settings["back"])
    axis = np.array(plan.curves.frequencies)
    for row, curve in zip(whole, plan.curves.predicted_level_db, strict=True):
        # power over a twelfth of an octave, by a plain mean
        around = axis[:, None] * 2.0 ** np.linspace(-1 / 24, 1 / 24, 31)
        power = np.interp(np.log(around), np.log(AXIS), np.abs(row) ** 2).mean(axis=1)
        used = np.array(plan.curves.frequency_weights) > 0
        off_db = (np.array(curve) - 10 * np.log10(power))[used]
        assert np.abs(off_db).max() < 0.2


def test_the_plan_read_back_is_the_same(plan, tmp_path):
    write_plan(plan, tmp_path / "plan.json")
    assert read_plan(tmp_path / "plan.json") == plan


def test_loudness_is_kept_and_settings_are_those_of_the_knobs(plan):
    settings = settings_of(plan)
    for one in plan.subwoofers.values():
        assert one.level.setting_db <= 0.0
        assert 2.0 * one.level.setting_db == pytest.approx(round(2.0 * one.level.setting_db))
        assert 0.0 <= one.set_together.delay_ms <= 20.0
        tenths = 10.0 * one.set_together.delay_ms
        assert tenths == pytest.approx(round(tenths))
        assert all(2.0 * gain == round(2.0 * gain) for gain in one.gains_db)
    used = (AXIS > 22.0) & (AXIS < 125.0)
    now = FRONT + BACK
    then = set_to(FRONT, **settings["front"]) + set_to(BACK, **settings["back"])
    means = [10 * np.log10((np.abs(rows) ** 2).mean(axis=0))[used].mean() for rows in (now, then)]
    assert means[1] - means[0] == pytest.approx(0.0, abs=1.0) or any(
        caution.code is CautionCode.LOUDNESS_CUT for caution in plan.cautions
    )


def test_where_nothing_is_gained_nothing_changes(tmp_path):
    # equal ones, of which only polarity and level are free: the seats keep their shapes
    locked = "limits = { locked = [20, 25, 31.5, 40, 50, 63, 80, 100, 125] }"
    own = OWN.replace("delay_highest_ms = 20\n", "")
    parts, more = {"front": FRONT, "back": FRONT}, {"front": locked, "back": locked}
    plan = propose(read_room(write_several(tmp_path, parts, own=own, more=more)))
    assert plan.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    assert plan.together.after == plan.together.before
    for setting in settings_of(plan).values():
        assert not any(setting["gains_db"])
        assert (setting["level_db"], setting["delay"], setting["inverted"]) == (0.0, 0.0, False)


def test_limits_and_drive_of_each_are_kept(tmp_path):
    more = {
        "back": "limits = { filter_boost_db = 2, drive_boost_db = 1, locked = [63], "
        "no_boost_below = 28 }"
    }
    folder = write_several(tmp_path, {"front": FRONT, "back": BACK}, more=more)
    room = read_room(folder)
    plan = propose(room)
    settings = settings_of(plan)
    axis = np.geomspace(10.0, 250.0, 600)
    for one in room.subwoofers:
        limits, setting = one.room.limits, settings[one.name]
        gains = enumerate(setting["gains_db"])
        bands = [digital_band(axis, centre=10.0 ** (1.3 + 0.1 * b), gain_db=g) for b, g in gains]
        boost_db = 20 * np.log10(np.abs(np.prod(bands, axis=0)))
        assert boost_db.max() <= limits.filter_boost_db + 0.05
        # nothing is asked for where nothing may be boosted, but by the skirt of a band above
        drive_db = boost_db + setting["level_db"]
        assert drive_db[axis > 25.0].max() <= limits.drive_boost_db + 0.05
    assert settings["back"]["gains_db"][5] == 0.0
    assert max(settings["back"]["gains_db"][:2]) <= 0.0
    assert any(settings["front"]["gains_db"])


TUNED = 'box = { kind = "vented", resonance = 35, q = 0.4, tuning = 40, compliance_ratio = 1.2 }'


def test_below_the_tuning_of_its_box_none_is_driven_up_by_more_than_3_db(tmp_path):
    """A level far out of reach is wanted, and the limit of boost is 0 dB: the level is left."""
    reaches_down = HEAD.replace("lower_limit = 22", "lower_limit = 15")
    head = reaches_down + "level_spl_db = 125\n[limits]\nfilter_boost_db = 0\n"
    parts = {"front": FRONT, "back": BACK}
    folder = write_several(tmp_path, parts, head=head, more={"front": TUNED})
    file = folder / "room.toml"
    unit = '[[measurements]]\nlevel_unit = "dB SPL"'
    file.write_text(file.read_text().replace("[[measurements]]", unit))
    front = settings_of(propose(read_room(folder)))["front"]
    axis = np.geomspace(20.0, 40.0, 200)
    gains = enumerate(front["gains_db"])
    bands = [digital_band(axis, centre=10.0 ** (1.3 + 0.1 * b), gain_db=g) for b, g in gains]
    drive_db = 20 * np.log10(np.abs(np.prod(bands, axis=0))) + front["level_db"]
    assert 2.0 < drive_db.max() <= 3.05


def test_another_high_pass_comes_first_for_the_sum_is_told_without_it(tmp_path):
    """What a vented box needs at the wanted level turns what arrives from it."""
    loud = """[headroom]
wanted_spl_db = 112
[amplifier]
ratings = [{ power_w = 300, load_ohm = 4 }]
measuring_voltage = 4.0
measuring_frequency = 50
[load]
driver_nominal_ohm = 4
[box]
kind = "vented"
resonance = 26
q = 0.4
tuning = 24
compliance_ratio = 1.2
[driver]
piston_area_m2 = 0.05
largest_displacement = 0.008
sensitivity_db = 90
"""
    own = OWN + "protection = {{ off = true }}\n"
    folder = write_several(
        tmp_path, {"front": FRONT, "back": BACK}, head=HEAD + ALL_LOCKED + loud, own=own
    )
    file = folder / "room.toml"
    spl = file.read_text().replace("[[measurements]]", '[[measurements]]\nlevel_unit = "dB SPL"')
    file.write_text(spl)
    plan = propose(read_room(folder))
    changed = [name for name, one in plan.subwoofers.items() if one.protection.changes]
    assert changed == ["front", "back"]
    (first,) = (c for c in plan.cautions if c.code is CautionCode.HIGH_PASS_FIRST)
    assert first.name == "front and back"
    assert first in plan.reservations
    (corner,) = {one.protection.high_pass.corner for one in plan.subwoofers.values()}
    set_so = f"protection = {{ corner = {corner:g} }}"
    file.write_text(spl.replace("protection = { off = true }", set_so))
    held = propose(read_room(folder))
    assert not any(one.protection.changes for one in held.subwoofers.values())
    assert all(c.code is not CautionCode.HIGH_PASS_FIRST for c in held.cautions)


def test_a_device_without_a_knob_and_in_coarse_steps_is_set_in_its_steps(tmp_path):
    more = {"back": 'profile = "coarse_step"'}
    plan = propose(read_room(write_several(tmp_path, {"front": FRONT, "back": BACK}, more=more)))
    back = plan.subwoofers["back"]
    assert all(gain / 1.5 == round(gain / 1.5) for gain in back.gains_db)
    assert back.level.setting_db == round(back.level.setting_db)


def test_a_fed_one_gets_what_its_feeder_gets(tmp_path):
    more = {"front": "delay_highest_ms = 8", "back": 'fed_by = "front"'}
    parts, head = {"front": FRONT, "back": BACK}, HEAD + UPPER_LOCKED
    folder = write_several(tmp_path, parts, head=head, own=SHARED, more=more)
    plan = propose(read_room(folder))
    front, back = plan.subwoofers["front"], plan.subwoofers["back"]
    assert back.gains_db == front.gains_db
    assert any(front.gains_db)
    assert back.set_together.delay_ms == front.set_together.delay_ms
    assert back.set_together.fed_by == "front"
    assert back.set_together.inverted != front.set_together.inverted  # all that it has of its own


def test_with_mains_they_are_joined_as_one(tmp_path):
    front, back = FRONT * LOW, BACK * LOW
    folder = write_several(
        tmp_path,
        {"front": front, "back": back},
        head=HEAD.replace('path = "none"\n', "") + UPPER_LOCKED + CROSSED,
        mains=MAINS,
    )
    room = read_room(folder)
    plan = propose(room)
    row = RoomRow.of(plan, folder="here", best=False, doubtful=False)
    assert (row.judged, row.deviation_after_db) == ("together", plan.together.after.deviation_db)
    assert (row.gains_db, row.drive_boost_db, row.lower_bound_db) == ({}, None, None)
    record = plan.joining
    assert record is not None
    settings = settings_of(plan)
    # delay of all against the mains, of which the sum is known
    all_late = 1e-3 * record.settings.delay_ms
    whole = set_to(front, **settings["front"]) + set_to(back, **settings["back"])
    both = late(whole, all_late) + MAINS
    axis = np.array(record.frequencies)
    around = axis[:, None] * 2.0 ** np.linspace(-1 / 24, 1 / 24, 31)
    for row, curve in zip(both, record.after_level_db, strict=True):
        power = np.interp(np.log(around), np.log(AXIS), np.abs(row) ** 2).mean(axis=1)
        near = np.abs(np.log2(axis / 80.0)) <= 1.0
        off_db = (np.array(curve) - 10 * np.log10(power))[near]
        assert np.abs(off_db).max() < 0.2


def test_without_one_time_zero_it_says_what_to_measure(tmp_path):
    head = HEAD.replace("common_reference = true", "common_reference = false")
    room = read_room(write_several(tmp_path, {"front": FRONT, "back": BACK}, head=head))
    with pytest.raises(ValueError, match="measure each with a loopback"):
        propose(room)


def test_seats_are_those_of_the_sum(plan):
    assert plan.together.seats == SEATS
