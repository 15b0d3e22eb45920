"""Rooms put together: what is stated counts, what is not is estimated and said."""

from dataclasses import replace

import numpy as np
import pytest
from judged_rooms import found, room, sound, spoilt
from places import SAMPLES
from synthetic_rooms import FREQUENCIES

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.base.errors import RoomFileError
from roomeq.device.crossover import CrossoverFilter
from roomeq.importers.room import read_room, room_from_exports
from roomeq.jobs import join as joining_proposal
from roomeq.jobs.check import room_overview
from roomeq.jobs.propose import propose
from roomeq.room.room import recording_counts, weighed_room
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import roll_off_allowance_db

ROOM = """\
format = 1
name = "Test room"

[[measurements]]
seat = "sofa"
file = "sofa.csv"

[levels]
comparable = true

[device]
profile = "nine_band"

[device.present]
gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]

[target]
"""


def write_response(path, level_db, header="level (dB SPL)"):
    rows = [f"{f:.5f},{v:.5f}" for f, v in zip(FREQUENCIES, level_db, strict=True)]
    path.write_text(f"frequency (Hz),{header}\n" + "\n".join(rows) + "\n", "utf-8")


@pytest.fixture
def folder(tmp_path):
    low_pass = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=90.0)
    level = 75 + 20 * np.log10(np.abs(low_pass.response(FREQUENCIES)))
    level = level - roll_off_allowance_db(24.0 / FREQUENCIES, order=4)
    write_response(tmp_path / "sofa.csv", level)
    (tmp_path / "room.toml").write_text(ROOM, "utf-8")
    return tmp_path


def changed(folder, old, new):
    path = folder / "room.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    return folder


def says(room, words):
    return any(words in text for text in room.assumptions)


def test_what_is_not_stated_is_estimated_and_said(folder):
    room = read_room(folder)
    # a low-pass at 90 Hz that nobody stated: no corner is guessed, what it does is a finding
    assert (room.corner, room.corner_origin) == (None, "unknown")
    assert any('or say that there is none with path = "none"' in text for text in room.findings)
    assert 80.0 < room.target.upper_limit < 125.0
    # the low-pass lowers the mean it is judged by: a rough figure, called an estimate
    assert room.target.lower_limit == pytest.approx(24.0, rel=0.1)
    assert room.target.lower_limit_estimated
    assert says(room, "an estimate, 22 Hz")
    assert room.level_reference == "spl"


def test_no_low_pass_is_believed_where_it_is_said(folder):
    before = read_room(folder)
    for words in ('path = "none"\n', "path = []\n"):
        room = read_room(changed(folder, "format = 1\n", "format = 1\n" + words))
        assert (room.corner, room.corner_origin, room.path) == (None, "none", ())
        assert room.target.upper_limit is None
        # the low-pass at 90 Hz that is there nevertheless is said, and nothing follows from it
        assert all("like that of a low-pass" in text for text in room.findings)
        changed(folder, words, "")
    assert before.findings


def test_a_low_pass_stated_some_way_off_is_believed_and_said_far_off_found(folder):
    path = '[[path]]\nkind = "low_pass"\nfamily = "linkwitz_riley"\norder = 4\ncorner = {}\n\n'
    changed(folder, "[target]\n", path.format(90) + "[target]\n")
    believed = {}
    for before, corner in zip((90, 90, 65), (90, 65, 40), strict=True):
        room = read_room(changed(folder, f"corner = {before}\n", f"corner = {corner}\n"))
        believed[corner] = says(room, "rather like that of a low-pass"), len(room.findings)
    assert believed == {90: (False, 0), 65: (True, 0), 40: (False, 1)}
    assert "Linkwitz-Riley 24 dB/oct at 90 Hz, not as stated" in room.findings[0]


