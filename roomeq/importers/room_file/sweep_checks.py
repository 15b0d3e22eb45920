"""What the keys for recorded sweeps in a room file must satisfy together.

Conventions
-----------
As in `roomeq.importers.room_file.checks`: nothing is repaired, every contradiction is yielded with
the path of its key and a remedy. Channels count from 1.
"""

from __future__ import annotations

from collections.abc import Iterator

from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.findings import Finding
from roomeq.importers.room_file.schema import MeasurementTable

__all__ = ["excitation_findings", "sweep_contradictions"]


def sweep_contradictions(
    entry: MeasurementTable,
) -> Iterator[tuple[str, tuple[str, ...], str]]:
    """Yield message, key and remedy where one measurement's keys contradict each other."""
    channels = {"channel": entry.channel, "loopback_channel": entry.loopback_channel}
    for key, channel in channels.items():
        if channel is None:
            continue
        if entry.kind != "sweep":
            yield (
                f"{key!r} is for a recorded sweep",
                (key,),
                'write kind = "sweep", or leave it out',
            )
        elif channel < 1:
            yield f"channel {channel} does not exist", (key,), "channels count from 1"
    if entry.kind == "sweep":
        if entry.loopback_channel is not None and entry.loopback_channel == (entry.channel or 1):
            yield (
                "microphone and loopback are the same channel",
                ("loopback_channel",),
                "name the other one",
            )
        if entry.weighting != "none":
            yield "a recorded sweep has no weighting", ("weighting",), "leave it out"
        if entry.columns is not None:
            yield "'columns' is for text exports", ("columns",), 'write seat = "..."'


def excitation_findings(room: RoomFile) -> Iterator[Finding]:
    """Yield where recorded sweeps and what is said of the excitation do not fit."""
    sweeps = [i for i, entry in enumerate(room.measurements) if entry.kind == "sweep"]
    if sweeps and room.sweep is None:
        yield Finding(
            message="it is not said what was played",
            path=("measurements", sweeps[0], "kind"),
            remedy='add [sweep] with description = "....json" (written beside the sweep)',
        )
    if room.sweep is not None and (room.sweep.description is None) == (
        room.sweep.reference is None
    ):
        yield Finding(
            message="needs one of 'description' and 'reference'",
            path=("sweep",),
            remedy="the JSON beside the sweep, or a recording of what was played",
        )
    if room.calibration is not None:
        given = room.calibration
        if (given.file is None) == (given.level_dbfs is None):
            yield Finding(
                message="needs one of 'file' and 'level_dbfs'",
                path=("calibration",),
                remedy="a recording of the sound calibrator, or the stated sensitivity",
            )
        if not given.same_gain:
            yield Finding(
                message="the gain was not the same for calibration and sweeps",
                path=("calibration", "same_gain"),
                remedy="leave [calibration] out: levels are then relative; or calibrate again",
            )
