"""Joining in a proposal: the steps in order, what is predicted, kept in the plan, and refused."""

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest
import scipy.signal
from formulas import peaking_coefficients
from joining_rooms import JOINED_TOML, butterworth, delayed, linkwitz_riley, write_joined_room
from places import SAVED_PLANS

from roomeq.analysis.smoothing import smooth_power_db
from roomeq.base.cautions import CautionCode
from roomeq.base.errors import PlanFileError
from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.crossover_sum import Meeting, MeetingFault
from roomeq.device.processor import DelayRange
from roomeq.importers.room import read_room
from roomeq.jobs.drive.bands import BandSearch, fit_room
from roomeq.jobs.joining.solution import solve_joining
from roomeq.jobs.joining.steps import with_bypass
from roomeq.jobs.propose import propose
from roomeq.jobs.propose_joined import (
    _cautions,
    joining_obstacle,
    path_cautions,
    proposal_with_mains,
)
from roomeq.jobs.verify import verify
from roomeq.jobs.verifying.parts import observed_parts
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.bands.reasons import Reason
from roomeq.plan.plan import read_plan, write_plan
from roomeq.plan.records import QCheck
from roomeq.report.sheet.evidence import cautions, sentences
from roomeq.report.sheet.steps import leave_alone, measure_step, opening_steps
from roomeq.report.text.plan import plan_text
from roomeq.report.text.wording import caution_text, no_change_text

pytestmark = pytest.mark.usefixtures("joining_once")

SEARCH = BandSearch(node_limit=1, prove=False, leave_out=False, best=True)


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
    # Linkwitz-Riley of fourth order: 1 / (1 + (f / fc)**4), 24.6 dB down an octave above the corner
    corner = float(joining.bypass[0].split(" Hz")[0].split()[-1])
    expected = 20.0 * np.log10(1.0 + (np.array(joining.frequencies) / corner) ** 4)
    np.testing.assert_allclose(joining.raised_db, expected, atol=1e-6)
    assert joining.settings.inverted
    assert -3.0 <= joining.settings.delay_ms < -1.0
    codes = {caution.code for caution in plan.cautions}
    assert CautionCode.LOW_PASS_TWICE in codes
    told = joining.polarity.inverted
    assert (CautionCode.CHECK_WIRING in codes) is bool(told)
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


def test_loss_and_deviation_fall_and_are_printed(plan):
    joining = plan.joining
    assert joining.loss_db < joining.loss_before_db
    assert joining.bands.deviation_db < joining.bands.deviation_before_db
    text = flat(plan_text(plan))
    assert f"the sum loses {joining.loss_before_db:.1f} dB of what both could give" in text
    assert f"{joining.bands.deviation_db:.1f} dB then." in text


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
    assert "Leave as is: protective high-pass." in text
    assert "Polarity: inverted (now normal)" in text
    steps = {name: cells[0] for name, cells in opening_steps([plan]).items()}
    assert steps["Low-pass and its bypass"].action == "set"
    assert steps["Low-pass and its bypass"].value == "Bypass"
    assert "amplifier: one too many; keep Linkwitz" in steps["Low-pass and its bypass"].detail
    assert steps["Delay"].action == "set"
    assert steps["Delay"].value.startswith("Delay the mains by ")
    assert "never both" in steps["Delay"].detail
    assert (steps["Polarity"].action, steps["Polarity"].value) == ("set", "Inverted")
    assert steps["Phase control"].action == "keep"
    assert steps["Protective high-pass"].action == "leave"  # it is not stated
    assert "filters beyond the steps" in leave_alone({"plan": plan})[0]  # step 1 bypasses one
    again = measure_step([plan])["Measure again"][0]
    assert again.detail.startswith("subwoofer alone, then with mains; ")
    assert "crossed wires: mend, leave it normal" in steps["Polarity"].detail


def test_the_sheet_says_where_both_do_not_meet(plan):
    faults = tuple(MeetingFault)
    meeting = Meeting(frequency=97.0, sum_db=-8.2, faults=faults)
    holed = msgspec.structs.replace(plan.joining, meeting=meeting)
    texts, _ = cautions({"plan": msgspec.structs.replace(plan, joining=holed)})
    assert any("a gap that no delay fills" in text for text in texts)
    assert any("the mains run full range" in text for text in texts)
    assert not any("full range" in text for texts in cautions({"plan": plan}) for text in texts)


