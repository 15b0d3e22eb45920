"""Text exports come back whatever their dialect.

The truth is one table of our own, written in hundreds of invented dialects; writers from outside
the project (csv of the standard library, pandas, numpy) are a second source of files.
"""

import csv
import itertools
import math
import random
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text.export import TextExport, read_text_export

RNG = np.random.default_rng(20)
FREQUENCIES = np.round(np.geomspace(10.13, 1180.0, 41), 2)
LEVELS_DB = np.round(72.0 + RNG.normal(0.0, 7.0, 41), 2)
PHASES_DEG = np.round(np.linspace(170.0, -2300.0, 41), 1)  # unwrapped

# Words by language, as measuring people write them: frequency, level, phase, real, imaginary.
WORDS = {
    "English": ("Frequency", "Level", "Phase", "Real", "Imag"),
    "German": ("Frequenz", "Pegel", "Phase", "Realteil", "Imaginärteil"),
    "French": ("Fréquence", "Niveau", "Phase", "Partie réelle", "Partie imaginaire"),
    "Spanish": ("Frecuencia", "Nivel", "Fase", "Parte real", "Parte imaginaria"),
    "Italian": ("Frequenza", "Livello", "Fase", "Parte reale", "Parte immaginaria"),
    "Dutch": ("Frequentie", "Niveau", "Fase", "Reëel deel", "Imaginair deel"),
    "Swedish": ("Frekvens", "Nivå", "Fas", "Realdel", "Imaginärdel"),
    "Portuguese": ("Frequência", "Nível", "Fase", "Parte real", "Parte imaginária"),
    "Polish": ("Częstotliwość", "Poziom", "Faza", "Część rzeczywista", "Część urojona"),
}
PREAMBLES = {
    "none": (),
    "comments": ("# Sweep of 12 s, 3 averages", "# gain -6.5 dB at 1000 Hz", "#"),
    "stars": ("* Measured Monday, May 12, 2024", "* 1, 2, 3"),
    "keys": ("Sample rate: 48000", "Date; 12.05.2024; 10:30", "Range\t10\t1200", ""),
    "numbers": ("[setup]", "48000 24 1", "3 2 1", "[data]"),
    "date line": ("Living room, seat 1, 2024-05-12",),
}
FOOTERS = {
    "none": (),
    "mean": ("Mean 71.2 68.0",),
    "text": ("", "# 41 points, end of file"),
    "rule": ("-----", "Leq = 88.1 dB, max 92 at 31.5 Hz"),
}


@dataclass(frozen=True, kw_only=True)
class Dialect:
    delimiter: str
    decimal: str
    quoted: bool
    language: str
    heading: str
    frequency_unit: str
    level_unit: str
    second: str
    encoding: str
    newline: str
    descending: bool
    preamble: str
    footer: str
    at_zero: bool
    gaps: bool
    real_minus: bool


CHOICES = {
    "delimiter": ["\t", ",", ";", "|", "| |", "blanks", "fixed", " ; "],
    "decimal": [".", ","],
    "quoted": [False, False, True],
    "language": list(WORDS),
    "heading": ["brackets", "square", "slash", "two lines", "words only"],
    "frequency_unit": ["Hz", "kHz"],
    "level_unit": ["dB SPL", "dB", "dBFS", "Pa"],
    "second": ["none", "deg", "deg wrapped", "rad", "complex", "ignored"],
    "encoding": ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252",
                 "cp1250"],
    "newline": ["\n", "\r\n", "\r"],
    "descending": [False, True],
    "preamble": list(PREAMBLES),
    "footer": list(FOOTERS),
    "at_zero": [False, True],
    "gaps": [False, True],
    "real_minus": [False, True],
}  # fmt: skip


def possible(dialect: Dialect) -> bool:
    if dialect.decimal == "," and dialect.delimiter == "," and not dialect.quoted:
        return False  # ambiguous, tested below
    if dialect.quoted and dialect.delimiter in ("blanks", "fixed", "| |", " ; "):
        return False
    if dialect.heading == "words only":
        # Without units, only what the importer has to assume is left.
        return (
            dialect.frequency_unit == "Hz"
            and dialect.level_unit == "dB"
            and dialect.second in ("none", "deg wrapped", "complex")
        )
    return True


