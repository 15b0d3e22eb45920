"""Digests of input files, so that a plan says from which files it was made.

Conventions
-----------
A digest is the SHA-256 of a file's bytes (FIPS 180-4), in lower-case hexadecimal. Paths are kept as
they were written, with ``/`` between folders, never made absolute.
"""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Literal, get_args

Role = Literal[
    "room",
    "measurement",
    "microphone",
    "sweep",
    "calibration",
    "target",
    "near_field",
    "device_profile",
    "maximum_output",
    "path_response",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One input file.

    Attributes
    ----------
    path : str
        As written by whoever named it, relative to the room's folder where it is.
    role : str
        What it is used for: ``room``, ``measurement``, ``microphone``, ``sweep``, ``calibration``,
        ``target``, ``near_field``, ``device_profile``, ``maximum_output`` or ``path_response``.
    sha256 : str
        Digest of its bytes, 64 hexadecimal digits.

    Raises
    ------
    ValueError
        If the role is unknown or the digest is none.
    """

    path: str
    role: Role
    sha256: str

    def __post_init__(self) -> None:
        if self.role not in get_args(Role):
            raise ValueError(f"role is one of {get_args(Role)}, got {self.role!r}")
        if len(self.sha256) != 64 or not set(self.sha256) <= set("0123456789abcdef"):
            raise ValueError(f"sha256 is 64 hexadecimal digits, got {self.sha256!r}")


def file_digest(path: str | PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes, 64 hexadecimal digits.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    import hashlib

    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def read_input_file(
    written: str | PathLike[str], *, role: Role, folder: str | PathLike[str] = "."
) -> InputFile:
    """Return the digest of a file named as `written`, relative to `folder`.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    named = Path(written)
    return InputFile(path=named.as_posix(), role=role, sha256=file_digest(Path(folder) / named))
