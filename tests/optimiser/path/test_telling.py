"""Where what was found becomes what is said: each threshold from just below and just above.

The thresholds are common practice without a source, but for those of probability, whose error rates
stand in `roomeq.optimiser.path.telling`; what is held here is that they lie where they are stated.
"""

import numpy as np
import pytest
import scipy.special
import scipy.stats

from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.path import estimation, telling
from roomeq.optimiser.path.estimate import PathCandidate, PathVerdict
from roomeq.optimiser.path.evidence import Errors, Fit
from roomeq.optimiser.path.hypotheses import Group, LowEnd
from roomeq.optimiser.path.model import Chain, level_db
from roomeq.optimiser.path.observation import Observation
from roomeq.optimiser.path.search import Search

AXIS = np.geomspace(20.0, 400.0, 50)
HIGHEST = 300.0


def errors_of(noise_db=-80.0):
    seen = Observation(
        frequencies=AXIS,
        level_db=np.zeros(AXIS.size),
        noise_db=np.full(AXIS.size, noise_db),
        spread_db=np.full(AXIS.size, 0.1),
    )
    return Errors(seen, drift_db=0.5, ripples_db=(0.1,), lengths=(0.3,), least_db=0.1)


def fitted(errors, *low, sign=1):
    """Return a fit as it is: Butterworth filters of an order, a corner, copies."""
    chain = Chain()
    for order, corner, copies in low:
        chain = chain.with_filter(((order, copies),), corner=corner, spread=0.6, sign=sign)
    at, seen = np.asarray(chain.centre), errors.seen
    level, slope = level_db(chain, at, AXIS, seen.noise_db)
    return Fit(chain, at, seen.level_db - level, slope)


def searched(fits, odds, low_passes, **others):
    values = {"whole": 0, "low_ends": [], "high_fits": [], "high_odds": ()}
    values |= {"fits": fits, "low_passes": low_passes, "log_odds": np.array(odds), **others}
    return Search(**{**values, "high_odds": np.array(values["high_odds"])})


def told(errors, fits, odds, *, near=False, highest=HIGHEST):
    counts = [len(fit.chain.filters) for fit in fits]
    return telling.told_pieces(searched(fits, odds, counts), errors, highest=highest, near=near)


def low_pass(corner, order=2, family="butterworth"):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner)


def test_odds_are_tempered_by_1_15_and_what_is_the_same_within_a_tenth_adds_up():
    errors = errors_of()
    corners = (80.0, 80.0 * np.exp(0.099), 80.0 * np.exp(-0.101))
    fits = [fitted(errors, (2, corner, 1)) for corner in corners]
    fits += [fitted(errors, (3, 80.0, 1)), fitted(errors, (2, 80.0, 2)), fitted(errors)]
    odds = np.array([0.0, -1.0, -1.5, -2.0, -2.5, -3.0])
    found, share = told(errors, fits, odds), scipy.special.softmax(odds / 1.15)
    assert [pieces for pieces, _ in found] == [
        ((2, pytest.approx(80.0)),),
        ((2, pytest.approx(corners[2])),),
        ((3, pytest.approx(80.0)),),
        ((2, pytest.approx(80.0)),) * 2,
        (),
    ]
    expected = [share[0] + share[1], *share[2:]]
    assert [weight for _, weight in found] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("noise_db", "shows"), [(5.4, True), (6.4, False)])
def test_a_filter_shows_that_changes_the_level_by_a_decibel(noise_db, shows):
    """Far above the corner noise alone is left: 10 lg (1 + 1 / N) is 1 dB where N is 5.87 dB."""
    errors = errors_of(noise_db)
    ((pieces, _),) = told(errors, [fitted(errors, (8, 80.0, 1))], [0.0])
    assert bool(pieces) is shows


def test_a_filter_above_the_highest_corner_is_not_named():
    errors = errors_of()
    fit = fitted(errors, (2, 80.0, 1))
    assert told(errors, [fit], [0.0], highest=79.9) == [((), 1.0)]
    assert told(errors, [fit], [0.0], highest=80.1)[0][0]


