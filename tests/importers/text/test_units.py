"""Units told and judged; levels and phases against numpy and the standards."""

import numpy as np
import pytest

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text.units import (
    Column,
    coherence_snr_db,
    frequency_scale,
    level_in_db,
    phase_in_deg,
)
from roomeq.importers.text.words import heading_of


def column(values, heading="x") -> Column:
    read = np.asarray(values, dtype=float)
    return Column(
        number=2, heading=heading_of(heading), values=read, lines=np.arange(read.size) + 1
    )


@pytest.mark.parametrize(
    ("span", "heading", "scale"),
    [
        ((20, 200), "x", 1.0),
        ((20, 25), "x", 1.0),
        ((0.5, 24000), "x", 1.0),
        ((0.02, 0.2), "kHz", 1000.0),
        ((5, 20), "Hz", 1.0),
        ((0.02, 0.2), "x", None),
        ((0.02, 20), "x", None),
        ((0.1, 48), "x", None),
        ((0.02, 0.2), "Hz", None),
        ((20, 20000), "kHz", None),
    ],
)
def test_frequency_unit(span: tuple[float, float], heading: str, scale: float | None) -> None:
    axis = np.linspace(*span, 50)
    if scale is None:
        with pytest.raises(AmbiguousTableError, match="frequency_unit"):
            frequency_scale(column(axis, heading), unit=None, notes=[])
    else:
        assert frequency_scale(column(axis, heading), unit=None, notes=[]) == scale
    assert frequency_scale(column(axis, heading), unit="kHz", notes=[]) == 1000.0


@pytest.mark.parametrize(
    ("heading", "value", "level_db", "reference"),
    [
        ("dB SPL", 70.0, 70.0, "spl"),
        ("dB", 70.0, 70.0, "relative"),
        ("dBFS", -30.0, -30.0, "relative"),
        ("Pa", 1.0, 93.9794, "spl"),  # 20 lg(1 Pa / 20 uPa), reference of ISO 1683
        ("mPa", 20.0, 60.0, "spl"),
        ("µPa", 20.0, 0.0, "spl"),
        ("lin", 0.5, -6.0206, "relative"),
        ("Level", -3.0, -3.0, "relative"),
        ("Level", 70.0, 70.0, "relative"),
    ],
)
def test_level_unit(heading: str, value: float, level_db: float, reference: str) -> None:
    found, kind = level_in_db(column([value, value], heading), unit=None, notes=[])
    np.testing.assert_allclose(found, level_db, atol=1e-4)
    assert kind == reference


@pytest.mark.parametrize("values", [[0.0, 1.0], [0.3, 12.0], [-600.0, 0.0], [70.0, 900.0]])
def test_levels_that_may_be_something_else(values: list[float]) -> None:
    with pytest.raises(AmbiguousTableError, match="level_unit"):
        level_in_db(column(values), unit=None, notes=[])
    assert level_in_db(column(values), unit="dB SPL", notes=[])[1] == "spl"


def test_weighted_levels_are_refused_unless_told() -> None:
    weighted = column([70.0], "Level dB(A)")
    with pytest.raises(MeasurementFileError, match="A-weighted"):
        level_in_db(weighted, unit=None, notes=[])
    assert level_in_db(weighted, unit="dB", notes=[])[0] == 70.0


PHASES_DEG = np.linspace(100.0, -2000.0, 300)


@pytest.mark.parametrize(
    ("values", "factor"),
    [
        ((PHASES_DEG + 180.0) % 360.0 - 180.0, 1.0),
        (PHASES_DEG % 360.0, 1.0),
        (PHASES_DEG, 1.0),
        (np.angle(np.exp(1j * np.deg2rad(PHASES_DEG))), 180.0 / np.pi),
        (np.deg2rad(PHASES_DEG), None),
        (np.linspace(60.0, -80.0, 300), None),
        (np.linspace(0.5, -1.0, 300), None),
    ],
)
def test_phase_unit(values: np.ndarray, factor: float | None) -> None:
    if factor is None:
        with pytest.raises(AmbiguousTableError, match="phase_unit"):
            phase_in_deg(column(values), unit=None, notes=[])
    else:
        notes: list[str] = []
        found = phase_in_deg(column(values), unit=None, notes=notes)
        np.testing.assert_allclose(found, values * factor)
        assert "assumed" in notes[0]
    told = phase_in_deg(column(values), unit="rad", notes=[])
    np.testing.assert_allclose(told, np.rad2deg(values))


def test_coherence() -> None:
    # From a signal and noise of known powers: coherence s/(s+n), ratio s/n (Bendat and Piersol).
    signal, noise = np.array([1.0, 4.0, 100.0]), np.array([1.0, 2.0, 1.0])
    coherence = signal / (signal + noise)
    expected = 10.0 * np.log10(signal / noise)
    np.testing.assert_allclose(coherence_snr_db(column(coherence)), expected)
    np.testing.assert_allclose(coherence_snr_db(column(100 * coherence, "Coh %")), expected)
    np.testing.assert_allclose(coherence_snr_db(column([0.0, 1.0])), [-60.0, 60.0])
    assert coherence_snr_db(column([0.5, 1.5])) is None
    assert coherence_snr_db(column([0.5, np.nan])) is None


def test_radians_under_a_heading_of_degrees_are_refused() -> None:
    radians = np.angle(np.exp(1j * np.deg2rad(PHASES_DEG)))
    headed = column(radians, heading="phase [deg]")
    with pytest.raises(AmbiguousTableError, match="headed degrees"):
        phase_in_deg(headed, unit=None, notes=[])
    np.testing.assert_array_equal(phase_in_deg(headed, unit="deg", notes=[]), radians)
    np.testing.assert_array_equal(
        phase_in_deg(column(PHASES_DEG, heading="deg"), unit=None, notes=[]), PHASES_DEG
    )
