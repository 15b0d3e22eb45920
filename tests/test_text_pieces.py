"""Rows of a large text in pieces: what is read is what reading line by line gives."""

import numpy as np
import pytest

from roomeq.errors import MeasurementFileError
from roomeq.importers import text_layout, text_pieces, text_values
from roomeq.importers.text_cells import Dialect
from roomeq.importers.text_dialect import Shape
from roomeq.importers.text_layout import Table, find_table
from roomeq.importers.text_pieces import LargeRows, read_large_rows

ROWS = [f"{20 + i / 2:.1f};{70 + (i * 7919 % 1000) / 100:.2f}" for i in range(900)]
SHAPE = Shape(dialect=Dialect(delimiter=";", decimal="."), count=2, numeric=(0, 1), plain=True)


@pytest.fixture(autouse=True)
def _small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_pieces, "_processors", lambda: 2)
    monkeypatch.setattr(text_pieces, "_LARGEST_PIECE", 1500)
    monkeypatch.setattr(text_layout, "_LARGE", 3000)
    monkeypatch.setattr(text_layout, "_END", 900)


@pytest.fixture(params=[False, True], ids=["numpy", "pandas"], autouse=True)
def _reader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("_PAYS_IF_LOADED", "_PAYS_TO_LOAD"):
        monkeypatch.setattr(text_values, name, 0 if request.param else 10**9)


def rows_of(text: str) -> LargeRows | None:
    return read_large_rows(text, start=0, stop=len(text), shape=SHAPE, first_line=5)


@pytest.mark.parametrize("threads", [1, 3])
def test_all_rows_come_back_in_order(threads: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_pieces, "_processors", lambda: threads)
    read = rows_of("\n".join(ROWS))
    assert read is not None
    assert read.values.tolist() == [[float(cell) for cell in row.split(";")] for row in ROWS]
    assert read.lines.tolist() == list(range(5, 905))
    assert read.skipped == ()


def test_text_between_rows_is_taken_out_and_counted() -> None:
    lines = list(ROWS)
    for place, text in ((700, "# last"), (300, "Märker µ 日本"), (10, "% 3;4"), (10, "pause")):
        lines.insert(place, text)
    read = rows_of("\n".join(lines))
    assert read is not None
    assert read.skipped == ("pause", "% 3;4", "Märker µ 日本", "# last")
    assert [lines[line - 5] for line in read.lines] == ROWS
    assert len(read.values) == len(ROWS)
    assert read.values[-1, 0] == 469.5


@pytest.mark.parametrize("line", ["300.1;7O", "300.1", "300.1;70;1", "3OO.1;70", '3;7"0"', " # x"])
def test_a_line_that_is_neither_row_nor_text_is_left_to_others(line: str) -> None:
    assert rows_of("\n".join([*ROWS[:500], line, *ROWS[500:]])) is None


LINES = {
    **{f"comment {mark}": f"{mark} half way 12" for mark in "#%*!/'"},
    **{
        "pause": "pause",
        "Nan": "Nan;70",
        "nan": "200.1;nan",
        "dash": "200.1;-",
        "inf": "200.1;inf",
    },
    **{"unit": "200.1;70 dB", "empty": "200.1;", "first empty": ";70", "tab": "\t200.1;70"},
    **{"comma": "200.1;7,1", "quoted": '200.1;"70"', "open": '200.1;"70', "inside": '200.1;7"0"'},
    **{"exponent": "2.001e2;70", "blank": "", "blanks": "   ", "indented": "  # 1", "cut": "200."},
    **{"heading": "Hz;dB", "other heading": "Hz;dB SPL", "twice": ROWS[359], "zero": "0;0"},
}


def outcome(text: str) -> Table | str:
    try:
        return find_table(text, path="x")
    except MeasurementFileError as error:
        return str(error)


@pytest.mark.parametrize("place", [2, 360, 898])
@pytest.mark.parametrize("kind", LINES)
def test_a_large_file_is_read_as_a_small_one(
    kind: str, place: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "Room\nHz;dB\n" + "\n".join([*ROWS[:place], LINES[kind], *ROWS[place:]]) + "\nend\n"
    quick = outcome(text)
    monkeypatch.setattr(text_layout, "_LARGE", 10**9)
    slow = outcome(text)
    if isinstance(quick, str) or isinstance(slow, str):
        assert quick == slow
        return
    held = np.where(np.isfinite(quick.values), quick.values, np.nan)
    np.testing.assert_array_equal(held, slow.values)
    np.testing.assert_array_equal(quick.line_numbers, slow.line_numbers)
    assert quick.notes == slow.notes
    assert quick.above[:2] == slow.above[:2]


def test_comments_do_not_send_a_large_file_the_long_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_layout, "_rows", None)
    lines = list(ROWS)
    for place in range(850, 10, -40):
        lines.insert(place, "# here")
    table = find_table("Hz;dB\n" + "\n".join(lines) + "\n", path="x")
    assert len(table.values) == len(ROWS)
    assert table.notes == ("21 lines of text between rows ignored",)


def test_a_number_below_the_table_is_not_taken_for_its_last_row() -> None:
    table = find_table("Hz;dB\n" + "\n".join(ROWS) + "\nMean\n999;3\n", path="x")
    assert len(table.values) == len(ROWS)
    assert "999;3" in table.notes[0]
