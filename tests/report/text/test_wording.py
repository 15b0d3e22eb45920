"""Words for codes: none is missing, none is another's, and their figures are the right ones."""

import pytest
from msgspec.structs import replace
from places import SAMPLES

from roomeq.base.cautions import Caution, CautionCode
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.bands.reasons import Reason
from roomeq.report.text.safety import SAFETY
from roomeq.report.text.wording import caution_text, no_change_text, reason_text


@pytest.fixture(scope="module")
def plan():
    found = propose(read_room(SAMPLES / "rented_hall"), node_limit=1)
    evidence = replace(
        found.evidence,
        no_boost_below=28.0,
        filter_boost_limit_db=3.5,
        drive_boost_limit_db=7.0,
        deviation_before_db=5.0,
        candidate_deviation_db=4.75,
        deviation_db=5.0,
        lower_bound_db=4.69,
        repeatability_db=0.4,
    )
    return replace(found, evidence=evidence, target=replace(found.target, corner=90.0))


@pytest.mark.parametrize("reason", [None, *Reason])
def test_every_reason_has_words(plan, reason):
    words = reason_text(replace(plan.bands[0], reason=reason), plan)
    assert isinstance(words, str)
    assert bool(words) == (reason is not None)


def test_no_two_codes_share_their_words(plan):
    band = plan.bands[0]
    reasons = [reason_text(replace(band, reason=reason), plan) for reason in Reason]
    cautions = [caution_text(Caution(code=code, value=4.2, name="x")) for code in CautionCode]
    assert len(set(reasons)) == len(Reason)
    assert len(set(cautions)) == len(CautionCode)


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        (Reason.SEATS_DISAGREE, "few seats are short: they differ by 4.2 dB"),
        (Reason.BELOW_LIMIT, "no boost below 28 Hz"),
        (Reason.ABOVE_CROSSOVER, "above crossover, 90 Hz"),
        (Reason.HELD_BY_FILTER_BOOST, "held by the boost limit, +3.5 dB"),
        (Reason.HELD_BY_DRIVE_BOOST, "held by the drive limit, +7 dB"),
        (Reason.LOCKED, "locked"),
    ],
)
def test_reasons_state_their_figures(plan, reason, words):
    band = replace(plan.bands[0], reason=reason, spread_db=4.2, error_db=1.1)
    assert reason_text(band, plan) == words


@pytest.mark.parametrize("code", list(CautionCode))
def test_every_caution_has_words(code):
    words = caution_text(Caution(code=code, value=4.2, name="back row"))
    assert words.endswith((".", "?"))


@pytest.mark.parametrize(
    ("code", "value", "words"),
    [
        (CautionCode.FEW_SEATS, 1.0, "Only 1 seat measured"),
        (CautionCode.FEW_SEATS, 2.0, "Only 2 seats measured"),
        (CautionCode.LEVEL_OUTSIDE_RANGE, 4.2, "set +4.2 dB upstream"),
        (CautionCode.LEVEL_OUTSIDE_RANGE, -4.2, "set -4.2 dB upstream"),
        (CautionCode.LOUDNESS_CUT, 4.2, "4.2 dB quieter than back row: the drive limit"),
        (CautionCode.IMPROVEMENT_LOST_AT_OTHER_Q, 0.7, "If the bands' Q is 0.7 times"),
        (CautionCode.NOT_PROVEN, 0.31, "The search stopped early: a better setting by up to 0.31"),
        (CautionCode.ONE_SEAT_STANDS_OUT, 4.2, "Seat back row differs from the others by 4.2 dB"),
        (CautionCode.SEAT_GETS_WORSE, 4.2, "Seat back row gets worse by 4.2 dB."),
        (CautionCode.UNMEASURED_SEAT_MAY_GET_WORSE, 0.4, "seats left out do, by 0.4 dB"),
        # 6 dB is four times the power: 10 ** 0.6 = 3.98
        (CautionCode.WORKS_HARDER, 6.0, "6.0 dB more drive (4.0 times the power)"),
    ],
)
def test_cautions_state_their_figures(code, value, words):
    assert words in caution_text(Caution(code=code, value=value, name="back row"))


