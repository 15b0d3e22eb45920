"""Plans as files."""

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace
from places import SAMPLES, SAVED_PLANS

from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.errors import PlanFileError
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.plan.plan import read_plan, write_plan
from roomeq.plan.records import PresentRecord


@pytest.fixture(scope="module")
def plan():
    return propose(read_room(SAMPLES / "rented_hall"), node_limit=1)


def test_opens_again_with_every_digit(plan, tmp_path):
    write_plan(plan, tmp_path / "hall.json")
    again = read_plan(tmp_path / "hall.json")
    assert again == plan
    assert again.gains_db == plan.gains_db
    difference = np.array(again.curves.predicted_level_db) - plan.curves.predicted_level_db
    assert np.abs(difference).max() <= 1e-9
    assert [path.name for path in tmp_path.iterdir()] == ["hall.json"]


def test_says_when_and_by_whom_it_was_made(tmp_path):
    room = read_room(SAMPLES / "rented_hall")
    made = propose(room, node_limit=1, date=date(2024, 2, 29), by="A. Nother")
    write_plan(made, tmp_path / "hall.json")
    assert b'"date": "2024-02-29"' in (tmp_path / "hall.json").read_bytes()
    again = read_plan(tmp_path / "hall.json")
    assert (again.date, again.by) == (date(2024, 2, 29), "A. Nother")


def test_is_made_today_where_nothing_is_said(plan):
    assert plan.date is not None
    assert abs(plan.date - date.today()) <= timedelta(days=1)  # it may be midnight
    assert plan.by is None


def test_a_plan_without_a_date_still_opens():
    assert read_plan(SAVED_PLANS / "format_2.json").date is None


STATED = """
[device.present.protection]
corner = 20

[processor]
level_trim = true
"""


def test_keeps_what_else_was_set_while_measuring(plan, tmp_path):
    folder = tmp_path / "hall"
    shutil.copytree(SAMPLES / "rented_hall", folder)
    text = (folder / "room.toml").read_text("utf-8")
    stated = text.replace('"normal"', '"inverted"').replace("phase_deg = 0.0", "phase_deg = 40.0")
    stated = stated.replace("phase_deg", "delay_ms = 3.0\nphase_deg") + STATED
    (folder / "room.toml").write_text('mains_path = "none"\n' + stated, "utf-8")
    made = propose(read_room(folder), node_limit=1)
    write_plan(made, tmp_path / "hall.json")
    kept = read_plan(tmp_path / "hall.json").present
    assert (kept.delay_ms, kept.polarity, kept.phase_deg) == (3.0, "inverted", 40.0)
    assert (kept.protection.corner, kept.protection_known) == (20.0, True)
    assert kept.path == ("low-pass Linkwitz-Riley 24 dB/oct at 100 Hz in the processor",)
    assert (kept.mains_path, kept.level_trim) == ((), True)
    unsaid = plan.present
    assert (unsaid.delay_ms, unsaid.protection_known, unsaid.mains_path) == (None, False, None)
    assert not unsaid.level_trim
    assert read_plan(SAVED_PLANS / "format_2.json").present is None


def test_prediction_follows_from_settings(plan):
    curves = plan.curves
    change = np.array(curves.response_db) - curves.present_response_db + plan.level.exact_change_db
    np.testing.assert_allclose(
        np.array(curves.predicted_level_db) - curves.before_level_db,
        np.broadcast_to(change, np.shape(curves.before_level_db)),
        atol=1e-9,
    )


def test_inputs_carry_their_digests(plan):
    import hashlib

    assert {entry.role for entry in plan.inputs} >= {"room", "measurement"}
    for entry in plan.inputs:
        data = (SAMPLES / "rented_hall" / entry.file).read_bytes()
        assert entry.sha256 == hashlib.sha256(data).hexdigest()


def test_a_failed_write_leaves_the_old_plan_and_nothing_else(plan, tmp_path, monkeypatch):
    target = tmp_path / "hall.json"
    write_plan(replace(plan, roomeq_version="0.0"), target)
    old = target.read_bytes()
    monkeypatch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(OSError("full")))
    with pytest.raises(OSError, match="full"):
        write_plan(plan, target)
    assert target.read_bytes() == old
    assert [path.name for path in tmp_path.iterdir()] == ["hall.json"]


def test_no_folder_to_write_to(plan, tmp_path):
    # the plan is named, not the temporary file beside it
    with pytest.raises(FileNotFoundError, match=r"nowhere/hall\.json'$"):
        write_plan(plan, tmp_path / "nowhere" / "hall.json")
    (tmp_path / "folder").mkdir()
    with pytest.raises(PlanFileError, match="/folder: is a folder: it is left as it is"):
        write_plan(plan, tmp_path / "folder")
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]


