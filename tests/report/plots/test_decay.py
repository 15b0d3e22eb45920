"""Plots of how long it rings: what they draw."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_plots import bars, closed_figures, cut_off, key, line, lines, overlapping, texts  # noqa: F401
from matplotlib import pyplot as plt

from roomeq.analysis.sweeps.decay import Decay
from roomeq.analysis.sweeps.windowing import DecayLines
from roomeq.base.bands import third_octave_bands
from roomeq.plots import plot_decay, plot_decay_lines

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
    assert key(ax) == ["measured"]
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_the_prediction_stands_on_what_was_before():
    ax = plot_decay(decay([1.2, 0.9, 0.7, 0.5]), predicted=decay([0.8, 0.6, 0.7, 0.5]))
    drawn = bars(ax)
    assert [height for *_, height, _ in drawn] == [1.2, 0.9, 0.7, 0.5, 0.8, 0.6, 0.7, 0.5]
    for before, predicted, centre in zip(drawn[:4], drawn[4:], CENTRES, strict=True):
        for left, right, *_ in (before, predicted):  # both in the middle: it is one frequency
            assert left * right == pytest.approx(centre**2)
        assert before[0] < predicted[0] < predicted[1] < before[1]
        assert before[3].get_hatch() != predicted[3].get_hatch()
    assert key(ax) == ["before", "predicted"]


def test_where_the_filter_rings_is_grey():
    ax = plot_decay(decay([1.2, 0.9, 0.7, 0.5], (True, False, False, False)))
    first, *rest = [patch for *_, patch in bars(ax)]
    assert first.get_hatch() == "xxxx"
    red, green, blue, _ = first.get_facecolor()
    assert max(red, green, blue) - min(red, green, blue) < 0.05
    assert {patch.get_hatch() for patch in rest} == {"////"}
    assert "the band filter rings" in key(ax)


def test_what_was_not_measured_is_said():
    ax = plot_decay(decay([np.nan, 0.9, 0.7, 0.5], (True, False, False, False)))
    assert len(bars(ax)) == 3
    assert "not known" in texts(ax)
    assert "the band filter rings" not in key(ax)
    ax = plot_decay(decay([np.nan] * 4, (True,) * 4))
    assert bars(ax) == []
    assert texts(ax).count("not known") == 4


def test_bands_must_agree():
    other = replace(decay([1.2, 0.9, 0.7, 0.5]), frequencies=2 * CENTRES)
    with pytest.raises(ValueError, match="same bands"):
        plot_decay(decay([1.2, 0.9, 0.7, 0.5]), predicted=other)
    assert not plt.get_fignums()


THIRDS = third_octave_bands(50, 100)


def decay_lines(times, per_second):
    """Levels that fall evenly, so many dB in a second."""
    fall = np.array(per_second)[:, np.newaxis] * times
    own = np.array([0.1, 0.08, 0.06, 0.05])
    return DecayLines(bands=THIRDS, times=times, level_db=-fall, own_times=own)


def test_lanes_fall_as_the_levels_do():
    times = np.linspace(0.0, 0.9, 91)
    before = decay_lines(times, [30.0, 60.0, 90.0, 20.0])
    after = decay_lines(times, [60.0, 60.0, 120.0, 20.0])
    ax = plot_decay_lines(before, predicted=after)
    grounds = ax.get_yticks()
    assert -np.diff(grounds) == pytest.approx([48.0] * 3)
    for found, entry in (("before", before), ("predicted", after)):
        for ground, band, level in zip(grounds, THIRDS, entry.level_db, strict=True):
            x, y = line(ax, f"{found} {band.label} Hz")
            assert x == pytest.approx(times)
            assert y == pytest.approx(ground + np.maximum(level + 40.0, 0.0))  # 40 dB are shown
    filters = lines(ax, "filter")
    assert [x[1] for x, _ in filters] == pytest.approx(before.own_times)
    assert [y[0] for _, y in filters] == pytest.approx(grounds)
    assert [tick.get_text() for tick in ax.get_yticklabels()] == [
        "50 Hz",
        "63 Hz",
        "80 Hz",
        "100 Hz",
    ]
    scale = line(ax, "scale")[1]
    assert scale[1] - scale[0] == 20.0
    assert "20 dB" in texts(ax)
    assert ax.get_xlabel() == "Time in s"
    assert ax.get_xlim() == (0.0, pytest.approx(0.9))
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_lanes_need_the_same_bands():
    times = np.linspace(0.0, 0.5, 6)
    other = replace(decay_lines(times, [1.0] * 4), bands=third_octave_bands(63, 125))
    with pytest.raises(ValueError, match="same bands"):
        plot_decay_lines(decay_lines(times, [1.0] * 4), predicted=other)
    alone = plot_decay_lines(decay_lines(times, [1.0] * 4))
    assert not any("predicted" in text for text in texts(alone))


def test_given_axes_are_used():
    _, ax = plt.subplots()
    assert plot_decay(decay([1.2, 0.9, 0.7, 0.5]), ax=ax) is ax
