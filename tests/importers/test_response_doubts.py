"""Phases of the other sign and smoothed levels: modal sums and images of rooms, made apart."""

import numpy as np
import pytest
import scipy.signal
from bench_turned_files import AXIS, measured_room

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement
from roomeq.importers.response_doubts import (
    doubtful_responses,
    fine_structure_db,
    phase_runs_backwards,
)


@pytest.fixture(scope="module")
def room():
    return measured_room(7)[0]


def entries(rows, axis=AXIS):
    return [
        Measurement(
            seat=f"seat {n}",
            response=FrequencyResponse.from_pressure(axis, row),
            file=f"{n}.txt",
        )
        for n, row in enumerate(rows)
    ]


def smoothed(rows, octaves):
    near = np.abs(np.subtract.outer(np.log2(AXIS), np.log2(AXIS))) <= octaves / 2 + 1e-9
    return np.sqrt((np.abs(rows) ** 2 @ near.T) / near.sum(axis=1)) * np.exp(1j * np.angle(rows))


def test_nothing_is_said_of_sound_files(room):
    assert len(room) > 2
    assert not any(doubtful_responses(entries(room)))


@pytest.mark.parametrize("late", [0.0, 0.02])
def test_a_phase_of_the_other_sign_is_told_at_all_seats_and_at_one(late, room):
    rows = room * np.exp(-2j * np.pi * AXIS * late)
    (said,) = doubtful_responses(entries(rows.conj())).found
    assert said.startswith(f"the phase of all {len(room)} files rises with delay")
    rows[1] = rows[1].conj()
    (said,) = doubtful_responses(entries(rows)).found
    assert said.startswith("the phase of 1.txt rises with delay")


def test_a_time_zero_that_is_late_is_no_phase_of_the_other_sign():
    """Butterworth filters (scipy.signal) with energy that comes before time zero."""
    b, a = scipy.signal.butter(4, 2 * np.pi * np.array([25.0, 80.0]), "bandpass", analog=True)
    clean = scipy.signal.freqs(b, a, 2 * np.pi * AXIS)[1] * np.exp(2j * np.pi * AXIS * 0.05)
    assert not phase_runs_backwards(FrequencyResponse.from_pressure(AXIS, clean))
    turned = clean.conj() * np.exp(2j * np.pi * AXIS * 0.1)
    assert phase_runs_backwards(FrequencyResponse.from_pressure(AXIS, turned))


def test_levels_without_phase_and_coarse_phases_are_not_judged(room):
    level = FrequencyResponse.from_level(AXIS, 20 * np.log10(np.abs(room[0])))
    assert not phase_runs_backwards(level)
    assert not doubtful_responses(entries(room.conj()[:, ::3], axis=AXIS[::3])).found


@pytest.mark.parametrize(("below_db", "told"), [(20.0, True), (32.0, True), (60.0, False)])
def test_a_leak_of_what_was_played_is_told_where_it_moves_levels(below_db, told):
    """A Linkwitz-Riley low-pass (scipy.signal), arriving after 4 ms, and a wire beside it."""
    axis = np.arange(10.0, 500.5, 0.5)
    b, a = scipy.signal.butter(2, 2 * np.pi * 80.0, analog=True)
    sound = scipy.signal.freqs(b, a, 2 * np.pi * axis)[1] ** 2 * np.exp(-2j * np.pi * axis * 0.004)
    said = "".join(doubtful_responses(entries([sound + 10 ** (-below_db / 20)], axis=axis)).found)
    assert ("leaks" in said) == told
    assert not doubtful_responses(entries([np.exp(-2j * np.pi * axis * 1e-3)], axis=axis)).found


def test_smoothed_levels_are_told_at_all_seats_and_at_one(room):
    (said,) = doubtful_responses(entries(smoothed(room, 1.0))).taken
    assert said.startswith("the levels (sub) are as smooth")
    assert not doubtful_responses(entries(smoothed(room, 1.0))).found
    rows = room.copy()
    rows[2] = smoothed(room[2:3], 1.0)[0]
    (said,) = doubtful_responses(entries(rows)).found
    assert said.startswith("2.txt ('seat 2', sub) seems smoothed")
    assert not doubtful_responses(entries(rows)).taken
    rows[2] = smoothed(room[2:3], 1 / 24)[0]
    assert not doubtful_responses(entries(rows)).found


def test_fine_structure_is_that_of_a_ripple():
    """Two periods in a third octave: its amplitude over the root of 2."""
    axis = 10.0 * 2.0 ** (np.arange(600) / 120)
    ripple = 0.5 * np.sin(2 * np.pi * 6.0 * np.log2(axis))
    found = fine_structure_db(FrequencyResponse.from_level(axis, 70.0 + ripple))
    assert found == pytest.approx(0.5 / np.sqrt(2), rel=0.05)
