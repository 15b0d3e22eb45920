"""The sheet's picture: lines lie where their levels are."""

import math
import re

import msgspec
import numpy as np
import pytest
from places import SAVED_PLANS

from roomeq.plan.plan import read_plan
from roomeq.report.sheet.picture import DB_PER_DECADE, WIDTH, sheet_picture

replace = msgspec.structs.replace


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_1.json")


def points(path):
    return np.array([float(x) for x in re.findall(r"-?[\d.]+", path)]).reshape(-1, 2)


def test_one_decade_is_as_long_as_fifty_decibels(plan):
    picture = sheet_picture(plan)
    f = picture.frequency_ticks
    # IEC 61260-1: nominal 25 and 100 Hz lie six steps of a tenth of a decade apart
    decade = (f["100"] - f["25"]) / 0.6
    (low, foot), *_, (high, top) = picture.level_ticks.items()
    per_decibel = (foot - top) / (float(high) - float(low))
    assert decade / per_decibel == pytest.approx(DB_PER_DECADE, rel=1e-3)


def power_average_db(levels, weights):
    return 10 * np.log10(weights @ 10 ** (np.array(levels) / 10) / weights.sum())


def test_lines_are_the_weighted_power_averages(plan):
    picture = sheet_picture(plan)
    (low, foot), *_, (high, top) = picture.level_ticks.items()
    slope = (top - foot) / (float(high) - float(low))
    weights = np.array([seat.weight for seat in plan.seats])
    for name, levels in (
        ("before", power_average_db(plan.curves.before_level_db, weights)),
        ("predicted", power_average_db(plan.curves.predicted_level_db, weights)),
        ("target", np.array(plan.curves.target_level_db)),
    ):
        drawn = points(picture.lines[name])
        np.testing.assert_allclose(float(low) + (drawn[:, 1] - foot) / slope, levels, atol=0.01)
        span = math.log10(plan.curves.frequencies[-1] / plan.curves.frequencies[0])
        expected = np.log10(np.array(plan.curves.frequencies) / plan.curves.frequencies[0]) / span
        np.testing.assert_allclose(drawn[:, 0] / WIDTH, expected, atol=1e-4)


def test_a_deep_notch_is_cut_at_the_edge(plan):
    target = list(plan.curves.target_level_db)
    target[3] = -300.0
    picture = sheet_picture(replace(plan, curves=replace(plan.curves, target_level_db=target)))
    for path in picture.lines.values():
        heights = points(path)[:, 1]
        assert heights.min() >= 0.0
        assert heights.max() <= picture.height
    assert points(picture.lines["target"])[3, 1] == picture.height


def test_no_picture_of_a_single_frequency(plan):
    names = ("frequencies", "frequency_weights", "target_level_db")
    curves = replace(plan.curves, **{name: getattr(plan.curves, name)[:1] for name in names})
    levels = {"before_level_db": ((70.0,),) * 4, "predicted_level_db": ((70.0,),) * 4}
    curves = replace(curves, **levels)
    assert sheet_picture(replace(plan, curves=curves)) is None
