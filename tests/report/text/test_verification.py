"""A verification as text: what is printed is what was found."""

import pytest
from msgspec.structs import replace

from roomeq.jobs.verify import (
    BandCheck,
    LevelCheck,
    SeatCheck,
    StatedSetting,
    SuspectedSetting,
    Verification,
)
from roomeq.plan.verification import JoiningCheck, JoiningLook, StatedJoiningSetting
from roomeq.report.text.verification import verification_text

GOOD = Verification(
    room="Cabin",
    agrees=True,
    tolerance_db=1.0,
    offset_db=-0.5,
    level=LevelCheck(difference_db=-0.4, planned_db=-3.0, looks_like_db=-3.4, agrees=True),
    seats=(SeatCheck(seat="sofa", difference_db=0.4, agrees=True),),
    bands=(BandCheck(label="40", difference_db=-0.2, unexplained_db=-0.2, agrees=True),),
    suspects=(),
    stated=(),
    not_measured_again=(),
)
BAD = replace(
    GOOD,
    agrees=False,
    seats=(*GOOD.seats, SeatCheck(seat="bed", difference_db=4.1, agrees=False)),
    bands=(*GOOD.bands, BandCheck(label="50", difference_db=3.3, unexplained_db=3.3, agrees=False)),
)


def line_of(text, start):
    return next(line for line in text.splitlines() if line.strip().startswith(start))


def test_what_agrees():
    text = verification_text(GOOD)
    assert "It came true, within 1.0 dB in every band, averaged over the seats." in text
    assert line_of(text, "40 Hz").split() == ["40", "Hz", "-0.2", "agrees"]
    assert line_of(text, "sofa").split() == ["sofa", "0.4", "agrees"]
    assert "Level: all seats are -0.5 dB from the prediction; that was removed first." in text
    for words in ("differs", "Look at these", "No single band", "Not measured", "knob", "stated"):
        assert words not in text


def test_what_does_not():
    text = verification_text(BAD)
    assert "It did not come true" in text
    assert line_of(text, "50 Hz").split() == ["50", "Hz", "+3.3", "differs"]
    assert line_of(text, "40 Hz").split()[-1] == "agrees"
    assert line_of(text, "bed").split() == ["bed", "4.1", "differs"]
    assert line_of(text, "sofa").split()[-1] == "agrees"
    assert "No single band explains it" in text


def test_suspects_are_named_with_both_gains():
    suspect = SuspectedSetting(label="50", planned_db=-3.0, looks_like_db=2.5)
    text = verification_text(replace(BAD, suspects=(suspect,)))
    assert "- 50 Hz: planned -3.0 dB, looks like +2.5 dB" in text
    assert "No single band" not in text


@pytest.mark.parametrize("found", [GOOD, BAD])
def test_seats_not_measured_again_are_named(found):
    text = verification_text(replace(found, not_measured_again=("bench", "stool")))
    assert text.rstrip().endswith("Not measured again: bench, stool.")


def test_a_skirt_is_told_apart_from_the_band_set_wrongly():
    suspect = SuspectedSetting(label="50", planned_db=-3.0, looks_like_db=2.5)
    skirt = BandCheck(label="63", difference_db=1.4, unexplained_db=0.1, agrees=False)
    other = BandCheck(label="80", difference_db=-2.0, unexplained_db=-1.9, agrees=False)
    text = verification_text(replace(BAD, suspects=(suspect,), bands=(*BAD.bands, skirt, other)))
    assert line_of(text, "50 Hz").endswith("differs, see below")
    assert line_of(text, "63 Hz").endswith("explained by 50 Hz")
    assert line_of(text, "80 Hz").endswith("differs")


def test_a_level_that_is_off_names_the_knob():
    off = LevelCheck(difference_db=-2.0, planned_db=-3.0, looks_like_db=-5.0, agrees=False)
    text = " ".join(verification_text(replace(GOOD, level=off)).split())
    assert "It came true" in text
    assert "the level knob stands 2.0 dB too low (planned -3.0 dB, looks like -5.0 dB)." in text
    unknown = LevelCheck(difference_db=2.0, planned_db=None, looks_like_db=None, agrees=False)
    text = " ".join(verification_text(replace(GOOD, level=unknown)).split())
    assert "the level knob stands 2.0 dB too high." in text


def test_stated_settings_are_named_with_both_values():
    stated = (
        StatedSetting(label="40", planned_db=-12.0, stated_db=-3.0),
        StatedSetting(label="level", planned_db=-2.5, stated_db=-6.0),
    )
    text = verification_text(replace(GOOD, stated=stated))
    assert "- 40 Hz: planned -12.0 dB, stated -3.0 dB" in text
    assert "- Level knob: planned -2.5 dB, stated -6.0 dB" in text
    assert "[device.present]" in text


def joining_check(look):
    return JoiningCheck(
        agrees=False,
        looks_like=look,
        seats=GOOD.seats,
        corner=80.0,
        loss_db=2.34,
        predicted_loss_db=0.61,
    )


def test_the_loss_of_the_sum_stands_beside_what_was_predicted():
    found = replace(GOOD, joining=joining_check(JoiningLook.AS_PLANNED))
    said = "Around 80 Hz the sum loses 2.3 dB of what both could give; 0.6 dB was predicted."
    assert said in " ".join(verification_text(found).split())


def test_bands_come_after_a_bypass_that_was_forgotten():
    """A low-pass still engaged looks like bands set too low around the crossover."""
    check = joining_check(JoiningLook.AS_BEFORE)
    suspects = tuple(
        SuspectedSetting(label=label, planned_db=0.0, looks_like_db=-9.0)
        for label in ("100", "80", "63")
    )
    skirt = BandCheck(label="50", difference_db=-1.4, unexplained_db=0.1, agrees=False)
    found = replace(BAD, suspects=suspects, bands=(skirt,), joining=check)
    text = verification_text(found)
    assert "bypass were set at all" in " ".join(text.split())
    assert "Only after that look at these settings" in text
    assert "Look at these settings first" not in text
    assert line_of(text, "50 Hz").endswith("explained by 100, 80 and 63 Hz")


def test_the_other_polarity_may_be_half_a_period():
    check = joining_check(JoiningLook.OTHER_POLARITY)
    text = " ".join(verification_text(replace(GOOD, agrees=False, joining=check)).split())
    assert "check that setting first, then which branch is delayed" in text


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
