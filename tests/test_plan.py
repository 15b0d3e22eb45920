"""Plans as files."""

import json
from pathlib import Path

import numpy as np
import pytest

from roomeq.errors import PlanFileError
from roomeq.plan import CautionCode, read_plan, write_plan
from roomeq.proposal import propose
from roomeq.room_reading import read_room

SAMPLES = Path(__file__).parents[1] / "sample_measurements"
SAVED = Path(__file__).parent / "saved_plans"


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
    target.write_text("old")
    monkeypatch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(OSError("full")))
    with pytest.raises(OSError, match="full"):
        write_plan(plan, target)
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["hall.json"]


def test_no_folder_to_write_to(plan, tmp_path):
    with pytest.raises(OSError, match="No such file"):
        write_plan(plan, tmp_path / "nowhere" / "hall.json")


def _changed(plan, **changes):
    return json.dumps(json.loads(plan.to_json()) | changes)


def test_damaged_and_foreign_files_are_refused(plan, tmp_path):
    path = tmp_path / "plan.json"
    for text, said in [
        ("not json", "is not a plan"),
        ('{"name": 1}', "is not a plan"),
        (_changed(plan, format=99), "format 99 is not known (this release reads format 1)"),
        (_changed(plan, colour="blue"), "is damaged: Object contains unknown field `colour`"),
        (_changed(plan, seats="none"), "is damaged"),
    ]:
        path.write_text(text, "utf-8")
        with pytest.raises(PlanFileError) as fault:
            read_plan(path)
        assert said in str(fault.value)
        assert str(path) in str(fault.value)
    with pytest.raises(PlanFileError, match="no such file"):
        read_plan(tmp_path / "missing.json")
    with pytest.raises(PlanFileError, match="cannot be read"):
        read_plan(tmp_path)


def test_plans_of_earlier_releases_open():
    # frozen output, not evidence: one file from every release that changed the format
    for path in sorted(SAVED.glob("*.json")):
        assert read_plan(path).format >= 1
    assert list(SAVED.glob("*.json"))


def test_short_views(plan):
    assert repr(plan).startswith("<Plan for Rented hall: ")
    assert plan.changes
    assert plan.deviation_after_db < plan.deviation_before_db
    assert plan.lower_bound_db <= plan.deviation_after_db
    codes = {caution.code for caution in plan.cautions}
    assert CautionCode.BAND_LEVELS_ONLY in codes
    assert {c.code for c in plan.reservations} <= codes
    assert CautionCode.BAND_LEVELS_ONLY not in {c.code for c in plan.reservations}
