"""All settings together in a proposal: what is predicted, kept in the plan, and refused."""

import re
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest
import scipy.signal
from joining_rooms import JOINED_TOML, butterworth, delayed, linkwitz_riley, write_joined_room

from roomeq.analysis.smoothing import smooth_power_db
from roomeq.device.biquads import peaking_coefficients
from roomeq.device.crossover import CrossoverFilter
from roomeq.joining_offer import joining_offer
from roomeq.optimiser.all_settings import fit_all_settings
from roomeq.optimiser.band_gain_fit import NoChange
from roomeq.optimiser.joining import Rival
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings, LevelRange
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.reasons import Reason
from roomeq.plan import CautionCode, read_plan, write_plan
from roomeq.proposal import _fit, propose
from roomeq.proposal_headroom import fit_within_headroom
from roomeq.proposal_joining import (
    _all_settings,
    _at_ends,
    _at_present,
    _cautions,
    _disagrees,
    _q_checks,
    _record,
    _rival,
    _with_bypass,
    fit_with_mains,
    joining_obstacle,
    path_cautions,
)
from roomeq.report.plan_text import plan_text
from roomeq.report.sheet_steps import closing_steps, leave_alone, opening_steps
from roomeq.report.wording import no_change_text
from roomeq.response import FrequencyResponse
from roomeq.room_reading import read_room

FIT = partial(_fit, node_limit=1, prove=False, leave_out=False)


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
    assert "Protective high-pass: this plan does not set it." in kept
    assert "Left in the path: low-pass Linkwitz-Riley 24 dB/oct at 80 Hz in the processor." in kept
    assert "in the amplifier" not in kept  # step 1 bypasses it
    again = {step.control: step.cells[0] for step in closing_steps([plan])}["Measure again"]
    assert again.detail.startswith("subwoofer alone, then with mains; ")
    assert "if mended, leave it normal" in steps["Polarity"].detail


def test_drive_as_set_agrees_with_the_table_of_extra_drive(plan):
    text = flat(plan_text(plan))
    rise_db = float(re.search(r"with the level as it is set, at most ([+-]?[\d.]+) dB", text)[1])
    within = max(extra.extra_db for extra in plan.extra_drive)
    assert within - 0.1 <= rise_db <= within + 0.5  # the table ends at the edges of the bands


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


def test_a_flip_back_to_normal_gains_what_is_said(room, plan):
    """The same responses, measured with the polarity inverted: it is set back to normal."""
    again = propose(replace(room, present=replace(room.present, polarity="inverted")))
    assert not again.joining.settings.inverted
    values = [c.value for c in again.cautions if c.code is CautionCode.CHECK_WIRING]
    assert values == [pytest.approx(plan.joining.flip_gain_db, abs=1e-6)]
    assert "mended, the polarity stays" in flat(plan_text(again))


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
    assert plan.joining.settings == plan.joining.present
    assert plan.joining.deviation_db == plan.joining.deviation_before_db
    assert path_cautions(room) == ()  # one low-pass and its match
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
    codes = {caution.code for caution in plan.cautions}
    assert CautionCode.LOW_PASS_TWICE_LEFT in codes  # the settings hold with it engaged
    assert CautionCode.LOW_PASS_TWICE not in codes
    text = flat(plan_text(plan))
    assert "Leave as they are: low-pass" in text
    assert "holds with it engaged: leave it on, or bypass it and measure again first" in text


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


@pytest.fixture(scope="module")
def small(room):
    """One seat, nothing asked of the path."""
    measurements = tuple(m for m in room.survey.at_seat("seat 1") if m.source != "both")
    survey = replace(room.survey, measurements=measurements)
    coarse = DelayRange(lowest=-0.004, highest=0.0, step=0.001)
    joining = replace(room.joining, path_response=None, delays=coarse)
    return replace(room, survey=survey, joining=joining)


@pytest.fixture(scope="module")
def alone(small):
    return fit_within_headroom(small, fit=FIT)


@pytest.fixture(scope="module")
def joint(small, alone):
    return fit_with_mains(small, alone, fit=FIT)


def sub_of(room):
    return next(m.response for m in room.survey.measurements if m.source == "sub")