def test_drive_as_set_agrees_with_the_table_of_extra_drive(plan):
    text = flat(plan_text(plan))
    rise_db = float(re.search(r"bands and level ([+-]?[\d.]+) dB", text)[1])
    within = max(extra.extra_db for extra in plan.extra_drive)
    assert within - 0.1 <= rise_db <= within + 0.5  # the table ends at the edges of the bands


def test_opens_again_with_the_joining(plan, tmp_path):
    write_plan(plan, tmp_path / "plan.json")
    assert read_plan(tmp_path / "plan.json") == plan


def test_plans_without_joining_still_open():
    saved = SAVED_PLANS / "format_1.json"
    assert read_plan(saved).joining is None


def turned_round(room, plan):
    """Return the room with delay and polarity of a plan in force, measured again without both."""
    settings = plan.joining.settings.settings()
    sign = -1.0 if settings.inverted else 1.0
    survey = room.survey.filtered(
        "sub", lambda axis: sign * np.exp(-2j * np.pi * axis * settings.delay)
    )
    measurements = tuple(m for m in survey.measurements if m.source != "both")
    return replace(
        room,
        survey=replace(survey, measurements=measurements),
        present=replace(room.present, polarity=settings.polarity),
        joining=replace(room.joining, present_delay=settings.delay),
    )


def test_a_joining_by_earlier_rules_is_refused_with_what_to_do(tmp_path):
    saved = SAVED_PLANS / "format_1.json"
    old = json.loads(saved.read_text("utf-8")) | {"joining": {"corner": 80.0, "flip_told": True}}
    (tmp_path / "old.json").write_text(json.dumps(old), encoding="utf-8")
    with pytest.raises(PlanFileError, match=r"rules of an earlier release.*make the plan again"):
        read_plan(tmp_path / "old.json")


def test_what_was_set_is_kept(room, plan):
    """With delay and polarity in force while measuring, only the bypass is left to be made."""
    again = propose(turned_round(room, plan), node_limit=1)
    assert again.joining.alignment.kept
    before, now = plan.joining.settings, again.joining.settings
    assert now.inverted == before.inverted
    assert now.delay_ms == pytest.approx(before.delay_ms, abs=2.5)  # realigned once at most
    assert again.joining.alignment.chosen.settings == again.joining.present


def test_nothing_is_changed_where_everything_adds_up(tmp_path):
    """One low-pass with its match, in time: the sum is flat down to the box."""
    start = JOINED_TOML.index("[[path]]", JOINED_TOML.index("[[path]]") + 1)
    end = JOINED_TOML.index("[[mains_path]]")
    toml = (JOINED_TOML[:start] + JOINED_TOML[end:]).replace("lower_limit = 25", "lower_limit = 19")
    folder = write_joined_room(tmp_path, toml=toml, late=0.0)  # the box is 6 dB down at 19 Hz
    room = read_room(folder)
    axis = room.survey.measurements[0].response.frequencies
    box = butterworth("high", 2, corner=25.0, frequencies=axis)
    parts = {
        "sub": box * linkwitz_riley("low", 4, corner=80.0, frequencies=axis),
        "mains": linkwitz_riley("high", 4, corner=80.0, frequencies=axis),
    }
    measurements = tuple(
        replace(m, response=FrequencyResponse.from_pressure(axis, parts[m.source]))
        for m in room.survey.measurements
        if m.source in parts
    )
    plan = propose(replace(room, survey=replace(room.survey, measurements=measurements)))
    assert plan.joining.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    assert plan.joining.settings == plan.joining.present
    assert plan.joining.loss_db == plan.joining.loss_before_db < 0.3
    assert path_cautions(room) == ()  # one low-pass and its match
    assert plan.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    assert not plan.joins
    assert not plan.changes
    assert plan.level.change_db == 0.0
    text = flat(plan_text(plan))
    assert "too little to be worth a change" in text
    assert "Keep delay and polarity as they are" in text


