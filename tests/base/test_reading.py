"""Whole files: bounded, regular, and not nested beyond what can be followed."""

import os

import msgspec
import pytest

from roomeq.base.errors import PlanFileError
from roomeq.base.reading import file_bytes, from_json


def read(path, largest=1000):
    return file_bytes(path, largest=largest, error=PlanFileError, remedy="shorten it")


def test_what_a_file_holds(tmp_path):
    (tmp_path / "a").write_bytes(b"123")
    (tmp_path / "link").symlink_to("a")
    assert read(tmp_path / "a", largest=3) == b"123"
    assert read(tmp_path / "link") == b"123"


def test_more_than_is_read_is_refused(tmp_path):
    (tmp_path / "a").write_bytes(bytes(3 * 2**20 + 1))
    with pytest.raises(PlanFileError, match=r"3 MiB large; up to 2 MiB are read \(shorten it\)"):
        read(tmp_path / "a", largest=2 * 2**20)


def test_folders_pipes_and_devices_are_no_files(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path, what in ((tmp_path, "a folder"), (tmp_path / "pipe", "a pipe"), ("/dev/zero", "a p")):
        with pytest.raises(PlanFileError, match=f"is {what}"):
            read(path)
    with pytest.raises(FileNotFoundError):
        read(tmp_path / "none")


@pytest.mark.parametrize("depth", [500, 100_000])
def test_deep_nesting_is_a_fault_like_any_other(depth):
    with pytest.raises(msgspec.MsgspecError):
        from_json(b"[" * depth + b"]" * depth, dict)
    with pytest.raises(msgspec.MsgspecError):
        from_json(b'{"a":' * depth + b"1" + b"}" * depth, int)
    assert from_json(b'{"a": [1]}', dict) == {"a": [1]}
