"""What the pictures of several subwoofers draw, by the plan and by plain numpy."""

import numpy as np
import pytest
from msgspec.structs import replace
from subwoofer_rooms import echoes, write_several

from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.optimiser.several import choose
from roomeq.plots import plot_subwoofers, plot_variation
from roomeq.report.plots.pictures import Subject, write_pictures


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    parts = {"front": echoes(1, strength=0.3), "back": -echoes(2, strength=0.3)}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(choose, "EVALUATIONS_EACH", 100)
        return propose(read_room(write_several(tmp_path_factory.mktemp("two"), parts)))


def test_each_and_all_stand_at_every_seat(plan):
    figure = plot_subwoofers(plan)
    frames = [ax for ax in figure.axes if ax.get_visible()]
    assert [ax.get_title(loc="left") for ax in frames] == list(plan.together.seats)
    points = np.array(plan.together.points)
    for seat, ax in enumerate(frames):
        drawn = (line for line in ax.lines if not line.get_label().startswith("_"))
        lines = {line.get_label(): line for line in drawn}
        assert list(lines) == ["front", "back", "together"]
        pressures = [one.set_together.pressures[seat] for one in plan.subwoofers.values()]
        for name, pressure in zip(lines, [*pressures, sum(pressures)], strict=True):
            axis, level = lines[name].get_data()
            around = axis[:, None] * 2.0 ** np.linspace(-1 / 24, 1 / 24, 41)
            power = np.interp(np.log(around), np.log(points), np.abs(pressure) ** 2).mean(axis=1)
            assert np.median(np.abs(level - 10 * np.log10(power))) < 0.2


def test_how_the_seats_differ_before_and_predicted(plan):
    ax = plot_variation(plan)
    rows = plan.curves.before_level_db, plan.curves.predicted_level_db
    for line, levels in zip(ax.lines, rows, strict=True):
        np.testing.assert_allclose(line.get_ydata(), np.std(levels, axis=0), atol=1e-9)
    assert [line.get_label() for line in ax.lines] == ["before", "predicted"]


def test_settings_are_drawn_for_each_and_never_for_the_sum(plan, tmp_path):
    written = write_pictures(
        Subject(plan=plan), tmp_path, only=["band_gains", "subwoofers", "variation", "drive"]
    )
    names = [file.rsplit("/", 1)[-1] for file in written.files]
    assert names == [
        "band_gains_front.png",
        "band_gains_back.png",
        "subwoofers.png",
        "variation.png",
    ]
    assert "no level is wanted" in written.not_made["drive"]


@pytest.mark.usefixtures("unwritten")
def test_names_that_look_alike_have_files_of_their_own(plan, tmp_path):
    front, back = plan.subwoofers.values()
    alike = replace(plan, subwoofers={"front left": front, "front-left": back})
    written = write_pictures(Subject(plan=alike), tmp_path, only=["band_gains"])
    names = [file.rsplit("/", 1)[-1] for file in written.files]
    assert names == ["band_gains_front_left_1.png", "band_gains_front_left_2.png"]
