"""A room file: its tables, and where each key stands.

Conventions
-----------
File names in it are relative to the folder of the file, absolute ones go as written.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from roomeq.base.digests import Role
from roomeq.base.errors import FileFaultError, RoomFileError
from roomeq.base.toml_lines import KeyPath
from roomeq.base.toml_tables import TomlFile
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

    def named_files(self) -> Iterator[tuple[Role, KeyPath, str]]:
        """Yield every file that is named: what for, where, and its name as written."""
        for index, entry in enumerate(self.measurements):
            yield "measurement", ("measurements", index, "file"), entry.file
        others: tuple[tuple[Role, str, str], ...] = (
            ("sweep", "sweep", "description"),
            ("sweep", "sweep", "reference"),
            ("calibration", "calibration", "file"),
            ("microphone", "microphone", "file"),
            ("target", "target", "file"),
            ("near_field", "target", "near_field_file"),
            ("device_profile", "device", "profile"),
            ("maximum_output", "output", "file"),
            ("path_response", "path_response", "file"),
        )
        for role, table, key in others:
            file = getattr(getattr(self, table), key, None)
            if file is not None:
                yield role, (table, key), file

    def states(self, *path: str | int) -> bool:
        """Return whether a key is written in the file, rather than left at its default."""
        return path in self.lines

    def fault(self, message: str, *path: str | int, remedy: str | None = None) -> FileFaultError:
        """Return (not raise) the `RoomFileError` that points at a key of this file."""
        file = TomlFile(location=self.location, lines=self.lines, error_class=RoomFileError)
        return file.fault(message, *path, remedy=remedy)