def test_a_sum_that_contradicts_the_prediction_is_not_joined(room):
    """The sum as measured was that of another delay: the time reference was not common."""
    loud = room.survey.filtered("sub", lambda f: 1.0 + 3.0 * np.exp(-(((f - 40.0) / 8.0) ** 2)))
    room, wrong = replace(room, survey=loud), []
    for m in room.survey.measurements:
        response = m.response
        if m.source == "both":
            others = {o.source: o.response for o in room.survey.at_seat(m.seat)}
            sub = delayed(others["sub"].pressure, 0.006, frequencies=response.frequencies)
            response = response.filtered((others["mains"].pressure + sub) / response.pressure)
        wrong.append(replace(m, response=response))
    wrong = replace(room, survey=replace(room.survey, measurements=tuple(wrong)))
    plan = propose(wrong, node_limit=1, best=True)
    assert plan.joining is None
    assert CautionCode.SUM_DISAGREES in {caution.code for caution in plan.cautions}
    assert "They are not joined" in flat(plan_text(plan))
    assert plan.level.change_db == 0.0
    assert any(band.gain_db != band.present_db for band in plan.bands)
    assert "(stays, for the sum with the mains is in doubt" in flat(plan_text(plan))


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
    plan = propose(other, node_limit=1, best=True)
    assert plan.joining is None
    assert any(said in text for text in plan.assumptions)
    codes = {caution.code for caution in plan.cautions}
    assert CautionCode.LOW_PASS_TWICE_LEFT in codes  # the settings hold with it engaged
    assert CautionCode.LOW_PASS_TWICE not in codes
    text = flat(plan_text(plan))
    assert "Leave as is: low-pass" in text
    assert "holds with it engaged: bypass it and measure again first, or leave it on" in text


def test_mains_of_which_nothing_is_stated_are_taken_to_match(small):
    """They do match here: the level must be the one that the statement gives, not one lower."""
    silent = replace(small, joining=replace(small.joining, mains_path=None))
    stated, assumed = (solve_joining(one) for one in (small, silent))
    assert assumed.bands.mains_filters == stated.bands.mains_filters
    assert assumed.settings.level_change_db == stated.settings.level_change_db
    none = replace(small, joining=replace(small.joining, mains_path=()))
    assert solve_joining(none).bands.mains_filters == ()


def test_a_path_without_what_was_to_be_bypassed_is_as_planned(room, plan):
    def told(path):
        found = verify(plan, replace(room, path=path))
        return {row.label: row.stated for row in found.stated_joining if row.label == "path"}

    (gone,) = plan.joining.bypass
    left = tuple(one for one in room.path if str(one) != gone)
    assert len(left) == len(room.path) - 1
    assert told(left) == {}
    assert told(()) == {}  # nothing is stated then
    other = tuple(replace(one, corner=1.5 * one.corner) for one in left)
    assert told(other) == {"path": " and ".join(map(str, other))}


def test_what_a_bypass_raises_reaches_verification(room, plan):
    own, *_ = observed_parts(plan, room.survey)
    assert own.raised_db.max() > 10.0
    plain = replace(own, raised_db=None)
    assert (own.doubt_db - plain.doubt_db).max() > 5.0


def test_other_q_is_tried_on_the_sum(plan):
    factors = [check.factor for check in plan.evidence.q_checks]
    assert factors == ([0.7, 1.4] if plan.joining.bands.no_change is None else [])


def test_other_q_is_told_of_the_sum_by_text_and_sheet(plan):
    check = QCheck(factor=0.7, before_db=5.7, after_db=2.9)
    evidence = msgspec.structs.replace(plan.evidence, q_checks=(check,))
    plan = msgspec.structs.replace(plan, evidence=evidence)
    text = flat(plan_text(plan))
    said = "With 0.7 times the assumed Q: 2.9 dB predicted."
    assert text.count(said) == 1
    assert text.index(said) < text.index("The subwoofer alone: deviation")
    told = sentences(plan, joins=True)
    assert told["Another Q, with the mains"] == [said]
    assert sum("Q" in one for texts in told.values() for one in texts) == 1