def test_a_bypass_is_reckoned_once_though_another_high_pass_needs_a_second_round(
    small, alone, joint
):
    """The first round stands behind a high-pass that is not in force; the second must end alike."""
    high_pass = CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=5.0)
    axis = sub_of(small).frequencies
    behind = tuple(
        replace(m, response=m.response.filtered(butterworth("high", 2, corner=5.0,
                                                            frequencies=axis)))
        if m.source == "sub"
        else m
        for m in small.survey.measurements
    )  # fmt: skip
    other = replace(small, survey=replace(small.survey, measurements=behind))
    again = fit_with_mains(small, replace(alone, room=other, high_pass=high_pass), fit=FIT)
    assert again.drive.high_pass is None
    assert joint.record.bypass
    assert again.record.bypass == joint.record.bypass
    assert again.record.settings == joint.record.settings
    before_db = joint.record.deviation_before_db
    assert again.record.deviation_before_db == pytest.approx(before_db, abs=1e-6)


def test_what_is_told_of_the_subwoofer_alone_follows_bypass_and_level(small, joint):
    axis = sub_of(small).frequencies
    undone = sub_of(small).pressure / linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
    np.testing.assert_allclose(sub_of(joint.drive.room).pressure, undone, rtol=1e-6)
    assert [one.where for one in joint.drive.room.path] == ["processor"]
    assert [one.where for one in joint.drive.room.target.path] == ["processor"]
    assert "the bypass is reckoned into" in joint.assumptions[0]
    # keeping loudness and the wanted change of it add up to what the knob does
    level_db = joint.record.settings.level_change_db
    assert joint.drive.fit.level_change_db == pytest.approx(level_db, abs=1e-9)
    assert level_db != 0.0
    # in the plan's prediction the crossover is judged over an octave either way, 80 Hz
    assert 40.0 <= joint.record.lowest < joint.record.highest <= 160.0
    assert joint.record.together.lowest < 30.0


def test_the_lowest_corner_left_is_the_crossover(small):
    path = tuple(replace(small.path[0], corner=corner) for corner in (120.0, 70.0, 90.0))
    changed = replace(small, path=path, target=replace(small.target, path=path))
    assert _with_bypass(changed, path[1:2]).corner == 90.0


def test_nothing_within_the_repeatability(small, alone, joint):
    """Kept is what is set: no bypass, no change of level, the sum as it is now."""
    unsure = replace(small, repeatability_db=99.0, loss=Loss(excess_weight=9.0))
    kept = fit_with_mains(unsure, alone, fit=FIT)
    record = kept.record
    assert record.no_change is NoChange.WITHIN_REPEATABILITY
    assert record.bypass == ()
    assert record.settings == record.present
    assert record.candidate != record.present
    assert record.after_level_db == record.before_level_db
    assert record.deviation_db == record.deviation_before_db > record.candidate_deviation_db
    assert record.deviation_before_db > joint.record.deviation_before_db  # an excess counts more
    for row in (*record.seats, *record.together.seats):
        assert row.after_db == pytest.approx(row.before_db, abs=1e-9)
        assert row.level_gain_db == pytest.approx(0.0, abs=1e-9)
    assert record.judged[0] == record.judged[1]
    assert (kept.level_change_db, kept.q_checks, kept.assumptions) == (0.0, (), ())
    np.testing.assert_array_equal(kept.drive.fit.gains_db, small.present.gains_db)
    assert CautionCode.CHECK_WIRING not in {caution.code for caution in kept.cautions}


@pytest.mark.parametrize(
    ("why", "said"),
    [
        (NoChange.WITHIN_REPEATABILITY, "within the repeatability of the measurement"),
        (NoChange.IMPROVEMENT_TOO_SMALL, "too little to be worth a change"),
    ],
)
def test_says_why_everything_together_is_not_worth_it(plan, why, said):
    text = no_change_text(msgspec.structs.replace(plan, no_change=why))
    assert "Everything together" in text
    assert said in text


def test_present_bands_are_kept_only_within_the_limits(small):
    gains = np.array([0, 0, 0, 0, 3.0, 0, 0, 0, 0])
    room = replace(small, present=replace(small.present, gains_db=gains))
    wide = replace(room.limits, filter_boost_db=4.0, drive_boost_db=6.0)
    kept = _at_present(replace(room, limits=wide), None, fit=FIT)
    np.testing.assert_array_equal(kept.fit.gains_db, gains)
    sentinel = object()
    for limit in ({"filter_boost_db": 2.0}, {"drive_boost_db": 1.0}):
        other = replace(room, limits=replace(wide, **limit))
        assert _at_present(other, sentinel, fit=FIT) is sentinel


