"""Tables of maximum output; conversions and means of check values, sections 9 and 10."""

import numpy as np
import pytest

from roomeq.base.bands import third_octave_bands
from roomeq.base.errors import MeasurementFileError
from roomeq.device.output_table import OutputTable
from roomeq.importers.text.band_table import output_table_from_levels, read_output_table

NOMINAL = ["20", "25", "31.5", "40", "50", "63"]  # the centres of the bursts
LEVELS = [96.5, 102.0, 108.5, 113.0, 115.5, 116.0]
STATED = {"edition": "CEA-2010-A", "distance": 2.0, "detector": "rms"}


def _write(tmp_path, text):
    path = tmp_path / "output.txt"
    path.write_text(text, encoding="utf-8")
    return path


def table(level_db=LEVELS, **others):
    return OutputTable(
        bands=third_octave_bands(20, 63), level_db=np.array(level_db), **(STATED | others)
    )


@pytest.mark.parametrize("heading", [None, "Hz;dB", "Band;Maximum output dB SPL"])
@pytest.mark.parametrize("order", [1, -1])
def test_reads_two_columns_in_any_order(tmp_path, heading, order):
    rows = [f"{n};{level}" for n, level in zip(NOMINAL, LEVELS, strict=True)][::order]
    if heading is not None:
        rows = [heading, *rows]
    found = read_output_table(_write(tmp_path, "# outdoors\n" + "\n".join(rows)), **STATED)
    assert found.level_db.tolist() == LEVELS
    assert [band.label for band in found.bands] == NOMINAL
    assert found.edition == "CEA-2010-A"
    assert found.path.endswith("output.txt")
    assert str(found) == "20 to 63 Hz, CEA-2010-A, rms at 2 m"


def test_reads_one_row_and_decimal_commas(tmp_path):
    across = ";".join(["", *NOMINAL]) + "\nmax;" + ";".join(f"{v:.1f}" for v in LEVELS)
    found = read_output_table(_write(tmp_path, across.replace(".", ",")), **STATED)
    assert found.level_db.tolist() == LEVELS


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Hz;indoors;outdoors\n20;96;97\n25;98;99\n", "holds 2 seats"),
        ("20;96\n25;-\n", "'-' is no level"),
        ("20;96\n25;150\n", "'150' is no level"),
        ("Hz;dB\n20;96\n22;97\n", "'22' is no third-octave band"),
        ("20;96\n20;97\n", "occurs twice"),
        ("Hz;dB(A)\n20;96\n25;97\n", "the table says dB"),
        ("just words\n", "holds no table"),
    ],
)
def test_tables_that_are_none_are_refused_with_what_to_write(tmp_path, text, said):
    with pytest.raises(MeasurementFileError, match="nominal frequency and one level") as caught:
        read_output_table(_write(tmp_path, text), **STATED)
    assert said in str(caught.value)
    assert caught.value.path.endswith("output.txt")


def test_2_m_rms_is_9_03_db_below_1_m_peak():
    # check values, section 9: +6.02 dB of distance, +3.01 dB of crest
    rms_2_m, peak_1_m = table(), table(np.array(LEVELS) + 9.0309, distance=1.0, detector="peak")
    np.testing.assert_allclose(rms_2_m.rms_level_db(), peak_1_m.rms_level_db(), atol=1e-4)
    np.testing.assert_allclose(rms_2_m.rms_level_db(), np.array(LEVELS) + 6.0206, atol=1e-4)
    at_1_m, at_4_m = (table(distance=distance).rms_level_db() for distance in (1.0, 4.0))
    np.testing.assert_allclose(at_1_m, LEVELS, atol=1e-12)
    np.testing.assert_allclose(at_4_m, np.array(LEVELS) + 12.0412, atol=1e-4)


def test_bands_that_are_not_in_the_table_are_nan():
    found = table().level_in_db(third_octave_bands(16, 31.5))
    assert np.isnan(found[0])
    np.testing.assert_allclose(found[1:], table().rms_level_db()[:3])


def test_levels_from_a_room_file():
    levels = dict(zip(NOMINAL, LEVELS, strict=True))
    shuffled = {key: levels[key] for key in ["40", "20", "63", "31.5", "50", "25"]}
    found = output_table_from_levels(shuffled, **STATED)
    assert found.level_db.tolist() == LEVELS
    with pytest.raises(ValueError, match=r"names a third octave.*\['22'\]"):
        output_table_from_levels({"22": 90.0}, **STATED)
    with pytest.raises(ValueError, match=r"each once.*19\.95"):
        output_table_from_levels({"20": 90.0, "19.95": 91.0}, **STATED)
    with pytest.raises(ValueError, match="at least one"):
        output_table_from_levels({}, **STATED)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"level_db": [float("nan")] * 6}, "0 to 140"),
        ({"level_db": [96.0] * 5}, "one level for each of 6"),
    ],
)
def test_refuses(change, message):
    good = {"bands": third_octave_bands(20, 63), "level_db": np.array(LEVELS), **STATED}
    with pytest.raises(ValueError, match=message):
        OutputTable(**(good | change))
