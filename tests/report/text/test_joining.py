"""Words of joining: what is lost, who is delayed, which polarity, every code has its words."""

import msgspec
import pytest
from joining_rooms import (
    CORNER,
    FREQUENCIES,
    KEPT,
    bands_record,
    delayed,
    four_levels,
    linkwitz_riley,
    survey_of,
)

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.crossover_sum import Meeting, MeetingFault
from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.optimiser.joining.alignment import align
from roomeq.optimiser.joining.corner_choice import (
    CornerChoice,
    CrossoverPair,
    PairDoubt,
    RankedPair,
)
from roomeq.optimiser.joining.data import JoiningNote, SumExplanation
from roomeq.optimiser.joining.levels import fit_joining_levels
from roomeq.optimiser.joining.polarity import PolarityTest
from roomeq.optimiser.joining.survey import prepare_joining
from roomeq.plan.alignment import PolarityRecord
from roomeq.plan.joining import JoiningRecord, LevelJoiningRecord, SumBandsRecord
from roomeq.report.text.join import PAIR_DOUBTS, corner_lines, level_joining_lines
from roomeq.report.text.joining import (
    bands_lines,
    delay_instruction,
    delay_text,
    explanation_text,
    joining_doubts,
    joining_note_text,
    joining_parts,
    loss_text,
    setting_entries,
)
from roomeq.report.text.layout import page, text_of

LOW, HIGH = linkwitz_riley("low", 4), linkwitz_riley("high", 4)
replace = msgspec.structs.replace


def record_of(sub, mains, *, present=None, told=None, **options):
    data = prepare_joining(survey_of(sub, mains), corner=CORNER, present=present)
    return JoiningRecord.of(align(data, told_inverted=told, **options), measured=data)


def told_of(record):
    return flat(text_of(*joining_parts(record)))


def flat(part):
    return " ".join(text_of(part).split())


def polarity(inverted):
    test = PolarityTest(
        phase_inverted=bool(inverted),
        onset_inverted=bool(inverted),
        phase_ratio=1.31 if inverted is not None else 1.0,
        onset_ratio=1.42,
        arrival=0.0021,
    )
    return PolarityRecord.of(test, boxes=False)


@pytest.fixture(scope="module")
def late_record():
    return record_of(delayed(LOW, 0.004), HIGH, delays=DelayRange(step=0.0005))


@pytest.mark.parametrize(
    ("delay", "text"),  # 343.2 m/s; 0.3048 m to the foot
    [
        (0.010, "10.00 ms later (3.43 m, 11.3 ft)"),
        (-0.0025, "2.50 ms earlier (0.86 m, 2.8 ft)"),
        (0.0, "0 ms"),
    ],
)
def test_delay_is_in_three_units_with_its_word(delay, text):
    assert delay_text(JoiningSettings(delay=delay)) == text


@pytest.mark.parametrize(
    ("now", "then", "said"),  # 2.6 ms are 0.89 m at 343.2 m/s
    [
        (0.0, -0.0026, "EITHER delay the mains by 2.60 ms (was 0) OR, where distances are entered, "
         "subwoofer 0.89 m (2.9 ft) farther; never both"),
        (-0.001, -0.0026, "EITHER delay the mains by 2.60 ms (was 1.00) OR, where distances are "
         "entered, subwoofer 0.55 m (1.8 ft) farther; never both"),
        (0.0, 0.0026, "EITHER delay the subwoofer by 2.60 ms (was 0) OR, where distances are "
         "entered, subwoofer 0.89 m (2.9 ft) nearer; never both"),
        (0.001, -0.001, "EITHER delay the mains by 1.00 ms (was 0) and the subwoofer by 0 "
         "(was 1.00) OR, where distances are entered, subwoofer 0.69 m (2.3 ft) farther; "
         "never both"),
        (0.0, -0.0020625, "EITHER delay the mains by 2.062 ms (was 0)"),
        (-0.002, -0.002, "leave the delay as it is (subwoofer 2.00 ms earlier (0.69 m, 2.3 ft))"),
    ],
)  # fmt: skip
def test_one_number_for_one_box(now, then, said):
    text = delay_instruction(JoiningSettings(delay=then), present=JoiningSettings(delay=now))
    assert text.startswith(said)


