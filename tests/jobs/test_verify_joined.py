"""The sum measured again: as planned, or what is wrong with it."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from devices_apart import peaking
from joining_rooms import JOINED_TOML, delayed, linkwitz_riley, write_joined_room

from roomeq.base.response import FrequencyResponse
from roomeq.importers.room import read_room
from roomeq.jobs.join import join
from roomeq.jobs.propose import propose
from roomeq.jobs.verify import check_joining, joining_stated_otherwise, verify
from roomeq.jobs.verifying.parts import measured_levels_db, observed_parts
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.records import PresentRecord
from roomeq.plan.verification import CauseCode
from roomeq.report.text.verification import verification_text

pytestmark = pytest.mark.usefixtures("joining_once")


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


@pytest.fixture(scope="module")
def plan(room):
    return propose(room, node_limit=1, keep_bands=True)


@pytest.mark.parametrize("offset_db", [0.0, 4.0])
def test_as_planned_whatever_the_level_by_the_sum_alone(room, plan, offset_db):
    found = verify(plan, again(room, plan.joining.settings.settings(), offset_db=offset_db))
    assert found.agrees
    assert found.joining.agrees
    assert found.causes[0].code is CauseCode.AS_PLANNED
    assert found.source == "both"
    assert found.offset_db == pytest.approx(offset_db, abs=0.2)
    assert max(seat.difference_db for seat in found.seats) < 0.2


@pytest.mark.parametrize(
    ("turn", "code", "value"),
    [
        (lambda s: replace(s, inverted=not s.inverted), CauseCode.POLARITY, None),
        (lambda s: replace(s, delay=s.delay + 0.004), CauseCode.DELAY, 0.004),
        (lambda s: replace(s, delay=s.delay - 0.003), CauseCode.DELAY, -0.003),
        (lambda s: replace(s, level_change_db=s.level_change_db + 5.0), CauseCode.LEVEL, 5.0),
        (lambda s: replace(s, level_change_db=s.level_change_db - 6.0), CauseCode.LEVEL, -6.0),
    ],
)
def test_what_is_wrong_with_the_sum_is_named(room, plan, turn, code, value):
    found = verify(plan, again(room, turn(plan.joining.settings.settings())))
    assert not found.agrees
    assert not found.joining.agrees
    told = {cause.code: cause for cause in found.causes}
    assert code in told
    if value is not None:
        assert told[code].value == pytest.approx(value, abs=0.0003 if code == "delay" else 1.0)
    assert CauseCode.AS_PLANNED not in told


def test_how_both_stand_to_each_other_is_what_arrives(room, plan):
    """Powers and cross power of the proposal, by the pressures themselves."""
    planned = plan.joining.settings.settings()
    whole, mains_alone = observed_parts(plan, all_again(room, planned))[-2:]
    assert mains_alone.of_mains
    for row, seat in enumerate(whole.seats):
        parts = {m.source: m.response.pressure for m in room.survey.at_seat(seat)}
        axis = room.survey.at_seat(seat)[0].response.frequencies
        (both,) = (m for m in again(room, planned).measurements if m.seat == seat)
        mains, sub = parts["mains"], both.response.pressure - parts["mains"]
        powers = whole.with_mains
        for found, value in (
            (powers.own, abs(sub) ** 2), (powers.rest, abs(mains) ** 2),
            (powers.cross, sub * mains.conj()),
        ):  # fmt: skip
            expected = np.interp(whole.frequencies, axis, value)  # 1/12 octave apart
            off = np.abs(found[row] - expected) / np.sqrt(powers.own * powers.rest)[row]
            assert np.median(off) < 0.02


def test_nothing_set_is_named(room, plan):
    found = verify(plan, again(room, plan.joining.present.settings(), bypass=False))
    assert not found.agrees
    assert found.causes[0].code is CauseCode.AS_BEFORE
    assert "from before are still in force" in " ".join(verification_text(found).split())


@pytest.mark.parametrize("offset_db", [0.0, 3.0])
def test_nothing_set_is_named_by_the_parts_too_where_a_low_pass_was_to_be_bypassed(
    room, plan, offset_db
):
    assert plan.joining.bypass
    louder = [
        m.response.filtered([10 ** (offset_db / 20)] * m.response.frequencies.size)
        for m in room.survey.measurements
    ]
    found = verify(
        plan,
        replace(
            room.survey,
            measurements=tuple(
                replace(m, response=one)
                for m, one in zip(room.survey.measurements, louder, strict=True)
            ),
        ),
    )
    assert not found.agrees
    assert [cause.code for cause in found.causes] == [CauseCode.AS_BEFORE]


def test_levels_of_subwoofer_and_mains_cannot_be_told_apart_by_the_sum(room, plan):
    planned = plan.joining.settings.settings()
    louder = replace(planned, level_change_db=planned.level_change_db + 5.0)
    told = {cause.code for cause in verify(plan, again(room, louder)).causes}
    assert told == {CauseCode.LEVEL, CauseCode.MAINS_LEVEL}


def all_again(room, settings, *, mains_ratio=lambda _axis: 1.0):
    """Return subwoofer, mains and both as they would be measured, with something in the mains."""
    rows = {m.seat: m for m in again(room, settings).measurements if m.source == "both"}
    measured = []
    for seat, both in rows.items():
        parts = {o.source: o for o in room.survey.at_seat(seat)}
        axis, mains = parts["mains"].response.frequencies, parts["mains"].response.pressure
        sub, ratio = both.response.pressure - mains, mains_ratio(axis)
        for source, pressure in (
            ("sub", sub),
            ("mains", ratio * mains),
            ("both", sub + ratio * mains),
        ):
            response = FrequencyResponse.from_pressure(axis, pressure)
            measured.append(replace(both, source=source, response=response))
    return replace(room.survey, measurements=tuple(measured), seat_weights=None)


def test_mains_that_lost_their_high_pass_are_named(room, plan):
    planned = plan.joining.settings.settings()
    found = verify(
        plan,
        all_again(
            room,
            planned,
            mains_ratio=lambda f: 1.0 / linkwitz_riley("high", 4, corner=80.0, frequencies=f),
        ),
    )
    assert not found.agrees
    assert (found.causes[0].code, found.causes[0].engaged) == (CauseCode.MAINS_HIGH_PASS, False)
    assert found.causes[0].value == pytest.approx(80.0, rel=0.12)
    assert "a high-pass of the mains near" in " ".join(verification_text(found).split())


def test_mains_measured_by_themselves_tell_whose_level_it_is_first(room, plan):
    planned = plan.joining.settings.settings()
    quieter = all_again(room, planned, mains_ratio=lambda _f: 10.0 ** (-4.0 / 20.0))
    first, *others = verify(plan, quieter).causes
    assert (first.code, first.value) == (CauseCode.MAINS_LEVEL, pytest.approx(-4.0, abs=0.5))
    # a louder subwoofer and less gain at the microphone look alike
    assert [cause.code for cause in others] in ([], [CauseCode.LEVEL])
    assert verify(plan, all_again(room, planned)).agrees


def test_what_the_sum_does_not_tell_is_said(room, plan):
    found = verify(plan, again(room, plan.joining.settings.settings()))
    assert found.bands_not_checked == ("20", "25", "31.5")
    assert "Not checked: 20, 25, 31.5 Hz." in " ".join(verification_text(found).split())


def test_a_plan_without_quadrature_names_no_delay(room, plan):
    """Plans of earlier releases keep three levels only: which way a delay turns is not in them."""
    old = msgspec.structs.replace(
        plan, joining=msgspec.structs.replace(plan.joining, quadrature=())
    )
    late = replace(plan.joining.settings.settings(), delay=0.0)
    found = verify(old, again(room, late))
    assert not found.agrees
    assert CauseCode.DELAY not in {cause.code for cause in found.causes}


def test_the_loss_is_that_of_the_system_that_was_measured(room, record):
    """From the level of both alone; formed here, 1/12 octave apart from the definition."""
    planned = record.settings.settings()
    for moved, offset in ((0.0, 0.0), (0.002, 3.0), (0.004, 0.0)):
        setting = replace(planned, delay=planned.delay + moved)
        survey = again(room, setting, offset_db=offset)
        check = check_joining(record, survey, as_planned=True, offset_db=offset)
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
    told = check_joining(record, survey, as_planned=True, loss_db=0.75)
    assert told.loss_db == 0.75


def test_a_sum_that_looks_as_planned_must_lose_as_little_as_predicted(room, record):
    survey = again(room, record.settings.settings())
    for as_planned, over_db, agrees in ((True, 0.4, True), (True, 0.6, False), (False, 0.0, False)):
        loss_db = record.loss_db + over_db
        check = check_joining(record, survey, as_planned=as_planned, loss_db=loss_db)
        assert check.agrees is agrees


def test_without_the_sum_there_is_nothing_to_check(room, record):
    assert check_joining(record, room.survey.of_source("sub"), as_planned=True) is None
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
    assert check_joining(record, replace(short, measurements=cut), as_planned=True) is None


@pytest.mark.parametrize(
    ("turn", "agrees"),
    [
        (lambda s: s, True),
        (lambda s: replace(s, inverted=not s.inverted), False),
        (lambda s: replace(s, delay=-s.delay), False),
    ],
)
def test_without_the_sum_the_parts_tell_by_what_they_lose(room, plan, turn, agrees):
    """Subwoofer and mains again, against one time zero, with settings that are made here."""
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
    found = verify(plan, replace(room, survey=survey, path=room.path[:1]))
    assert found.joining.agrees is agrees
    assert found.agrees is agrees
    text = " ".join(verification_text(found).split())
    assert "Both together were not measured again" in text
    assert ("check delay (which branch is delayed?)" in text) is not agrees
    alone = replace(survey, measurements=survey.of_source("sub").measurements)
    unchecked = verify(plan, replace(room, survey=alone))
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


def test_only_what_is_judged_counts(room, plan):
    planned = again(room, plan.joining.settings.settings())
    # an octave either way of 80 Hz, and the smoothing
    far = bent(planned, lambda _seat, axis: 20.0 * ((axis < 37.0) | (axis > 173.0)))
    assert verify(plan, far).agrees


def test_repeats_count_by_their_power(room, record):
    """0 and 6.02 dB: 10 lg 2.5 is 3.98 dB."""
    planned = again(room, record.settings.settings())
    louder = bent(planned, lambda _seat, _axis: 6.0206).measurements
    repeats = tuple(m for m in louder if m.seat == "seat 1")
    survey = replace(planned, measurements=(*planned.measurements, *repeats))
    axis, seats = np.array(record.frequencies), [row.seat for row in record.seats]
    once, twice = (measured_levels_db(one, seats, axis)["seat 1"] for one in (planned, survey))
    np.testing.assert_allclose(twice - once, 3.9794, atol=1e-3)


def test_a_measurement_that_ends_where_the_plan_does_counts_and_a_shorter_one_does_not(
    room, record
):
    planned = again(room, record.settings.settings())
    axis = planned.measurements[0].response.frequencies
    inner = axis[(axis >= record.frequencies[0]) & (axis <= record.frequencies[-1])]
    seats = [row.seat for row in record.seats]
    within = (axis >= inner[0]) & (axis <= inner[-1])
    cut = tuple(
        replace(m, response=FrequencyResponse.from_level(inner, m.response.level_db[within]))
        for m in planned.measurements
    )
    survey = replace(planned, measurements=cut)
    assert set(measured_levels_db(survey, seats, inner)) == set(seats)
    for shorter in (axis[axis <= inner[-1]], axis[axis >= inner[0]]):
        assert measured_levels_db(survey, seats, shorter) == {}


def test_band_levels_of_the_sum_are_not_compared(room, record):
    planned = again(room, record.settings.settings())
    coarse = tuple(
        replace(m, response=replace(m.response, resolution="third_octave"))
        for m in planned.measurements
    )
    survey = replace(planned, measurements=coarse)
    assert check_joining(record, survey, as_planned=True) is None


def test_only_what_is_stated_otherwise_is_named(record):
    planned = record.settings
    assert planned.inverted
    assert planned.delay_ms < -1.0
    assert tuple(joining_stated_otherwise(record, {})) == ()
    as_planned = {
        "delay_ms": round(planned.delay_ms, 2),
        "polarity": "inverted",
        "phase_deg": planned.phase_deg,
    }
    assert tuple(joining_stated_otherwise(record, as_planned)) == ()
    found = joining_stated_otherwise(
        record,
        {"delay_ms": 0.0, "polarity": "normal", "phase_deg": planned.phase_deg + 15.0},
    )
    assert [(row.label, row.planned, row.stated) for row in found] == [
        ("delay_ms", planned.delay_ms, 0.0),
        ("polarity", "inverted", "normal"),
        ("phase_deg", planned.phase_deg, planned.phase_deg + 15.0),
    ]
    now = record.present
    unsaid = PresentRecord(
        path=None, mains_path=None, protection=None, protection_known=False, delay_ms=None,
        polarity=None, phase_deg=None, phase_frequency=None, level_trim=False,
    )  # fmt: skip
    for phase_deg, named in ((now.phase_deg, []), (now.phase_deg + 30.0, ["phase_deg"])):
        settings = msgspec.structs.replace(planned, phase_deg=phase_deg)
        to_turn = msgspec.structs.replace(record, settings=settings)
        rows = joining_stated_otherwise(to_turn, {"phase_deg": phase_deg + 15.0}, before=unsaid)
        assert [row.label for row in rows] == named
    tenth = [*joining_stated_otherwise(record, {"delay_ms": planned.delay_ms + 0.01})]
    assert [row.label for row in tenth] == ["delay_ms"]
    assert tenth[0].stated == pytest.approx(planned.delay_ms + 0.01, abs=1e-6)
    fine = msgspec.structs.replace(planned, delay_ms=-2.1875)  # 105 samples at 48 kHz
    shown = joining_stated_otherwise(
        msgspec.structs.replace(record, settings=fine), {"delay_ms": -2.19}
    )
    assert tuple(shown) == ()


def test_a_room_file_that_still_states_what_was_set_before_is_told(room, record, tmp_path):
    plan = propose(room, node_limit=1)
    assert plan.joining is not None
    assert plan.joining.settings.inverted
    found = verify(plan, room)  # states 0 ms, normal, 0 degrees, as it was measured
    assert not found.stated_as_planned
    labels = [row.label for row in found.stated_joining]
    assert labels[:2] == ["delay_ms", "polarity"]
    text = " ".join(verification_text(found).split())
    assert "Polarity: planned inverted, stated normal" in text
    assert f"planned {plan.joining.settings.delay_ms:+.2f} ms, stated 0.00 ms" in text
    silent = JOINED_TOML.replace("delay_ms = 0\n", "").replace('polarity = "normal"\n', "")
    silent = silent.replace("phase_deg = 0\n", "")
    quiet = read_room(write_joined_room(tmp_path, toml=silent))
    assert verify(plan, quiet).stated_joining == ()
    assert verify(msgspec.structs.replace(plan, joining=None), room).stated_joining == ()


def test_another_plan_is_in_force_with_its_level(room, plan):
    """Bands by the Audio EQ Cookbook at exact centres of IEC 61260-1."""
    gains = tuple(4.0 if n == 3 else -6.0 if n == 5 else g for n, g in enumerate(plan.gains_db))

    def ratio(axis):
        new, old = np.ones(axis.size, dtype=complex), np.ones(axis.size, dtype=complex)
        for n, (then, now) in enumerate(zip(gains, plan.gains_db, strict=True)):
            new *= peaking(axis, 10 ** ((13 + n) / 10), 4.318, then)
            old *= peaking(axis, 10 ** ((13 + n) / 10), 4.318, now)
        return new / old

    settings = plan.joining.settings.settings()
    quieter = replace(settings, level_change_db=settings.level_change_db - 5.0)
    turned = replace(room, survey=room.survey.filtered("sub", ratio))
    at = msgspec.structs.replace(plan.level, setting_db=-2.0)
    bands = tuple(
        msgspec.structs.replace(b, gain_db=g) for b, g in zip(plan.bands, gains, strict=True)
    )
    other = msgspec.structs.replace(
        plan, bands=bands, level=msgspec.structs.replace(at, setting_db=-7.0)
    )
    again = all_again(turned, quieter)
    found = verify(msgspec.structs.replace(plan, level=at), again, others={"film.json": other})
    assert (found.causes[0].code, found.causes[0].name) == (CauseCode.OTHER_PLAN, "film.json")
    unlike = msgspec.structs.replace(other, level=msgspec.structs.replace(at, setting_db=-2.0))
    missed = verify(msgspec.structs.replace(plan, level=at), again, others={"film.json": unlike})
    assert CauseCode.OTHER_PLAN not in {cause.code for cause in missed.causes}