def test_a_measurement_is_not_lost_to_a_mistyped_name(plan, tmp_path):
    measurement = tmp_path / "sofa.csv"
    measurement.write_text("frequency (Hz),level (dB)\n20,70\n")
    with pytest.raises(PlanFileError, match=r"sofa\.csv: exists and is not a plan"):
        write_plan(plan, measurement)
    assert measurement.read_text().startswith("frequency (Hz)")
    assert [path.name for path in tmp_path.iterdir()] == ["sofa.csv"]
    write_plan(plan, tmp_path / "hall.json")
    write_plan(plan, tmp_path / "hall.json")  # a plan gives way to a plan


def test_other_json_is_not_taken_for_a_plan(plan, tmp_path):
    for text in ('{"format": 1}', '{"format": "roomeq sweep", "room": "", "bands": []}', "[1]"):
        (tmp_path / "other.json").write_text(text)
        with pytest.raises(PlanFileError, match="is not a plan"):
            write_plan(plan, tmp_path / "other.json")
        assert (tmp_path / "other.json").read_text() == text


def test_others_may_read_a_plan(plan, tmp_path):
    # a temporary file is private (0600); what is kept is meant to be handed on
    write_plan(plan, tmp_path / "hall.json")
    assert (tmp_path / "hall.json").stat().st_mode & 0o777 == 0o644


def _changed(plan, **changes):
    return json.dumps(json.loads(plan.to_json()) | changes)


def test_damaged_and_foreign_files_are_refused(plan, tmp_path):
    path = tmp_path / "plan.json"
    for text, said in [
        ("not json", "is not a plan"),
        ('{"name": 1}', "is not a plan"),
        (_changed(plan, format=99), "format 99 is not known (this release reads formats 1 and 2)"),
        (_changed(plan, colour="blue"), "is damaged: Object contains unknown field `colour`"),
        (_changed(plan, seats="none"), "is damaged"),
    ]:
        path.write_text(text, "utf-8")
        with pytest.raises(PlanFileError) as fault:
            read_plan(path)
        assert said in str(fault.value)
        assert str(path) in str(fault.value)
    inner = json.loads(plan.to_json())
    inner["bands"][0]["colour"] = "blue"
    path.write_text(json.dumps(inner), "utf-8")
    with pytest.raises(PlanFileError, match=r"unknown field `colour` - at `\$\.bands"):
        read_plan(path)
    with pytest.raises(PlanFileError, match="no such file"):
        read_plan(tmp_path / "missing.json")
    with pytest.raises(PlanFileError, match="is a folder, not a file"):
        read_plan(tmp_path)


def test_a_row_that_is_too_short_is_refused(plan, tmp_path):
    parts = json.loads(plan.to_json())
    parts["curves"]["predicted_level_db"][1] = parts["curves"]["predicted_level_db"][1][:-1]
    (tmp_path / "plan.json").write_text(json.dumps(parts), "utf-8")
    with pytest.raises(PlanFileError, match=r"curves\.predicted_level_db needs 4 rows of 9"):
        read_plan(tmp_path / "plan.json")


def test_a_plan_of_nothing_is_refused(plan, tmp_path):
    parts = json.loads(plan.to_json())
    parts["seats"] = []
    for name in ("before_level_db", "predicted_level_db"):
        parts["curves"][name] = []
    (tmp_path / "plan.json").write_text(json.dumps(parts), "utf-8")
    with pytest.raises(PlanFileError, match="at least one seat, one band and one frequency"):
        read_plan(tmp_path / "plan.json")


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("bands", "its bands are not those of its device"),
        ("seats", "curves.before_level_db needs 3 rows of 9 values"),
        ("curves.frequencies", "curves.target_level_db needs 8 values"),
        ("curves.frequency_weights", "curves.frequency_weights needs 9 values"),
        ("curves.before_level_db", "curves.before_level_db needs 4 rows of 9 values"),
    ],
)
def test_parts_that_do_not_fit_each_other_are_refused(plan, tmp_path, place, said):
    parts = json.loads(plan.to_json())
    holder = parts
    *above, last = place.split(".")
    for key in above:
        holder = holder[key]
    holder[last] = holder[last][:-1]
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(parts), "utf-8")
    with pytest.raises(PlanFileError) as fault:
        read_plan(path)
    assert f"{path}: is damaged: {said}" in str(fault.value)


def test_plans_of_earlier_releases_open():
    # frozen output, not evidence: one file from every release that changed the format
    found = {path.stem: read_plan(path) for path in SAVED_PLANS.glob("*.json")}
    assert {plan.statement for plan in found.values()} == {1, 2}
    assert found["format_1"].choices == ()
    assert found["format_2"].joining is not None
    assert [row.setting for row in found["format_2"].choices] == ["now", "best", "proposal"]


def test_short_views(plan):
    assert repr(plan).startswith("<Plan for Rented hall: ")
    assert plan.changes
    assert plan.deviation_after_db < plan.deviation_before_db
    assert plan.lower_bound_db <= plan.deviation_after_db
    codes = {caution.code for caution in plan.cautions}
    assert CautionCode.BAND_LEVELS_ONLY in codes
    assert {c.code for c in plan.reservations} <= codes
    assert CautionCode.BAND_LEVELS_ONLY not in {c.code for c in plan.reservations}


