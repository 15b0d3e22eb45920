"""Records: what has the same name is taken over as it is, the rest has to be given.

A table of a notebook: whatever its words hold.
"""

import json
from types import SimpleNamespace

import msgspec
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
