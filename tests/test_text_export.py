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

from roomeq.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text_export import TextExport, read_text_export

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


@pytest.mark.parametrize("seed", range(20))
def test_one_table_comes_back_from_every_dialect(tmp_path: Path, seed: int) -> None:
    for dialect in drawn(seed, 25):
        path = tmp_path / "export.txt"
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
    drawn_ones = list(itertools.chain.from_iterable(drawn(seed, 25) for seed in range(20)))
    for first, second in itertools.combinations(CHOICES, 2):
        seen = {(getattr(d, first), getattr(d, second)) for d in drawn_ones}
        pairs = set(itertools.product(CHOICES[first], CHOICES[second]))
        assert len(pairs - seen) <= 0.45 * len(pairs), (first, second, pairs - seen)