@pytest.mark.parametrize(("now", "then"), [(0.0, -0.0026), (0.0, 0.0031), (0.001, -0.002)])
def test_advice_followed_on_a_simulated_processor_is_the_setting(now, then):
    """Delays of both boxes, or distances of both: a processor delays what is nearer."""
    text = delay_instruction(JoiningSettings(delay=then), present=JoiningSettings(delay=now))
    words = text.replace("(", "").replace(")", "").split()
    boxes = {"mains": max(-now, 0.0), "subwoofer": max(now, 0.0)}
    boxes[words[3]] = float(words[5]) / 1e3
    if "and the " in text:
        boxes[text.split("and the ")[1].split()[0]] = 0.0
    assert boxes["subwoofer"] - boxes["mains"] == pytest.approx(then, abs=6e-6)
    distance = float(text.split("subwoofer ")[-1].split()[0])
    farther = distance if "farther" in text else -distance
    # the processor delays the subwoofer by what it is nearer than the mains
    assert now - farther / 343.2 == pytest.approx(then, abs=2e-5)


def test_a_subwoofer_that_is_far_too_loud_is_said_first(late_record):
    bands = SumBandsRecord(
        lowest=20.0,
        highest=160.0,
        deviation_before_db=18.0,
        deviation_db=3.0,
        labels=("40", "63", "100"),
        gains_db=(-12.0, -8.0, 6.0),
        chosen=True,
        no_change=None,
        seats=(),
    )
    # below 80 Hz: 4 dB of level and 10 dB of bands in the mean; above it nothing counts
    settings = replace(late_record.settings, level_change_db=-4.0)
    record = replace(late_record, bands=bands, settings=settings)
    assert record.taken_off_db == 14.0
    for labels, gains_db, taken_off_db in ((("40",), (-3.0,), 7.0), (("100",), (-3.0,), 4.0)):
        one = replace(record, bands=replace(bands, labels=labels, gains_db=gains_db))
        assert one.taken_off_db == taken_off_db
    assert replace(record, bands=None).taken_off_db == 0.0
    assert "far too loud against the mains: below 80 Hz level and bands take 14 dB" in flat(
        joining_doubts(record)
    )
    assert joining_doubts(replace(record, settings=replace(settings, level_change_db=-1.9))) == []
    assert joining_doubts(late_record) == []


def test_loss_has_the_same_words_everywhere():
    assert loss_text(80.0, 4.46, then_db=0.61) == (
        "Around 80 Hz the sum loses 4.5 dB of what both could give; 0.6 dB with these settings."
    )
    assert loss_text(80.0, 4.46) == "Around 80 Hz the sum loses 4.5 dB of what both could give."
    assert loss_text(80.0, 4.46, predicted_db=0.6).endswith("; 0.6 dB was predicted.")


def test_verdict_settings_and_seats_are_printed(late_record):
    text = told_of(late_record)
    assert text.startswith("Around 80 Hz the sum loses ")
    assert "dB with these settings" in text
    assert "Delay: EITHER delay the mains by" in text
    seat = late_record.seats[0]
    level = f"{seat.level_gain_db:+.1f}"
    assert f"seat 1 100 % {seat.before_db:.1f} {seat.after_db:.1f} {level}" in text
    kept = told_of(record_of(LOW, HIGH))
    assert "Keep delay and polarity as they are: at best they reach 0.0 dB" in kept


@pytest.mark.parametrize(("why", "said"), [("range", "6 dB that are"), ("drive", "drive limit")])
def test_a_level_that_stops_short_is_said(late_record, why, said):
    stopped = replace(late_record, bands=replace(bands_record(), level_stops_at=why))
    assert said in told_of(stopped).split("The level stops")[1]
    free = replace(late_record, bands=bands_record())
    assert "The level stops" not in told_of(free)


