"""Rows that stay, and their order."""

import numpy as np
import pytest

from roomeq.base.errors import MeasurementFileError
from roomeq.importers.text.layout import find_table
from roomeq.importers.text.values import clean_rows


def kept(text: str, *, has_heading: bool = True) -> tuple[list[float], str]:
    table = find_table(text)
    axis, numbers = table.values[:, 0], table.values[:, 1:]
    notes: list[str] = []
    rows = clean_rows(table, axis, numbers, has_heading=has_heading, notes=notes)
    return table.values[rows, 0].tolist(), " | ".join(notes)


@pytest.mark.parametrize(
    ("text", "frequencies", "note"),
    [
        ("20;70\n25;71\n31;70\n", [20, 25, 31], ""),
        ("31;70\n25;71\n20;70\n", [20, 25, 31], "descending"),
        ("0;70\n25;71\n31;70\n", [25, 31], "0 Hz"),
        ("31;70\n25;71\n0;-inf\n", [25, 31], "0 Hz"),
        ("20;70\n25;nan\n31;70\n", [20, 31], "1 row without"),
        ("20;70\nnan;71\n31;70\n", [20, 31], "1 row without"),
        ("20;70\n25;71\n25;71\n31;70\n", [20, 25, 31], "1 repeated row"),
    ],
)
def test_rows(text: str, frequencies: list[float], note: str) -> None:
    found, notes = kept(text)
    assert found == frequencies
    assert note in notes
    assert bool(note) == bool(notes)


def test_foreign_rows_go_only_where_no_heading_guards_them() -> None:
    rows = "48;24\n20.5;70.5\n25.5;71.5\n31.5;70.5\n40.5;70.5\n50.5;70.5\n"
    assert kept(rows, has_heading=False)[0] == [20.5, 25.5, 31.5, 40.5, 50.5]
    with pytest.raises(MeasurementFileError, match=r"20\.5 comes after 48") as caught:
        kept(rows)
    assert caught.value.line == 2


@pytest.mark.parametrize(
    ("text", "words", "line"),
    [
        ("20;70\n25;71\n25;72\n31;70\n", "other values", 3),
        ("20;70\n25;71\n-25;72\n-31;70\n", "-25", 3),
        ("20;nan\n25;71\n31;nan\n", "only 1 row", None),
    ],
)
def test_faults(text: str, words: str, line: int | None) -> None:
    with pytest.raises(MeasurementFileError, match=words) as caught:
        kept(text)
    assert caught.value.line == line


def test_a_clean_table_keeps_every_row() -> None:
    frequencies = np.geomspace(20.0, 200.0, 999)
    text = "\n".join(f"{f!r};70.5" for f in frequencies.tolist())
    assert kept(text) == (frequencies.tolist(), "")
