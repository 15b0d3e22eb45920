"""What is found wrong in a room file, and where.

Conventions
-----------
A key path is a tuple of keys and places in a list, from 0; see `roomeq.base.toml_lines`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from roomeq.base.toml_lines import KeyPath
from roomeq.base.toml_tables import Plausible

__all__ = ["Finding", "outside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something in a room file that cannot be: what, where, and what to do about it."""

    message: str
    path: KeyPath
    remedy: str


def outside(
    value: float | None, path: KeyPath, lowest: float, highest: float, unit: str, hint: str = ""
) -> Iterator[Finding]:
    """Yield that a value lies outside a span of plausible ones."""
    refusal = None if value is None else Plausible(lowest, highest, unit, hint).refusal(value)
    if refusal is not None:
        yield Finding(message=refusal[0], path=path, remedy=refusal[1])
