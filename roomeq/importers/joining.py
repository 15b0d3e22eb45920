"""From a room file's tables to what joining needs: time reference, paths, processor, mains.

Conventions
-----------
A value that cannot be is a `RoomFileError` with its key. Delays are ms in the file, s inside.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.processor import DelayRange
from roomeq.importers.room_file.equipment_schema import FilterTable, ProcessorTable
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.text.export import read_one_response
from roomeq.importers.text.microphone import MicrophoneResponse, apply_microphone
from roomeq.room.room import JoiningSetup, PathResponse, Room


def stated_filters(tables: tuple[FilterTable, ...]) -> tuple[CrossoverFilter, ...]:
    """Return the filters of ``[[path]]`` or ``[[mains_path]]``."""
    keys = FilterTable.__struct_fields__
    return tuple(CrossoverFilter(**{key: getattr(entry, key) for key in keys}) for entry in tables)


def with_joining(
    room: Room, room_file: RoomFile, *, microphone: MicrophoneResponse | None = None
) -> Room:
    """Return a room with what its file says for joining.

    Parameters
    ----------
    room : Room
    room_file : RoomFile
    microphone : MicrophoneResponse, optional
        That of the file.

    Raises
    ------
    RoomFileError
        If a value cannot be.
    MeasurementFileError
        If the response of the path cannot be read.
    """
    own = _assumptions(room_file) if "mains" in room.survey.sources else ()
    assumptions = tuple(dict.fromkeys((*room.assumptions, *own)))
    return replace(room, joining=_setup(room_file, microphone), assumptions=assumptions)


def _setup(room_file: RoomFile, microphone: MicrophoneResponse | None) -> JoiningSetup:
    timing, processor = room_file.timing, room_file.processor or ProcessorTable()
    mains_stated = room_file.states("mains_path")
    return JoiningSetup(
        common_time_reference=None if timing is None else timing.common_reference,
        subwoofer_is=None if timing is None else timing.subwoofer,
        present_delay=1e-3 * (room_file.device.present.delay_ms or 0.0),
        delays=_delays(room_file, processor),
        high_pass=processor.high_pass,
        low_pass=processor.low_pass,
        same_corner=processor.same_corner,
        mains=room_file.mains,
        mains_path=stated_filters(room_file.mains_path) if mains_stated else None,
        fixed=tuple(index for index, one in enumerate(room_file.path) if not one.can_bypass),
        path_response=_path_response(room_file, microphone),
        level_trim=processor.level_trim,
    )


def _delays(room_file: RoomFile, given: ProcessorTable) -> DelayRange | None:
    if given.delay_lowest_ms is None:
        return None
    assert given.delay_highest_ms is not None
    assert given.delay_step_ms is not None
    delays = DelayRange(
        lowest=1e-3 * given.delay_lowest_ms,
        highest=1e-3 * given.delay_highest_ms,
        step=1e-3 * given.delay_step_ms,
    )
    with room_file.faults_at("processor", "delay_step_ms"):
        delays.values  # noqa: B018 - refuses a range without a step in it
    return delays


def _path_response(
    room_file: RoomFile, microphone: MicrophoneResponse | None
) -> PathResponse | None:
    given = room_file.path_response
    if given is None:
        return None
    response = read_one_response(room_file.resolve(given.file), named_in="[path_response]")
    if given.taken == "close" and microphone is not None:
        response = apply_microphone(response, microphone)
    return PathResponse(response=response, taken=given.taken, file=given.file)


def _assumptions(room_file: RoomFile) -> Iterator[str]:
    """Return what is not stated although the mains were measured."""
    if room_file.timing is None:
        yield (
            "it is not stated whether subwoofer and mains were measured against one time "
            "reference ([timing]): taken for not"
        )
    if not room_file.states("mains_path"):
        yield (
            "no filters in the mains' path are stated: taken for a high-pass like the subwoofer's "
            "low-pass"
        )
    if room_file.device.present.delay_ms is None:
        yield (
            "the delay of the subwoofer while measuring is not stated: taken for 0 ms, delays "
            "are changes from what is set"
        )
