"""Headings above a table: one line or two, and lines that are none."""

import pytest

from roomeq.base.errors import MeasurementFileError
from roomeq.importers.text.header import read_headings
from roomeq.importers.text.layout import find_table

ROWS = "20.5 70.1 3.5\n25.5 71.1 4.5\n31.5 70.2 5.5\n"


def headings(text: str) -> tuple[tuple[str, ...], bool]:
    return read_headings(find_table(text))


@pytest.mark.parametrize(
    ("head", "mark", "texts"),
    [
        ("Freq (Hz) SPL (dB) Phase (deg)", " ", ("Freq (Hz)", "SPL (dB)", "Phase (deg)")),
        ("# Freq Hz Level dB SPL Phase deg", " ", ("Freq Hz", "Level dB SPL", "Phase deg")),
        ("Freq  Sound level  Phase", " ", ("Freq", "Sound level", "Phase")),
        ("Freq;Level;Phase\nHz;dB;deg", ";", ("Freq Hz", "Level dB", "Phase deg")),
        ("Hz;dB;deg\nFreq;Level;Phase", ";", ("Freq Hz", "Level dB", "Phase deg")),
        ("Freq;Level;Phase\n-----\n\nData", ";", ("Freq", "Level", "Phase")),
        ("Freq, Level, Phase", "\t", ("Freq", "Level", "Phase")),
        (";Sofa;\nFreq;Level;Phase", ";", ("Freq", "Sofa Level", "Sofa Phase")),
        (";Sofa;Chair\nHz;dB;dB", ";", ("Hz", "Sofa dB", "Chair dB")),
        ("Freq;Sofa;\n;dB;deg", ";", ("Freq", "Sofa dB", "deg")),
        ('"Freq; Hz";"Level";"Phase"', ";", ("Freq; Hz", "Level", "Phase")),
        ("Freq;Level", ";", ("Freq", "Level", "")),
        (";Freq;Level", ";", ("", "Freq", "Level")),
        ("Freq;1;2", ";", ("Freq", "1", "2")),
    ],
)  # fmt: skip
def test_headings(head: str, mark: str, texts: tuple[str, ...]) -> None:
    found = headings(f"Room 12\n{head}\n{ROWS.replace(' ', mark)}")
    assert found == (texts, True)


@pytest.mark.parametrize(
    "head",
    [
        "Level check, May 12, 2024",
        "Frequency sweep, 12 May, 2024",
        "Frequency range: 20, 200, Hz",
        "Start frequency, 20, 200",
        "Measured, by, Ann",
        "Frequency sweep, on 2024-05-12, upstairs",
        "Phase, 3, 2",
    ],
)
def test_a_preamble_with_as_many_commas_is_no_heading(head: str) -> None:
    found = headings(f"{head}\n{ROWS.replace(' ', ',')}")
    assert found == (("", "", ""), False)


def test_units_in_the_cells_count() -> None:
    assert headings("20 Hz;70 dB\n25 Hz;71 dB\n")[0] == ("Hz", "dB")
    assert headings("f;Sofa\n20;70 dB\n25;71 dB\n")[0] == ("f", "Sofa (dB)")


def test_numbers_between_heading_and_rows_are_a_fault() -> None:
    with pytest.raises(MeasurementFileError, match="4 cells") as caught:
        headings("Freq,Level\n20,5,70,3\n21,5,70\n25,71,0\n30,70,0\n")
    assert caught.value.line == 2