def columns_of(dialect: Dialect) -> list[tuple[str, str, np.ndarray]]:
    """Return word, unit and numbers of each column."""
    words = WORDS[dialect.language]
    spl = dialect.level_unit == "Pa"
    magnitudes = 10.0 ** (LEVELS_DB / 20.0) * (20e-6 if spl else 1.0)
    frequencies = FREQUENCIES / (1000.0 if dialect.frequency_unit == "kHz" else 1.0)
    columns = [(words[0], dialect.frequency_unit, frequencies)]
    if dialect.second == "complex":
        unit = "Pa" if spl else "V"
        turned = np.deg2rad(PHASES_DEG)
        columns.append((words[3], unit, magnitudes * np.cos(turned)))
        columns.append((words[4], unit, magnitudes * np.sin(turned)))
        return columns
    columns.append((words[1], dialect.level_unit, magnitudes if spl else LEVELS_DB))
    wrapped = (PHASES_DEG + 180.0) % 360.0 - 180.0
    if dialect.second == "ignored":
        columns.append(("Group delay", "ms", np.linspace(30.0, 2.0, 41)))
    elif dialect.second == "rad":
        columns.append((words[2], "rad", np.deg2rad(PHASES_DEG)))
    elif dialect.second != "none":
        phases = wrapped if dialect.second == "deg wrapped" else PHASES_DEG
        columns.append((words[2], "deg", phases))
    return columns


def number(value: float, dialect: Dialect) -> str:
    text = f"{value:.9f}" if abs(value) < 5.0 else f"{value:.6f}"
    if value != value:
        text = "nan"
    if dialect.real_minus and dialect.encoding.startswith("utf"):
        text = text.replace("-", "\u2212")
    return text.replace(".", dialect.decimal)


def line_of(cells: list[str], dialect: Dialect) -> str:
    if dialect.quoted:
        cells = [f'"{cell}"' for cell in cells]
    if dialect.delimiter == "| |":
        return "| " + " | ".join(cells) + " |"
    if dialect.delimiter == "blanks":
        return "  " + "   ".join(cells)
    if dialect.delimiter == "fixed":
        return "".join(cell.rjust(max(26, len(cell) + 2)) for cell in cells)
    return dialect.delimiter.join(cells)


def rendered(dialect: Dialect) -> str:
    columns = columns_of(dialect)
    words, units = [word for word, _, _ in columns], [unit for _, unit, _ in columns]
    frames = {"brackets": "{} ({})", "square": "{} [{}]", "slash": "{} / {}"}
    if dialect.heading == "two lines":
        heads = [line_of(words, dialect), line_of(units, dialect)]
    elif dialect.heading == "words only":
        heads = [line_of(words, dialect)]
    else:
        frame = frames[dialect.heading]
        heads = [line_of([frame.format(w, u) for w, u in zip(words, units, strict=True)], dialect)]
    rows = [[number(v, dialect) for v in row] for row in zip(*(c[2] for c in columns), strict=True)]
    if dialect.gaps:
        absent = [number(150.0, dialect) if dialect.frequency_unit == "Hz" else "", "nan"]
        place = int(np.searchsorted(FREQUENCIES, 150.0))
        if absent[0]:
            rows.insert(place, [*absent, *["nan"] * (len(columns) - 2)])
    if dialect.at_zero:
        rows.insert(0, [number(0.0, dialect), *["nan"] * (len(columns) - 1)])
    if dialect.descending:
        rows.reverse()
    lines = [
        *PREAMBLES[dialect.preamble],
        *heads,
        *(line_of(row, dialect) for row in rows),
        *FOOTERS[dialect.footer],
    ]
    return dialect.newline.join(lines) + dialect.newline


def encoded(text: str, encoding: str) -> bytes:
    try:
        return text.encode(encoding)
    except UnicodeEncodeError:  # a language that this code page cannot write
        return text.encode("utf-8")


def drawn(seed: int, count: int) -> list[Dialect]:
    draw = random.Random(seed)
    found: list[Dialect] = []
    while len(found) < count:
        dialect = Dialect(**{key: draw.choice(values) for key, values in CHOICES.items()})
        if possible(dialect):
            found.append(dialect)
    return found


