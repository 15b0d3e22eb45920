"""Roles of columns: told by the caller, by headings, by place."""

from typing import NamedTuple

import numpy as np
import pytest

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.importers.text.roles import assign_columns, names_of
from roomeq.importers.text.units import Column
from roomeq.importers.text.words import heading_of

AXIS = np.linspace(20.0, 200.0, 40)
LEVEL = 70.0 + np.sin(AXIS)
WRAPPED = (-9.0 * AXIS + 180.0) % 360.0 - 180.0


class Assigned(NamedTuple):
    """Columns by their places, from 0."""

    frequency: int
    levels: tuple[int, ...]
    phases: tuple[int, ...]
    imaginary: tuple[int, ...]
    coherences: tuple[int, ...]
    names: tuple[str, ...]
    notes: list[str]


def columns(*texts: str, values: list[np.ndarray] | None = None, **told: object) -> Assigned:
    table = [AXIS, *[LEVEL] * (len(texts) - 1)] if values is None else values
    lines = np.arange(AXIS.size) + 1
    heads = [
        Column(number=place, heading=heading_of(text), values=column, lines=lines)
        for place, (text, column) in enumerate(zip(texts, table, strict=True), 1)
    ]
    axis, responses, notes = assign_columns(heads, **told)  # type: ignore[arg-type]
    levels, phases, imaginary, coherences = (
        tuple(c.number - 1 for one in responses if (c := getattr(one, part)) is not None)
        for part in ("level", "phase", "imaginary", "coherence")
    )
    names = names_of(responses)
    return Assigned(axis.number - 1, levels, phases, imaginary, coherences, names, notes)


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
