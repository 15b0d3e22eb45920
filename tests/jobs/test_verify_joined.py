"""The sum measured again: as planned, the other polarity, as before, or something else."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from joining_rooms import JOINED_TOML, delayed, linkwitz_riley, write_joined_room

from roomeq.base.response import FrequencyResponse
from roomeq.importers.room import read_room
from roomeq.jobs.join import join
from roomeq.jobs.propose import propose
from roomeq.jobs.verify import verify_room
from roomeq.jobs.verify_joined import check_joining, joining_stated_otherwise
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.verification import JoiningLook
from roomeq.report.text.verification import verification_text


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


@pytest.mark.parametrize("louder_db", [5.0, -6.0])
def test_another_level_is_named_and_delay_not_blamed(room, record, louder_db):
    planned = record.settings.settings()
    level = planned.level_change_db + louder_db
    survey = again(room, replace(planned, level_change_db=level))
    check = check_joining(record, survey, tolerance_db=0.2, offset_db=louder_db)
    assert not check.agrees
    assert check.looks_like is JoiningLook.OTHER_LEVEL
    wrong = again(room, replace(planned, inverted=not planned.inverted))
    other = check_joining(record, wrong, tolerance_db=0.2, offset_db=0.0)
    assert other.looks_like is JoiningLook.OTHER_POLARITY


def test_a_wrong_delay_is_neither(room, record):
    planned = record.settings.settings()
    survey = again(room, replace(planned, delay=planned.delay + 0.004))
    check = check_joining(record, survey, tolerance_db=0.3)
    assert not check.agrees
    assert check.looks_like is JoiningLook.SOMETHING_ELSE


def test_the_loss_is_that_of_the_system_that_was_measured(room, record):
    """From the level of both alone; formed here, 1/12 octave apart from the definition."""
    planned = record.settings.settings()
    for moved, offset in ((0.0, 0.0), (0.002, 3.0), (0.004, 0.0)):
        setting = replace(planned, delay=planned.delay + moved)
        survey = again(room, setting, offset_db=offset)
        check = check_joining(record, survey, tolerance_db=1.0, offset_db=offset)
        losses = []
        for m in survey.measurements:
            parts = {o.source: o.response for o in room.survey.at_seat(m.seat)}
            axis = parts["sub"].frequencies
            sub = parts["sub"].pressure
            sub = sub / linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
            both = np.abs(sub) + np.abs(parts["mains"].pressure)
            heard = np.abs(m.response.pressure) / 10 ** (offset / 20)
            octave = np.abs(np.log2(axis / 80.0)) <= 0.5
            losses.append(np.mean(20 * np.log10(both / heard)[octave]))
        assert check.loss_db == pytest.approx(np.mean(losses), abs=0.15)
        assert check.predicted_loss_db == record.loss_db
    told = check_joining(record, survey, tolerance_db=1.0, loss_db=0.75)
    assert told.loss_db == 0.75


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


@pytest.mark.parametrize(
    ("turn", "agrees"),
    [
        (lambda s: s, True),
        (lambda s: replace(s, inverted=not s.inverted), False),
        (lambda s: replace(s, delay=-s.delay), False),
    ],
)
def test_without_the_sum_the_parts_tell_by_what_they_lose(room, turn, agrees):
    """Subwoofer and mains again, against one time zero, with settings that are made here."""
    plan = propose(room, node_limit=1, keep_bands=True)
    set_to = turn(plan.joining.settings.settings())
    again = []
    for m in room.survey.measurements:
        if m.source == "both":
            continue
        axis, pressure = m.response.frequencies, m.response.pressure
        if m.source == "sub":
            pressure = pressure / linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
            pressure = delayed(pressure, set_to.delay, frequencies=axis)
            pressure = -pressure if set_to.inverted else pressure
        again.append(replace(m, response=FrequencyResponse.from_pressure(axis, pressure)))
    survey = replace(room.survey, measurements=tuple(again), seat_weights=None)
    found = verify_room(plan, replace(room, survey=survey, path=room.path[:1]))
    assert found.joining.agrees is agrees
    assert found.agrees is agrees
    text = " ".join(verification_text(found).split())
    assert "Both together were not measured again" in text
    assert ("check delay (which branch is delayed?)" in text) is not agrees
    alone = replace(survey, measurements=survey.of_source("sub").measurements)
    unchecked = verify_room(plan, replace(room, survey=alone))
    assert unchecked.joining_unchecked
    assert "joining with the mains was not checked" in " ".join(
        verification_text(unchecked).split()
    )


def bent(survey, change):
    """Return the survey with levels changed by ``change(seat, frequencies)``, in dB."""
    measurements = []
    for m in survey.measurements:
        axis = m.response.frequencies
        level = m.response.level_db + change(m.seat, axis)
        measurements.append(replace(m, response=FrequencyResponse.from_level(axis, level)))
    return replace(survey, measurements=tuple(measurements))


def ripple(axis):
    """Return a slow ripple of 2 dB: its root mean square over whole octaves is 1.41 dB."""
    return 2.0 * np.sin(2 * np.pi * np.log2(axis / 80.0))


def test_a_seat_agrees_within_twice_the_tolerance(room, record):
    planned = again(room, record.settings.settings())
    survey = bent(planned, lambda _seat, axis: ripple(axis))
    assert check_joining(record, survey, tolerance_db=0.8).agrees
    check = check_joining(record, survey, tolerance_db=0.65)
    assert not check.agrees
    for seat in check.seats:
        assert seat.difference_db == pytest.approx(2**0.5, abs=0.08)
    one = bent(planned, lambda seat, axis: ripple(axis) * (seat == "seat 1"))
    check = check_joining(record, one, tolerance_db=0.65)
    assert [seat.agrees for seat in check.seats] == [False, True]
    assert not check.agrees
    assert check.seats[0].difference_db == pytest.approx(2**0.5, abs=0.1)


def test_one_offset_is_removed_over_all_seats(room, record):
    planned = again(room, record.settings.settings())
    survey = bent(planned, lambda seat, _axis: 3.0 * (seat == "seat 2"))
    check = check_joining(record, survey, tolerance_db=0.5)
    assert [seat.difference_db for seat in check.seats] == pytest.approx([1.5, 1.5], abs=0.05)


def test_only_what_is_judged_counts_and_each_seat_against_its_own(room, record):
    planned = again(room, record.settings.settings())
    # an octave either way of 80 Hz, and the smoothing
    far = bent(planned, lambda _seat, axis: 20.0 * ((axis < 37.0) | (axis > 173.0)))
    assert check_joining(record, far, tolerance_db=0.1).agrees
    axis = np.array(record.frequencies)
    rows = (tuple(np.array(record.after_level_db[0]) + ripple(axis)), record.after_level_db[1])
    other = msgspec.structs.replace(record, after_level_db=rows)
    second = tuple(m for m in planned.measurements if m.seat == "seat 2")
    strange = tuple(replace(m, seat="window") for m in second)
    check = check_joining(
        other, replace(planned, measurements=(*strange, *second)), tolerance_db=0.1
    )
    assert check.agrees
    assert [seat.seat for seat in check.seats] == ["seat 2"]


def test_repeats_count_by_their_power(room, record):
    """0 and 6.02 dB: 10 lg 2.5 is 3.98 dB, which the other seat has throughout."""
    planned = again(room, record.settings.settings())
    first = bent(planned, lambda seat, _axis: 3.9794 * (seat == "seat 2")).measurements
    louder = bent(planned, lambda _seat, _axis: 6.0206).measurements
    repeats = tuple(m for m in louder if m.seat == "seat 1")
    survey = replace(planned, measurements=(*first, *repeats))
    check = check_joining(record, survey, tolerance_db=0.1)
    assert max(seat.difference_db for seat in check.seats) < 0.1


def test_band_levels_of_the_sum_are_not_compared(room, record):
    planned = again(room, record.settings.settings())
    coarse = tuple(
        replace(m, response=replace(m.response, resolution="third_octave"))
        for m in planned.measurements
    )
    survey = replace(planned, measurements=coarse)
    assert check_joining(record, survey, tolerance_db=1.0) is None


def test_another_setting_is_named_where_it_explains_most_of_the_difference(room, record):
    planned = record.settings.settings()
    other = again(room, replace(planned, inverted=not planned.inverted))
    check = check_joining(
        record, bent(other, lambda _seat, axis: 0.5 * ripple(axis)), tolerance_db=0.3
    )
    assert check.looks_like is JoiningLook.OTHER_POLARITY


def test_only_what_is_stated_otherwise_is_named(record):
    planned = record.settings
    assert planned.inverted
    assert planned.delay_ms < -1.0
    assert joining_stated_otherwise(record) == ()
    as_planned = {
        "delay": round(planned.delay_ms, 2) * 1e-3,
        "polarity": "inverted",
        "phase_deg": planned.phase_deg,
    }
    assert joining_stated_otherwise(record, **as_planned) == ()
    found = joining_stated_otherwise(
        record, delay=0.0, polarity="normal", phase_deg=planned.phase_deg + 15.0
    )
    assert [(row.label, row.planned, row.stated) for row in found] == [
        ("delay_ms", planned.delay_ms, 0.0),
        ("polarity", "inverted", "normal"),
        ("phase_deg", planned.phase_deg, planned.phase_deg + 15.0),
    ]
    tenth = joining_stated_otherwise(record, delay=1e-3 * (planned.delay_ms + 0.01))
    assert [row.label for row in tenth] == ["delay_ms"]
    fine = msgspec.structs.replace(planned, delay_ms=-2.1875)  # 105 samples at 48 kHz
    shown = joining_stated_otherwise(msgspec.structs.replace(record, settings=fine), delay=-0.00219)
    assert shown == ()


def test_a_room_file_that_still_states_what_was_set_before_is_told(room, record, tmp_path):
    plan = propose(room, node_limit=1)
    assert plan.joining is not None
    assert plan.joining.settings.inverted
    found = verify_room(plan, room)  # states 0 ms, normal, 0 degrees, as it was measured
    assert not found.stated_as_planned
    labels = [row.label for row in found.stated_joining]
    assert labels[:2] == ["delay_ms", "polarity"]
    text = " ".join(verification_text(found).split())
    assert "Polarity: planned inverted, stated normal" in text
    assert f"planned {plan.joining.settings.delay_ms:+.2f} ms, stated 0.00 ms" in text
    silent = JOINED_TOML.replace("delay_ms = 0\n", "").replace('polarity = "normal"\n', "")
    silent = silent.replace("phase_deg = 0\n", "")
    quiet = read_room(write_joined_room(tmp_path, toml=silent))
    assert verify_room(plan, quiet).stated_joining == ()
    assert verify_room(msgspec.structs.replace(plan, joining=None), room).stated_joining == ()