@pytest.mark.parametrize("seed", range(16))
def test_one_table_comes_back_from_every_dialect(tmp_path: Path, seed: int) -> None:
    for count, dialect in enumerate(drawn(seed, 25)):
        path = tmp_path / f"{count}.txt"
        path.write_bytes(encoded(rendered(dialect), dialect.encoding))
        try:
            read = read_text_export(path)
        except Exception as error:
            raise AssertionError(f"{dialect}\n{rendered(dialect)[:600]}") from error
        (response,) = read.responses
        note = f"{dialect}\n{read.notes}"
        np.testing.assert_allclose(response.frequencies, FREQUENCIES, rtol=1e-9, err_msg=note)
        np.testing.assert_allclose(response.level_db, LEVELS_DB, atol=2e-3, err_msg=note)
        spl = dialect.level_unit == "Pa" or (
            dialect.level_unit == "dB SPL" and dialect.second != "complex"
        )
        assert response.level_reference == ("spl" if spl else "relative"), note
        assert response.has_phase is (dialect.second not in ("none", "ignored")), note
        if response.has_phase:
            turned = np.angle(response.pressure / np.exp(1j * np.deg2rad(PHASES_DEG)))
            np.testing.assert_allclose(turned, 0.0, atol=2e-4, err_msg=note)


def test_every_pair_of_choices_is_drawn() -> None:
    drawn_ones = list(itertools.chain.from_iterable(drawn(seed, 25) for seed in range(16)))
    for first, second in itertools.combinations(CHOICES, 2):
        seen = {(getattr(d, first), getattr(d, second)) for d in drawn_ones}
        pairs = set(itertools.product(CHOICES[first], CHOICES[second]))
        assert len(pairs - seen) <= 0.45 * len(pairs), (first, second, pairs - seen)


def export(tmp_path: Path, text: str, **arguments: object) -> TextExport:
    path = tmp_path / "export.txt"
    path.write_bytes(text.encode("utf-8"))
    return read_text_export(path, **arguments)  # type: ignore[arg-type]


def values_of(read: TextExport) -> list[list[float]]:
    return [read.responses[0].frequencies.tolist()] + [r.level_db.tolist() for r in read.responses]


# Writers from outside the project.


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
@pytest.mark.parametrize("quoting", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC])
@pytest.mark.parametrize("decimal", [".", ","])
def test_reads_what_the_csv_module_writes(
    tmp_path: Path, mark: str, quoting: int, decimal: str
) -> None:
    path = tmp_path / "export.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=mark, quoting=quoting)
        writer.writerow(["Frequency, Hz", "Level, dB SPL"])
        for row in zip(FREQUENCIES.tolist(), LEVELS_DB.tolist(), strict=True):
            writer.writerow([str(v).replace(".", ",") if decimal == "," else v for v in row])
    read = read_text_export(path)
    assert values_of(read) == [FREQUENCIES.tolist(), LEVELS_DB.tolist()]
    assert read.responses[0].level_reference == "spl"


