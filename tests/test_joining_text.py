"""Words of joining: direction of delays, verdicts, every code has its words."""

import msgspec
import numpy as np
import pytest
from joining_rooms import CORNER, FREQUENCIES, delayed, linkwitz_riley, modal_survey, survey_of
from synthetic_rooms import nine_bands

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.mains import MainsBox
from roomeq.device.profile import PhaseControl
from roomeq.optimiser.all_settings import fit_all_settings
from roomeq.optimiser.corner_choice import CrossoverPair, PairDoubt, choose_corner
from roomeq.optimiser.joining import fit_joining
from roomeq.optimiser.joining_data import JoiningNote
from roomeq.optimiser.joining_levels import fit_joining_levels
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings
from roomeq.optimiser.joining_survey import prepare_joining
from roomeq.plan_joining import JoiningRecord, LevelJoiningRecord, RivalRecord, TogetherRecord
from roomeq.report.joining_text import (
    all_settings_text,
    corner_text,
    delay_text,
    joining_note_text,
    joining_text,
    level_joining_text,
    pair_doubt_text,
    setting_entries,
)

LOW, HIGH = linkwitz_riley("low", 4), linkwitz_riley("high", 4)
FIXED = DelayRange(lowest=0.0, highest=0.0)


def fit_of(sub, mains, *, octaves=1.0, **options):
    data = prepare_joining(
        survey_of(sub, mains), corner=CORNER, common_time_reference=True, octaves=octaves
    )
    return fit_joining(data, **options)


def record_of(sub, mains, **options):
    return JoiningRecord.of(fit_of(sub, mains, **options))


def flat(text):
    return " ".join(text.split())


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


def test_settings_say_who_is_delayed_and_what_a_distance_does():
    late = flat(joining_text(record_of(delayed(LOW, 0.004), HIGH)))
    assert "Subwoofer: 4.00 ms earlier (1.37 m, 4.5 ft), by delaying the mains" in late
    assert "where distances are entered, a larger subwoofer's" in late
    assert "343.2 m/s at 20 degrees Celsius" in late
    early = flat(joining_text(record_of(delayed(LOW, -0.004), HIGH)))
    assert "4.00 ms later" in early
    assert "by delaying the subwoofer; where distances are entered, a smaller one" in early


def test_verdicts_on_polarity():
    # a sixth-order Linkwitz-Riley crossover sums flat when inverted (check values, section 3)
    low, high = linkwitz_riley("low", 6), linkwitz_riley("high", 6)
    flipped = flat(joining_text(record_of(low, high, delays=FIXED)))
    assert "Polarity: inverted" in flipped
    assert "inverted against the mains, not merely late" in flipped
    unsure = flat(joining_text(record_of(delayed(LOW, 0.5 / CORNER), HIGH, octaves=1 / 6)))
    assert "do not tell a flip from a delay of half a period (6.26 ms at 79.8904 Hz)" in unsure
    delay = flat(joining_text(record_of(delayed(LOW, 0.5 / CORNER), HIGH)))
    assert "it is delay, not polarity, that is wrong" in delay
    below = flat(joining_text(record_of(-LOW, HIGH)))
    assert "less than 1 dB is not worth a flip" in below


def test_verdicts_on_polarity_start_from_the_one_that_is_set():
    low, high = linkwitz_riley("low", 6), linkwitz_riley("high", 6)  # sums flat when inverted
    present = JoiningSettings(inverted=True)

    def text_of(sub):
        data = prepare_joining(
            survey_of(sub, high), corner=CORNER, common_time_reference=True, present=present
        )
        return flat(joining_text(JoiningRecord.of(fit_joining(data, delays=FIXED))))

    flipped = text_of(low)  # measured through the inverted setting: back to normal adds up
    assert "Polarity: normal (now inverted)" in flipped
    assert "without it, the normal polarity gains" in flipped
    assert "inverted against the mains, not merely late" in flipped
    kept = text_of(-low)
    assert "Polarity: inverted" in kept
    assert "(now" not in kept
    assert "without it, the normal polarity loses" in kept
    assert "it is delay, not polarity, that is wrong" in kept


def test_a_flip_that_cannot_be_set_is_not_called_too_small():
    low, high = linkwitz_riley("low", 6), linkwitz_riley("high", 6)
    record = record_of(low, high, delays=FIXED, can_invert=False)
    assert record.flip_gain_db > 1.0
    text = flat(joining_text(record))
    assert "less than 1 dB" not in text
    assert "the device cannot set that. Exchanging two wires would do the same." in text


def test_an_end_of_a_range_is_named_in_good_grammar():
    short = DelayRange(lowest=-0.001, highest=0.001, step=0.0005)
    text = flat(joining_text(record_of(delayed(LOW, 0.004), HIGH, delays=short)))
    assert "The delay found lies at an end" in text


