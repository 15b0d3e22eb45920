"""A comparison of two surveys in words."""

from msgspec.structs import replace

from roomeq.plan.verification import BandCheck, Cause, CauseCode, Comparison, SeatChange
from roomeq.report.text.comparison import comparison_text

SAME = Comparison(
    room="Back room",
    dates=("", ""),
    unchanged=True,
    level_agrees=True,
    tolerance_db=1.0,
    scatter_db=0.3,
    offset_db=0.04,
    source="sub",
    bands=(BandCheck(label="40", difference_db=0.1, unexplained_db=0.1, agrees=True),),
    bands_not_checked=("20",),
    causes=(Cause(code=CauseCode.AS_PLANNED),),
    seats=(
        SeatChange(
            seat="sofa",
            source="sub",
            level_db=0.1,
            tilt_db_per_octave=0.1,
            rest_db=0.2,
            agrees=True,
        ),
    ),
    stated=(),
    missing=(),
    new=(),
)


def said(**changes):
    return " ".join(comparison_text(replace(SAME, **changes)).split())


def test_without_dates_it_is_the_first_survey():
    assert "Nothing has changed since the first survey, as far as a repeat scatters" in said()
    assert "Not compared: 20 Hz." in said()
    assert "Back room: two surveys, 2024-01-02 and 2025-01-03" in said(
        dates=("2024-01-02", "2025-01-03")
    )


def test_what_cannot_be_told_is_said():
    text = said(unchanged=False, causes=())
    assert "Something has changed since the first survey." in text
    assert "Why cannot be told: nothing that was tried explains it" in text


def test_where_it_may_be_scatter_it_is_probable():
    causes = (Cause(code=CauseCode.LOW_PASS, value=80.0, engaged=True), *SAME.causes)
    text = said(unchanged=False, causes=causes)
    assert "Something has probably changed since the first survey." in text
    assert "It cannot be told from: - nothing has changed, and all this is scatter." in text


def test_what_stands_beside_no_change_is_listed():
    seat = Cause(code=CauseCode.SEAT_MOVED, seats=("sofa",))
    for level_agrees in (True, False):
        text = said(unchanged=level_agrees, level_agrees=level_agrees, causes=(*SAME.causes, seat))
        assert "Nor can this be ruled out: - the microphone stood elsewhere at sofa" in text


def test_a_seat_beyond_its_limit_is_scatter_where_nothing_has_changed():
    row = replace(SAME.seats[0], agrees=False, rest_db=2.4)
    assert "2.4 within the scatter" in said(seats=(row,))
    assert "2.4 shape" in said(seats=(row,), unchanged=False, causes=())


def test_causes_that_cannot_be_told_apart_are_listed():
    causes = (
        Cause(code=CauseCode.BAND, bands=("40",), gains_db=(3.0,), value=-4.0),
        Cause(code=CauseCode.HIGH_PASS, value=31.0, engaged=False),
        Cause(code=CauseCode.MAINS_LEVEL, value=3.0),
    )
    text = said(unchanged=False, causes=causes)
    assert (
        "Likely cause: the band at 40 Hz looks turned by +3.0 dB, and the subwoofer is 4.0 dB "
        "quieter. It cannot be told from: - a high-pass near 31 Hz was switched off. - the "
        "mains are 3.0 dB louder against the subwoofer." in text
    )
    assert "plan" not in text


def test_no_cause_speaks_of_a_plan():
    not_asked = (
        *("as_before", "signs", "scaled", "shifted", "exchanged", "width", "something_else"),
        *("polarity", "delay", "mains_high_pass"),
    )
    for code in (one for one in CauseCode if one.value not in not_asked):
        cause = Cause(code=code, bands=("40",), gains_db=(3.0,), seats=("sofa",), value=2.0)
        assert "plan" not in said(unchanged=False, causes=(cause,)), code
