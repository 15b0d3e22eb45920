"""Where what was found becomes what is said: each threshold from just below and just above.

The thresholds are common practice without a source, but for those of probability, whose error rates
stand in `roomeq.optimiser.path.estimation`; here it is held that they lie where they are stated.
"""

import numpy as np
import pytest
import scipy.special
import scipy.stats

from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.path import estimation
from roomeq.optimiser.path.estimate import PathCandidate, PathVerdict
from roomeq.optimiser.path.hypotheses import Part, Tried, levels_of, priors
from roomeq.optimiser.path.observation import Observation
from roomeq.optimiser.path.search import Errors, Fit, Judged

AXIS = np.geomspace(20.0, 400.0, 50)
FLAT = np.zeros(AXIS.size)


def errors_of(noise_db=-80.0):
    seen = Observation(
        frequencies=AXIS, level_db=FLAT, noise_db=FLAT + noise_db, spread_db=FLAT + 0.1
    )
    return Errors(seen, drift_db=0.5, ripples_db=(0.1,), lengths=(0.3,), least_db=0.1)


ERRORS = errors_of()


def fitted(*low, errors=ERRORS, high=False):
    """Return a fit as it is: Butterworth filters of an order, a corner, copies."""
    chain = tuple(Part(((order, copies),), at, 0.6, high=high) for order, at, copies in low)
    centre = priors(chain)[0]
    level, slope = levels_of(chain, AXIS, errors.seen.noise_db)(centre)
    return Fit(chain, centre, -level, slope)


def searched(fits, odds):
    tried = [Tried(fit.chain, 1.0, whole=fit is fits[0]) for fit in fits]
    return list(map(Judged, tried, fits, odds))


def told(fits, odds=(0.0,), *, errors=ERRORS, near=False, highest=300.0):
    return estimation.told_pieces(searched(fits, odds), errors, highest=highest, near=near)


def butterworth(corner, *, order=2, kind="low_pass"):
    return CrossoverFilter(kind=kind, family="butterworth", order=order, corner=corner)


def within_a_tenth(spread):
    """The logarithm of a corner is normal: within a tenth of where it is."""
    return 1.0 - 2.0 * scipy.stats.norm.sf(0.1 / spread)


def test_odds_are_tempered_by_1_15_and_what_is_the_same_within_a_tenth_adds_up():
    corners = (80.0, 80.0 * np.exp(0.099), 80.0 * np.exp(-0.101))
    fits = [*(fitted((2, c, 1)) for c in corners), fitted((3, 80.0, 1)), fitted((2, 80.0, 2))]
    odds = np.array([0.0, -1.0, -1.5, -2.0, -2.5])
    found, share = told(fits, odds), scipy.special.softmax(odds / 1.15)
    assert [[order for order, _ in pieces] for pieces, _ in found] == [[2], [2], [3], [2, 2]]
    assert [pieces[0][1] for pieces, _ in found] == pytest.approx([80.0, corners[2], 80.0, 80.0])
    assert [weight for _, weight in found] == pytest.approx([share[0] + share[1], *share[2:]])


@pytest.mark.parametrize(("noise_db", "shows"), [(5.4, True), (6.4, False)])
def test_a_filter_shows_that_changes_the_level_by_a_decibel(noise_db, shows):
    """Far above the corner noise alone is left: 10 lg (1 + 1 / N) is 1 dB where N is 5.87 dB."""
    errors = errors_of(noise_db)
    ((pieces, _),) = told([fitted((8, 80.0, 1), errors=errors)], errors=errors)
    assert bool(pieces) is shows


def test_a_filter_above_the_highest_corner_is_not_named_and_a_corner_counts_within_a_tenth():
    fit = fitted((1, 280.0, 1))
    assert told([fit], highest=279.9) == [((), 1.0)]
    ((_, weight),) = told([fit], highest=280.1, near=True)
    expected = within_a_tenth(ERRORS.parameter_spreads(fit)[2])
    assert 0.5 < expected < 0.95
    assert weight == pytest.approx(expected, rel=1e-9)


def test_what_is_listed_is_two_per_cent_likely_and_described_corners_lie_within_a_tenth():
    rows = [(((2, 80.0),), 0.95), (((3, 80.0),), 0.0201), (((4, 80.0),), 0.0199)]
    assert [one.order for one in estimation.path_candidates(rows, ())] == [2, 3]
    for apart, engaged in ((0.099, ((0,),)), (0.101, ()), (-0.099, ((0,),)), (-0.101, ())):
        (one,) = estimation.path_candidates(rows[:1], (butterworth(80.0 * np.exp(apart)),))
        assert one.engaged == engaged


@pytest.mark.parametrize(
    ("likely", "judged"), [(0.0049, False), (0.0051, None), (0.849, None), (0.851, True)]
)
def test_a_description_is_contradicted_below_half_a_per_cent_and_confirmed_from_85(likely, judged):
    found = searched([fitted((2, 80.0, 1)), fitted((4, 120.0, 1))], [0.0, 0.0])
    rows, said = [(((2, 80.0),), likely), (((4, 120.0),), 1.0 - likely)], (butterworth(80.0),)
    sure = estimation.ANSWER_PROBABILITY
    judge = estimation.judge_description
    assert judge(rows, found, ERRORS, said, highest=300.0, sure=sure) is judged
    one = PathCandidate(probability=likely, ways=(said,), engaged=())
    assert estimation._verdict((one,), 1.49) is (
        PathVerdict.IDENTIFIED if judged else PathVerdict.SEVERAL
    )
    assert estimation._verdict((one,), 1.51) is PathVerdict.NOTHING_FITS  # dB


@pytest.mark.parametrize(("factor", "there"), [(1.01, True), (0.99, False)])
def test_high_passes_are_tempered_by_one_and_a_half_and_told_above_the_lower_end(factor, there):
    corner = factor * 20.0 * 2.0**0.4
    fit, odds = fitted((4, corner, 1), high=True), np.array([0.0, 6.0])
    ends = [Tried((), 1.0), Tried(fit.chain, 1.0, high_pass=fit.chain[0])]
    found = list(map(Judged, ends, [fitted(), fit], odds))
    stated = [butterworth(corner, order=4, kind="high_pass")]
    said = estimation.judge_high_pass(found, ERRORS, stated, sure=0.85)
    likely = scipy.special.softmax(odds / 1.5)[1]
    likely *= within_a_tenth(ERRORS.parameter_spreads(fit)[2])
    assert said.probability == pytest.approx(likely if there else 1.0)
    assert (said.filter is not None, said.as_described) == (there, True if there else None)
