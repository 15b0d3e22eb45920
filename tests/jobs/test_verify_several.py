"""Several subwoofers measured again, by plain numpy: which one is off, inverted, late, loud."""

import numpy as np
import pytest
from subwoofer_rooms import AXIS, SEATS, echoes, set_to, write_several

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
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(choose, "EVALUATIONS_EACH", 200)
        return propose(read_room(write_several(folder, parts)))


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
