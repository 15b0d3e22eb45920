"""Several subwoofers measured again, by plain numpy: which one is off, inverted, late, loud."""

import numpy as np
import pytest
from subwoofer_rooms import AXIS, HEAD, OWN, SEATS, echoes, set_to, write_several

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.jobs.verify import verify
from roomeq.optimiser.several import choose
from roomeq.plan.verification import CauseCode
from roomeq.report.text.verification import verification_text

PARTS = {
    "front": echoes(1, strength=0.4),
    "back": -echoes(2, strength=0.4),
    "side": 0.8 * echoes(3, strength=0.4),
}


def plan_of(folder, parts):
    head = HEAD + "[limits]\nlocked = [63, 80, 100, 125]\n"
    room = read_room(write_several(folder, parts, head=head, own=OWN + "delay_ms = 0\n"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(choose, "EVALUATIONS_EACH", 60)
        return propose(room)


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plan_of(tmp_path_factory.mktemp("three"), PARTS)


@pytest.fixture(scope="module")
def plan_of_two(tmp_path_factory):
    two = {name: PARTS[name] for name in ("front", "back")}
    return plan_of(tmp_path_factory.mktemp("two"), two)


def heard(plan, *, louder_db=1.5, seed=1, **faults):
    """Return a survey of the sum as planned, but for changes of settings by subwoofer."""
    rng = np.random.default_rng(seed)
    whole = np.zeros((len(SEATS), AXIS.size), complex)
    for name, one in plan.subwoofers.items():
        setting = {
            "gains_db": one.gains_db,
            "level_db": one.level.exact_change_db,
            "delay": 1e-3 * one.set_together.delay_ms,
            "inverted": one.set_together.inverted,
        }
        change = faults.get(name, {})
        setting["level_db"] += change.get("level_db", 0.0)
        setting["delay"] += change.get("delay", 0.0)
        setting["inverted"] ^= change.get("inverted", False)
        if not change.get("off"):
            whole += set_to(PARTS[name], **setting)
    # 0.3 dB of scatter, two values to the octave
    knots = rng.normal(0.0, 0.3, (len(SEATS), 11))
    at = np.linspace(np.log(AXIS[0]), np.log(AXIS[-1]), 11)
    scatter = np.array([np.interp(np.log(AXIS), at, row) for row in knots])
    level_db = 20.0 * np.log10(np.abs(whole)) + scatter + louder_db
    return survey_of(level_db)


def survey_of(level_db):
    return Survey(
        measurements=tuple(
            Measurement(seat=seat, response=FrequencyResponse.from_level(AXIS, row))
            for seat, row in zip(SEATS, level_db, strict=True)
        )
    )


def test_as_planned(plan):
    found = verify(plan, heard(plan))
    assert found.agrees
    assert found.causes[0].code is CauseCode.AS_PLANNED
    assert found.offset_db == pytest.approx(1.5, abs=0.3)


@pytest.mark.parametrize("name", PARTS)
@pytest.mark.parametrize(
    ("code", "change", "value"),
    [
        (CauseCode.SUBWOOFER_OFF, {"off": True}, None),
        (CauseCode.SUBWOOFER_INVERTED, {"inverted": True}, None),
        (CauseCode.SUBWOOFER_DELAY, {"delay": 0.005}, 0.005),
        (CauseCode.SUBWOOFER_LEVEL, {"level_db": 8.0}, 8.0),
    ],
)
def test_which_of_three_and_how(plan, name, code, change, value):
    found = verify(plan, heard(plan, **{name: change}))
    assert not found.agrees
    first = found.causes[0]
    assert (first.code, first.name) == (code, name)
    if value is not None:
        assert first.value == pytest.approx(value, abs=0.1 * value)


def test_nothing_was_set(plan):
    before = sum(PARTS.values())
    found = verify(plan, survey_of(20.0 * np.log10(np.abs(before))))
    assert not found.agrees
    assert found.causes[0].code is CauseCode.AS_BEFORE


@pytest.mark.parametrize("change", [{"inverted": True}, {"delay": 0.004}])
@pytest.mark.parametrize("name", ["front", "back"])
def test_of_two_by_levels_either_may_be_it(plan_of_two, name, change):
    # |a - b| = |b - a|, and one late is the other early: levels cannot tell them apart
    found = verify(plan_of_two, heard(plan_of_two, **{name: change}))
    code = CauseCode.SUBWOOFER_INVERTED if "inverted" in change else CauseCode.SUBWOOFER_DELAY
    assert {cause.name for cause in found.causes if cause.code is code} == {"front", "back"}
    assert found.causes[0].code is code
    if code is CauseCode.SUBWOOFER_DELAY:
        late = {cause.name: cause.value for cause in found.causes if cause.code is code}
        assert late[name] == pytest.approx(0.004, abs=3e-4)
        assert late["front"] == pytest.approx(-late["back"], abs=3e-4)


def test_one_of_two_that_is_off_is_told(plan_of_two):
    found = verify(plan_of_two, heard(plan_of_two, back={"off": True}))
    first = found.causes[0]
    assert (first.code, first.name) == (CauseCode.SUBWOOFER_OFF, "back")


def test_words_name_the_subwoofer(plan):
    text = verification_text(verify(plan, heard(plan, side={"off": True})))
    assert "the subwoofer side does not play" in text


def own_table(one, *, level_db=0.0, late_ms=0.0, turned=False, first_db=0.0, phase_deg=0):
    """Return the lines of a subwoofer's table that state what a plan sets, but for changes."""
    setting = one.set_together
    gains = [one.gains_db[0] + first_db, *one.gains_db[1:]]
    polarity = "inverted" if setting.inverted ^ turned else "normal"
    return (
        '[[subwoofers]]\nname = "{name}"\ndelay_highest_ms = 20\n{more}[subwoofers.present]\n'
        f"gains_db = {gains}\nlevel_db = {one.level.setting_db + level_db}\n"
        f'polarity = "{polarity}"\nphase_deg = {phase_deg}\n'
        f"delay_ms = {round(setting.delay_ms, 2) + late_ms}\n"
    )


def stated_again(folder, plan, **changes):
    """Return what is told of a room that was set as planned, but for changes by subwoofer."""
    parts = {}
    for name, one in plan.subwoofers.items():
        setting = one.set_together
        parts[name] = set_to(
            PARTS[name],
            gains_db=one.gains_db,
            level_db=one.level.exact_change_db,
            delay=1e-3 * setting.delay_ms,
            inverted=setting.inverted,
        )
    text = "".join(
        own_table(one, **changes.get(name, {})).format(name=name, more="")
        for name, one in plan.subwoofers.items()
    )
    head = HEAD + text
    return verify(plan, read_room(write_several(folder, parts, head=head, own="")))


def rows(found):
    in_db = {(r.subwoofer, r.label): (r.planned_db, r.stated_db) for r in found.stated}
    return in_db | {(r.subwoofer, r.label): (r.planned, r.stated) for r in found.stated_joining}


def test_settings_stated_as_planned_are_not_told(plan_of_two, tmp_path):
    found = stated_again(tmp_path, plan_of_two)
    assert found.agrees
    assert rows(found) == {}


def test_settings_of_each_stated_otherwise_are_told(plan_of_two, tmp_path):
    wrong = {
        "front": {"level_db": -1.0, "turned": True},
        "back": {"first_db": -2.5, "late_ms": 1.5},
    }
    found = stated_again(tmp_path, plan_of_two, **wrong)
    assert found.agrees  # what is stated is not what is measured
    front, back = (plan_of_two.subwoofers[name] for name in ("front", "back"))
    polarity = ("normal", "inverted")
    turned = front.set_together.inverted
    delay_ms = back.set_together.delay_ms
    assert rows(found) == {
        ("front", "level"): (front.level.setting_db, front.level.setting_db - 1.0),
        ("back", "20"): (back.gains_db[0], back.gains_db[0] - 2.5),
        ("front", "polarity"): (polarity[turned], polarity[not turned]),
        ("back", "delay_ms"): (delay_ms, pytest.approx(round(delay_ms, 2) + 1.5)),
    }
    text = " ".join(verification_text(found).split())
    assert f"front: Polarity: planned {polarity[turned]}, stated {polarity[not turned]}" in text
    assert f"back: Delay: planned {delay_ms:+.2f} ms" in text.replace(
        "planned 0.00", "planned +0.00"
    )
    assert "front: Level knob: planned" in text
    assert "back: 20 Hz: planned" in text
    assert "correct [subwoofers.present] in the file" in text


def test_filters_that_several_share_and_what_feeds_one_are_told(plan_of_two, tmp_path):
    # the path of all was "none"; now a low-pass is stated, and the back fed by the front
    low_pass = '[[path]]\nkind = "low_pass"\nfamily = "butterworth"\norder = 2\ncorner = 120\n'
    head = HEAD.replace('path = "none"\n', "") + low_pass
    more = {"back": 'fed_by = "front"\n[subwoofers.present]\npolarity = "normal"\n'}
    own = '[[subwoofers]]\nname = "{name}"\n{more}\n'
    parts = {name: PARTS[name] for name in ("front", "back")}
    room = read_room(write_several(tmp_path, parts, head=head, own=own, more=more))
    told = rows(verify(plan_of_two, room))
    assert told["back", "fed_by"] == ("none", "front")
    assert told[None, "path"] == ("none", "low-pass Butterworth 12 dB/oct at 120 Hz")


def test_other_subwoofers_than_planned_are_told(plan_of_two, tmp_path):
    parts = {"front": PARTS["front"], "door": PARTS["back"]}
    told = rows(verify(plan_of_two, read_room(write_several(tmp_path, parts))))
    assert told[None, "subwoofers"] == ("back and front", "door and front")
