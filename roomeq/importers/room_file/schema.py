"""Tables of a room file: what may be written in ``room.toml``, and of which kind.

Conventions
-----------
One frozen value for each TOML table; the names are the keys of the file. Frequencies are in Hz,
lengths in m, temperatures in degrees Celsius; anything else carries its unit in its name. A value
of None means that the file does not say it. What the values must satisfy together is checked in
`roomeq.importers.room_file.checks`; the file is read by `roomeq.importers.room_file.file`.
"""

from __future__ import annotations

from typing import Any, Literal

from roomeq.base.survey import Route, Source
from roomeq.base.toml_tables import StrictTable
from roomeq.importers.room_file.headroom_schema import (
    AmplifierTable,
    BoxTable,
    DriverTable,
    HeadroomTable,
    LoadTable,
    OutputLevelsTable,
    ProtectionTable,
)
from roomeq.importers.room_file.joining_schema import (
    FilterTable,
    MainsTable,
    PathResponseTable,
    ProcessorTable,
    SubFilterTable,
    TimingTable,
)

__all__ = [
    "CalibrationTable",
    "CrossoverTable",
    "DeviceTable",
    "DimensionsTable",
    "FitTable",
    "LevelsTable",
    "LimitsTable",
    "MeasurementTable",
    "MicrophoneTable",
    "PresentTable",
    "RecordTable",
    "RoomTables",
    "SeatTable",
    "SweepTable",
    "TargetTable",
]

Column = int | str


class _ReadingSettings(StrictTable, frozen=True, kw_only=True):
    """How to read a text export; every one optional, found from the file by default."""

    frequency_column: Column | None = None
    level_column: Column | None = None
    phase_column: Column | None = None
    frequency_unit: Literal["Hz", "kHz"] | None = None
    level_unit: Literal["dB", "dB SPL", "dBFS", "Pa", "ratio"] | None = None
    phase_unit: Literal["deg", "rad"] | None = None
    decimal: Literal[".", ","] | None = None
    delimiter: str | None = None
    encoding: str | None = None

    def reading_settings(self) -> dict[str, Any]:
        """Return the settings that were given, as arguments of `read_text_export`."""
        names = _ReadingSettings.__struct_fields__
        return {name: getattr(self, name) for name in names if getattr(self, name) is not None}


class RecordTable(StrictTable, frozen=True, kw_only=True):
    """``[record]``: when, by whom, with what and how it was measured; free text."""

    date: str | None = None
    by: str | None = None
    instrument: str | None = None
    conditions: str | None = None
    drive_level: str | float | None = None


class SeatTable(StrictTable, frozen=True, kw_only=True):
    """``[[seats]]``: a seat and how much it counts."""

    name: str
    weight: float = 1.0


class MeasurementTable(_ReadingSettings, frozen=True, kw_only=True):
    """``[[measurements]]``: a file, the seats in it, and what played.

    Attributes
    ----------
    file : str
        Relative to the folder of the room file, or absolute.
    kind : {"response", "band_levels", "sweep"}
        A text export, a small table of third-octave band levels typed by hand, or a recorded
        sweep (WAV or FLAC; the sweep itself is named in ``[sweep]``).
    seat : str, optional
        The seat, where the file holds one.
    columns : dict of str to int or str, optional
        Level column of each seat, where the file holds several.
    source, route : str
        What played ("difference" is both with one polarity reversed), and how the signal got there.
    weighting : {"none", "C", "A"}
        Frequency weighting in the levels, to be removed.
    channel, loopback_channel : int, optional
        For a recorded sweep: channel of the microphone (1 by default) and of the loopback, counted
        from 1.
    microphone : bool
        Whether the correction of ``[microphone]`` belongs to this measurement.
    """

    file: str
    kind: Literal["response", "band_levels", "sweep"] = "response"
    seat: str | None = None
    columns: dict[str, Column] | None = None
    source: Source = "sub"
    route: Route = "unknown"
    weighting: Literal["none", "C", "A"] = "none"
    channel: int | None = None
    loopback_channel: int | None = None
    microphone: bool = True


class SweepTable(StrictTable, frozen=True, kw_only=True):
    """``[sweep]``: what was played in recorded sweeps.

    Attributes
    ----------
    description : str, optional
        The JSON beside the sweep that `roomeq sweep` wrote.
    reference : str, optional
        Any other excitation: a recording of the signal as it was played.
    highest : float
        Highest frequency wanted, in Hz.
    """

    description: str | None = None
    reference: str | None = None
    highest: float = 400.0


