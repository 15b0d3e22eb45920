"""A verification as text: what is printed is what was found."""

import pytest
from msgspec.structs import replace

from roomeq.report.verification_text import verification_text
from roomeq.verification import BandCheck, SeatCheck, SuspectedSetting, Verification

GOOD = Verification(
    room="Cabin",
    agrees=True,
    tolerance_db=1.0,
    offset_db=-1.5,
    seats=(SeatCheck(seat="sofa", difference_db=0.4, agrees=True),),
    bands=(BandCheck(label="40", difference_db=-0.2, agrees=True),),
    suspects=(),
    not_measured_again=(),
)
BAD = replace(
    GOOD,
    agrees=False,
    seats=(*GOOD.seats, SeatCheck(seat="bed", difference_db=4.1, agrees=False)),
    bands=(*GOOD.bands, BandCheck(label="50", difference_db=3.3, agrees=False)),
)


def line_of(text, start):
    return next(line for line in text.splitlines() if line.strip().startswith(start))


def test_what_agrees():
    text = verification_text(GOOD)
    assert "It came true, within 1.0 dB in every band, averaged over the seats." in text
    assert line_of(text, "40 Hz").split() == ["40", "Hz", "-0.2", "agrees"]
    assert line_of(text, "sofa").split() == ["sofa", "0.4", "agrees"]
    assert "All seats are -1.5 dB from the predicted level" in text
    for words in ("differs", "Look at these", "No single band", "Not measured again"):
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
