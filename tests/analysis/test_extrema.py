"""Dips of a level curve."""

import numpy as np
import pytest
from scipy import signal

from roomeq.analysis.dips import find_dips


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_scipy_on_equal_steps(seed):
    # scipy.signal.find_peaks: prominence, and width at half of it, in samples
    rng = np.random.default_rng(seed)
    per_octave = 24
    axis = 20.0 * 2.0 ** (np.arange(200) / per_octave)
    levels_db = np.convolve(rng.normal(size=204) * 8, np.ones(5) / 5, mode="valid")
    levels_db = np.round(levels_db, 0 if seed > 2 else 9)  # whole dB: runs of equal values
    places, found = signal.find_peaks(-levels_db, prominence=3.0, width=0, plateau_size=1)
    dips = find_dips(axis, levels_db)
    assert len(dips) == len(places) > 5
    middle = 0.5 * (found["left_edges"] + found["right_edges"])
    np.testing.assert_allclose([dip.frequency for dip in dips], 20 * 2 ** (middle / per_octave))
    np.testing.assert_allclose([dip.depth_db for dip in dips], found["prominences"])
    np.testing.assert_allclose(
        [dip.width_octaves for dip in dips], found["widths"] / per_octave, atol=1e-9
    )


def test_a_dip_of_known_depth_and_width_on_any_spacing():
    for axis in (np.linspace(10, 200, 40_001), np.geomspace(10, 200, 4001)):
        octaves = np.log2(axis / 50.0)
        levels_db = 70 - 12 * np.maximum(1 - np.abs(octaves) / 0.4, 0)  # a triangle
        (dip,) = find_dips(axis, levels_db)
        assert dip.frequency == pytest.approx(50.0, rel=1e-3)
        assert dip.depth_db == pytest.approx(12.0, abs=0.05)
        assert dip.width_octaves == pytest.approx(0.4, abs=2e-3)
        assert find_dips(axis, -levels_db) == ()


def test_slopes_ends_and_flat_stretches_are_no_dips():
    axis = np.linspace(20.0, 100.0, 9)
    for levels_db in (
        np.arange(9.0),
        -np.arange(9.0),
        np.zeros(9),
        [0, 9, 9, 9, 9, 9, 9, 9, 0],
        [9, 9, 5, 5, 5, 0, 0, 0, 0],
    ):
        assert find_dips(axis, levels_db) == ()
    assert find_dips([50.0], [1.0]) == ()


def test_shallow_dips_are_left_out():
    axis, levels_db = np.linspace(20.0, 60.0, 5), [0.0, -4.0, 0.0, -2.0, 0.0]
    assert [dip.depth_db for dip in find_dips(axis, levels_db)] == [4.0]
    assert [dip.depth_db for dip in find_dips(axis, levels_db, least_depth_db=2)] == [4.0, 2.0]


def test_what_is_misused_is_refused():
    axis = np.linspace(20.0, 60.0, 5)
    for depth_db in (0.0, -1.0, np.nan):
        with pytest.raises(ValueError, match="least_depth_db must be positive"):
            find_dips(axis, np.zeros(5), least_depth_db=depth_db)
