"""A folder of recorded sweeps and the description beside them, without a room file.

Conventions
-----------
Every sound file in the folder but the sweep's own is a seat, named after it; its first channel is
the microphone, and the subwoofer played.
"""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.reading import FORMAT, ROOM_FILE_NAME
from roomeq.importers.room_file.schema import MeasurementTable, SweepTable
from roomeq.importers.sweep_files import describes_sweep

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
    if len(described) != 1 or not sounds:
        return None
    (description,) = described
    recorded = [path for path in sounds if path.stem != description.stem]
    if not recorded:
        return None
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
