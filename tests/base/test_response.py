"""Frequency responses as values."""

import dataclasses

import numpy as np
import pytest

from roomeq.base.errors import MissingPhaseError
from roomeq.base.response import FrequencyResponse, checked_frequencies

FREQUENCIES = [20.0, 40.0, 80.0]


def test_level_only_has_no_phase():
    response = FrequencyResponse.from_level(FREQUENCIES, [70, 75, 72])
    assert not response.has_phase
    assert response.level_db.tolist() == [70, 75, 72]
    with pytest.raises(MissingPhaseError, match="level only"):
        _ = response.pressure
    with pytest.raises(MissingPhaseError):
        _ = response.phase_deg


def test_level_and_phase_views_agree():
    response = FrequencyResponse.from_level(FREQUENCIES, [0, 6, -6], phase_deg=[10, 200, -30])
    np.testing.assert_allclose(response.level_db, [0, 6, -6], atol=1e-12)
    np.testing.assert_allclose(response.phase_deg, [10, -160, -30])
    np.testing.assert_allclose(np.abs(response.pressure), [1, 1.99526, 0.50119], rtol=1e-5)


def test_delay_turns_phase_downwards():
    # exp(+j omega t): 5 ms at 20 Hz is a tenth of a period, -36 degrees
    delayed = np.exp(-2j * np.pi * np.array(FREQUENCIES) * 0.005)
    response = FrequencyResponse.from_pressure(FREQUENCIES, delayed)
    assert response.phase_deg[0] == pytest.approx(-36.0)


@pytest.mark.parametrize("phase_deg", [None, [0.0, 50.0, 90.0]])
def test_filtered_and_back(phase_deg):
    response = FrequencyResponse.from_level(FREQUENCIES, [70, 75, 72], phase_deg=phase_deg)
    transfer = np.array([0.5, 1j, -2.0])
    there = response.filtered(transfer)
    np.testing.assert_allclose(there.level_db, [70 - 6.0206, 75, 72 + 6.0206], atol=1e-4)
    back = there.filtered(transfer, inverse=True)
    np.testing.assert_allclose(back.stored, response.stored)
    if phase_deg is not None:
        np.testing.assert_allclose(there.phase_deg, [0, 140, -90])


def test_is_frozen_and_private():
    levels = np.array([70.0, 75.0, 72.0])
    response = FrequencyResponse.from_level(FREQUENCIES, levels)
    levels[0] = 0.0
    assert response.level_db[0] == 70.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        response.snr_db = None
    with pytest.raises(ValueError, match="read-only"):
        response.stored[0] = 1.0


@pytest.mark.parametrize(
    ("axis", "message"),
    [
        ([], "not empty"),
        ([[20.0]], "one-dimensional"),
        ([20.0, 20.0], "entry 1 is 20 Hz"),
        ([0.0, 20.0], "entry 0 is 0 Hz"),
        ([20.0, np.nan], "entry 1 is nan"),
        ([40.0, 20.0], "entry 1 is 20 Hz"),
    ],
)
def test_axes_are_checked(axis, message):
    with pytest.raises(ValueError, match=message):
        checked_frequencies(axis)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"stored": [70.0, 75.0]}, "do not fit 3"),
        ({"stored": 70.0}, "do not fit 3"),
        ({"stored": [70.0, np.inf, 72.0]}, "not so at 40 Hz"),
        ({"snr_db": [10.0]}, "snr_db"),
        ({"snr_db": [10.0, np.nan, 3.0]}, "snr_db"),
    ],
)
def test_values_are_checked(change, message):
    good = {"frequencies": FREQUENCIES, "stored": [70.0, 75.0, 72.0]}
    with pytest.raises(ValueError, match=message):
        FrequencyResponse(**(good | change))


def test_repr_says_what_matters():
    response = FrequencyResponse.from_level(FREQUENCIES, [70, 75, 72], level_reference="spl")
    assert repr(response) == (
        "<FrequencyResponse 3 points, 20 to 80 Hz, level only, dB SPL, narrow>"
    )
