"""Page 2 of the settings sheet: evidence, shared texts, remedies."""

import re

import msgspec
import pytest
from joining_rooms import CORNER, delayed, linkwitz_riley, survey_of
from places import SAVED_PLANS
from sheet_rows import rows

from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.files import InputFile
from roomeq.device.processor import DelayRange
from roomeq.optimiser.bands.reasons import Reason
from roomeq.optimiser.joining.alignment import align
from roomeq.optimiser.joining.data import SumExplanation
from roomeq.optimiser.joining.survey import prepare_joining
from roomeq.plan.joining import JoiningRecord, JoiningSeatRow, SumBandsRecord
from roomeq.plan.plan import read_plan
from roomeq.plan.records import HeadroomRecord, HeadroomRow
from roomeq.report.sheet.evidence import (
    bands_by_remedy,
    cautions,
    granted,
    inputs,
    left_out,
    merged_notes,
    record,
    sentences,
    tables,
)
from roomeq.report.sheet.sheet import settings_sheet
from roomeq.report.sheet.steps import shared
from roomeq.report.text.plan import evidence_sentences, plan_text, proof_sentence
from roomeq.report.text.recordings import alarm_texts

replace = msgspec.structs.replace


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_1.json")


@pytest.fixture(scope="module")
def joining():
    """Return a joining whose bands were judged."""
    sub, mains = delayed(linkwitz_riley("low", 4), 0.004), linkwitz_riley("high", 4)
    data = prepare_joining(survey_of(sub, mains), corner=CORNER)
    coarse = DelayRange(lowest=-0.005, highest=0.005, step=0.001)
    row = JoiningSeatRow(seat="sofa", weight=1.0, before_db=7.25, after_db=3.5, level_gain_db=0.0)
    whole = SumBandsRecord(
        lowest=20.0,
        highest=160.0,
        deviation_before_db=8.75,
        deviation_db=2.5,
        labels=(),
        gains_db=(),
        chosen=True,
        no_change=None,
        seats=(row,),
    )
    record = JoiningRecord.of(align(data, delays=coarse), measured=data)
    return replace(record, bands=whole)


@pytest.mark.parametrize(
    ("reason", "would"),
    [
        (Reason.SEATS_DISAGREE, "second subwoofer"),
        (Reason.CANCELLATION, "Moving the subwoofer"),
        (Reason.HELD_BY_DRIVE_BOOST, "can do more"),
        (Reason.HELD_BY_FILTER_BOOST, "headroom"),
        (Reason.HELD_BY_RANGE, "damping"),
        (Reason.BELOW_LIMIT, "reaches lower"),
        (Reason.NOISE, "Measuring again"),
    ],
)
def test_what_filters_cannot_mend_has_a_remedy(plan, reason, would):
    bands = [replace(band, reason=None) for band in plan.bands]
    for n in (1, 4):
        bands[n] = replace(bands[n], reason=reason)
    found = bands_by_remedy(replace(plan, bands=tuple(bands)))
    assert len(found) == 1
    ((words, named),) = found.items()
    assert named == f"{bands[1].label} and {bands[4].label} Hz"
    assert would in words


def test_a_lower_limit_that_is_not_known_is_not_told_as_a_fact(plan):
    low = replace(plan.bands[0], reason=Reason.BELOW_LIMIT)
    assert plan.target.lower_limit is None
    (told,) = bands_by_remedy(replace(plan, bands=(low,)))
    unsure = "Whether the subwoofer can do more there is not known. Stating its lower limit"
    assert told.startswith(unsure)
    known = replace(plan, bands=(low,), target=replace(plan.target, lower_limit=25.0))
    (told,) = bands_by_remedy(known)
    assert told.startswith("It lies below what the subwoofer can do. ")


def test_a_band_that_was_not_fitted_has_no_figures(plan):
    unseen = replace(plan.bands[0], error_db=None, spread_db=None, remaining_db=None)
    text = settings_sheet({"a": replace(plan, bands=(unseen,))})
    (row,) = rows(text, f"{unseen.label}\N{NO-BREAK SPACE}Hz")
    assert row[:3] == ["–", "–", "–"]


def test_a_seat_that_gets_worse_is_marked(plan):
    after = (3.0, 4.04, 4.1, 9.0)
    seats = tuple(
        replace(seat, before_db=4.0, after_db=level)
        for seat, level in zip(plan.seats, after, strict=True)
    )
    text = settings_sheet({"a": replace(plan, seats=seats)})
    (found,) = zip(*(rows(text, seat.seat) for seat in seats), strict=True)
    assert [row[2] for row in found] == ["3.0", "4.0", "4.1 worse", "9.0 worse"]


