"""A verification as text: what is printed is what was found."""

import pytest
from msgspec.structs import replace

from roomeq.plan.verification import (
    BandCheck,
    Cause,
    CauseCode,
    JoiningCheck,
    LevelCheck,
    SeatCheck,
    StatedJoiningSetting,
    StatedSetting,
    Verification,
)
from roomeq.report.text.verification import cause_text, verification_text

GOOD = Verification(
    room="Cabin",
    agrees=True,
    tolerance_db=1.0,
    scatter_db=0.4,
    source="sub",
    offset_db=-0.5,
    level=LevelCheck(difference_db=-0.4, planned_db=-3.0, looks_like_db=-3.4, agrees=True),
    seats=(SeatCheck(seat="sofa", difference_db=0.4, agrees=True),),
    bands=(BandCheck(label="40", difference_db=-0.2, unexplained_db=-0.2, agrees=True),),
    causes=(Cause(code=CauseCode.AS_PLANNED, share=0.97),),
    in_force_db=None,
    stated=(),
    not_measured_again=(),
)
BAND = Cause(code=CauseCode.BAND, bands=("50",), gains_db=(2.5,), share=0.9)
BAD = replace(
    GOOD,
    agrees=False,
    causes=(BAND,),
    seats=(*GOOD.seats, SeatCheck(seat="bed", difference_db=4.1, agrees=False)),
    bands=(*GOOD.bands, BandCheck(label="50", difference_db=3.3, unexplained_db=3.3, agrees=False)),
)


def flat(found):
    return " ".join(verification_text(found).split())


def line_of(text, start):
    return next(line for line in text.splitlines() if line.strip().startswith(start))


def test_what_agrees():
    text = verification_text(GOOD)
    assert "It came true" in text
    assert "(about 0.4 dB here)" in flat(GOOD)
    assert line_of(text, "40 Hz").split() == ["40", "Hz", "-0.2", "agrees"]
    assert line_of(text, "sofa").split() == ["sofa", "0.4", "agrees"]
    assert "Level: all seats are -0.5 dB from the prediction; that was removed first." in text
    for words in ("differs", "Likely cause", "cannot be told", "Not measured", "knob", "stated"):
        assert words not in text


def test_what_does_not_names_the_likely_cause_before_the_figures():
    text = verification_text(BAD)
    assert text.index("It did not come true") < text.index("Likely cause: 50 Hz looks like +2.5 dB")
    assert text.index("Likely cause") < text.index("Bands, the subwoofer,")
    assert "It cannot be told from" not in text
    assert line_of(text, "50 Hz").split() == ["50", "Hz", "+3.3", "differs"]
    assert line_of(text, "bed").split() == ["bed", "4.1", "differs"]


def test_what_cannot_be_told_from_it_is_listed():
    other = Cause(code=CauseCode.HIGH_PASS, value=38.2, engaged=True, share=0.08)
    said = flat(replace(BAD, causes=(BAND, other)))
    assert "It cannot be told from: - a high-pass near 38 Hz is on that was off" in said
    doubtful = flat(replace(GOOD, causes=(*GOOD.causes, BAND)))
    assert "Nor can this be ruled out: - 50 Hz looks like +2.5 dB" in doubtful
    assert "It came true" in doubtful


def test_nothing_told_is_said():
    assert "What is the matter cannot be told from this measurement" in flat(
        replace(BAD, causes=())
    )


@pytest.mark.parametrize(
    ("cause", "said"),
    [
        (Cause(code=CauseCode.AS_BEFORE), "settings from before are still in force"),
        (Cause(code=CauseCode.OTHER_PLAN, name="film.json"), "settings of film.json are in force"),
        (Cause(code=CauseCode.BANDS_OFF), "bands are off or bypassed"),
        (Cause(code=CauseCode.LEVEL, value=3.0), "3.0 dB louder than planned against the mains"),
        (Cause(code=CauseCode.MAINS_LEVEL, value=-3.0), "the mains are 3.0 dB quieter"),
        (Cause(code=CauseCode.POLARITY), "polarity is the other one"),
        (Cause(code=CauseCode.DELAY, value=0.004), "4.0 ms later than planned"),
        (Cause(code=CauseCode.DELAY, value=-0.002), "2.0 ms earlier than planned"),
        (
            Cause(code=CauseCode.TWO_BANDS, bands=("40", "50"), gains_db=(0.0, -3.0)),
            "40 Hz looks like 0.0 dB and 50 Hz looks like -3.0 dB, not as planned",
        ),
        (
            replace(BAND, value=-4.0),
            "not as planned, and the subwoofer is 4.0 dB quieter than planned",
        ),
        (Cause(code=CauseCode.SIGNS), "all signs reversed"),
        (Cause(code=CauseCode.SCALED, value=0.5), "0.5 times as large as planned"),
        (Cause(code=CauseCode.SHIFTED, value=-1.0), "one band too low"),
        (
            Cause(code=CauseCode.EXCHANGED, bands=("40", "63")),
            "gains at 40 and 63 Hz are exchanged",
        ),
        (Cause(code=CauseCode.WIDTH, value=0.5), "wider than the profile says (Q about 0.5 times)"),
        (Cause(code=CauseCode.LOW_PASS, value=61.0, engaged=False), "low-pass near 61 Hz is off"),
        (Cause(code=CauseCode.MICROPHONE, engaged=True), "correction is applied twice"),
        (Cause(code=CauseCode.MICROPHONE, engaged=False), "correction is missing"),
        (Cause(code=CauseCode.SEAT_MOVED, seats=("sofa",)), "stood elsewhere at sofa"),
        (
            Cause(code=CauseCode.SEATS_EXCHANGED, seats=("sofa", "bed")),
            "files of sofa and bed are exchanged",
        ),
        (Cause(code=CauseCode.ALL_MOVED), "stood elsewhere at all seats"),
    ],
)
def test_every_cause_has_its_words(cause, said):
    assert said in cause_text(cause)