def test_each_seat_is_judged_with_settings_chosen_without_it(tmp_path):
    """Seats that differ by rounding alone stand for each other: left out or not is the same."""
    three = read_room(write_joined_room(tmp_path, seats=3))
    alike = tuple(
        replace(m, seat=seat)
        for seat in three.survey.seats
        for m in three.survey.at_seat(three.survey.seats[0])
    )
    louder = tuple(
        replace(m, response=m.response.filtered(np.full(m.response.frequencies.size, 2.0)))
        if m.source == "sub"
        else m
        for m in alike
        if m.source != "both"
    )  # 6 dB too loud: bands and level are worth a change
    limits = replace(three.limits, locked=(20, 25, 100, 125))
    survey = replace(three.survey, measurements=louder)
    plan = propose(replace(three, survey=survey, limits=limits), node_limit=1)
    rows = plan.joining.bands.seats
    assert plan.joining.bands.no_change is None
    assert [row.left_out_after_db for row in rows] == pytest.approx(
        [row.after_db for row in rows], abs=0.3
    )


@pytest.fixture(scope="module")
def small(room):
    """One seat, nothing asked of the path, five bands to search."""
    measurements = tuple(m for m in room.survey.at_seat("seat 1") if m.source != "both")
    survey = replace(room.survey, measurements=measurements)
    coarse = DelayRange(lowest=-0.004, highest=0.0, step=0.001)
    joining = replace(room.joining, path_response=None, delays=coarse)
    limits = replace(room.limits, locked=(20, 25, 100, 125))
    return replace(room, survey=survey, joining=joining, limits=limits)


@pytest.fixture(scope="module")
def joint(small):
    return proposal_with_mains(small, SEARCH)


def sub_of(room):
    return next(m.response for m in room.survey.measurements if m.source == "sub")


def test_what_is_told_of_the_subwoofer_alone_follows_bypass_and_level(small, joint):
    axis = sub_of(small).frequencies
    undone = sub_of(small).pressure / linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
    np.testing.assert_allclose(sub_of(joint.room).pressure, undone, rtol=1e-6)
    assert [one.where for one in joint.room.path] == ["processor"]
    assert [one.where for one in joint.room.target.path] == ["processor"]
    assert "the bypass is reckoned into" in joint.assumptions[0]
    # keeping loudness and the wanted change of it add up to what the knob does
    level_db = joint.joining.settings.level_change_db
    assert joint.fit.level_change_db == pytest.approx(level_db, abs=1e-9)
    # the loss is judged in the octave around 80 Hz, the deviation over the whole bass
    assert (joint.joining.lowest, joint.joining.highest) == pytest.approx((56.57, 113.14), abs=0.01)
    assert joint.joining.bands.lowest < 30.0


def test_the_lowest_corner_left_is_the_crossover(small):
    path = tuple(replace(small.path[0], corner=corner) for corner in (120.0, 70.0, 90.0))
    changed = replace(small, path=path, target=replace(small.target, path=path))
    assert with_bypass(changed, path[1:2]).corner == 90.0


def test_bands_and_level_stay_within_the_repeatability(small, joint):
    """Delay, polarity and bypass are judged by what is lost; the bands by what they better."""
    unsure = replace(small, repeatability_db=99.0)
    record = proposal_with_mains(unsure, SEARCH).joining
    assert record.bands.no_change in (NoChange.WITHIN_REPEATABILITY, NoChange.IMPROVEMENT_TOO_SMALL)
    assert record.bands.gains_db == tuple(small.present.gains_db)
    assert record.settings.level_change_db == 0.0
    assert record.alignment.chosen == joint.joining.alignment.chosen
    assert record.settings == record.alignment.chosen.settings
    assert record.bypass == joint.joining.bypass


@pytest.mark.parametrize(
    ("why", "said"),
    [
        (NoChange.WITHIN_REPEATABILITY, "within the repeatability of the measurement"),
        (NoChange.IMPROVEMENT_TOO_SMALL, "too little to be worth a change"),
    ],
)
def test_says_why_nothing_is_worth_a_change(plan, why, said):
    text = no_change_text(msgspec.structs.replace(plan, no_change=why))
    assert "as good as delay, polarity and bands can make it" in text
    assert said in text


def test_bands_are_kept_on_request(small):
    kept = proposal_with_mains(small, SEARCH, keep_bands=True)
    assert not kept.joining.bands.chosen
    assert kept.joining.settings == kept.joining.alignment.chosen.settings
    np.testing.assert_array_equal(kept.fit.gains_db, small.present.gains_db)
    assert kept.joining.settings.level_change_db == 0.0
    assert kept.q_checks == ()


