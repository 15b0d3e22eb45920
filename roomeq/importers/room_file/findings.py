"""What is found wrong in a room file, and where.

Conventions
-----------
A key path is a tuple of keys and places in a list, from 0; see `roomeq.base.toml_lines`. A check of
one table yields paths from that table on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TypeVar

from roomeq.base.toml_lines import KeyPath

Finding = tuple[str, KeyPath, str]
"""Something in a room file that cannot be: what, where, and what to do about it."""

Table = TypeVar("Table")


def findings_in(
    table: Table | None, path: KeyPath, check: Callable[[Table], Iterator[Finding]]
) -> Iterator[Finding]:
    """Yield what a check finds in the table at a path, if there is one."""
    for message, key, remedy in () if table is None else check(table):
        yield message, (*path, *key), remedy


def both_given(table: object, one: str, other: str) -> Iterator[Finding]:
    """Yield that two keys are given of which one excludes the other."""
    if getattr(table, one) is not None and getattr(table, other) is not None:
        yield f"both {one!r} and {other!r} are given", (other,), "give one of them"


def needs_one(table: object, one: str, other: str, remedy: str) -> Iterator[Finding]:
    """Yield that neither or both of two keys are given."""
    if (getattr(table, one) is None) == (getattr(table, other) is None):
        yield f"needs one of {one!r} and {other!r}", (), remedy
