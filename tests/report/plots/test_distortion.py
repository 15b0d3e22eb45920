"""Plot of the distortion of a recorded sweep: what it draws."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_plots import closed_figures, cut_off, line, lines, overlapping, texts  # noqa: F401

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.plots import plot_distortion

RATIOS_DB = np.array([0.0, -20.0, -30.0, -60.0, np.nan])


def distortion():
    """Second and third harmonic above the noise, the third in the upper half; the fourth never."""
    axis = np.geomspace(20.0, 160.0, 60)
    ratios = 10.0 ** (RATIOS_DB / 20.0)
    harmonics = ratios[:, np.newaxis] * np.ones((5, 60), dtype=complex)
    noise = np.full((5, 60), 1e-3)
    noise[2, :30] = 0.1
    return Distortion(frequencies=axis, harmonics=harmonics, noise=noise)


def root_of_squares_db(*levels_db):
    return 10.0 * np.log10(sum(10.0 ** (level / 10.0) for level in levels_db))


def limits(ax):
    return [y[0] for _, y in lines(ax, "limit *")]


def test_harmonics_total_and_bound():
    found = distortion()
    ax = plot_distortion(found)
    x, second = line(ax, "2nd")
    assert np.array_equal(x, found.frequencies)
    assert second == pytest.approx(-20.0)
    third = line(ax, "3rd")[1]
    assert np.isnan(third[:30]).all()  # hidden by the noise: not drawn as if it were known
    assert third[30:] == pytest.approx(-30.0)
    assert lines(ax, "4th") == lines(ax, "5th") == []
    total = line(ax, "*total*")[1]
    assert total[:30] == pytest.approx(-20.0)
    assert total[30:] == pytest.approx(root_of_squares_db(-20.0, -30.0))
    bound = line(ax, "at most*")[1]  # with the noise, so it counts what is hidden too
    assert bound == pytest.approx(root_of_squares_db(-20.0, -30.0, -60.0))
    hidden = np.concatenate([path.vertices for path in ax.collections[0].get_paths()])
    assert hidden[:, 1].min() == pytest.approx(-20.0)
    assert hidden[:, 1].max() == pytest.approx(bound.max())
    assert ax.collections[0].get_hatch()
    assert {"2nd", "3rd"} <= set(texts(ax))
    assert not {"4th", "5th"} & set(texts(ax))
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_nothing_but_noise_has_a_bound_and_no_total():
    found = distortion()
    ax = plot_distortion(replace(found, noise=np.full((5, 60), 10.0)))
    assert all(lines(ax, name) == [] for name in ("2nd", "3rd", "4th", "5th"))
    assert lines(ax, "*total*") == []
    assert np.isfinite(line(ax, "at most*")[1]).all()
    assert not any("total" in text for text in texts(ax))


def test_percent_stand_beside_decibels():
    ax = plot_distortion(distortion())
    assert ax.get_ylabel() == "Harmonic relative to the fundamental, in percent and dB"
    ax.figure.draw_without_rendering()
    told = [label.get_text().replace("\N{MINUS SIGN}", "-") for label in ax.get_yticklabels()]
    # a ratio of amplitudes: 20 lg 0.1 is -20 dB
    assert {"10 %   -20", "1 %   -40"} <= set(told)


def test_limits_at_the_right():
    # second to fifth harmonic of CTA-2010, as roomeq.optimiser.drive.demand quotes them
    ax = plot_distortion(distortion())
    assert limits(ax) == [-10.0, -15.0, -20.0]
    assert "limit 4th and 5th \u221220 dB" in texts(ax)


@pytest.mark.parametrize("rising", [1.0, -1.0])
def test_harmonics_are_named_within_the_frame(rising):
    found = distortion()
    slope = 10.0 ** (rising * np.linspace(-1.0, 0.0, 60))
    harmonics = found.harmonics * np.where(np.arange(5)[:, np.newaxis] > 0, slope, 1.0)
    ax = plot_distortion(replace(found, harmonics=harmonics))
    (second,) = [text for text in ax.texts if text.get_text() == "2nd"]
    x, y = line(ax, "2nd")
    assert 1.2 * x[0] < second.xy[0] < x[-1] / 1.2
    assert second.xy[1] == pytest.approx(np.interp(second.xy[0], x, y))


def test_only_the_bass_is_drawn():
    ax = plot_distortion(distortion(), highest=100.0)
    assert line(ax, "at most*")[0].max() <= 100.0
    assert ax.get_xlim()[1] <= 100.0
    with pytest.raises(ValueError, match="up to 10 Hz"):
        plot_distortion(distortion(), highest=10.0)


def test_no_distortion_known():
    nothing = np.full((5, 60), complex(np.nan, np.nan))
    with pytest.raises(ValueError, match="nothing is known"):
        plot_distortion(replace(distortion(), harmonics=nothing))
