"""What one file tells of a room: the table of a room file that it fills, and why.

Conventions
-----------
The file's own reader judges what it holds; its name tells seat and source where that is plain.
Nothing is guessed in silence: `why` says what was concluded, and from what.

What the name of a measurement file says plainly: the seat, what played, repeats.

Only whole words count, whatever their case; words that could as well belong to a seat ("main",
"front", "near window") say nothing. What is not plain stays a part of the seat's name.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from roomeq.analysis.survey_levels import level_travel_db
from roomeq.base.errors import MeasurementFileError
from roomeq.base.recording import Recording, SweepDescription
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Source
from roomeq.importers.survey_remarks import LEAST_TRAVEL_DB
from roomeq.importers.sweep_files import count_channels, read_channels
from roomeq.importers.text.band_table import named_weighting, read_band_table
from roomeq.importers.text.export import TextExport, read_text_export
from roomeq.importers.text.microphone import (
    GREATEST_DB,
    Weighting,
    covers_bands,
    kind_in_words,
    microphone_of,
)

_SOURCES: dict[str, Source] = {
    **dict.fromkeys(("sub", "subs", "subwoofer", "subwoofers"), "sub"),
    "mains": "mains",
    **dict.fromkeys(("both", "together", "sum"), "both"),
    "difference": "difference",
}
_FILLING = {"only", "alone", "and", "with", "sweep", "response", "measurement"}
_AT_THE_CONE = {"nearfield", "cone", "nearcone"}
_MICROPHONE = {"microphone", "mic", "mikrofon", "micro"}
_OF_A_MICROPHONE = {"response", "correction", "calibration", "cal", "file", "degrees"}
_PLAYED = {"sweep", "played", "reference", "excitation", "stimulus"}
_CALIBRATOR = {"calibrator", "pistonphone", "94db", "114db"}
_NO_SEAT = {
    "target": "a wanted response? It goes into [target] as file",
    "noise": "noise alone is no measurement of a seat",
    **dict.fromkeys(("average", "mean"), "an average is no measurement of one seat"),
}
_NUMBERED = re.compile(r"sub(?:woofer)?\d+", re.IGNORECASE)
_REPEAT = re.compile(r"(?<=\S) (again|(?:repeat|repeated|rep|take|run) ?\d*)$", re.IGNORECASE)
_STATES = ("before", "after")
_COPY = re.compile(r"(.+) \(\d+\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class FileName:
    """What a name says.

    Attributes
    ----------
    role : {"seat", "microphone", "close", "played", "calibrator"}
        What the file is for.
    seat : str
        Empty where the name tells none.
    source : str or None
        As in a room file; None where no word tells it plainly.
    told_by : str
        The words that told source and repeat.
    repeat : bool
        Whether it is one of several of its seat.
    state : {"", "before", "after"}
        Whether it was measured before or after a change.
    copy : str
        The seat of which it may be a repeat, by a number in brackets as file managers append it.
    kind : {"response", "correction"} or None
        Of a microphone file.
    doubt : str
        Why the file had better be left out.
    subwoofer : str
        Which of several it is of, as numbered in the name; empty where none is.
    """

    role: str = "seat"
    seat: str = ""
    source: Source | None = None
    told_by: str = ""
    repeat: bool = False
    state: str = ""
    copy: str = ""
    kind: str | None = None
    doubt: str = ""
    subwoofer: str = ""


def source_in_words(words: list[str]) -> Source | None:
    """Return what played, by words in small letters; None where they do not tell it plainly."""
    found = {_SOURCES[word] for word in words if word in _SOURCES}
    if {"off", "without", "no", "not"} & set(words):
        return None
    if found == {"sub", "mains"}:
        return "both"
    return found.pop() if len(found) == 1 else None


def read_name(path: PurePath) -> FileName:
    """Return what the name of a file says, folders below the room's included."""
    whole = " ".join(path.with_suffix("").parts)
    words = [word for word in re.split(r"[\s_\-.,+&]+", whole) if word]
    small = [word.lower() for word in words]
    said = set(small)
    source = source_in_words(small)
    others = said - _MICROPHONE - _OF_A_MICROPHONE
    if said & _MICROPHONE and all(any(map(str.isdigit, word)) for word in others):
        kinds = said & {"response", "correction"}
        return FileName(role="microphone", kind=kinds.pop() if len(kinds) == 1 else None)
    if said & _CALIBRATOR:
        return FileName(role="calibrator")
    if said <= _PLAYED:
        return FileName(role="played")
    rest, of_sub = said - set(_SOURCES) - _FILLING, source in (None, "sub")
    if of_sub and (rest & _AT_THE_CONE or rest in ({"close"}, {"near"}, {"near", "field"})):
        return FileName(role="close")
    doubts = [_NO_SEAT[word] for word in small if word in _NO_SEAT]
    if source is None and said & set(_SOURCES):
        doubts.append("its name does not tell plainly what played: say source")
    numbered = [word for word in small if _NUMBERED.fullmatch(word)]
    if len(numbered) == 1 and of_sub:
        words = [word for word in words if word.lower() != numbered[0]]
        return replace(_of_a_seat(words, "sub", doubts), subwoofer=numbered[0])
    if numbered:
        doubts.append("which of several subwoofers played? Each is measured alone")
    return _of_a_seat(words, source, doubts)


