"""What agrees and what stands, from just below and just above what is stated of either.

The figures are common practice without a source; that they lie where they are stated is held here.
"""

import numpy as np
import pytest

from roomeq.base.bands import third_octave_band
from roomeq.jobs.verifying import agreement
from roomeq.jobs.verifying.causes import Judgement
from roomeq.jobs.verifying.observation import Change, Observation, Part, bin_means
from roomeq.plan.verification import Cause, CauseCode

AXIS = np.geomspace(20.0, 120.0, 61)
BAND = third_octave_band(50)
INSIDE = ((BAND.lower <= AXIS) & (BAND.upper > AXIS)) * np.ones((4, 1))
PLANNED, OTHER = CauseCode.AS_PLANNED, CauseCode.SHIFTED


@pytest.mark.parametrize(
    ("apart_db", "shares", "told", "scatter_db"),
    [
        (0.98, (0.5,), [PLANNED], 0.3),  # a decibel
        (1.02, (0.94,), [], 0.3),
        (1.03, (0.94,), [PLANNED], 0.7),  # or three scatters over the root of the seats, 1.05 dB
        (1.07, (0.94,), [], 0.7),
        (1.40, (0.96,), [PLANNED], 0.3),  # by the root of two more from 95 % on
        (1.43, (0.96,), [], 0.3),
        (2.00, (0.8, 0.39), [], 0.3),  # half as likely is told in its place
        (2.00, (0.8, 0.41), [OTHER], 0.3),
    ],
)
def test_as_planned_is_not_believed_beside_a_band_that_differs(
    monkeypatch, apart_db, shares, told, scatter_db
):
    part = Part(
        seats=("a", "b", "c", "d"),
        frequencies=AXIS,
        difference_db=apart_db * INSIDE,
        predicted_db=0.0 * INSIDE + 80.0,
        before_db=0.0 * INSIDE,
        means=bin_means(AXIS),
    )
    causes = [Cause(code=c, share=s) for c, s in zip((PLANNED, OTHER), shares, strict=False)]
    judgement = Judgement(causes=tuple(causes), change=Change())
    monkeypatch.setattr(agreement, "judge_causes", lambda *_: judgement)
    seen = Observation.of((part,), repeatability_db=scatter_db)
    found = agreement.judge_observation(seen, None, {"50": BAND})
    assert found.bands[0].difference_db == pytest.approx(apart_db)
    assert found.tolerance_db == pytest.approx(max(1.0, 1.5 * scatter_db))
    assert found.bands[0].agrees is (apart_db <= found.tolerance_db)
    assert [cause.code for cause in found.causes] == told
    assert found.unchanged is (told == [PLANNED])


def test_a_seat_may_differ_by_one_and_a_half_decibels_or_two_scatters():
    assert [agreement.seat_limit_db(s) for s in (0.3, 0.74, 0.8)] == [1.5, 1.5, 1.6]
