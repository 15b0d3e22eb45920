"""Parts of plans and of verifications by hand: figures, words, tables, and what is refused."""

import json
from dataclasses import replace as replaced

import numpy as np
import pytest
from joining_rooms import CORNER, FREQUENCIES, linkwitz_riley, survey_of
from msgspec.structs import replace
from places import SAVED_PLANS

from roomeq.base.errors import PlanFileError
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.joining.alignment import align
from roomeq.optimiser.joining.polarity import PolarityTest
from roomeq.optimiser.joining.survey import prepare_joining
from roomeq.plan.alignment import JoiningSettingRecord, PolarityRecord
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.plan import read_plan, write_plan
from roomeq.plan.verification import (
    BandCheck,
    Cause,
    CauseCode,
    JoiningCheck,
    LevelCheck,
    SeatCheck,
    StatedJoiningSetting,
    StatedSetting,
    Verification,
    read_in_force,
)


@pytest.fixture(scope="module")
def plan():
    """A plan with a joining, as a release before this one wrote it."""
    return read_plan(SAVED_PLANS / "format_2.json")


@pytest.mark.parametrize(
    ("change_db", "upstream_db", "shown_db", "changes"),
    [(0.0, 0.0, 0.0, False), (0.5, 0.0, 0.0, True), (0, 0.04, 0.0, False), (0, -0.06, -0.1, True)],
)
def test_a_level_is_changed_here_or_upstream(plan, change_db, upstream_db, shown_db, changes):
    level = replace(plan.level, change_db=change_db, upstream_db=upstream_db)
    assert (level.upstream_shown_db, level.changes) == (shown_db, changes)


@pytest.mark.parametrize(
    ("limit", "estimated", "known"), [(None, False, False), (25.0, True, False), (25.0, False, 1)]
)
def test_a_limit_is_known_where_it_was_stated(plan, limit, estimated, known):
    target = replace(plan.target, lower_limit=limit, lower_limit_estimated=estimated)
    assert target.limit_known is bool(known)


@pytest.mark.parametrize(
    ("delay_ms", "words"),
    [(0.0049, "0 ms"), (-0.0049, "0 ms"), (0.005, "+0.01 ms"), (-1.2, "-1.20 ms: delay the mains")],
)
def test_settings_of_a_joining_in_words(plan, delay_ms, words):
    now = replace(plan.joining.present, delay_ms=3.0)
    then = replace(now, delay_ms=delay_ms, inverted=True, phase_deg=30.0)
    joining = replace(plan.joining, present=now, settings=then, bypass=("a", "b"))
    assert joining.setting_rows() == [
        ("Delay of the subwoofer", "+3.00 ms", words), ("Polarity", "normal", "inverted"),
        ("Phase control", "0 degrees", "30 degrees"),
        ("a", "engaged", "bypass"), ("b", "engaged", "bypass"),
    ]  # fmt: skip
    bare = replace(joining, settings=replace(then, phase_deg=0.0, phase_frequency=None))
    assert [name for name, _, _ in bare.setting_rows()[2:]] == ["a", "b"]
    one = {"delay_ms": 1.0, "inverted": True, "phase_deg": 9.0}
    for name, value in one.items():
        other = replace(joining, settings=replace(now, **{name: value}), bypass=())
        assert other.changes
        assert not replace(other, present=other.settings).changes


