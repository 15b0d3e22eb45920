"""Headings in many languages, with and without units.

Cells: splitting, numbers, absent numbers, plain rows.
"""

import csv
import io
import math

import pytest

from roomeq.importers.text.words import (
    Dialect,
    folded,
    heading_of,
    is_unit_only,
    starts_with_number,
)


@pytest.mark.parametrize(
    ("text", "role", "unit"),
    [
        ("Frequency (Hz)", "frequency", "Hz"),
        ("f / kHz", "frequency", "kHz"),
        ("Frequenz [Hz]", "frequency", "Hz"),
        ("Mittenfrequenz", "frequency", None),
        ("Fréquence, Hz", "frequency", "Hz"),
        ("Frecuencia", "frequency", None),
        ("Frequenza (kHz)", "frequency", "kHz"),
        ("Frequentie", "frequency", None),
        ("Frekvens Hz", "frequency", "Hz"),
        ("Frequência", "frequency", None),
        ("Częstotliwość", "frequency", None),
        ("Pegel [dB]", "level", "dB"),
        ("Schalldruckpegel (dB)", "level", "dB SPL"),
        ("Niveau de pression acoustique (dB)", "level", "dB SPL"),
        ("Nivel de presión sonora dB", "level", "dB SPL"),
        ("Livello di pressione sonora [dB]", "level", "dB SPL"),
        ("Geluidsdrukniveau (dB)", "level", "dB SPL"),
        ("Ljudtrycksnivå (dB)", "level", "dB SPL"),
        ("Nível de pressão sonora (dB)", "level", "dB SPL"),
        ("Poziom ciśnienia akustycznego [dB]", "level", "dB SPL"),
        ("Level (dB re 20 µPa)", "level", "dB SPL"),
        ("Level (dB re 20 μPa)", "level", "dB SPL"),  # Greek mu, not the micro sign
        ("SPL", "level", "dB SPL"),
        ("Level (dBFS)", "level", "dBFS"),
        ("Frequency response (dB)", "level", "dB"),
        ("Frequenzgang", "level", None),
        ("Magnitude", "level", None),
        ("Pressure (Pa)", "level", "Pa"),
        ("Gain (lin)", "level", "ratio"),
        ("Phase (°)", "phase", "deg"),
        ("Phasenlage [Grad]", "phase", "deg"),
        ("Fase (gradi)", "phase", "deg"),
        ("Fas (grader)", "phase", "deg"),
        ("Faza (stopnie)", "phase", "deg"),
        ("Winkel / rad", "phase", "rad"),
        ("Realteil", "real", None),
        ("Partie réelle (Pa)", "real", "Pa"),
        ("Reëel deel", "real", None),
        ("Im", "imaginary", None),
        ("Część urojona", "imaginary", None),
        ("Kohärenz", "coherence", None),
        ("Cohérence (%)", "coherence", "%"),
        ("γ²", "coherence", None),
        ("Group delay (ms)", "other", "ms"),
        ("Laufzeit", "other", None),
        ("No.", "index", None),
        ("Front left", "unknown", None),
        ("Hz", "frequency", "Hz"),
        ("deg", "phase", "deg"),
    ],
)
def test_role_and_unit(text: str, role: str, unit: str | None) -> None:
    heading = heading_of(text)
    assert (heading.role, heading.unit) == (role, unit)


@pytest.mark.parametrize(
    ("text", "weighting"),
    [
        ("Level dB(A)", "A"),
        ("Pegel [dBA]", "A"),
        ("LAeq (dB)", "A"),
        ("LCeq", "C"),
        ("Level dB(C)", "C"),
        ("Level dB(Z)", None),
        ("LZeq", None),
        ("Level (dB)", None),
        ("Area A (dB)", None),
    ],
)
def test_weighting(text: str, weighting: str | None) -> None:
    assert heading_of(text).weighting == weighting


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Front left [dB SPL]", "Front left"),
        ("Seat 1 (dB)", "Seat 1"),
        ("Pegel / dB", "Pegel"),
        ("Level, dB", "Level"),
        ("Sofa (left) dB", "Sofa (left)"),
        ("Left/right (dB)", "Left/right"),
        ("dB", "dB"),
    ],
)
def test_a_name_is_the_heading_without_its_unit(text: str, name: str) -> None:
    assert heading_of(text).text == name


def test_means_and_noise_are_no_seats() -> None:
    assert heading_of("Mean (dB)").secondary
    assert heading_of("Noise level (dB)").secondary
    assert not heading_of("Seat 1 (dB)").secondary


def test_folding_and_bare_units() -> None:
    assert folded("  Łódź_Øre µ ") == "lodz ore u"
    assert all(map(is_unit_only, ("Hz", "(dB SPL)", "[deg]", "", "dB re 20 µPa")))
    assert not any(map(is_unit_only, ("Level", "Phase", "Seat 1", "Level dB")))


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
