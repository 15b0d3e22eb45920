"""Lines of keys: every key that tomllib (Python's own parser) finds must be found on its line."""

import tomllib

import pytest

from roomeq.base.toml_lines import key_lines, key_name, line_of

TEXT = """\
# a comment with [brackets] and a = 1
format = 1
name = "a # no comment"
"odd key" = 'it''s'.x
""".replace("'it''s'.x", "'it is'")

NESTED = '''\
story = """
[not a table]
name = "not a key"
"""
raw = \'\'\'
x = [
\'\'\'
[device.present]
gains_db = [
  0,   # a comment, with ] in it
  -1.5,
]
level.fine_db = 2
[[seats]]
name = "a\\"]"
[[seats]]   # second
name = "b"
weight = 2
[seats.extra]
deep = true
[[measurements]]
columns = { "sofa left" = 1, 'right' = { x = [1,
2] } }
list = [ { a = 1 },
  { b = 2 } ]
'''


def _paths(value, path=()):
    entries = value.items() if isinstance(value, dict) else enumerate(value)
    for key, entry in entries:
        yield (*path, key)
        if isinstance(entry, dict | list):
            yield from _paths(entry, (*path, key))


@pytest.mark.parametrize("text", [TEXT, NESTED, NESTED.replace("\n", "\r\n"), "", "\n# only\n"])
def test_finds_exactly_the_keys_that_the_parser_finds(text):
    assert set(key_lines(text)) == set(_paths(tomllib.loads(text)))


def test_lines_count_from_one_and_name_the_right_occurrence():
    lines = key_lines(NESTED)
    rows = NESTED.splitlines()
    assert lines["story",] == 1
    assert rows[lines["device", "present", "gains_db", 1] - 1].strip() == "-1.5,"
    assert rows[lines["device", "present", "level", "fine_db"] - 1].startswith("level.fine_db")
    assert rows[lines["seats", 0] - 1] == "[[seats]]"
    assert rows[lines["seats", 1] - 1] == "[[seats]]   # second"
    assert rows[lines["seats", 1, "name"] - 1] == 'name = "b"'
    assert rows[lines["seats", 1, "extra", "deep"] - 1] == "deep = true"
    assert rows[lines["measurements", 0, "columns", "sofa left"] - 1].startswith("columns")
    assert rows[lines["measurements", 0, "list", 1, "b"] - 1].strip() == "{ b = 2 } ]"


def test_line_of_falls_back_to_the_table_around():
    lines = {("seats",): 3, ("seats", 1): 7}
    assert line_of(lines, ("seats", 1, "weight")) == 7
    assert line_of(lines, ("seats", 0, "weight")) == 3
    assert line_of(lines, ("limits",)) is None
    assert line_of(lines, ()) is None


@pytest.mark.parametrize(
    ("path", "name"),
    [
        (("format",), "format"),
        (("seats", 1, "weight"), "seats 2, weight"),
        (("device", "present", "gains_db", 0), "device.present.gains_db 1"),
        (("measurements", 0, "columns", "sofa"), "measurements 1, columns.sofa"),
        ((), ""),
    ],
)
def test_key_names_count_places_from_one(path, name):
    assert key_name(path) == name
