"""Surveys: seats, sources, weights."""

import numpy as np
import pytest

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey

RESPONSE = FrequencyResponse.from_level([20.0, 40.0], [70.0, 71.0])


def measurement(seat, source="sub", **changes):
    return Measurement(seat=seat, source=source, response=RESPONSE, **changes)


def test_seats_keep_their_order_and_weights_sum_to_one():
    survey = Survey(
        measurements=(measurement("b"), measurement("a"), measurement("b")), seat_weights={"a": 3.0}
    )
    assert survey.seats == ("b", "a")
    np.testing.assert_allclose(survey.weights, [0.25, 0.75])
    assert len(survey.at_seat("b")) == 2


def test_of_source_and_without_seat():
    survey = Survey(
        measurements=(measurement("a"), measurement("b"), measurement("a", "mains")),
        seat_weights={"b": 2.0},
    )
    assert survey.sources == ("sub", "mains")
    mains = survey.of_source("mains")
    assert mains.seats == ("a",)
    assert mains.weights.tolist() == [1.0]
    assert survey.without_seat("b").seats == ("a",)
    with pytest.raises(ValueError, match="no measurement of 'both'"):
        survey.of_source("both")
    with pytest.raises(ValueError, match="no seat 'c'"):
        survey.without_seat("c")
    with pytest.raises(ValueError, match="at least one"):
        mains.without_seat("a")


def test_of_seats_keeps_order_weights_and_every_measurement():
    survey = Survey(
        measurements=(measurement("a"), measurement("b"), measurement("c"), measurement("a")),
        seat_weights={"a": 3.0, "b": 5.0},
        levels_comparable=True,
    )
    some = survey.of_seats(["c", "a"])
    assert some.seats == ("a", "c")
    assert len(some.measurements) == 3
    assert some.weights.tolist() == [0.75, 0.25]
    assert some.levels_comparable
    assert survey.of_seats("b").seats == ("b",)
    with pytest.raises(ValueError, match="no seat 'd'"):
        survey.of_seats(["a", "d"])
    with pytest.raises(ValueError, match="at least one seat"):
        survey.of_seats([])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"measurements": ()}, "at least one"),
        ({"seat_weights": {"c": 1.0}}, "was not measured"),
        ({"seat_weights": {"a": 0.0}}, "must be positive"),
        ({"seat_weights": {"a": float("nan")}}, "must be positive"),
    ],
)
def test_survey_refuses(changes, message):
    with pytest.raises(ValueError, match=message):
        Survey(**({"measurements": (measurement("a"),)} | changes))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"seat": ""}, "needs a name"),
        ({"source": "subs"}, "source is one of"),
        ({"route": "cable"}, "route is one of"),
    ],
)
def test_measurement_refuses(changes, message):
    good = {"seat": "a", "response": RESPONSE}
    with pytest.raises(ValueError, match=message):
        Measurement(**(good | changes))


def test_measurement_holds_one_response():
    several = FrequencyResponse.from_level([20.0, 40.0], [[70.0, 71.0], [70.0, 71.0]])
    with pytest.raises(ValueError, match="needs one response"):
        Measurement(seat="a", response=several)


def test_repr():
    assert (
        repr(Survey(measurements=(measurement("a"),))) == "<Survey 1 seat, 1 measurements of sub>"
    )
