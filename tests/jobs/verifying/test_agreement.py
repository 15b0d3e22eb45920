"""Which explanations stand, by scores that are given."""

import numpy as np
import pytest
from msgspec.structs import replace

from roomeq.jobs.verifying import agreement
from roomeq.jobs.verifying.hypotheses import Explanation, Setup
from roomeq.jobs.verifying.observation import Change, Observation, Part, bin_means
from roomeq.plan.verification import Cause, CauseCode

AXIS = np.geomspace(20.0, 120.0, 61)
SETUP = Setup(equaliser=None, gains_db=np.zeros(1), present_db=np.zeros(1), others={})


def observed(difference_db=0.0):
    rows = np.zeros((3, AXIS.size)) + difference_db
    part = Part(
        seats=("a", "b", "c"),
        frequencies=AXIS,
        difference_db=rows,
        predicted_db=np.full(rows.shape, 80.0),
        before_db=np.zeros(rows.shape),
        means=bin_means(AXIS),
    )
    return Observation.of((part,), repeatability_db=0.5)


@pytest.fixture
def judged(monkeypatch):
    def by_scores(scores, seen=None):
        found = [
            Explanation(cause=Cause(code=code), score=score, change=Change())
            for code, score in scores.items()
        ]
        ranked = sorted(found, key=lambda one: -one.score)
        monkeypatch.setattr(agreement, "explanations", lambda *_: ranked)
        told = agreement.judge_causes(seen or observed(), SETUP).causes
        return [cause.code for cause in told]

    return by_scores


PLANNED, BAND, SIGNS = CauseCode.AS_PLANNED, CauseCode.BAND, CauseCode.SIGNS


def test_what_is_nearly_as_likely_stands_beside_the_first(judged):
    """e^-2 is 0.14, e^-2.5 is 0.08; a tenth is needed."""
    assert judged({BAND: 0.0, SIGNS: -2.0}) == [BAND, SIGNS]
    assert judged({BAND: 0.0, SIGNS: -2.5}) == [BAND]


def test_nobody_is_accused_where_all_may_as_well_be_as_planned(judged):
    """e^-1 is 0.37, e^-1.5 is 0.22; three tenths are needed."""
    assert judged({BAND: 0.0, PLANNED: -1.0}) == [PLANNED, BAND]
    assert judged({BAND: 0.0, PLANNED: -1.5}) == [BAND, PLANNED]


def test_too_many_explanations_are_none(judged):
    codes = [BAND, SIGNS, CauseCode.SHIFTED, CauseCode.WIDTH, CauseCode.LOW_PASS]
    assert judged(dict.fromkeys(codes[:4], 0.0)) == codes[:4]
    assert judged(dict.fromkeys(codes, 0.0)) == []


def test_the_best_of_explanations_that_explain_nothing_is_none(judged):
    wave = 4.0 * np.sin(2 * np.pi * np.log2(AXIS / 20.0))
    assert judged({BAND: 0.0}, observed(wave)) == []
    assert judged({CauseCode.ALL_MOVED: 0.0}, observed(wave)) == [CauseCode.ALL_MOVED]
    assert judged({CauseCode.SOMETHING_ELSE: 0.0}) == []
    assert judged({BAND: 0.0, CauseCode.SOMETHING_ELSE: -1.0}) == [BAND]


def test_shares_are_of_all_that_was_tried(monkeypatch):
    found = [
        Explanation(cause=replace(Cause(code=code)), score=score, change=Change())
        for code, score in ((BAND, 0.0), (SIGNS, np.log(0.25)), (CauseCode.WIDTH, np.log(0.05)))
    ]
    monkeypatch.setattr(agreement, "explanations", lambda *_: found)
    told = agreement.judge_causes(observed(), SETUP).causes
    assert [cause.share for cause in told] == pytest.approx([1.0 / 1.3, 0.25 / 1.3])
