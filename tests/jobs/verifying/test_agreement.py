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


@pytest.fixture
def judged(monkeypatch):
    """Return a judge of rows in dB, one a seat, with the shares of what stands given."""

    def judge(rows, shares=(0.9,), repeatability_db=0.3):
        part = Part(
            seats=tuple(f"seat {n}" for n in range(len(rows))),
            frequencies=AXIS,
            difference_db=rows,
            predicted_db=0.0 * rows + 80.0,
            before_db=0.0 * rows,
            means=bin_means(AXIS),
        )
        causes = [Cause(code=c, share=s) for c, s in zip((PLANNED, OTHER), shares, strict=False)]
        judgement = Judgement(causes=tuple(causes), change=Change())
        monkeypatch.setattr(agreement, "judge_causes", lambda *_: judgement)
        seen = Observation.of((part,), repeatability_db=repeatability_db)
        return agreement.judge_observation(seen, None, {"50": BAND})

    return judge


@pytest.mark.parametrize(
    ("scatter_db", "band_db", "seat_db"), [(0.6, 1.0, 1.5), (0.7, 1.05, 1.5), (0.8, 1.2, 1.6)]
)
def test_a_band_may_differ_by_a_decibel_a_seat_by_more(judged, scatter_db, band_db, seat_db):
    """Or by three scatters over the root of the seats, a seat by two."""
    for factor, agrees in ((0.98, True), (1.02, False)):
        (band,) = judged(factor * band_db * INSIDE, repeatability_db=scatter_db).bands
        assert band.difference_db == pytest.approx(factor * band_db)
        assert band.agrees is agrees
    wave = np.where(np.arange(AXIS.size) % 2, 1.0, -1.0)
    rows = seat_db * np.array([0.99, 1.01])[:, None] * wave
    found = judged(rows, repeatability_db=scatter_db)
    assert [seat.agrees for seat in found.seats] == [True, False]


@pytest.mark.parametrize(
    ("apart_db", "shares", "told"),
    [
        (0.98, (0.5,), [PLANNED]),
        (1.02, (0.94,), []),
        (1.40, (0.96,), [PLANNED]),  # by the root of two more from 95 % on
        (1.43, (0.96,), []),
        (2.00, (0.8, 0.39), []),  # half as likely is told in its place
        (2.00, (0.8, 0.41), [OTHER]),
    ],
)
def test_as_planned_is_not_believed_beside_a_band_that_differs(judged, apart_db, shares, told):
    found = judged(apart_db * INSIDE, shares)
    assert [cause.code for cause in found.causes] == told
    assert found.unchanged is (told == [PLANNED])
