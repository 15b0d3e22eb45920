"""Levels and phases that cannot be, and those that rooms really have."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from roomeq.base.errors import MeasurementFileError
from roomeq.importers.text.export import read_text_export

AXIS = np.arange(15.0, 300.0, 0.5)
LEVEL = 72.0 + 8.0 * np.sin(AXIS / 9.0)


def read(folder: Path, level: np.ndarray, *, phase: np.ndarray | None = None):
    columns = [AXIS, level] if phase is None else [AXIS, level, phase]
    rows = (";".join(f"{v:.2f}" if np.isfinite(v) else "" for v in row) for row in zip(*columns))  # noqa: B905
    path = folder / "seat.txt"
    path.write_text("\n".join(["Hz;dB" + ";deg" * (len(columns) - 2), *rows, ""]), "utf-8")
    return read_text_export(path)


@pytest.mark.parametrize("value", [999.0, -999.0, 1e9, 301.0, 118.0])
def test_one_level_beyond_reason_is_refused_with_its_line(tmp_path, value):
    level = LEVEL.copy()
    level[100] = value
    with pytest.raises(MeasurementFileError, match=r"dB is (no level|far above)") as caught:
        read(tmp_path, level)
    assert (caught.value.line, caught.value.where) == (102, "column 2")
    assert caught.value.remedy


def test_a_line_of_hum_three_rows_wide_is_refused(tmp_path):
    level = LEVEL.copy()
    level[100:103] += 25.0
    with pytest.raises(MeasurementFileError, match="far above") as caught:
        read(tmp_path, level)
    assert caught.value.line == 102


@pytest.mark.parametrize("value", [0.0, -1.0, -100.0, 12.34])
def test_a_number_that_comes_again_and_again_stands_for_none(tmp_path, value):
    level = LEVEL.copy()
    level[[50, 51, 90, 130]] = value
    with pytest.raises(MeasurementFileError, match="'no value'") as caught:
        read(tmp_path, level)
    assert caught.value.line == 52


def test_what_rooms_really_have_is_read(tmp_path):
    null = LEVEL.copy()
    null[100] = 21.37  # one point, 50 dB deep
    plateau = np.where(AXIS > 120.0, 40.0, LEVEL)  # a fall of 30 dB to one and the same level
    relative = 6.0 * np.sin(AXIS / 9.0)
    for level in (null, plateau, relative):
        np.testing.assert_allclose(read(tmp_path, level).responses[0].level_db, level, atol=0.0051)


def test_noise_beyond_the_subwoofer_is_no_fault(tmp_path):
    draw = np.random.default_rng(5)
    axis = np.arange(10.0, 20000.0, 0.37)
    noise = np.abs(draw.normal(size=(axis.size, 2)) @ [1.0, 1j])
    level = 20.0 * np.log10(noise + 10.0 ** (np.clip(300.0 - axis, 0.0, None) / 100.0)) + 20.0
    level[[8000, 9000, 12000]] = -21.0  # as noise does, now and then
    rows = "\n".join(f"{f:.2f};{v:.2f}" for f, v in zip(axis, level, strict=True))
    path = tmp_path / "full_range.txt"
    path.write_text(f"Hz;dB\n{rows}\n", "utf-8")
    assert read_text_export(path).responses[0].frequencies.size == axis.size


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda p: 0.0 * p, "0 in every row is no phase"),
        (lambda p: 0.0 * p + 90.0, "90 in every row"),
        (lambda p: np.where(AXIS == 50.0, 1e9, p), "1e+09 in line 72 is no phase"),
        (lambda p: np.where(AXIS == 50.0, 9999.0, p), "9999 in line 72"),
        (
            lambda p: np.where(abs(AXIS - 50.0) < 1.1, np.nan, p),
            "no phase in line 70, 71, 72, 73, 74 (",
        ),
        (lambda p: np.where(AXIS < 20.4, np.nan, p), "no phase in line"),
    ],
)
def test_a_phase_that_is_none_is_said_and_done_without(tmp_path, change, said):
    phase = np.rad2deg(np.angle(np.exp(-1j * AXIS / 20.0)))
    export = read(tmp_path, LEVEL, phase=change(phase))
    (response,) = export.responses
    assert not response.has_phase
    assert response.frequencies.size == AXIS.size  # the row keeps its level
    assert any(f"column 3: {said}" in note for note in export.notes)
    assert read(tmp_path, LEVEL, phase=phase).responses[0].has_phase
    unwrapped = read(tmp_path, LEVEL, phase=-40.0 * AXIS)
    assert unwrapped.responses[0].has_phase


def test_a_row_without_phase_keeps_its_level_and_takes_phase_from_both_sides(tmp_path):
    phase = np.rad2deg(np.angle(np.exp(-1j * AXIS / 20.0)))
    export = read(tmp_path, LEVEL, phase=np.where(AXIS == 50.0, np.nan, phase))
    (response,) = export.responses
    np.testing.assert_allclose(response.level_db, LEVEL, atol=0.0051)
    turned = np.exp(1j * np.deg2rad(response.phase_deg - phase))
    np.testing.assert_allclose(turned, 1.0, atol=1e-3)  # a pure delay turns evenly
    (note,) = [note for note in export.notes if "no phase" in note]
    assert "column 3: no phase in line 72: taken from the rows on either side" in note


@pytest.mark.parametrize(("low", "high", "refused"), [(40.0, 70.0, True), (40.0, 41.5, False)])
def test_a_hole_in_a_table_is_refused_with_its_line(tmp_path, low, high, refused):
    level = np.where((low < AXIS) & (high > AXIS), np.nan, LEVEL)  # rows without a level are none
    if not refused:
        assert read(tmp_path, level).responses[0].frequencies.size < AXIS.size
        return
    with pytest.raises(MeasurementFileError, match="no rows between 40 and 70 Hz") as caught:
        read(tmp_path, level)
    assert caught.value.line == 2 + int(np.flatnonzero(high == AXIS)[0])


def test_levels_that_jump_or_stand_still_are_refused(tmp_path):
    shifted = np.where(AXIS >= 60.0, LEVEL + 20.0, LEVEL)
    still = np.where((AXIS >= 60.0) & (AXIS < 72.5), 77.25, LEVEL)
    for level, said in ((shifted, "a jump from the row above"), (still, "the same in 15 rows")):
        with pytest.raises(MeasurementFileError, match=said) as caught:
            read(tmp_path, level)
        assert caught.value.line == 2 + int(np.flatnonzero(AXIS == 60.0)[0])
    short = np.where((AXIS >= 60.0) & (AXIS < 66.0), 77.25, LEVEL)
    assert read(tmp_path, short).responses[0].frequencies.size == AXIS.size
