"""Plain-text tables and paragraphs."""

from roomeq.report.text.layout import WIDTH, bullet_list, paragraph, signed, signed_setting, table


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
    lines = table([">Band", "Why"], [["20 Hz", "short"], ["31.5 Hz", long.strip()]], indent=2)
    assert lines[0] == "     Band  Why"
    assert lines[2] == "    20 Hz  short"
    assert lines[3].startswith("  31.5 Hz  word")
    assert lines[4].startswith("           word")
    assert max(map(len, lines)) <= WIDTH
    assert table(["A", "B"], [])[0] == "  A  B"


def test_columns_are_aligned_as_their_titles_say():
    lines = table(["Seat", ">Level", ">Left"], [["a", "1", "2"], ["longer", "-10.0", "+3.0"]])
    assert lines == [
        "  Seat    Level  Left",
        "  -------------------",
        "  a           1     2",
        "  longer  -10.0  +3.0",
    ]


def test_paragraphs_wrap_under_their_first_line():
    lines = paragraph("word " * 40, indent=2)
    assert len(lines) == 3
    assert all(line.startswith("  word") and len(line) <= WIDTH for line in lines)


def test_bullets_wrap():
    lines = bullet_list(["a " * 60, "b"])
    assert lines[0].startswith("  - a")
    assert lines[1].startswith("    a")
    assert lines[2] == "  - b"


def test_columns_of_words_give_way_to_the_last_one():
    seats = "front row left, window seat, lending desk, the bench behind the pillar"
    rows = [["29 Hz", seats, "cancellation: leave it", "shared, narrow, deep, minimum phase"]]
    titles = [">Dip", "Seats", "Verdict", "Evidence"]
    lines = table(titles, [*rows, ["31.5 Hz", "all", "", ""]])
    assert max(map(len, lines)) <= WIDTH
    assert " ".join(" ".join(line[10:48].split()) for line in lines[2:-1]).split() == seats.split()
    evidence = lines[0].index("Evidence")
    assert " ".join(line[evidence:].strip() for line in lines[2:-1]).strip() == rows[0][3]
    assert lines[-1].split() == ["31.5", "Hz", "all"]


def test_figures_are_never_wrapped():
    lines = table([">Level", ">Other"], [["1" * 70, "2" * 60]])
    assert lines[2].split() == ["1" * 70, "2" * 60]