def test_no_cause_is_without_words():
    for code in set(CauseCode) - {CauseCode.SOMETHING_ELSE}:
        assert cause_text(
            Cause(code=code, bands=("40",), gains_db=(1.0,), seats=("sofa",), value=1.0)
        )


@pytest.mark.parametrize("found", [GOOD, BAD])
def test_seats_not_measured_again_are_named(found):
    text = verification_text(replace(found, not_measured_again=("bench", "stool")))
    assert text.rstrip().endswith("Not measured again: bench, stool.")


def test_what_the_cause_explains_is_told_apart():
    skirt = BandCheck(label="63", difference_db=1.4, unexplained_db=0.1, agrees=False)
    other = BandCheck(label="80", difference_db=-2.0, unexplained_db=-1.9, agrees=False)
    text = verification_text(replace(BAD, bands=(*BAD.bands, skirt, other)))
    assert line_of(text, "63 Hz").endswith("differs, as the likely cause would")
    assert line_of(text, "80 Hz").endswith("differs")
    quiet = verification_text(replace(GOOD, bands=(skirt,)))
    assert line_of(quiet, "63 Hz").endswith("within the scatter")


def test_a_level_that_is_off_names_the_knob():
    off = LevelCheck(difference_db=-2.0, planned_db=-3.0, looks_like_db=-5.0, agrees=False)
    text = " ".join(verification_text(replace(GOOD, level=off)).split())
    assert "It came true" in text
    assert "the level knob stands 2.0 dB too low (planned -3.0 dB, looks like -5.0 dB)." in text
    unknown = LevelCheck(difference_db=2.0, planned_db=None, looks_like_db=None, agrees=False)
    text = " ".join(verification_text(replace(GOOD, level=unknown)).split())
    assert "the level knob stands 2.0 dB too high." in text


def test_a_level_is_claimed_only_where_the_cause_leaves_one():
    off = LevelCheck(difference_db=-2.0, planned_db=-3.0, looks_like_db=-5.0, agrees=False)
    knob = "the level knob stands 2.0 dB too low"
    assert knob in flat(replace(BAD, level=off))
    for causes in ((), (Cause(code=CauseCode.AS_BEFORE),), (Cause(code=CauseCode.BANDS_OFF),)):
        assert knob not in flat(replace(BAD, level=off, causes=causes))
    of_sum = flat(replace(GOOD, level=off, source="both"))
    assert knob not in of_sum
    assert "Drive level or microphone gain are not what they were." in of_sum
    assert "It came true, but for the level: what" in of_sum
    assert "It came true: what" in flat(GOOD)


def test_stated_settings_are_named_with_both_values():
    stated = (
        StatedSetting(label="40", planned_db=-12.0, stated_db=-3.0),
        StatedSetting(label="level", planned_db=-2.5, stated_db=-6.0),
    )
    text = verification_text(replace(GOOD, stated=stated))
    assert "- 40 Hz: planned -12.0 dB, stated -3.0 dB" in text
    assert "- Level knob: planned -2.5 dB, stated -6.0 dB" in text
    assert "[device.present]" in text


CHECK = JoiningCheck(agrees=False, by_sum=True, corner=80.0, loss_db=2.34, predicted_loss_db=0.61)


def test_the_loss_of_the_sum_stands_beside_what_was_predicted():
    said = "Around 80 Hz the sum loses 2.3 dB of what both could give; 0.6 dB was predicted."
    assert said in flat(replace(GOOD, joining=CHECK))
    assert "judged by each alone" not in flat(replace(GOOD, joining=CHECK))
    assert "judged by each alone" in flat(replace(GOOD, joining=replace(CHECK, by_sum=False)))


def test_the_subwoofer_alone_may_agree_where_the_sum_does_not():
    found = replace(GOOD, agrees=False, causes=(Cause(code=CauseCode.POLARITY),), joining=CHECK)
    assert "The subwoofer alone agrees in every band, but its sum" in flat(found)
    assert "The subwoofer alone" not in flat(replace(found, source="both"))  # it was not measured


def test_settings_against_the_mains_carry_their_units():
    stated = (
        StatedJoiningSetting(label="delay_ms", planned=-2.2, stated=2.2),
        StatedJoiningSetting(label="polarity", planned="inverted", stated="normal"),
        StatedJoiningSetting(label="phase_deg", planned=90.0, stated=7.5),
    )
    text = verification_text(replace(GOOD, stated_joining=stated))
    assert "- Delay of the subwoofer against the mains: planned -2.20 ms, stated +2.20 ms" in text
    assert "- Polarity: planned inverted, stated normal" in text
    assert "- Phase control: planned 90 degrees, stated 7.5 degrees" in text
    assert "[device.present]" in text
