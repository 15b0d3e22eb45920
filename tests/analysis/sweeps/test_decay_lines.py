"""Level over time by third octave, against decays that are known in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from roomeq.analysis.sweeps.windowing import _WIDTH, estimate_decay_lines
from roomeq.base.recording import ImpulseResponse

RATE = 2000.0
TIMES = np.arange(-0.5, 4.0, 1.0 / RATE)


def response(samples, **changes):
    return ImpulseResponse(
        samples=samples, sample_rate=RATE, start=-0.5, lowest=10.0, highest=400.0, **changes
    )


def ringing(frequency, decay_time):
    """A mode that falls by 60 dB in its decay time."""
    falling = np.exp(-3.0 * np.log(10.0) * np.maximum(TIMES, 0.0) / decay_time)
    return np.where(TIMES >= 0.0, falling * np.sin(2.0 * np.pi * frequency * TIMES), 0.0)


@pytest.mark.parametrize(("label", "centre"), [("25", 25.12), ("63", 63.1), ("125", 125.9)])
def test_a_mode_falls_by_its_decay_time(label, centre):
    found = estimate_decay_lines(response(ringing(centre, 1.2)), until=1.5)
    row = [band.label for band in found.bands].index(label)
    level = found.level_db[row]
    assert level.max() == pytest.approx(0.0, abs=0.1)
    fallen = (found.times > 0.4) & (found.times < 1.0)
    slope = np.polyfit(found.times[fallen], level[fallen], 1)[0]
    assert slope == pytest.approx(-60.0 / 1.2, rel=0.02)


def test_a_band_passes_as_much_noise_as_a_third_octave():
    # IEC 61260-1:2014: edges at G^(-1/6) and G^(1/6), G = 10^0.3
    power, _ = quad(lambda x: np.exp(-((x / _WIDTH) ** 2)), -3.0, 3.0)
    assert power == pytest.approx(np.log(10.0**0.1), rel=1e-6)


def test_the_filter_alone_falls_about_as_fast_as_is_told():
    # over ln f the band is no exact Gaussian of f, so its fall is none of time
    impulse = np.where(np.isclose(TIMES, 0.0), 1.0, 0.0)
    found = estimate_decay_lines(response(impulse), until=1.0)
    for level, own in zip(found.level_db, found.own_times, strict=True):
        assert np.interp(own, found.times, level) == pytest.approx(-30.0, abs=2.5)


def test_bands_that_are_not_covered_whole_are_left_out():
    narrow = replace(response(ringing(63.1, 1.0)), lowest=30.0, highest=112.0)
    labels = [band.label for band in estimate_decay_lines(narrow, until=1.0).bands]
    assert labels == ["40", "50", "63", "80"]  # 31.5 begins at 28.2 Hz, 100 ends at 112.2 Hz
    with pytest.raises(ValueError, match="covers a band"):
        estimate_decay_lines(replace(narrow, lowest=200.0, highest=300.0), until=1.0)
    with pytest.raises(ValueError, match="one impulse response"):
        estimate_decay_lines(response(np.ones((2, 50))), until=1.0)


def test_what_the_recording_does_not_tell_is_no_level():
    told = np.array([10.0, 400.0]), np.array([0.5, 0.5])
    found = estimate_decay_lines(response(ringing(63.1, 1.0), told=told), until=1.0)
    later = found.times > 0.5
    assert np.isnan(found.level_db[:, later]).all()
    assert np.isfinite(found.level_db[:, ~later]).all()
    assert found.times[-1] < 1.0
