"""A room file: its tables, and where each key stands.

Conventions
-----------
File names in it are relative to the folder of the file, absolute ones go as written.

What is found wrong in a room file, and where.

A key path is a tuple of keys and places in a list, from 0; see `roomeq.base.toml_lines`. A check of
one table yields paths from that table on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from msgspec.structs import replace

from roomeq.base.errors import FileFaultError, RoomFileError
from roomeq.base.files import Role
from roomeq.base.toml_lines import KeyPath
from roomeq.base.toml_tables import TomlFile
from roomeq.importers.room_file.schema import (
    DeviceTable,
    MeasurementTable,
    RoomTables,
    SubwooferTable,
)


class RoomFile(RoomTables, frozen=True, kw_only=True):
    """A room file: the tables of `RoomTables`, and where they stand.

    Attributes
    ----------
    location : Path
        The room file itself; without a name where there is none.
    lines : mapping
        Line of each key, by its path; see `roomeq.base.toml_lines`.
    subwoofer : int or None
        Which of ``[[subwoofers]]`` the tables are those of; None for the room as a whole.
    entries : tuple of int or None
        Which of the file's measurements these are; None for all.
    """

    location: Path
    lines: Mapping[KeyPath, int]
    subwoofer: int | None = None
    entries: tuple[int, ...] | None = None

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
        for index, one in enumerate(self.subwoofers):
            if one.profile is not None:
                yield "device_profile", ("subwoofers", index, "profile"), one.profile
            if one.output is not None and one.output.file is not None:
                yield "maximum_output", ("subwoofers", index, "output", "file"), one.output.file
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

    def with_measurements(self, wanted: Callable[[MeasurementTable], bool]) -> Self:
        """Return the file with some of its measurements only."""
        kept = tuple(n for n, entry in enumerate(self.measurements) if wanted(entry))
        return replace(self, measurements=tuple(self.measurements[n] for n in kept), entries=kept)

    def of_subwoofer(self, index: int) -> Self:
        """Return the file as if it were of one of its subwoofers alone, as it stands."""
        name = self.subwoofers[index].name
        return self._with_own(index).with_measurements(
            lambda entry: entry.subwoofer == name and entry.place is None
        )

    def of_place(self, place: str) -> Self:
        """Return the file as if it were of the subwoofer that was tried at a place."""
        tried = {one.subwoofer for one in self.measurements if one.place == place}
        listed = [n for n, one in enumerate(self.subwoofers) if one.name in tried]
        of_it = self._with_own(listed[0]) if listed else replace(self, subwoofers=())
        return of_it.with_measurements(lambda entry: entry.place == place)

    def as_a_whole(self) -> Self:
        """Return the file with what was measured of no single subwoofer, and what holds for all.

        Amplifier, driver and wanted level are looked at for each.
        """
        single = ("amplifier", "load", "driver", "output", "headroom") if self.subwoofers else ()
        rest = self.with_measurements(lambda entry: not (entry.subwoofer or entry.place))
        return replace(rest, **dict.fromkeys(single))

    def _with_own(self, index: int) -> Self:
        """Return the file with the tables that one of the subwoofers has of its own.

        A fed one has the device of the one that feeds it, as that stands, but for its polarity.
        """
        one = self.subwoofers[index]
        feeder = next((other for other in self.subwoofers if other.name == one.fed_by), one)
        shared = {*SubwooferTable.__struct_fields__} & {*RoomTables.__struct_fields__} - {"name"}
        own = {key: value for key, value in one.stated().items() if key in shared}
        profile = self.device.profile if feeder.profile is None else feeder.profile
        behind = {"polarity": None, "protection": None} | one.present.stated()
        device = DeviceTable(profile=profile, present=replace(feeder.present, **behind))
        return replace(self, **own | {"device": device, "subwoofers": (), "subwoofer": index})

    def written(self, path: KeyPath) -> KeyPath:
        """Return where in the file as it is written a key stands."""
        if path[:1] == ("measurements",) and self.entries is not None and len(path) > 1:
            return ("measurements", self.entries[int(path[1])], *path[2:])
        if self.subwoofer is None:
            return path
        own = ("subwoofers", self.subwoofer, *(path[1:] if path[:1] == ("device",) else path))
        return own if own[:3] in self.lines else path

    def states(self, *path: str | int) -> bool:
        """Return whether a key is written in the file, rather than left at its default."""
        return self.written(path) in self.lines

    def fault(self, message: str, *path: str | int, remedy: str | None = None) -> FileFaultError:
        """Return (not raise) the `RoomFileError` that points at a key of this file."""
        file = TomlFile(location=self.location, lines=self.lines, error_class=RoomFileError)
        return file.fault(message, *self.written(path), remedy=remedy)

    @contextmanager
    def faults_at(self, *path: str | int, remedy: str | None = None) -> Iterator[None]:
        """Point a ValueError or OSError that is raised within at a key of this file."""
        try:
            yield
        except ValueError as error:
            raise self.fault(str(error), *path, remedy=remedy) from None
        except OSError as error:
            said = f"{Path(str(error.filename)).name} is unreadable: {error.strerror}"
            raise self.fault(said, *path, remedy=remedy) from error


Finding = tuple[str, KeyPath, str]
"""Something in a room file that cannot be: what, where, and what to do about it."""