def test_what_is_in_force_reaches_the_search_and_another_q_is_scipys(small):
    gains = np.array([0, 0, 0, -3.0, 0, 0, 2.0, 0, 0])
    room = replace(
        small,
        present=replace(small.present, gains_db=gains, polarity="inverted"),
        joining=replace(small.joining, present_delay=-0.001),
        loss=Loss(excess_weight=4.0),
    )
    high_pass = CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=20.0)
    no_boost = replace(room.limits, filter_boost_db=0.0)
    louder = tuple(
        replace(m, response=m.response.filtered(np.full(m.response.frequencies.size, 2.0)))
        for m in room.survey.measurements
    )
    behind = replace(room, survey=replace(room.survey, measurements=louder), limits=no_boost)
    found = _all_settings(room, behind, joining_offer(room), high_pass)
    assert found.present.protection == found.settings.protection == high_pass
    assert found.present.joining.inverted
    assert found.present.joining.delay == -0.001
    np.testing.assert_array_equal(found.present.gains_db, gains)
    assert (found.settings.gains_db <= 0.0).all()
    at = int(np.argmin(np.abs(found.data.points - 80.0)))
    mains = next(m.response for m in small.survey.measurements if m.source == "mains")
    level_db = np.interp(found.data.points[at], mains.frequencies, mains.level_db)
    told_db = 20 * np.log10(np.abs(found.data.mains[0, at]))
    assert told_db == pytest.approx(level_db + 20 * np.log10(2.0), abs=0.05)

    def bands(gains_db, factor):
        total = np.ones(found.data.points.size, dtype=complex)
        for band, gain in zip(room.equaliser.bands, gains_db, strict=True):
            b, a = peaking_coefficients(
                centre=band.centre, q=4.318 * factor, gain_db=gain, sample_rate=48000
            )
            total *= scipy.signal.freqz(b, a, worN=found.data.points, fs=48000)[1]
        return total

    assert len(found.settings.bypassed) == 1
    bypass = linkwitz_riley("low", 4, corner=80.0, frequencies=found.data.points)
    checks = _q_checks(room, found)
    for check, factor in zip(checks, (0.7, 1.4), strict=True):
        # bare of the present bands at their true Q, with the proposed ones at it
        turn = bands(found.settings.gains_db, factor) / bands(gains, factor)
        turn *= bands(gains, 1.0) / bypass  # `data` had them taken out at the assumed one
        other = found.data.with_transfers(sub=turn)
        after_db = other.deviation_db(found.settings.joining, loss=room.loss)
        assert check.after_db == pytest.approx(after_db, abs=1e-4)
    law = replace(room.equaliser.q_law, measured=True)
    sure = replace(room.device, equaliser=replace(room.equaliser, q_law=law))
    assert _q_checks(replace(room, device=sure), found) == ()


def without_phase(m):
    return replace(
        m, response=FrequencyResponse.from_level(m.response.frequencies, m.response.level_db)
    )


def test_further_obstacles_are_named(small):
    measurements = small.survey.measurements
    apart = [replace(m, seat=f"at {m.source}") for m in measurements]
    flat_only = [without_phase(m) if m.source == "mains" else m for m in measurements]
    for changed, said in ((apart, "at no seat were both"), (flat_only, "has no phase")):
        survey = replace(small.survey, measurements=tuple(changed), seat_weights=None)
        assert said in joining_obstacle(replace(small, survey=survey))
    tabled = SimpleNamespace(shapes=())
    device = replace(small.device, equaliser=tabled)
    assert "bands is not known" in joining_obstacle(replace(small, device=device))


def test_mains_are_no_matter_where_the_bands_are_fitted_to_the_sum(small, alone):
    whole = replace(
        small, source="both", joining=replace(small.joining, common_time_reference=None)
    )
    assert joining_obstacle(whole) is None
    untouched = fit_with_mains(whole, alone, fit=FIT)
    assert (untouched.drive, untouched.record, untouched.assumptions) == (alone, None, ())


def test_a_rival_is_another_polarity_or_a_quarter_of_a_period_away():
    def rival(proposed, other):
        found = Rival(settings=other, deviation_db=2.5, margin_db=9.0)
        fit = SimpleNamespace(rival=found, data=SimpleNamespace(corner=80.0))
        return _rival(fit, proposed, 2.0)

    proposed = JoiningSettings(delay=-0.002)
    far, near = JoiningSettings(delay=0.0012), JoiningSettings(delay=0.0011)
    assert rival(proposed, far).margin_db == pytest.approx(0.5)  # 3.2 ms; 3.125 is a quarter
    assert rival(proposed, near) is None
    assert rival(proposed, replace(near, inverted=True)).margin_db == pytest.approx(0.5)