def test_what_arrives_from_each_alone_and_what_a_bypass_raises():
    """20 dB of subwoofer less 6, and 14 dB of mains, behind the filters of scipy."""
    low, high = linkwitz_riley("low", 4), linkwitz_riley("high", 4)
    seats = np.array([[1.0], [2.0]])  # the second one 6.02 dB louder, and counting thrice
    survey = survey_of(10.0 * seats * low, 5.0 * seats * high)
    survey = replaced(survey, seat_weights={"seat 1": 1.0, "seat 2": 3.0})
    data = prepare_joining(survey, corner=CORNER, span=(25.0, 250.0))
    quieter = JoiningSettings(level_change_db=-6.0)
    bypass = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=CORNER)
    record = JoiningRecord.of(align(data), measured=data, settings=quieter, bypass=(bypass,))
    at = np.array(record.frequencies)
    own, mains = (np.interp(at, FREQUENCIES, 20 * np.log10(np.abs(one))) for one in (low, high))
    louder = np.array([[0.0], [20 * np.log10(2.0)]])
    np.testing.assert_allclose(record.sub_level_db, louder + 14.0 + own, atol=0.2)  # 1/12 octave
    np.testing.assert_allclose(record.mains_level_db, louder + 20 * np.log10(5.0) + mains, atol=0.2)
    np.testing.assert_allclose(record.raised_db, -own, atol=0.01)
    # what is gained is judged in the octave around the corner, not over all of the axis
    gained = np.array(record.after_level_db) - record.before_level_db
    octave = np.abs(np.log2(at / CORNER)) <= 0.5
    for row, change in zip(record.seats, gained, strict=True):
        assert row.level_gain_db == pytest.approx(change[octave].mean(), abs=1e-9)
        assert abs(change[octave].mean() - change.mean()) > 0.1
    assert [row.weight for row in record.seats] == [0.25, 0.75]
    missed = np.array(record.after_level_db) - record.target_level_db
    assert np.average(missed.mean(axis=1), weights=[1.0, 3.0]) == pytest.approx(0.0, abs=1e-9)
    assert record.sum_residual_db is None
    assert record.bypass == (str(bypass),)
    assert JoiningRecord.of(align(data), measured=data).raised_db == ()


def test_a_tested_polarity_is_kept_in_milliseconds():
    test = PolarityTest(
        phase_inverted=True, onset_inverted=True, phase_ratio=1.5, onset_ratio=2.0, arrival=0.002
    )
    assert PolarityRecord.of(test, boxes=True) == PolarityRecord(
        inverted=True, phase_ratio=1.5, onset_ratio=2.0, arrival_ms=2.0, boxes=True
    )
    third = JoiningSettings(delay=1e-3 / 3.0)
    assert JoiningSettingRecord.of(third).delay_ms == 0.333333


def changed(plan, **parts):
    return json.dumps(json.loads(plan.to_json()) | parts)


HEADROOM = {
    "main_seat": "sofa", "bands": [], "first": None, "rated_voltage": None, "room_gain_known": True,
    "amplifier": None, "load": None, "output": None, "drive_limit": "flat",
}  # fmt: skip
NO_HIGH_PASS = {"high_pass": None, "present": None, "change": "kept", "reason": "present_unknown"}


def test_bands_that_are_none_and_a_load_that_does_not_fit_are_refused(plan, tmp_path):
    extra = json.loads(plan.to_json())["extra_drive"][0] | {"label": "0.1"}
    nothing = ("voltage", "power_w", "displacement", "amplifier_db", "displacement_db")
    nothing += ("distortion_db", "output_db", "assured_db")
    row = dict.fromkeys(("wanted_db", "reached_db", "rise_db", "drive_limit_db"), 1.0)
    row |= dict.fromkeys(nothing) | {"label": "0.1"}
    load = {"driver_nominal_ohm": 2.0, "in_series": 1, "in_parallel": 2}
    amplifier = {"ratings": [{"power_w": 9.0, "load_ohm": 8.0}], "minimum_load_ohm": 4.0}
    path = tmp_path / "plan.json"
    for parts, said in (
        ({"extra_drive": [extra]}, "0.1 Hz lies outside"),
        ({"headroom": HEADROOM | {"bands": [row]}}, "0.1"),
        ({"protection": NO_HIGH_PASS | {"band": "0.1"}}, "0.1"),
        ({"protection": NO_HIGH_PASS | {"unrelieved": "0.1"}}, "0.1"),
        ({"headroom": HEADROOM | {"amplifier": amplifier, "load": load}}, "ohm"),
    ):
        path.write_text(changed(plan, **parts), "utf-8")
        with pytest.raises(PlanFileError, match=f"plan.json: is damaged: .*{said}"):
            read_plan(path)
    path.write_text(changed(plan, headroom=HEADROOM, protection=NO_HIGH_PASS), "utf-8")
    assert read_plan(path).headroom.main_seat == "sofa"


def test_what_cannot_be_read_is_named(plan, tmp_path):
    path = tmp_path / "plan.json"
    path.write_text(changed(plan, format=1), "utf-8")
    with pytest.raises(PlanFileError, match="its joining was chosen by rules of an earlier rel"):
        read_plan(path)
    with pytest.raises(PlanFileError, match=r"b\.json: cannot be read: Not a directory"):
        read_plan(path / "b.json")
    write_plan(replace(plan, room="Attic"), tmp_path / "attic.json")
    with pytest.raises(PlanFileError, match="is the plan of 'Attic', not of 'Ferry office'"):
        write_plan(plan, tmp_path / "attic.json")
    write_plan(plan, tmp_path / "attic.json", other_room=True)
    assert read_plan(tmp_path / "attic.json") == plan