def _of_a_seat(words: list[str], source: Source | None, doubts: list[str]) -> FileName:
    states = [word.lower() for word in words if word.lower() in _STATES]
    telling = set(_STATES) | (set(_SOURCES) | _FILLING if source is not None else set())
    seat = " ".join(word for word in words if word.lower() not in telling)
    told = [word for word in words if source is not None and word.lower() in _SOURCES]
    told += states
    repeat, copy = _REPEAT.search(seat), _COPY.fullmatch(seat)
    if repeat is not None:
        seat = seat[: repeat.start()]
        told.append(repeat[1])
    return FileName(
        seat=seat,
        source=source,
        told_by=", ".join(map(repr, told)),
        repeat=repeat is not None,
        state=states[0] if len(set(states)) == 1 else "",
        copy=copy[1] if copy else "",
        doubt="; ".join(doubts),
    )


_LEAST_BANDS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderEntry:
    """A table of a room file, as far as a file tells it.

    Attributes
    ----------
    table : str
        Such as ``measurements``.
    keys : dict
        What is told, by key.
    why : str
        What was concluded, and from what.
    left_out : str
        Why it had better not be used as it stands; empty where it can be.
    """

    table: str
    keys: dict[str, Any]
    why: str
    left_out: str = ""


def told_by_text(path: Path, name: FileName, *, file: str) -> Iterator[FolderEntry]:
    """Yield what a text tells: an export, typed levels, or a microphone's file.

    Parameters
    ----------
    path : Path
    name : FileName
    file : str
        As the room file is to name it.

    Raises
    ------
    MeasurementFileError
        If it cannot be read.
    """
    typed = _typed_levels(path, name, file=file) if name.role == "seat" else None
    if typed is not None:
        yield typed
        return
    export = read_text_export(path)
    why = f"text export, {_span_of(export.responses[0])}"
    steps = np.diff(np.log2(export.responses[0].frequencies))
    if name.role == "seat" and 3 <= steps.size < 30 and np.allclose(steps, 1 / 3, atol=0.04):
        name = replace(name, doubt=_LIKE_TYPED)
    flat = name.source is None and not name.doubt and _is_flat(export)
    if name.role == "microphone" or flat:
        yield _microphone(export, name, file=file)
    elif name.role == "close":
        yield FolderEntry(
            table="path_response",
            keys={"file": file},
            why=f"{why}; close to the cone, by its name",
            left_out="" if len(export.responses) == 1 else "it holds several levels",
        )
    elif len(export.responses) > 1:
        yield from _of_columns(path, export, name, file=file)
    else:
        seat = name.seat or "seat"
        yield _at_a_seat(_with_source(name, export), {"file": file}, why, seat=seat)


def told_by_sound(
    path: Path, name: FileName, *, file: str, played: SweepDescription | Recording | str
) -> FolderEntry:
    """Return what a sound file tells.

    Parameters
    ----------
    path : Path
    name : FileName
    file : str
        As the room file is to name it.
    played : SweepDescription, Recording or str
        What was played; or why that is not known.

    Raises
    ------
    MeasurementFileError
        If it cannot be read.
    """
    channels = count_channels(path)
    keys: dict[str, Any] = {"file": file, "kind": "sweep"}
    seat, doubt = name.seat or "seat", name.doubt
    if name.role == "calibrator":
        why = "a sound calibrator, by its name"
        doubt = "say with same_gain whether no gain was changed after it"
        return FolderEntry(table="calibration", keys={"file": file}, why=why, left_out=doubt)
    why = f"recorded sweep, {channels} channel{'s' if channels > 1 else ''}"
    if name.role != "seat":
        doubt = f"by its name no seat, but {name.role}: as a sound file it is of no use here"
    if doubt or isinstance(played, str):
        return _at_a_seat(replace(name, doubt=doubt or str(played)), keys, why, seat=seat)
    heard = {n: _wire_likeness(one, played) for n, one in enumerate(read_channels(path), start=1)}
    rooms = [channel for channel, likeness in heard.items() if likeness < 1.0]
    wires = [channel for channel, likeness in heard.items() if likeness >= 1.0]
    if rooms and (rooms[0] > 1 or wires):
        keys["channel"] = rooms[0]
    if rooms and wires:
        keys["loopback_channel"] = wires[0]
        why += f"; channel {wires[0]} is as flat and short as a wire: the loopback"
    if len(rooms) > 1:
        why += f"; the sweep is heard in channels {', '.join(map(str, rooms))}: the first is taken"
    if not rooms:
        doubt = "no room is heard in it, only a wire" if wires else "the sweep is not found in it"
    return _at_a_seat(replace(name, doubt=doubt), keys, why, seat=seat)


