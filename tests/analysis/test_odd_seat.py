"""The odd seat: who is named, and who is not."""

import math

import numpy as np
import pytest

from roomeq.analysis.odd_seat import estimate_odd_seat


def responses_with_one_boundary_seat():
    axis = np.geomspace(20.0, 120.0, 200)
    rng = np.random.default_rng(4)
    shapes = rng.normal(size=(5, 4))
    ripple = sum(np.outer(shapes[:, k], np.sin((k + 1) * np.log(axis / 20) * 3)) for k in range(4))
    levels_db = 75 + 0.8 * ripple
    levels_db[3] += 9 * np.sin(5 * np.log(axis / 20))
    return axis, levels_db


def test_the_odd_seat_is_named_whatever_its_place_and_gain():
    axis, levels_db = responses_with_one_boundary_seat()
    seats = ["a", "b", "c", "wall", "e"]
    found = estimate_odd_seat(axis, levels_db, seats=seats)
    assert found.seat == "wall"
    assert 5.0 < found.distance_db < 9.0  # a sine of 9 dB has 6.4 dB root mean square
    assert found.others_distance_db < found.distance_db / 1.5
    gains_db = np.array([[4.0], [-7.0], [0.0], [-2.0], [11.0]])
    order = [3, 1, 4, 0, 2]
    again = estimate_odd_seat(
        axis, (levels_db + gains_db)[order], seats=[seats[index] for index in order]
    )
    assert again.seat == "wall"
    assert again.distance_db == pytest.approx(found.distance_db)


def test_the_distance_is_taken_from_the_others_alone():
    # Whole periods over ln f of a sine of 9 dB: 9 / sqrt(2) from the others, who are alike; they
    # are half as far from the mean of one equal and the odd one. A tenth of it is nothing odd.
    axis = np.geomspace(20.0, 120.0, 4001)
    sine_db = 9 * np.sin(4 * np.pi * np.log(axis / 20) / np.log(6))
    levels_db = np.array([sine_db, 0 * axis + 3, 0 * axis])
    found = estimate_odd_seat(axis, levels_db, seats=["odd", "b", "c"])
    assert found.seat == "odd"
    assert found.distance_db == pytest.approx(9 / math.sqrt(2), rel=1e-3)
    assert found.others_distance_db == pytest.approx(4.5 / math.sqrt(2), rel=1e-3)
    assert estimate_odd_seat(axis, levels_db / 10, seats=["odd", "b", "c"]) is None


def test_nobody_is_odd_among_alike_or_all_different_seats():
    axis, levels_db = responses_with_one_boundary_seat()
    alike = np.delete(levels_db, 3, axis=0)
    assert estimate_odd_seat(axis, alike, seats=list("abce")) is None
    different = np.random.default_rng(1).normal(size=(6, 200)) * 5.6
    assert estimate_odd_seat(axis, different, seats=list("abcdef")) is None
    assert estimate_odd_seat(axis, levels_db[2:4], seats=["c", "wall"]) is None
