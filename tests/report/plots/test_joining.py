"""Plots of subwoofer and mains: what they draw."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_plots import closed_figures, cut_off, line, lines, overlapping, texts, title  # noqa: F401
from matplotlib import pyplot as plt
from msgspec import structs

from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.optimiser.joining.alignment import align
from roomeq.optimiser.joining.data import JoiningData, joining_axes
from roomeq.plan.alignment import AlignmentRecord
from roomeq.plan.joining import JoiningRecord
from roomeq.plots import plot_joining, plot_joining_map


@pytest.fixture(scope="module")
def fit():
    """Two seats; the subwoofer lags by 3 ms and 4 ms."""
    points, axis = joining_axes((40.0, 160.0), first=20.0, last=300.0)
    late = np.array([[0.003], [0.004]])
    sub = 3.0 / (1.0 + (points / 80.0) ** 4) * np.exp(-2j * np.pi * points * late)
    mains = 3.0 * (points / 80.0) ** 4 / (1.0 + (points / 80.0) ** 4) * np.ones((2, 1))
    data = JoiningData(
        corner=80.0,
        seats=("sofa", "bench"),
        seat_weights=np.array([2.0, 1.0]),
        points=points,
        sub=sub,
        mains=mains.astype(complex),
        frequencies=axis,
        target_db=np.zeros(axis.size),
        frequency_weights=np.ones(axis.size),
        seat_offsets_db=np.zeros(2),
        present=JoiningSettings(),
    )
    return align(data, delays=DelayRange(lowest=-0.01, highest=0.01))


def average_db(fit, rows):
    """Power average of what the branches are known to be, smoothed as the fit's axis is."""
    power = np.abs(rows) ** 2 @ fit.data.smoothing
    return 10.0 * np.log10(np.average(power, axis=0, weights=[2.0, 1.0]))


def heavy(ax):
    """Return the name of the heaviest line."""
    return max(ax.lines, key=lambda entry: entry.get_linewidth()).get_label()


def test_joining(fit):
    ax = plot_joining(fit)
    chosen, data = fit.chosen.settings, fit.data
    turn = 10.0 ** (chosen.level_change_db / 20.0)
    sub = data.sub * turn * np.exp(-2j * np.pi * data.points * chosen.delay)
    mains = data.mains
    for name, row in (
        ("subwoofer alone", sub),
        ("mains alone", mains),
        ("both, normal", mains + sub),
        ("both, inverted", mains - sub),
    ):
        assert line(ax, name)[1] == pytest.approx(average_db(fit, row))
    assert title(ax).startswith("Do they add at ")
    polarity = "inverted" if chosen.inverted else "normal"
    assert title(ax).endswith(f" ms, {polarity}: power average")
    assert heavy(ax) == ("both, inverted" if chosen.inverted else "both, normal")
    names = ("subwoofer alone", "mains alone", "both, normal", "both, inverted")
    assert set(names) <= set(texts(ax))
    strokes = [str(e._dash_pattern) for e in ax.lines if e.get_label() in names]
    assert len(set(strokes)) == len(names)
    assert "crossover 80 Hz" in texts(ax)
    assert plot_joining(fit, level_reference="spl").get_ylabel() == "Level in dB SPL"
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_joining_over_the_seats(fit):
    settings = JoiningSettings(delay=0.001, inverted=True)
    ax = plot_joining(fit, settings=settings)
    power = 10.0 ** (fit.data.predicted_level_db(settings) / 10.0)
    expected = 10.0 * np.log10(np.average(power, axis=0, weights=[2.0, 1.0]))
    assert line(ax, "both, inverted")[1] == pytest.approx(expected)
    assert "+1.0 ms, inverted" in title(ax)
    assert heavy(ax) == "both, inverted"
    at_rest = plot_joining(fit, settings=JoiningSettings(delay=-1e-6))
    assert "at 0.0 ms, normal" in title(at_rest)
    assert heavy(at_rest) == "both, normal"
    early = plot_joining(fit, settings=JoiningSettings(delay=-0.001))
    assert "at \u22121.0 ms" in title(early)


def record_of(fit, delays_ms, values, *, present, normal, inverted):
    """An alignment with another map; settings are delays in ms."""
    kept = AlignmentRecord.of(fit)

    def candidate(delay_ms, is_inverted):
        settings = structs.replace(
            kept.chosen.settings, delay_ms=delay_ms, inverted=is_inverted, phase_deg=0.0
        )
        return structs.replace(kept.chosen, settings=settings)

    alignment = structs.replace(
        kept,
        map_delays_ms=tuple(delays_ms),
        map_normal_db=tuple(values[0]),
        map_inverted_db=tuple(values[1]),
        present=candidate(present, False),
        chosen=candidate(normal, False),
        normal=candidate(normal, False),
        inverted=candidate(inverted, True),
        kept=False,
    )
    record = JoiningRecord.of(fit, measured=fit.data)
    return structs.replace(record, alignment=alignment, settings=alignment.chosen.settings)


