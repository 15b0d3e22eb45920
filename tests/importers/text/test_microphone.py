"""Microphone correction: a known truth through a known microphone must come back.

The check is the synthetic instrument: build the error, measure through it, correct, expect the
truth. Signs as a trade habit states them: a response is subtracted, a correction is added.
"""

import numpy as np
import pytest

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.response import FrequencyResponse
from roomeq.importers.text.microphone import (
    MicrophoneResponse,
    apply_microphone,
    describe_microphone,
    read_microphone,
)

AXIS = np.geomspace(10.0, 2000.0, 200)
TABLE = "Sensitivity 12.3 mV/Pa\nFrequency (Hz)\tLevel (dB)\n"


def described(measured, microphone):
    corrected = apply_microphone(measured, microphone)
    return describe_microphone(microphone, measured=measured, corrected=corrected)


def _error_db(frequencies):
    """Return a microphone that is straight over ln f: -4 dB at 20 Hz, 0 dB at 2000 Hz."""
    return -4.0 * np.log(2000.0 / frequencies) / np.log(100.0)


def _file(tmp_path, sign=1.0, axis=(20.0, 200.0, 2000.0)):
    rows = [f"{f}\t{sign * _error_db(f):.9f}\n" for f in axis]
    path = tmp_path / "microphone.txt"
    path.write_text(TABLE + "".join(rows), encoding="utf-8")
    return path


def _truth(frequencies):
    return 80.0 + 5.0 * np.sin(np.log(frequencies) * 3.0)


@pytest.mark.parametrize(("kind", "sign"), [("response", 1.0), ("correction", -1.0)])
def test_truth_comes_back_through_a_known_microphone(tmp_path, kind, sign):
    microphone = read_microphone(_file(tmp_path, sign), kind=kind)
    measured = FrequencyResponse.from_level(
        AXIS, _truth(AXIS) + _error_db(AXIS), snr_db=AXIS, level_reference="spl"
    )
    corrected = apply_microphone(measured, microphone)
    assert corrected.frequencies[0] >= 20.0
    assert corrected.frequencies.size == np.count_nonzero(AXIS >= 20.0)
    np.testing.assert_allclose(corrected.level_db, _truth(corrected.frequencies), atol=1e-6)
    assert corrected.snr_db == pytest.approx(corrected.frequencies)
    assert corrected.level_reference == "spl"


def test_phase_stays_as_measured(tmp_path):
    microphone = read_microphone(_file(tmp_path), kind="response")
    axis = np.array([20.0, 50.0, 2000.0])
    measured = FrequencyResponse.from_level(axis, _error_db(axis), phase_deg=[10.0, -90.0, 170.0])
    corrected = apply_microphone(measured, microphone)
    np.testing.assert_allclose(corrected.level_db, 0.0, atol=1e-6)
    np.testing.assert_allclose(corrected.phase_deg, [10.0, -90.0, 170.0], atol=1e-9)


def test_amounts_and_cut_are_stated(tmp_path):
    microphone = read_microphone(_file(tmp_path), kind="response")
    measured = FrequencyResponse.from_level(AXIS, _truth(AXIS))
    applied, cut = described(measured, microphone)
    assert "response subtracted, once" in applied
    assert "+4.00 dB at 20 Hz" in applied
    assert f"{-_error_db(31.5):+.2f} dB at 31.5 Hz" in applied
    assert f"{-_error_db(1000.0):+.2f} dB at 1000 Hz" in applied
    assert "cut off to 20 to 2000 Hz" in cut
    assert "measured was 10 to 2000 Hz" in cut


def test_what_the_file_does_not_cover_is_said(tmp_path):
    microphone = read_microphone(_file(tmp_path, axis=(25.0, 200.0)), kind="correction")
    measured = FrequencyResponse.from_level([30.0, 100.0], [1.0, 2.0])
    (applied,) = described(measured, microphone)
    assert "correction added" in applied
    assert "nothing at 20 Hz (not covered)" in applied
    assert "nothing at 1000 Hz (not covered)" in applied


def test_nothing_is_extrapolated(tmp_path):
    microphone = read_microphone(_file(tmp_path), kind="response")
    with pytest.raises(ValueError, match="20 to 2000 Hz only; nothing is extrapolated"):
        microphone.amount_db([19.9])
    with pytest.raises(ValueError, match="nothing is extrapolated"):
        microphone.amount_db([2000.1])
    with pytest.raises(ValueError, match="nothing is extrapolated"):
        microphone.amount_db([np.nan])


def test_nothing_in_common_is_refused(tmp_path):
    microphone = read_microphone(_file(tmp_path), kind="response")
    measured = FrequencyResponse.from_level([2.0, 10.0], [1.0, 2.0])
    with pytest.raises(MeasurementFileError, match=r"20 to 2000 Hz.*2 to 10 Hz.*frequency units"):
        apply_microphone(measured, microphone)


