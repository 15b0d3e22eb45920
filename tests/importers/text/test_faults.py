"""Numbers outside the table and broken rows."""

import pytest

from roomeq.base.errors import MeasurementFileError
from roomeq.importers.text.dialect import choose_shape
from roomeq.importers.text.layout import broken_row, find_table

LINES = ["Hz;dB", "20;70", "25;71", "# pause", "31;70", "40;71", "Mean;71"]
SHAPE = choose_shape(LINES)


def notes(*lines: str) -> tuple[str, ...]:
    table = find_table("\n".join(lines))
    assert table.line_numbers.tolist() == [2, 3, 5, 6]
    return table.notes


def test_text_is_let_go() -> None:
    assert notes(*LINES) == ("1 line of text between rows ignored",)


@pytest.mark.parametrize("line", ["27;7O", "27", "27;70;1", '"27";x'])
def test_numbers_inside_are_rows_or_faults(line: str) -> None:
    lines = [*LINES[:3], line, *LINES[4:], "50;70", "63;71", "80;70"]
    with pytest.raises(MeasurementFileError) as caught:
        find_table("\n".join(lines))
    assert caught.value.line == 4


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("50", True),
        ("50;7O", True),
        ("12", False),
        ("12;7O", False),
        ("Max;90", False),
        ("", False),
    ],
)
def test_a_line_below_that_carries_on_is_a_broken_row(line: str, fault: bool) -> None:
    lines = [*LINES[:6], line]
    if fault:
        with pytest.raises(MeasurementFileError) as caught:
            notes(*lines)
        assert caught.value.line == 7
    else:
        assert notes(*lines) == ("1 line of text between rows ignored",)


def test_broken_rows_are_explained() -> None:
    assert "'27' (1 cells) is no row like the others, which have 2 cells" in str(
        broken_row("27", 4, SHAPE)
    )
    error = broken_row("27;7O", 4, SHAPE)
    assert (error.line, error.where) == (4, "column 2")
    assert "'7O'" in error.message
    assert "frequencies in order" in broken_row("22;70", 4, SHAPE).message


def test_many_numbers_outside_are_a_second_table() -> None:
    lines = [*LINES, "20;60;1", "25;61;1", "31;60;1", "40;61;1"]
    with pytest.raises(MeasurementFileError, match="lines 8 to 11"):
        notes(*lines)
    note, _ = notes(*lines[:9])
    assert "line 8: '20;60;1'" in note


def test_rows_that_carry_on_behind_empty_cells_are_a_fault() -> None:
    rows = "20 70\n25 71\n31 70\n40 71\n"
    with pytest.raises(MeasurementFileError) as caught:
        find_table(f"{rows}||50||70\n||63||71\n")
    assert caught.value.line == 5
    assert find_table(f"{rows}||12||70\n").line_numbers.tolist() == [1, 2, 3, 4]
