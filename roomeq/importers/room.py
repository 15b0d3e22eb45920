"""Read a room: from its room file, or from a bare list of text exports.

Conventions
-----------
Nothing is written and no input file is changed. Frequencies in Hz, levels in dB.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from roomeq.base.errors import FileFaultError, RoomFileError
from roomeq.base.recording import SweepDescription
from roomeq.base.survey import Source
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.profile import Device
from roomeq.importers.device_profile import read_device, shipped_profiles
from roomeq.importers.equipment import stated_filters, with_equipment
from roomeq.importers.folder import recordings_alone
from roomeq.importers.room_assembly import assemble_room
from roomeq.importers.room_file.equipment_schema import CORNER_SPAN
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.reading import TOGETHER, read_room_file
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
    survey_from_exports,
)
from roomeq.importers.survey_remarks import NO_PATH, estimate_repeatability_db, repeatability_notes
from roomeq.importers.text.export import read_one_response
from roomeq.importers.text.microphone import MicrophoneResponse
from roomeq.room.recorded import judged_within
from roomeq.room.room import PresentSettings, Room, Subwoofer, without_spoilt
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import NearField, Target

if TYPE_CHECKING:
    from roomeq.importers.recorded_sweeps import SweepReading

DEFAULT_PROFILE = "nine_band"
_SHOWN = "state what the device shows"
_SAME_IN_TARGET = ("shape", "tilt_db_per_octave", "shelf_gain_db", "shelf_corner", "lower_limit")


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
    if alone is not None:
        said = (
            f"there is no room file: every sound file beside {alone.location.name} is a seat, its "
            "first channel the microphone"
        )
        return _room(room_file, once, said=said)
    if room_file.subwoofers or any(entry.place for entry in room_file.measurements):
        return _several(room_file, once)
    return _room(room_file, once)


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
    said: str | None = None,
) -> Room:
    """Return the room of a file whose measurements are of one subwoofer, or were summed."""
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
    assumptions = [*files.assumptions, *filter(None, [said])]
    chain: tuple[str, ...] = ()
    if sweeps is not None and isinstance(sweeps.excitation, SweepDescription):
        chain, unanswered = sweeps.excitation.conditions.in_words
        assumptions += unanswered
    if stated_profile is None:
        assumptions.append(f"no device is stated: taken for {profile!r} (shipped: {shipped})")
    device = read_device(profile, folder=room_file.folder)
    present = _present_settings(room_file, device)
    path = stated_filters(room_file.path) if room_file.states("path") else None
    stated = room_file.crossover.corner if room_file.crossover else None
    try:
        room = assemble_room(
            files,
            name=room_file.name,
            device=device,
            present=present,
            path=path,
            stated_corner=stated,
            target=_target(room_file, path or ()),
            limits=_limits(room_file, device),
            loss=Loss(**room_file.fit.stated()),
            record={key: str(value) for key, value in room_file.record.stated().items()},
            assumptions=assumptions,
            level_from_mains=room_file.target.level_from == "mains",
        )
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
    """Make a room from a bare list of text exports, one or more seats in each.

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
    ValueError
        If `paths` is empty or a figure is not usable.
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
    files = survey_from_exports(paths, source=source, reading=reading or {})
    device = read_device(profile)
    assumptions = list(files.assumptions)
    if path is not None:
        assumptions = [text for text in assumptions if text != NO_PATH]
    assumptions.append(f"the device is taken for {str(profile)!r}, all its settings at 0")
    return assemble_room(
        files,
        name=Path(paths[0]).parent.resolve().name or "room",
        device=device,
        present=PresentSettings(gains_db=np.zeros(len(device.equaliser.bands)), gains_stated=False),
        path=path,
        stated_corner=crossover,
        target=Target(lower_limit=lower_limit, path=path or ()),
        limits=limits or Limits(),
        loss=Loss(),
        record={},
        assumptions=assumptions,
    )


