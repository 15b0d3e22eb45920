"""Small multiples: what they draw, and that all panels can be compared."""

import math

import msgspec
import numpy as np
import pytest
from drawn_plots import closed_figures, line, lines, sample_plan, texts  # noqa: F401

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.jobs.joining.steps import present_data
from roomeq.plots import plot_every_seat, plot_group_delay, plot_parts, plot_phase

AXIS = np.geomspace(12.0, 300.0, 400)


def panels(figure):
    """Return the panels that are shown, by the names above them."""
    shown = [ax for ax in figure.axes if ax.get_visible()]
    found = {ax.get_title(loc="left").replace("\n", " "): ax for ax in shown}
    assert len(found) == len(shown)
    return found


def key(figure):
    return [text.get_text() for text in figure.legends[0].get_texts()]


def collisions(figure):
    """Return texts of the page that are drawn over each other, or reach beyond it."""
    figure.draw_without_rendering()
    written = [*figure.texts, figure.legends[0].get_title()]
    written += figure.legends[0].get_texts()
    for ax in (ax for ax in figure.axes if ax.get_visible()):
        written += [*ax.texts, ax._left_title, ax.xaxis.label]
        written += ax.get_xticklabels()
        low, high = ax.get_ylim()
        ticks = zip(ax.get_yticks(), ax.get_yticklabels(), strict=False)  # none on inner panels
        written += [label for place, label in ticks if low <= place <= high]
    written = [text for text in written if text.get_visible() and text.get_text().strip()]
    boxes = [(text.get_text(), text.get_window_extent().padded(-1.0)) for text in written]
    beyond = [name for name, box in boxes if not figure.bbox.padded(1.0).contains(box.x1, box.y1)]
    return beyond + [
        (name, other)
        for index, (name, box) in enumerate(boxes)
        for other, second in boxes[index + 1 :]
        if box.overlaps(second)
    ]


@pytest.fixture(scope="module")
def cabin():
    """The plan of the cabin, and the page of its seats."""
    plan = sample_plan("lakeside_cabin")[1]
    return plan, plot_every_seat(plan)


def test_every_seat_before_and_predicted(cabin):
    plan, figure = cabin
    found = panels(figure)
    assert list(found) == [seat.seat for seat in plan.seats]
    rows = zip(
        found.values(),
        plan.curves.before_level_db,
        plan.curves.predicted_level_db,
        strict=True,
    )
    for ax, before, predicted in rows:
        x, y = line(ax, "before")
        assert x.tolist() == list(plan.curves.frequencies)
        assert y.tolist() == list(before)
        assert line(ax, "predicted")[1].tolist() == list(predicted)
        target = line(ax, "target behind the low-pass")[1]
        assert target.tolist() == list(plan.curves.target_level_db)
        assert len(set(line(ax, "target: flat")[1])) == 1
    limits = {(ax.get_xlim(), ax.get_ylim()) for ax in found.values()}
    assert len(limits) == 1  # all on the same axes
    assert key(figure) == ["before", "predicted", "target: flat", "target behind the low-pass"]
    assert figure._supylabel.get_text() == "Level in dB SPL"
    assert [*found.values()][-1].get_xlabel() == "Frequency in Hz"
    assert not collisions(figure)


def test_levels_have_the_proportions_of_iec_60263(cabin):
    ax = cabin[1].axes[0]
    ax.figure.draw_without_rendering()
    (x0, y0), (x1, y1) = ax.transData.transform([(20.0, 60.0), (200.0, 110.0)])
    assert x1 - x0 == pytest.approx(y1 - y0, rel=1e-6)  # a decade as long as 50 dB


def test_where_nothing_changes_one_line_says_so():
    plan = sample_plan("lakeside_cabin")[1]
    same = msgspec.structs.replace(plan.curves, predicted_level_db=plan.curves.before_level_db)
    figure = plot_every_seat(msgspec.structs.replace(plan, curves=same))
    assert key(figure)[0] == "before and predicted"
    assert lines(figure.axes[0], "before") == []


def test_of_a_joined_plan_the_sum_is_drawn():
    plan = sample_plan("ferry_office")[1]
    figure = plot_every_seat(plan)
    for ax, row in zip(panels(figure).values(), plan.joining.after_level_db, strict=True):
        assert line(ax, "predicted")[1].tolist() == list(row)
    assert figure.legends[0].get_title().get_text().endswith("subwoofer and mains together")


def long_names(plan, count):
    """The plan with so many seats of long names, all as the first."""
    names = [f"seat {k} in the second row of the balcony under the clock" for k in range(count)]
    seats = tuple(msgspec.structs.replace(plan.seats[0], seat=name) for name in names)
    curves = msgspec.structs.replace(
        plan.curves,
        before_level_db=plan.curves.before_level_db[:1] * count,
        predicted_level_db=plan.curves.predicted_level_db[:1] * count,
    )
    return msgspec.structs.replace(plan, seats=seats, curves=curves)


