"""A plan as text: what is printed is what is in it."""

import numpy as np
import pytest
from msgspec.structs import replace
from places import SAMPLES

from roomeq.base.cautions import CautionCode
from roomeq.device.crossover import HighPass
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.drive.protection import (
    ProtectionChange,
    ProtectionChoice,
    ProtectionReason,
)
from roomeq.plan.records import QCheck
from roomeq.report.text.layout import WIDTH
from roomeq.report.text.plan import evidence_sentences, plan_text, proof_sentence
from roomeq.report.text.wording import caution_text


@pytest.fixture(scope="module")
def plan():
    return propose(read_room(SAMPLES / "rented_hall"), node_limit=1)


def evidence_of(plan, *, detail=False, **changes):
    told = replace(plan, evidence=replace(plan.evidence, **changes))
    text = " ".join(evidence_sentences(told, detail=detail))
    return " ".join(text.split())


def line_of(text, start):
    return next(line for line in text.splitlines() if line.strip().startswith(start))


def words_of(text):
    return " ".join(text.split())


def test_quarter_steps_are_printed_in_full(plan):
    bands = (replace(plan.bands[0], present_db=-1.25, gain_db=0.75), *plan.bands[1:])
    fine = replace(plan, bands=bands, device=replace(plan.device, step_db=0.25))
    assert line_of(plan_text(fine), "20 Hz ").split()[2:5] == ["-1.25", "+0.75", "set"]


def test_settings_are_printed_as_they_are(plan):
    text = plan_text(plan)
    for band in plan.bands:
        line = line_of(text, f"{band.label} Hz ")
        now, wanted = line.split("Hz", 1)[1].split()[:2]
        assert float(now) == band.present_db
        assert float(wanted) == band.gain_db
        assert ("  set" in line) == (band.gain_db != band.present_db)
    assert f"{plan.level.change_db:+.1f} dB" in text
    assert "Safety: volume down first" in text
    assert all(len(line) <= WIDTH for line in text.splitlines())


def test_error_and_what_is_left_stand_in_their_columns(plan):
    first = replace(
        plan.bands[0], error_db=-1.2, remaining_db=3.4, spread_db=5.6, gain_db=0.0, reason=None
    )
    unknown = replace(first, error_db=None, remaining_db=None, spread_db=None)
    told = replace(plan, bands=(first, replace(unknown, label="25"), *plan.bands[2:]))
    # at the proposed level: less the mean of what the bands do
    curves = plan.curves
    mean_db = np.dot(curves.frequency_weights, curves.response_db)
    assert mean_db < -3.0
    text = plan_text(told, detail=True)
    assert line_of(text, "20 Hz").split()[-3:] == [f"{-1.2 - mean_db:+.1f}", "+3.4", "5.6"]
    assert line_of(text, "25 Hz").split() == ["25", "Hz", "0.0", "0.0"]
    assert line_of(plan_text(told), "20 Hz").split()[-1] == "+3.4"


def test_what_is_left_is_the_error_and_what_the_bands_do(plan):
    curves, before = plan.curves, 10.0**-0.05  # a third octave has its edges a sixth away
    axis, response_db = np.array(curves.frequencies), np.array(curves.response_db)
    seen = np.array(curves.frequency_weights) > 0
    for band in plan.bands:
        inside = seen & (axis >= band.centre * before) & (axis < band.centre / before)
        done_db = response_db[inside].mean()
        assert plan.error_db(band) + done_db == pytest.approx(band.remaining_db, abs=1e-6)


def test_verdict_is_before_and_after(plan):
    # a bound is rounded down: "nothing is below 3.48" would be untrue of 3.479
    said = {"deviation_before_db": 5.04, "deviation_db": 3.96, "lower_bound_db": 3.479}
    evidence = replace(plan.evidence, proven=True, **said)
    told = replace(plan, evidence=evidence)
    least = "no setting within the limits is better than 3.47 dB (proven)."
    assert f"over 4 seats: 5.0 dB now, 4.0 dB predicted; {least}" in words_of(plan_text(told))
    kept = plan_text(replace(told, no_change=NoChange.IMPROVEMENT_TOO_SMALL))
    assert "As good as this device can make it" in kept
    assert "predicted." not in kept.split("Settings")[0]


