"""Files are complete or not there at all."""

from pathlib import Path

import pytest

from roomeq.base.replacing import replacing


def test_the_neighbour_takes_the_place(tmp_path):
    target = tmp_path / "a.txt"
    target.write_text("old", "utf-8")
    with replacing(target) as temporary:
        assert temporary.parent == tmp_path
        temporary.write_text("new", "utf-8")
        assert target.read_text("utf-8") == "old"
    assert target.read_text("utf-8") == "new"
    assert list(tmp_path.iterdir()) == [target]


def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path):
    target = tmp_path / "a.txt"
    target.write_text("old", "utf-8")

    def fail_half_way():
        with replacing(target) as temporary:
            temporary.write_text("half", "utf-8")
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        fail_half_way()
    assert target.read_text("utf-8") == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_errors_name_the_file_and_not_its_neighbour(tmp_path):
    target = tmp_path / "nowhere" / "a.txt"

    def write():
        with replacing(target) as temporary:
            temporary.write_text("new", "utf-8")

    with pytest.raises(OSError, match="No such file") as fault:
        write()
    assert Path(fault.value.filename) == target
