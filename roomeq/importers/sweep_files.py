"""Sound files: the sweep to play with its description, and what was recorded of it.

Conventions
-----------
WAV and FLAC of any rate, sample format and number of channels, read through ``soundfile`` in one
pass, block by block; samples become fractions of full scale. Channels are counted from
1. The description of a sweep lies beside it as JSON with a format version, the same name and the
ending ``.json``. Files are written to a temporary neighbour first, then renamed; nothing that was
recorded is ever changed.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.errors import MeasurementFileError
from roomeq.base.files import LARGEST_TABLES, file_bytes, refuse_other_kinds, replacing_together
from roomeq.base.recording import ChainConditions, Recording, SweepDescription

FORMAT_NAME = "roomeq sweep"
FORMAT_VERSION = 1
_BLOCK = 65536
_MOST_FRAMES = 2**28
_GIVE_THE_OTHER = "give the .json that was written together with the sweep"
_NEEDED = {"start", "stop", "length", "sample_rate", "level_dbfs"}
_Path = str | os.PathLike[str]


def count_channels(path: str | os.PathLike[str]) -> int:
    """Return how many channels a sound file has, without reading its samples.

    Raises
    ------
    MeasurementFileError
        If the file is missing or is no sound file.
    """
    with _opened(path) as file:
        return int(file.channels)


def _fault(
    path: _Path, message: str, remedy: str | None = None, where: str | None = None
) -> MeasurementFileError:
    return MeasurementFileError(message, path=path, where=where, remedy=remedy)


@contextmanager
def _opened(path: _Path) -> Iterator[Any]:
    import soundfile  # type: ignore[import-untyped]

    if not Path(path).is_file():
        raise _fault(path, "there is no such file")
    try:
        file = soundfile.SoundFile(os.fspath(path))
    except soundfile.SoundFileError as fault:
        message = f"cannot be read as sound: {fault}"
        raise _fault(path, message, "give a WAV or FLAC file") from fault
    with file:
        if file.frames > _MOST_FRAMES:
            message = (
                f"says it holds {file.frames} samples a channel; up to {_MOST_FRAMES} are read"
            )
            remedy = "record again: the file is damaged, or an hour and a half long"
            raise _fault(path, message, remedy)
        yield file


def read_channels(
    path: str | os.PathLike[str], channels: Sequence[int] | None = None
) -> tuple[Recording, ...]:
    """Read channels of a WAV or FLAC file in one pass.

    What was asked for and one block of the file are in memory, nothing else.

    Parameters
    ----------
    path : path-like
        The file.
    channels : sequence of int, optional
        Which channels, counted from 1; all by default.

    Raises
    ------
    MeasurementFileError
        If the file is missing, no sound file, damaged, empty, shorter than its header says, has no
        such channel, or holds samples that are not finite.
    """
    import soundfile

    with _opened(path) as file:
        count, rate, frames = int(file.channels), int(file.samplerate), int(file.frames)
        wanted = range(1, count + 1) if channels is None else channels
        for channel in wanted:
            if not 1 <= channel <= count:
                message = f"there is no channel {channel}, only {count}"
                raise _fault(path, message, "channels are counted from 1")
        if frames < 1:
            raise _fault(path, "holds no samples", "record again")
        rows, filled = [np.empty(frames) for _ in wanted], 0
        try:
            for block in file.blocks(_BLOCK, dtype="float64", always_2d=True):
                for row, channel in zip(rows, wanted, strict=True):
                    row[filled : filled + len(block)] = block[:, channel - 1]
                filled += len(block)
        except soundfile.SoundFileError as fault:
            raise _fault(path, f"is damaged: {fault}") from fault
        told: Any = {"sample_rate": rate, "channels": count, "sample_format": str(file.subtype)}
    if filled != frames:
        raise _fault(path, f"ends after {filled} of {frames} samples", "copy it again")
    found = []
    for channel, row in zip(wanted, rows, strict=True):
        row.setflags(write=False)  # so that no copy is made
        try:
            found.append(Recording(samples=row, channel=channel, path=os.fspath(path), **told))
        except ValueError as fault:
            raise _fault(path, str(fault), where=f"channel {channel}") from fault
    return tuple(found)


def read_recording(path: str | os.PathLike[str], *, channel: int = 1) -> Recording:
    """Read one channel, counted from 1; raises as `read_channels`."""
    return read_channels(path, [channel])[0]


def write_sweep(
    path: str | os.PathLike[str],
    signal: ArrayLike,
    *,
    sweep: SweepDescription,
    replace: bool = False,
) -> tuple[Path, Path]:
    """Write the WAV to play and, beside it, the JSON that lets a recording be deconvolved.

    Parameters
    ----------
    path : path-like
        Where the WAV goes; its ending must be ``.wav``. The samples are written in 24 bits.
    signal : array_like, shape (channels, N)
        All that is played, as `roomeq.analysis.sweeps.sweep.playback_signal` makes it.
    sweep : SweepDescription
        What `signal` holds.
    replace : bool
        Whether files that exist are replaced. They are kept by default: sound could be a
        recording, and a description belongs to the recordings made with it.

    Returns
    -------
    wav, description : pathlib.Path
        The two files.

    Raises
    ------
    ValueError
        If the signal does not fit its description, exceeds full scale, or the ending is another.
    MeasurementFileError
        If one of the files exists and is not to be replaced.
    """
    import soundfile

    target = Path(path)
    samples = np.asarray(signal, dtype=np.float64)
    if target.suffix.lower() != ".wav":
        raise ValueError(f"the sweep is written as .wav, got {target.name!r}")
    if samples.ndim != 2 or samples.shape[0] != sweep.channels:
        raise ValueError(f"needs {sweep.channels} channels as rows, got shape {samples.shape}")
    if not np.abs(samples).max(initial=0.0) <= 1.0:
        raise ValueError("the signal exceeds full scale or is not finite")
    beside = target.with_suffix(".json")
    _refuse_existing(target, beside, replace=replace)
    stated = {"format": FORMAT_NAME, "version": FORMAT_VERSION, "sound_file": target.name}
    document = json.dumps(stated | {"sweep": asdict(sweep)}, indent=2, ensure_ascii=False)
    with replacing_together(beside, target) as (description, sound):
        description.write_text(document + "\n", encoding="utf-8")
        try:
            soundfile.write(sound, samples.T, sweep.sample_rate, subtype="PCM_24", format="WAV")
        except soundfile.SoundFileError as fault:
            said = getattr(fault, "error_string", fault)
            raise OSError(errno.EIO, f"cannot be written: {said}", str(sound)) from None
    return target, beside


def _refuse_existing(target: Path, beside: Path, *, replace: bool) -> None:
    """Refuse files that exist; a description without its sound is half of a pair that failed."""
    lone = not target.exists() and describes_sweep(beside)
    for file in (target, beside):
        if file.exists() and not (replace or lone):
            remedy = "give another name, or ask for it to be replaced (--force)"
            raise _fault(file, "exists: it is left as it is", remedy)
    refuse_other_kinds(target, kind="sweep", is_of_kind=Path.is_file, error=MeasurementFileError)
    refuse_other_kinds(beside, kind="sweep", is_of_kind=describes_sweep, error=MeasurementFileError)


def read_sweep_description(path: str | os.PathLike[str]) -> SweepDescription:
    """Read the JSON that lies beside a sweep; the sound file itself is not needed.

    Raises
    ------
    MeasurementFileError
        If the file is missing, no such JSON, of a version this release does not know, has a key
        that is not known or lacks one, or a value that is not usable.
    """
    document = _json_document(path)
    if not isinstance(document, dict) or document.get("format") != FORMAT_NAME:
        raise _fault(path, "is not the description of a sweep", _GIVE_THE_OTHER)
    version = document.get("version")
    if version != FORMAT_VERSION:
        message = f"version {version!r} is not known, only {FORMAT_VERSION}"
        raise _fault(path, message, "use a newer release", where="version")
    known = {"format", "version", "sound_file", "sweep"}
    _check_keys(document, known, path, "top level", needed={"sweep"})
    return _sweep_from(document["sweep"], path)


def describes_sweep(path: Path) -> bool:
    """Return whether a file is the description of a sweep."""
    try:
        document = _json_document(path)
    except (OSError, MeasurementFileError):
        return False
    return isinstance(document, dict) and document.get("format") == FORMAT_NAME


def _json_document(path: _Path) -> Any:
    try:
        error, remedy = MeasurementFileError, _GIVE_THE_OTHER
        text = file_bytes(path, largest=LARGEST_TABLES, error=error, remedy=remedy)
        return json.loads(text.decode("utf-8"))
    except FileNotFoundError as fault:
        raise _fault(path, "there is no such file") from fault
    except RecursionError:
        raise _fault(path, "is nested too deeply") from None
    except (json.JSONDecodeError, UnicodeDecodeError) as fault:
        line = fault.lineno if isinstance(fault, json.JSONDecodeError) else None
        raise MeasurementFileError(f"is not JSON: {fault}", path=path, line=line) from fault


def _sweep_from(table: Any, path: _Path) -> SweepDescription:
    known, asked = (
        {one.name for one in fields(kind)} for kind in (SweepDescription, ChainConditions)
    )
    _check_keys(table, known, path, "sweep", needed=_NEEDED)
    _check_keys(table.get("conditions", {}), asked, path, "sweep, conditions")
    # What this library wrote states all; who writes by hand what another program played need not.
    unsaid = dict.fromkeys(("lead_in", "pause", "tail", "fade_in", "fade_out"), 0.0)
    stated = {"synchronised": unsaid.keys() <= table.keys()} | unsaid | table
    try:
        return msgspec.convert(stated, SweepDescription)
    except (msgspec.ValidationError, OverflowError) as fault:
        message, _, place = str(fault).partition(" - at `$")
        where = ", ".join(["sweep", *filter(None, place.strip("`").split("."))])
        raise _fault(path, message, where=where) from fault


def _check_keys(
    table: Any, known: set[str], path: _Path, where: str, *, needed: Collection[str] = ()
) -> None:
    """Refuse what is no table, has keys that are not known, or lacks some that are needed."""
    if not isinstance(table, dict):
        raise _fault(path, "is not a table of keys", where=where)
    for key in sorted((set(table) - known) | (set(needed) - set(table))):
        fault = "is not known" if key in table else "is missing"
        raise _fault(path, f"key {key!r} {fault}", where=where)
