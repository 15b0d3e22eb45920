"""Survey from files: the measurements a room file names, or a bare list of text exports.

Conventions
-----------
Weighting and the microphone's own response are taken out here, once. What was not said and had to
be assumed, what readers noticed, and what looks wrong come back in words, apart from each other.
No file is written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike, fspath
from pathlib import Path
from types import MappingProxyType
from typing import Any

from roomeq.base.doing import each
from roomeq.base.errors import MeasurementFileError
from roomeq.base.files import InputFile, read_input_file
from roomeq.base.levels import FloatArray
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Source, Survey
from roomeq.importers.device_profile import shipped_profiles
from roomeq.importers.response_doubts import doubtful_responses
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.reading import seat_findings
from roomeq.importers.room_file.schema import MeasurementTable
from roomeq.importers.survey_remarks import (
    assumptions_for_exports,
    assumptions_of,
    doubtful_levels,
    doubtful_repeats,
    estimate_repeatability_db,
    file_notes,
    mixtures,
    repeatability_notes,
    same_recordings,
    unstated_weighting,
)
from roomeq.importers.text.band_table import read_band_table
from roomeq.importers.text.decoding import asked_in
from roomeq.importers.text.export import TextExport, read_text_export
from roomeq.importers.text.microphone import (
    MicrophoneResponse,
    apply_microphone,
    describe_microphone,
    read_microphone,
    remove_weighting,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyFiles:
    """A survey and the files it was read from.

    Attributes
    ----------
    survey : Survey
    assumptions : tuple of str
        What was not stated and had to be assumed.
    notes : tuple of str
        What the readers did, ignored or dropped, with the file's name in front.
    findings : tuple of str
        What looks wrong although it can be used.
    inputs : tuple of InputFile
        Room file and all files that it names, with their digests.
    repeatability_db : float, optional
        As stated, else the pooled standard deviation over repeats in dB; None if neither is there.
    microphone : tuple of ndarray, optional
        Hz, and what the microphone file added there in dB.
    added_up : bool
        Whether the subwoofers were added up: then seats and filters are judged on each alone. Where
        they cancel, of 100 clean rooms 3 seemed to have another gain at a seat or another filter.
    """

    survey: Survey
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    findings: tuple[str, ...]
    inputs: tuple[InputFile, ...]
    repeatability_db: float | None
    microphone: tuple[FloatArray, FloatArray] | None = None
    added_up: bool = False


SweepReader = Callable[[MeasurementTable], tuple[FrequencyResponse | None, tuple[str, ...]]]
"""Turns a recorded sweep into a response and notes; it deconvolves, which importers do not.

