"""Survey from files: the measurements a room file names, or a bare list of text exports.

Conventions
-----------
Weighting and the microphone's own response are taken out here, once. What was not said and had to
be assumed, what readers noticed, and what looks wrong come back in words, apart from each other.
No file is written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from roomeq.base.doing import each
from roomeq.base.errors import MeasurementFileError
from roomeq.base.files import InputFile, read_input_file
from roomeq.base.levels import FloatArray
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.device_profile import shipped_profiles
from roomeq.importers.response_doubts import doubtful_responses
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.reading import seat_findings
from roomeq.importers.room_file.schema import MeasurementTable
from roomeq.importers.survey_remarks import (
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
from roomeq.importers.text.export import read_text_export
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
    return survey_of(room_file, entries, microphone)


def _corrected(measurement: Measurement, microphone: MicrophoneResponse) -> Measurement:
    """Return a measurement with the microphone's own response taken out, and a note of it."""
    measured = measurement.response
    corrected = apply_microphone(measured, microphone)
    notes = describe_microphone(microphone, measured=measured, corrected=corrected)
    return replace(measurement, response=corrected, notes=(*measurement.notes, *notes))


def survey_of(
    room_file: RoomFile,
    entries: Sequence[tuple[int, Measurement]],
    microphone: MicrophoneResponse | None = None,
) -> SurveyFiles:
    """Return the survey of measurements that were read, each with its place in the room file."""
    as_measured = [measurement for _, measurement in entries]
    corrected, applied = as_measured, None
    if microphone is not None:
        corrected = [
            _corrected(one, microphone) if room_file.measurements[index].microphone else one
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
    if room_file.location.name:
        yield read_input_file(room_file.location.name, role="room", folder=room_file.folder)
    named = [(role, file) for role, _, file in room_file.named_files()]
    for role, file in dict.fromkeys(named):
        if role != "device_profile" or file not in shipped_profiles():
            yield read_input_file(file, role=role, folder=room_file.folder)