def test_what_is_stated_counts(folder):
    path = '[[path]]\nkind = "low_pass"\nfamily = "butterworth"\norder = 4\ncorner = 85\n\n'
    changed(folder, "[target]\n", path + "[target]\nlower_limit = 22\nlevel_spl_db = 78\n")
    room = read_room(folder)
    assert (room.corner, room.corner_origin) == (85.0, "path")
    assert [str(entry) for entry in room.target.path] == ["low-pass Butterworth 24 dB/oct at 85 Hz"]
    assert room.target.lower_limit == 22.0
    assert room.target.level_db == 78.0
    assert not says(room, "corner")
    assert not says(room, "lower limit")


def test_known_low_pass_is_taken_out_before_the_lower_limit_is_estimated(folder):
    path = '[[path]]\nkind = "low_pass"\nfamily = "linkwitz_riley"\norder = 4\ncorner = 90\n\n'
    room = read_room(changed(folder, "[target]\n", path + "[target]\n"))
    assert room.target.lower_limit == pytest.approx(24.0, rel=0.04)


def test_corner_alone_can_be_stated(folder):
    changed(folder, "[target]\n", "[crossover]\ncorner = 88\n\n[target]\n")
    room = read_room(folder)
    assert (room.corner, room.corner_origin, room.target.path) == (88.0, "stated", ())
    assert says(room, "not the low-pass itself")


def test_present_gains_by_name_and_in_order(folder):
    changed(
        folder, "gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]", 'gains_db = { "31.5" = -3, "80" = 2 }'
    )
    assert read_room(folder).present.gains_db.tolist() == [0, 0, -3, 0, 0, 0, 2, 0, 0]


@pytest.mark.parametrize(
    ("gains", "said"),
    [
        ('{ "160" = -3 }', "'160' is none of the device's bands"),
        ("[0, 0]", "needs 9 gains"),
        ("[0, 0, 0.3, 0, 0, 0, 0, 0, 0]", "band 31.5 Hz cannot be set to 0.3 dB"),
    ],
)
def test_present_gains_that_the_device_does_not_have(folder, gains, said):
    changed(folder, "[0, 0, 0, 0, 0, 0, 0, 0, 0]", gains)
    with pytest.raises(RoomFileError) as fault:
        read_room(folder)
    assert said in str(fault.value)
    assert "line 15" in str(fault.value)


def test_present_gains_do_not_hide_the_lower_limit(folder):
    before = read_room(folder).target.lower_limit
    changed(folder, "[0, 0, 0, 0, 0, 0, 0, 0, 0]", "[6, 0, 0, 0, 0, 0, 0, 0, 0]")
    # the file holds what was measured through these gains: without them the sub falls earlier
    assert read_room(folder).target.lower_limit > before + 1.0


def test_wanted_level_needs_absolute_levels(folder):
    write_response(folder / "sofa.csv", np.zeros(FREQUENCIES.size), header="level (dB)")
    changed(folder, "[target]\n", "[target]\nlevel_spl_db = 78\n")
    with pytest.raises(RoomFileError, match="these are relative"):
        read_room(folder)


def test_level_from_the_mains(folder):
    write_response(folder / "mains.csv", np.full(FREQUENCIES.size, 81.0))
    mains = '[[measurements]]\nseat = "sofa"\nsource = "mains"\nfile = "mains.csv"\n\n[levels]'
    changed(folder, "[levels]", mains)
    changed(folder, "[target]\n", '[target]\nlevel_from = "mains"\n')
    room = read_room(folder)
    assert room.target.level_db == pytest.approx(81.0, abs=1e-6)
    assert says(room, "that of the mains: 81.0 dB")
    assert room.source == "sub"


def test_both_is_taken_where_the_subwoofer_was_not_measured_alone(folder):
    changed(folder, 'file = "sofa.csv"', 'file = "sofa.csv"\nsource = "both"')
    room = read_room(folder)
    assert room.source == "both"
    assert says(room, "below 0.7 times")


