"""Hand-typed band levels; centres from IEC 61260-1:2014, weightings from IEC 61672-1:2013."""

import numpy as np
import pytest

from roomeq.base.bands import third_octave_band
from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text.band_table import named_band, read_band_table

# IEC 61260-1:2014, exact centres of the bands from 20 to 125 Hz, to four decimals.
EXACT = [19.9526, 25.1189, 31.6228, 39.8107, 50.1187, 63.0957, 79.4328, 100.0, 125.8925]
NOMINAL = ["20", "25", "31.5", "40", "50", "63", "80", "100", "125"]
# IEC 61672-1:2013, table of weightings at those centres.
C_DB = np.array([-6.2, -4.4, -3.0, -2.0, -1.3, -0.8, -0.5, -0.3, -0.2])

LEFT = [70.5, 72.0, 75.5, 80.0, 78.0, 74.0, 73.0, 72.5, 71.0]
RIGHT = [69.0, 71.0, 78.5, 77.0, 76.0, 75.0, 71.0, 70.5, 72.0]


def _write(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "levels.csv"
    path.write_bytes(text.encode(encoding))
    return path


def _bands_down(mark=",", comma=False, order=1):
    rows = [["Hz", "sofa left", "sofa right"]]
    rows += [[n, str(a), str(b)] for n, a, b in zip(NOMINAL, LEFT, RIGHT, strict=True)][::order]
    return _joined(rows, mark, comma)


def _seats_down(mark=",", comma=False):
    rows = [["seat", *NOMINAL]]
    rows += [[name, *map(str, v)] for name, v in (("sofa left", LEFT), ("sofa right", RIGHT))]
    return _joined(rows, mark, comma)


def _joined(rows, mark, comma):
    text = "\n".join(mark.join(row) for row in rows) + "\n"
    return text.replace(".", ",") if comma else text


@pytest.mark.parametrize("table", [_bands_down, _seats_down])
@pytest.mark.parametrize(
    ("mark", "comma"),
    [(",", False), (";", False), (";", True), ("\t", True), ("   ", False), ("   ", True)],
)
def test_both_ways_round_and_every_mark_give_the_same(tmp_path, table, mark, comma):
    found = read_band_table(_write(tmp_path, table(mark, comma)))
    assert found.names == ("sofa left", "sofa right")
    assert [third_octave_band(f).label for f in found.responses[0].frequencies] == NOMINAL
    for response, levels in zip(found.responses, (LEFT, RIGHT), strict=True):
        np.testing.assert_allclose(response.frequencies, EXACT, atol=5e-5)
        assert response.level_db.tolist() == levels
        assert response.resolution == "third_octave"
        assert response.level_reference == "spl"
        assert not response.has_phase


def test_descending_bands_are_sorted(tmp_path):
    text = _bands_down().splitlines()
    found = read_band_table(_write(tmp_path, "\n".join([text[0], *text[:0:-1]])))
    assert found.responses[1].level_db.tolist() == RIGHT


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_comments_units_and_encodings(tmp_path, encoding):
    text = (
        "# typed at home\n\nBand;Sofa für zwei\n20 Hz;71,2 dB\n31,5 Hz;70 dB(Z)\n1 kHz;60 dB SPL\n"
    )
    found = read_band_table(_write(tmp_path, text, encoding))
    assert found.names == ("Sofa für zwei",)
    assert found.responses[0].level_db.tolist() == [71.2, 70.0, 60.0]
    assert any("no levels for bands in between: 25, 40," in note for note in found.notes)


def test_quoted_decimal_commas_between_commas(tmp_path):
    found = read_band_table(_write(tmp_path, 'Hz,"sofa, left"\n20,"71,2"\n"31,5","70,0"\n'))
    assert found.names == ("sofa, left",)
    assert found.responses[0].level_db.tolist() == [71.2, 70.0]


def test_what_such_data_cannot_tell_is_said(tmp_path):
    notes = read_band_table(_write(tmp_path, _bands_down())).notes
    assert "cancellations and phase cannot be told" in notes[0]
    assert not any("weighting" in note for note in notes)


def test_c_weighting_is_removed(tmp_path):
    read_db = 80.0 + C_DB
    text = "seat;" + ";".join(NOMINAL) + "\nsofa;" + ";".join(f"{v:.1f}" for v in read_db)
    found = read_band_table(_write(tmp_path, text), weighting="C")
    # The table of the standard is rounded to 0.1 dB.
    np.testing.assert_allclose(found.responses[0].level_db, 80.0, atol=0.0501)
    assert any(note.startswith("C weighting removed") for note in found.notes)


def test_a_weighting_is_refused_below_forty_hertz(tmp_path):
    path = _write(tmp_path, "Hz;sofa\n31.5;41\n40;45\n")
    with pytest.raises(MeasurementFileError, match=r"levels\.csv.*A weighting.*31\.6 Hz.*40 Hz"):
        read_band_table(path, weighting="A")
    path = _write(tmp_path, "Hz;sofa\n40;45.4\n50;49.8\n")
    # IEC 61672-1: -34.6 dB at 40 Hz, -30.2 dB at 50 Hz.
    found = read_band_table(path, weighting="A").responses[0]
    np.testing.assert_allclose(found.level_db, 80.0, atol=0.0501)


@pytest.mark.parametrize("head", ["Hz;sofa dB(A)", "dBA;sofa", "Hz;sofa"])
def test_a_weighting_the_table_names_must_be_the_one_given(tmp_path, head):
    cell = "45 dB(A)" if head == "Hz;sofa" else "45"
    path = _write(tmp_path, f"{head}\n40;{cell}\n50;49\n")
    with pytest.raises(MeasurementFileError, match=r"says dB\(A\).*'none'.*the meter was set to"):
        read_band_table(path)
    assert read_band_table(path, weighting="A").names


def test_a_level_far_above_both_bands_beside_it_is_a_slip(tmp_path):
    table = _bands_down().replace("50,78.0,76.0", "50,105,76.0")
    with pytest.raises(MeasurementFileError, match="105 dB is 25 dB above the bands on") as caught:
        read_band_table(_write(tmp_path, table))
    assert (caught.value.line, caught.value.where) == (6, "50 Hz, seat 'sofa left'")
    mode = _bands_down().replace("50,78.0,76.0", "50,95.5,76.0")
    assert read_band_table(_write(tmp_path, mode)).names == ("sofa left", "sofa right")
    edge = _bands_down().replace("125,71.0", "125,95.0")  # no band on the other side
    assert read_band_table(_write(tmp_path, edge)).names == ("sofa left", "sofa right")


def test_one_seat_may_be_named_by_the_caller(tmp_path):
    for text in ("20 71.2\n25 70\n", "Hz;dB\n20;71.2\n25;70\n", "x,20,25\nlevel,71.2,70\n"):
        found = read_band_table(_write(tmp_path, text), seat="sofa")
        assert found.names == ("sofa",)
        assert found.responses[0].level_db.tolist() == [71.2, 70.0]
    with pytest.raises(MeasurementFileError, match=r"holds 2 seats, not 'sofa' alone"):
        read_band_table(_write(tmp_path, _bands_down()), seat="sofa")


def test_blanks_may_leave_the_corner_out(tmp_path):
    text = "  left  right\n20  70  71\n25  72  73\n"
    assert read_band_table(_write(tmp_path, text)).names == ("left", "right")


@pytest.mark.parametrize("cell", ["", " ", "-", "nan", "n/a"])
def test_missing_cells_are_refused_naming_row_and_column(tmp_path, cell):
    text = f"Hz;left;right\n20;70;71\n25;72;{cell}\n"
    with pytest.raises(MeasurementFileError, match=r"'.*' is no level from") as caught:
        read_band_table(_write(tmp_path, text))
    assert caught.value.line == 3
    assert caught.value.where == "25 Hz, seat 'right'"
    text = f"seat;20;25\nleft;70;71\nright;{cell};72\n"
    with pytest.raises(MeasurementFileError, match=r"'.*' is no level from") as caught:
        read_band_table(_write(tmp_path, text))
    assert caught.value.where == "20 Hz, seat 'right'"


def test_a_short_row_is_a_missing_cell(tmp_path):
    with pytest.raises(MeasurementFileError, match="'' is no level from") as caught:
        read_band_table(_write(tmp_path, "Hz;left;right\n20;70;71\n25;72\n"))
    assert caught.value.line == 3
    assert "'right'" in caught.value.where


@pytest.mark.parametrize("cell", ["-1", "140.5", "1e9", "705"])
def test_levels_from_nought_to_140_are_plausible(tmp_path, cell):
    path = _write(tmp_path, f"Hz;left\n20;70\n25;{cell}\n")
    with pytest.raises(MeasurementFileError, match="0 to 140 dB") as caught:
        read_band_table(path)
    assert caught.value.line == 3
    for limit in (0.0, 140.0):
        found = read_band_table(_write(tmp_path, f"Hz;left\n20;70\n25;{limit}\n"))
        assert found.responses[0].level_db[1] == limit


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Hz;left\n", "holds no table of band levels"),
        ("just words\nand more\n", "line 1: 'words' is no third-octave band"),
        ("one\ntwo\n", "holds no table of band levels"),
        ("Hz;left\n20;70\n22;71\n", "line 3: '22' is no third-octave band"),
        ("Hz;left\n20;70\n19.95;71\n", "line 3: '19.95' occurs twice"),
        ("Hz;left\n20;70\n25;71\nmean;71\n", "line 4: 'mean' is no third-octave band"),
        ("Hz;left;left\n20;70;71\n25;70;71\n", "line 1: 'left' occurs twice"),
        ("Hz;left;\n20;70;71\n25;70;71\n", "line 1: '' names no seat"),
        ("Hz;dB\n20;70\n25;71\n", "'dB' names no seat (name each seat, once; for one seat, give"),
        ("20;70\n25;71\n", "line 1: the first line has no heading (name each column"),
        ("20,71,5\n25,70,5\n", "the first line has no heading"),
        ("Hz,sofa\n20,71,5\n25,70,5\n", "line 2: 3 cells, but the heading has 2 (with decimal"),
        ("x;20;25\n20;70;71\n25;70;71\n", "rows as well as columns could be bands"),
        ("x;a;b\nc;70;71\nd;70;71\n", "line 1: 'a' is no third-octave band"),
        ("Hz;a\n20;seventy\n25;71\n", "20 Hz, seat 'a': 'seventy' is no level"),
        ("", "is empty"),
    ],
)
def test_tables_that_are_none_are_refused(tmp_path, text, said):
    with pytest.raises(MeasurementFileError) as caught:
        read_band_table(_write(tmp_path, text))
    assert said in str(caught.value)
    assert caught.value.remedy


