"""Filters fitted to responses that were made apart (`devices_apart`)."""

import numpy as np
import pytest
from devices_apart import heard, passing
from scipy import signal

from roomeq.analysis.device_fit import MovedResponse, fit_filter
from roomeq.base.response import FrequencyResponse

AXIS = np.geomspace(8, 400, 271)


def on(change, rng):
    rows = (heard(AXIS, own, rng, 40.0) for own in (np.ones(AXIS.size), change))
    return MovedResponse.of(*(FrequencyResponse.from_level(AXIS, row) for row in rows), name="on")


@pytest.mark.parametrize(
    ("kind", "family", "order", "corner"),
    [
        ("low_pass", "butterworth", 2, 83.0),
        ("low_pass", "linkwitz_riley", 4, 76.0),
        ("low_pass", "butterworth", 4, 81.0),
        ("high_pass", "butterworth", 3, 21.0),
        ("high_pass", "linkwitz_riley", 2, 19.0),
    ],
)
def test_filters_are_those_of_scipy(kind, family, order, corner):
    rng = np.random.default_rng(7)
    change = passing(AXIS, kind, family, order, corner)
    mark = 80.0 if kind == "low_pass" else 20.0
    found = fit_filter(on(change, rng), kind=kind, mark=mark)
    assert [(one.family, one.order) for one in found.filters] == [(family, order)]
    assert found.corner.value == pytest.approx(corner, rel=0.01)
    assert not found.misfit


def test_a_filter_of_another_family_is_none():
    # a Chebyshev filter with 3 dB of ripple (scipy.signal.cheby1)
    rng = np.random.default_rng(8)
    poly = signal.cheby1(4, 3.0, 2 * np.pi * 80.0, analog=True)
    change = signal.freqs(*poly, worN=2 * np.pi * AXIS)[1]
    assert fit_filter(on(change, rng), kind="low_pass", mark=80.0).misfit