def test_bands_that_a_proposal_would_not_set_are_kept_on_request(small):
    """At rest above the crossover, and boosts beyond the limit: both stay where they stand."""
    gains = np.array([0, 0, 0, 0, 6.0, 0, 0, -3.0, 2.0])
    loud = replace(small, present=replace(small.present, gains_db=gains))
    plan = propose(loud, node_limit=1, keep_bands=True)
    assert plan.joining is not None
    assert [band.gain_db for band in plan.bands] == gains.tolist()
    assert [band.gain_db for band in plan.bands] == [band.present_db for band in plan.bands]
    assert plan.joining.bands.gains_db == tuple(gains.tolist())
    text = flat(plan_text(plan))
    assert "left as it is, only joined" in text
    rows = [line for line in plan_text(plan).splitlines() if " Hz  " in line and "+2.0" in line]
    assert [row.split("  ")[-1] for row in rows[:1]] == ["left as it is, only joined"]


def test_what_is_in_force_reaches_the_steps(small):
    gains = np.array([0, 0, 0, -3.0, 0, 0, 2.0, 0, 0])
    room = replace(
        small,
        present=replace(small.present, gains_db=gains, polarity="inverted"),
        joining=replace(small.joining, present_delay=-0.001),
        limits=replace(small.limits, filter_boost_db=0.0),
    )
    found = solve_joining(room)
    assert found.measured.present.inverted
    assert found.measured.present.delay == -0.001
    fine = np.geomspace(20.0, 200.0, 500)
    assert room.equaliser.response_db(found.gains_db, fine).max() <= 0.05
    # delay and polarity are chosen with the present bands in
    np.testing.assert_allclose(found.alignment.data.mains, found.measured.mains)
    undone = found.alignment.data.sub / found.measured.sub
    low = linkwitz_riley("low", 4, corner=80.0, frequencies=found.data.points)
    np.testing.assert_allclose(undone, np.tile(1.0 / low, (len(undone), 1)), rtol=1e-6)
    # afterwards the proposed bands stand in their place
    ratio = found.final.sub / found.data.sub
    expected = np.ones(found.data.points.size, dtype=complex)
    for band, now, then in zip(room.equaliser.bands, gains, found.gains_db, strict=True):
        for gain, power in ((then, 1), (now, -1)):
            b, a = peaking_coefficients(
                centre=band.centre, q=4.318, gain_db=gain, sample_rate=48000
            )
            expected *= scipy.signal.freqz(b, a, worN=found.data.points, fs=48000)[1] ** power
    np.testing.assert_allclose(ratio, np.tile(expected, (len(ratio), 1)), rtol=1e-6)


def test_delays_are_those_of_the_processor(small):
    coarse = replace(small, joining=replace(small.joining, delays=DelayRange(
        lowest=-0.003, highest=0.001, step=0.001)))  # fmt: skip
    found = solve_joining(coarse)
    for settings in (found.settings, found.alignment.chosen.settings):
        assert round(1e3 * settings.delay, 9) in (-3.0, -2.0, -1.0, 0.0, 1.0)


def without_phase(m):
    axis, level = m.response.frequencies, m.response.level_db
    return replace(m, response=FrequencyResponse.from_level(axis, level))


def test_further_obstacles_are_named(small):
    measurements = small.survey.measurements
    apart = [replace(m, seat=f"at {m.source}") for m in measurements]
    flat_only = [without_phase(m) if m.source == "mains" else m for m in measurements]
    for changed, said in ((apart, "no seat has measurements of both"), (flat_only, "level only")):
        survey = replace(small.survey, measurements=tuple(changed), seat_weights=None)
        (told,) = proposal_with_mains(replace(small, survey=survey), SEARCH).assumptions
        assert told.startswith("subwoofer and mains are not joined: ")
        assert said in told
    tabled = SimpleNamespace(shapes=())
    device = replace(small.device, equaliser=tabled)
    assert "bands is not known" in joining_obstacle(replace(small, device=device))


