"""Choosing delimiter, decimal mark and shape."""

import csv

import pytest

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text.dialect import choose_shape

TABLE = [(20.5, 70.25), (21.5, 71.5), (100.5, -3.125), (200.0, 60.0)]


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_the_delimiter_is_the_one_the_csv_sniffer_names(mark: str) -> None:
    text = "\n".join(mark.join(map(str, row)) for row in TABLE)
    sniffed = csv.Sniffer().sniff(text, delimiters=",;\t|").delimiter
    shape = choose_shape(text.split("\n"))
    assert shape.delimiter == sniffed == mark
    assert (shape.count, shape.numeric) == (2, (0, 1))


@pytest.mark.parametrize(
    ("lines", "delimiter", "decimal"),
    [
        (["20,5;70,3", "21,5;71"], ";", ","),
        (["20,5  70,3", "21,5  71"], " ", ","),
        (["20.5 , 70.3", "21.5 , 71"], ",", "."),
        (["20,5, 70,3", "21,5, 71"], ", ", ","),
        (["999.5;70.3", "1,000.5;71"], ";", "."),
        (["999,5;70,3", "1.000,5;71"], ";", ","),
        (["500;70", "1,000;71", "12,000;72"], ";", "."),
        (["20.500;70.125", "21.500;71.250"], ";", "."),
    ],
)
def test_marks(lines: list[str], delimiter: str, decimal: str) -> None:
    shape = choose_shape(lines)
    assert (shape.delimiter, shape.decimal) == (delimiter, decimal)


def test_columns_of_text_are_set_apart() -> None:
    shape = choose_shape(["1;ok;20;70", "2;ok;25;71", "3;over;31;72"])
    assert (shape.count, shape.numeric) == (4, (0, 2, 3))
    assert shape.values("4;ok;40;-") is not None
    assert shape.values("4;ok;40") is None
    assert shape.values("x;ok;-;-") is None


def test_a_mark_deep_in_a_long_file_is_seen() -> None:
    lines = [f"{i};70" for i in range(1, 2000)] + ["2000,5;70"]
    assert choose_shape(lines).decimal == ","


def test_both_marks_possible_is_ambiguous() -> None:
    with pytest.raises(AmbiguousTableError, match="decimal"):
        choose_shape(["1,200;70", "1,500;71"])
    assert choose_shape(["1,200;70", "1,500;71"], decimal=",").decimal == ","
    with pytest.raises(MeasurementFileError, match="no table"):
        choose_shape(["Frequency;Level", ""])
