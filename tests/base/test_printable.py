"""Control and bidirectional characters are written out, letters of any script are not.

Which characters turn text around: Unicode Standard Annex 9, table of explicit formatting
characters, as `unicodedata` knows them.
"""

import sys
import unicodedata
from functools import cache

import pytest

from roomeq.base.printable import printable

TURNING = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


@cache
def every():
    return [chr(point) for point in range(sys.maxunicode + 1) if not 0xD800 <= point < 0xE000]


def test_no_control_and_no_directional_character_is_left():
    left = printable("".join(every()))
    assert {c for c in left if unicodedata.category(c) in ("Cc", "Zl", "Zp")} == {"\n"}
    assert not {c for c in left if unicodedata.bidirectional(c) in TURNING}
    assert not set("\u200e\u200f\u061c") & set(left)  # marks: they turn what stands beside them


def test_all_else_stays():
    rows = ("".join(every()[first : first + 256]) for first in range(0, len(every()), 256))
    changed = [c for row in rows if printable(row) != row for c in row if printable(c) != c]
    assert changed
    assert all(unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp") for c in changed)
    for text in ("Bücherei", "書斎", "קומה א", "می‌خواهم", "कमरा", "Ω 🎛️"):
        assert printable(text) == text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("a\x1b[31mb", r"a\x1b[31mb"),
        ("a\r\tb", r"a\r\tb"),
        ("a\u202eb", r"a\u202eb"),
        ("two\nlines", "two\nlines"),
        ("\udcff", r"\udcff"),  # a byte of a file name that is no UTF-8
    ],
)
def test_what_is_shown(text, shown):
    assert printable(text) == shown
