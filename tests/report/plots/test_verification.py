"""Plot of a verification: what it draws."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from drawn_plots import closed_figures, cut_off, line, lines, overlapping, sample_plan, texts, title  # noqa: F401

from roomeq.base.levels import amplitude_ratio
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.jobs.verify import verify
from roomeq.plan.verification import JoiningCheck
from roomeq.plots import plot_verification


@pytest.fixture(scope="module")
def hall():
    return sample_plan("rented_hall")[0]


@pytest.fixture(scope="module")
def plan():
    return sample_plan("rented_hall")[1]


def measured_again(room, plan, *, change_db=None):
    """The room as predicted, 2 dB louder throughout, and changed by band."""
    rows = dict(zip([s.seat for s in plan.seats], plan.curves.predicted_level_db, strict=True))
    entries = []
    for entry in room.survey.measurements:
        level_db = np.array(rows[entry.seat]) + 2.0
        if change_db is not None:
            level_db = level_db + change_db
        wanted = level_db - entry.response.level_db
        entries.append(replace(entry, response=entry.response.filtered(amplitude_ratio(wanted))))
    return replace(room.survey, measurements=tuple(entries))


def test_what_came_true(hall, plan):
    ax = plot_verification(plan, measured_again(hall, plan))
    predicted = np.mean(plan.curves.predicted_level_db, axis=0)
    assert line(ax, "predicted *")[0].tolist() == list(plan.curves.frequencies)
    assert line(ax, "predicted *")[1] == pytest.approx(predicted)
    assert line(ax, "measured again")[1] == pytest.approx(predicted)  # the 2 dB are taken out
    assert "+2.0 dB taken out of what was measured again" in texts(ax)
    assert title(ax) == "It came true"
    assert not [e for e in ax.lines if (e.get_gid() or "").startswith("differs")]
    band = np.concatenate([path.vertices for path in ax.collections[0].get_paths()])
    assert band[:, 1].max() == pytest.approx(predicted.max() + 1.0)
    assert "predicted ± 1.0 dB" in texts(ax)
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_the_sum_alone_did_not(hall, plan):
    survey = measured_again(hall, plan)
    both = JoiningCheck(agrees=False, by_sum=True, corner=80, loss_db=3, predicted_loss_db=1)
    found = msgspec.structs.replace(verify(plan, survey), agrees=False, joining=both)
    ax = plot_verification(plan, survey, found=found)
    assert title(ax) == "The subwoofer alone came true, its sum with the mains did not"
    assert not cut_off(ax)


def test_no_level_is_left_empty_beyond_a_step(hall, plan):
    ax = plot_verification(plan, measured_again(hall, plan))
    low, high = ax.get_ylim()
    drawn = np.concatenate([entry.get_ydata() for entry in ax.lines])
    assert high - drawn.max() <= 5.0 + 1e-9
    assert high - low == 15.0 or drawn.min() - low <= 5.0 + 1e-9
    assert ax.get_xlim() == (plan.curves.frequencies[0], plan.curves.frequencies[-1])


def joined_again(room, plan, *, sources, change_db=0.0):
    """Subwoofer, sum or both as the plan predicts them, and 2 dB louder."""
    record = plan.joining
    own, summed = (
        dict(zip([seat.seat for seat in seats], rows, strict=True))
        for seats, rows in (
            (plan.seats, plan.curves.predicted_level_db),
            (record.seats, record.after_level_db),
        )
    )
    axes = {"sub": plan.curves.frequencies, "both": record.frequencies}
    wanted = {"sub": own, "both": summed}
    entries = [
        Measurement(
            seat=entry.seat,
            source=entry.source,
            response=FrequencyResponse.from_level(
                np.array(axes[entry.source]),
                np.array(wanted[entry.source][entry.seat])
                + 2.0
                + (change_db if entry.source == "both" else 0.0),
                level_reference="spl",
            ),
        )
        for entry in room.survey.measurements
        if entry.source in sources and entry.seat in wanted[entry.source]
    ]
    return Survey(measurements=tuple(entries), levels_comparable=True)


@pytest.mark.parametrize("sources", [("both",), ("sub", "both")])
def test_a_sum_that_was_measured_again_is_drawn(sources):
    room, plan = sample_plan("ferry_office")
    survey = joined_again(room, plan, sources=sources)
    found = verify(plan, survey)
    assert found.source == sources[0]
    ax = plot_verification(plan, survey, found=found, source="both")
    record = plan.joining
    again = survey.of_source("both").seats
    rows = [[row.seat for row in record.seats].index(seat) for seat in again]
    assert 0 < len(again) < len(record.seats)
    predicted = np.mean(np.array(record.after_level_db)[rows], axis=0)
    x, y = line(ax, "predicted *")
    assert x.tolist() == list(record.frequencies)
    assert y == pytest.approx(predicted)
    measured = line(ax, "measured again")[1]  # smoothed once more, as what is measured is
    apart = np.abs(measured + found.offset_db - 2.0 - predicted)
    assert apart.mean() < 0.5
    assert apart.max() < 2.5
    if sources == ("both",):  # nothing else is there, so it is drawn without being asked for
        assert line(plot_verification(plan, survey), "predicted *")[1] == pytest.approx(predicted)
        assert title(ax) == "It came true"
    else:
        own = np.mean(plan.curves.predicted_level_db, axis=0)
        assert line(plot_verification(plan, survey), "predicted *")[1] == pytest.approx(own)
        check = found.joining
        assert title(ax) == (
            f"Subwoofer and mains together: around 80 Hz they lose {check.loss_db:.1f} dB, "
            f"{check.predicted_loss_db:.1f} dB predicted"
        )
    assert not cut_off(ax)
    assert not overlapping(ax)
    elsewhere = tuple(replace(one, seat="loft") for one in survey.measurements)
    with pytest.raises(ValueError, match="not measured again"):
        plot_verification(plan, replace(survey, measurements=elsewhere), found=found, source="both")


def test_what_did_not(hall, plan):
    change = np.zeros(len(plan.curves.frequencies))
    change[3] = 6.0  # 40 Hz
    survey = measured_again(hall, plan, change_db=change)
    ax = plot_verification(plan, survey)
    found = verify(plan, survey)
    measured = np.mean(plan.curves.predicted_level_db, axis=0) + change + 2.0 - found.offset_db
    assert line(ax, "measured again")[1] == pytest.approx(measured)
    assert title(ax) == "It did not come true"
    marked = [e.get_gid() for e in ax.lines if (e.get_gid() or "").startswith("differs")]
    assert marked == [f"differs {check.label} Hz" for check in found.bands if not check.agrees]
    assert "differs 40 Hz" in marked
    by_label = {check.label: check.difference_db for check in found.bands}
    assert f"{by_label['40']:+.1f}" in texts(ax)
    left, right = lines(ax, "differs 40 Hz")[0][0]
    assert 35.4 < left < 40 < right < 44.7  # IEC 61260-1 band edges
    assert not overlapping(ax)


def test_only_what_was_measured_again_is_compared(hall, plan):
    survey = measured_again(hall, plan).without_seat("last row")
    ax = plot_verification(plan, survey)
    kept = [k for k, seat in enumerate(plan.seats) if seat.seat != "last row"]
    expected = np.mean(np.array(plan.curves.predicted_level_db)[kept], axis=0)
    assert line(ax, "predicted *")[1] == pytest.approx(expected)
    assert line(ax, "measured again")[1] == pytest.approx(expected)
