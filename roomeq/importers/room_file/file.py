"""A room file: its tables, and where each key stands.

Conventions
-----------
File names in it are relative to the folder of the file, absolute ones go as written.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from roomeq.base.errors import RoomFileError
from roomeq.base.toml_lines import KeyPath
from roomeq.base.toml_tables import fault_at
from roomeq.importers.room_file.schema import RoomTables

__all__ = ["RoomFile"]


class RoomFile(RoomTables, frozen=True, kw_only=True):
    """A room file: the tables of `RoomTables`, and where they stand.

    Attributes
    ----------
    location : Path
        The room file itself.
    lines : mapping
        Line of each key, by its path; see `roomeq.base.toml_lines`.
    """

    location: Path
    lines: Mapping[KeyPath, int]

    @property
    def folder(self) -> Path:
        """Folder of the room, to which file names are relative."""
        return self.location.parent

    def resolve(self, file: str) -> Path:
        """Return the path of a file named in the room file."""
        return self.folder / file

    def states(self, *path: str | int) -> bool:
        """Return whether a key is written in the file, rather than left at its default."""
        return path in self.lines

    def fault(self, message: str, *path: str | int, remedy: str | None = None) -> RoomFileError:
        """Return (not raise) the error that points at a key of this file."""
        return fault_at(
            self.location, self.lines, path, message, error_class=RoomFileError, remedy=remedy
        )