def test_the_last_figure_and_what_the_bands_cost_of_it_are_said(late_record):
    kept = replace(record_of(LOW, HIGH), bands=bands_record(), loss_before_db=0.6, loss_db=1.4)
    chosen = replace(kept.alignment, chosen=replace(kept.alignment.chosen, loss_db=0.6))
    kept = replace(kept, alignment=chosen)
    text = told_of(kept)
    assert "loses 0.6 dB of what both could give; 1.4 dB with these settings." in text
    assert "Keep delay and polarity as they are" in text
    assert "Bands and level cost 0.8 dB of it, more than joining gains" in text
    gained = told_of(replace(kept, loss_before_db=3.0))
    assert "Bands and level cost 0.8 dB of it: without them it loses 0.6 dB" in gained
    cheap = told_of(replace(kept, loss_db=0.7))
    assert "Bands and level cost" not in cheap


def test_losses_of_different_filters_are_not_compared(late_record):
    text = told_of(replace(late_record, bypass=("low-pass A", "low-pass B")))
    assert "Bypass: low-pass A, one too many - Bypass: low-pass B, one too many" in text
    assert "hold for different filters and cannot be compared" in text
    assert "cannot be compared" not in told_of(late_record)


def test_both_polarities_are_told_with_their_loss(late_record):
    text = told_of(late_record)
    for one in (late_record.alignment.normal, late_record.alignment.inverted):
        settings = one.settings.settings()
        late = delay_text(settings).partition(" (")[0]
        assert f"{late}, polarity {settings.polarity}, loses {one.loss_db:.1f} dB" in text
    assert "sum equally well" not in text
    tied = replace(late_record, alignment=replace(late_record.alignment, either_polarity=True))
    assert "Both settings sum equally well." in told_of(tied)


def test_a_phase_control_is_part_of_the_best_of_either_polarity(late_record):
    found = late_record.alignment
    turned = replace(found.inverted.settings, phase_deg=90.0, phase_frequency=80.0)
    rest = replace(found.normal.settings, phase_deg=0.0, phase_frequency=80.0)
    alignment = replace(
        found,
        normal=replace(found.normal, settings=rest),
        inverted=replace(found.inverted, settings=turned),
    )
    text = told_of(replace(late_record, alignment=alignment))
    assert "polarity inverted, phase control at 90 degrees, loses" in text
    assert "polarity normal, phase control at 0 degrees, loses" in text
    assert "phase control at" not in told_of(late_record)


def test_polarity_is_probable_or_cannot_be_told(late_record):
    told = told_of(replace(late_record, polarity=polarity(True)))
    assert (
        "The subwoofer is probably inverted (both tests agree, 1.3 and 1.4 to 1; right in three "
        "of four such rooms)." in told
    )
    known = replace(late_record, polarity=replace(polarity(True), boxes=True))
    assert "right in nine of ten such rooms)" in told_of(known)
    assert "2.1 ms later than that of the mains" in told
    normal = told_of(replace(late_record, polarity=polarity(False)))
    assert "is probably not inverted" in normal
    untold = told_of(replace(late_record, polarity=polarity(None)))
    assert "An inverted subwoofer and one 6.3 ms late cannot be told apart here." in untold
    assert "What arrives first" not in untold
    silent = replace(late_record, polarity_obstacle="nobody looked")
    assert "wired was not tested: nobody looked." in told_of(silent)
    for text in (told, normal, untold):
        assert "the microphone close to each cone in turn" in text
        assert "Rewire nothing on less." in text
        assert " is inverted" not in text


def test_seats_that_lose_and_few_seats_are_named(late_record):
    worse = replace(late_record.seats[0], before_db=1.0, after_db=1.9)
    text = told_of(replace(late_record, seats=(worse,)))
    assert "Seat seat 1 loses 0.9 dB more than now." in text
    assert "Only 1 seat measured: in a quarter of such rooms other seats lost more" in text
    three = told_of(replace(late_record, seats=late_record.seats * 3))
    assert "seats measured" not in three
    assert "more than now" not in three
    quieter = replace(worse, level_gain_db=-0.8)
    bypassed = replace(late_record, bypass=("low-pass A",), seats=(quieter,))
    assert "Seat seat 1 gets 0.8 dB quieter" in told_of(bypassed)


