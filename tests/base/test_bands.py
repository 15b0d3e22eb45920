"""Bands against IEC 61260-1:2014 and ISO 266."""

import itertools

import numpy as np
import pytest

from roomeq.base.bands import logarithmic_axis, third_octave_band, third_octave_bands

# ISO 266 nominal (R10); exact mid-band and edges by IEC 61260-1:2014, base ten, formulas 2, 4, 5.
TABLE = [
    (12.5, 12.5893, 11.2202, 14.1254),
    (16, 15.8489, 14.1254, 17.7828),
    (20, 19.9526, 17.7828, 22.3872),
    (25, 25.1189, 22.3872, 28.1838),
    (31.5, 31.6228, 28.1838, 35.4813),
    (40, 39.8107, 35.4813, 44.6684),
    (50, 50.1187, 44.6684, 56.2341),
    (63, 63.0957, 56.2341, 70.7946),
    (80, 79.4328, 70.7946, 89.1251),
    (100, 100.0000, 89.1251, 112.2018),
    (125, 125.8925, 112.2018, 141.2538),
    (160, 158.4893, 141.2538, 177.8279),
    (200, 199.5262, 177.8279, 223.8721),
    (250, 251.1886, 223.8721, 281.8383),
]


@pytest.mark.parametrize(("nominal", "centre", "lower", "upper"), TABLE)
def test_third_octave_bands_are_the_standards(nominal, centre, lower, upper):
    band = third_octave_band(nominal)
    assert band.nominal == nominal
    assert band.label == f"{nominal:g}"
    # half a unit of the last printed digit
    np.testing.assert_allclose(
        [band.centre, band.lower, band.upper], [centre, lower, upper], atol=5e-5
    )


def test_ten_bands_a_decade_repeat():
    # ISO 266: the series repeats in every decade
    low, high = third_octave_bands(12.5, 100), third_octave_bands(125, 1000)
    assert [10 * band.nominal for band in low] == [band.nominal for band in high]


def test_nine_bands_and_their_edges_meet():
    bands = third_octave_bands(20, 125)
    assert [band.label for band in bands] == [
        "20",
        "25",
        "31.5",
        "40",
        "50",
        "63",
        "80",
        "100",
        "125",
    ]
    for one, following in itertools.pairwise(bands):
        assert one.upper == pytest.approx(following.lower, rel=1e-12)


@pytest.mark.parametrize("wrong", [0.0, -20.0, float("nan"), float("inf")])
def test_band_of_no_frequency(wrong):
    with pytest.raises(ValueError, match="finite and positive"):
        third_octave_band(wrong)


def test_band_outside_the_series():
    with pytest.raises(ValueError, match="outside the bands"):
        third_octave_band(40000.0)
    with pytest.raises(ValueError, match="lies below lowest"):
        third_octave_bands(125, 20)


def test_logarithmic_axis_shares_its_points():
    axis = logarithmic_axis(20, 200, per_octave=24)
    assert axis[0] >= 20
    assert axis[-1] <= 200
    np.testing.assert_allclose(np.diff(np.log2(axis)), 1 / 24)
    wider = logarithmic_axis(10, 400, per_octave=24)
    assert np.isin(axis, wider).all()
    assert 1000.0 in logarithmic_axis(500, 2000, per_octave=3)


@pytest.mark.parametrize(
    ("span", "per_octave", "message"),
    [
        ((0, 10), 24, "0 < lowest"),
        ((20, float("nan")), 24, "0 < lowest"),
        ((20, 10), 24, "0 < lowest"),
        ((20, 200), 0, "at least 1"),
        ((20, 20.1), 1, "no point"),
    ],
)
def test_logarithmic_axis_refuses(span, per_octave, message):
    with pytest.raises(ValueError, match=message):
        logarithmic_axis(*span, per_octave=per_octave)
