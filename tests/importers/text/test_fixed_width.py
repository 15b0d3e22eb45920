"""Blank cells and touching numbers in tables of fixed width; formatted with Python's own widths."""

import pytest

from roomeq.importers.text.dialect import choose_shape, fixed_width_lines


def completed(lines: list[str]) -> list[list[str]]:
    shape = choose_shape(lines)
    return [line.split() for line in fixed_width_lines(lines, shape=shape)]


@pytest.mark.parametrize("form", ["{:>8}{:>8}{:>8}", "{:<8}{:<8}{:<8}"])
def test_blank_cells(form: str) -> None:
    rows = [
        ("20.0", "70.1", "-10.5"),
        ("25.0", "", "-20.5"),
        ("31.5", "71.2", ""),
        ("40.0", "9.5", "3.5"),
    ]
    read = completed([form.format(*row) for row in rows] + ["Mean    70"])
    assert read[:4] == [[cell or "nan" for cell in row] for row in rows]
    assert read[4] == ["Mean", "70"]


def test_touching_numbers() -> None:
    rows = [(20.0, 70.1, -10.5), (125.0, 70.1, -170.25), (1250.0, -100.5, -170.25)]
    lines = ["{:7.1f}{:7.1f}{:8.2f}".format(*row) for row in rows]
    lines.append(f"{2000.0:7.1f}{-99999.5:7.1f}{-1170.25:8.2f}")
    assert completed(lines)[3] == ["2000.0-99999.5-1170.25"]  # too wide for its field: left alone
    lines[3] = f"{2000.0:7.1f}{-1000.5:7.1f}{-1170.25:8.2f}"
    assert completed(lines)[3] == ["2000.0", "-1000.5", "-1170.25"]


def test_a_last_row_that_may_be_cut_off_is_left_alone() -> None:
    assert completed(["20.0 70.1", "25.0 71.0", "31.5"])[2] == ["31.5"]
    assert completed(["20.0 70.1", "25.0 71.0", "48000 24", "3"])[3] == ["3"]
