"""Text of others, made fit to be printed.

Conventions
-----------
Names, headings and keys come from files of others. A control character in them could move the
cursor or colour a terminal, a bidirectional one turn a line around, on paper too: both are shown as
they would be written in Python. Letters of any script stay as they are, and so do the joiners that
some scripts need. Line feeds separate the lines of our own text.
"""

from __future__ import annotations

import re

# Unicode Standard, table of bidirectional formatting characters, and the line and paragraph
# separators; C0 without line feed, delete, C1.
_HIDDEN = re.compile(
    r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069]"
)


def printable(text: str) -> str:
    """Return a text with control and bidirectional characters written out.

    Lone surrogates, as names of files that are no valid text have, are written out too.
    """
    shown = _HIDDEN.sub(lambda found: found.group().encode("unicode_escape").decode(), text)
    return shown.encode("utf-8", "backslashreplace").decode("utf-8")
