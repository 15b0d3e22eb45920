"""Errors of files: one line with file, place, what is wrong and what to do."""

from pathlib import Path

import pytest

from roomeq.base import errors
from roomeq.base.errors import FileFaultError, MeasurementFileError, RoomeqError, RoomeqWarning


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({}, "is empty"),
        ({"path": Path("a/b.txt")}, "a/b.txt: is empty"),
        ({"path": "b.txt", "line": 4}, "b.txt, line 4: is empty"),
        ({"path": "b.txt", "where": "column 2"}, "b.txt, column 2: is empty"),
        (
            {"path": "b.txt", "line": 4, "where": "column 2", "remedy": "fill it"},
            "b.txt, line 4, column 2: is empty (fill it)",
        ),
        ({"remedy": "fill it"}, "is empty (fill it)"),
    ],
)
def test_message_is_put_together(settings, text):
    error = MeasurementFileError("is empty", **settings)
    assert str(error) == text
    assert error.message == "is empty"
    assert error.path == (None if "path" not in settings else str(settings["path"]))
    for name in ("line", "where", "remedy"):
        assert getattr(error, name) == settings.get(name)


def _is_ours(kind):
    return isinstance(kind, type) and kind.__module__ == errors.__name__


def test_one_base_catches_them_all():
    kinds = {name: kind for name, kind in vars(errors).items() if _is_ours(kind)}
    assert len(kinds) > 5
    for name, kind in kinds.items():
        assert issubclass(kind, RoomeqWarning if name.endswith("Warning") else RoomeqError)
        if name.endswith("FileError"):
            assert issubclass(kind, FileFaultError)
    assert issubclass(RoomeqWarning, UserWarning)  # so that it is shown unless somebody filters it
