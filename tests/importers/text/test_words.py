"""Headings in many languages, with and without units."""

import pytest

from roomeq.importers.text.words import folded, heading_of, is_unit_only


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
