"""Plot of responses side by side: what it draws."""

import numpy as np
import pytest
from drawn_plots import closed_figures, cut_off, line, overlapping, texts, title  # noqa: F401

from roomeq.base.response import FrequencyResponse
from roomeq.plots import plot_responses

WIDE = np.geomspace(10.0, 200.0, 60)
NARROW = np.geomspace(16.0, 400.0, 80)


def response(axis, level, **facts):
    return FrequencyResponse.from_level(axis, level, **facts)


@pytest.fixture
def pair():
    return {
        "first time": response(WIDE, 80.0 + 0.02 * WIDE, level_reference="spl"),
        "second time": response(NARROW, 84.0 - 0.01 * NARROW, level_reference="spl"),
    }


def test_draws_every_response_as_it_is(pair):
    ax = plot_responses(pair)
    for name, entry in pair.items():
        x, y = line(ax, name)
        inside = (entry.frequencies >= 16.0) & (entry.frequencies <= 200.0 * (1 + 1e-12))
        np.testing.assert_array_equal(x, entry.frequencies[inside])
        np.testing.assert_array_equal(y, entry.level_db[inside])
    assert ax.get_xlim() == (pytest.approx(16.0), pytest.approx(200.0))
    assert {"first time", "second time"} <= set(texts(ax))
    assert ax.get_ylabel() == "Level in dB SPL"
    assert title(ax) == "Responses side by side"
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_span_title_and_reference(pair):
    pair["second time"] = response(NARROW, 84.0 - 0.01 * NARROW)
    ax = plot_responses(pair, lowest=20.0, highest=100.0, title="Twice")
    assert ax.get_xlim() == (20.0, 100.0)
    assert line(ax, "first time")[0].min() >= 20.0
    assert line(ax, "second time")[0].max() <= 100.0
    assert ax.get_ylabel() == "Level in dB, relative"  # one relative one makes all relative
    assert title(ax) == "Twice"
    low, high = ax.get_ylim()
    width, height = ax.bbox.width, ax.bbox.height
    # IEC 60263: 50 dB are as long as a decade
    assert height / (high - low) * 50 == pytest.approx(width / np.log10(5.0), rel=0.01)


def test_strokes_differ_and_band_levels_carry_marks():
    bands = np.array([20.0, 25.0, 31.5, 40.0, 50.0])
    ax = plot_responses(
        {
            "sweep": response(WIDE, np.full(60, 80.0)),
            "meter": response(bands, np.full(5, 81.0), resolution="third_octave"),
        }
    )
    sweep, meter = ax.lines[0], ax.lines[1]
    assert (sweep.get_marker(), meter.get_marker()) == ("None", "o")
    assert sweep.get_linestyle() != meter.get_linestyle()
    assert sweep.get_color() != meter.get_color()


@pytest.mark.parametrize(
    ("responses", "span", "message"),
    [
        ({}, {}, "at least one"),
        ({"two": response(WIDE, np.full((2, 60), 80.0))}, {}, "'two' holds several"),
        ({"one": response(WIDE, np.full(60, 80.0))}, {"lowest": 300.0, "highest": 400.0}, "300"),
    ],
)
def test_refuses(responses, span, message):
    with pytest.raises(ValueError, match=message):
        plot_responses(responses, **span)