def test_mains_alone_can_be_looked_at_and_nothing_proposed(folder):
    changed(folder, 'file = "sofa.csv"', 'file = "sofa.csv"\nsource = "mains"')
    room = read_room(folder)
    assert room.source == "mains"
    assert [row.label for row in room_overview(room).bands][:2] == ["20", "25"]
    assert any("nothing can be proposed" in text for text in room.assumptions)
    with pytest.raises(ValueError, match="subwoofer was not measured"):
        propose(room)


def test_targets_from_files_are_inputs_too(folder):
    points = "frequency (Hz),level (dB)\n20,4\n40,2\n80,0\n"
    (folder / "wanted.csv").write_text(points, "utf-8")
    write_response(folder / "close.csv", 95 - roll_off_allowance_db(30.0 / FREQUENCIES, order=4))
    changed(
        folder,
        "[target]\n",
        '[target]\nshape = "points"\nfile = "wanted.csv"\nnear_field_file = "close.csv"\n',
    )
    room = read_room(folder)
    assert room.target.points == ((20.0, 4.0), (40.0, 2.0), (80.0, 0.0))
    assert room.target.lower_limit == pytest.approx(30.0, rel=0.05)
    assert {entry.role for entry in room.inputs} >= {"target", "near_field"}


def test_bare_list_of_exports(folder):
    room = room_from_exports([folder / "sofa.csv"], crossover=90.0, lower_limit=24.0)
    assert room.survey.seats == ("sofa",)
    assert (room.corner, room.corner_origin) == (90.0, "stated")
    assert room.target.lower_limit == 24.0
    assert says(room, "the device is taken for 'nine_band'")
    assert not room.survey.levels_comparable
    low_pass = CrossoverFilter(kind="low_pass", family="butterworth", order=2, corner=70.0)
    known = room_from_exports([folder / "sofa.csv"], low_pass=low_pass)
    assert (known.corner, known.corner_origin) == (70.0, "path")
    assert known.target.path == (low_pass,)
    assert says(room, "no filters in the subwoofer's path")
    assert not says(known, "no filters in the subwoofer's path")
    for wrong in (5.0, 20000.0, float("nan")):
        with pytest.raises(ValueError, match="within 20 to 300 Hz"):
            room_from_exports([folder / "sofa.csv"], crossover=wrong)
    with pytest.raises(ValueError, match="at least one text export"):
        room_from_exports([])
    with pytest.raises(FileNotFoundError, match=r"missing\.csv"):
        room_from_exports([folder / "missing.csv"])


@pytest.mark.parametrize("name", ["lakeside_cabin", "brick_cellar", "rented_hall"])
def test_sample_rooms_read(name):
    room = read_room(SAMPLES / name)
    assert room.findings == ()
    assert len(room.survey.seats) >= 4
    assert repr(room).startswith(f"<Room {room.name}: <Survey ")


def test_of_several_low_passes_the_lowest_is_the_corner(folder):
    path = '[[path]]\nkind = "low_pass"\nfamily = "butterworth"\norder = 2\ncorner = {}\n{}\n'
    high_pass = '[[path]]\nkind = "high_pass"\nfamily = "butterworth"\norder = 2\ncorner = 20\n'
    both = path.format(120, "") + path.format(90, 'where = "processor"') + high_pass
    room = read_room(changed(folder, "[target]\n", both + "[target]\n"))
    assert (room.corner, room.corner_origin) == (90.0, "path")
    assert [entry.corner for entry in room.path] == [120.0, 90.0, 20.0]
    assert room.path[1].where == "processor"
    # a high-pass protects the driver; what it takes away is not to be wished back by the target
    assert [entry.kind for entry in room.target.path] == ["low_pass", "low_pass"]


