"""Roles of columns: told by the caller, by headings, by place."""

import numpy as np
import pytest

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text.header import Headings
from roomeq.importers.text.roles import Columns, assign_columns

AXIS = np.linspace(20.0, 200.0, 40)
LEVEL = 70.0 + np.sin(AXIS)
WRAPPED = (-9.0 * AXIS + 180.0) % 360.0 - 180.0


def columns(*texts: str, values: list[np.ndarray] | None = None, **told: object) -> Columns:
    table = [AXIS, *[LEVEL] * (len(texts) - 1)] if values is None else values
    found = any(texts)
    return assign_columns(np.column_stack(table), Headings(texts=texts, found=found), **told)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("texts", "levels", "phases"),
    [
        (("Hz", "dB"), (1,), ()),
        (("Hz", "dB", "deg"), (1,), (2,)),
        (("Hz", "dB", "dB", "dB"), (1, 2, 3), ()),
        (("Hz", "dB", "deg", "dB", "deg"), (1, 3), (2, 4)),
        (("Hz", "dB", "dB", "deg", "deg"), (1, 2), (3, 4)),
        (("Hz", "Sofa", "Chair"), (1, 2), ()),
        (("Hz", "Sofa", "Phase (deg)"), (1,), (2,)),
        (("Hz", "Sofa (dB)", "Chair (dB)", "Mean (dB)"), (1, 2), ()),
        (("Hz", "Mean (dB)", "THD (%)"), (1,), ()),
        (("Hz", "Level (dB)", "Level (lin)"), (1,), ()),
        (("Hz", "Level (dB)", "Whatever"), (1,), ()),
    ],
)
def test_headings_tell(
    texts: tuple[str, ...], levels: tuple[int, ...], phases: tuple[int, ...]
) -> None:
    found = columns(*texts)
    assert (found.frequency, found.levels, found.phases) == (0, levels, phases)
    for column in set(range(1, len(texts))) - {*levels, *phases}:
        assert any(f"column {column + 1} " in note and "ignored" in note for note in found.notes)


def test_real_and_imaginary_parts_pair_up() -> None:
    found = columns("Hz", "Re", "Im", "Re", "Im")
    assert (found.levels, found.imaginary) == ((1, 3), (2, 4))
    with pytest.raises(AmbiguousTableError, match="pair up"):
        columns("Hz", "Re", "Im", "Re")


def test_coherence_belongs_to_its_level() -> None:
    assert columns("Hz", "dB", "Coh", "dB", "Coh").coherences == (2, 4)
    assert columns("Hz", "dB", "dB", "Coh").coherences == ()


def test_place_tells_where_only_one_reading_is_left() -> None:
    found = columns("", "")
    assert (found.frequency, found.levels) == (0, (1,))
    assert "frequencies assumed in column 1" in found.notes
    found = columns("", "", "", values=[AXIS, LEVEL, WRAPPED])
    assert (found.levels, found.phases) == ((1,), (2,))
    assert any("assumed to be phase" in note for note in found.notes)
    found = columns("", "", "", values=[AXIS, LEVEL, np.full(40, np.nan)])
    assert (found.levels, found.phases) == ((1,), ())


@pytest.mark.parametrize(
    ("texts", "argument"),
    [
        (("", "", ""), "phase_column"),
        (("", "", "", ""), "level_column"),
        (("Hz", "dB", "dB", "deg"), "phase_column"),
        (("Hz", "dB", "deg", "deg"), "phase_column"),
        (("Hz", "Mean (dB)", "Max (dB)"), "level_column"),
        (("Hz", "dB SPL", "dBFS"), "level_column"),
        (("Level (dB)", "Phase (deg)"), "frequency_column"),
        (("Hz", "dB", "kHz"), "frequency_column"),
    ],
)
def test_ambiguities(texts: tuple[str, ...], argument: str) -> None:
    with pytest.raises(AmbiguousTableError, match=argument):
        columns(*texts)


def test_the_caller_tells() -> None:
    found = columns("", "", "", frequency=1, levels=[3])
    assert (found.frequency, found.levels, found.phases) == (0, (2,), ())
    found = columns("", "", "", phase=3)
    assert (found.levels, found.phases) == ((1,), (2,))
    found = columns("Hz", "Sofa (dB)", "deg", "Chair (dB)", "deg", levels=["chair"])
    assert (found.levels, found.phases) == ((3,), (4,))
    found = columns("Hz", "Sofa (dB)", "Chair (dB)", levels=["Sofa (dB)", 3])
    assert found.levels == (1, 2)
    with pytest.raises(AmbiguousTableError, match="number"):
        columns("Hz", "Sofa left", "Sofa right", levels=["Sofa"])
    with pytest.raises(MeasurementFileError, match="Sofa"):
        columns("Hz", "Sofa", levels=["Floor"])
    with pytest.raises(ValueError, match="counts from 1"):
        columns("Hz", "Sofa", levels=[0])
    with pytest.raises(ValueError, match="differ"):
        columns("Hz", "Sofa", frequency=2, levels=[2])


def test_names() -> None:
    assert columns("Hz", "Sofa (dB)").names == ("Sofa",)
    assert columns("Hz", "dB").names == ("column 2",)
    assert columns("Hz", "Level (dB)", "Level (dB)").names == (
        "Level (column 2)",
        "Level (column 3)",
    )
