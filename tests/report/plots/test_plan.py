"""Plots of a plan: what they draw."""

import re

import msgspec
import numpy as np
import pytest
from drawn_plots import (  # noqa: F401
    closed_figures,
    cut_off,
    line,
    lines,
    overlapping,
    sample_plan,
    texts,
    title,
)
from matplotlib import pyplot as plt
from synthetic_rooms import nine_bands

from roomeq.jobs.verify import equaliser_of
from roomeq.optimiser.bands.reasons import Reason
from roomeq.plots import plot_band_gains, plot_equaliser, plot_prediction
from roomeq.report.text.wording import reason_text


@pytest.fixture(scope="module")
def plan():
    return sample_plan("lakeside_cabin")[1]


@pytest.fixture(scope="module")
def hall():
    return sample_plan("rented_hall")[1]


def test_before_predicted_and_target(plan):
    ax = plot_prediction(plan)
    weights = np.array([seat.weight for seat in plan.seats])
    for name, levels in (
        ("before", plan.curves.before_level_db),
        ("predicted", plan.curves.predicted_level_db),
    ):
        x, y = line(ax, name)
        assert np.array_equal(x, plan.curves.frequencies)
        power = weights @ 10 ** (np.array(levels) / 10) / weights.sum()
        assert y == pytest.approx(10 * np.log10(power))
    low_passed = line(ax, "target behind the low-pass")[1]
    assert low_passed.tolist() == list(plan.curves.target_level_db)
    target = line(ax, "target: *")[1]  # the room file says flat, and the low-pass takes from it
    assert target == pytest.approx(target[0])
    assert (target >= low_passed - 1e-9).all()
    assert target[0] == pytest.approx(low_passed[0], abs=0.1)
    assert ax.get_ylabel() == "Level in dB SPL"
    written = {"before", "predicted", "target: flat", "target behind the low-pass"}
    assert written <= set(texts(ax))
    assert ax.get_xlim() == (plan.curves.frequencies[0], plan.curves.frequencies[-1])
    assert ax.get_ylim()[1] >= np.max(plan.curves.predicted_level_db)
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_the_span_of_the_seats_is_drawn_before_and_predicted(plan):
    ax = plot_prediction(plan)
    before, predicted = ax.collections[:2]
    for span, levels in (
        (before, plan.curves.before_level_db),
        (predicted, plan.curves.predicted_level_db),
    ):
        drawn = np.concatenate([path.vertices for path in span.get_paths()])
        assert drawn[:, 1].max() == pytest.approx(np.max(levels))
        assert drawn[:, 1].min() == pytest.approx(np.min(levels))
    assert before.get_hatch()
    assert not predicted.get_hatch()


def test_a_joined_plan_shows_the_sum_and_says_so():
    joined = sample_plan("ferry_office")[1]
    record = joined.joining
    ax = plot_prediction(joined)
    weights = [seat.weight for seat in record.seats]
    for name, levels in (("before", record.before_level_db), ("predicted", record.after_level_db)):
        x, y = line(ax, name)
        assert np.array_equal(x, record.frequencies)
        power = np.average(10 ** (np.array(levels) / 10), axis=0, weights=weights)
        assert y == pytest.approx(10 * np.log10(power))
    assert line(ax, "target: *")[1] == pytest.approx(record.target_level_db)
    assert lines(ax, "target behind the low-pass") == []
    assert title(ax) == "Subwoofer and mains together: power average and span of the seats"
    assert "not judged" not in texts(ax)  # the whole bass is
    assert not cut_off(ax)
    assert not overlapping(ax)
    lower = msgspec.structs.replace(record.bands, highest=110.0)
    lower = msgspec.structs.replace(record, bands=lower)
    ax = plot_prediction(msgspec.structs.replace(joined, joining=lower))
    assert any(p.get_bbox().x0 == pytest.approx(110.0) for p in ax.patches)


def test_limits_are_marked(plan):
    ax = plot_prediction(plan)
    floor = plan.evidence.no_boost_below
    assert f"no boost below {floor:.0f} Hz" in texts(ax)
    spans = [p.get_bbox() for p in ax.patches]
    assert any(box.x1 == pytest.approx(floor) for box in spans)
    assert f"crossover {plan.target.corner:.0f} Hz" in texts(ax)


def test_where_nothing_is_judged(plan):
    weights = np.array(plan.curves.frequency_weights)
    weights[-12:] = 0.0
    curves = msgspec.structs.replace(plan.curves, frequency_weights=tuple(weights.tolist()))
    ax = plot_prediction(msgspec.structs.replace(plan, curves=curves))
    assert "not judged" in texts(ax)
    start = plan.curves.frequencies[-13]
    assert any(p.get_bbox().x0 == pytest.approx(start) for p in ax.patches)


def test_no_change_is_one_line(plan):
    curves = msgspec.structs.replace(plan.curves, predicted_level_db=plan.curves.before_level_db)
    ax = plot_prediction(msgspec.structs.replace(plan, curves=curves))
    assert lines(ax, "before") == []
    assert "before and predicted" in texts(ax)
    assert not cut_off(ax)