@pytest.mark.parametrize("code", list(NoChange))
def test_every_no_change_has_words(plan, code):
    evidence = replace(plan.evidence, deviation_before_db=5.0, best_deviation_db=4.75)
    words = no_change_text(replace(plan, evidence=evidence, no_change=code))
    assert "Keep" in words
    # 5.00 less 4.75: what the best would have gained; of a roll-off that is no figure of worth
    assert ("by 0.25 dB" in words) is (code is not NoChange.ROLL_OFF)


def test_no_change_says_what_it_rests_on(plan):
    small = no_change_text(replace(plan, no_change=NoChange.IMPROVEMENT_TOO_SMALL))
    assert "As good as this device can make it" in small
    assert "moving the subwoofer or the seats" in small
    rough = no_change_text(replace(plan, no_change=NoChange.WITHIN_REPEATABILITY))
    assert "repeatability of the measurement (0.40 dB)" in rough


def test_a_room_that_is_good_is_not_called_beyond_help(plan):
    evidence = replace(plan.evidence, deviation_before_db=0.6, best_deviation_db=0.5)
    louder = replace(plan, evidence=evidence, no_change=NoChange.IMPROVEMENT_TOO_SMALL)
    assert plan.level.exact_change_db != 0.0
    assert "Keep the bands as they are set; change only the level." in no_change_text(louder)
    good = replace(louder, level=replace(plan.level, exact_change_db=0.0, change_db=0.0))
    assert no_change_text(good) == (
        "As good as this device can make it: the best setting within the limits betters the "
        "weighted deviation by 0.10 dB, from 0.6 dB. Keep what is set."
    )


def test_safety_figures_are_those_of_the_standards():
    # IEC 61672-1, Table 3, A weighting: -50.5 dB at 20 Hz, -22.5 dB at 80 Hz
    # NIOSH 98-126: 85 dBA for 8 h, exchange rate 3 dB
    text = " ".join(SAFETY)
    assert "20 to 80 Hz reads 50 to 22 dB low" in text
    assert "85 dBA for 8 h, half the time for every 3 dB more" in text


def test_a_band_that_is_moved_is_not_said_to_be_worth_no_move(plan):
    band = replace(plan.bands[0], reason=Reason.NOT_WORTH_MOVING, present_db=0.0, gain_db=0.0)
    assert reason_text(band, plan) == "not worth a move"
    assert reason_text(replace(band, gain_db=-7.0), plan) == "not worth a further move"


def test_a_band_that_is_cut_is_not_said_to_be_unfilled(plan):
    for reason, what in (
        (Reason.CANCELLATION, "deep dip"),
        (Reason.ROLL_OFF, "own roll-off"),
    ):
        band = replace(plan.bands[0], reason=reason, present_db=0.0)
        assert reason_text(replace(band, gain_db=0.0), plan) == f"{what}: not filled"
        kept = reason_text(replace(band, gain_db=2.0, present_db=2.0), plan)
        assert kept == f"{what}: not filled"
        if reason is Reason.CANCELLATION:
            raised = reason_text(replace(band, gain_db=2.0), plan)
            assert raised == "deep dip: neighbours' cut made good"
        cut = reason_text(replace(band, gain_db=-1.5), plan)
        assert cut.startswith(what)
        assert "not filled" not in cut


def test_the_limit_that_makes_it_quieter_is_the_one_that_holds_there():
    # drive_db and DRIVE_BELOW_FLOOR_DB of `roomeq.wanted.limits`: 6 dB, and 3 dB below the floor
    caution = Caution(code=CautionCode.LOUDNESS_CUT, value=1.7, name="now", frequency=20.0)
    assert "grants no more at 20 Hz (3 dB below the lower limit)" in caution_text(caution)
    assert "below the lower limit" not in caution_text(replace(caution, frequency=None))