def test_ambiguity_has_its_own_class(tmp_path):
    with pytest.raises(AmbiguousTableError, match="name the seats with a word"):
        read_band_table(_write(tmp_path, "x;20\n20;70\n"))


def test_the_settings_given_are_kept(tmp_path):
    path = _write(tmp_path, "Hz|a\n20|70,5\n25|71,5\n")
    found = read_band_table(path, delimiter="|", decimal=",")
    assert found.responses[0].level_db.tolist() == [70.5, 71.5]
    with pytest.raises(MeasurementFileError, match="'70,5' is no level"):
        read_band_table(path, delimiter="|", decimal=".")
    with pytest.raises(MeasurementFileError, match="not valid in ascii"):
        read_band_table(_write(tmp_path, "Hz;ä\n20;7\n"), encoding="ascii")


def test_unknown_weighting_is_refused(tmp_path):
    with pytest.raises(ValueError, match="weighting is one of"):
        read_band_table(_write(tmp_path, _bands_down()), weighting="B")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("cell", "nominal"),
    [("20", 20), ("31,5 Hz", 31.5), ("31", 31.5), ("62.5", 63), ("1k", 1000), ("1.25 kHz", 1250),
     ("16", 16), ("12.5", 12.5)],
)  # fmt: skip
def test_bands_are_named_by_nominal_or_rounded_centres(cell, nominal):
    band = named_band(cell)
    assert band is not None
    assert band.nominal == nominal


@pytest.mark.parametrize("cell", ["", "x", "1", "8", "22.4", "28", "-20", "25000", "0", "2e1"])
def test_other_headings_name_no_band(cell):
    assert named_band(cell) is None


def test_what_cannot_be_opened_or_decoded_raises(tmp_path):
    with pytest.raises(FileNotFoundError):
        read_band_table(tmp_path / "gone.csv")
    with pytest.raises(ValueError, match="no-such-codec"):
        read_band_table(_write(tmp_path, _bands_down()), encoding="no-such-codec")


def test_a_fault_names_the_file(tmp_path):
    path = _write(tmp_path, "band,sofa\n20,70\n25,x\n")
    with pytest.raises(MeasurementFileError) as caught:
        read_band_table(path)
    assert (caught.value.path, caught.value.line) == (str(path), 3)
