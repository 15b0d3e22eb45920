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
INSIDE = (BAND.lower <= AXIS) & (BAND.upper > AXIS)
PLANNED, OTHER = CauseCode.AS_PLANNED, CauseCode.SHIFTED


@pytest.fixture
def judged(monkeypatch):
    """Return a judge of rows in dB, one a seat, with the shares of what stands given."""

    def judge(rows, shares=(0.9,), repeatability_db=0.3):
        part = Part(
            seats=tuple(f"seat {n}" for n in range(len(rows))),
            frequencies=AXIS,
            difference_db=np.array(rows),
            predicted_db=np.full(np.shape(rows), 80.0),
            before_db=np.zeros(np.shape(rows)),
            means=bin_means(AXIS),
        )
        codes = (PLANNED, OTHER)
        causes = tuple(Cause(code=c, share=s) for c, s in zip(codes, shares, strict=False))
        monkeypatch.setattr(
            agreement, "judge_causes", lambda *_: Judgement(causes=causes, change=Change())
        )
        seen = Observation.of((part,), repeatability_db=repeatability_db)
        return agreement.judge_observation(seen, None, {"50": BAND})

    return judge


@pytest.mark.parametrize(
    ("seats", "scatter_db", "tolerance_db"), [(4, 0.6, 1.0), (4, 0.7, 1.05), (9, 2.0, 2.0)]
)
def test_a_band_may_differ_by_a_decibel_or_three_scatters(judged, seats, scatter_db, tolerance_db):
    rows = np.zeros((seats, AXIS.size))
    found = judged(rows, repeatability_db=scatter_db)
    assert found.tolerance_db == pytest.approx(tolerance_db)
    for factor, agrees in ((0.98, True), (1.02, False)):
        (band,) = judged(rows + factor * tolerance_db * INSIDE, repeatability_db=scatter_db).bands
        assert band.difference_db == pytest.approx(factor * tolerance_db)
        assert band.agrees is agrees


@pytest.mark.parametrize(("scatter_db", "limit_db"), [(0.3, 1.5), (0.74, 1.5), (0.8, 1.6)])
def test_a_seat_may_differ_by_one_and_a_half_decibels_or_two_scatters(judged, scatter_db, limit_db):
    assert agreement.seat_limit_db(scatter_db) == pytest.approx(limit_db)
    wave = np.where(np.arange(AXIS.size) % 2, 1.0, -1.0)
    rows = limit_db * np.array([0.99, 1.01])[:, None] * wave
    found = judged(rows, repeatability_db=scatter_db)
    assert [seat.agrees for seat in found.seats] == [True, False]


@pytest.mark.parametrize(
    ("apart_db", "share", "unchanged"),
    [(0.98, 0.5, True), (1.02, 0.94, False), (1.4, 0.96, True), (1.43, 0.96, False)],
)
def test_a_band_may_differ_more_where_all_is_surely_as_planned(judged, apart_db, share, unchanged):
    """By the root of two from 95 % on: what is predicted was measured as well."""
    found = judged(np.zeros((4, AXIS.size)) + apart_db * INSIDE, (share,))
    assert found.unchanged is unchanged
    assert [cause.code for cause in found.causes] == ([PLANNED] if unchanged else [])


@pytest.mark.parametrize(("beside", "told"), [(0.39, []), (0.41, [OTHER])])
def test_what_is_half_as_likely_is_told_in_place_of_as_planned(judged, beside, told):
    found = judged(np.zeros((4, AXIS.size)) + 2.0 * INSIDE, (0.8, beside))
    assert not found.unchanged
    assert [cause.code for cause in found.causes] == told


@pytest.mark.parametrize(("moved", "unchanged"), [(2, True), (3, False)])
def test_as_planned_stands_until_most_seats_differ(judged, moved, unchanged):
    wave = 2.5 * np.sin(2 * np.pi * 6 * np.log2(AXIS / 20.0))  # no band differs in the mean
    rows = np.zeros((4, AXIS.size))
    rows[:moved] = wave
    found = judged(rows)
    assert [seat.agrees for seat in found.seats].count(False) == moved
    assert found.bands[0].agrees
    assert found.unchanged is unchanged
