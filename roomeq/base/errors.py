"""Errors and warnings that roomeq raises.

Conventions
-----------
Misuse of a function raises ``ValueError`` or ``TypeError``. A fault in a file raises one of the
classes below, which carry the file, the place in it, the value and the likely remedy. What is legal
but doubtful is a named warning.
"""

from __future__ import annotations

from os import PathLike, fspath
from typing import Any, Self


class RoomeqError(Exception):
    """Base of every error of our own."""


class FileFaultError(RoomeqError):
    """A file cannot be used as it stands.

    Parameters
    ----------
    message : str
        What is wrong, with the offending value.
    path : path-like, optional
        The file.
    line : int, optional
        Line in the file, counted from 1.
    where : str, optional
        Column, channel or key, where a line number does not say it.
    remedy : str, optional
        What the reader most likely has to do.
    """

    def __init__(
        self,
        message: str,
        *,
        path: str | PathLike[str] | None = None,
        line: int | None = None,
        where: str | None = None,
        remedy: str | None = None,
    ) -> None:
        self.message = message
        self.path = None if path is None else fspath(path)
        self.line = line
        self.where = where
        self.remedy = remedy
        places = (self.path, None if line is None else f"line {line}", where)
        place = ", ".join(part for part in places if part is not None)
        text = f"{place}: {message}" if place else message
        super().__init__(f"{text} ({remedy})" if remedy else text)

    def but(self, **changes: Any) -> Self:
        """Return the same fault with another path, line, place or remedy."""
        told = {"path": self.path, "line": self.line, "where": self.where, "remedy": self.remedy}
        return type(self)(self.message, **(told | changes))


class MeasurementFileError(FileFaultError):
    """A measurement, correction or target file cannot be read as what it should be."""


class AmbiguousTableError(MeasurementFileError):
    """A text export can be read in more than one way; the message names the argument to give."""


class RoomFileError(FileFaultError):
    """A room file is not valid."""


class DeviceProfileError(FileFaultError):
    """A device profile is not valid."""


class PlanFileError(FileFaultError):
    """A plan file is not valid, or comes from a format version this release does not know."""


class SheetFileError(FileFaultError):
    """A settings sheet cannot be written where it was asked for."""


class MissingPhaseError(RoomeqError, ValueError):
    """Phase was asked of a response that has none."""


class RoomeqWarning(UserWarning):
    """Base of every warning of our own."""
