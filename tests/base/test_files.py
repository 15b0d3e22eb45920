"""Files are complete or not there at all.

Whole files: bounded, regular, and not nested beyond what can be followed.

Digests against the examples of the Secure Hash Standard (NIST, FIPS 180 example "abc").
"""

import os
import stat
import threading
from pathlib import Path

import msgspec
import pytest

from roomeq.base.errors import PlanFileError
from roomeq.base.files import (
    InputFile,
    file_bytes,
    file_digest,
    from_json,
    leftovers,
    read_input_file,
    refuse_other_kinds,
    replacing,
    replacing_together,
)


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


def refuse(target, *, ours=True):
    refuse_other_kinds(target, kind="plan", is_of_kind=lambda _: ours, error=PlanFileError)


def test_the_mode_stays(tmp_path):
    target = tmp_path / "a.txt"
    target.write_text("old", "utf-8")
    target.chmod(0o640)
    with replacing(target) as temporary:
        temporary.write_text("new", "utf-8")
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


def test_threads_do_not_share_a_neighbour(tmp_path):
    target, together, names = tmp_path / "a.txt", threading.Barrier(4), []

    def write(text):
        with replacing(target) as temporary:
            temporary.write_text(text, "utf-8")
            names.append(temporary.name)
            together.wait(10.0)

    threads = [threading.Thread(target=write, args=(str(n),)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(names)) == 4
    assert target.read_text("utf-8") in "0123"
    assert list(tmp_path.iterdir()) == [target]


def test_of_two_that_belong_together_none_is_replaced_unless_both_are_complete(tmp_path):
    pair = tmp_path / "a.json", tmp_path / "a.wav"
    for path in pair:
        path.write_text("old", "utf-8")

    def half():
        with replacing_together(*pair) as (first, _):
            first.write_text("new", "utf-8")  # the second is never written

    with pytest.raises(OSError, match="No such file") as fault:
        half()
    assert fault.value.filename == str(pair[1])
    assert [path.read_text("utf-8") for path in pair] == ["old", "old"]
    with replacing_together(*pair) as neighbours:
        for path in neighbours:
            path.write_text("new", "utf-8")
    assert sorted(tmp_path.iterdir()) == sorted(pair)
    assert [path.read_text("utf-8") for path in pair] == ["new", "new"]


def test_a_kill_at_any_step_leaves_no_mixed_pair(tmp_path, monkeypatch):
    class Killed(BaseException):
        """What no handler of errors takes."""

    pair = tmp_path / "a.json", tmp_path / "a.wav"
    for step in range(20):
        for path in pair:
            path.write_text("old", "utf-8")
        left = step

        def counted(act):
            def acting(*arguments, **named):
                nonlocal left
                left -= 1
                if left < 0:
                    raise Killed
                return act(*arguments, **named)

            return acting

        with monkeypatch.context() as patched:
            for name in ("replace", "unlink"):
                patched.setattr(Path, name, counted(getattr(Path, name)))
            try:
                with replacing_together(*pair) as neighbours:
                    for path in neighbours:
                        path.write_text("new", "utf-8")
            except Killed:
                pass
        held = [path.read_text("utf-8") for path in pair if path.exists()]
        assert len(set(held)) == 1 or not pair[1].exists()
        for path in tmp_path.iterdir():
            path.unlink()


def test_what_is_no_file_of_its_own_is_refused(tmp_path):
    (tmp_path / "file").write_text("x", "utf-8")
    (tmp_path / "link").symlink_to("file")
    (tmp_path / "dangling").symlink_to("nothing")
    os.mkfifo(tmp_path / "pipe")
    for path, what in (
        (tmp_path / "link", "a link"),
        (tmp_path / "dangling", "a link"),
        (tmp_path, "a folder"),
        (tmp_path / "pipe", "a device"),
        (Path("/dev/full"), "a device"),
    ):
        with pytest.raises(PlanFileError, match=f"is {what}: it is left as it is"):
            refuse(path)
    (tmp_path / "file").chmod(0o444)
    with pytest.raises(PlanFileError, match="write-protected"):
        refuse(tmp_path / "file")
    (tmp_path / "file").chmod(0o644)
    refuse(tmp_path / "file")
    with pytest.raises(PlanFileError, match="exists and is not a plan"):
        refuse(tmp_path / "file", ours=False)
    with pytest.raises(FileNotFoundError) as fault:
        refuse(tmp_path / "nowhere" / "file")
    assert fault.value.filename == str(tmp_path / "nowhere" / "file")
    refuse(tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_what_a_killed_run_left_is_named(tmp_path):
    target = tmp_path / "a.json"
    writing = replacing(target)
    neighbour = writing.__enter__()
    neighbour.write_text("half", "utf-8")
    assert leftovers(target) == [neighbour]
    assert leftovers(tmp_path / "b.json") == []
    writing.__exit__(None, None, None)
    assert leftovers(target) == []


def test_what_is_written_is_on_the_disk_before_it_takes_a_place(tmp_path, monkeypatch):
    steps = []
    monkeypatch.setattr(os, "fsync", lambda _: steps.append("disk"))
    own = Path.replace
    monkeypatch.setattr(Path, "replace", lambda *both: (steps.append("place"), own(*both)))
    with replacing_together(tmp_path / "a", tmp_path / "b") as neighbours:
        for path in neighbours:
            path.write_text("new", "utf-8")
    assert steps == ["disk", "disk", "place", "place"]


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
    assert found == InputFile(file="sub/abc.txt", role="measurement", sha256=ABC)


def test_a_file_that_is_not_there_raises(tmp_path):
    with pytest.raises(OSError, match="gone"):
        file_digest(tmp_path / "gone.txt")
    with pytest.raises(OSError, match="gone"):
        read_input_file("gone.txt", role="room", folder=tmp_path)