def test_says_when_nothing_is_worth_changing():
    text = flat(joining_text(record_of(LOW, HIGH)))
    assert "Keep what is set" in text
    assert "too little to be worth a change" in text
    held = fit_of(delayed(LOW, 0.004), HIGH, repeatability_db=9.0)
    assert "within the repeatability" in flat(joining_text(JoiningRecord.of(held)))


def test_phase_gain_and_seats_are_printed():
    turned = JoiningSettings(phase_deg=60, phase_frequency=80).response(FREQUENCIES)
    control = PhaseControl(lowest_deg=0, highest_deg=180, step_deg=15, frequency=80)
    fit = fit_of(LOW, HIGH * turned, phase_control=control, delays=FIXED)
    text = flat(joining_text(JoiningRecord.of(fit)))
    assert "Phase control: 60 degrees at 80 Hz" in text
    assert f"Moving the phase control gains {fit.phase_gain_db:.2f} dB: it is moved" in text
    assert f"seat 1 100 % {fit.deviation_before_db:.1f} {fit.deviation_db:.1f}" in text


def test_every_note_and_doubt_has_words():
    record = record_of(LOW, HIGH)
    for note in JoiningNote:
        assert joining_note_text(note, record).endswith(".")
    assert all(pair_doubt_text(doubt) for doubt in PairDoubt)


def test_levels_say_what_they_cannot_tell():
    kept = (FREQUENCIES > 30) & (FREQUENCIES < 210)

    def db(pressure):
        return 20 * np.log10(np.abs(pressure[kept]))

    sub = delayed(LOW, 0.004)
    joined = fit_joining_levels(
        FREQUENCIES[kept],
        sub_db=db(sub),
        mains_db=db(HIGH),
        sum_db=db(sub + HIGH),
        difference_db=db(sub - HIGH),
        corner=CORNER,
    )
    text = flat(level_joining_text(LevelJoiningRecord.of(joined)))
    assert "if the subwoofer is late - Subwoofer: 4.00 ms earlier" in text
    assert "if the subwoofer is early - Subwoofer: 4.00 ms later" in text
    assert "not its sign" in text
    assert "Reversing one polarity, as measured," in text


def test_corner_text_ranks_and_refuses():
    data = prepare_joining(
        survey_of(np.ones(FREQUENCIES.size), np.ones(FREQUENCIES.size)),
        corner=CORNER,
        common_time_reference=True,
        span=(40.0, 160.0),
    )
    pairs = [
        CrossoverPair(
            low_pass=CrossoverFilter(
                kind="low_pass", family="linkwitz_riley", order=4, corner=corner
            ),
            high_pass=CrossoverFilter(
                kind="high_pass", family="linkwitz_riley", order=4, corner=corner
            ),
        )
        for corner in (70.0, 100.0)
    ]
    mains = MainsBox(kind="closed", corner=60.0)
    text = flat(corner_text(choose_corner(data, pairs=pairs, present=None, mains=mains)))
    assert (
        "To be preferred: subwoofer low-pass Linkwitz-Riley 24 dB/oct at 100 Hz; mains high" in text
    )
    assert "slopes differ" in text
    assert "not ranked - 70 Hz: less than half an octave above the mains' -3 dB point" in text


def test_all_settings_text_says_by_how_much():
    equaliser = nine_bands(step_db=1.0)
    fit = fit_all_settings(
        modal_survey(2, seats=1),
        corner=CORNER,
        common_time_reference=True,
        equaliser=equaliser,
        delays=DelayRange(lowest=-0.005, highest=0.005, step=0.0005),
        prove=False,
    )
    text = flat(all_settings_text(fit, equaliser.labels))
    assert f"{fit.gain_db:.2f} dB better than in turn" in text
    assert "Protective high-pass: none" in text
    assert f"31.5 Hz 0.0 {fit.in_turn.gains_db[2]:+.1f}"[:-1] in text.replace("0.0 0.0", "0.0 +0.0")


def test_what_is_set_now_is_said_where_it_differs():
    def entries(settings, present):
        return setting_entries(settings, present=present)

    late, early = JoiningSettings(delay=0.001), JoiningSettings(delay=-0.002)
    assert "(now 1.00 ms later (0.34 m, 1.1 ft))" in entries(early, late)[0]
    assert "now" not in entries(late, late)[0]
    assert "now" not in entries(late, JoiningSettings())[0]  # 0 ms now needs no word
    turned = JoiningSettings(inverted=True, phase_deg=45.0, phase_frequency=80.0)
    rest = JoiningSettings(phase_deg=30.0, phase_frequency=80.0)
    _, polarity, phase, level = entries(turned, rest)
    assert polarity == "Polarity: inverted (now normal)"
    assert phase == "Phase control: 45 degrees at 80 Hz (now 30)"
    assert level == "Level of the subwoofer: 0.0 dB against now"
    assert entries(turned, turned)[1:3] == [
        "Polarity: inverted",
        "Phase control: 45 degrees at 80 Hz",
    ]


@pytest.fixture(scope="module")
def late_record():
    return record_of(delayed(LOW, 0.004), HIGH, delays=DelayRange(step=0.0005))


