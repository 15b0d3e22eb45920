"""Plot of an impulse response: what it draws."""

import numpy as np
import pytest
from drawn_plots import closed_figures, line, texts, title  # noqa: F401

from roomeq.analysis.sweeps.windowing import ImpulseWindow
from roomeq.base.recording import ImpulseResponse
from roomeq.plots import plot_impulse_response

RATE = 1000.0
TIMES = np.arange(-400, 2000) / RATE
SAMPLES = np.where(TIMES >= 0, -4.0 * np.exp(-TIMES / 0.2), 0.0)
WINDOW = ImpulseWindow(before=0.2, length=1.0)


def response(samples=SAMPLES):
    return ImpulseResponse(
        samples=samples, sample_rate=RATE, start=-0.4, lowest=10.0, highest=400.0
    )


def test_amplitude_level_and_window():
    upper, lower = plot_impulse_response(response(), window=WINDOW).axes
    x, y = line(upper, "response")
    assert y == pytest.approx(100.0 * np.interp(x, TIMES, SAMPLES) / 4.0, abs=1e-9)
    assert y.min() == pytest.approx(-100.0)
    level = line(lower, "response")
    # the largest within a hundredth of a second stands at its beginning
    heard = level[0] >= 0.0
    wanted = -20.0 / np.log(10.0) * level[0][heard] / 0.2
    assert level[1][heard] == pytest.approx(wanted, abs=0.05)
    x, y = line(upper, "window")
    # flat from -before / 2 to 0.8 of the length, half a raised cosine at either end
    assert y[(x >= -0.1) & (x <= 0.8)] == pytest.approx(100.0)
    assert np.interp([-0.2, -0.15, 0.9, 1.0], x, y) == pytest.approx([0, 50, 50, 0], abs=0.5)
    assert line(lower, "window")[1].max() == pytest.approx(0.0, abs=1e-6)


def test_what_is_cut_off_is_hatched_and_the_axes_have_units():
    figure = plot_impulse_response(response(), window=WINDOW)
    for ax in figure.axes:
        spans = sorted((p.get_x(), p.get_x() + p.get_width()) for p in ax.patches)
        low, high = ax.get_xlim()
        assert spans == [pytest.approx((low, -0.2)), pytest.approx((1.0, high))]
        assert all(p.get_hatch() for p in ax.patches)
    upper, lower = figure.axes
    assert upper.get_ylabel() == "Amplitude in percent of the largest"
    assert lower.get_ylabel() == "Level in dB below the largest"
    assert lower.get_xlabel() == "Time in s"
    (words,) = texts(upper)
    assert "flat to 0.80 s" in words
    assert "ends at 1.00 s" in words
    figure.draw_without_rendering()
    assert all(text.get_window_extent().x1 <= figure.bbox.x1 for text in upper.texts)
    assert title(upper) == "Impulse response and window"


def test_one_response_at_a_time():
    with pytest.raises(ValueError, match="holds several"):
        plot_impulse_response(response(np.ones((2, 2400))), window=WINDOW)
