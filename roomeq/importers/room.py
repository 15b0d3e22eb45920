"""Read a room: from its room file, or from a bare list of text exports.

Conventions
-----------
Nothing is written and no input file is changed. Frequencies in Hz, levels in dB.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from roomeq.base.doing import each
from roomeq.base.errors import RoomFileError
from roomeq.base.recording import SweepDescription
from roomeq.base.survey import Measurement, Source
from roomeq.device.crossover import CrossoverFilter
from roomeq.importers.device_profile import read_device, shipped_profiles
from roomeq.importers.equipment import with_equipment
from roomeq.importers.folder import recordings_alone
from roomeq.importers.room_assembly import assemble_room
from roomeq.importers.room_file.equipment_schema import CORNER_SPAN
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.reading import FORMAT, TOGETHER, read_room_file
from roomeq.importers.room_file.schema import CrossoverTable, DeviceTable, MeasurementTable
from roomeq.importers.room_file.wanted_schema import TargetTable
from roomeq.importers.subwoofers import (
    own_delays,
    together_device,
    together_files,
    told_of_each,
)
from roomeq.importers.survey_files import (
    SurveyFiles,
    read_survey,
    room_microphone,
    survey_of,
)
from roomeq.importers.survey_remarks import estimate_repeatability_db, repeatability_notes
from roomeq.importers.text.decoding import asked_in
from roomeq.importers.text.export import TextExport, read_text_export
from roomeq.importers.text.microphone import MicrophoneResponse
from roomeq.room.recorded import judged_within
from roomeq.room.room import Room, Subwoofer, without_spoilt
from roomeq.wanted.limits import Limits

if TYPE_CHECKING:
    from roomeq.importers.recorded_sweeps import SweepReading

DEFAULT_PROFILE = "nine_band"


@dataclass(frozen=True, slots=True, kw_only=True)
class _ReadOnce:
    """What all measurements of a room file share: their sweep, and the microphone."""

    sweeps: SweepReading | None
    microphone: MicrophoneResponse | None

    def survey(self, room_file: RoomFile) -> SurveyFiles:
        return read_survey(room_file, read_sweep=self.sweeps, microphone=self.microphone)


def read_room(folder_or_file: str | PathLike[str], *, detail: bool = False) -> Room:
    """Read a room: its room file and everything that names.

    Parameters
    ----------
    folder_or_file : path-like
        ``room.toml``, or the folder that holds it; or a folder of recorded sweeps (WAV or FLAC)
        beside the description of the sweep.
    detail : bool
        Whether decay and distortion of every recorded sweep are wanted too.

    Returns
    -------
    Room

    Raises
    ------
    RoomFileError
        If the room file is not valid or contradicts the device.
    MeasurementFileError
        If a measurement cannot be read.
    DeviceProfileError
        If the device profile is not valid.
    """
    alone = recordings_alone(folder_or_file)
    room_file = read_room_file(folder_or_file) if alone is None else alone
    sweeps: SweepReading | None = None
    if any(entry.kind == "sweep" for entry in room_file.measurements):
        from roomeq.importers.recorded_sweeps import SweepReading

        sweeps = SweepReading(room_file=room_file, detail=detail)
    once = _ReadOnce(sweeps=sweeps, microphone=room_microphone(room_file))
    if room_file.subwoofers or any(entry.place for entry in room_file.measurements):
        return _several(room_file, once)
    said = (
        f"there is no room file: every sound file beside {room_file.location.name} is a seat, its "
        "first channel the microphone"
    )
    return _room(room_file, once, said=[] if alone is None else [said])


def _several(room_file: RoomFile, once: _ReadOnce) -> Room:
    """Read a room with several subwoofers, or places to try: each by itself, and their sum."""
    read: dict[str, Subwoofer] = {}
    listed = list(enumerate(room_file.subwoofers))
    for index, one in sorted(listed, key=lambda pair: pair[1].fed_by is not None):
        delays = own_delays(one) if one.fed_by is None else read[one.fed_by].delays
        own = _room(room_file.of_subwoofer(index), once)
        read[one.name] = Subwoofer(name=one.name, room=own, fed_by=one.fed_by, delays=delays)
    subwoofers = tuple(read[one.name] for one in room_file.subwoofers)
    tried = dict.fromkeys(entry.place for entry in room_file.measurements if entry.place)
    places = tuple(
        Subwoofer(name=place, room=_room(room_file.of_place(place), once)) for place in tried
    )
    rest, timing = room_file.as_a_whole(), room_file.timing
    if subwoofers:
        together = room_file.with_measurements(lambda entry: entry.subwoofer == TOGETHER)
        with room_file.faults_at("subwoofers"):
            files = together_files(
                subwoofers,
                once.survey(rest) if rest.measurements else None,
                measured=once.survey(together).survey if together.measurements else None,
                common_time=timing is not None and timing.common_reference,
            )
        room = _room(rest, once, files=files)
        device = together_device(room.device, [one.room.device for one in subwoofers])
        room = replace(room, device=device)
    else:
        room = _room(rest, once) if rest.measurements else places[0].room
    return told_of_each(replace(room, subwoofers=subwoofers, places=places))


def _room(
    room_file: RoomFile,
    once: _ReadOnce,
    *,
    files: SurveyFiles | None = None,
    said: Sequence[str] = (),
    path: tuple[CrossoverFilter, ...] | None = None,
) -> Room:
    """Return the room of a file whose measurements are of one subwoofer, or were summed.

    What was read, what had to be assumed and the subwoofer's path go before what the file says.
    """
    shipped = ", ".join(shipped_profiles())
    stated_profile = room_file.device.profile
    profile = DEFAULT_PROFILE if stated_profile is None else stated_profile
    if profile not in shipped_profiles() and not room_file.resolve(profile).is_file():
        raise room_file.fault(
            f"there is no device profile {profile!r}",
            "device",
            "profile",
            remedy=f"shipped are {shipped}; or name a TOML file of your own, relative to the "
            "folder of the room file",
        )
    files, sweeps = files or once.survey(room_file), once.sweeps
    assumptions = [*said, *files.assumptions]
    chain: tuple[str, ...] = ()
    if sweeps is not None and isinstance(sweeps.excitation, SweepDescription):
        chain, unanswered = sweeps.excitation.conditions.in_words
        assumptions += unanswered
    if stated_profile is None:
        assumptions.append(f"no device is stated: taken for {profile!r} (shipped: {shipped})")
    device = read_device(profile, folder=room_file.folder)
    try:
        room = assemble_room(room_file, files, device=device, path=path, assumptions=assumptions)
    except ValueError as error:
        raise RoomFileError(str(error), path=room_file.location) from error
    told = tuple(dict.fromkeys((*chain, *room.notes, *_modes(room_file))))
    read = {entry.file for entry in room_file.measurements}
    recordings = tuple(
        judged_within(one, room.used_span(one.source))
        for one in (() if sweeps is None else sweeps.recordings)
        if one.file in read
    )
    room = replace(room, recordings=recordings, notes=told)
    sound = without_spoilt(room)
    if sound is not room and room_file.levels.repeatability_db is None:
        repeated_db = estimate_repeatability_db(sound.survey)
        stale = set(repeatability_notes(None, room.repeatability_db))
        notes = [note for note in room.notes if note not in stale]
        notes += repeatability_notes(None, repeated_db)
        sound = replace(sound, repeatability_db=repeated_db, notes=tuple(notes))
    return with_equipment(sound, room_file, sweeps=sweeps, microphone=once.microphone)


def _modes(room_file: RoomFile) -> Iterator[str]:
    """Yield the lowest resonance of each pair of walls (Kuttruff, Room Acoustics, chapter 3)."""
    given = room_file.room
    sides = {key: getattr(given, key, None) for key in ("length", "width", "height")}
    warmth = 20.0 if given is None or given.temperature is None else given.temperature
    speed = 331.3 * math.sqrt(1.0 + warmth / 273.15)
    found = [f"{speed / 2.0 / side:.1f} ({key})" for key, side in sides.items() if side]
    if found:
        yield f"[room]: resonances in Hz from {', '.join(found)}"


def room_from_exports(
    paths: Sequence[str | PathLike[str]],
    *,
    source: Source = "sub",
    reading: Mapping[str, Any] | None = None,
    profile: str | PathLike[str] = DEFAULT_PROFILE,
    low_pass: CrossoverFilter | Literal["none"] | None = None,
    crossover: float | None = None,
    lower_limit: float | None = None,
    limits: Limits | None = None,
) -> Room:
    """Make a room from a bare list of text exports, as if a room file named them.

    A seat is named after its file, or after its column where a file holds several.

    Parameters
    ----------
    paths : sequence of path-like
    source : {"sub", "mains", "both"}
        What played.
    reading : mapping, optional
        How to read the files: arguments of `roomeq.importers.text.export.read_text_export`.
    profile : str or path-like
        Device profile.
    low_pass : CrossoverFilter or "none", optional
        The low-pass in the subwoofer's path; "none" if there is said to be none.
    crossover : float, optional
        Its corner in Hz, from 20 to 300 Hz, where nothing else is known of it.
    lower_limit : float, optional
        Hz where the subwoofer's own response is 6 dB down.
    limits : Limits, optional

    Returns
    -------
    Room
        `assumptions` lists what was taken for granted.

    Raises
    ------
    TypeError
        If `paths` is one path instead of several.
    ValueError
        If `paths` is empty or names a file twice, the source is unknown, or a figure is not usable.
    MeasurementFileError
        If a file does not hold what it should.
    OSError
        If a file cannot be opened.
    """
    path = None if low_pass is None else () if low_pass == "none" else (low_pass,)
    for corner in (crossover, *(entry.corner for entry in path or ())):
        if corner is not None and not CORNER_SPAN[0] <= corner <= CORNER_SPAN[1]:
            raise ValueError(
                f"a crossover corner lies within {CORNER_SPAN[0]:g} to {CORNER_SPAN[1]:g} Hz, got "
                f"{corner:g} Hz"
            )
    if isinstance(paths, str | bytes | PathLike):
        raise TypeError(f"paths must be several paths, got one: {paths!r}; write [{paths!r}]")
    listed = [Path(path) for path in paths]
    if not listed:
        raise ValueError("paths must hold at least one text export, got none")
    for one in listed:
        if sum(one.resolve() == other.resolve() for other in listed) > 1:
            raise ValueError(f"each file belongs to one seat, but {fspath(one)!r} occurs twice")
    entries = _read_exports(listed, source, reading or {})
    read_device(profile)
    room_file = RoomFile(
        location=Path(),
        lines={} if path is None else {("path",): 0},
        format=FORMAT,
        name=listed[0].parent.resolve().name or "room",
        measurements=tuple(MeasurementTable(file=one.as_posix(), source=source) for one in listed),
        device=DeviceTable(profile=str(profile)),
        crossover=None if crossover is None else CrossoverTable(corner=crossover),
        target=TargetTable(lower_limit=lower_limit),
    )
    said = ["seats are named after their files or columns"]
    said.append(f"the device is taken for {str(profile)!r}")
    once, files = _ReadOnce(sweeps=None, microphone=None), survey_of(room_file, entries)
    room = _room(room_file, once, files=files, said=said, path=path)
    return room if limits is None else replace(room, limits=limits)


def _read_exports(
    paths: Sequence[Path], source: Source, reading: Mapping[str, Any]
) -> list[tuple[int, Measurement]]:
    """Return the measurements in text exports, each with the place of its file."""
    with asked_in("as options, for example --level-column 3"):
        exports = [
            read_text_export(path, **reading)
            for path in each(paths, lambda path: f"reading {path.name}")
        ]
    seats = iter(_seat_names(paths, exports))
    entries = []
    for index, (path, export) in enumerate(zip(paths, exports, strict=True)):
        told: dict[str, Any] = {"source": source, "file": path.as_posix(), "notes": export.notes}
        entries += [
            (index, Measurement(seat=next(seats), response=one, **told)) for one in export.responses
        ]
    return entries


def _seat_names(paths: Sequence[Path], exports: Sequence[TextExport]) -> list[str]:
    """Return the seat of each response, named as shortly as tells them all apart."""
    by_length = []
    for path, export in zip(paths, exports, strict=True):
        alone = len(export.names) == 1
        for number, column in enumerate(export.names, start=1):
            own = path.stem if alone else f"{path.stem}, {column}"
            in_folder = f"{path.resolve().parent.name}/{own}"
            whole = f"{path.as_posix()}, {number}. {column}"
            by_length.append((path.stem if alone else column, own, in_folder, whole))
    *shorter, longest = (list(names) for names in zip(*by_length, strict=True))
    return next((names for names in shorter if len(set(names)) == len(names)), longest)