def test_figures_of_a_record_are_printed_with_their_signs(late_record):
    seat = msgspec.structs.replace(late_record.seats[0], before_db=5.25, after_db=2.0)
    rival = RivalRecord(settings=late_record.present, deviation_db=2.5, margin_db=0.31)
    record = msgspec.structs.replace(
        late_record,
        seats=(seat,),
        rival=rival,
        ambiguous=True,
        bypass=("low-pass A", "low-pass B"),
        bypass_gain_db=1.25,
        at_ends=("delay", "level"),
        delay_stated=False,
        flip_told=True,
        flip_gain_db=-0.75,
    )
    text = flat(joining_text(record))
    assert "seat 1 100 % 5.2 2.0 +3.2" in text
    assert "at each seat, around the crossover" in text
    assert "Bypass: low-pass A - Bypass: low-pass B" in text
    assert "The bypass gains 1.25 dB" in text
    assert "has +0.31 dB more: ambiguous: try both" in text
    assert "The delay and the level found lie at an end" in text
    assert "What delays can be set is not stated" in text
    assert "inverting the polarity loses 0.75 dB: it is delay, not polarity" in text
    assert "phase control" not in text.lower()
    sure = msgspec.structs.replace(
        record, ambiguous=False, at_ends=(), delay_stated=True, flip_gain_db=1.5
    )
    text = flat(joining_text(sure))
    assert "clearly worse, the answer is not ambiguous" in text
    assert "lie at an end" not in text
    assert "is not stated" not in text
    # 1.5 dB are worth a flip: that there is none is for want of a switch
    assert "inverting the polarity gains 1.50 dB" in text
    flipped = msgspec.structs.replace(
        sure, candidate=msgspec.structs.replace(sure.candidate, inverted=True)
    )
    assert "is inverted against the mains, not merely late" in flat(joining_text(flipped))


def test_phase_control_at_rest_says_what_moving_it_would_gain(late_record):
    def record(candidate_deg, present_deg):
        settings = {
            name: msgspec.structs.replace(
                getattr(late_record, name), phase_frequency=80.0, phase_deg=phase_deg
            )
            for name, phase_deg in (("candidate", candidate_deg), ("present", present_deg))
        }
        return msgspec.structs.replace(late_record, phase_gain_db=0.04, **settings)

    assert "gains 0.04 dB: it is left at rest" in flat(joining_text(record(0.0, 30.0)))
    assert "gains 0.04 dB: it is moved" in flat(joining_text(record(30.0, 0.0)))
    idle = msgspec.structs.replace(record(0.0, 0.0), phase_gain_db=0.0)
    assert "gains 0.00 dB: it is left at rest" in flat(joining_text(idle))


def test_over_the_whole_bass_figures_are_those_of_all_settings(late_record):
    row = msgspec.structs.replace(late_record.seats[0], before_db=9.5, after_db=1.5)
    whole = TogetherRecord(
        lowest=21.0,
        highest=161.0,
        deviation_before_db=9.25,
        in_turn_deviation_db=2.0,
        deviation_db=1.75,
        in_turn_gains_db=(),
        rounds=1,
        seats=(row,),
    )
    text = flat(joining_text(msgspec.structs.replace(late_record, together=whole)))
    assert "over 21 to 161 Hz 9.2 dB now, 1.8 dB" in text
    assert "seat 1 100 % 9.5 1.5 +8.0" in text
    assert "at each seat, over the whole bass" in text
    assert "by the sum: 0.25 dB better than in turn (2.00 dB)" in text


def test_what_the_best_change_would_gain_is_said_where_it_is_not_made():
    held = record_of(delayed(LOW, 0.004), HIGH, repeatability_db=9.0)
    gained = held.deviation_before_db - held.candidate_deviation_db
    assert gained > 1.0
    text = flat(joining_text(held))
    assert f"by {gained:.2f} dB from {held.deviation_before_db:.1f} dB, within" in text


def test_levels_alone_say_which_answer_is_which_and_stop_where_both_are_one(late_record):
    early = msgspec.structs.replace(
        late_record, settings=msgspec.structs.replace(late_record.settings, delay_ms=3.0)
    )
    both = LevelJoiningRecord(
        if_late=late_record, if_early=early, late_first=False, ambiguous=True, reversed_gain_db=-0.5
    )
    text = flat(level_joining_text(both))
    assert "First: if the subwoofer is early - Subwoofer: 3.00 ms later" in text
    assert "Second: if the subwoofer is late - Subwoofer: 4.00 ms earlier" in text
    assert "as measured, loses 0.50 dB" in text
    one = msgspec.structs.replace(both, ambiguous=False, late_first=True, reversed_gain_db=0.5)
    text = flat(level_joining_text(one))
    assert "as measured, gains 0.50 dB" in text
    assert "4.00 ms earlier" in text
    assert "3.00 ms later" not in text
    assert "if the subwoofer is" not in text