def _wire_likeness(recording: Recording, played: SweepDescription | Recording) -> float:
    """Return how much a channel is like a wire, from 1 on; nan if the sweep is not in it."""
    from roomeq.analysis.recordings.model import model_sweep, view_recording
    from roomeq.analysis.recordings.timing import looks_electrical

    model = model_sweep(view_recording(recording, played=played))
    return math.nan if model is None else looks_electrical(model)


def _at_a_seat(name: FileName, keys: dict[str, Any], why: str, *, seat: str | None) -> FolderEntry:
    """Return a measurement with the source that its name tells, and one seat unless it is None."""
    said = {"seat": seat, "source": name.source}
    keys = keys | {key: value for key, value in said.items() if value is not None}
    if seat is not None and not name.seat:
        why += "; its name tells no seat"
    if name.told_by:
        played = f"{name.source} " if name.source else ""
        why += f"; {played}{'repeat ' if name.repeat else ''}by {name.told_by}"
    return FolderEntry(table="measurements", keys=keys, why=why, left_out=name.doubt)


def _with_source(name: FileName, export: TextExport) -> FileName:
    """Return a name with the source that a field above the table tells, if one does."""
    parts = (part for _, line in export.remarks for part in re.split(r"[,;:=|\t]", line))
    told = {source_in_words([part.strip(" #%*!\"'").lower()]) for part in parts} - {None}
    if name.source is None and len(told) == 1:
        return replace(name, source=told.pop(), told_by="a line above the table")
    if name.source is not None and told - {name.source}:
        others = ", ".join(sorted(str(source) for source in told - {name.source}))
        return replace(name, doubt=f"its name says {name.source}, a line in it {others}")
    return name


_LIKE_TYPED = (
    "looks like third-octave levels typed off a meter, but for the lines above: take those away, "
    "so that it is read as levels in bands (a meter's weighting is then asked for)"
)


def _typed_levels(path: Path, name: FileName, *, file: str) -> FolderEntry | None:
    """Return what a table of typed levels tells; None where it is none."""
    for seat in (None, name.seat or "seat"):
        weighting: Weighting | None = None
        try:
            weighting = named_weighting(path, seat=seat)
            table = read_band_table(path, weighting=weighting or "none", seat=seat)
        except MeasurementFileError:
            if weighting is not None:  # then it is one
                raise
            continue
        (response, *_) = table.responses
        if response.frequencies.size < _LEAST_BANDS:  # a level that happens to look like a band
            continue
        why = f"typed third-octave levels of {', '.join(table.names)}, {_span_of(response)}"
        why += "; nothing tells the meter's weighting" * (weighting is None)
        told = {} if weighting is None else {"weighting": weighting}
        return _at_a_seat(name, {"file": file, "kind": "band_levels", **told}, why, seat=seat)
    return None


def _of_columns(
    path: Path, export: TextExport, name: FileName, *, file: str
) -> Iterator[FolderEntry]:
    """Yield a table for a file with several levels: one for all seats, or one for each source."""
    names = list(export.names)
    read_text_export(path, level_column=names)  # each can be told from the others by its heading
    why = f"text export of {len(names)} columns, {_span_of(export.responses[0])}"
    headed = [read_name(PurePath(f"{one}.txt")) for one in names]
    if all(head.source is None for head in headed):
        keys = {"file": file, "columns": {one: one for one in names}}
        yield _at_a_seat(name, keys, why, seat=None)
        return
    for head, column in zip(headed, names, strict=True):
        keys, seat = {"file": file, "level_column": column}, head.seat or name.seat or "seat"
        yield _at_a_seat(replace(head, doubt=head.doubt or name.doubt), keys, why, seat=seat)


def _microphone(export: TextExport, name: FileName, *, file: str) -> FolderEntry:
    said = {kind_in_words(line) for _, line in export.remarks} - {None}
    kind = name.kind or (said.pop() if len(said) == 1 else None)
    microphone_of(export, kind="response")
    by = "by its name" if name.role == "microphone" else "flatter than any seat in a room"
    why, keys, doubt = f"the microphone's file, {by}", {"file": file}, ""
    if kind is None:
        doubt = "say whether it is subtracted (response) or added (correction)"
    else:
        why += f"; a {kind}, {'by its name' if name.kind else 'by what it says'}"
        keys["kind"] = kind
    return FolderEntry(table="microphone", keys=keys, why=why, left_out=doubt)


def _is_flat(export: TextExport) -> bool:
    """Return whether the only response moves less than at any seat, around 0 dB."""
    (response, *others) = export.responses
    near = covers_bands(response) and np.abs(response.level_db).max() <= GREATEST_DB
    if others or not near:
        return False
    return level_travel_db(response.frequencies, response.level_db) < LEAST_TRAVEL_DB


def _span_of(response: FrequencyResponse) -> str:
    axis = response.frequencies
    level = "dB SPL" if response.level_reference == "spl" else "relative levels"
    phase = ", with phase" if response.has_phase else ""
    return f"{axis[0]:.4g} to {axis[-1]:.4g} Hz, {level}{phase}"
