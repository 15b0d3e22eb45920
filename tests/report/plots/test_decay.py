"""Plot of decay times: what it draws."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_plots import bars, closed_figures, cut_off, overlapping, texts  # noqa: F401
from matplotlib import pyplot as plt

from roomeq.analysis.sweeps.decay import Decay
from roomeq.plots import plot_decay

# Octaves 31.5 to 250 Hz of IEC 61260-1:2014: exact centres, and edges at G^(-1/2) and G^(1/2).
CENTRES = 1000.0 * 10.0 ** (0.3 * np.arange(-5, -1))
LOWER, UPPER = CENTRES * 10.0**-0.15, CENTRES * 10.0**0.15


def decay(times, governed=(False, False, False, False)):
    times = np.array(times)
    return Decay(
        frequencies=CENTRES,
        bandwidths=UPPER - LOWER,
        t20=times,
        t30=0.9 * times,
        range_db=np.full(4, 50.0),
        noise_met_at=np.full(4, 2.0),
        governed_by_filter=np.array(governed),
    )


def test_decay_before():
    ax = plot_decay(decay([1.2, 0.9, 0.7, 0.5]))
    drawn = bars(ax)
    assert [height for *_, height, _ in drawn] == [1.2, 0.9, 0.7, 0.5]
    for (left, right, _, _), low, high in zip(drawn, LOWER, UPPER, strict=True):
        assert low < left < right < high
        assert left * right == pytest.approx(low * high)  # in the middle of its band
    assert ax.get_ylabel() == "Decay time for 60 dB in s"
    assert ax.get_ylim()[0] == 0
    assert ax.get_ylim()[1] > 1.2
    assert ax.get_xlim() == pytest.approx((LOWER[0], UPPER[-1]))
    assert texts(ax) == ["measured"]
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_before_and_predicted_stand_side_by_side():
    ax = plot_decay(decay([1.2, 0.9, 0.7, 0.5]), predicted=decay([0.8, 0.6, 0.7, 0.5]))
    drawn = bars(ax)
    assert [height for *_, height, _ in drawn] == [1.2, 0.8, 0.9, 0.6, 0.7, 0.7, 0.5, 0.5]
    for before, predicted, centre in zip(drawn[::2], drawn[1::2], CENTRES, strict=True):
        assert before[1] <= centre * 1.001
        assert predicted[0] >= centre * 0.999
        assert before[3].get_hatch() != predicted[3].get_hatch()
    assert texts(ax) == ["before", "predicted"]


def test_where_the_filter_rings_is_grey():
    ax = plot_decay(decay([1.2, 0.9, 0.7, 0.5], (True, False, False, False)))
    first, *rest = [patch for *_, patch in bars(ax)]
    assert first.get_hatch() == "xxxx"
    red, green, blue, _ = first.get_facecolor()
    assert max(red, green, blue) - min(red, green, blue) < 0.05
    assert {patch.get_hatch() for patch in rest} == {"////"}
    assert "the band filter rings" in texts(ax)


def test_what_was_not_measured_is_said():
    ax = plot_decay(decay([np.nan, 0.9, 0.7, 0.5], (True, False, False, False)))
    assert len(bars(ax)) == 3
    assert "not known" in texts(ax)
    assert "the band filter rings" not in texts(ax)
    ax = plot_decay(decay([np.nan] * 4, (True,) * 4))
    assert bars(ax) == []
    assert texts(ax).count("not known") == 4


def test_bands_must_agree():
    other = replace(decay([1.2, 0.9, 0.7, 0.5]), frequencies=2 * CENTRES)
    with pytest.raises(ValueError, match="same bands"):
        plot_decay(decay([1.2, 0.9, 0.7, 0.5]), predicted=other)
    assert not plt.get_fignums()


def test_given_axes_are_used():
    _, ax = plt.subplots()
    assert plot_decay(decay([1.2, 0.9, 0.7, 0.5]), ax=ax) is ax