def test_ends_longer_delays_and_what_is_not_stated_are_said(late_record):
    text = told_of(late_record)
    assert "at an end" not in text
    assert "is not stated" not in text
    far = replace(late_record.alignment.normal, loss_db=0.05)
    alignment = replace(late_record.alignment, at_end=True, longer=far)
    said = told_of(replace(late_record, alignment=alignment, delay_stated=False))
    assert "The delay lies at an end of what may be set" in said
    assert "A change by more than a period (4.00 ms earlier" in said
    assert "What delays can be set is not stated" in said


def test_every_fault_of_the_meeting_has_words(late_record):
    meeting = Meeting(frequency=97.0, sum_db=-8.2, faults=tuple(MeetingFault))
    record = replace(late_record, meeting=meeting)
    text = told_of(record)
    assert "the two meet at 97 Hz, not at the corner" in text
    assert "the mains run full range" in text
    assert "leave 8 dB missing where they meet, at 97 Hz: a gap that no delay fills" in text


def test_every_note_and_doubt_has_words(late_record):
    for note in JoiningNote:
        assert joining_note_text(note, late_record).endswith(".")
    assert all(PAIR_DOUBTS[doubt] for doubt in PairDoubt)
    assert not any("_" in PAIR_DOUBTS[doubt] for doubt in PairDoubt)


def explanation(**causes):
    given = {"level_db": 0.0, "delay_ms": 0.0, "inverted": False, "all_level_db": 0.0} | causes
    return SumExplanation(difference=0.234, left=0.01, explained=bool(causes), **given)


@pytest.mark.parametrize(
    ("causes", "said"),
    [
        ({"level_db": -4.0}, "as if the subwoofer was 4.0 dB quieter while both were measured"),
        ({"delay_ms": 3.0}, "as if the subwoofer came 3.0 ms later"),
        ({"inverted": True, "level_db": 1.5}, "had the other polarity and was 1.5 dB louder"),
        ({"all_level_db": -6.02}, "as if everything was 6.0 dB quieter"),
        ({}, "Neither a level, nor a delay, nor the polarity of the subwoofer explains it"),
    ],
)
def test_what_explains_a_measured_sum(causes, said, late_record):
    text = explanation_text(explanation(**causes), 80.0)
    assert text.startswith("The measured sum differs from that of its parts by 23 % (40 to 160 Hz)")
    assert said in text
    printed = told_of(replace(late_record, explanation=explanation(**causes)))
    assert said in printed


def test_what_bands_would_still_do(late_record):
    settings = replace(late_record.settings, delay_ms=-2.0, level_change_db=1.5)
    record = replace(late_record, bands=bands_record(), settings=settings)
    text = flat("\n".join(bands_lines(record)))
    assert "Deviation of the seats' average sum, 20 to 160 Hz: 3.5 dB now, 1.5 dB then." in text
    assert "With bands 40 Hz -3.0 dB, level +1.5 dB" in text
    assert "2.00 ms earlier (0.69 m, 2.3 ft)" in text
    from roomeq.optimiser.bands.fit import NoChange

    kept = bands_record(no_change=NoChange.IMPROVEMENT_TOO_SMALL)
    none = flat("\n".join(bands_lines(replace(record, bands=kept))))
    assert "Too little to be worth a change" in none
    doubtful = replace(record, notes=(JoiningNote.SUM_DISAGREES,))
    told = flat("\n".join(bands_lines(doubtful)))
    assert "contradicts its parts" in told
    assert "level +1.5 dB" not in told


