"""Joining from levels: power identities, the cosine, both mirror images, refusals."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from joining_rooms import (
    CORNER,
    FREQUENCIES,
    KEPT,
    delayed,
    four_levels,
    linkwitz_riley,
    modal_seats,
)

from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.optimiser.joining.levels import (
    LevelJoining,
    _least_bent_signs,
    continuous_phase_deg,
    estimate_phase_cosine,
    fit_joining_levels,
)

LOW, HIGH = linkwitz_riley("low", 4), linkwitz_riley("high", 4)


def test_cosine_is_that_of_the_phase_difference():
    # law of cosines, against the phases themselves
    rng = np.random.default_rng(1)
    sub, mains = modal_seats(rng, 3) * LOW, modal_seats(rng, 3) * HIGH
    cosine, _ = estimate_phase_cosine(FREQUENCIES[KEPT], **four_levels(sub, mains))
    expected = np.cos(np.angle(sub) - np.angle(mains))[:, KEPT]
    np.testing.assert_allclose(cosine, expected, atol=1e-8)
    wrapped = np.abs(np.angle(sub * np.conj(mains), deg=True))[:, KEPT]
    np.testing.assert_allclose(np.rad2deg(np.arccos(cosine)), wrapped, atol=1e-3)


@pytest.mark.parametrize(
    ("sum_db", "difference_db", "cosine"),
    [
        (86.0206, -200.0, 1.0),  # equal and in phase: doubled, and nothing left
        (-200.0, 86.0206, -1.0),
        (83.0103, 83.0103, 0.0),  # a quarter turn: power sum either way
    ],
)
def test_equal_levels(sum_db, difference_db, cosine):
    levels = {"sub": [80.0], "mains": [80.0], "both": [sum_db], "difference": [difference_db]}
    found, _ = estimate_phase_cosine([80.0], levels)
    assert found[0, 0] == pytest.approx(cosine, abs=1e-4)


@pytest.mark.parametrize(
    ("off_db", "accepted"), [(0.45, True), (-0.45, True), (0.6, False), (-0.6, False)]
)
def test_contradicting_levels_are_refused(off_db, accepted):
    # (sum^2 + difference^2) / 2 = S^2 + M^2, half a decibel of doubt allowed
    levels = four_levels(delayed(LOW, 0.003), HIGH)
    levels = levels["levels_db"]
    levels |= {name: levels[name] + off_db for name in ("both", "difference")}
    if accepted:
        cosine, _ = estimate_phase_cosine(FREQUENCIES[KEPT], levels)
        assert np.abs(cosine).max() <= 1.0
    else:
        with pytest.raises(ValueError, match=r"contradict each other: at seat 1, .* Hz"):
            estimate_phase_cosine(FREQUENCIES[KEPT], levels)


def test_one_bad_frequency_is_named():
    levels = four_levels(np.array([LOW, delayed(LOW, 0.003)]), np.array([HIGH, HIGH]))
    at = int(np.argmin(np.abs(FREQUENCIES[KEPT] - 63.0)))
    levels["levels_db"]["both"][1, at] += 3.0
    with pytest.raises(ValueError, match="at seat 2, 63 Hz"):
        estimate_phase_cosine(FREQUENCIES[KEPT], **levels)
    with pytest.raises(ValueError, match="at 'sofa', 63 Hz"):
        estimate_phase_cosine(FREQUENCIES[KEPT], **levels, seats=("chair", "sofa"))


@pytest.mark.parametrize("late", [0.005, 0.0021])
def test_both_mirror_images_are_given(late):
    joined = fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(delayed(LOW, late), HIGH), corner=CORNER
    )
    for image, delay in ((joined.if_late, -late), (joined.if_early, late)):
        assert image.chosen.loss_db <= image.least_db + 0.3
        # 0.3 dB are 0.9 ms at 80 Hz: |cos(pi f t)|
        assert image.by_polarity[0].settings.delay == pytest.approx(delay, abs=1e-4)
        assert image.by_polarity[0].loss_db < 0.02
    assert joined.if_early.chosen.loss_db == pytest.approx(joined.if_late.chosen.loss_db, abs=1e-6)
    assert joined.ambiguous
    # an early subwoofer of the same size gives the same four levels and the same pair of answers
    mirrored = fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(delayed(LOW, -late), HIGH), corner=CORNER
    )
    assert mirrored.if_late.chosen.settings == joined.if_late.chosen.settings


@pytest.mark.parametrize("late", [0.004, -0.004])
def test_the_deciding_measurement_decides(late):
    """Simulate it: with the other delay in force the level changes as told for the truth."""
    joined = fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(delayed(LOW, late), HIGH), corner=CORNER
    )
    delay = 1e-3 * joined.move_delay_ms
    assert abs(delay) <= 0.5 / CORNER + 1e-9
    octave = np.abs(np.log2(FREQUENCIES / CORNER)) <= 0.5

    def level_db(delay):
        total = delayed(LOW, late + delay) + HIGH
        return np.mean(20 * np.log10(np.abs(total[octave])))

    change = level_db(delay) - level_db(0.0)
    told = {True: joined.move_if_late_db, False: joined.move_if_early_db}
    assert change == pytest.approx(told[late > 0], abs=0.2)
    assert abs(change - told[late < 0]) > 3.0


@pytest.mark.parametrize("late", [0.0005, 0.001, 0.002, 0.006])
def test_the_deciding_delay_is_no_longer_than_half_a_period(late):
    joined = fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(delayed(LOW, late), HIGH), corner=CORNER
    )
    assert abs(1e-3 * joined.move_delay_ms) <= 0.5 / CORNER + 1e-9


def test_without_a_delay_nothing_decides():
    joined = fit_joining_levels(
        FREQUENCIES[KEPT],
        **four_levels(delayed(LOW, 0.004), HIGH),
        corner=CORNER,
        delays=DelayRange(lowest=0.0, highest=0.0),
    )
    assert joined.move_delay_ms is None


def test_what_was_set_by_the_right_answer_is_kept_on_a_second_run():
    first = fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(delayed(LOW, 0.004), HIGH), corner=CORNER
    )
    chosen = first.if_late.chosen.settings
    turned = delayed(LOW, 0.004 + chosen.delay) * (-1 if chosen.inverted else 1)
    again = fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(turned, HIGH), corner=CORNER, present=chosen
    )
    assert not again.ambiguous
    assert again.if_late.kept
    assert again.if_early.kept


@pytest.mark.parametrize(("late", "sign"), [(0.012, 1.0), (0.0005, -1.0)])
def test_phase_is_followed_through_half_turns(late, sign):
    # 12 ms turn by two whole turns from 30 to 210 Hz: the folded phase touches 0 and 180 four times
    sub = sign * delayed(np.ones(FREQUENCIES.size), late)
    cosine, product = estimate_phase_cosine(
        FREQUENCIES[KEPT], **four_levels(sub, np.ones(FREQUENCIES.size))
    )
    expected = -360.0 * late * FREQUENCIES[KEPT]
    turned = continuous_phase_deg(FREQUENCIES[KEPT], cosine, product)[0]
    np.testing.assert_allclose(turned - turned[0], expected - expected[0], atol=0.5)


@pytest.mark.parametrize("seed", [1, 4, 5])
def test_in_a_room_one_of_the_images_is_the_truth(seed):
    rng = np.random.default_rng(seed)
    sub, mains = delayed(modal_seats(rng, 1), 0.004) * LOW, modal_seats(rng, 1) * HIGH
    joined = fit_joining_levels(FREQUENCIES[KEPT], **four_levels(sub, mains), corner=CORNER)
    errors = []
    chosen = JoiningSettings(delay=-0.003)
    for fit in (joined.if_late, joined.if_early):
        turn = chosen.response(FREQUENCIES)
        true = np.abs(sub * turn + mains)[0]
        points = fit.data.points
        predicted = np.abs(fit.data.predicted_sum(chosen))[0]
        actual = np.interp(points, FREQUENCIES, true)
        errors.append(np.abs(20 * np.log10(predicted / actual)).mean())
    assert min(errors) < 0.05
    assert max(errors) > 0.5


def test_reversed_loss_is_as_measured():
    octave = np.abs(np.log2(FREQUENCIES / CORNER)) <= 0.5
    sub = delayed(LOW, 0.002)
    joined = fit_joining_levels(FREQUENCIES[KEPT], **four_levels(sub, HIGH), corner=CORNER)
    both = (np.abs(sub) + np.abs(HIGH))[octave]
    expected = np.mean(20 * np.log10(both / np.abs(HIGH - sub)[octave]))
    assert joined.reversed_loss_db == pytest.approx(expected, abs=0.1)
    assert not fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(LOW, HIGH), corner=CORNER
    ).ambiguous


@pytest.mark.parametrize(("crossed_db", "ambiguous"), [(1.2, False), (1.3, True)])
def test_it_matters_from_a_tie_on_beside_what_the_own_answer_loses(
    monkeypatch, crossed_db, ambiguous
):
    """Either loses 1 dB where it holds; a tie is 0.25 dB."""
    late, early = (
        SimpleNamespace(data=None, chosen=SimpleNamespace(settings=n, loss_db=1.0)) for n in (0, 1)
    )
    crossed = SimpleNamespace(loss_db=crossed_db)
    monkeypatch.setattr("roomeq.optimiser.joining.levels.judge_sum", lambda *_: crossed)
    found = SimpleNamespace(if_late=late, if_early=early)
    assert LevelJoining.ambiguous.fget(found) is ambiguous


@pytest.mark.parametrize(("late", "ambiguous"), [(0.0001, False), (0.003, True)])
def test_where_either_answer_serves_nothing_is_asked(late, ambiguous):
    # at 80 Hz 0.1 ms late or early are 6 degrees apart: a sum of equals loses 0.01 dB by either
    levels = four_levels(delayed(-LOW, late), HIGH)
    found = fit_joining_levels(
        FREQUENCIES[KEPT], corner=CORNER, delays=DelayRange(lowest=-0.01, highest=0.01), **levels
    )
    assert found.if_late.chosen.settings != found.if_early.chosen.settings
    assert found.ambiguous is ambiguous


@pytest.mark.parametrize(("weights", "late"), [((1.0, 0.0), 0.004), ((0.0, 1.0), 0.001)])
def test_seats_count_by_weight_and_have_their_names(weights, late):
    levels = four_levels([delayed(LOW, 0.004), delayed(LOW, 0.001)], [HIGH, HIGH])
    seats = {"seats": ("a", "b"), "seat_weights": weights}
    found = fit_joining_levels(FREQUENCIES[KEPT], **levels, corner=CORNER, **seats).if_late
    assert found.data.seats == ("a", "b")
    assert found.by_polarity[0].settings.delay == pytest.approx(-late, abs=2e-4)
    octaves = np.log2(found.data.frequencies[[0, -1]] / CORNER)
    assert np.abs(octaves) == pytest.approx([1.0, 1.0], abs=1 / 24)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7])
def test_signs_are_those_of_all_that_bend_least(count):
    """Every choice of signs, by the sum of squared third differences (numpy.diff)."""
    every = np.array(list(itertools.product((1.0, -1.0), repeat=count)))
    for size in np.random.default_rng(count).random((40, count)):
        bent = np.sum(np.diff(every * size, n=3) ** 2, axis=1)
        found = np.sum(np.diff(_least_bent_signs(size) * size, n=3) ** 2)
        assert found == pytest.approx(bent.min(), abs=1e-12)
        assert _least_bent_signs(size).shape == size.shape
