"""The sum measured again: as planned, the other polarity, as before, or something else."""

from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import delayed, linkwitz_riley, write_joined_room

from roomeq.joining_proposal import join
from roomeq.plan_joining import JoiningRecord
from roomeq.response import FrequencyResponse
from roomeq.room_reading import read_room
from roomeq.verification_joining import check_joining
from roomeq.verification_records import JoiningLook


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    return read_room(write_joined_room(tmp_path_factory.mktemp("joined")))


@pytest.fixture(scope="module")
def record(room) -> JoiningRecord:
    found = join(room).record
    assert found is not None
    return found


def again(room, settings, *, bypass=True, offset_db=0.0):
    """Return the sum as it would be measured, formed here and not by the code under test."""
    measurements = []
    for m in room.survey.measurements:
        if m.source != "both":
            continue
        parts = {o.source: o.response for o in room.survey.at_seat(m.seat)}
        axis = parts["sub"].frequencies
        sub = parts["sub"].pressure
        if bypass:
            sub = sub / linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
        sub = delayed(sub, settings.delay, frequencies=axis) * (-1 if settings.inverted else 1)
        total = parts["mains"].pressure + sub * 10 ** (settings.level_change_db / 20)
        response = FrequencyResponse.from_pressure(axis, total * 10 ** (offset_db / 20))
        measurements.append(replace(m, response=response))
    return replace(room.survey, measurements=tuple(measurements), seat_weights=None)


def test_as_planned_whatever_the_level(room, record):
    survey = again(room, record.settings.settings(), offset_db=4.0)
    check = check_joining(record, survey, tolerance_db=1.0)
    assert check.agrees
    assert check.looks_like is JoiningLook.AS_PLANNED
    assert max(seat.difference_db for seat in check.seats) < 0.1


def test_the_other_polarity_is_named(room, record):
    planned = record.settings.settings()
    survey = again(room, replace(planned, inverted=not planned.inverted))
    check = check_joining(record, survey, tolerance_db=1.0)
    assert not check.agrees
    assert check.looks_like is JoiningLook.OTHER_POLARITY


def test_nothing_changed_is_named(room, record):
    check = check_joining(
        record, again(room, record.present.settings(), bypass=False), tolerance_db=0.3
    )
    assert not check.agrees
    assert check.looks_like is JoiningLook.AS_BEFORE


def test_a_wrong_delay_is_neither(room, record):
    planned = record.settings.settings()
    survey = again(room, replace(planned, delay=planned.delay + 0.004))
    check = check_joining(record, survey, tolerance_db=0.3)
    assert not check.agrees
    assert check.looks_like is JoiningLook.SOMETHING_ELSE


def test_without_the_sum_there_is_nothing_to_check(room, record):
    assert check_joining(record, room.survey.of_source("sub"), tolerance_db=1.0) is None
    short = again(room, record.settings.settings())
    cut = tuple(
        replace(
            m,
            response=FrequencyResponse.from_level(
                m.response.frequencies[300:], m.response.level_db[300:]
            ),
        )
        for m in short.measurements
    )
    assert np.isfinite(cut[0].response.level_db).all()
    assert check_joining(record, replace(short, measurements=cut), tolerance_db=1.0) is None
