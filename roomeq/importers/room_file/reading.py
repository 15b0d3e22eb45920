"""Room file: everything about a room that the measurements themselves do not say.

Conventions
-----------
``room.toml`` lies in the folder of the room; file names in it are relative to that folder, absolute
ones go as written. Units as in `roomeq.importers.room_file.schema`. Every fault raises
`RoomFileError` with file, line, key, value and remedy; nothing is repaired silently and unknown
keys are refused.
"""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from roomeq.base.errors import RoomFileError
from roomeq.base.toml_tables import read_toml_tables
from roomeq.importers.room_file.checks import inconsistencies
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.schema import RoomTables

FORMAT = 1
"""Format version of the room file that this release reads."""

ROOM_FILE_NAME = "room.toml"

_NONE_ALLOWED = ("path", "mains_path")

_EXAMPLES = {
    "format": f"format = {FORMAT} at the top of the file",
    "name": 'name = "..."',
    "measurements": 'a table [[measurements]] with file = "..." for each measurement',
    "file": 'file = "..."',
    "family": 'family = "linkwitz_riley" or "butterworth"',
    "kind": 'kind = "low_pass" or "high_pass" for a filter, "closed" or "vented" for a box',
    "ratings": "a table [[amplifier.ratings]] with power_w and load_ohm for each rating",
}


def read_room_file(folder_or_file: str | PathLike[str]) -> RoomFile:
    """Read and check a room file.

    Parameters
    ----------
    folder_or_file : path-like
        The TOML file, or the folder that holds it as ``room.toml``.

    Returns
    -------
    RoomFile
        Measurements are not read yet; see `roomeq.importers.survey_files.read_survey`.

    Raises
    ------
    RoomFileError
        If there is no such file; it is not TOML in UTF-8; a key is unknown, missing, of the wrong
        kind or out of range; options contradict each other; or a file it names does not exist.
    """
    location = Path(folder_or_file)
    if location.is_dir():
        location = location / ROOM_FILE_NAME
    read = read_toml_tables(
        location,
        RoomTables,
        error_class=RoomFileError,
        examples=_EXAMPLES,
        none_allowed=_NONE_ALLOWED,
        choice_remedies={
            "source": 'each of several subwoofers is measured alone: source = "sub", subwoofer = '
            '"front", with a table [[subwoofers]] for each'
        },
        missing_remedy=f"give the folder that holds {ROOM_FILE_NAME}, or the TOML file itself",
    )
    written = {name: getattr(read.tables, name) for name in RoomTables.__struct_fields__}
    room_file = RoomFile(location=location, lines=read.lines, **written)
    if room_file.format != FORMAT:
        raise room_file.fault(
            f"format {room_file.format} is not known",
            "format",
            remedy=f"this release reads format = {FORMAT}; a later one may read this file",
        )
    for message, path, remedy in inconsistencies(room_file):
        raise room_file.fault(message, *path, remedy=remedy)
    return room_file