def test_delay_map(fit):
    delays = np.linspace(-10.0, 10.0, 41)
    values = np.array([3.0 + np.cos(0.6 * delays), 3.5 - np.cos(0.6 * delays)])
    ax = plot_joining_map(record_of(fit, delays, values, present=0.0, normal=5.0, inverted=-2.5))
    for name, row in zip(("normal polarity", "inverted polarity"), values, strict=True):
        x, y = line(ax, name)
        assert x == pytest.approx(delays)
        assert np.array_equal(y, row)
        assert name in texts(ax)
    marks = {"proposed": (5.0, 0), "as it is": (0.0, 0), "other polarity": (-2.5, 1)}
    for name, (delay, row) in marks.items():
        x, y = line(ax, name)
        assert x[0] == pytest.approx(delay)
        assert y[0] == pytest.approx(np.interp(delay, delays, values[row]))
        assert name in texts(ax)
    assert "in ms (positive is later)" in ax.get_xlabel()
    said = " ".join(ax.get_ylabel().split())
    assert said.startswith("Filters as proposed, before the bands: what the sum loses")
    assert said.endswith("in dB")
    assert ax.get_xlim() == (-10.0, 10.0)
    steps = np.diff(ax.get_xticks())
    assert set(steps.round(9)) == {5.0}  # ms, of the kind 1, 2, 5
    assert ax.get_xscale() == "linear"
    assert not cut_off(ax)


def test_marks_at_the_ends_are_whole(fit):
    delays = np.linspace(-6.0, 0.0, 61)
    values = np.array([8.0 - 2e-4 * delays**2, 5.0 + 0.1 * (delays + 3.0) ** 2])
    ax = plot_joining_map(record_of(fit, delays, values, present=0.0, normal=-3.0, inverted=-6.0))
    for name, side in (("as it is", "right"), ("other polarity", "left")):
        (mark,) = [entry for entry in ax.lines if entry.get_gid() == name]
        assert not mark.get_clip_on()
        (word,) = [entry for entry in ax.texts if entry.get_text() == name]
        assert word.get_ha() == side
    assert set(np.diff(ax.get_xticks()).round(9)) == {1.0}
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_joining_map(fit):
    figure, ax = plt.subplots(figsize=(9, 4))
    assert plot_joining_map(fit, ax=ax) is ax
    assert figure.get_size_inches().tolist() == [9, 4]
    assert line(ax, "normal polarity")[1].tolist() == fit.loss_map_db[0].tolist()
    assert line(ax, "inverted polarity")[1].tolist() == fit.loss_map_db[1].tolist()
    assert line(ax, "proposed")[0][0] == pytest.approx(1e3 * fit.chosen.settings.delay)
    assert line(ax, "as it is")[0][0] == 0.0
    other = fit.by_polarity[0 if fit.chosen.settings.inverted else 1]
    assert line(ax, "other polarity")[0][0] == pytest.approx(1e3 * other.settings.delay)


def test_nothing_is_proposed_where_nothing_changes(fit):
    kept = replace(fit, chosen=fit.present)
    assert lines(plot_joining_map(kept), "proposed") == []


def test_a_delay_that_the_bands_have_moved_is_not_said_to_be_proposed(fit):
    record = JoiningRecord.of(fit, measured=fit.data)
    moved = structs.replace(record.settings, delay_ms=record.settings.delay_ms + 0.3)
    ax = plot_joining_map(structs.replace(record, settings=moved))
    assert lines(ax, "proposed") == []
    at = line(ax, "best before the bands")[0][0]
    assert at == pytest.approx(1e3 * fit.chosen.settings.delay)


def test_a_plan_keeps_what_the_map_needs(fit):
    record = JoiningRecord.of(fit, measured=fit.data)
    from_fit, from_plan = plot_joining_map(fit), plot_joining_map(record)
    for name in ("normal polarity", "inverted polarity"):
        np.testing.assert_allclose(line(from_plan, name), line(from_fit, name), atol=1e-9)
    assert set(texts(from_plan)) == set(texts(from_fit))


@pytest.mark.parametrize("inverted", [False, True])
def test_a_record_is_drawn_as_the_fit_is(fit, inverted):
    chosen = fit.by_polarity[int(inverted)]
    own = replace(fit, chosen=chosen)
    record = JoiningRecord.of(own, measured=fit.data)
    from_fit, from_plan = plot_joining(own), plot_joining(record)
    for name in ("subwoofer alone", "mains alone", "both, normal", "both, inverted"):
        np.testing.assert_allclose(line(from_plan, name), line(from_fit, name), atol=1e-6)
    assert title(from_plan) == title(from_fit)
    assert heavy(from_plan) == heavy(from_fit) == f"both, {'inverted' if inverted else 'normal'}"
    with pytest.raises(ValueError, match="its own settings"):
        plot_joining(record, settings=chosen.settings)
