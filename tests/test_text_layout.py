"""Finding the table: runs, pages, large files, line numbers."""

import numpy as np
import pytest

from roomeq.errors import MeasurementFileError
from roomeq.importers.text_layout import Table, find_table


def found(text: str) -> Table:
    return find_table(text, path="x.txt")


def test_the_table_between_text() -> None:
    table = found("Room 12\n\nHz;dB\n20;70\n25;71\n\n# pause\n31,5;70\n40;71,5\nMean;71\n")
    assert table.values.tolist() == [[20, 70], [25, 71], [31.5, 70], [40, 71.5]]
    assert table.line_numbers.tolist() == [4, 5, 8, 9]
    assert table.above[0] == "Hz;dB"
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


def large(**changes: str) -> str:
    rows = [f"{i / 2:.1f};{70 + (i * 7919 % 1000) / 100:.2f}" for i in range(1, 8_001)]
    for place, row in changes.items():
        rows[int(place[1:])] = row
    return "Sweep\nHz;dB\n" + "\n".join(rows) + "\nMean 71 dB\n"


@pytest.mark.parametrize("row", ["2000.5;nan", "", "# half way\n2000.5;71", "2000.5;-"])
def test_a_large_file_is_read_as_a_small_one(row: str, monkeypatch: pytest.MonkeyPatch) -> None:
    text = large(r4000=row)
    monkeypatch.setattr("roomeq.importers.text_layout._LARGE", 60_000)
    quick = found(text)
    monkeypatch.setattr("roomeq.importers.text_layout._LARGE", 10**9)
    slow = found(text)
    kept = np.isfinite(quick.values[:, 1])  # a blank line may stay as an empty row
    held = np.isfinite(slow.values[:, 1])
    np.testing.assert_array_equal(quick.values[kept], slow.values[held])
    np.testing.assert_array_equal(quick.line_numbers[kept], slow.line_numbers[held])
    assert quick.above[:2] == slow.above[:2] == ("Hz;dB", "Sweep")


@pytest.mark.parametrize("row", ["2000.5;7O", "2000.5", "2000.5;70;1"])
def test_a_fault_deep_in_a_large_file_is_found(row: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("roomeq.importers.text_layout._LARGE", 60_000)
    with pytest.raises(MeasurementFileError) as caught:
        found(large(r4000=row))
    assert caught.value.line == 4003


def test_marks_that_group_nothing_are_found_deep_in_a_large_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("roomeq.importers.text_layout._LARGE", 60_000)
    rows = [f"{i:,};70.5" for i in range(1, 9_001)]
    table = found("Hz;dB\n" + "\n".join(rows) + "\n")
    assert table.values[:, 0].tolist() == list(range(1, 9_001))
    rows[4_500] = "4,51;70.5"
    with pytest.raises(MeasurementFileError, match="'4,51'") as caught:
        found("Hz;dB\n" + "\n".join(rows) + "\n")
    assert caught.value.line == 4_502