def test_a_file_from_twenty_hertz_covers_the_band_of_nominally_twenty(tmp_path):
    # ISO 266: nominal 20 Hz is the band whose exact centre is 19.95 Hz (IEC 61260-1).
    microphone = read_microphone(_file(tmp_path, axis=(20.0, 2000.0)), kind="response")
    bands = 10.0 ** (np.arange(12, 22) / 10.0)
    measured = FrequencyResponse.from_level(bands, np.zeros(10), resolution="third_octave")
    corrected = apply_microphone(measured, microphone)
    assert corrected.frequencies[0] == pytest.approx(19.9526, abs=1e-4)
    assert corrected.level_db[0] == pytest.approx(4.0, abs=1e-6)
    narrow = FrequencyResponse.from_level(bands, np.zeros(10))
    assert apply_microphone(narrow, microphone).frequencies[0] > 20.0
    ending = read_microphone(_file(tmp_path, axis=(10.0, 125.0)), kind="response")
    assert apply_microphone(measured, ending).frequencies[-1] == pytest.approx(125.89, abs=0.01)


def test_two_columns_are_ambiguous(tmp_path, monkeypatch):
    response = FrequencyResponse.from_level([20.0, 40.0], [0.0, 0.0])

    class Export:
        names = ("0 degrees", "90 degrees")
        responses = (response, response)
        notes = ()
        path = "two.txt"

    monkeypatch.setattr("roomeq.importers.text.microphone.read_text_export", lambda path: Export())
    with pytest.raises(AmbiguousTableError, match=r"0 degrees, 90 degrees.*level_column"):
        read_microphone(tmp_path / "two.txt", kind="response")


def test_a_measurement_is_not_taken_for_a_microphone(tmp_path):
    path = tmp_path / "sofa.txt"
    path.write_text("Hz dB\n20 70\n40 81.5\n80 75\n", encoding="utf-8")
    with pytest.raises(MeasurementFileError, match=r"81\.5 dB at 40 Hz is no microphone's"):
        read_microphone(path, kind="response")


def test_phase_in_the_file_is_not_used_and_said(tmp_path):
    path = tmp_path / "phase.txt"
    path.write_text("Frequency Level Phase\n20 -1 90\n40 0 45\n80 0 0\n", encoding="utf-8")
    assert any("phase" in note for note in read_microphone(path, kind="response").notes)


def test_kinds_other_than_two_are_refused(tmp_path):
    with pytest.raises(ValueError, match="kind is one of"):
        read_microphone(_file(tmp_path), kind="inverse")  # type: ignore[arg-type]


def test_what_cannot_be_opened_or_decoded_raises(tmp_path):
    with pytest.raises(FileNotFoundError):
        read_microphone(tmp_path / "gone.txt", kind="response")
    with pytest.raises(ValueError, match="encoding"):
        read_microphone(_file(tmp_path), kind="response", encoding="no-such-codec")


def test_what_rounds_to_nothing_is_not_negative():
    microphone = MicrophoneResponse(
        frequencies=np.array([10.0, 20000.0]), response_db=np.array([0.001, 0.001]), kind="response"
    )
    response = FrequencyResponse.from_level([20.0, 100.0], [70.0, 70.0])
    assert "+0.00 dB at 20 Hz" in described(response, microphone)[0]


@pytest.mark.parametrize(
    ("remark", "kind"),
    [
        ("# to be subtracted from the level", "response"),
        ("; vom Pegel abziehen", "response"),
        ("* soustraire de la mesure", "response"),
        ("% aftrekken van het niveau", "response"),
        ("# add to the level", "correction"),
        ("; zum Pegel addieren", "correction"),
        ("* à ajouter au niveau", "correction"),
        ("* sumar al nivel; correccion", "correction"),
        ("# Korrekturwerte", "correction"),
    ],
)
def test_the_file_s_own_words_are_held_against_the_kind(tmp_path, remark, kind):
    path = tmp_path / "mic.txt"
    axis = np.geomspace(10.0, 20000.0, 40)
    rows = "".join(f"{f:.2f};{0.2 * np.log(f / 1000.0):.3f}\n" for f in axis)
    path.write_text(f"{remark}\nHz;dB\n{rows}", "utf-8")
    other = "correction" if kind == "response" else "response"
    assert read_microphone(path, kind=kind).doubts == ()
    (doubt,) = read_microphone(path, kind=other).doubts
    assert doubt.startswith(f"{path}, line 1, says {remark!r}")
    path.write_text(f"# serial 1234, pressure chamber\nHz;dB\n{rows}", "utf-8")
    assert read_microphone(path, kind=kind).doubts == ()