def _present_settings(room_file: RoomFile, device: Device) -> PresentSettings:
    stated = room_file.device.present
    gains = np.zeros(len(device.equaliser.bands))
    if isinstance(stated.gains_db, dict):
        for centre, gain in stated.gains_db.items():
            gains[_band_named(room_file, device, "device", "present", "gains_db", centre)] = gain
    elif stated.gains_db is not None:
        gains = np.array(stated.gains_db, dtype=np.float64)
    with room_file.faults_at("device", "present", "gains_db", remedy=_SHOWN):
        checked = device.equaliser.checked_gains_db(gains)
    _check_knobs(room_file, device)
    return PresentSettings(
        gains_db=checked,
        level_db=stated.level_db,
        polarity=stated.polarity,
        phase_deg=stated.phase_deg,
        gains_stated=stated.gains_db is not None,
        delay_stated=stated.delay_ms is not None,
    )


def _band_named(
    room_file: RoomFile, device: Device, *path: str | int, label: str | float = ""
) -> int:
    with room_file.faults_at(*path, remedy="spell it as the device does"):
        return device.equaliser.index_of(label or str(path[-1]))


def _check_knobs(room_file: RoomFile, device: Device) -> None:
    """Raise if the level, phase or polarity stated is none that the device can be set to."""
    stated = room_file.device.present
    level, phase = device.level, device.phase

    def check(key: str, value: float, unit: str, *span: float) -> None:
        lowest, highest, step = span
        steps = (value - lowest) / step
        if not (lowest <= value <= highest and abs(steps - round(steps)) < 1e-6):
            said = (
                f"{value:g} {unit} cannot be set: the device offers {lowest:g} to {highest:g} "
                f"{unit} in steps of {step:g}"
            )
            raise room_file.fault(said, "device", "present", key, remedy=_SHOWN)

    def missing(said: str, key: str) -> FileFaultError:
        remedy = "leave it out, or name another device profile"
        return room_file.fault(said, "device", "present", key, remedy=remedy)

    if level is not None and stated.level_db is not None:
        span = (level.lowest_db, level.highest_db, level.step_db)
        check("level_db", stated.level_db, "dB", *span)
    if stated.phase_deg and phase is None:
        said = f"{stated.phase_deg:g} degrees are stated, but the device has no phase control"
        raise missing(said, "phase_deg")
    if stated.phase_deg and phase is not None:
        span = (phase.lowest_deg, phase.highest_deg, phase.step_deg)
        check("phase_deg", stated.phase_deg, "degrees", *span)
    if stated.polarity == "inverted" and not device.polarity:
        raise missing("'inverted' is stated, but the device has no polarity switch", "polarity")


def _target(room_file: RoomFile, path: tuple[CrossoverFilter, ...]) -> Target:
    stated, box = room_file.target, room_file.box
    order = stated.lower_limit_order
    if order is None and box is not None:
        order = 2 if box.kind == "closed" else 4
    points: tuple[tuple[float, float], ...] = ()
    near_field = None
    if stated.file is not None:
        wanted = read_one_response(room_file.resolve(stated.file), named_in="[target]")
        points = tuple(zip(wanted.frequencies.tolist(), wanted.level_db.tolist(), strict=True))
    if stated.near_field_file is not None:
        close = read_one_response(room_file.resolve(stated.near_field_file), named_in="[target]")
        with room_file.faults_at("target", "near_field_file"):
            near_field = NearField(frequencies=close.frequencies, level_db=close.level_db)
    return Target(
        **{key: value for key, value in stated.stated().items() if key in _SAME_IN_TARGET},
        points=points,
        lower_limit_order=order,
        near_field=near_field,
        path=tuple(entry for entry in path if entry.kind == "low_pass"),
        level_db=stated.level_spl_db,
    )


def _limits(room_file: RoomFile, device: Device) -> Limits:
    stated, bands = room_file.limits, device.equaliser.bands
    locked, unlocked = (
        tuple(
            bands[_band_named(room_file, device, "limits", key, index, label=label)].nominal
            for index, label in enumerate(getattr(stated, key))
        )
        for key in ("locked", "unlocked")
    )
    for index, centre in enumerate(unlocked):
        if centre in locked:
            raise room_file.fault(
                f"{centre:g} Hz is both locked and unlocked",
                *("limits", "unlocked", index),
                remedy="take it out of one of the two",
            )
    return Limits(**(stated.stated() | {"locked": locked, "unlocked": unlocked}))