def test_a_corner_is_as_likely_as_it_is_within_a_tenth():
    """A normal distribution of the logarithm of the corner, from minus a tenth to a tenth."""
    errors = errors_of()
    fit = fitted(errors, (1, 280.0, 1))
    spread = errors.parameter_spreads(fit)[2]
    expected = 1.0 - 2.0 * scipy.stats.norm.sf(0.1 / spread)
    assert 0.5 < expected < 0.95
    ((_, weight),) = told(errors, [fit], [0.0], near=True)
    assert weight == pytest.approx(expected, rel=1e-9)


def test_what_is_listed_is_two_per_cent_likely_and_described_corners_lie_within_a_tenth():
    rows = [(((2, 80.0),), 0.95), (((3, 80.0),), 0.0201), (((4, 80.0),), 0.0199)]
    assert [one.order for one in telling.path_candidates(rows, ())] == [2, 3]
    assert len(telling.path_candidates([(((2, 80.0),), 0.01)], ())) == 1  # the first always is
    for apart, engaged in ((0.099, ((0,),)), (0.101, ()), (-0.099, ((0,),)), (-0.101, ())):
        described = (low_pass(80.0 * np.exp(apart)),)
        (one,) = telling.path_candidates([(((2, 80.0),), 1.0)], described)
        assert one.engaged == engaged


@pytest.mark.parametrize(
    ("likely", "judged"), [(0.0049, False), (0.0051, None), (0.849, None), (0.851, True)]
)
def test_a_description_is_contradicted_below_half_a_per_cent_and_confirmed_from_85(likely, judged):
    errors = errors_of()
    fits = [fitted(errors, (2, 80.0, 1)), fitted(errors, (4, 120.0, 1))]
    found = searched(fits, [0.0, 0.0], [1, 1], whole=0)
    rows = [(((2, 80.0),), likely), (((4, 120.0),), 1.0 - likely)]
    said = telling.judge_description(
        rows, found, errors, [low_pass(80.0)], highest=HIGHEST, sure=estimation.ANSWER_PROBABILITY
    )
    assert said is judged


@pytest.mark.parametrize(
    ("probability", "misfit_db", "verdict"),
    [
        (0.851, 1.49, PathVerdict.IDENTIFIED),
        (0.849, 1.49, PathVerdict.SEVERAL),
        (0.999, 1.51, PathVerdict.NOTHING_FITS),
    ],
)
def test_verdict(probability, misfit_db, verdict):
    one = PathCandidate(probability=probability, ways=((low_pass(80.0),),), engaged=())
    assert estimation._verdict((one,), misfit_db) is verdict


def test_high_passes_are_tempered_by_one_and_a_half_and_told_above_the_lower_end():
    errors = errors_of()
    lowest = 20.0 * 2.0**0.4
    for corner, there in ((lowest * 1.01, True), (lowest * 0.99, False)):
        fit = fitted(errors, (4, corner, 1), sign=-1)
        ends = [LowEnd(Chain(), None, 1.0), LowEnd(fit.chain, Group(((4, 1),), corner, 0.3), 1.0)]
        found = searched(
            *([], [], []), low_ends=ends, high_fits=[fitted(errors), fit], high_odds=[0.0, 6.0]
        )
        stated = CrossoverFilter(kind="high_pass", family="butterworth", order=4, corner=corner)
        said = telling.judge_high_pass(found, errors, [stated], sure=0.85)
        likely = scipy.special.softmax(np.array([0.0, 6.0]) / 1.5)[1]
        likely *= 1.0 - 2.0 * scipy.stats.norm.sf(0.1 / errors.parameter_spreads(fit)[2])
        assert said.probability == pytest.approx(likely if there else 1.0, rel=1e-9)
        assert (said.filter is not None) is there
        assert said.as_described is (True if there else None)


def test_a_reference_divides_where_it_is_within_25_decibels_of_its_largest():
    axis = np.linspace(20.0, 320.0, 301)
    reference = FrequencyResponse.from_level(axis, -0.1 * (axis - 20.0))
    response = FrequencyResponse.from_level(axis, -0.2 * (axis - 20.0))
    found = estimation._ratio(response, reference)
    assert found.frequencies[-1] == 270.0
    np.testing.assert_allclose(found.level_db, -0.1 * (found.frequencies - 20.0), atol=1e-9)
