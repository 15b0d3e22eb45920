"""Rooms of the benchmarks against a handbook, published formulas and independent programs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from benchmarks.rooms_apart import (
    CENTRES,
    SPEED,
    equaliser,
    image_transfer,
    low_pass,
    modal_transfer,
    random_room,
    rectangular_modes,
)
from scipy.signal import find_peaks

SIDES = np.array([6.0, 4.0, 2.5])
SOURCE, PLACE = np.array([0.3, 0.3, 0.3]), np.array([[4.0, 2.3, 1.2]])


def decibels(response: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.abs(response))


def test_modes_are_those_of_the_handbook() -> None:
    # Handbook for Sound Engineers, chapter 6, Table 6-4: 16 x 12 x 8 ft, c = 1130 ft/s.
    found, orders = rectangular_modes((16.0, 12.0, 8.0), 142.0, speed=1130.0)
    by_order = dict(zip(map(tuple, orders.tolist()), found, strict=True))
    table = {(1, 0, 0): 35.31, (2, 0, 0): 70.63, (0, 1, 0): 47.08, (0, 3, 0): 141.25}
    for order, frequency in table.items():
        assert by_order[order] == pytest.approx(frequency, abs=0.005)  # two decimals


def test_mode_sum_gives_the_level_of_an_independent_program() -> None:
    # Kuttruff's mode sum by a program written apart; T60 0.5 s, modes to 1500 Hz.
    level = [9.71, 11.45, 6.73, -2.63, -2.14, 1.09, -6.43, -1.72, 2.61]
    frequencies = np.array([20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0])
    found = modal_transfer(
        frequencies, SIDES, SOURCE, PLACE, lambda modes, _: np.full(modes.shape, 0.5), 1500.0
    )
    np.testing.assert_allclose(decibels(found[0]), level, atol=0.006)


def test_image_sources_agree_with_the_mode_sum_and_an_independent_program() -> None:
    # pyroomacoustics 0.10.1, absorption 0.15, order 60: peaks, and 0.99 dB rms against the mode
    # sum with damping -c ln R sum(|k_i| / |k| / L_i). Nulls are what differs.
    loss = -math.log(math.sqrt(0.85))
    frequencies = np.arange(20.0, 90.0, 0.05)

    def decay_time(modes: np.ndarray, orders: np.ndarray) -> np.ndarray:
        wave = orders / SIDES
        wave[0] = 1.0  # the uniform mode has no direction
        wave /= np.linalg.norm(wave, axis=1, keepdims=True)
        return 3.0 * math.log(10.0) / (SPEED * loss * (wave / SIDES).sum(axis=1))

    images = decibels(
        image_transfer(frequencies, SIDES, SOURCE, PLACE, np.full((3, 2), loss), duration=0.6)[0]
    )
    modal = decibels(modal_transfer(frequencies, SIDES, SOURCE, PLACE, decay_time, 800.0)[0])
    peaks = frequencies[find_peaks(images, prominence=1.0)[0]]
    np.testing.assert_allclose(peaks, [28.63, 43.09, 57.25, 71.17, 85.63], atol=0.15)
    assert math.sqrt(np.mean((images - modal) ** 2)) < 1.5


def test_band_is_the_cookbook_s() -> None:
    # W3C Audio EQ Cookbook by symbolic evaluation: +6 dB at 50.1187 Hz, Q 4.318, at the centres.
    found = decibels(equaliser(CENTRES, [0.0] * 4 + [6.0] + [0.0] * 4))
    expected = [0.0767, 0.1514, 0.3564, 1.2389, 6.0, 1.2389, 0.3564, 0.1514, 0.0767]
    np.testing.assert_allclose(found, expected, atol=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_room_is_as_stated(seed: int) -> None:
    room = random_room(seed)
    limit = np.array([room.box.limit, 8.0 * room.box.limit, room.box.limit / 64.0])
    at_limit, above, below = decibels(room.box.response(limit))
    assert at_limit == pytest.approx(-6.02, abs=0.01)
    assert above == pytest.approx(0.0, abs=0.2)
    octave_lower = decibels(room.box.response(limit[2:] / 2.0))[0]
    assert octave_lower - below == pytest.approx(-6.02 * room.box.order, abs=0.3)
    again = random_room(seed)
    np.testing.assert_array_equal(room.measured, again.measured)


def test_low_passes_fall_as_their_formulas_say() -> None:
    # 1 / (1 + r ** 4) and 1 / sqrt(1 + r ** 8) at r = f / corner, here 1 and 2.
    axis = np.array([80.0, 160.0])
    riley, butterworth = (
        decibels(low_pass(axis, name, 4, 80.0)) for name in ("linkwitz_riley", "butterworth")
    )
    np.testing.assert_allclose(riley, [-6.0206, -24.6090], atol=1e-3)
    np.testing.assert_allclose(butterworth, [-3.0103, -24.0993], atol=1e-3)