def test_mains_are_no_matter_where_the_bands_are_fitted_to_the_sum(small):
    parts = {m.source: m for m in small.survey.measurements}
    both = replace(
        parts["mains"],
        source="both",
        response=FrequencyResponse.from_pressure(
            parts["sub"].response.frequencies,
            parts["sub"].response.pressure + parts["mains"].response.pressure,
        ),
    )
    survey = replace(small.survey, measurements=(*small.survey.measurements, both))
    whole = replace(
        small,
        source="both",
        survey=survey,
        joining=replace(small.joining, common_time_reference=None),
    )
    assert joining_obstacle(whole) is None
    untouched = proposal_with_mains(whole, SEARCH)
    assert (untouched.joining, untouched.assumptions) == (None, ())


def test_cautions_name_only_what_is_in_doubt(plan):
    joining = plan.joining

    def codes(*, told, tied, at_end=False):
        alignment = msgspec.structs.replace(joining.alignment, either_polarity=tied, at_end=at_end)
        polarity = msgspec.structs.replace(joining.polarity, inverted=told)
        record = msgspec.structs.replace(joining, alignment=alignment, polarity=polarity)
        return {caution.code for caution in _cautions(record)}

    assert codes(told=None, tied=False) == set()
    assert codes(told=None, tied=True) == {CautionCode.JOINING_AMBIGUOUS}
    assert codes(told=False, tied=True) == set()
    assert codes(told=True, tied=True) == {CautionCode.CHECK_WIRING}
    assert codes(told=None, tied=False, at_end=True) == {CautionCode.JOINING_AT_END}


def test_no_caution_tells_to_rewire(plan):
    for value in (True, None):
        polarity = msgspec.structs.replace(plan.joining.polarity, inverted=value)
        record = msgspec.structs.replace(plan.joining, polarity=polarity)
        for caution in _cautions(record):
            assert "Rewire nothing" in caution_text(caution) or value is None


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
    found = proposal_with_mains(replace(room, survey=without_phase("sub")), SEARCH)
    assert any("sub_0.txt: the response of the sub has level" in one for one in found.assumptions)


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
    plan = propose(
        replace(room, survey=replace(room.survey, measurements=high)), node_limit=1, best=True
    )
    assert plan.joining is None
    assert any("not joined: the measurements share" in text for text in plan.assumptions)


def test_what_breaks_a_limit_behind_another_high_pass_is_not_joined_but_said(small, monkeypatch):
    def fit(room, search):
        if search.chosen is not None:
            raise ValueError("gains are not all among those that may be set")
        return fit_room(room, search)

    monkeypatch.setattr("roomeq.jobs.drive.headroom.fit_room", fit)
    kept = proposal_with_mains(small, SEARCH)
    assert kept.joining is None
    assert "are not joined: gains are not all" in kept.assumptions[0]


def test_a_measured_sum_is_held_against_what_was_measured_not_against_another_high_pass(
    room, monkeypatch
):
    """A high-pass that is to be set is in no measurement yet: the sum that was measured agrees."""
    high_pass = CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=40.0)

    def behind(left, gains_db):
        return replace(left, survey=left.survey.filtered("sub", high_pass.response)), high_pass

    monkeypatch.setattr("roomeq.jobs.joining.solution.room_behind_protection", behind)
    found = solve_joining(room)
    assert np.nanmax(found.measured.sum_residual_db) < 0.1
    # another high-pass is reckoned into the subwoofer of the sum, and of the bands
    points = found.data.points
    low = linkwitz_riley("low", 4, corner=80.0, frequencies=points)
    expected = butterworth("high", 2, corner=40.0, frequencies=points) / low
    np.testing.assert_allclose(
        found.data.sub / found.measured.sub, np.tile(expected, (len(found.data.sub), 1)), rtol=1e-6
    )
    assert found.high_pass == high_pass


def test_everything_is_chosen_once_more_behind_a_high_pass_that_the_gains_ask_for(
    small, monkeypatch
):
    high_pass = CrossoverFilter(kind="high_pass", family="butterworth", order=2, corner=20.0)
    asked = []

    def behind(left, gains_db):
        asked.append(np.array(gains_db))
        if len(asked) == 1:
            return left, None
        return replace(left, survey=left.survey.filtered("sub", high_pass.response)), high_pass

    monkeypatch.setattr("roomeq.jobs.joining.solution.room_behind_protection", behind)
    found = solve_joining(small)
    assert found.high_pass == high_pass
    assert len(asked) == 3
    np.testing.assert_array_equal(asked[0], 0.0)
    np.testing.assert_array_equal(asked[-1], found.gains_db)
