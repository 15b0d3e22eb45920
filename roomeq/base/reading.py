"""Read whole files of others: of bounded size, and only where there is a file.

Conventions
-----------
Pipes and devices are refused before they are opened: they may never end. What a file holds is
bytes; nothing in it is run, and what is nested too deeply to be followed is refused like any other
fault.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import TypeVar

import msgspec

from roomeq.base.errors import FileFaultError

LARGEST_TABLES = 16 * 2**20
"""Bytes up to which room files, profiles, plans and descriptions are read; a plan of thirty seats
has one."""

Kept = TypeVar("Kept")


def file_bytes(
    path: str | os.PathLike[str], *, largest: int, error: type[FileFaultError], remedy: str
) -> bytes:
    """Return what a file holds.

    Parameters
    ----------
    path : path-like
    largest : int
        Bytes up to which it is read.
    error : type of FileFaultError
        What to raise.
    remedy : str
        What to do where it is larger.

    Raises
    ------
    FileFaultError
        As `error`: it is a folder, a pipe or a device, or too large.
    OSError
        If it is not there or cannot be opened.
    """
    location = Path(path)
    found = location.stat()
    if not stat.S_ISREG(found.st_mode):
        what = "a folder" if stat.S_ISDIR(found.st_mode) else "a pipe or device"
        raise error(f"is {what}, not a file", path=location, remedy="give a file")
    if found.st_size > largest:
        raise error(
            f"is {found.st_size / 2**20:.0f} MiB large; up to {largest // 2**20} MiB are read",
            path=location,
            remedy=remedy,
        )
    return location.read_bytes()


def from_json(text: bytes, kind: type[Kept]) -> Kept:
    """Return a value from JSON text.

    Raises
    ------
    msgspec.MsgspecError
        If it is no such value, or nested too deeply.
    """
    try:
        return msgspec.json.decode(text, type=kind)
    except RecursionError:
        raise msgspec.DecodeError("JSON is nested too deeply") from None