@pytest.mark.parametrize("sep", [";", "\t", "|"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_reads_what_pandas_writes(tmp_path: Path, sep: str, decimal: str, encoding: str) -> None:
    path = tmp_path / "export.csv"
    frame = pd.DataFrame(
        {"Fréquence (Hz)": FREQUENCIES, "Sofa (dB)": LEVELS_DB, "Chair (dB)": 60.5}
    )
    frame.loc[5, "Chair (dB)"] = np.nan
    frame.to_csv(
        path, sep=sep, decimal=decimal, encoding=encoding
    )  # with the index as first column
    read = read_text_export(path, frequency_column="Fréquence")
    kept = np.delete(np.arange(41), 5)
    assert read.names == ("Sofa", "Chair")
    assert values_of(read) == [
        FREQUENCIES[kept].tolist(),
        LEVELS_DB[kept].tolist(),
        [60.5] * 40,
    ]
    assert any("1 row without a number" in note for note in read.notes)


@pytest.mark.parametrize("form", ["%.18e", "%.10f", "%12.4f", "%g"])
@pytest.mark.parametrize("delimiter", [" ", ",", "\t", ";"])
def test_reads_what_numpy_writes(tmp_path: Path, form: str, delimiter: str) -> None:
    path = tmp_path / "export.txt"
    table = np.column_stack([FREQUENCIES, LEVELS_DB])
    np.savetxt(path, table, fmt=form, delimiter=delimiter, header=f"Hz{delimiter}dB")
    read = read_text_export(path)
    expected = np.loadtxt(path, delimiter=None if delimiter == " " else delimiter)
    assert values_of(read) == expected.T.tolist()


def test_numbers_are_read_to_the_last_bit(tmp_path: Path) -> None:
    draw = random.Random(3)
    levels = [draw.uniform(-120.0, 120.0) for _ in range(3000)]
    rows = "\n".join(f"{20 + i / 16!r};{v!r}" for i, v in enumerate(levels))
    read = export(tmp_path, f"Hz;dB\n{rows}")
    assert values_of(read)[1] == levels


# What has to be told.


@pytest.mark.parametrize(
    ("text", "argument", "told"),
    [
        ("20,5,70,3\n21,5,71,3\n25,0,70,9\n", "decimal", {"decimal": ","}),
        ("f,L\n20,5,70,3\n21,5,71,3\n", "decimal", {"decimal": ",", "delimiter": ","}),
        ("20,70,71\n25,71,72\n31,70,70\n", "decimal", {"decimal": ".", "level_column": (2, 3)}),
        ("1,200\t70\n1,500\t71\n", "decimal", {"decimal": ",", "frequency_unit": "Hz"}),
        ("20 70 71\n25 71 72\n50 70 70\n", "level_column", {"level_column": (2, 3)}),
        ("20 70 -31\n25 71 -72\n50 70 3\n", "phase_column", {"level_column": 2, "phase_column": 3}),
        ("0.02 70\n0.05 71\n0.2 70\n", "frequency_unit", {"frequency_unit": "kHz"}),
        ("Hz;dB\n0.02;70\n0.05;71\n0.2;70\n", "frequency_unit", {"frequency_unit": "kHz"}),
        ("Hz;Magnitude\n20;0.7\n25;0.9\n", "level_unit", {"level_unit": "ratio"}),
        ("Hz;dB;Phase\n20;70;0.5\n25;71;-1\n", "phase_unit", {"phase_unit": "rad"}),
        ("Hz;dB;Phase\n20;70;5\n25;71;4\n30;70;1\n", "phase_unit", {"phase_unit": "deg"}),
        ("Hz;dB;dB;deg\n20;70;60;1\n25;71;61;3\n", "phase_column",
         {"level_column": 3, "phase_column": 4}),
        ("1 20.0 70\n2 25.0 71\n3 31.5 70\n", "frequency_column",
         {"frequency_column": 2, "level_column": 3}),
        ("f1 (Hz);dB;f2 (Hz);dB\n20;70;21;60\n25;71;26;61\n", "frequency_column",
         {"frequency_column": 3, "level_column": 4}),
        ("70\t20\n71\t25\n70.5\t31\n", "frequency_column",
         {"frequency_column": 2, "level_column": 1}),
    ],
)  # fmt: skip
def test_what_is_ambiguous_names_the_argument_that_settles_it(
    tmp_path: Path, text: str, argument: str, told: dict[str, object]
) -> None:
    with pytest.raises(AmbiguousTableError, match=argument):
        export(tmp_path, text)
    assert export(tmp_path, text, **told).responses


def test_commas_of_both_kinds_are_read_as_told(tmp_path: Path) -> None:
    text = "20,5,70,3\n21,5,71,3\n25,0,-70,9\n"
    read = export(tmp_path, text, decimal=",")
    assert values_of(read) == [[20.5, 21.5, 25.0], [70.3, 71.3, -70.9]]
    spaced = "20,5, 70,3\n21,5, 71,3\n125,0, 70,9\n"
    assert values_of(export(tmp_path, spaced)) == [[20.5, 21.5, 125.0], [70.3, 71.3, 70.9]]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("20,5;70,3\n21,5;71\n100;60,1", [[20.5, 21.5, 100], [70.3, 71, 60.1]]),
        ("20,5\t70,3\n21,5\t71\n100\t60,1", [[20.5, 21.5, 100], [70.3, 71, 60.1]]),
        ("20,500\t70,312\n21,000\t71,500\n900,000\t6,000", [[20.5, 21, 900], [70.312, 71.5, 6]]),
        ("f\tL (dB)\n500\t70\n1,000\t71\n12,000\t72", [[500, 1000, 12000], [70, 71, 72]]),
        ("999,5;70,1\n1.000,5;71\n10.000;72", [[999.5, 1000.5, 10000], [70.1, 71, 72]]),
        ("999,5;70,1\n1 000,5;71\n10 000;72", [[999.5, 1000.5, 10000], [70.1, 71, 72]]),
        ("999,5  70,1\n1\u202f000,5  71\n10\u00a0000  72",
         [[999.5, 1000.5, 10000], [70.1, 71, 72]]),
        ("999.5;70.1\n1'000.5;71\n10\u2019000;72", [[999.5, 1000.5, 10000], [70.1, 71, 72]]),
        ('"999.5","70.1"\n"1,000.5","71"\n', [[999.5, 1000.5], [70.1, 71]]),
        (" 2.0D+01  7.0D+01\n 3.0d+01  7.1D+01\n", [[20, 30], [70, 71]]),
        ("20 Hz;70 dB\n800 Hz;71 dB\n1,5 kHz;72,5 dB", [[20, 800, 1500], [70, 71, 72.5]]),
        ("40 Hz 70.5 dB\n80 Hz 71.5 dB\n", [[40, 80], [70.5, 71.5]]),
        ('"20.5;70.3"\n"100;71"', [[20.5, 100], [70.3, 71]]),
        ("   20.0  70.5\n  125.0\n 1000.0-100.5\n 1250.0  70.0\n",
         [[20, 1000, 1250], [70.5, -100.5, 70]]),
        ("|f|L|\n|:--|--:|\n|Hz|dB|\n|20|70|\n|200|71|", [[20, 200], [70, 71]]),
        ("\u221220;1\n".replace("\u221220", "20") + "200;\u221271,5", [[20, 200], [1, -71.5]]),
    ],
)  # fmt: skip
def test_marks_and_groups(tmp_path: Path, text: str, expected: list[list[float]]) -> None:
    assert values_of(export(tmp_path, text)) == expected