def test_level_knob(plan):
    level = replace(
        plan.level, exact_change_db=3.71, change_db=3.5, setting_db=-2.5, upstream_db=0.0
    )
    granted = words_of(plan_text(replace(plan, level=level), detail=True))
    # the hall's drive limit grants less than loudness asks for, and nothing says otherwise
    assert "quieter than now: the drive limit grants no more" in granted
    assert "(all that the drive limit grants; predicted at +3.71 dB)" in granted
    told = replace(plan, level=level, cautions=())
    assert "Level knob: +3.5 dB, to -2.5 dB (keeps loudness)" in plan_text(told)
    assert "upstream" not in plan_text(told).split("Deviation at")[0]
    wanted = replace(told, target=replace(plan.target, level_db=85.0))
    assert "(reaches the wanted level)" in plan_text(wanted)
    beyond = replace(told, level=replace(level, setting_db=None, upstream_db=1.2))
    assert "Level knob: +3.5 dB from now (not stated) (keeps" in plan_text(beyond)
    kept = replace(told, level=replace(level, change_db=0.0))
    assert "Level knob: stays at -2.5 dB (keeps" in plan_text(kept)
    assert "and +1.2 dB upstream" in plan_text(beyond)


def test_seats(plan):
    seat = replace(
        plan.seats[0], seat="sofa", weight=0.25, before_db=5.0, after_db=4.0, left_out_after_db=4.5
    )
    text = plan_text(replace(plan, seats=(seat, replace(seat, seat="bed", left_out_after_db=None))))
    assert line_of(text, "sofa").split() == ["sofa", "25", "%", "5.0", "4.0", "4.5"]
    assert line_of(text, "bed").split() == ["bed", "25", "%", "5.0", "4.0"]


def test_proof_is_stated_as_it_is(plan):
    said = {"lower_bound_db": 3.479, "nodes": 1, "best_deviation_db": 3.484, "deviation_db": 3.55}
    # a bound is rounded down: "nothing is below 3.48" would be untrue of 3.479
    proven = evidence_of(plan, proven=True, **said, detail=True)
    assert "better than 3.47 dB (proven by 1 node" in proven
    assert "judged at once); the best found has 3.48 dB" in proven
    unproven = replace(plan, evidence=replace(plan.evidence, proven=False, **said))
    assert "3.47 dB (proof not finished)." in words_of(plan_text(unproven))
    detail = " ".join(evidence_sentences(unproven, detail=True))
    assert "(proof not finished by 1 node, sets of settings judged at once)" in detail


def test_what_is_called_the_proposal_is_proposed(plan):
    best = tuple(replace(band, best_gain_db=band.gain_db) for band in plan.bands)
    assert "dB, and is proposed." in proof_sentence(replace(plan, bands=best))
    other = (replace(best[0], best_gain_db=best[0].gain_db - 1.0), *best[1:])
    sentences = proof_sentence(replace(plan, bands=other))
    assert f"the proposal {plan.deviation_after_db:.2f} dB" in sentences
    kept = replace(plan, bands=other, no_change=NoChange.IMPROVEMENT_TOO_SMALL)
    sentences = proof_sentence(kept)
    assert "what is set now" in sentences
    assert "proposal" not in sentences


def test_evidence_states_its_figures(plan):
    text = evidence_of(
        plan,
        detail=True,
        average_sd_before_db=4.1,
        average_sd_after_db=1.5,
        largest_excess_before_db=10.3,
        largest_excess_after_db=9.4,
        filter_boost_db=2.0,
        filter_boost_limit_db=3.0,
        drive_boost_db=5.9,
        drive_boost_limit_db=6.0,
        drive_boost_frequency=63.1,
        power_ratio=3.89,
        no_boost_below=28.0,
        q_checks=(QCheck(factor=0.7, before_db=5.9, after_db=4.2),),
    )
    assert "Standard deviation of the average: 4.1 dB now, 1.5 dB predicted" in text
    assert "largest excess at a seat: +10.3 and +9.4 dB" in text
    assert "Boost: bands +2.0 dB (limit 3; half a dB below 28 Hz" in text
    assert "bands and level +5.9 dB at 63 Hz (limit 6)" in text
    told = replace(plan, evidence=replace(plan.evidence, no_boost_below=28.0))
    assert "half a dB below 28 Hz" in " ".join(evidence_sentences(told, detail=True))
    assert "With 0.7 times the assumed Q: 4.2 dB predicted" in text


