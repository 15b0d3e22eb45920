"""The look of plots: readable in colour and without, in the proportions of the standards."""

import inspect
import sys

import matplotlib as mpl
import numpy as np
import pytest
from drawn_plots import closed_figures, cut_off, overlapping, texts  # noqa: F401
from matplotlib import pyplot as plt

from roomeq import plots
from roomeq.report.plots.labels import frame_levels, name_ends, shortened
from roomeq.report.plots.style import (
    COLOURS,
    frame_frequencies,
    frame_values,
    house_style,
    level_span,
    level_title,
    our_settings,
    round_steps,
    seat_stroke,
    started,
    titled,
)

# Nominal mid-band frequencies of ISO 266, third octaves.
ISO_266 = [10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315]


def luminance(colour):
    """Relative luminance as WCAG 2.1 defines it."""
    channels = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    linear = np.where(channels <= 0.03928, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("name", sorted(set(COLOURS) - {"hair", "wash", "dots"}))
def test_colours_stand_out_from_white(name):
    assert 1.05 / (luminance(COLOURS[name]) + 0.05) >= 4.5  # WCAG 2.1, 1.4.3


def test_seats_differ_without_colour():
    styles = [seat_stroke(k)["linestyle"] for k in range(12)]
    assert len(set(styles)) == len(styles)
    assert styles.count("solid") == 1


@pytest.mark.parametrize(("lowest", "highest"), [(18.0, 130.0), (10.0, 320.0), (20.0, 200.0)])
def test_ticks_stand_at_nominal_frequencies(lowest, highest):
    _, ax = plt.subplots()
    frame_frequencies(ax, lowest, highest)
    assert ax.get_xscale() == "log"
    assert ax.get_xlim() == (lowest, highest)
    assert ax.get_xlabel() == "Frequency in Hz"
    expected = [f for f in ISO_266 if lowest <= f <= highest]
    assert ax.get_xticks().tolist() == expected
    ax.figure.draw_without_rendering()
    shown = [label.get_text() for label in ax.get_xticklabels() if label.get_text()]
    assert set(shown) <= {f"{f:g}" for f in expected}
    assert "31.5" in shown
    if highest / lowest > 18:  # only octaves are named where there is no room for all
        assert shown == ["16", "31.5", "63", "125", "250"]
    else:
        assert len(shown) == len(expected)
    assert not overlapping(ax)


@pytest.mark.parametrize("db_per_decade", [25, 50])
@pytest.mark.parametrize("own", [True, False])
def test_a_decade_is_as_long_as_iec_60263_says(db_per_decade, own):
    ax = started(None if own else plt.subplots(figsize=(7, 4), layout="constrained")[1])
    axis, span = np.array([15.0, 220.0]), (55.0, 95.0)
    ax.plot(axis, [60.0, 80.0], label="a seat")
    frame_levels(ax, "Levels", axis, span, "Level in dB SPL", db_per_decade=db_per_decade)
    ax.figure.draw_without_rendering()
    (x0, y0), (x1, y1) = ax.transData.transform([(20.0, 60.0), (200.0, 60.0 + db_per_decade)])
    assert x1 - x0 == pytest.approx(y1 - y0, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "limits"),
    [
        ([70.0, 90.0], (60.0, 95.0)),
        ([20.0, 90.0], (35.0, 95.0)),  # a null is cut off, 60 dB below
        ([np.nan, -np.inf, 72.0], (45.0, 75.0)),
        ([], (-15.0, 15.0)),
    ],
)
def test_level_limits(values, limits):
    low, high = level_span(values)
    assert (low % 5, high % 5) == (0, 0)
    assert high - low >= 30
    assert (low, high) == limits or (low <= min(values) and high == limits[1])


@pytest.mark.parametrize(
    ("top", "step"), [(1.0, 0.2), (7.0, 1.0), (7.1, 2.0), (590.0, 100.0), (0.04, 0.01)]
)
def test_steps_are_1_2_or_5(top, step):
    assert np.diff(round_steps().tick_values(0.0, top)) == pytest.approx(step)


def test_level_titles_have_their_unit():
    assert level_title("spl") == "Level in dB SPL"
    assert level_title("relative") == "Level in dB, relative"


def test_long_titles_wrap():
    _, ax = plt.subplots()
    titled(ax, "word " * 20)
    assert ax.get_title(loc="left").count("\n") == 1


def test_settings_come_back_after_an_error():
    before = dict(mpl.rcParams)

    @house_style
    def fails():
        mpl.rcParams["font.size"] = 77.0
        raise KeyError("x")

    with pytest.raises(KeyError):
        fails()
    assert dict(mpl.rcParams) == before


def test_own_settings_come_back_and_those_of_a_backend_stay():
    # the backend of a notebook loads with the first figure and turns interactive drawing on;
    # were that put back, no further figure would be shown
    before = mpl.rcParams["interactive"]
    with mpl.rc_context({"font.size": 13.0}):
        with our_settings():
            assert mpl.rcParams["font.size"] != 13.0
            mpl.rcParams["interactive"] = not before
        assert mpl.rcParams["interactive"] is not before
        assert mpl.rcParams["font.size"] == 13.0


def test_missing_matplotlib_names_the_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    for name in plots.__all__:
        function = getattr(plots, name)
        needed = [
            p for p in inspect.signature(function).parameters.values() if p.default is p.empty
        ]
        given = {p.name: None for p in needed if p.kind is p.KEYWORD_ONLY}
        with pytest.raises(ImportError, match=r"extra 'report'.*roomeq\[report\]"):
            function(*[None for p in needed if p.kind is not p.KEYWORD_ONLY], **given)


@pytest.mark.parametrize("name", plots.__all__)
def test_every_plot_takes_axes_by_name_or_makes_a_figure(name):
    signature = inspect.signature(getattr(plots, name))
    assert getattr(plots, name).__doc__
    if signature.return_annotation == "Figure":
        assert "ax" not in signature.parameters
        return
    parameter = signature.parameters["ax"]
    assert parameter.default is None
    assert parameter.kind is parameter.KEYWORD_ONLY


def test_twelve_seats_and_more_are_told_apart():
    looks = [(seat_stroke(k)["color"], seat_stroke(k)["linestyle"]) for k in range(36)]
    assert len(set(looks)) == len(looks)


def test_titles_keep_to_their_subplots():
    figure, axes = plt.subplots(1, 3, figsize=(9, 3))
    for ax in axes:
        frame_values(ax, limits=(0.0, 1.0), title="What is lost around the crossover")
        titled(ax, "A title that is far longer than the plot beneath it is wide")
    figure.draw_without_rendering()
    boxes = [text.get_window_extent() for ax in axes for text in (ax._left_title, ax.yaxis.label)]
    assert not any(one.overlaps(other) for k, one in enumerate(boxes) for other in boxes[k + 1 :])


def test_a_margin_holds_long_names():
    name = "the third armchair from the window, second row of the balcony"
    wide = started(None).get_window_extent().width

    @house_style
    def drawn(*, ax=None):
        ax = started(ax)
        ax.plot([0.0, 1.0], [0.0, 0.5], label=name, linewidth=3.0)
        frame_values(ax, limits=(0.0, 1.0), title="Level in dB")
        name_ends(ax)
        return ax

    ax = drawn()
    assert not cut_off(ax)
    assert ax.get_window_extent().width == pytest.approx(wide)  # the page grew, not the frame
    (written,) = texts(ax)
    assert written.endswith("\u2026")
    assert name.startswith(written[:-1])
    assert shortened("sofa") == "sofa"
    assert shortened("so\x1b[1mfa") == "so\\x1b[1mfa"
