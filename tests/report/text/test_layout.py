"""Plain-text tables and paragraphs."""

from types import SimpleNamespace

from roomeq.base.levels import signed, signed_setting
from roomeq.report.text.layout import (
    WIDTH,
    bullets,
    counted,
    joined,
    number,
    page,
    said,
    text_of,
    worded,
)


def laid_out(*part):
    return text_of(part).splitlines()


def table(titles, rows):
    return laid_out(titles, *rows)


def test_words_are_filled_in_with_attributes_and_what_is_told():
    words = worded("""
loss: {loss_db:.1f} dB at {place}, {loss_db:.1f dB|more|less}, {told:|yes|no}
    and {change:+.1f} dB
rows: >Place = {place} Hz | Not known = {unknown:.1f} | >Change dB = {change:+.2f}
""")
    thing = SimpleNamespace(loss_db=-2.04, place="20", unknown=None)
    assert words("loss", thing, told=True, change=-0.01) == (
        "-2.0 dB at 20, 2.0 dB less, yes and 0.0 dB"
    )
    changes = [{"change": 1.0}, {"unknown": float("nan"), "change": 0.0}]
    titles, *rows = words.table("rows", [thing, thing], changes)
    assert titles == [">Place", "Not known", ">Change dB"]
    assert rows == [["20 Hz", "", "+1.00"], ["20 Hz", "", "0.00"]]
    plain = worded("seats: Seat = {place} | >Level = {loss_db:+.1f}").table("seats", [thing])
    assert plain == [["Seat", ">Level"], ["20", "-2.0"]]
    assert said("{a:|inverted|normal}", a=False) == "normal"
    assert said("{a:|at {a:.0f} Hz|nowhere}", a=None) == "nowhere"
    assert said("{a:|at {a:.0f} Hz|nowhere}", a=20.0) == "at 20 Hz"
    assert said("{a:|of {a}|of none}", a="bed | sofa") == "of bed | sofa"
    assert [number(None), number(3.14159, digits=2)] == ["", "3.14"]
    assert [counted(1, "seat"), counted(2, "seat")] == ["1 seat", "2 seats"]


def test_a_column_in_which_nothing_stands_is_left_out():
    lines = table(["Seat", ">Now", ">Then"], [["sofa", "", "1"], ["bed", "", "2"]])
    assert lines[0].split() == ["Seat", "Then"]
    assert lines[-1].split() == ["bed", "2"]
    assert table(["Seat", ">Now"], [["sofa", " "]])[0].split() == ["Seat", "Now"]
    assert laid_out("Seats", ["Seat"]) == ["Seats"]
    assert text_of([["Seat"]], [], "", "end") == "end\n"


def test_signed_zero_has_no_sign():
    assert signed(-0.04) == "0.0"
    assert signed(0.06) == "+0.1"
    assert signed(-3) == "-3.0"
    assert signed(-0.04, digits=2) == "-0.04"
    assert signed(None) == ""  # what is not known is not zero


def test_settings_have_the_decimals_of_their_step():
    assert signed_setting(1.25, step_db=0.25) == "+1.25"
    assert signed_setting(1.5, step_db=0.25) == "+1.50"
    assert signed_setting(-3.0) == "-3.0"
    assert signed_setting(0.0) == "0.0"
    assert signed_setting(0.125, step_db=0.125) == "+0.125"


def test_table_aligns_and_wraps():
    long = "word " * 40
    lines = table([">Band", "Why"], [["20 Hz", "short"], ["31.5 Hz", long.strip()]])
    assert lines[0] == "     Band  Why"
    assert lines[2] == "    20 Hz  short"
    assert lines[3].startswith("  31.5 Hz  word")
    assert lines[4].startswith("           word")
    assert max(map(len, lines)) <= WIDTH


def test_columns_are_aligned_as_their_titles_say():
    lines = table(["Seat", ">Level", ">Left"], [["a", "1", "2"], ["longer", "-10.0", "+3.0"]])
    assert lines == [
        "  Seat    Level  Left",
        "  -------------------",
        "  a           1     2",
        "  longer  -10.0  +3.0",
    ]


def test_paragraphs_wrap_under_their_first_line():
    lines = laid_out("  " + "word " * 40)
    assert len(lines) == 3
    assert all(line.startswith("  word") and len(line) <= WIDTH for line in lines)


def test_bullets_wrap():
    lines = laid_out(*bullets(["a " * 60, "b"]))
    assert lines[0].startswith("  - a")
    assert lines[1].startswith("    a")
    assert lines[2] == "  - b"


def test_columns_of_words_give_way_and_no_word_is_broken():
    seats = "front row left, window seat, lending desk, the bench behind the pillar"
    rows = [["29 Hz", seats, "cancellation: leave it", "shared, narrow, deep, minimum phase"]]
    titles = [">Dip", "Seats", "Verdict", "Evidence"]
    lines = table(titles, [*rows, ["31.5 Hz", "all", "", ""]])
    assert max(map(len, lines)) <= WIDTH
    starts = [lines[0].index(title) for title in ("Seats", "Verdict", "Evidence")]
    for start, stop, words in zip(starts, [*starts[1:], None], rows[0][1:], strict=True):
        assert " ".join(" ".join(line[start:stop] for line in lines[2:-1]).split()) == words
    assert lines[-1].split() == ["31.5", "Hz", "all"]


def test_titles_wrap_before_figures_do():
    rows = [["a very long name of a seat", "-10.0", "+3.0"]]
    with page(40):
        lines = table(["Seat", ">Weighted deviation dB", ">Predicted dB"], rows)
    assert max(map(len, lines)) <= 40
    assert "-10.0" in "".join(lines)
    assert " ".join(" ".join(lines[:3]).split()).count("dB") == 2


def test_columns_without_room_follow_below_beside_the_first():
    with page(60):
        lines = table([">Level", *(f">{n}" for n in range(12))], [["20 Hz", *(["12345"] * 12)]])
    assert max(map(len, lines)) <= 60
    assert [line.split()[0] for line in lines if "Level" in line or "Hz" in line] == [
        *("Level", "20"),
        *("Level", "20"),
    ]
    assert "".join(lines).count("12345") == 12
    lone = table([">Level", ">Other"], [["1" * 70, "2" * 60]])
    assert lone[2].split() == ["1" * 70, "2" * 60]  # a figure is never wrapped


def test_a_figure_keeps_its_unit_and_a_path_its_letters():
    words = "the level of the seat is at most 12.5 dB there, within 3 % of 1.25 ms and 40 Hz, "
    path = "/very/long/" + "folder" * 12 + "/file.txt"
    for width in range(30, 60):
        with page(width):
            lines = laid_out(words * 3 + path)
        assert not [line for line in lines if line[-1].isdigit()]
        assert path in lines
        assert " ".join(lines) == words * 3 + path


def test_words_are_joined():
    assert joined([]) == ""
    assert joined(["a"]) == "a"
    assert joined(["a", "b", "c"]) == "a, b and c"
