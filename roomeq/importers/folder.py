"""What lies in a folder of measurements: as much of a room file as it tells, and why.

Conventions
-----------
Nothing is asked and nothing guessed in silence; what cannot be used is left out with its reason.

Recorded sweeps and the description beside them need no room file: every sound file in the folder
but the sweep's own is a seat, named after it; its first channel is the microphone, and the
subwoofer played.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from os import PathLike
from pathlib import Path, PurePath

from roomeq.base.errors import FileFaultError, RoomFileError
from roomeq.base.recording import Recording, SweepDescription
from roomeq.importers.file_contents import FolderEntry, read_name, told_by_sound, told_by_text
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.reading import FORMAT, ROOM_FILE_NAME
from roomeq.importers.room_file.schema import MeasurementTable, SweepTable
from roomeq.importers.sweep_files import (
    describes_sweep,
    read_recording,
    read_sweep_description,
)
from roomeq.importers.text.decoding import asked_in

SOUNDS = {".wav", ".flac"}


def recordings_alone(folder: str | PathLike[str]) -> RoomFile | None:
    """Return what a folder without a room file says; None unless it holds recorded sweeps.

    The description takes the place of the room file: faults name it.
    """
    place = Path(folder)
    if not place.is_dir() or (place / ROOM_FILE_NAME).exists():
        return None
    described = [path for path in sorted(place.glob("*.json")) if describes_sweep(path)]
    sounds = sorted(path for path in place.iterdir() if path.suffix.lower() in SOUNDS)
    recorded = [path for path in sounds if path.stem not in {one.stem for one in described}]
    if len(described) != 1 or not recorded:
        return None
    (description,) = described
    return RoomFile(
        location=description,
        lines={},
        format=FORMAT,
        name=place.resolve().name,
        sweep=SweepTable(description=description.name),
        measurements=tuple(
            MeasurementTable(kind="sweep", seat=path.stem.replace("_", " "), file=path.name)
            for path in recorded
        ),
    )


_OTHERS = {".md", ".pdf", ".png", ".jpg", ".jpeg", ".heic", ".html", ".toml", ".py", ".svg", ".zip"}
_SEVERAL = "several would fit: keep one"
_ONE_OF_SEVERAL = (
    "one of several subwoofers? The others were not measured: name it without a number, or measure "
    "each alone"
)
_WHICH = 'which of the subwoofers played? Each is measured alone, or say subwoofer = "all"'
_AFTER = (
    "measured after a change, beside others from before it: it belongs into a folder of its own, "
    "for roomeq verify or roomeq compare"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderContents:
    """What lies in a folder.

    Attributes
    ----------
    name : str
        Of the folder.
    entries : tuple of FolderEntry
    ignored : tuple of str
        Names of what was not looked at.
    """

    name: str
    entries: tuple[FolderEntry, ...]
    ignored: tuple[str, ...] = ()

    def of(self, table: str) -> list[FolderEntry]:
        """Return the entries of one table."""
        return [entry for entry in self.entries if entry.table == table]


def look_into(folder: Path) -> FolderContents:
    """Return what a folder tells of a room.

    Raises
    ------
    RoomFileError
        If it is no folder, holds a room file already, or nothing that can be read.
    """
    if not folder.is_dir():
        raise RoomFileError("there is no such folder", path=folder)
    target = folder / ROOM_FILE_NAME
    if target.exists() or target.is_symlink():
        remedy = f"read it with: roomeq check {folder}"
        raise RoomFileError("exists: it is left as it is", path=target, remedy=remedy)
    looking = _Looking(folder=folder)
    entries = tuple(looking.entries())
    if not any(one.table == "measurements" and not one.left_out for one in entries):
        told = [(next(iter(one.keys.values())), one.left_out) for one in entries if one.left_out]
        told += [(name, "passed over, by its name or kind") for name in looking.ignored]
        reasons = [f"\n  - {name}: {reason}" for name, reason in told]
        raise RoomFileError(
            f"nothing in it can be read as a measurement; nothing was written{''.join(reasons)}",
            path=folder,
            remedy="put text exports there, or recorded sweeps beside the sweep's JSON",
        )
    name = folder.resolve().name or "room"
    entries += tuple(_seats(entries))
    return FolderContents(name=name, entries=entries, ignored=tuple(looking.ignored))


def _seats(entries: Sequence[FolderEntry]) -> Iterator[FolderEntry]:
    """Yield a table for every seat, to be taken up where seats are to have weights."""
    used = [one.keys for one in entries if one.table == "measurements" and not one.left_out]
    named = [keys.get("columns", [keys["seat"]] if "seat" in keys else []) for keys in used]
    for seat in dict.fromkeys(seat for seats in named for seat in seats):
        keys, why = {"name": seat}, "all seats count alike"
        yield FolderEntry(
            table="seats", keys=keys, why=why, left_out=f"{why} unless all are listed"
        )


@dataclass(kw_only=True)
class _Looking:
    """Looks at one file after the other."""

    folder: Path
    ignored: list[str] = field(default_factory=list)
    played: SweepDescription | Recording | str = (
        "it is not told what was played: there is no JSON of roomeq sweep"
    )

    def entries(self) -> Iterator[FolderEntry]:
        files = list(self._files())
        found = [*self._excitation(files)]
        for path in files:
            found += self._entries_of(path)
        measured = [one for one in found if one.table == "measurements"]
        measured = list(_of_subwoofers(_told_apart(measured)))
        yield from measured
        yield from _of_all(measured)
        for one in found:
            if one.table != "measurements":
                alone = sum(other.table == one.table for other in found) == 1
                yield one if alone else replace(one, left_out=_SEVERAL)

    def _files(self) -> Iterator[Path]:
        """Yield files of the folder, and of folders in it that are named after what played.

        What is no measurement, whatever it holds, is kept among the ignored.
        """
        for path in _shown(self.folder):
            named = path.is_dir() and read_name(PurePath(path.name)).source is not None
            for one in _shown(path) if named else (path,):
                if one.is_dir() or one.suffix.lower() in _OTHERS or not one.name.isprintable():
                    self.ignored.append(self._name(one) + ("/" if one.is_dir() else ""))
                else:
                    yield one

    def _name(self, path: Path) -> str:
        return path.relative_to(self.folder).as_posix()

    def _excitation(self, files: list[Path]) -> Iterator[FolderEntry]:
        """Yield what was played, and take from the list what is no recording of a seat."""
        described = [path for path in files if path.suffix.lower() == ".json"]
        own = [path for path in described if describes_sweep(path)]
        stems = {path.stem for path in own}
        sounds = [path for path in files if path.suffix.lower() in SOUNDS]
        named = [path for path in sounds if read_name(PurePath(path.name)).role == "played"]
        kept = own or named
        of_sweeps = [path for path in sounds if path.stem in stems]
        for path in dict.fromkeys([*described, *named, *of_sweeps]):
            files.remove(path)
            self.ignored += [self._name(path)] if path not in kept else []
        for path in kept:
            key = "description" if own else "reference"
            why = "the JSON that roomeq sweep wrote" if own else "what was played, by its name"
            doubt = ""
            try:
                self.played = read_sweep_description(path) if own else read_recording(path)
            except FileFaultError as error:
                doubt = _reason(error, path)
                self.played = f"it is not told what was played: {path.name} cannot be read"
            yield FolderEntry(table="sweep", keys={key: self._name(path)}, why=why, left_out=doubt)
        if len(kept) > 1:
            names = ", ".join(self._name(path) for path in kept)
            self.played = f"it is not told which sweep was played: {names}"

    def _entries_of(self, path: Path) -> list[FolderEntry]:
        file = self._name(path)
        name = read_name(PurePath(file))
        try:
            if path.suffix.lower() in SOUNDS:
                return [told_by_sound(path, name, file=file, played=self.played)]
            with asked_in("in room.toml, under [[measurements]]"):
                return list(told_by_text(path, name, file=file))
        except (FileFaultError, ValueError, OSError) as error:
            keys = {"file": file, "seat": name.seat or "seat"}
            reason = _reason(error, path)
            return [FolderEntry(table="measurements", keys=keys, why="", left_out=reason)]


def _shown(folder: Path) -> list[Path]:
    """Return what lies in a folder, hidden files apart, by name."""
    beside = (path for path in folder.iterdir() if not path.name.startswith("."))
    return sorted(beside, key=lambda path: path.name.lower())


def _reason(error: Exception, path: Path) -> str:
    return str(error).replace(str(path), "").lstrip(", :")


def _told_apart(measured: Sequence[FolderEntry]) -> Iterator[FolderEntry]:
    """Yield measurements with what their names mean beside those of the others."""
    seats = [one.keys.get("seat", "") for one in measured]
    spelled = {seat.lower(): seat for seat in reversed(seats)}
    places = {(one.keys.get("seat", "").lower(), one.keys.get("source")) for one in measured}
    of_sub = {seat for seat, source in places if source in (None, "sub")}
    names = [read_name(PurePath(one.keys["file"])) for one in measured]
    two_states = {name.state for name in names} >= {"before", "after"}
    for one, name in zip(measured, names, strict=True):
        seat, source = one.keys.get("seat", "").lower(), one.keys.get("source")
        copy, why = name.copy.lower(), one.why
        base = seat.rstrip("0123456789").rstrip()
        if copy and (copy, source) in places:
            seat, why = copy, f"{why}; repeat by its name"
        elif base != seat and (base, source) in places:
            why += f"; a seat of its own; if it repeats {spelled[base]!r}, write that seat"
        elif seat and source in ("mains", "both") and of_sub and seat not in of_sub:
            why += "; the subwoofer was not measured at this seat: is it one?"
        keys = one.keys | ({"seat": spelled[seat]} if seat else {})
        left_out = one.left_out or (_AFTER if two_states and name.state == "after" else "")
        yield replace(one, keys=keys, why=why, left_out=left_out)


def _of_subwoofers(measured: Iterable[FolderEntry]) -> Iterator[FolderEntry]:
    """Yield measurements with the subwoofer that their names number, where there are several."""
    listed = list(measured)
    names = [read_name(PurePath(one.keys["file"])).subwoofer for one in listed]
    numbered = {name for name, one in zip(names, listed, strict=True) if not one.left_out} - {""}
    for one, name in zip(listed, names, strict=True):
        if name and len(numbered) > 1:
            one = replace(one, keys=one.keys | {"subwoofer": name}, why=f"{one.why}; {name!r}")
        elif name:
            one = replace(one, left_out=one.left_out or _ONE_OF_SEVERAL)
        elif len(numbered) > 1 and one.keys.get("source", "sub") == "sub":
            one = replace(one, left_out=one.left_out or _WHICH)
        yield one


def _of_all(measured: Sequence[FolderEntry]) -> Iterator[FolderEntry]:
    """Yield a table for each of several subwoofers, and that phases may be compared.

    They may where every sweep has a loopback.
    """
    used = [one.keys for one in measured if not one.left_out]
    names = {keys.get("subwoofer") for keys in used}
    for name in sorted(filter(None, names)):
        why = f"{name!r}, by the names of its files"
        yield FolderEntry(table="subwoofers", keys={"name": name}, why=why)
    compared = len(names) > 1 or {"sub", "mains"} <= {keys.get("source", "sub") for keys in used}
    if compared and all("loopback_channel" in keys for keys in used):
        why = "every sweep has a loopback"
        yield FolderEntry(table="timing", keys={"common_reference": True}, why=why)
