"""Digests against the examples of the Secure Hash Standard (NIST, FIPS 180 example "abc")."""

from pathlib import Path

import pytest

from roomeq.base.digests import InputFile, file_digest, read_input_file

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def test_digest_is_the_published_one(tmp_path):
    (tmp_path / "abc.txt").write_bytes(b"abc")
    (tmp_path / "empty.txt").write_bytes(b"")
    assert file_digest(tmp_path / "abc.txt") == ABC
    assert file_digest(tmp_path / "empty.txt") == EMPTY


def test_path_stays_as_written(tmp_path):
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "abc.txt").write_bytes(b"abc")
    found = read_input_file(Path("sub") / "abc.txt", role="measurement", folder=tmp_path)
    assert found == InputFile(path="sub/abc.txt", role="measurement", sha256=ABC)


def test_a_file_that_is_not_there_raises(tmp_path):
    with pytest.raises(OSError, match="gone"):
        file_digest(tmp_path / "gone.txt")
    with pytest.raises(OSError, match="gone"):
        read_input_file("gone.txt", role="room", folder=tmp_path)


@pytest.mark.parametrize("sha256", ["", ABC[:-1], ABC.upper(), "g" * 64])
def test_what_is_no_digest_is_refused(sha256):
    with pytest.raises(ValueError, match="64 hexadecimal digits"):
        InputFile(path="a", role="room", sha256=sha256)


def test_unknown_role_is_refused():
    with pytest.raises(ValueError, match="role is one of"):
        InputFile(path="a", role="other", sha256=ABC)  # type: ignore[arg-type]