# Traps.


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("48000 24 1\n", ""),
        ("Sweep 1\n48000 24 1\n\n", ""),
        ("1 2 3\n", ""),
        ("", "Mean 71.2 68.0\n"),
        ("", "\n12 71.2 68.0\n"),
        ("", "mean of all\n\n5 71.2 68.0\n"),
        ("12 May 2024\n", "2 rows\n"),
        ("Bass, May 12, 2024\n5\n", ""),
    ],
)  # fmt: skip
def test_numbers_of_preamble_and_footer_are_no_rows(
    tmp_path: Path, before: str, after: str
) -> None:
    rows = "20.0 70.1 3.5\n25.0 71.2 4.5\n31.5 70.3 1.5\n40.0 71.1 2.5\n50.0 70.0 1.0\n"
    told = {"level_column": 2, "phase_column": 3, "phase_unit": "deg"}
    read = export(tmp_path, before + rows + after, **told)
    np.testing.assert_allclose(
        values_of(read), [[20, 25, 31.5, 40, 50], [70.1, 71.2, 70.3, 71.1, 70.0]], atol=1e-9
    )


def test_settings_before_a_falling_table_are_no_row(tmp_path: Path) -> None:
    rows = "".join(f"{f:.1f} {70 + f / 100:.2f}\n" for f in np.geomspace(20000, 20, 50))
    read = export(tmp_path, "48000 24\n" + rows)
    assert read.responses[0].frequencies[-1] == 20000.0
    assert any("line 1" in note and "48000" in note for note in read.notes)