def test_what_is_predicted_at_another_level_than_the_knob_gives_is_said(plan):
    level = replace(plan.level, exact_change_db=3.5, change_db=3.5, residual_db=0.0)
    assert "predicted at" not in plan_text(replace(plan, level=level), detail=True)
    near = replace(level, exact_change_db=3.71, residual_db=0.21)
    text = plan_text(replace(plan, level=near), detail=True)
    assert "predicted at +3.71 dB" in words_of(text)


def test_a_q_that_changes_nothing_is_told_in_detail_alone(plan):
    same = QCheck(factor=1.4, before_db=5.0, after_db=plan.deviation_after_db)
    told = replace(plan, evidence=replace(plan.evidence, q_checks=(same,)))
    assert "assumed Q" not in " ".join(evidence_sentences(told))
    assert "With 1.4 times the assumed Q" in " ".join(evidence_sentences(told, detail=True))


def test_without_a_boost_no_frequency_is_named(plan):
    # drive then rises alike wherever nothing is cut: one frequency of many would mislead
    text = evidence_of(plan, filter_boost_db=0.0, drive_boost_db=3.7, drive_boost_frequency=12.3)
    assert "bands and level +3.7 dB (limit 6)" in text
    assert "12 Hz" not in text


def test_cautions_and_assumptions_are_all_printed(plan):
    told = replace(plan, assumptions=("the moon is full", "the door is shut"))
    text = words_of(plan_text(told))
    assert "- Taken for granted: the moon is full; the door is shut." in text
    assert plan.cautions
    for caution in plan.cautions:
        beside = caution.code is CautionCode.Q_ASSUMED  # what another Q would do names it
        assert (words_of(caution_text(caution)) in text) is not beside
    q_alone = replace(told, evidence=replace(plan.evidence, q_checks=()))
    assert "The bands' Q was not measured" in words_of(plan_text(q_alone))
    bare = plan_text(replace(plan, assumptions=(), cautions=()))
    assert "Taken for granted" not in bare
    assert "Cautions" not in bare


def test_bars_are_drawn_only_where_wanted(plan):
    drawn = plan_text(plan, bars=True)
    assert "Gain " in drawn
    assert "Gain " not in plan_text(plan)
    for band in plan.bands:
        assert line_of(drawn, f"{band.label} Hz ") != line_of(plan_text(plan), f"{band.label} Hz ")


def test_settings_come_first_cautions_next_and_the_settings_again_last(plan):
    told = replace(plan, findings=("the door was open",))
    text = plan_text(told)
    order = [
        "Settings in dB",
        "the door was open",
        "Cautions",
        "Standard deviation",
        "To set, in dB",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)
    last = words_of(text[places[-1] :])
    for band in plan.bands:
        moved = band.gain_db != band.present_db
        assert (f"{band.label} Hz {band.gain_db:+.1f}" in last) == moved
    assert f"Level knob {plan.level.setting_db:+.1f}" in last


def test_what_is_for_the_curious_is_told_in_detail_alone(plan):
    short, long = plan_text(plan), plan_text(plan, detail=True)
    for words in ("What it was chosen from", "Extra drive", "Power", "S.d.", "node"):
        assert words in long
        assert words not in short
    assert len(short.splitlines()) < len(long.splitlines()) - 15


def test_a_level_is_printed_with_the_decimals_of_its_step(plan):
    level = replace(plan.level, change_db=-1.25, setting_db=-3.75, upstream_db=0.0)
    text = words_of(plan_text(replace(plan, level=level)))
    assert text.count("evel knob: -1.25 dB, to -3.75 dB") == 1
    assert "Level knob -3.75." in text  # once more as the last lines


def test_the_last_lines_hold_all_that_is_to_be_set(plan):
    level = replace(plan.level, change_db=0.0, upstream_db=2.04)
    choice = ProtectionChoice(
        high_pass=HighPass(family="butterworth", order=2, corner=20.0),
        present=None,
        change=ProtectionChange.STRENGTHENED,
        reason=ProtectionReason.RELIEF_NEEDED,
    )
    text = words_of(plan_text(replace(plan, level=level, protection=choice)))
    last = text[text.index("To set, in dB") :]
    assert "Protective high-pass Butterworth 12 dB/oct at 20 Hz, Level upstream +2.0 from" in last
    little = replace(plan, level=replace(level, upstream_db=0.04))
    assert "upstream" not in words_of(plan_text(little))
