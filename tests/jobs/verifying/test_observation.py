"""What was observed beside a plan: against scipy, closed forms, and scatter that is known."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats

from roomeq.jobs.verifying.observation import (
    BIN_SHARE,
    FREEDOM,
    Change,
    Observation,
    Part,
    TwoPowers,
    bin_means,
    log_likelihood,
)

AXIS = np.geomspace(20.0, 120.0, 61)


def part_of(difference_db, **others):
    rows = np.asarray(difference_db, dtype=np.float64)
    level = np.full(rows.shape, 80.0)
    return Part(
        seats=tuple(f"seat {n}" for n in range(len(rows))),
        frequencies=AXIS,
        difference_db=rows,
        predicted_db=level,
        before_db=0.0 * level,
        means=bin_means(AXIS),
        **others,
    )


def test_likelihood_is_students():
    """scipy.stats.t, of which each bin counts as a share; constants of t alone are left out."""
    residual, scatter = np.array([-4.0, 0.0, 0.3, 2.0]), 0.7
    expected = BIN_SHARE * scipy.stats.t.logpdf(residual, FREEDOM, scale=scatter)
    expected -= BIN_SHARE * scipy.stats.t.logpdf(0.0, FREEDOM)
    np.testing.assert_allclose(log_likelihood(residual, scatter), expected, atol=1e-12)


def test_two_equal_sources_add_as_the_textbook_says():
    """In phase +6 dB, at a quarter period +3 dB, apart by a gain g: 20 lg (1 + g)."""
    ones = np.ones((1, AXIS.size))
    both = part_of(
        np.zeros((1, AXIS.size)), with_mains=TwoPowers(own=ones, rest=ones, cross=ones + 0j)
    )
    np.testing.assert_allclose(both.pattern_db(Change()), 0.0, atol=1e-12)
    quieter = both.pattern_db(Change(mains_db=-6.0))[0, 0]
    np.testing.assert_allclose(quieter, 20.0 * np.log10((1.0 + 10.0**-0.3) / 2.0), atol=1e-9)
    quarter = both.pattern_db(Change(transfer=lambda f: np.full(f.size, 1j)))[0, 0]
    np.testing.assert_allclose(quarter, 10.0 * np.log10(0.5), atol=1e-9)
    turned = both.pattern_db(Change(mains_transfer=lambda f: np.full(f.size, -1.0 + 0j)))[0, 0]
    # nothing is left: held at 30 dB below both powers, which is 33 dB below where they add
    np.testing.assert_allclose(turned, 10.0 * np.log10(1e-3 * 2.0 / 4.0), atol=1e-9)


def test_one_seat_that_was_moved_is_not_taken_for_scatter():
    random = np.random.default_rng(4)
    rows = np.repeat(random.normal(0.0, 0.3, (5, 16)), 4, axis=1)[:, : AXIS.size]
    still = Observation.of((part_of(rows),), repeatability_db=None).scatter_db
    rows[2] += 7.0 * np.sin(2 * np.pi * np.log2(AXIS / 20.0))
    moved = Observation.of((part_of(rows),), repeatability_db=None).scatter_db
    assert still == pytest.approx(0.35, abs=0.06)
    assert moved == pytest.approx(still, abs=0.1)


def test_what_all_seats_share_is_not_taken_for_scatter():
    band = 9.0 * np.exp(-0.5 * (np.log2(AXIS / 50.0) / 0.2) ** 2)
    seen = Observation.of((part_of(np.tile(band, (4, 1))),), repeatability_db=None)
    assert seen.scatter_db < 0.4
    assert not seen.stated
    stated = Observation.of((part_of(np.tile(band, (4, 1))),), repeatability_db=0.8)
    assert (stated.scatter_db, stated.doubtful_scatter_db, stated.stated) == (0.8, 0.8, True)
    assert seen.doubtful_scatter_db == 0.9


def test_scatter_is_pooled_with_what_is_usual():
    """Half a decibel counts for twelve bins, what two seats differ by for all theirs."""
    rows = np.random.default_rng(2).normal(0.0, 1.5, (2, AXIS.size))
    part = part_of(rows)
    apart = np.std(part.binned_db[0] - part.binned_db[1]) / np.sqrt(2.0)
    count = part.binned_db.size
    pooled = np.sqrt((12.0 * 0.5**2 + count * apart**2) / (12.0 + count))
    assert 0.31 < pooled < 1.19
    seen = Observation.of((part,), repeatability_db=None)
    assert seen.scatter_db == pytest.approx(pooled, rel=1e-9)


def test_a_mean_over_seats_counts_each_by_its_certainty():
    """By the inverse of the variance; in doubt is what noise 30 dB below a seat's mean may do.

    A level and noise n dB below it add to between 20 lg (1 -+ 10^(-n/20)), 8.7 of which is a
    decibel: 0.28 dB at 30 dB, 2.8 dB at 10 dB.
    """
    level = np.full((2, AXIS.size), 80.0)
    level[1, 30:] -= 26.0
    part = replace(part_of(np.array([[1.0], [3.0]]) + 0.0 * level), predicted_db=level)
    mean_db = [80.0, 10.0 * np.log10((30 + 31 * 10**-2.6) / 61) + 80.0]
    doubt = 8.7 * 10.0 ** ((np.array(mean_db)[:, None] - 30.0 - level) / 20.0)
    weights = 1.0 / (0.7**2 + doubt**2)
    expected = (weights * [[1.0], [3.0]]).sum(axis=0) / weights.sum(axis=0)
    assert expected[0] > 1.9
    assert expected[-1] < 1.2
    np.testing.assert_allclose(part.mean_db(part.difference_db, 0.7), expected, rtol=1e-9)


def test_what_a_bypass_raises_far_is_in_doubt():
    rows = np.zeros((2, 61))
    plain = part_of(rows)
    raised = part_of(rows, raised_db=np.linspace(0.0, 24.0, 61))
    np.testing.assert_allclose(raised.doubt_db[:, 0], plain.doubt_db[:, 0])
    assert (raised.doubt_db[:, -1] - plain.doubt_db[:, -1] > 20.0).all()


def test_misfit_is_the_mean_square_over_scatter_and_doubt_none_beyond_nine():
    """Two seats; noise 30 dB below the mean level doubts (20 / ln 10) 10^-1.5, 0.27 dB."""
    part = part_of(np.zeros((2, AXIS.size)))
    seen = Observation.of((part,), repeatability_db=0.5)
    doubt_db = 20 / np.log(10) * 10**-1.5
    np.testing.assert_allclose(part.doubt_db, doubt_db, rtol=0.01)
    left = np.full((1, *part.binned_db.shape), 0.25)
    small = 0.25**2 / (0.5**2 + doubt_db**2)
    assert seen.misfit([left]) == pytest.approx(small, rel=0.01)
    left[0, 1] = 6.0
    assert seen.misfit([left]) == pytest.approx((small + 9.0) / 2.0, rel=0.01)