def test_a_change_is_a_change_from_what_is_set_now(plan):
    kept = tuple(replace(band, present_db=-3.0, gain_db=-3.0) for band in plan.bands)
    louder = replace(plan, bands=kept)
    assert not louder.changes
    assert louder.level.changes
    assert "0 of 9 bands change" in repr(louder)
    level = replace(plan.level, change_db=0.0, upstream_db=0.0)
    same = replace(louder, level=level)
    assert repr(same) == "<Plan for Rented hall: no change>"
    undone = replace(plan, bands=(replace(kept[0], gain_db=0.0), *kept[1:]))
    assert undone.changes
    assert "1 of 9 bands change" in repr(undone)


def test_a_band_that_stays_is_not_moved_whether_or_not_it_was_stated(plan):
    kept = tuple(replace(band, present_db=band.gain_db) for band in plan.bands[1:])
    first = replace(plan.bands[0], present_db=-3.0, gain_db=-1.5)
    names = ("path", "mains_path", "protection", "delay_ms", "polarity", "phase_deg")
    told = dict.fromkeys((*names, "phase_frequency")) | {"protection_known": False}
    unknown = PresentRecord(**told, level_trim=False, gains_stated=False)
    for present in (plan.present, unknown):
        some = replace(plan, bands=(first, *kept), present=present)
        moved = [row[0] for row in some.moved_rows()]
        assert [name for name in moved if name.endswith("Hz")] == [f"{first.label} Hz"]


def test_seats_are_judged_by_the_sum_where_it_is_joined(plan):
    joined = read_plan(SAVED_PLANS / "format_2.json")
    assert plan.judged_seats == plan.seats
    assert joined.judged_seats == joined.joining.seat_rows != joined.seats


def test_figures_are_those_of_the_evidence(plan):
    evidence = replace(
        plan.evidence,
        deviation_before_db=4.0,
        deviation_db=3.0,
        best_deviation_db=2.0,
        lower_bound_db=1.5,
        filter_boost_db=1.0,
        drive_boost_db=5.0,
    )
    told = replace(plan, evidence=evidence)
    assert (told.deviation_before_db, told.deviation_after_db) == (4.0, 3.0)
    assert (told.lower_bound_db, told.drive_boost_db) == (1.5, 5.0)


def test_what_must_be_read_first(plan):
    # plain information: what is nearly always so, or asks for no decision; the rest is read first
    plain = {
        CautionCode.BANDS_IN_NOISE,
        CautionCode.BAND_LEVELS_ONLY,
        CautionCode.DISTORTION_EXTRAPOLATED,
        CautionCode.FEW_SEATS,
        CautionCode.LICENSED_MAINS_WORK,
        CautionCode.LOWER_LIMIT_UNKNOWN,
        CautionCode.MEASURING_VOLTAGE_UNKNOWN,
        CautionCode.MINIMUM_IMPEDANCE_ASSUMED,
        CautionCode.NEVER_LIFT_EARTH,
        CautionCode.NOISE_UNKNOWN,
        CautionCode.ONE_SEAT_STANDS_OUT,
        CautionCode.Q_ASSUMED,
        CautionCode.ROOM_GAIN_UNKNOWN,
        CautionCode.WORKS_HARDER,
        CautionCode.WORKS_HARDER_AS_SET,
    }
    everything = replace(plan, cautions=tuple(Caution(code=code) for code in CautionCode))
    assert {caution.code for caution in everything.reservations} == set(CautionCode) - plain


def test_notebook_table_shows_the_settings(plan):
    level = replace(plan.level, setting_db=-2.5, change_db=3.5)
    page = replace(plan, level=level)._repr_html_()
    # now is the setting less the change: -2.5 - 3.5
    assert "<tr><td>Level knob</td><td>-6.0</td><td>-2.5</td><td>set</td></tr>" in page
    for band in plan.bands:
        now = f"{band.present_db:+.1f}" if band.present_db else "0.0"
        assert f"<td>{band.label} Hz</td><td>{now}</td>" in page
    quarter = (replace(plan.bands[0], present_db=-1.25, gain_db=0.125), *plan.bands[1:])
    page = replace(plan, bands=quarter)._repr_html_()
    assert "<td>20 Hz</td><td>-1.25</td><td>+0.125</td><td>set</td>" in page
    unknown = replace(plan, level=replace(level, setting_db=None))._repr_html_()
    assert "<td>not stated</td><td>+3.5 from now</td>" in unknown


def test_recordings_of_a_saved_plan_open_again_and_damage_is_refused(plan, tmp_path):
    saved = SAVED_PLANS / "format_1_recordings.json"
    assert [row.counts for row in read_plan(saved).recordings] == [1.0, 1.0, 0.5, 1.0, 1.0]
    assert plan.recordings == ()  # of a room of hand-typed levels
    parts = json.loads(saved.read_text("utf-8"))
    parts["recordings"][0]["snr_db"].pop()
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(parts), "utf-8")
    with pytest.raises(PlanFileError, match="one signal-to-noise ratio for each band"):
        read_plan(path)
