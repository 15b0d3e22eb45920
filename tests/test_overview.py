"""What check shows."""

from pathlib import Path

import numpy as np
import pytest

from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.overview import room_overview
from roomeq.room_reading import read_room

SAMPLES = Path(__file__).parents[1] / "sample_measurements"


@pytest.fixture(scope="module")
def hall():
    return read_room(SAMPLES / "rented_hall")


def test_band_rows_are_plain_statistics_of_the_table(hall):
    overview = room_overview(hall)
    survey = hall.survey.of_source("sub")
    levels = seat_levels_db(survey, at=common_axis(survey))
    assert [row.label for row in overview.bands][:3] == ["20", "25", "31.5"]
    for row, column in zip(overview.bands, levels.T, strict=True):
        mean = np.average(column, weights=survey.weights)
        assert row.level_mean_db == pytest.approx(mean)
        spread = np.sqrt(np.average((column - mean) ** 2, weights=survey.weights))
        assert row.spread_db == pytest.approx(spread)
        assert row.range_db == pytest.approx(np.ptp(column))
        assert row.loudest == survey.seats[int(np.argmax(column))]
    assert overview.dips == ()  # band levels cannot show a cancellation
    assert overview.measurements[0].resolution == "third_octave"


def test_cellar_shows_its_cancellations():
    overview = room_overview(read_room(SAMPLES / "brick_cellar"))
    assert [dip for dip in overview.dips if dip.verdict == "cancellation"]
    assert overview.variation_between_seats_db2 > overview.unevenness_of_average_db2
    assert not overview.levels_comparable or overview.measurements


def test_levels_that_do_not_compare_keep_their_mean(hall):
    from dataclasses import replace

    loose = replace(hall, survey=replace(hall.survey, levels_comparable=False))
    a, b = room_overview(hall), room_overview(loose)
    assert b.variation_between_seats_db2 < a.variation_between_seats_db2
    assert np.mean([row.level_mean_db for row in b.bands]) == pytest.approx(
        np.mean([row.level_mean_db for row in a.bands]), abs=1.5
    )
