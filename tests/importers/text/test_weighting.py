"""Weightings against the table of IEC 61672-1:2013 and pyfar's transcription of its formulas."""

import numpy as np
import pytest

from roomeq.base.bands import third_octave_band
from roomeq.base.response import FrequencyResponse
from roomeq.importers.text import microphone
from roomeq.importers.text.microphone import remove_weighting, weighting_ratio

# IEC 61672-1:2013, table of frequency weightings (dB, rounded to 0.1 dB, at exact centres).
# Typed from memory and then found equal to the transcription in pyfar 0.8.1
# (pyfar.constants.frequency_weighting_band_corrections); the A values at 20, 31.5, 50 and 80 Hz
# were also looked up in a published copy of the table.
NOMINAL = [10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500,
           630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500,
           16000, 20000]  # fmt: skip
C_DB = [-14.3, -11.2, -8.5, -6.2, -4.4, -3.0, -2.0, -1.3, -0.8, -0.5, -0.3, -0.2, -0.1, 0, 0, 0,
        0, 0, 0, 0, 0, 0, -0.1, -0.2, -0.3, -0.5, -0.8, -1.3, -2.0, -3.0, -4.4, -6.2, -8.5,
        -11.2]  # fmt: skip
A_DB = [-70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4,
        -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1,
        -1.1, -2.5, -4.3, -6.6, -9.3]  # fmt: skip
EXACT = np.array([third_octave_band(frequency).centre for frequency in NOMINAL])


def weighting_db(frequencies, letter):
    return 20.0 * np.log10(weighting_ratio(frequencies, letter))


@pytest.mark.parametrize(("letter", "table"), [("C", C_DB), ("A", A_DB)])
def test_formula_gives_the_table_of_the_standard(letter, table):
    # The table is rounded to 0.1 dB: half a step, and a little for rounding of the half itself.
    assert np.abs(weighting_db(EXACT, letter) - table).max() <= 0.0501


@pytest.mark.parametrize("letter", ["C", "A"])
def test_formula_agrees_with_pyfar(letter):
    pyfar = pytest.importorskip("pyfar")
    curve = getattr(pyfar.constants, "frequency_weighting_curve", None)
    if curve is None:
        pytest.skip("this pyfar has no weighting curves; 0.8 has")
    frequencies = np.geomspace(10, 20000, 300)
    # pyfar uses the constants of the standard rounded to four digits.
    assert np.abs(weighting_db(frequencies, letter) - curve(letter, frequencies)).max() < 5e-4


def test_weighting_is_zero_at_the_reference():
    assert weighting_db([1000.0], "C") == pytest.approx(0.0, abs=1e-12)
    assert weighting_db([1000.0], "A") == pytest.approx(0.0, abs=1e-12)


def test_poles_are_those_of_the_standard_s_formulas():
    # IEC 61672-1:2013, Annex E: poles from the reference and the corners where C is 3 dB down.
    reference, low, high, corner = 1000.0, 10.0**1.5, 10.0**3.9, 10.0**2.45
    half = np.sqrt(0.5)
    b = (reference**2 + (low * high / reference) ** 2 - half * (low**2 + high**2)) / (1.0 - half)
    outer = np.sqrt(np.sort(np.roots([1.0, b, (low * high) ** 2])))
    inner = (3.0 + np.sqrt(5.0) * np.array([-1.0, 1.0])) / 2.0 * corner
    assert pytest.approx([outer[0], *inner, outer[1]], rel=1e-9) == microphone.POLES


def test_a_flat_field_read_with_c_weighting_comes_back_flat():
    bands = EXACT[3:12]
    read_db = 80.0 + np.array(C_DB[3:12])
    response = FrequencyResponse.from_level(bands, read_db, resolution="third_octave")
    flat = remove_weighting(response, weighting="C")
    assert flat.resolution == "third_octave"
    np.testing.assert_allclose(flat.level_db, 80.0, atol=0.0501)


def test_removal_keeps_phase():
    response = FrequencyResponse.from_level(EXACT[3:12], np.full(9, 80.0), phase_deg=np.arange(9.0))
    without = remove_weighting(response, weighting="C")
    np.testing.assert_allclose(without.phase_deg, np.arange(9.0), atol=1e-9)
    np.testing.assert_allclose(without.level_db, 80.0 - np.array(C_DB[3:12]), atol=0.0501)


def test_none_changes_nothing():
    response = FrequencyResponse.from_level([20.0, 40.0], [1.0, 2.0])
    assert remove_weighting(response, weighting="none") is response


def test_a_weighting_is_removed_from_the_forty_hertz_band_upwards():
    read_db = 80.0 + np.array(A_DB[6:12])
    response = FrequencyResponse.from_level(EXACT[6:12], read_db, resolution="third_octave")
    assert remove_weighting(response, weighting="A").level_db == pytest.approx(80.0, abs=0.0501)


def test_a_weighting_below_forty_hertz_is_refused_with_the_remedy():
    response = FrequencyResponse.from_level(EXACT[5:12], np.full(7, 50.0))
    with pytest.raises(ValueError, match=r"at 31.6 Hz.*measure again with C weighting"):
        remove_weighting(response, weighting="A")


def test_unknown_weighting_is_refused():
    with pytest.raises(ValueError, match="weighting is one of"):
        remove_weighting(FrequencyResponse.from_level([20.0], [1.0]), weighting="B")  # type: ignore[arg-type]