def test_pages_with_repeated_headings_are_one_table(tmp_path: Path) -> None:
    page = "Freq (Hz)\tLevel (dB)\n"
    text = page + "20\t70\n25\t71\n\n\fPage 2\n" + page + "40\t72\n50\t73\n# end of page\n60\t74\n"
    assert values_of(export(tmp_path, text)) == [[20, 25, 40, 50, 60], [70, 71, 72, 73, 74]]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("Hz;dB\n20;70\n25;7O\n31;71\n", 3, "'7O'"),
        ("Hz;dB\n20;70\n25;70\n31;OVL\n40;71\n", 4, "'OVL'"),
        ("Hz;dB\n20;7O\n25;70\n31;70\n", 2, "'7O'"),
        ("Hz;dB\n20;70\n25;70\n31;7O\n", 4, "'7O'"),
        ("Hz;dB\n20;70\n25\n31;70\n", 3, "1 cell"),
        ("Hz;dB\n20;70\n25;71;3\n31;70\n", 3, "3 cells"),
        ("Hz;dB\n20;70\n25;71\n31", 4, "cut off"),
        ("Hz;dB\n20;70\n25;71\n25;72\n31;70\n", 4, "line 3"),
        ("Hz;dB\n-20;70\n25;71\n", 2, "-20"),
        ("Hz;dB\n20;70\n25;71\n22;70\n31;70\n40;70\n50;71\n", 4, "22 comes after 25"),
        ("Hz;dB\n20;70\n25;71\n31;72\n40;70\n50;71\n12;68\n", 7, "12 comes after 50"),
        ("\r\n\r\nHz;dB\r\n20;70\r\n25;x1\r\n31;70\r\n", 5, "'x1'"),
        (
            "Hz;dB\n20;70\n25;71\n30;72\n40;70\n\nHz;dB\n20;60\n25;61\n30;62\n40;60\n",
            8,
            "one table",
        ),
        ("70\n71\n72\n", 1, "two columns"),
        ("Frequency,Level\n20,5,70,3\n21,5,70\n25,71,0\n30,70,0\n", 2, "4 cells"),
    ],
)
def test_a_fault_is_named_with_its_line(tmp_path: Path, text: str, line: int, words: str) -> None:
    with pytest.raises(MeasurementFileError, match=words) as caught:
        export(tmp_path, text)
    assert caught.value.line == line
    assert caught.value.path == str(tmp_path / "export.txt")
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "is empty"),
        (b" \r\n\r\n", "is empty"),
        (b"\xef\xbb\xbf", "is empty"),
        (b"Frequency (Hz);Level (dB)\r\n", "no table"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt ", "WAV"),
        (b"PK\x03\x04\x14\x00", "workbook"),
        (bytes(range(256)) * 9, "not text"),
        (b"\x01\x02\x03\x04 20;70\n", "not text"),
        (b'{"frequency": [20, 25]}', "JSON"),
        (b"20;70\n", "1 row"),
        (b"Hz;dB\n20;nan\n25;nan\n31;nan\n", "no numbers"),
        (b"Hz;dB(A)\n20;70\n25;71\n", "A-weighted"),
        (b"Hz;LCeq (dB)\n20;70\n25;71\n", "C-weighted"),
        (b"Hz;deg\n20;70\n25;71\n", "no level"),
        (b"rad/s;dB\n20;70\n25;71\n", "rad/s"),
        (b"Hz;Pa\n20;-0.1\n25;0.1\n", "-0.1"),
        (b"Hz;Pa\n20;0.1\n25;0\n", "zero"),
    ],
)
def test_what_is_no_measurement_is_refused(tmp_path: Path, raw: bytes, words: str) -> None:
    path = tmp_path / "export.txt"
    path.write_bytes(raw)
    with pytest.raises(MeasurementFileError, match=words) as caught:
        read_text_export(path)
    assert caught.value.remedy


def test_misuse_is_no_fault_of_the_file(tmp_path: Path) -> None:
    text = "Hz;dB;dB\n20;70;60\n25;71;61\n"
    for arguments in (
        {"frequency_column": 0},
        {"level_column": True},
        {"level_column": ()},
        {"frequency_unit": "MHz"},
        {"level_unit": "dBA"},
        {"phase_unit": "turns"},
        {"decimal": "·"},
        {"delimiter": ""},
        {"encoding": "no such codec"},
        {"frequency_column": 1, "level_column": 1},
        {"phase_column": 1, "level_column": (2, 3)},
    ):
        with pytest.raises(ValueError, match=next(iter(arguments))):
            export(tmp_path, text, **arguments)
    with pytest.raises(MeasurementFileError, match="no column 4"):
        export(tmp_path, text, level_column=4)
    with pytest.raises(MeasurementFileError, match="'Floor'"):
        export(tmp_path, text, level_column="Floor")
    with pytest.raises(FileNotFoundError):
        read_text_export(tmp_path / "missing.txt")


# Seats, phase, coherence, units.


def test_seats_keep_their_names_and_share_one_axis(tmp_path: Path) -> None:
    text = (
        "No.;Frequency (Hz);Sofa left (dB SPL);Chair (dB SPL);Distortion (%)\n"
        "1;0;nan;60;1\n2;20;70;60;1\n3;25;71;nan;1\n4;31.5;72;62;1\n5;40;73;63;2\n"
    )
    read = export(tmp_path, text)
    assert read.names == ("Sofa left", "Chair")
    assert values_of(read) == [[20, 31.5, 40], [70, 72, 73], [60, 62, 63]]
    assert {r.level_reference for r in read.responses} == {"spl"}
    told = " | ".join(read.notes)
    for words in ("column 1 (No.) ignored", "column 5 (Distortion) ignored", "0 Hz", "1 row"):
        assert words in told
    (chair,) = export(tmp_path, text, level_column="Chair").responses
    assert chair.level_db.tolist() == [60, 62, 63]