def test_seat_weights_count_in_the_lower_limit(folder):
    # the second seat hears nothing below 40 Hz; how much it counts moves the estimate
    level = 75 - roll_off_allowance_db(40.0 / FREQUENCIES, order=4)
    write_response(folder / "floor.csv", level + 12)
    seats = '[[seats]]\nname = "sofa"\nweight = {}\n[[seats]]\nname = "floor"\nweight = {}\n'
    measured = '[[measurements]]\nseat = "floor"\nfile = "floor.csv"\n\n[levels]'
    changed(folder, "[levels]", measured)
    text = (folder / "room.toml").read_text("utf-8")
    found = []
    for weights in ((50.0, 0.02), (0.02, 50.0)):
        (folder / "room.toml").write_text(text + seats.format(*weights), "utf-8")
        found.append(read_room(folder).target.lower_limit)
    assert found[0] < 26 < 32 < found[1]


def test_what_the_files_say_comes_along(folder):
    twice = '[[measurements]]\nseat = "copy"\nfile = "copy.csv"\n\n[levels]\nrepeatability_db = 0.4'
    changed(folder, "[levels]", twice)
    (folder / "copy.csv").write_bytes((folder / "sofa.csv").read_bytes())
    changed(folder, 'name = "Test room"', 'name = "Test room"\nrecord = { by = "A. Tester" }')
    room = read_room(folder)
    assert "same recording" in room.findings[0]
    assert room.repeatability_db == 0.4
    assert room.record == {"by": "A. Tester"}
    head, *rows = (folder / "sofa.csv").read_text("utf-8").splitlines()
    (folder / "copy.csv").write_text("\n".join([head, *rows[::-1]]), "utf-8")
    assert "copy.csv: sorted from descending to ascending frequency" in read_room(folder).notes
    changed(folder, "gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]", "level_db = -6.0")
    said = read_room(folder).assumptions
    assert [text for text in said if "bands' gains" in text] == [
        "the bands' gains while measuring are not stated: taken for 0 dB"
    ]


def test_one_relative_level_makes_all_relative(folder):
    write_response(folder / "chair.csv", np.zeros(FREQUENCIES.size), header="level (dB)")
    changed(folder, "[levels]", '[[measurements]]\nseat = "chair"\nfile = "chair.csv"\n\n[levels]')
    assert read_room(folder).level_reference == "relative"
    changed(folder, "[target]\n", "[target]\nlevel_spl_db = 78\n")
    with pytest.raises(RoomFileError, match="these are relative"):
        read_room(folder)


def test_level_of_the_mains_is_read_above_the_crossover_by_seat_weight(folder):
    # what the mains do near the crossover does not stand for their level
    low = FREQUENCIES < 105
    write_response(folder / "left.csv", np.where(low, 40.0, 81.0))
    write_response(folder / "right.csv", np.where(low, 40.0, 71.0))
    mains = "".join(
        f'[[measurements]]\nseat = "{seat}"\nsource = "mains"\nfile = "{file}.csv"\n\n'
        for seat, file in (("sofa", "left"), ("chair", "right"))
    )
    seats = '[[seats]]\nname = "sofa"\nweight = 3\n[[seats]]\nname = "chair"\n\n'
    changed(folder, "[levels]", mains + seats + "[levels]")
    changed(folder, "[target]\n", '[crossover]\ncorner = 80\n\n[target]\nlevel_from = "mains"\n')
    # power mean by hand: 10 lg((3 * 10^8.1 + 10^7.1) / 4) = 79.89 dB
    assert read_room(folder).target.level_db == pytest.approx(79.894, abs=1e-3)


@pytest.mark.parametrize(
    ("written", "target"),
    [
        ('shape = "tilt"\ntilt_db_per_octave = -1.5', {"tilt_db_per_octave": -1.5}),
        (
            'shape = "shelf"\nshelf_gain_db = 4.0\nshelf_corner = 50',
            {"shelf_gain_db": 4.0, "shelf_corner": 50.0},
        ),
    ],
)
def test_target_is_what_is_written(folder, written, target):
    room = read_room(changed(folder, "[target]\n", f"[target]\n{written}\n"))
    assert {name: getattr(room.target, name) for name in target} == target