class CalibrationTable(StrictTable, frozen=True, kw_only=True):
    """``[calibration]``: what makes recorded sweeps dB SPL.

    Attributes
    ----------
    same_gain : bool
        Whether every gain between microphone and file was the same while the sweeps were recorded.
    level_db : float
        What a sound calibrator gives, or the level that a stated sensitivity speaks of.
    file : str, optional
        Recording of a sound calibrator (IEC 60942).
    channel : int
        Its channel, counted from 1.
    frequency : float
        Of the calibrator, 250 or 1000 Hz.
    level_dbfs : float, optional
        Instead of a file: what a sine of `level_db` shows in the file, in dBFS.
    """

    same_gain: bool
    level_db: float = 94.0
    file: str | None = None
    channel: int = 1
    frequency: float = 1000.0
    level_dbfs: float | None = None


class LevelsTable(StrictTable, frozen=True, kw_only=True):
    """``[levels]``: whether level differences between seats are real, and how well they repeat."""

    comparable: bool = False
    repeatability_db: float | None = None


class MicrophoneTable(_ReadingSettings, frozen=True, kw_only=True):
    """``[microphone]``: a file with its response (subtracted) or a correction (added).

    ``already_applied = true`` says that the exports were corrected before they were written.
    """

    file: str | None = None
    kind: Literal["response", "correction"] | None = None
    already_applied: bool = False


class PresentTable(StrictTable, frozen=True, kw_only=True):
    """``[device.present]``: settings in force while measuring; None is not stated.

    ``gains_db`` is a list in the order of the bands, or a table from nominal centre to gain;
    ``delay_ms`` that of the subwoofer against the mains, positive is later.
    """

    gains_db: tuple[float, ...] | dict[str, float] | None = None
    level_db: float | None = None
    polarity: Literal["normal", "inverted"] | None = None
    phase_deg: float | None = None
    delay_ms: float | None = None
    protection: ProtectionTable | None = None


class DeviceTable(StrictTable, frozen=True, kw_only=True):
    """``[device]``: shipped profile by name, or a TOML profile by file name."""

    profile: str | None = None
    present: PresentTable = PresentTable()


class CrossoverTable(StrictTable, frozen=True, kw_only=True):
    """``[crossover]``: corner in Hz, where the filters in the path do not tell it."""

    corner: float


class TargetTable(StrictTable, frozen=True, kw_only=True):
    """``[target]``: wanted shape, the subwoofer's own lower limit, wanted level.

    ``lower_limit`` is where the subwoofer itself is 6 dB down, in Hz; ``lower_limit_order`` how it
    falls below: 2 for a closed box, 4 for a vented one; by default what ``[box]`` says.
    """

    shape: Literal["flat", "tilt", "shelf", "points"] = "flat"
    tilt_db_per_octave: float | None = None
    shelf_gain_db: float | None = None
    shelf_corner: float | None = None
    file: str | None = None
    lower_limit: float | None = None
    lower_limit_order: Literal[2, 3, 4] | None = None
    near_field_file: str | None = None
    level_spl_db: float | None = None
    level_from: Literal["mains"] | None = None


class LimitsTable(StrictTable, frozen=True, kw_only=True):
    """``[limits]``: bounds on boost, bands held or freed; None is the optimiser's default."""

    filter_boost_db: float | None = None
    drive_boost_db: float | None = None
    no_boost_below: float | None = None
    locked: tuple[float, ...] = ()
    unlocked: tuple[float, ...] = ()


class FitTable(StrictTable, frozen=True, kw_only=True):
    """``[fit]``: shape of the loss; None is the optimiser's default."""

    excess_weight: float | None = None


class DimensionsTable(StrictTable, frozen=True, kw_only=True):
    """``[room]``: dimensions in m and temperature in degrees Celsius, where known."""

    length: float | None = None
    width: float | None = None
    height: float | None = None
    temperature: float | None = None


class RoomTables(StrictTable, frozen=True, kw_only=True):
    """All tables of a room file, as written.

    ``path = "none"`` and ``mains_path = "none"`` say that there are no filters, as an empty list.
    """

    format: int
    name: str
    measurements: tuple[MeasurementTable, ...]
    story: str | None = None
    record: RecordTable = RecordTable()
    seats: tuple[SeatTable, ...] = ()
    levels: LevelsTable = LevelsTable()
    sweep: SweepTable | None = None
    calibration: CalibrationTable | None = None
    microphone: MicrophoneTable | None = None
    device: DeviceTable = DeviceTable()
    path: tuple[SubFilterTable, ...] = ()
    path_response: PathResponseTable | None = None
    mains_path: tuple[FilterTable, ...] = ()
    mains: MainsTable | None = None
    processor: ProcessorTable | None = None
    timing: TimingTable | None = None
    crossover: CrossoverTable | None = None
    target: TargetTable = TargetTable()
    limits: LimitsTable = LimitsTable()
    fit: FitTable = FitTable()
    room: DimensionsTable | None = None
    amplifier: AmplifierTable | None = None
    load: LoadTable | None = None
    box: BoxTable | None = None
    driver: DriverTable | None = None
    output: OutputLevelsTable | None = None
    headroom: HeadroomTable | None = None
