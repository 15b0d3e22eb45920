"""Records: what has the same name is taken over as it is, the rest has to be given.

A table of a notebook: whatever its words hold.
"""

import json
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest

from roomeq.base.record import Record, html_table


class Level(Record, frozen=True, kw_only=True):
    seat: str
    level_db: float
    remark: str | None = None


SOURCE = SimpleNamespace(seat="sofa", level_db=3.5, remark=None, corner=80.0)


def test_the_same_names_are_taken_over_and_others_are_given():
    assert Level.copied(SOURCE) == Level(seat="sofa", level_db=3.5)
    assert Level.copied(SOURCE, level_db=-1.0, remark="low").level_db == -1.0
    assert SOURCE.level_db == 3.5


def test_of_several_values_the_first_that_has_a_name_tells_it():
    other = SimpleNamespace(level_db=9.0, remark="low")
    assert Level.copied(SimpleNamespace(seat="sofa"), other, SOURCE).remark == "low"
    assert Level.copied(SOURCE, other) == Level.copied(SOURCE)


def test_arrays_are_kept_as_numbers_and_columns_as_rows():
    level = Level.copied(SOURCE, level_db=np.float64(2.0))
    assert type(level.level_db) is float
    levels = Level.of_columns(seat=["sofa", "desk"], level_db=np.array([2.0, 3.0]))
    assert levels == (Level(seat="sofa", level_db=2.0), Level(seat="desk", level_db=3.0))
    table = Level.copied(SOURCE, remark=np.eye(2))
    assert table.remark == ((1.0, 0.0), (0.0, 1.0))
    with pytest.raises(ValueError, match="shorter"):
        Level.of_columns(seat=["sofa", "desk"], level_db=np.array([2.0]))


def test_nothing_is_left_to_a_default_or_made_up():
    with pytest.raises(AttributeError, match="remark"):
        Level.copied(SimpleNamespace(seat="sofa", level_db=3.5))
    with pytest.raises(TypeError, match="corner"):
        Level.copied(SOURCE, corner=80.0)


def test_what_is_written_is_read_again_and_unknown_keys_are_refused():
    text = Level.copied(SOURCE).to_json()
    assert json.loads(text) == {"seat": "sofa", "level_db": 3.5, "remark": None}
    assert text.endswith(b"}\n")
    assert msgspec.json.decode(text, type=Level) == Level.copied(SOURCE)
    with pytest.raises(msgspec.ValidationError, match="unknown field `corner`"):
        msgspec.json.decode(b'{"seat": "sofa", "level_db": 1.0, "corner": 80.0}', type=Level)


def test_words_are_escaped_and_what_is_none_is_blank():
    assert html_table("a < b", ["x & y"], [[None], ["<i>"], [3]]) == (
        "<table><caption>a &lt; b</caption><thead><tr><th>x &amp; y</th></tr></thead>"
        "<tbody><tr><td></td></tr><tr><td>&lt;i&gt;</td></tr><tr><td>3</td></tr></tbody></table>"
    )
