"""Finding the table: runs, pages, large files, line numbers."""

import random

import numpy as np
import pytest

from roomeq.base.errors import MeasurementFileError
from roomeq.importers.text.layout import Table, find_table


def found(text: str) -> Table:
    return find_table(text)


def test_the_table_between_text() -> None:
    table = found("Room 12\n\nHz;dB\n20;70\n25;71\n\n# pause\n31,5;70\n40;71,5\nMean;71\n")
    assert table.values.tolist() == [[20, 70], [25, 71], [31.5, 70], [40, 71.5]]
    assert table.line_numbers.tolist() == [4, 5, 8, 9]
    assert table.remarks[0] == (3, "Hz;dB")
    assert table.notes == ("1 line of text between rows ignored",)


def test_numbers_elsewhere_are_noted() -> None:
    table = found("3;4\nHz;dB\n20;70\n25;71\n31;70\n40;71\n\n12;68\nend\n5;6\n")
    assert table.values[0].tolist() == [20, 70]
    assert "line 1: '3;4'" in table.notes[0]
    assert "line 10: '5;6'" in table.notes[0]


def test_a_second_table_is_refused() -> None:
    with pytest.raises(MeasurementFileError, match="more than one table"):
        found("Hz;dB\n20;70\n25;71\n31;70\n40;71\nHz;dB\n20;60\n25;61\n31;60\n40;61\n")
    with pytest.raises(MeasurementFileError, match="more than one table"):
        found("Hz;dB\n20;70\n25;71\n31;70\n40;71\nHz;a;b\n20;6;1\n25;6;1\n31;6;2\n40;6;2\n")


def large(mark: str = ";", count: int = 1_200, **changes: str) -> str:
    rows = [f"{i / 2:.1f}{mark}{70 + (i * 7919 % 1000) / 100:.2f}" for i in range(1, count + 1)]
    for place, row in changes.items():
        rows[int(place[1:])] = row
    return f"Sweep\nHz{mark}dB\n" + "\n".join(rows) + "\nMean 71 dB\n"


def outcome(text: str) -> Table | str:
    try:
        return find_table(text)
    except MeasurementFileError as error:
        return str(error)


LINES = {
    **{f"comment {mark}": f"{mark} half way 12" for mark in "#%*!/'"},
    **{word: f"300.25;{word}" for word in ("nan", "-", "inf", "", "OVL", "7O", "70 dB", "7,1")},
    **{"no frequency": ";70", "Nan": "Nan;70", "tab": "\t300.25;70", "exponent": "3.0025e2;70"},
    **{
        "quoted": '300.25;"70"',
        "open": '300.25;"70',
        "inside": '300.25;7"0"',
        "nothing": "nan;nan",
    },
    **{"blank": "", "blanks": "   ", "pause": "pause", "indented": "  # 1", "cut": "300."},
    **{"nothing": "nan;nan"},
    **{"heading": "Hz;dB", "other heading": "Hz;dB SPL", "zero": "0;0", "long": "300.25;70;1"},
    **{"wide digits": "300.25;\uff17\uff10", "underscore": "300.25;7_0", "bars": "300.25|70"},
}


def unlike_line_by_line(text: str, monkeypatch: pytest.MonkeyPatch) -> str | None:
    """Return the outcome if it is not what reading line by line gives."""
    quick = outcome(text)
    for module in ("layout", "dialect"):
        monkeypatch.setattr(f"roomeq.importers.text.{module}.plain_numbers", lambda *_: None)
    slow = outcome(text)
    if isinstance(quick, str) or isinstance(slow, str):
        return None if quick == slow else f"{quick}, {slow}"
    np.testing.assert_array_equal(quick.values, slow.values)
    np.testing.assert_array_equal(quick.line_numbers, slow.line_numbers)
    parts = ("remarks", "notes", "rows", "shape")
    return next((part for part in parts if getattr(quick, part) != getattr(slow, part)), None)


