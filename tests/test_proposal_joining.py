"""All settings together in a proposal: what is predicted, kept in the plan, and refused."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from joining_rooms import JOINED_TOML, delayed, linkwitz_riley, write_joined_room

from roomeq.analysis.smoothing import smooth_power_db
from roomeq.device.biquads import peaking_coefficients
from roomeq.optimiser.band_gain_fit import NoChange
from roomeq.optimiser.reasons import Reason
from roomeq.plan import CautionCode, read_plan, write_plan
from roomeq.proposal import propose
from roomeq.proposal_joining import joining_obstacle
from roomeq.report.plan_text import plan_text
from roomeq.report.sheet_steps import leave_alone, opening_steps
from roomeq.room_reading import read_room


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_joined_room(tmp_path_factory.mktemp("joined"))


@pytest.fixture(scope="module")
def room(folder):
    return read_room(folder)


@pytest.fixture(scope="module")
def plan(room):
    return propose(room)


def flat(text):
    return " ".join(text.split())


def test_finds_all_three(plan):
    joining = plan.joining
    assert [("amplifier" in one) for one in joining.bypass] == [True]
    assert joining.settings.inverted
    assert -3.0 <= joining.settings.delay_ms < -1.0
    codes = {caution.code for caution in plan.cautions}
    assert {CautionCode.LOW_PASS_TWICE, CautionCode.CHECK_WIRING} <= codes
    assert plan.joins
    assert "sum with the mains" in repr(plan)


def test_prediction_is_the_sum_that_scipy_forms(room, plan):
    joining, seat = plan.joining, 0
    responses = {m.source: m.response for m in room.survey.at_seat(room.survey.seats[seat])}
    axis = responses["sub"].frequencies
    sub = responses["sub"].pressure / linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
    for band in plan.bands:
        b, a = peaking_coefficients(
            centre=band.centre, q=4.318, gain_db=band.gain_db, sample_rate=48000
        )
        sub = sub * scipy.signal.freqz(b, a, worN=axis, fs=48000)[1]
    sub = delayed(sub, 1e-3 * joining.settings.delay_ms, frequencies=axis)
    sub = sub * 10 ** (joining.settings.level_change_db / 20)
    assert joining.settings.inverted
    assert joining.settings.phase_deg == 0.0
    total = responses["mains"].pressure - sub
    wanted = smooth_power_db(
        axis, 20 * np.log10(np.abs(total)), at=np.array(joining.frequencies), fraction=12
    )
    np.testing.assert_allclose(joining.after_level_db[seat], wanted, atol=0.05)


def test_never_worse_than_in_turn_and_the_gain_is_printed(plan):
    together = plan.joining.together
    assert together.deviation_db <= together.in_turn_deviation_db < together.deviation_before_db
    gained = together.in_turn_deviation_db - together.deviation_db
    assert f"{gained:.2f} dB better than in turn" in flat(plan_text(plan))


def test_bands_that_the_sum_chose_say_so_and_keep_the_limits(plan):
    moved = [band for band in plan.bands if band.reason is Reason.SUM_WITH_MAINS]
    assert moved
    assert plan.evidence.filter_boost_db <= plan.evidence.filter_boost_limit_db + 0.01
    assert plan.drive_boost_db <= plan.evidence.drive_boost_limit_db + 0.01
    assert plan.lower_bound_db <= plan.deviation_after_db + 1e-9


def test_the_level_knob_follows_the_joining(plan):
    assert plan.level.change_db == plan.joining.settings.level_change_db
    assert plan.level.upstream_db == 0.0
    assert "joins the mains" in flat(plan_text(plan))


def test_text_and_sheet_do_not_say_to_leave_what_is_to_be_set(plan):
    text = flat(plan_text(plan))
    assert "Leave as they are: protective high-pass." in text
    assert "Polarity: inverted (now normal)" in text
    steps = {step.control: step.cells[0] for step in opening_steps([plan])}
    assert steps["Low-pass and its bypass"].action == "set"
    assert steps["Low-pass and its bypass"].value == "Bypass"
    assert "in the amplifier; keep low-pass" in steps["Low-pass and its bypass"].detail
    assert steps["Delay"].action == "set"
    assert "earlier" in steps["Delay"].value
    assert "delay the mains" in steps["Delay"].detail
    assert (steps["Polarity"].action, steps["Polarity"].value) == ("set", "Inverted")
    assert steps["Phase control"].action == "keep"
    kept = " ".join(leave_alone({"plan": plan}))
    assert "Protective high-pass: this plan does not set them." in kept
    assert "in the amplifier" in kept  # it was in the path while measuring


def test_opens_again_with_the_joining(plan, tmp_path):
    write_plan(plan, tmp_path / "plan.json")
    assert read_plan(tmp_path / "plan.json") == plan


def test_plans_without_joining_still_open():
    saved = Path(__file__).parent / "saved_plans" / "format_1.json"
    assert read_plan(saved).joining is None


def test_a_flip_already_made_is_kept(room, plan):
    """With the polarity inverted while measuring, everything is in force but the delay."""
    turned = tuple(
        replace(m, response=m.response.filtered(-np.ones(m.response.frequencies.size)))
        if m.source == "sub"
        else m
        for m in room.survey.measurements
        if m.source != "both"
    )
    flipped = replace(
        room,
        survey=replace(room.survey, measurements=turned),
        present=replace(room.present, polarity="inverted"),
    )
    again = propose(flipped)
    assert again.joining.settings == plan.joining.settings
    assert again.joining.present.inverted
    assert CautionCode.CHECK_WIRING not in {caution.code for caution in again.cautions}


def test_nothing_is_changed_where_everything_adds_up(tmp_path):
    """One low-pass with its match, in time: the sum is flat but for the modes."""
    start = JOINED_TOML.index("[[path]]", JOINED_TOML.index("[[path]]") + 1)
    end = JOINED_TOML.index("[[mains_path]]")
    toml = (JOINED_TOML[:start] + JOINED_TOML[end:]).replace("lower_limit = 25", "lower_limit = 19")
    folder = write_joined_room(tmp_path, toml=toml, late=0.0)  # the box is 6 dB down at 19 Hz
    room = read_room(folder)
    axis = room.survey.measurements[0].response.frequencies
    undone = -1.0 / linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
    measurements = tuple(
        replace(m, response=m.response.filtered(undone)) if m.source == "sub" else m
        for m in room.survey.measurements
        if m.source != "both"
    )
    plan = propose(replace(room, survey=replace(room.survey, measurements=measurements)))
    assert plan.joining.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    assert plan.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    assert not plan.joins
    assert not plan.changes
    assert plan.level.change_db == 0.0
    assert "too little to be worth a change" in flat(plan_text(plan))


def test_a_sum_that_contradicts_the_prediction_is_not_joined(room):
    """The sum as measured was that of another delay: the time reference was not common."""
    wrong = []
    for m in room.survey.measurements:
        response = m.response
        if m.source == "both":
            others = {o.source: o.response for o in room.survey.at_seat(m.seat)}
            sub = delayed(others["sub"].pressure, 0.006, frequencies=response.frequencies)
            response = response.filtered((others["mains"].pressure + sub) / response.pressure)
        wrong.append(replace(m, response=response))
    plan = propose(replace(room, survey=replace(room.survey, measurements=tuple(wrong))))
    assert plan.joining is None
    assert CautionCode.SUM_DISAGREES in {caution.code for caution in plan.cautions}
    assert "They are not joined" in flat(plan_text(plan))


@pytest.mark.parametrize(
    ("joining", "others", "said"),
    [
        ({"common_time_reference": None}, {}, "one time reference"),
        ({}, {"corner_origin": "stated"}, "is not described"),
    ],
)
def test_says_why_mains_are_not_joined(room, joining, others, said):
    other = replace(room, joining=replace(room.joining, **joining), **others)
    assert said in joining_obstacle(other)
    assert joining_obstacle(room) is None
    plan = propose(other, node_limit=1)
    assert plan.joining is None
    assert any(said in text for text in plan.assumptions)


def test_other_q_is_tried_on_the_sum(plan):
    assert [check.factor for check in plan.evidence.q_checks] == [0.7, 1.4]
    before = {check.before_db for check in plan.evidence.q_checks}
    assert before == {plan.joining.together.deviation_before_db}


def test_each_seat_is_judged_with_settings_chosen_without_it(tmp_path):
    """Seats that differ by rounding alone stand for each other: left out or not is the same."""
    three = read_room(write_joined_room(tmp_path, seats=3))
    alike = tuple(
        replace(m, seat=seat)
        for seat in three.survey.seats
        for m in three.survey.at_seat(three.survey.seats[0])
    )
    plan = propose(replace(three, survey=replace(three.survey, measurements=alike)), node_limit=1)
    rows = plan.joining.together.seats
    in_turn_db = plan.joining.together.in_turn_deviation_db
    assert [row.left_out_after_db for row in rows] == pytest.approx([in_turn_db] * 3, abs=0.05)
    assert "If chosen without it dB" in plan_text(plan)
