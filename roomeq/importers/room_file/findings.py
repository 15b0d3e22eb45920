"""What is found wrong in a room file, and where.

Conventions
-----------
A key path is a tuple of keys and places in a list, from 0; see `roomeq.base.toml_lines`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from roomeq.base.toml_lines import KeyPath

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
    if value is not None and not lowest <= value <= highest:
        yield Finding(
            message=f"{value:g} {unit} is not plausible",
            path=path,
            remedy=f"{lowest:g} to {highest:g} {unit} is accepted" + (f"; {hint}" if hint else ""),
        )