def test_ends_of_what_may_be_set(small):
    offer = replace(
        joining_offer(small),
        delays=DelayRange(lowest=-0.004, highest=0.001, step=0.0005),
        levels=LevelRange(lowest_db=-3.0, highest_db=0.0, step_db=0.5),
    )
    at = {
        (-0.004, -1.0): ("delay",),
        (0.001, -1.0): ("delay",),
        (0.0005, -3.0): ("level",),
        (-0.001, 0.0): ("level",),
        (-0.0035, -2.5): (),
    }
    for (delay, level_db), ends in at.items():
        assert _at_ends(offer, JoiningSettings(delay=delay, level_change_db=level_db)) == ends
    none_offered = replace(offer, delays=DelayRange(lowest=0.0, highest=0.0))
    assert _at_ends(none_offered, JoiningSettings(level_change_db=-1.0)) == ()


def test_a_joining_at_the_end_of_the_delays_says_so(small):
    found = _all_settings(small, small, joining_offer(small), None)
    delay = found.settings.joining.delay
    ending = DelayRange(lowest=delay, highest=delay + 0.002, step=0.001)
    offer = replace(joining_offer(small), delays=ending)
    assert "delay" in _record(small, found, offer, None).at_ends


def test_cautions_name_the_worst_seat_and_only_what_is_in_doubt(plan):
    found = SimpleNamespace(data=SimpleNamespace(sum_residual_db=np.array([np.nan, 1.2, 3.4])))
    assert _disagrees(found)[0].value == 3.4
    record = msgspec.structs.replace(plan.joining, at_ends=("delay",), ambiguous=False)
    assert {c.code for c in _cautions(record)} == {
        CautionCode.JOINING_AT_END,
        CautionCode.CHECK_WIRING,
    }
    if record.rival is not None:
        unsure = msgspec.structs.replace(record, ambiguous=True)
        assert _cautions(unsure)[0].code is CautionCode.JOINING_AMBIGUOUS
        assert _cautions(unsure)[0].value == record.rival.margin_db


def test_a_sum_without_phase_does_no_harm_and_a_branch_without_it_is_named(room):
    def without_phase(source):
        return replace(
            room.survey,
            measurements=tuple(
                replace(
                    m,
                    response=FrequencyResponse.from_level(
                        m.response.frequencies, m.response.level_db
                    ),
                )
                if m.source == source
                else m
                for m in room.survey.measurements
            ),
        )

    assert joining_obstacle(replace(room, survey=without_phase("both"))) is None
    assert "sub_0.txt has no phase" in joining_obstacle(replace(room, survey=without_phase("sub")))


def test_what_cannot_be_joined_leaves_the_bands_of_the_subwoofer_alone(room):
    """The mains were measured well above the crossover only."""
    high = tuple(
        replace(
            m,
            response=FrequencyResponse.from_pressure(
                m.response.frequencies[kept], m.response.pressure[kept]
            ),
        )
        if m.source != "sub"
        else m
        for m in room.survey.measurements
        for kept in [m.response.frequencies > 250.0]
    )
    plan = propose(replace(room, survey=replace(room.survey, measurements=high)), node_limit=1)
    assert plan.joining is None
    assert any("not joined: the measurements share" in text for text in plan.assumptions)


def test_what_breaks_a_limit_behind_another_high_pass_is_not_joined_but_said(small, alone):
    def fit(room, *, chosen=None):
        if chosen is not None:
            raise ValueError("gains are not all among those that may be set")
        return FIT(room)

    kept = fit_with_mains(small, alone, fit=fit)
    assert (kept.drive, kept.record, kept.level_change_db) == (alone, None, 0.0)
    assert "are not joined: gains are not all" in kept.assumptions[0]


def test_a_measured_sum_is_held_against_what_was_measured_not_against_another_high_pass(
    room, monkeypatch
):
    """A high-pass that is to be set is in no measurement yet: the sum that was measured agrees."""
    alone = fit_within_headroom(room, fit=FIT)
    high_pass = CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=40.0)
    behind = replace(room, survey=room.survey.filtered("sub", high_pass.response))
    told = fit_with_mains(room, replace(alone, room=behind, high_pass=None), fit=FIT)
    assert told.record is not None
    assert told.record.sum_residual_db < 0.1
    # held against the survey with the high-pass in it, the same sum would contradict the prediction
    monkeypatch.setattr(
        "roomeq.proposal_joining.fit_all_settings",
        lambda *args, measured, **more: fit_all_settings(*args, **more),
    )
    refused = fit_with_mains(room, replace(alone, room=behind, high_pass=None), fit=FIT)
    assert refused.record is None
