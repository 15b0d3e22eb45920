"""What an engineer with arrays writes: the front door for scripts."""

import numpy as np
import pytest
from sample_jobs import JOBS, sample_room

import roomeq as rq

FREQUENCIES = np.geomspace(15.0, 300.0, 400)
BOOM_DB = 9.0 * np.exp(-0.5 * (np.log2(FREQUENCIES / 40.0) / 0.2) ** 2)
LEVELS_DB = 75.0 + BOOM_DB + np.array([[0.0], [1.0], [-1.0]])
CENTRES = [20, 25, 31.5, 40, 50, 63, 80, 100, 125]


def test_band_gains_from_arrays_in_two_statements():
    survey = rq.Survey.from_levels(FREQUENCIES, LEVELS_DB, seats=["left", "middle", "right"])
    fit = rq.fit_band_gains(survey, equaliser=rq.FixedBandEqualiser.from_centres(CENTRES))
    assert dict(zip(CENTRES, fit.gains_db, strict=True))[40] < -5.0
    assert len(repr(fit)) < 120
    assert survey.seats == ("left", "middle", "right")


def test_a_device_stands_where_an_equaliser_does():
    survey = rq.Survey.from_levels(FREQUENCIES, LEVELS_DB)
    device = rq.read_device("nine_band")
    by_device = rq.fit_band_gains(survey, equaliser=device)
    by_equaliser = rq.fit_band_gains(survey, equaliser=device.equaliser)
    np.testing.assert_array_equal(by_device.gains_db, by_equaliser.gains_db)
    assert survey.seats == ("seat 1", "seat 2", "seat 3")


def test_one_seat_with_phase_is_one_row():
    one = rq.Survey.from_levels(FREQUENCIES, LEVELS_DB[0], phase_deg=np.zeros(FREQUENCIES.size))
    (measurement,) = one.measurements
    assert measurement.response.has_phase
    np.testing.assert_allclose(measurement.response.level_db, LEVELS_DB[0])


@pytest.fixture(scope="module")
def ferry():
    room = sample_room("ferry_office")
    plan = JOBS["propose"](room)
    return room, plan, rq.verify(plan, room)


def test_every_result_is_one_short_line(ferry):
    room, plan, found = ferry
    results = [room, room.survey, room.survey.measurements[0], room.device, room.equaliser, plan]
    results += [rq.room_overview(room), JOBS["join"](room), found]
    for result in results:
        text = repr(result)
        assert text.startswith(f"<{type(result).__name__}")
        assert len(text) < 200
        assert "\n" not in text


def test_a_room_is_verified_as_its_survey_with_what_it_states(ferry):
    room, plan, found = ferry
    assert found.seats == rq.verify(plan, room.survey).seats
    assert {row.label for row in found.stated}, "the file states the gains from before the plan"
    for swapped in ((room, plan), (plan, plan), (plan, FREQUENCIES)):
        with pytest.raises(TypeError, match="a Plan, then a Survey or Room"):
            rq.verify(*swapped)


def test_plots_come_with_the_package():
    assert rq.plots.plot_prediction.__module__.startswith("roomeq.report.plots")


@pytest.mark.parametrize(
    ("call", "error", "remedy"),
    [
        (
            lambda: rq.fit_band_gains(FREQUENCIES, equaliser=rq.read_device("nine_band")),
            TypeError,
            "Survey.from_levels",
        ),
        (
            lambda: rq.fit_band_gains(
                rq.Survey.from_levels(FREQUENCIES, LEVELS_DB), equaliser=CENTRES
            ),
            TypeError,
            "from_centres",
        ),
        (lambda: rq.Survey.from_levels(LEVELS_DB, FREQUENCIES), ValueError, "frequencies come"),
        (
            lambda: rq.Survey.from_levels(FREQUENCIES, LEVELS_DB.T),
            ValueError,
            "is to be transposed",
        ),
        (
            lambda: rq.Survey.from_levels(FREQUENCIES, LEVELS_DB, seats=["left"]),
            ValueError,
            "3 rows of level_db need as many names",
        ),
        (
            lambda: rq.FixedBandEqualiser.from_centres([24, 36, 55, 85]),
            ValueError,
            "24 Hz is no third-octave centre .the nearest is 25 Hz",
        ),
    ],
)
def test_misuse_names_the_remedy(call, error, remedy):
    with pytest.raises(error, match=remedy):
        call()
