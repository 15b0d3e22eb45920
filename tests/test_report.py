"""Words and plain-text tables."""

from pathlib import Path

import msgspec
import pytest

from roomeq.optimiser.band_gain_fit import NoChange
from roomeq.optimiser.reasons import Reason
from roomeq.overview import room_overview
from roomeq.plan import Caution, CautionCode
from roomeq.proposal import propose
from roomeq.report.layout import WIDTH, bullet_list, signed, table
from roomeq.report.plan_text import plan_text
from roomeq.report.room_text import room_text
from roomeq.report.wording import caution_text, no_change_text, reason_text
from roomeq.room_reading import read_room

SAMPLES = Path(__file__).parents[1] / "sample_measurements"


@pytest.fixture(scope="module")
def hall():
    return read_room(SAMPLES / "rented_hall")


@pytest.fixture(scope="module")
def plan(hall):
    return propose(hall, node_limit=1)


@pytest.mark.parametrize("reason", [None, *Reason])
def test_every_reason_has_words(plan, reason):
    band = msgspec.structs.replace(plan.bands[0], reason=reason)
    words = reason_text(band, plan)
    assert isinstance(words, str)
    assert bool(words) == (reason is not None)


@pytest.mark.parametrize("code", list(CautionCode))
def test_every_caution_has_words(code):
    words = caution_text(Caution(code=code, value=4.2, name="back row"))
    assert words.endswith(".")


@pytest.mark.parametrize("code", list(NoChange))
def test_every_no_change_has_words(plan, code):
    assert "Keep" in no_change_text(msgspec.structs.replace(plan, no_change=code))


def test_settings_are_printed_as_they_are(plan):
    text = plan_text(plan)
    for band in plan.bands:
        line = next(x for x in text.splitlines() if x.strip().startswith(f"{band.label} Hz "))
        now, wanted = line.split("Hz", 1)[1].split()[:2]
        assert float(now) == band.present_db
        assert float(wanted) == band.gain_db
        assert ("  set" in line) == (band.gain_db != band.present_db)
    assert f"{plan.level.change_db:+.1f} dB" in text
    for words in ("volume down", "licensed people", "protective earth"):
        assert words in text
    assert all(len(line) <= WIDTH + 4 for line in text.splitlines())


def test_room_text_holds_every_seat_and_band(hall):
    overview = room_overview(hall)
    text = room_text(overview)
    for seat in hall.survey.seats:
        assert seat in text
    for band in overview.bands:
        assert f"{band.label} Hz" in text
    assert "nothing that looks wrong" in text


def test_signed_zero_has_no_sign():
    assert signed(-0.04) == "0.0"
    assert signed(0.06) == "+0.1"
    assert signed(-3) == "-3.0"


def test_table_aligns_and_wraps():
    long = "word " * 40
    lines = table([">Band", "Why"], [["20 Hz", "short"], ["31.5 Hz", long.strip()]], indent=2)
    assert lines[0] == "     Band  Why"
    assert lines[2] == "    20 Hz  short"
    assert lines[3].startswith("  31.5 Hz  word")
    assert lines[4].startswith("           word")
    assert max(map(len, lines)) <= WIDTH
    assert table(["A", "B"], [])[0] == "  A  B"


def test_bullets_wrap():
    assert bullet_list(["a " * 60])[1].startswith("    a")
