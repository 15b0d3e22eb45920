"""Which places of a room that another library made: against every setting on a coarse grid.

The room is of pyroomacoustics' image sources; how it was made stands in `data/make_shoebox.py`.
What a setting gives is judged by `several_rooms.py`, written apart from the library.
"""

import functools
import itertools
from dataclasses import replace

import numpy as np
import pytest
from bench_several import task_of
from places import ROOT
from several_rooms import AXIS, MOST_GIVEN_UP_DB, POINTS, SeveralRoom

from roomeq.optimiser.several import places

DELAYS, LEVELS = np.arange(0.0, 10.1, 2.0), np.array([-6.0, 0.0])  # ms, dB


@functools.cache
def fields():
    """Pressures of three places at four seats, (3, 4, POINTS)."""
    table = np.loadtxt(ROOT / "tests" / "data" / "shoebox.csv", delimiter=",", skiprows=1)
    np.testing.assert_allclose(table[:, 0], POINTS, rtol=1e-3)
    return (table[:, 1::2] + 1j * table[:, 2::2]).T.reshape(3, 4, -1)


def room_of(chosen):
    return SeveralRoom(
        seed=0,
        pressures=fields()[list(chosen)],
        seat_weights=np.full(4, 0.25),
        allowance_db=np.zeros(AXIS.size),
        floor=20.0,
        equaliser_of=(None,) * len(chosen),
    )


def task_on_the_grid(chosen):
    task = task_of(room_of(chosen))
    sources = [replace(one, delays=1e-3 * DELAYS, levels_db=LEVELS) for one in task.sources]
    return replace(task, sources=tuple(sources))


@functools.cache
def least_of_all(pair):
    """Least deviation over every setting on the grid that gives up at most 3 dB, and the output."""
    kinds = [DELAYS] * 2 + [[1.0], [-1.0, 1.0]] + [LEVELS] * 2  # both inverted: the same
    rows = np.array(list(itertools.product(*kinds)))
    room = room_of(pair)
    parts = [np.array(room.outputs(some)) for some in np.array_split(rows, 8)]
    loss, output, _ = np.concatenate(parts, axis=1)
    loudest = output[np.all(rows[:, 4:] == 0.0, axis=1)].max()
    kept = output >= loudest - MOST_GIVEN_UP_DB - 1e-6
    best = np.flatnonzero(kept)[loss[kept].argmin()]
    return np.sqrt(loss[best]), output[best]


PAIRS = tuple(itertools.combinations(range(3), 2))


def test_two_places_of_three_are_those_of_all_settings(monkeypatch):
    for name in ("COARSE_EVALUATIONS", "AGAIN_EVALUATIONS", "FULL_EVALUATIONS"):
        monkeypatch.setattr(places, name, 800)
    chosen = places.choose_places(task_on_the_grid(range(3)), most=2)
    pairs = [one for one in chosen if len(one.places) == 2]
    by_all = sorted(PAIRS, key=lambda pair: least_of_all(pair)[0])
    assert [tuple(sorted(one.places)) for one in pairs] == by_all
    for one, pair in zip(pairs, by_all, strict=True):
        deviation, output = least_of_all(pair)
        assert one.together.best.deviation_db == pytest.approx(deviation, rel=1e-5)
        assert one.together.after.output_given_up_db <= MOST_GIVEN_UP_DB + 1e-6
        assert one.together.output_db >= output - 1.0  # few moves may lie elsewhere in the tie