def test_limits_and_fit_are_what_is_written(folder):
    written = """
[limits]
filter_boost_db = 0.0
drive_boost_db = 2.5
no_boost_below = 30
locked = [40]
unlocked = [125]

[fit]
excess_weight = 3.0
"""
    before = read_room(folder)
    assert (before.limits, before.loss) == (Limits(), Loss())
    changed(folder, "[target]\n", "[target]\n" + written)
    room = read_room(folder)
    assert room.limits == Limits(
        filter_boost_db=0.0,  # nothing at all may be boosted: 0 is not "not stated"
        drive_boost_db=2.5,
        no_boost_below=30,
        locked=(40,),
        unlocked=(125,),
    )
    assert room.loss == Loss(excess_weight=3.0)
    stated = room_from_exports([folder / "sofa.csv"], limits=room.limits)
    assert stated.limits == room.limits


def test_present_settings_are_what_is_written(folder):
    stated = 'level_db = -9.5\npolarity = "inverted"\nphase_deg = 40\ngains_db = ['
    room = read_room(changed(folder, "gains_db = [", stated))
    present = room.present
    assert (present.level_db, present.polarity, present.phase_deg) == (-9.5, "inverted", 40.0)


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        ("level_db = -9.3", "-9.3 dB cannot be set: the device offers -40 to 0 dB in steps of 0.5"),
        ("level_db = 2.0", "2 dB cannot be set"),
        ("phase_deg = 50", "50 degrees cannot be set: the device offers 0 to 180 degrees"),
        ("phase_deg = 270", "270 degrees cannot be set"),
    ],
)
def test_present_settings_that_the_device_does_not_have(folder, stated, said):
    changed(folder, "gains_db = [", f"{stated}\ngains_db = [")
    with pytest.raises(RoomFileError) as fault:
        read_room(folder)
    assert f"line 15, device.present.{stated.split()[0]}: {said}" in str(fault.value)
    assert "(state what the device shows)" in str(fault.value)


def test_controls_that_the_device_lacks(folder):
    own = (SAMPLES.parent / "roomeq/device/profiles/coarse_step.toml").read_text("utf-8")
    (folder / "own.toml").write_text(own.replace('name = "', 'polarity = false\nname = "'), "utf-8")
    changed(folder, '"nine_band"', '"own.toml"')
    assert {entry.file for entry in read_room(folder).inputs} >= {"own.toml"}
    for stated, said in (
        ("phase_deg = 90", "the device has no phase control"),
        ('polarity = "inverted"', "the device has no polarity switch"),
    ):
        text = (folder / "room.toml").read_text("utf-8")
        changed(folder, "gains_db = [", f"{stated}\ngains_db = [")
        with pytest.raises(RoomFileError, match=said):
            read_room(folder)
        (folder / "room.toml").write_text(text, "utf-8")


def test_a_mistyped_profile_is_pointed_at_in_the_room_file(folder):
    changed(folder, '"nine_band"', '"nine_bands"')
    with pytest.raises(RoomFileError) as fault:
        read_room(folder)
    assert "line 12, device.profile: there is no device profile 'nine_bands'" in str(fault.value)
    assert "coarse_step, nine_band" in str(fault.value)


def test_a_response_close_to_the_cone_must_reach_low_enough(folder):
    axis = FREQUENCIES > 60
    rows = [f"{f:.4f},90" for f in FREQUENCIES[axis]]
    (folder / "close.csv").write_text("frequency (Hz),level (dB)\n" + "\n".join(rows), "utf-8")
    changed(folder, "[target]\n", '[target]\nnear_field_file = "close.csv"\n')
    with pytest.raises(RoomFileError, match=r"near_field_file: a response close.*28\.2 to 89\.1"):
        read_room(folder)


