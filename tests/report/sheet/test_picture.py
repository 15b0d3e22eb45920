"""The sheet's picture: lines lie where their levels are."""

import math
import re

import msgspec
import numpy as np
import pytest
from places import SAVED_PLANS

from roomeq.plan.plan import read_plan
from roomeq.report.sheet.picture import DB_PER_DECADE, sheet_picture

replace = msgspec.structs.replace


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_1.json")


def points(path):
    return np.array([float(x) for x in re.findall(r"-?[\d.]+", path)]).reshape(-1, 2)


def test_one_decade_is_as_long_as_fifty_decibels(plan):
    picture = sheet_picture(plan)
    f = {tick.label: tick.place for tick in picture.frequency_ticks}
    # IEC 61260-1: nominal 25 and 100 Hz lie six steps of a tenth of a decade apart
    decade = (f["100"] - f["25"]) / 0.6
    first, last = picture.level_ticks[0], picture.level_ticks[-1]
    per_decibel = (first.place - last.place) / (float(last.label) - float(first.label))
    assert decade / per_decibel == pytest.approx(DB_PER_DECADE, rel=1e-3)


def power_average_db(levels, weights):
    return 10 * np.log10(weights @ 10 ** (np.array(levels) / 10) / weights.sum())


def test_lines_are_the_weighted_power_averages(plan):
    picture = sheet_picture(plan)
    first, last = picture.level_ticks[0], picture.level_ticks[-1]
    slope = (last.place - first.place) / (float(last.label) - float(first.label))
    weights = np.array([seat.weight for seat in plan.seats])
    for path, levels in (
        (picture.before, power_average_db(plan.curves.before_level_db, weights)),
        (picture.predicted, power_average_db(plan.curves.predicted_level_db, weights)),
        (picture.target, np.array(plan.curves.target_level_db)),
    ):
        drawn = points(path)
        np.testing.assert_allclose(
            float(first.label) + (drawn[:, 1] - first.place) / slope, levels, atol=0.01
        )
        span = math.log10(plan.curves.frequencies[-1] / plan.curves.frequencies[0])
        expected = np.log10(np.array(plan.curves.frequencies) / plan.curves.frequencies[0]) / span
        width = picture.right - picture.left
        np.testing.assert_allclose((drawn[:, 0] - picture.left) / width, expected, atol=1e-4)


def test_a_deep_notch_is_cut_at_the_edge(plan):
    target = list(plan.curves.target_level_db)
    target[3] = -300.0
    picture = sheet_picture(replace(plan, curves=replace(plan.curves, target_level_db=target)))
    for path in (picture.before, picture.predicted, picture.target):
        heights = points(path)[:, 1]
        assert heights.min() >= picture.top
        assert heights.max() <= picture.bottom
    assert points(picture.target)[3, 1] == picture.bottom


def test_no_picture_of_a_single_frequency(plan):
    curves = replace(plan.curves, frequencies=plan.curves.frequencies[:1])
    assert sheet_picture(replace(plan, curves=curves)) is None
