"""Layouts of text exports that share no code with the reader come back as they were printed."""

from pathlib import Path

import numpy as np
import pytest
from text_corpus import SEATS, THIRD_OCTAVES, Export
from text_corpus_cells import CELLS
from text_corpus_columns import BAND_GRIDS, BAND_LEVELS_DB, COLUMNS
from text_corpus_refusals import FAULTS, REFUSED

from roomeq.base.bands import third_octave_band
from roomeq.base.errors import MeasurementFileError
from roomeq.importers.text.band_table import read_band_table
from roomeq.importers.text.export import TextExport, read_text_export

LAYOUTS = {**CELLS, **COLUMNS, **REFUSED}
READ = [name for name, export in LAYOUTS.items() if not export.unread]
ASKED = [name for name, export in LAYOUTS.items() if export.asked]
UNREAD = [name for name, export in LAYOUTS.items() if export.unread]


def written(tmp_path: Path, content: bytes) -> Path:
    path = tmp_path / "export.txt"
    path.write_bytes(content)
    return path


def check(read: TextExport, export: Export) -> None:
    assert len(read.responses) == len(export.level_db)
    if export.names is not None:
        assert read.names == export.names
    for seat, response in enumerate(read.responses):
        assert response.level_reference == ("spl" if export.spl else "relative")
        np.testing.assert_allclose(
            response.frequencies, export.frequencies, rtol=1e-12, atol=0.5 * export.frequency_step
        )
        rounding_db = 0.5 * export.level_step_db + 1e-9
        np.testing.assert_allclose(
            response.level_db, export.level_db[seat], rtol=0, atol=rounding_db
        )
        assert response.has_phase is (export.phase_deg is not None)
        if export.phase_deg is not None:
            turns = np.exp(1j * np.deg2rad(export.phase_deg[seat]))
            left_deg = np.abs(np.rad2deg(np.angle(response.pressure / turns)))
            assert left_deg.max() <= 0.5 * export.phase_step_deg + 1e-9


@pytest.mark.parametrize("name", READ)
def test_what_was_printed_comes_back(tmp_path: Path, name: str) -> None:
    export = LAYOUTS[name]
    check(read_text_export(written(tmp_path, export.content), **export.told), export)


@pytest.mark.parametrize("name", ASKED)
def test_what_may_be_read_otherwise_is_never_read_as_something_else(
    tmp_path: Path, name: str
) -> None:
    export = LAYOUTS[name]
    with pytest.raises(MeasurementFileError) as caught:
        read_text_export(written(tmp_path, export.content))
    assert caught.value.remedy


@pytest.mark.parametrize("name", UNREAD)
def test_what_is_not_read_is_refused_aloud(tmp_path: Path, name: str) -> None:
    path = written(tmp_path, LAYOUTS[name].content)
    with pytest.raises(MeasurementFileError) as caught:
        read_text_export(path)
    assert caught.value.path == str(path)
    assert caught.value.remedy


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_named_with_its_file_and_line(tmp_path: Path, name: str) -> None:
    fault = FAULTS[name]
    path = written(tmp_path, fault.content)
    with pytest.raises(MeasurementFileError) as caught:
        read_text_export(path, **fault.told)
    assert caught.value.path == str(path)
    assert caught.value.line == fault.line
    assert caught.value.remedy


@pytest.mark.parametrize("name", BAND_GRIDS)
def test_levels_typed_by_hand_come_back(tmp_path: Path, name: str) -> None:
    text = "\n".join(BAND_GRIDS[name]) + "\n"
    read = read_band_table(written(tmp_path, text.encode("utf-8")))
    assert read.names == SEATS
    bands = map(third_octave_band, read.responses[0].frequencies)
    assert [band.label for band in bands] == list(THIRD_OCTAVES)
    assert [r.level_db.tolist() for r in read.responses] == [list(row) for row in BAND_LEVELS_DB]
