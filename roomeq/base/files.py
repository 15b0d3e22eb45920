"""Write files whole or not at all, read those of others whole, and tell which ones were read.

Conventions
-----------
What is written is complete or not there at all, and nothing else is lost for it. It goes to a
temporary neighbour first, onto the disk, which then takes the place of the file and its mode. A
file of the same kind gives way. Any other is left as it is, for it may be a measurement; so is what
is no file of its own (a link, a folder, a device) or write-protected. Neighbours that a killed run
left behind are named, not removed.

Files of others are of bounded size. Pipes and devices are refused before they are opened: they may
never end. What a file holds is bytes; nothing in it is run, and what is nested too deeply to be
followed is refused like any other fault.

Digests of input files let a plan say from which files it was made. A digest is the SHA-256 of a
file's bytes (FIPS 180-4), in lower-case hexadecimal. Paths are kept as they were written, with
``/`` between folders, never made absolute.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from os import PathLike
from pathlib import Path
from typing import Literal, TypeVar

import msgspec

from roomeq.base.errors import FileFaultError
from roomeq.base.record import Record

_SUFFIX = ".part"
_LONGEST_NAME = 40  # characters of the file's own name in the neighbour's


@contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """Give a temporary neighbour that takes the place of a file if all goes well.

    Parameters
    ----------
    target : Path
        The file to be written; it is left as it is if anything fails.

    Raises
    ------
    OSError
        If the folder does not exist or cannot be written to; it names `target`, not the neighbour.
    """
    with replacing_together(target) as (temporary,):
        yield temporary


@contextmanager
def replacing_together(*targets: Path) -> Iterator[tuple[Path, ...]]:
    """Give neighbours that take the places of files which belong together.

    All are complete and on the disk before the first takes its place, and the old ones from the
    second on go before that: what a killed run leaves is never the first of one set beside the
    second of another.

    Raises
    ------
    OSError
        As `replacing`.
    """
    neighbours = {_neighbour(target): target for target in targets}
    try:
        yield tuple(neighbours)
        for neighbour, target in neighbours.items():
            if target.exists():
                neighbour.chmod(stat.S_IMODE(target.stat().st_mode))
            with neighbour.open("rb") as file:
                os.fsync(file.fileno())
        for target in targets[1:]:
            target.unlink(missing_ok=True)
        for neighbour, target in neighbours.items():
            neighbour.replace(target)
    except OSError as error:
        named = neighbours.get(Path(str(error.filename)), targets[0])
        raise OSError(error.errno, error.strerror or str(error), str(named)) from error
    finally:
        for neighbour in neighbours:
            neighbour.unlink(missing_ok=True)


def _neighbour(target: Path) -> Path:
    return target.with_name(f"{_prefix(target)}{os.urandom(4).hex()}{_SUFFIX}")


def _prefix(target: Path) -> str:
    return f".{target.name[:_LONGEST_NAME]}."


def leftovers(target: Path) -> list[Path]:
    """Return neighbours that a killed run left beside a file."""
    start = _prefix(target)
    beside = target.parent.iterdir() if target.parent.is_dir() else ()
    return sorted(p for p in beside if p.name.startswith(start) and p.name.endswith(_SUFFIX))


def refuse_other_kinds(
    target: Path,
    *,
    kind: str,
    is_of_kind: Callable[[Path], bool] | None,
    error: type[FileFaultError],
) -> None:
    """Raise if a file cannot be written where it should, or would replace one of another kind.

    Parameters
    ----------
    target : Path
        The file to be written.
    kind : str
        What is to be written, such as "plan".
    is_of_kind : callable or None
        Tells of a file that exists whether it is one; None where no file gives way.
    error : type of FileFaultError
        What to raise.

    Raises
    ------
    FileFaultError
        As `error`.
    OSError
        If the folder does not exist or cannot be written to.
    """
    elsewhere = f"give the {kind} another name, or remove that file first"
    fault = partial(error, path=target, remedy=elsewhere)
    if target.is_symlink() or (target.exists() and not target.is_file()):
        what = "a link" if target.is_symlink() else "a folder" if target.is_dir() else "a device"
        raise fault(f"is {what}: it is left as it is")
    if target.exists() and not target.stat().st_mode & 0o222:
        raise fault("is write-protected: it is left as it is")
    if target.exists() and (is_of_kind is None or not is_of_kind(target)):
        other = "" if is_of_kind is None else f" and is not a {kind}"
        raise fault(f"exists{other}: it is left as it is")
    neighbour = _neighbour(target)
    try:
        neighbour.touch()
    except OSError as failed:
        raise OSError(failed.errno, failed.strerror, str(target)) from None
    neighbour.unlink()


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


class InputFile(Record, frozen=True, kw_only=True):
    """One input file.

    Attributes
    ----------
    file : str
        As written by whoever named it, relative to the room's folder where it is.
    role : str
        What it is used for, a `Role`.
    sha256 : str
        Digest of its bytes, 64 hexadecimal digits.
    """

    file: str
    role: str
    sha256: str


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
    return InputFile(file=named.as_posix(), role=role, sha256=file_digest(Path(folder) / named))