def test_names_over_groups_of_columns(tmp_path: Path) -> None:
    text = (
        ";Front left;;Front right;\n"
        "Frequency (Hz);Level (dB SPL);Phase (deg);Level (dB SPL);Phase (deg)\n"
        "20;70;10;60;20\n25;71;30;61;40\n40;70;10;60;20\n"
    )
    read = export(tmp_path, text)
    assert read.names == ("Front left Level", "Front right Level")
    np.testing.assert_allclose(read.responses[1].level_db, [60, 61, 60])
    np.testing.assert_allclose(read.responses[1].phase_deg, [20, 40, 20])
    np.testing.assert_allclose(read.responses[0].phase_deg, [10, 30, 10])


def test_coherence_gives_the_signal_to_noise_ratio(tmp_path: Path) -> None:
    # c / (1 - c): Bendat and Piersol, Random Data, noise in the output only; 0.5 is 0 dB, 0.9 is
    # 10 lg 9 = 9.542 dB, 10/11 is 10 dB.
    head = "Freq (Hz),Level (dB),Coherence\n"
    read = export(tmp_path, head + "20,70,0.5\n30,71,0.9\n40,70,0.9090909090909091\n50,70,1\n")
    snr_db = read.responses[0].snr_db
    assert snr_db is not None
    np.testing.assert_allclose(snr_db, [0.0, 10 * math.log10(9), 10.0, 60.0], atol=1e-9)
    unusable = export(tmp_path, head + "20,70,0.5\n30,71,7\n40,70,0.9\n")
    assert unusable.responses[0].snr_db is None
    assert any("no usable coherence" in note for note in unusable.notes)


def test_pascals_are_levels_re_20_micropascals(tmp_path: Path) -> None:
    # ISO 1683: 20 uPa is 0 dB, 1 Pa is 93.979 dB.
    read = export(tmp_path, "Hz;Pressure (Pa)\n20;0.00002\n50;1\n80;2\n")
    np.testing.assert_allclose(read.responses[0].level_db, [0.0, 93.9794, 100.0], atol=1e-4)
    assert read.responses[0].level_reference == "spl"
    micro = export(tmp_path, "Hz;Schalldruck (µPa)\n20;20\n50;1000000\n")
    np.testing.assert_allclose(micro.responses[0].level_db, [0.0, 93.9794], atol=1e-4)


def test_the_file_is_left_alone_and_pandas_is_not_loaded_for_it(tmp_path: Path) -> None:
    import subprocess
    import sys

    path = tmp_path / "export.txt"
    path.write_text("Hz;dB\n" + "".join(f"{20 + i};{70 + i % 7}\n" for i in range(500)))
    before = path.read_bytes()
    code = (
        "import sys; from roomeq.importers.text.export import read_text_export\n"
        f"read_text_export({str(path)!r})\n"
        "print([m for m in ('pandas', 'scipy', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    assert path.read_bytes() == before


def test_level_and_phase_become_the_complex_ratio(tmp_path: Path) -> None:
    """Against the complex exponential, also at half turns, where the tangent has its pole."""
    phases = [0.0, 45.0, 90.0, 180.0, -180.0, 179.9999, -90.0, 270.0, 360.0, -7290.5, 1e-7]
    levels = [70.0, -3.5, 0.0, 20.0, 94.0, 60.1, -120.0, 12.25, 1.0, 75.5, 80.0]
    rows = "\n".join(f"{20 + i};{levels[i]};{phases[i]!r}" for i in range(len(phases)))
    path = tmp_path / "export.txt"
    path.write_text(f"Frequency (Hz);Level (dB);Phase (deg)\n{rows}\n", encoding="utf-8")
    (response,) = read_text_export(path).responses
    expected = 10.0 ** (np.array(levels) / 20.0) * np.exp(1j * np.deg2rad(phases))
    error = np.abs(response.pressure - expected) / np.abs(expected)
    assert error.max() < 3e-15
