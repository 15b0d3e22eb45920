"""TOML into tables: every fault with its line, its key, its value and its remedy."""

import msgspec
import pytest

from roomeq.base.errors import DeviceProfileError, RoomFileError
from roomeq.base.toml_tables import TomlFile, read_toml_tables


class Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    size: float
    colour: str = "grey"


class Knob(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    step_db: float = 0.5
    end: float | None = None


class Whole(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    name: str
    count: int = 1
    made: str | None = None
    parts: tuple[Part, ...] = ()
    knob: Knob = Knob()


GOOD = """\
name = "device"
count = 2
made = 2024-05-17

[knob]
step_db = 1.5

[[parts]]
size = 3
"""


def read(tmp_path, text, **settings):
    path = tmp_path / "whole.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_toml_tables(path, Whole, error_class=DeviceProfileError, **settings)


def test_what_is_written_comes_back(tmp_path):
    found = read(tmp_path, GOOD)
    assert found.tables == Whole(
        name="device", count=2, made="2024-05-17", parts=(Part(size=3.0),), knob=Knob(step_db=1.5)
    )
    # a byte order mark, Windows line ends: no difference
    assert read(tmp_path, b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()).tables == (
        found.tables
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("count", "cuont", "line 2, cuont: unknown key 'cuont' (the nearest known key is 'count'"),
        ("step_db", "stpe_db", "line 6, knob.stpe_db: unknown key 'stpe_db' (the nearest known"),
        ("step_db = 1.5", "size = 1", "knob.size: unknown key 'size' (this key belongs into the"),
        ("step_db = 1.5", "count = 1", "(this key belongs at the top, before the first [table])"),
        ("count = 2", "count = 2.5", "line 2, count: 2.5 will not do (needs a whole number)"),
        ("count = 2", "count = true", "line 2, count: true will not do (needs a whole number)"),
        ('"device"', "[1]", "line 1, name: a list [ ... ] will not do"),
        ("size = 3", 'size = "big"', 'line 9, parts 1, size: "big" will not do (needs a number)'),
        ("size = 3", "size = nan", "line 9, parts 1, size: nan is not a usable number"),
        ("size = 3", "size = -inf", "size: -inf is not a usable number (a finite number)"),
        ("size = 3", "", "line 8, parts 1: 'size' is missing (write size = ...)"),
        (
            "[knob]",
            "[[knob]]",
            "line 5, knob: a list [ ... ] will not do (write [knob]",
        ),
        ("[[parts]]", "[parts]", "a table { ... } will not do (write [[parts]] with double"),
        ("count = 2", "count = 2\ncount = 3", "line 3, column 10: not valid TOML"),
    ],
)
def test_faults_are_pointed_at(tmp_path, old, new, said):
    with pytest.raises(DeviceProfileError) as fault:
        read(tmp_path, GOOD.replace(old, new, 1))
    assert said in str(fault.value)
    assert str(fault.value).startswith(str(tmp_path / "whole.toml"))


@pytest.mark.parametrize("word", ["inf", "-inf", "nan"])
def test_numbers_are_finite(tmp_path, word):
    with pytest.raises(DeviceProfileError, match=f"{word} is not a usable number"):
        read(tmp_path, GOOD.replace("step_db = 1.5", f"end = {word}"))


def test_what_is_missing_is_told_with_an_example(tmp_path):
    with pytest.raises(DeviceProfileError, match=r"'name' is missing \(write a word of your own\)"):
        read(tmp_path, "count = 1\n", examples={"name": "a word of your own"})


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(DeviceProfileError, match=r"there is no such file \(look elsewhere\)"):
        read_toml_tables(
            tmp_path / "none.toml",
            Whole,
            error_class=DeviceProfileError,
            missing_remedy="look elsewhere",
        )
    with pytest.raises(DeviceProfileError, match="is a folder, not a file"):
        read_toml_tables(tmp_path, Whole, error_class=DeviceProfileError)
    with pytest.raises(DeviceProfileError, match=r"line 2: byte 0xe9 is not UTF-8 \(save the file"):
        read(tmp_path, b'count = 1\nname = "caf\xe9"\n')
    with pytest.raises(DeviceProfileError, match=r"line 1, column 15: not valid TOML"):
        read(tmp_path, 'name = "device\n')


def test_a_fault_stands_where_the_key_or_the_table_around_it_does(tmp_path):
    lines = {("knob",): 5, ("knob", "step_db"): 6}
    path = tmp_path / "x.toml"
    file = TomlFile(location=path, lines=lines, error_class=RoomFileError)
    stated = file.fault("stuck", "knob", "step_db", remedy="turn it")
    assert str(stated) == f"{path}, line 6, knob.step_db: stuck (turn it)"
    assert (stated.line, stated.where, stated.remedy) == (6, "knob.step_db", "turn it")
    assert file.fault("stuck", "knob", "end").line == 5
    nowhere = file.fault("empty")
    assert str(nowhere) == f"{path}: empty"
    assert str(read(tmp_path, GOOD).fault("wrong", "parts", 0, "size")).endswith(
        "whole.toml, line 9, parts 1, size: wrong"
    )