def test_levels_are_a_question_with_the_measurement_that_decides():
    joined = fit_joining_levels(
        FREQUENCIES[KEPT], **four_levels(delayed(LOW, 0.004), HIGH), corner=CORNER
    )
    record = LevelJoiningRecord.of(joined)
    text = flat(level_joining_lines(record))
    assert "Is the subwoofer late or early?" in text
    assert "Settings" not in text
    assert "For this one measurement EITHER delay the" in text
    assert f"about {record.move_if_late_db:+.1f} dB if the subwoofer is late" in text
    assert 'subwoofer = "late" or "early"' in text
    decided = flat(level_joining_lines(LevelJoiningRecord.of(joined, decided="late")))
    assert "That the subwoofer is late was decided" in decided
    for told in (text, decided):
        assert told.count("the sum loses") == 1
        assert told.count("With one polarity reversed") == 1
    assert "late or early?" not in decided
    assert "EITHER delay the mains by" in decided
    fixed = replace(record, move_delay_ms=None)
    assert "No delay can be set: measure" in flat(level_joining_lines(fixed))


def pair(corner, high=True):
    filters = {
        kind: CrossoverFilter(kind=kind, family="linkwitz_riley", order=4, corner=corner)
        for kind in ("low_pass", "high_pass")
    }
    return CrossoverPair(
        low_pass=filters["low_pass"], high_pass=filters["high_pass"] if high else None
    )


def ranked(corner, deviation_db, *, high=True):
    return RankedPair(
        pair=pair(corner, high),
        settings=JoiningSettings(delay=-0.002),
        loss_db=0.4,
        deviation_db=deviation_db,
    )


def test_corner_lines_rank_and_refuse():
    now, best = ranked(80.0, 3.4), ranked(100.0, 2.1)
    other = ranked(90.0, 1.9, high=False)
    refused = ((pair(60.0), PairDoubt.CORNER_TOO_LOW),)
    with page(120):
        text = flat(
            corner_lines(CornerChoice(ranked=(other, best, now), refused=refused, present=now))
        )
    named = "Linkwitz-Riley 24 dB/oct at 100 Hz"
    assert f"To be preferred: subwoofer {named}; mains {named}." in text
    assert "It leaves 2.1 dB of deviation instead of 3.4 dB, with 2.00 ms earlier" in text
    assert "without a high-pass" in text
    remark = PAIR_DOUBTS[PairDoubt.FULL_RANGE].split()  # in a column of its own, wrapped
    assert set(remark) <= set(text.replace(",", "").split())
    assert (
        "not ranked: - every pair at 60 Hz: less than half an octave above the mains' -3 dB point"
        in text
    )
    one = ((pair(80.0, high=False), PairDoubt.SLOPES_DIFFER), *refused)
    named = flat(corner_lines(CornerChoice(ranked=(now,), refused=one, present=now)))
    assert "Linkwitz-Riley 24 dB/oct at 80 Hz with without a high-pass" not in named
    assert "- Linkwitz-Riley 24 dB/oct at 80 Hz, without a high-pass: slopes differ" in named
    keep = flat(corner_lines(CornerChoice(ranked=(now,), refused=(), present=now)))
    assert "Keep the present pair" in keep
    assert " present" in keep
    many = tuple(ranked(80.0 + i, 2.0 + i / 100) for i in range(1, 12))
    crowded = CornerChoice(ranked=(*many, now), refused=(), present=now)
    assert flat(corner_lines(crowded)).count(" present") == 1


def test_what_is_set_now_is_said_where_it_differs(late_record):
    turned = {"inverted": True, "phase_deg": 45.0, "phase_frequency": 80.0}
    rest = {"inverted": False, "phase_deg": 30.0, "phase_frequency": 80.0}

    def entries(settings, present):
        both = replace(late_record.settings, **settings), replace(late_record.settings, **present)
        return setting_entries(replace(late_record, settings=both[0], present=both[1]))

    _, polarity, phase = entries(turned, rest)
    assert polarity == "Polarity: inverted (now normal)"
    assert phase == "Phase control: 45 degrees at 80 Hz (now 30 degrees)"
    assert entries(turned, turned)[1:] == [
        "Polarity: inverted",
        "Phase control: 45 degrees at 80 Hz",
    ]
    louder = entries({"level_change_db": 2.0}, {})
    assert louder[-1] == "Level of the subwoofer: +2.0 dB against now"