def test_a_joined_plan_is_judged_by_the_sum_over_the_whole_bass(plan, joining):
    joined = replace(plan, joining=joining)
    lost = replace(joining, bands=None)
    page = settings_sheet({"a": joined})
    assert "with the mains: <b>8.8</b>" in page
    assert "<b>2.5</b> dB predicted" in page
    assert rows(page, "sofa") == [["100 %", "7.2", "3.5"]]
    assert not any(rows(page, seat.seat) for seat in plan.seats)
    assert "Settings in dB (subwoofer alone;" in plan_text(joined)  # as the page's own table
    assert "Settings in dB (at the proposed level;" in plan_text(plan)
    found = sentences(joined, joins=True)
    both, best, even, boost, other = found
    assert (both, boost) == ("Subwoofer and mains together", "Boost and drive")
    assert (best, even) == tuple(
        f"How {what}, subwoofer alone" for what in ("near the best", "even")
    )
    assert other == "Another Q, with the mains"
    assert found[both][0].startswith("Around 80 Hz the sum loses")
    assert "polarity" in found[both][1]  # the best of either
    told = evidence_sentences(joined)
    assert found[even][0].startswith("Standard deviation of the average: ")
    assert found[best] == [proof_sentence(joined)]
    assert found[boost] == [text for text in told if "assumed Q" not in text]
    figures = " and ".join(f"{check.after_db:.1f}" for check in plan.evidence.q_checks)
    assert found[other][-1].endswith(f"times the assumed Q: {figures} dB predicted.")  # of the sum
    heads = re.findall('<th scope="colgroup"[^>]*>(.*?)</th>', page)
    assert heads[:2] == ["a, subwoofer alone, dB", "a, with the mains, dB"]
    lost = replace(plan, joining=lost)  # no bands were judged: it is no deviation
    assert "What the sum loses around the crossover: <b>" in settings_sheet({"a": lost})


def test_texts_of_all_plans_are_said_once_and_others_named(plan):
    one = replace(plan, assumptions=("shared", "only one"), notes=("a.txt: read", "b.txt: read"))
    two = replace(plan, assumptions=("shared",), notes=("odd note",))
    plans = {"music": one, "film": two}
    assumptions = shared({name: found.assumptions for name, found in plans.items()})
    notes = shared({name: merged_notes(found) for name, found in plans.items()})
    assert assumptions == ["shared", "only one (music)"]
    assert notes == ["a.txt and b.txt: read (music)", "odd note (film)"]


def test_what_speaks_against_joining_stands_on_the_sheet_too(plan, joining):
    """Far too loud, and a sum that was measured otherwise: the terminal says it before all else."""
    explained = SumExplanation(difference=0.23, left=0.02, explained=True, inverted=True)
    loud = replace(joining.settings, level_change_db=-14.0)
    record = replace(joining, explanation=explained, settings=loud)
    weighty, plain = cautions({"a": replace(plan, format=2, cautions=(), joining=record)})
    assert plain == []
    assert "far too loud against the mains" in weighty[0]
    assert "as if the subwoofer had the other polarity" in weighty[1]


def test_a_dip_may_be_a_low_pass_that_is_not_stated(plan):
    dip = replace(plan.bands[4], reason=Reason.CANCELLATION)
    bare = replace(plan, bands=(dip,), target=replace(plan.target, path=(), corner=None))
    (told,) = bands_by_remedy(bare)
    assert "or a low-pass that is not stated" in told
    assert ". Stating the low-pass" in told
    known = replace(bare, target=replace(bare.target, corner=80.0))
    (told,) = bands_by_remedy(known)
    assert told.startswith("Sound cancels there; a boost is cancelled too. ")


def test_reservations_come_first(plan):
    codes = (CautionCode.WORKS_HARDER, CautionCode.NOT_PROVEN)
    wary = replace(plan, cautions=tuple(Caution(code=code, value=1.0) for code in codes))
    weighty, plain = cautions({"music": wary})
    # the plan is one of format 1, which says so before all else
    assert (len(weighty), len(plain)) == (2, 1)
    assert weighty[0].startswith("Made by an earlier statement of the problem (format 1)")
    assert "stopped early" in weighty[1]
    assert [len(texts) for texts in cautions({"music": replace(wary, format=2)})] == [1, 1]


def test_what_was_assumed_is_told_once_and_not_called_nothing(plan):
    """A caution that Q is assumed, and "nothing: all that was needed was stated", on one sheet."""
    codes = (CautionCode.Q_ASSUMED, CautionCode.LEVEL_OUTSIDE_RANGE, CautionCode.LOW_PASS_TWICE)
    found = tuple(Caution(code=code, value=1.0) for code in codes)
    level = replace(plan.level, residual_db=0.0)
    wary = replace(plan, format=2, cautions=found, assumptions=(), level=level)
    assert cautions({"music": wary}) == ([], [])  # the steps say what to set upstream and to bypass
    (text,) = granted(wary)
    assert "Q was not measured" in text
    assert granted(replace(wary, assumptions=("a roof",))) == [text, "a roof"]
    assert "all that was needed was stated" not in settings_sheet({"music": wary})


def test_a_level_between_the_steps_of_the_knob_is_named(plan):
    """The level knob's -1.5 dB and figures that hold for -1.63 dB, on one sheet."""
    level = replace(plan.level, exact_change_db=3.3, change_db=3.5, residual_db=-0.2)
    said = "what is predicted is so at a level change of +3.30 dB, between the steps"
    assert said in granted(replace(plan, level=level))
    exact = replace(level, exact_change_db=3.5, residual_db=0.0)
    assert not any("level change" in text for text in granted(replace(plan, level=exact)))