def test_relative_levels_say_so(plan):
    ax = plot_prediction(msgspec.structs.replace(plan, level_reference="relative"))
    assert ax.get_ylabel() == "Level in dB, relative"


@pytest.mark.parametrize("name", ["plan", "hall"])
def test_band_gains(name, request):
    plan = request.getfixturevalue(name)
    ax = plot_band_gains(plan)
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert names == [f"{band.label} Hz" for band in plan.bands]
    places = ax.get_yticks()
    assert np.all(np.diff(places) < 0)  # the lowest band on top
    filled, hollow = {}, {}
    for entry in ax.lines:
        if entry.get_marker() == "o":
            into = hollow if entry.get_markerfacecolor() == "white" else filled
            into[entry.get_ydata()[0]] = entry.get_xdata()[0]
    for place, band in zip(places, plan.bands, strict=True):
        assert hollow[place] == band.present_db
        if band.gain_db != band.present_db:
            assert filled[place] == band.gain_db
        else:
            assert place not in filled
        assert not reason_text(band, plan) or reason_text(band, plan) in texts(ax)
    moved = [band for band in plan.bands if band.gain_db != band.present_db]
    figures = [text for text in texts(ax) if re.fullmatch("[+\u2212][0-9.]+ dB", text)]
    assert [float(text[:-3].replace("\u2212", "-")) for text in figures] == [
        band.gain_db for band in moved
    ]
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_band_gains_show_range_and_step(plan):
    ax = plot_band_gains(plan)
    device = plan.device
    grids = [np.asarray(e.get_xdata()) for e in ax.lines if e.get_marker() == "|"]
    assert len(grids) == len(plan.bands)
    for grid in grids:
        assert (grid[0], grid[-1]) == (device.lowest_db, pytest.approx(device.highest_db))
        assert np.diff(grid) == pytest.approx(device.step_db)
    assert f"{device.step_db:g} dB" in ax.get_xlabel()
    low, high = ax.get_xlim()
    assert low < device.lowest_db
    assert high > device.highest_db


@pytest.mark.parametrize("reasons", [list(Reason)[:9], list(Reason)[-9:]])
def test_every_reason_fits(plan, reasons):
    """One beside each band."""
    assert len(Reason) <= 18
    rows = zip(plan.bands, reasons, strict=True)
    bands = tuple(msgspec.structs.replace(band, reason=reason) for band, reason in rows)
    ax = plot_band_gains(msgspec.structs.replace(plan, bands=bands))
    assert {reason_text(band, plan) for band in bands} <= set(texts(ax))
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_parts_add_up_to_the_sum():
    equaliser = nine_bands()
    gains = np.array([0.0, -3.0, 2.5, -8.0, -7.5, 0.0, -7.0, -4.5, 0.0])
    ax = plot_equaliser(equaliser, gains, limit_db=3.0, no_boost_below=25.0)
    x, total = line(ax, "sum of all bands")
    labels = [f"{label} Hz" for label, gain in zip(equaliser.labels, gains, strict=True) if gain]
    parts = [line(ax, label)[1] for label in labels]
    assert len(parts) == np.count_nonzero(gains)
    assert np.sum(parts, axis=0) == pytest.approx(total, abs=1e-9)
    assert total == pytest.approx(equaliser.response_db(gains, x))
    for label, part, gain in zip(labels, parts, gains[gains != 0], strict=True):
        peak = int(np.argmax(np.abs(part)))
        assert part[peak] == pytest.approx(gain, rel=0.02)
        assert x[peak] == pytest.approx(float(label.removesuffix(" Hz")), rel=0.02)
    assert [e.get_ydata()[0] for e in ax.lines if set(e.get_ydata()) == {3.0}] == [3.0]
    assert {"limit of boost +3.0 dB", "sum of all bands", "no boost below 25 Hz"} <= set(texts(ax))
    assert ax.get_ylabel() == "Gain in dB"
    low, high = ax.get_ylim()
    assert low <= total.min()
    assert high >= 3.0
    assert not cut_off(ax)


def test_a_flat_equaliser_has_no_parts(plan):
    equaliser = equaliser_of(plan.device)
    ax = plot_equaliser(equaliser, np.zeros(len(plan.bands)))
    assert not line(ax, "sum of all bands")[1].any()
    assert [e for e in ax.lines if (e.get_gid() or "").endswith(" Hz")] == []
    with pytest.raises(ValueError, match="cannot be set to"):
        plot_equaliser(equaliser, np.full(len(plan.bands), 0.3))


@pytest.mark.parametrize("name", ["plan", "hall"])
def test_given_axes_are_used(name, request):
    plan = request.getfixturevalue(name)
    figure, axes = plt.subplots(1, 3, figsize=(14, 5))
    assert plot_prediction(plan, ax=axes[0]) is axes[0]
    assert plot_band_gains(plan, ax=axes[1]) is axes[1]
    assert plot_equaliser(equaliser_of(plan.device), plan.gains_db, ax=axes[2]) is axes[2]
    assert plt.get_fignums() == [figure.number]