@pytest.mark.parametrize("count", [1, 2, 4, 5, 13])
def test_any_number_of_seats_with_long_names(count):
    figure = plot_every_seat(long_names(sample_plan("lakeside_cabin")[1], count))
    assert len(panels(figure)) == count
    assert not collisions(figure)


def test_parts_before_and_as_proposed():
    room, plan = sample_plan("ferry_office")
    record, data = plan.joining, present_data(room)
    found = panels(plot_parts(plan, before=data))
    assert list(found) == ["before", "as proposed"]
    weights = [row.weight for row in record.seats]

    def average(rows):
        power = np.average(10.0 ** (np.array(rows) / 10.0), axis=0, weights=weights)
        return 10.0 * np.log10(power)

    after = {"subwoofer": record.sub_level_db, "mains": record.mains_level_db}
    for name, rows in (after | {"both": record.after_level_db}).items():
        x, y = line(found["as proposed"], name)
        assert x.tolist() == list(record.frequencies)
        assert y == pytest.approx(average(rows))
    now = found["before"]
    assert line(now, "both")[1] == pytest.approx(average(record.before_level_db))
    for name, transfer in (("subwoofer", data.sub), ("mains", data.mains)):
        level = 10.0 * np.log10(np.abs(transfer) ** 2 @ data.smoothing)
        assert line(now, name)[1] == pytest.approx(average(level), abs=0.1)
    assert texts(now) == [f"loses {record.loss_before_db:.1f} dB at 80 Hz"]
    assert texts(found["as proposed"]) == [f"loses {record.loss_db:.1f} dB at 80 Hz"]


def test_a_plan_alone_does_not_know_the_parts_before():
    plan = sample_plan("ferry_office")[1]
    now = panels(plot_parts(plan))["before"]
    assert lines(now, "subwoofer") == lines(now, "mains") == []
    assert len(lines(now, "both")) == 1
    with pytest.raises(ValueError, match="does not join"):
        plot_parts(sample_plan("rented_hall")[1])


def survey(*, silent=()):
    """Three seats, 8, 9 and 10 ms away; at the last an all-pass at 60 Hz besides."""
    entries = []
    for number, seat in enumerate(("sofa", "bench", "loft")):
        pressure = np.exp(-2j * np.pi * AXIS * (0.008 + 0.001 * number))
        if seat == "loft":
            x = AXIS / 60.0
            pressure = pressure * (1 - x**2 - 1j * x / 3.0) / (1 - x**2 + 1j * x / 3.0)
        response = FrequencyResponse.from_pressure(AXIS, pressure)
        if seat in silent:
            response = FrequencyResponse.from_level(AXIS, np.zeros(AXIS.size))
        entries.append(Measurement(seat=seat, response=response))
    return Survey(measurements=tuple(entries))


def test_group_delay_less_what_is_told():
    figure = plot_group_delay(survey())
    found = panels(figure)
    assert list(found) == ["sofa", "bench", "loft"]
    assert texts(found["sofa"]) == ["8.0 ms taken out"]
    assert texts(found["bench"]) == ["9.0 ms taken out"]
    for seat in ("sofa", "bench"):
        assert line(found[seat], "measured")[1] == pytest.approx(0.0, abs=0.05)
    x, y = line(found["loft"], "measured")
    # closed form of the all-pass: 2 Q / (pi f0) at its centre, shown in ms
    assert 1000 * 2 * 3.0 / (math.pi * 60.0) == pytest.approx(
        y.max() - y[x < 25.0].mean(), rel=0.15
    )
    minimum = line(found["loft"], "minimum phase, from the level")[1]
    assert minimum == pytest.approx(0.0, abs=1e-3)
    assert figure._supylabel.get_text() == "Group delay in ms"
    low, high = found["sofa"].get_xlim()
    assert low >= 16.0
    assert high <= 160.0
    assert not collisions(figure)


def test_phase_within_a_turn_and_cut_where_it_goes_round():
    figure = plot_phase(survey())
    found = panels(figure)
    assert line(found["sofa"], "measured")[1] == pytest.approx(0.0, abs=0.5)
    loft = line(found["loft"], "measured")[1]
    assert np.nanmax(np.abs(loft)) <= 180.0
    assert np.nanmax(np.abs(np.diff(loft))) < 180.0  # no stroke down the whole panel
    assert np.isnan(loft).any()
    assert found["sofa"].get_ylim() == (-180.0, 180.0)
    assert figure._supylabel.get_text() == "Phase in degrees"
    assert key(figure) == ["measured"]


def test_seats_without_phase_are_named():
    figure = plot_phase(survey(silent=("bench",)))
    assert list(panels(figure)) == ["sofa", "loft"]
    assert "measured without phase: bench" in figure.legends[0].get_title().get_text()
    with pytest.raises(ValueError, match="no measurement has phase"):
        plot_group_delay(survey(silent=("sofa", "bench", "loft")))
