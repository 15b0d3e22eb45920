"""What a plot drew: lines, bars and texts, found by their labels."""

from fnmatch import fnmatchcase

import matplotlib as mpl

mpl.use("Agg")

import numpy as np
import pytest
from matplotlib import pyplot as plt
from matplotlib.patches import Rectangle
from sample_jobs import JOBS, sample_room


def sample_plan(name):
    """Return a sample room and its plan, made once for all tests."""
    room = sample_room(name)
    return room, JOBS["propose"](room)


@pytest.fixture(autouse=True)
def closed_figures():
    """Close what a test drew; settings must be as they were."""
    before = dict(mpl.rcParams)
    yield
    plt.close("all")
    assert dict(mpl.rcParams) == before


def line(ax, name):
    """Return x and y of the one line with a name."""
    (found,) = lines(ax, name)
    return found


def lines(ax, name):
    """Return x and y of every line with a name, * for anything: its label, or its group."""
    return [
        (np.asarray(entry.get_xdata()), np.asarray(entry.get_ydata()))
        for entry in ax.lines
        if fnmatchcase(entry.get_label(), name) or entry.get_gid() == name
    ]


def texts(ax):
    """Return every text on the axes but ticks and titles."""
    return [entry.get_text().strip() for entry in ax.texts]


def key(ax):
    """Return what the legend beside a plot says."""
    return [entry.get_text() for entry in ax.get_legend().get_texts()]


def bars(ax):
    """Return left, right and height of every bar on data coordinates, and the bar itself."""
    found = [entry for container in ax.containers for entry in container]
    assert all(isinstance(entry, Rectangle) for entry in found)
    return [(p.get_x(), p.get_x() + p.get_width(), p.get_height(), p) for p in found]


def title(ax):
    """Return the title at the left, on one line."""
    return ax.get_title(loc="left").replace("\n", " ")


def overlapping(ax):
    """Return pairs of texts (axis titles and ticks among them) that are drawn over each other."""
    figure = ax.figure
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()
    artists = [*ax.texts, ax.xaxis.label, ax.yaxis.label, ax.title, ax._left_title]
    artists += [*ax.get_xticklabels(), *ax.get_yticklabels()]
    boxes = [
        (artist.get_text(), _text_box(artist, renderer))
        for artist in artists
        if artist.get_visible() and artist.get_text().strip()
    ]
    return [
        (first, second)
        for index, (first, box) in enumerate(boxes)
        for second, other in boxes[index + 1 :]
        if box.overlaps(other)
    ]


def _text_box(artist, renderer):
    """Return the box of the words alone, without arrow or background, a little shrunk."""
    from matplotlib.text import Text

    return Text.get_window_extent(artist, renderer).padded(-1.0)


def cut_off(ax):
    """Return texts that reach beyond the figure."""
    figure = ax.figure
    figure.draw_without_rendering()
    renderer, page = figure.canvas.get_renderer(), figure.bbox
    artists = [*ax.texts, ax.xaxis.label, ax.yaxis.label, ax._left_title]
    found = []
    for artist in artists:
        box = _text_box(artist, renderer)
        inside = page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1
        if artist.get_text().strip() and not inside:
            found.append(artist.get_text())
    return found