@pytest.mark.parametrize(
    ("place", "count"), [(2, 1_200), (600, 1_200), (1_198, 1_200), (20, 40), (38, 40)]
)
@pytest.mark.parametrize("kind", LINES)
def test_a_table_is_read_as_line_by_line(
    kind: str, place: int, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = large(count=count, **{f"r{place}": LINES[kind]})
    assert unlike_line_by_line(text, monkeypatch) is None


@pytest.mark.parametrize("row", ["1.000;70", "300,25;7.1", "1.000,5;70", "300,25;70,", "300,25;,5"])
def test_a_long_table_with_decimal_commas_is_read_as_line_by_line(
    row: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = large().replace(".", ",").replace("300,0;", f"{row}\n300,0;")
    assert unlike_line_by_line(text, monkeypatch) is None


def test_a_long_table_of_fixed_width_is_read_as_line_by_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rows = [f"{i / 2:8.1f}{70 + i % 9:8.2f}{i % 7:8.1f}" for i in range(1, 1_201)]
    rows[0] = rows[0][:8] + " " * 8 + rows[0][16:]
    text = "\n".join([f"{'Hz':>8}{'dB':>8}{'deg':>8}", *rows])
    assert len(found(text).values) == 1_200
    assert unlike_line_by_line(text, monkeypatch) is None


@pytest.mark.parametrize("row", ["300.25||71", "300.25|71|", "|300.25|71|", "|300.25||71|"])
@pytest.mark.parametrize("frame", ["", "|"])
def test_a_long_table_with_bars_is_read_as_line_by_line(
    row: str, frame: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = large("|", r600=row).split("\n")
    text = "\n".join(f"{frame}{line}{frame}" if line != row else row for line in lines)
    assert unlike_line_by_line(text, monkeypatch) is None


@pytest.mark.parametrize("mark", [",", ", ", ";", "\t", "|", "  ", " ; "])
@pytest.mark.parametrize("decimal", [".", ","])
def test_every_bit_of_a_long_table_comes_back(mark: str, decimal: str) -> None:
    draw = random.Random(1)
    table = [[20 + i / 8, draw.gauss() * 10.0 ** draw.randint(-9, 2)] for i in range(900)]
    rows = [mark.join(map(repr, row)).replace(".", decimal) for row in table]
    if mark == decimal == ",":
        rows = [f'"{row[0]}","{row[1]}"'.replace(".", ",") for row in table]
    assert found("\n".join(rows)).values.tolist() == table


@pytest.mark.parametrize("row", ["300.25;7O", "300.25", "300.25;70;1"])
def test_a_fault_deep_in_a_long_table_is_found(row: str) -> None:
    with pytest.raises(MeasurementFileError) as caught:
        found(large(r600=row))
    assert caught.value.line == 603


def test_marks_that_group_nothing_are_found_deep_in_a_long_table() -> None:
    rows = [f"{i:,};70.5" for i in range(1, 9_001)]
    table = found("Hz;dB\n" + "\n".join(rows) + "\n")
    assert table.values[:, 0].tolist() == list(range(1, 9_001))
    rows[4_500] = "4,51;70.5"
    with pytest.raises(MeasurementFileError, match="'4,51'") as caught:
        found("Hz;dB\n" + "\n".join(rows) + "\n")
    assert caught.value.line == 4_502


def test_comments_in_a_long_table_are_counted() -> None:
    lines = large().split("\n")
    for place in range(1_150, 10, -40):
        lines.insert(place, "# here")
    table = found("\n".join(lines))
    assert len(table.values) == 1_200
    assert table.notes == ("29 lines of text between rows ignored",)


def test_a_number_below_a_long_table_is_not_taken_for_its_last_row() -> None:
    table = found(large() + "999;3\n")
    assert len(table.values) == 1_200
    assert "999;3" in table.notes[0]


def test_a_delimiter_of_two_characters_in_a_long_table() -> None:
    table = find_table(large("::"), delimiter="::")
    assert table.values[0].tolist() == [0.5, 79.19]
    assert len(table.values) == 1_200