def test_headroom_is_shown_by_band_with_what_runs_out_first(plan):
    def band(label, left_db, **known):
        return HeadroomRow(
            label=label,
            wanted_db=90.0,
            reached_db=91.25,
            rise_db=3.0,
            voltage=12.0,
            power_w=38.4,
            displacement=0.0049,
            amplifier_db=left_db,
            displacement_db=None,
            distortion_db=None,
            output_db=None,
            assured_db=None,
            drive_limit_db=6.0,
        )

    unknown = replace(band("31.5", None), voltage=None, power_w=None, displacement=None)
    headroom = HeadroomRecord(
        main_seat="sofa",
        bands=(band("20", 7.0), band("25", 0.04), unknown),
        first="25",
        rated_voltage=40.0,
        room_gain_known=True,
        amplifier=None,
        load=None,
        output=None,
        drive_limit="flat",
    )
    loud = replace(plan, headroom=headroom)
    assert "Headroom" not in settings_sheet({"a": plan})
    page = settings_sheet({"a": loud})
    assert "Headroom at the wanted level, at sofa" in page
    assert rows(page, "20\N{NO-BREAK SPACE}Hz")[-1] == [
        *("91.2", "12.0", "38", "4.9", "+7.0", "amplifier voltage")
    ]
    assert rows(page, "25\N{NO-BREAK SPACE}Hz")[-1][-2:] == [
        "0.0",
        "amplifier voltage, first of all",
    ]
    assert rows(page, "31.5\N{NO-BREAK SPACE}Hz")[-1][1:] == ["–", "–", "–", "–", "not known"]
    quieter = settings_sheet({"a": replace(plan, headroom=replace(headroom, quieter_db=2.5))})
    assert "Headroom 2.5 dB below the wanted level" in quieter
    (*_, told) = tables({"a": loud, "b": plan})
    ((first,), none) = told.rows["At the wanted level"]
    assert first.endswith("amplifier voltage at 25 Hz, with nothing to spare.")
    assert none is None


def test_record_says_what_is_not_stated(plan):
    one = replace(plan, record={"by": "Ada", "humidity": "40 %"})
    two = replace(plan, record={"by": "Ben"})
    told = record({"a": one, "b": two})
    assert told[:2] == ["When: not stated", "By: Ada (a); Ben (b)"]
    assert "humidity: 40 % (a); not stated (b)" in told


def test_digests_are_kept_by_plan(plan):
    entry = InputFile(file="room.toml", role="room", sha256="ab" * 32)
    one = replace(plan, inputs=(entry,))
    two = replace(plan, inputs=(replace(entry, sha256="cd" * 32),))
    assert inputs({"a": one, "b": two}) == (
        ("room.toml", "room", "ab" * 32, "a"),
        ("room.toml", "room", "cd" * 32, "b"),
    )
    assert inputs({"a": one, "b": one}) == (("room.toml", "room", "ab" * 32, ""),)


def test_the_sheet_is_not_silent_about_what_the_terminal_found():
    """Recordings that are spoilt, and what looked wrong in the measurements."""
    plan = read_plan(SAVED_PLANS / "format_1_recordings.json")
    plan = replace(plan, findings=("two files are the same",))
    told = [*plan.findings, *alarm_texts(plan.recordings)]
    assert len(told) > 1
    text = " ".join(plan_text(plan).split())
    weighty, _ = cautions({"a": plan})
    for words in told:
        assert words in text
        assert f"Look at the measurements first: {words}" in weighty


def test_what_backs_a_joining_is_the_same_on_the_sheet_and_in_the_terminal(plan, joining):
    joined = replace(plan, joining=replace(joining, delay_stated=False))
    text = " ".join(plan_text(joined).split())
    both = sentences(joined, joins=True)["Subwoofer and mains together"]
    assert any("What delays can be set is not stated" in one for one in both)
    for one in both:
        assert one in text


def test_without_settings_chosen_by_others_there_is_no_column_for_them(plan):
    bare = replace(plan, seats=tuple(replace(s, left_out_after_db=None) for s in plan.seats))
    assert [*map(left_out, ([plan], [bare], [bare, plan]))] == [True, False, True]
    for names in (("a",), ("a", "b")):
        page = settings_sheet(dict.fromkeys(names, bare))
        assert "Without it" not in page
        assert "Without it" in settings_sheet(dict.fromkeys(names, plan))
        for row in rows(page, plan.seats[0].seat):
            assert all(row)
    for other in (bare, plan):
        page = settings_sheet({"a": bare, "b": other}).split('class="beside"')[-1]
        heads = re.search(r"<tr><th[^>]*>Deviation at each seat</th>.*?</thead>", page, re.DOTALL)[
            0
        ]
        spans = [int(n) for n in re.findall(r'colspan="(\d)"', heads)]
        assert sum(spans) == heads.split("</tr>")[1].count("<th")
    assert "Without it" not in plan_text(bare)