def test_measurements_that_start_high_are_still_a_room(folder):
    # what they lack is said by whoever needs it; here the limit is simply not known
    kept = FREQUENCIES > 40
    rows = [f"{f:.4f},75" for f in FREQUENCIES[kept]]
    path = folder / "high.csv"
    path.write_text("frequency (Hz),level (dB SPL)\n" + "\n".join(rows), "utf-8")
    room = room_from_exports([path])
    assert room.target.lower_limit is None
    assert room.corner is None


def test_low_pass_of_a_bare_list_must_be_plausible(folder):
    low_pass = CrossoverFilter(kind="low_pass", family="butterworth", order=2, corner=8000.0)
    with pytest.raises(ValueError, match="within 20 to 300 Hz, got 8000 Hz"):
        room_from_exports([folder / "sofa.csv"], low_pass=low_pass)


def test_a_room_without_faults_stays_the_same():
    one = room([sound("a", "a"), sound("b", "b")])
    assert weighed_room(one) is one
    assert recording_counts(one) == (1.0, 1.0)


def test_warnings_and_noise_change_no_seat():
    warned = found(FindingCode.DISTURBANCE, Severity.WARNING)
    noise = found(FindingCode.LOW_SNR)
    one = room([("a", "sub", "a", (warned, noise), False), sound("b", "b")])
    assert weighed_room(one) is one


def test_the_only_recording_of_a_seat_counts_half():
    one = room([spoilt("a", "a"), sound("b", "b")], weights={"a": 2.0})
    assert recording_counts(one) == (0.5, 1.0)
    assert weighed_room(one).survey.weights == pytest.approx([0.5, 0.5])  # 1 and 1, not 2 and 1
    assert one.survey.weights == pytest.approx([2 / 3, 1 / 3])


def test_a_repeat_takes_its_place():
    one = room([spoilt("a", "a1"), sound("a", "a2"), sound("b", "b")])
    assert recording_counts(one) == (0.0, 1.0, 1.0)
    weighed = weighed_room(one)
    assert [entry.file for entry in weighed.survey.measurements] == ["a2", "b"]
    assert weighed.survey.weights == pytest.approx([0.5, 0.5])


def test_two_spoilt_repeats_both_count_half():
    one = room([spoilt("a", "a1"), spoilt("a", "a2"), sound("b", "b")])
    assert recording_counts(one) == (0.5, 0.5, 1.0)
    weighed = weighed_room(one)
    assert len(weighed.survey.measurements) == 3
    assert weighed.survey.weights == pytest.approx([1 / 3, 2 / 3])


def test_a_sound_recording_of_another_source_does_not_help():
    one = room([spoilt("a", "a"), sound("a", "m", "mains"), sound("b", "b")])
    assert recording_counts(one)[0] == 0.5


def test_a_spoilt_recording_of_the_mains_does_not_weigh_the_subwoofer():
    one = room([sound("a", "a"), spoilt("a", "m", "mains"), sound("b", "b")])
    assert recording_counts(one) == (1.0, 0.5, 1.0)
    assert weighed_room(one).survey.weights == pytest.approx([0.5, 0.5])


def test_what_was_left_out_counts_nothing():
    wrong = found(FindingCode.SILENT_CHANNEL)
    one = room([("a", "sub", "a", (wrong,), True), sound("b", "b")])
    assert recording_counts(one) == (0.0, 1.0)
    assert weighed_room(one) is one


def test_joining_weighs_alike(monkeypatch):
    seen = []

    def offer(weighed):
        seen.append(weighed)
        raise ValueError("seen enough")

    monkeypatch.setattr(joining_proposal, "joining_offer", offer)
    mains = ("a", "mains", "m", (), False)
    one = replace(room([spoilt("a", "a1"), sound("a", "a2"), spoilt("b", "b"), mains]), corner=80.0)
    with pytest.raises(ValueError, match="seen enough"):
        joining_proposal.join(one)
    (weighed,) = seen
    assert [entry.file for entry in weighed.survey.measurements] == ["a2", "b", "m"]
    assert weighed.survey.weights == pytest.approx([2 / 3, 1 / 3])
