"""Bands as they were found on a device."""

import numpy as np
import pytest
from devices_apart import peaking

from roomeq.base.bands import device_band
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.device.found_band import FoundBand, FoundSetting

AXIS = np.geomspace(10, 300, 90)


def found(**rows):
    """Return a band with settings from ``minus_6=(gain, q)``."""
    signs = {"minus": -1.0, "plus": 1.0}
    settings = []
    for name, (gain, q) in rows.items():
        sign, size = name.split("_")
        settings.append(FoundSetting(setting_db=signs[sign] * float(size), gain_db=gain, q=q))
    return FoundBand(centre=40, measured_centre=41.0, settings=tuple(settings))


def equaliser(*bands):
    return FixedBandEqualiser(
        bands=(device_band(31.5), device_band(40, 41.0), device_band(50)),
        lowest_db=-12.0,
        highest_db=12.0,
        step_db=0.5,
        q_law=QLaw.constant(4.318),
        found=bands,
    )


def test_what_was_found_is_what_the_equaliser_does():
    # the section of the Audio EQ Cookbook with real gain and Q at the centre as it lies, by scipy
    own = equaliser(found(minus_6=(-5.6, 3.1), plus_3=(3.4, 2.2)))
    for setting, gain, q in ((-6.0, -5.6, 3.1), (3.0, 3.4, 2.2)):
        expected = 20 * np.log10(np.abs(peaking(AXIS, 41.0, q, gain)))
        np.testing.assert_allclose(own.response_db([0, setting, 0], AXIS), expected, atol=1e-3)
        level = 20 * np.log10(np.abs(own.response([0, setting, 0], AXIS)))
        np.testing.assert_allclose(level, expected, atol=1e-3)
    expected = 20 * np.log10(np.abs(peaking(AXIS, device_band(50).centre, 4.318, -6.0)))
    np.testing.assert_allclose(own.response_db([0, 0, -6.0], AXIS), expected, atol=1e-3)


def test_between_and_beyond_what_was_found():
    band = found(minus_6=(-5.4, 3.0), minus_3=(-3.0, 2.0))
    settings = np.array([-1.5, -4.5, -12.0, 0.0, 6.0])
    # through 0; half way between 3.0 and 5.4; in proportion beyond; a boost mirrors the cut
    np.testing.assert_allclose(band.gains_db(settings), [-1.5, -4.2, -10.8, 0.0, 5.4])
    np.testing.assert_allclose(
        band.qs(settings, otherwise=np.full(5, 9.0)), [2.0, 2.5, 3.0, 2.0, 3.0]
    )


def test_a_boost_of_its_own_goes_before_the_mirrored_cut():
    band = found(minus_6=(-5.4, 3.0), plus_6=(6.3, 4.0))
    np.testing.assert_allclose(band.gains_db([-6.0, 6.0]), [-5.4, 6.3])
    np.testing.assert_allclose(band.qs([-6.0, 6.0], otherwise=np.ones(2)), [3.0, 4.0])


def test_what_was_not_told_stays_as_assumed():
    no_q, no_gain = found(minus_6=(-5.0, None)), found(minus_6=(None, 3.0))
    assert no_q.qs([-6.0], otherwise=np.array([7.0])) == pytest.approx([7.0])
    assert no_gain.gains_db([-6.0]) == pytest.approx([-6.0])


def test_another_q_is_tried_for_what_is_assumed_alone():
    own = equaliser(found(minus_6=(-5.4, 3.0)))
    assert own.assumed_q_labels == ("31.5", "50")
    other = own.scaled_q(0.7)
    assert float(other.section(1, -6.0)[1]) == pytest.approx(3.0)
    assert float(other.section(0, -6.0)[1]) == pytest.approx(0.7 * 4.318)


@pytest.mark.parametrize(
    "rows", [{"minus_6": (5.0, 3.0)}, {"minus_6": (-5.0, 0.0)}, {"plus_0": (1.0, 2.0)}]
)
def test_impossible_findings_are_refused(rows):
    with pytest.raises(ValueError, match=r"sign|positive|other than 0"):
        found(**rows)