A recording that says nothing of its seat gives None, and the reason.
"""


def read_survey(
    room_file: RoomFile,
    *,
    read_sweep: SweepReader | None = None,
    microphone: MicrophoneResponse | None = None,
) -> SurveyFiles:
    """Read all measurements that a room file names.

    Parameters
    ----------
    room_file : RoomFile
        As read by `roomeq.importers.room_file.reading.read_room_file`.
    read_sweep : callable, optional
        Reads one recorded sweep: `roomeq.importers.recorded_sweeps.SweepReading`. Needed only where
        the room file names recorded sweeps.
    microphone : MicrophoneResponse, optional
        As `room_microphone` returns it; read here without it.

    Returns
    -------
    SurveyFiles
        Seats in the order of ``[[seats]]`` where that is given, else as measured.

    Raises
    ------
    RoomFileError
        If a file does not hold what the room file says: more level columns than seats, seats that
        are not listed, a weighting that cannot be removed, a setting that the reader refuses.
    MeasurementFileError
        If a measurement or the microphone file cannot be read.
    """
    microphone = microphone or room_microphone(room_file)
    left_out: dict[int, str] = {}
    entries = [
        (index, measurement)
        for index in each(
            range(len(room_file.measurements)),
            lambda index: f"reading {room_file.measurements[index].file}",
        )
        for measurement in _read_entry(room_file, index, read_sweep, left_out)
    ]
    read = [(one.seat, index) for index, one in entries]
    read += [(room_file.measurements[index].seat or "", index) for index in left_out]
    places = [(seat, ("measurements", index, "file")) for seat, index in read]
    complete = room_file.entries is None  # else other measurements are at the other seats
    for message, path, remedy in seat_findings(room_file, places, complete=complete):
        raise room_file.fault(message, *path, remedy=remedy)
    if not entries:
        index, why = next(iter(left_out.items()))
        raise MeasurementFileError(
            f"no measurement is left: {why}",
            path=room_file.resolve(room_file.measurements[index].file),
        )
    as_measured = [measurement for _, measurement in entries]
    corrected, applied = as_measured, None
    if microphone is not None:
        corrected = [
            replace(
                one,
                response=apply_microphone(one.response, microphone),
                notes=(*one.notes, *describe_microphone(one.response, microphone)),
            )
            if room_file.measurements[index].microphone
            else one
            for index, one in entries
        ]
        applied = (microphone.frequencies, microphone.amount_db(microphone.frequencies))
    weights = {seat.name: seat.weight for seat in room_file.seats}
    listed, measured = list(weights), {one.seat for one in corrected}
    ordered = sorted(corrected, key=lambda one: listed.index(one.seat)) if listed else corrected
    survey = Survey(
        measurements=tuple(ordered),
        seat_weights={seat: weight for seat, weight in weights.items() if seat in measured},
        levels_comparable=room_file.levels.comparable,
    )
    repeated_db = estimate_repeatability_db(survey)
    stated_db = room_file.levels.repeatability_db
    notes = [*file_notes(corrected), *repeatability_notes(stated_db, repeated_db)]
    if microphone is not None and room_file.microphone is not None:
        notes.extend(f"{room_file.microphone.file}: {note}" for note in microphone.notes)
    doubts = doubtful_responses(as_measured)
    return SurveyFiles(
        survey=survey,
        assumptions=(*assumptions_of(room_file), *doubts.taken),
        notes=tuple(dict.fromkeys(notes)),
        findings=(
            *same_recordings(as_measured),
            *mixtures(room_file, as_measured),
            *doubtful_levels(as_measured),
            *doubts.found,
            *doubtful_repeats(survey, stated_db),
            *unstated_weighting(room_file),
            *(microphone.doubts if microphone is not None else ()),
        ),
        inputs=tuple(_inputs(room_file)),
        repeatability_db=repeated_db if stated_db is None else stated_db,
        microphone=applied,
    )


def survey_from_exports(
    paths: Iterable[str | PathLike[str]],
    *,
    source: Source = "sub",
    reading: Mapping[str, Any] = MappingProxyType({}),
) -> SurveyFiles:
    """Read a bare list of text exports, without a room file.

    A seat is named after its file, or after its column where a file holds several.

    Parameters
    ----------
    paths : iterable of path-like
        Text exports, each once.
    source : {"sub", "mains", "both"}
        What played.
    reading : mapping
        How to read the files: arguments of `roomeq.importers.text.export.read_text_export`.

    Returns
    -------
    SurveyFiles
        Nothing is known but the levels, so that `assumptions` is worth printing.

    Raises
    ------
    TypeError
        If `paths` is one path instead of several.
    ValueError
        If there is none, one occurs twice, or the source is unknown.
    MeasurementFileError
        If a file cannot be read as a measurement.
    OSError
        If a file cannot be opened.
    """
    if isinstance(paths, str | bytes | PathLike):
        raise TypeError(f"paths must be several paths, got one: {paths!r}; write [{paths!r}]")
    listed = [Path(path) for path in paths]
    if not listed:
        raise ValueError("paths must hold at least one text export, got none")
    for path in listed:
        if sum(path.resolve() == other.resolve() for other in listed) > 1:
            raise ValueError(f"each file belongs to one seat, but {fspath(path)!r} occurs twice")
    with asked_in("as options, for example --level-column 3"):
        exports = [
            read_text_export(path, **reading)
            for path in each(listed, lambda path: f"reading {path.name}")
        ]
    seats = iter(_seat_names(listed, exports))
    measurements = [
        Measurement(
            seat=next(seats), source=source, response=one, file=path.as_posix(), notes=export.notes
        )
        for path, export in zip(listed, exports, strict=True)
        for one in export.responses
    ]
    doubts = doubtful_responses(measurements)
    return SurveyFiles(
        survey=Survey(measurements=tuple(measurements)),
        assumptions=(*assumptions_for_exports(source), *doubts.taken),
        notes=tuple(dict.fromkeys([*file_notes(measurements), *repeatability_notes(None, None)])),
        findings=(
            *same_recordings(measurements),
            *doubtful_levels(measurements),
            *doubts.found,
        ),
        inputs=tuple(read_input_file(path, role="measurement") for path in listed),
        repeatability_db=None,
    )


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


def room_microphone(room_file: RoomFile) -> MicrophoneResponse | None:
    """Return the microphone of a room file; None where none is named.

    Raises
    ------
    RoomFileError
        If it cannot be read.
    """
    stated = room_file.microphone
    if stated is None or stated.file is None or stated.kind is None:
        return None
    with room_file.faults_at("microphone"), asked_in("in room.toml, under [microphone]"):
        path = room_file.resolve(stated.file)
        return read_microphone(path, kind=stated.kind, **stated.reading_settings())


def _read_entry(
    room_file: RoomFile, index: int, read_sweep: SweepReader | None, left_out: dict[int, str]
) -> Iterator[Measurement]:
    """Yield the measurements of one ``[[measurements]]`` table, weighting removed.

    A recording that says nothing of its seat yields none: why is added to `left_out`.
    """
    entry, place = room_file.measurements[index], ("measurements", index)
    path, settings = room_file.resolve(entry.file), entry.reading_settings()
    seats: Sequence[str] = [entry.seat or ""]
    if entry.columns is not None:
        seats, settings["level_column"] = list(entry.columns), list(entry.columns.values())
    responses: Sequence[FrequencyResponse]
    with room_file.faults_at(*place), asked_in("in room.toml, under [[measurements]]"):
        if entry.kind == "band_levels":
            table = read_band_table(path, weighting=entry.weighting, seat=entry.seat, **settings)
            seats, responses, notes = table.names, table.responses, table.notes
        elif entry.kind == "sweep":
            if read_sweep is None:
                raise ValueError("recorded sweeps are read by roomeq.importers.room.read_room")
            found, notes = read_sweep(entry)
            responses = [] if found is None else [found]
            if found is None:
                left_out[index] = "; ".join(notes)
        else:
            export = read_text_export(path, **settings)
            notes, count = export.notes, len(export.responses)
            if count != len(seats):
                said = f"{entry.file!r} holds {count} level columns ({', '.join(export.names)})"
                remedy = 'write columns = { "seat" = column, ... }, or level_column = ... for one'
                message = f"{said} for {len(seats)} named seats"
                raise room_file.fault(message, *place, "file", remedy=remedy)
            with room_file.faults_at(*place, "weighting"):
                responses = [
                    remove_weighting(r, weighting=entry.weighting) for r in export.responses
                ]
    for seat, response in zip(seats, responses, strict=False):
        yield Measurement(
            seat=seat,
            source=entry.source,
            route=entry.route,
            response=response,
            file=entry.file,
            notes=tuple(notes),
        )


def _inputs(room_file: RoomFile) -> Iterator[InputFile]:
    yield read_input_file(room_file.location.name, role="room", folder=room_file.folder)
    named = [(role, file) for role, _, file in room_file.named_files()]
    for role, file in dict.fromkeys(named):
        if role != "device_profile" or file not in shipped_profiles():
            yield read_input_file(file, role=role, folder=room_file.folder)
