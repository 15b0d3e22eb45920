"""What is written on plots: beside its place, and nothing over another."""

import numpy as np
import pytest
from drawn_plots import closed_figures, overlapping, texts  # noqa: F401
from matplotlib import pyplot as plt
from scipy.optimize import lsq_linear

from roomeq.report.plots.labels import _spread, mark_corner, mark_span, name_ends
from roomeq.report.plots.style import frame_frequencies


def test_labels_at_the_end_do_not_overlap():
    _, ax = plt.subplots()
    ax.set_ylim(0.0, 100.0)
    places = [50.0, 50.1, 50.2, 49.9, 99.0, 100.0, 130.0, -20.0]
    for place in places:
        ax.plot([0.0, 1.0, 2.0], [30.0, place, np.nan], label=f"seat at {place:g}")
    ax.axhline(30.0)  # without a name
    name_ends(ax)
    assert not overlapping(ax)
    heights = {entry.get_text(): entry.xyann[1] for entry in ax.texts}
    ordered = [heights[f"seat at {p:g}"] for p in sorted(places)]
    assert np.all(np.diff(ordered) > 0)
    at = {entry.get_text(): entry.xy[1] for entry in ax.texts}
    assert at["seat at 99"] == pytest.approx(0.99)
    assert at["seat at 130"] == 1.0  # beyond the frame: held at its edge
    assert at["seat at -20"] == 0.0


def test_labels_move_as_little_as_possible():
    places = np.sort(np.random.default_rng(4).uniform(100.0, 300.0, 30))
    steps = 9.0 * np.arange(places.size)
    moved = _spread(places, 9.0, 1e4)
    # rising is a first value and steps that are not negative: bounded least squares of scipy
    rising, bounds = np.tril(np.ones((30, 30))), (np.r_[-np.inf, np.zeros(29)], np.inf)
    found = lsq_linear(rising, places - steps, bounds=bounds, tol=1e-14)
    assert moved == pytest.approx(np.clip(rising @ found.x, 0.0, None) + steps, abs=1e-4)


def test_few_labels_need_no_move():
    assert _spread(np.array([10.0, 50.0]), 9.0, 100.0) == pytest.approx([10.0, 50.0])


def test_spans_and_corners_are_marked_within_the_frame():
    _, ax = plt.subplots()
    frame_frequencies(ax, 20.0, 160.0)
    mark_span(ax, 5.0, 25.0, "no boost")
    mark_corner(ax, 80.0)
    assert [patch.get_bbox().x0 for patch in ax.patches] == [20.0]
    assert [patch.get_bbox().x1 for patch in ax.patches] == [25.0]
    assert texts(ax) == ["no boost", "crossover 80 Hz"]
    assert ax.lines[-1].get_xdata()[0] == 80.0
    mark_span(ax, 200.0, 300.0, "outside")
    mark_corner(ax, 200.0)
    assert texts(ax) == ["no boost", "crossover 80 Hz"]
