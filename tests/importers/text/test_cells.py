"""Cells: splitting, numbers, absent numbers, plain rows."""

import csv
import io
import math

import pytest

from roomeq.importers.text.cells import Dialect, starts_with_number

POINT = Dialect(delimiter=";", decimal=".")
COMMA = Dialect(delimiter=";", decimal=",")


@pytest.mark.parametrize(
    ("dialect", "cell", "value"),
    [
        (POINT, "20.5", 20.5),
        (POINT, "+.5", 0.5),
        (POINT, "-5.", -5.0),
        (POINT, "1e3", 1000.0),
        (POINT, "1.5D-02", 0.015),
        (POINT, "1,234.5", 1234.5),
        (POINT, "1'234'567", 1234567.0),
        (POINT, "12 345.5", 12345.5),
        (COMMA, "20,5", 20.5),
        (COMMA, ",5", 0.5),
        (COMMA, "1,5e2", 150.0),
        (COMMA, "1.234,5", 1234.5),
        (COMMA, "20", 20.0),
        (POINT, "1,23", None),
        (POINT, "0,123", None),
        (POINT, "1234,567", None),
        (POINT, "1_0", None),
        (POINT, "0x10", None),
        (POINT, "12.5.2024", None),
        (POINT, "7O", None),
        (COMMA, "20,", None),
        (COMMA, "20.5", None),
        (POINT, "20 Hz", 20.0),
        (POINT, "1.5kHz", 1500.0),
        (POINT, "20 cm", None),
    ],
)
def test_numbers(dialect: Dialect, cell: str, value: float | None) -> None:
    assert dialect.number(cell) == value


@pytest.mark.parametrize(
    "cell", ["", "nan", "NaN", "-inf", "---", "-", "#N/A", "#NV", "n/a", "1.#QNAN", "1e999", "***"]
)
def test_absent_numbers(cell: str) -> None:
    value = POINT.number(cell)
    assert value is not None
    assert math.isnan(value)


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_splits_quoted_cells_as_the_csv_module_does(mark: str) -> None:
    cells = ["20,5", "a;b", 'say "x"', "", "c|d", "70"]
    written = io.StringIO()
    csv.writer(written, delimiter=mark, quoting=csv.QUOTE_ALL).writerow(cells)
    assert Dialect(delimiter=mark, decimal=".").split(written.getvalue().strip("\r\n")) == cells


def test_splits() -> None:
    assert Dialect(delimiter=" ", decimal=".").split('  20 \t "7 0"  x ') == ["20", "7 0", "x"]
    bars = Dialect(delimiter="|", decimal=".")
    assert bars.split("| 20 | 70 |") == bars.split("20|70") == ["20", "70"]
    assert bars.split("20|70|") == ["20", "70", ""]
    assert POINT.split("'20';'70'") == ["20", "70"]


def test_lines_that_start_with_a_number() -> None:
    assert all(map(starts_with_number, ("20", '  "-20,5"', "| .5 |", "; 3", "12 May")))
    assert not any(map(starts_with_number, ("", "Mean 71", "# 20", "- x", "--- 3")))