def test_gains_in_force_are_read_of_the_room_that_is_meant(tmp_path):
    path = tmp_path / "found.json"
    path.write_text('{"room": "Hall", "in_force_db": {"40": -3.0}, "agrees": false}')
    assert read_in_force(path, room="Hall") == {"40": -3.0}
    with pytest.raises(PlanFileError, match="is of 'Hall', not of 'Attic'"):
        read_in_force(path, room="Attic")
    for text, said in (('{"room": "Hall", "in_force_db": null}', "does not tell which gains"),
                       ("[]", "is no verification")):  # fmt: skip
        path.write_text(text)
        with pytest.raises(PlanFileError, match=said):
            read_in_force(path, room="Hall")


def seats_and_bands(*agree):
    seats = zip("ab", agree[:2], strict=True)
    bands = zip(("40", "50"), agree[2:], (-1.24, 0.56), strict=True)
    return {
        "seats": tuple(SeatCheck(seat=s, difference_db=0.44, agrees=a) for s, a in seats),
        "bands": tuple(
            BandCheck(label=b, difference_db=d, unexplained_db=0.0, agrees=a) for b, a, d in bands
        ),
    }


FOUND = Verification(
    room="Hall", agrees=False, tolerance_db=1.0, scatter_db=0.5, source="sub", offset_db=0.0,
    level=LevelCheck(difference_db=0.0, planned_db=None, looks_like_db=None, agrees=True),
    **seats_and_bands(True, True, True, True), causes=(), in_force_db=None, stated=(),
    not_measured_again=(),
    joining=JoiningCheck(
        agrees=False, by_sum=True, corner=80.4, loss_db=2.25, predicted_loss_db=1.0
    ),
)  # fmt: skip


@pytest.mark.parametrize("differs", [None, 0, 1, 2, 3])
def test_close_is_every_seat_and_every_band(differs):
    found = replace(FOUND, **seats_and_bands(*(n != differs for n in range(4))))
    assert found.close is (differs is None)
    assert found.only_sum_differs is (differs is None)
    assert not replace(found, source="both").only_sum_differs
    assert not replace(found, joining=None).only_sum_differs
    assert not replace(found, joining=replace(found.joining, agrees=True)).only_sum_differs


def test_a_verification_in_short():
    assert repr(FOUND) == "<Verification: Hall does not agree with its plan, 0 causes>"
    assert (
        repr(replace(FOUND, agrees=True)) == "<Verification: Hall agrees with its plan, 0 causes>"
    )
    assert FOUND.to_frame().to_numpy().tolist() == [
        ["band", "40", -1.24, True], ["band", "50", 0.56, True],
        ["seat", "a", 0.44, True], ["seat", "b", 0.44, True],
    ]  # fmt: skip
    page = FOUND._repr_html_()
    assert "<caption>Verification: Hall does not agree with its plan, 0 causes</caption>" in page
    for row in ("<td>band</td><td>40</td><td>-1.2</td><td>agrees</td>",
                "<td>band</td><td>50</td><td>+0.6</td><td>agrees</td>",
                "<td>seat</td><td>a</td><td>0.4</td><td>agrees</td>",
                "<td>sum loses</td><td>around 80 Hz</td><td>2.2, predicted 1.0</td>"
                "<td>differs</td>"):  # fmt: skip
        assert row in page
    causes = tuple(Cause(code=code) for code in (CauseCode.AS_BEFORE, CauseCode.LOW_PASS))
    told = replace(FOUND, causes=causes, joining=None, agrees=True)._repr_html_()
    assert "its plan, 2 causes: as before or low pass</caption>" in told
    assert "sum loses" not in told
    setting = StatedSetting(label="40", planned_db=1.0, stated_db=2.0)
    joined = StatedJoiningSetting(label="delay_ms", planned=1.0, stated=2.0)
    assert FOUND.stated_as_planned
    assert not replace(FOUND, stated=(setting,)).stated_as_planned
    assert not replace(FOUND, stated_joining=(joined,)).stated_as_planned
