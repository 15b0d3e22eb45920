"""What is being done, for whoever watches; where nobody does, nothing is said.

Conventions
-----------
Words for a line of progress, without an end: ``reading sofa.txt, 2 of 6``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TypeVar

_Entry = TypeVar("_Entry")
_watcher: ContextVar[Callable[[str], None] | None] = ContextVar("watcher", default=None)


@contextmanager
def watched(by: Callable[[str], None]) -> Iterator[None]:
    """Let a function hear what the body does; empty words say that a part is done."""
    token = _watcher.set(by)
    try:
        yield
    finally:
        _watcher.reset(token)


def say_doing(words: str) -> None:
    """Tell whoever watches what is being done."""
    watcher = _watcher.get()
    if watcher is not None:
        watcher(words)


def each(entries: Sequence[_Entry], said: Callable[[_Entry], str]) -> Iterator[_Entry]:
    """Yield entries one by one, and say which of how many is in hand.

    Parameters
    ----------
    entries : sequence
    said : callable
        Names what is done with an entry.
    """
    if _watcher.get() is None:
        yield from entries
        return
    for number, entry in enumerate(entries, start=1):
        say_doing(f"{said(entry)}, {number} of {len(entries)}")
        yield entry
    say_doing("")
