"""Rows of plain numbers: numpy's and pandas' readers give the same array."""

import io
import random

import numpy as np
import pandas as pd
import pytest

from roomeq.importers import text_values
from roomeq.importers.text_cells import Dialect
from roomeq.importers.text_values import read_columns, read_unchecked_rows

DIALECTS = [
    Dialect(delimiter=",", decimal="."),
    Dialect(delimiter=";", decimal=","),
    Dialect(delimiter="\t", decimal="."),
    Dialect(delimiter="|", decimal="."),
    Dialect(delimiter=" ", decimal=","),
    Dialect(delimiter=", ", decimal=","),
]


@pytest.mark.parametrize("dialect", DIALECTS)
@pytest.mark.parametrize("large", [False, True])
def test_every_bit_comes_back(
    dialect: Dialect, large: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_values, "_PAYS_IF_LOADED", 0 if large else 10**9)
    draw = random.Random(1)
    table = [
        [draw.uniform(-1e3, 1e3) * 10.0 ** draw.randint(-9, 9) for _ in "abc"] for _ in "x" * 900
    ]
    text = "\n".join(dialect.delimiter.join(map(repr, row)) for row in table)
    text = text.replace(".", dialect.decimal)
    for columns in ((0, 1, 2), (0, 2)):
        read = read_columns(text, dialect=dialect, columns=columns, count=3)
        assert read.tolist() == [[row[c] for c in columns] for row in table]


@pytest.mark.parametrize("with_pandas", [False, True])
def test_a_part_of_the_text_in_pieces(with_pandas: bool) -> None:
    rows = "\n".join(f"{i},{i / 8}" for i in range(60_000))  # pandas asks for it in several pieces
    text = f"head,line\n{rows}\nfoot,line"
    read = read_unchecked_rows(
        text, dialect=DIALECTS[0], start=10, stop=len(text) - 10, with_pandas=with_pandas
    )
    expected = pd.read_csv(io.StringIO(rows), header=None).to_numpy()
    np.testing.assert_array_equal(read, expected)


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize("text", ["1,2\n3,x", "1,2\n3,4,5", "1,2\n# half\n3,4"])
def test_what_is_no_number_raises(text: str, large: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_values, "_PAYS_IF_LOADED", 0 if large else 10**9)
    with pytest.raises(ValueError, match=r".+"):
        read_columns(text, dialect=DIALECTS[0], columns=(0, 1), count=2)


def test_blank_lines_are_not_lost_silently(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "1,2\n\n3,4"
    monkeypatch.setattr(text_values, "_PAYS_IF_LOADED", 10**9)
    with pytest.raises(ValueError, match="blank"):
        read_columns(text, dialect=DIALECTS[0], columns=(0, 1), count=2)
    monkeypatch.setattr(text_values, "_PAYS_IF_LOADED", 0)
    read = read_columns(text, dialect=DIALECTS[0], columns=(0, 1), count=2)
    assert np.isnan(read[1]).all()
    assert read.shape == (3, 2)


PLAIN = {
    "quotes": ('"20";"70"\n21;71', Dialect(delimiter=";", decimal=".")),
    "comma": ("20,5;70\n21;71", Dialect(delimiter=";", decimal=",")),
    "groups": ("1,200.5;70\n21;71", Dialect(delimiter=";", decimal=".", grouping=",")),
    "bars": ("20|70\n 21 | 71 ", Dialect(delimiter="|", decimal=".")),
    "frame": ("|20|70|\n| 21 | 71 |", Dialect(delimiter="|", decimal=".")),
    "blanks": ("  20  70\n 21\t71", Dialect(delimiter=" ", decimal=".")),
    "absent": ("20,nan\n21,71", Dialect(delimiter=",", decimal=".")),
}
EXPECTED = {"comma": 20.5, "groups": 1200.5}


@pytest.mark.parametrize("kind", PLAIN)
@pytest.mark.parametrize("with_pandas", [False, True])
def test_rows_nobody_looked_at_are_read_as_written(kind: str, with_pandas: bool) -> None:
    text, dialect = PLAIN[kind]
    if not with_pandas and kind in ("quotes", "frame"):
        with pytest.raises(ValueError, match="for pandas"):
            read_unchecked_rows(text, dialect=dialect, start=0, stop=len(text), with_pandas=False)
        return
    read = read_unchecked_rows(
        text, dialect=dialect, start=0, stop=len(text), with_pandas=with_pandas
    )
    first = [EXPECTED.get(kind, 20.0), np.nan if kind == "absent" else 70.0]
    np.testing.assert_array_equal(read, [first, [21.0, 71.0]])


@pytest.mark.parametrize(
    ("text", "delimiter"),
    [
        ('20;70\n21;7"1"', ";"),  # once the quotes are gone, a number
        ('20;70\n"21;71', ";"),
        ("20|70\n21||71", "|"),  # once bars are blanks, a whole row
        ("|20|70|\n21|71|", "|"),
        ("|20|70|\n|21||71|", "|"),
        ("20;70\n21;7,1", ";"),
    ],
)
@pytest.mark.parametrize("with_pandas", [False, True])
def test_rows_nobody_looked_at_are_not_mended(text: str, delimiter: str, with_pandas: bool) -> None:
    dialect = Dialect(delimiter=delimiter, decimal=".")
    with pytest.raises(ValueError, match=r".+"):
        read_unchecked_rows(text, dialect=dialect, start=0, stop=len(text), with_pandas=with_pandas)
