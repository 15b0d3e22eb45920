"""Tables of a room file: what may be written in ``room.toml``, and of which kind.

Conventions
-----------
One frozen value for each TOML table; the names are the keys of the file. Frequencies are in Hz,
lengths in m, temperatures in degrees Celsius; anything else carries its unit in its name. A value
of None means that the file does not say it. What the values must satisfy together is checked in
`roomeq.importers.room_file.reading`; the file is read by `roomeq.importers.room_file.file`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from roomeq.base.survey import Route, Source
from roomeq.base.toml_tables import Plausible, StrictTable
from roomeq.device.amplifier import Load
from roomeq.device.crossover import MainsBox
from roomeq.importers.room_file.equipment_schema import (
    CORNER_SPAN,
    LONGEST_MS,
    AmplifierTable,
    BoxTable,
    DriverTable,
    FilterTable,
    HeadroomTable,
    OutputLevelsTable,
    PathResponseTable,
    ProcessorTable,
    ProtectionTable,
    SubFilterTable,
    TimingTable,
)
from roomeq.importers.room_file.wanted_schema import FitTable, LimitsTable, TargetTable

Column = int | str
_Side = Plausible(0.5, 100.0, "m", "lengths are in metres")


class _ReadingSettings(StrictTable, frozen=True, kw_only=True):
    """How to read a text export; every one optional, found from the file by default.

    Attributes
    ----------
    frequency_column : 1
        Where the frequencies stand, if unclear.
    level_column : 2
        Where the levels stand, if unclear.
    phase_column : 3
        Where phases stand, if unclear.
    frequency_unit
        If it is unclear.
    level_unit
        If it is unclear.
    phase_unit
        If it is unclear.
    decimal
        Decimal mark, if unclear.
    delimiter : ";"
        What parts columns, if unclear.
    encoding : "utf-8"
        A codec's name, if unclear.
    """

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
    """``[record]``: when, by whom, with what and how it was measured; free text.

    Attributes
    ----------
    date : "2025-03-06"
        When it was measured.
    by : "the calibrator"
        By whom.
    instrument : "microphone on a stand"
        With what.
    conditions : "heating off"
        What was on, off, open.
    drive_level : "player at -20 dB"
        Volume.
    """

    date: str | None = None
    by: str | None = None
    instrument: str | None = None
    conditions: str | None = None
    drive_level: str | float | None = None


class SeatTable(StrictTable, frozen=True, kw_only=True):
    """``[[seats]]``: a seat and how much it counts.

    Attributes
    ----------
    name : "sofa left"
        The seat, as [[measurements]] call it.
    weight : 2
        How much it counts against the others; above 0.
    """

    name: str
    weight: float = 1.0


class MeasurementTable(_ReadingSettings, frozen=True, kw_only=True):
    """``[[measurements]]``: a file, the seats in it, and what played.

    Attributes
    ----------
    file : "sofa.txt"
        Name, relative to this file's folder.
    kind
        A text export, third-octave levels typed by hand, or a recorded sweep.
    seat : "sofa"
        The seat, where the file holds one.
    columns : { "sofa" = 2 }
        The level column of each seat, where it holds several.
    source
        What played; "difference" is both, one of reversed polarity.
    subwoofer : "front"
        Which of several played alone, as [[subwoofers]] call it.
    place : "north wall"
        For `roomeq places` alone: where the subwoofer stood to try it.
    route
        How the signal got there.
    weighting
        Frequency weighting in the levels, to be removed.
    channel : 1
        Of a sweep: the microphone's channel, from 1; without it 1.
    loopback_channel : 2
        Of a sweep: the loopback's channel, from 1.
    microphone
        Whether [microphone] belongs to this file.
    """

    file: str
    kind: Literal["response", "band_levels", "sweep"] = "response"
    seat: str | None = None
    columns: dict[str, Column] | None = None
    source: Source = "sub"
    subwoofer: str | None = None
    place: str | None = None
    route: Route = "unknown"
    weighting: Literal["none", "C", "A"] = "none"
    channel: int | None = None
    loopback_channel: int | None = None
    microphone: bool = True


class SweepTable(StrictTable, frozen=True, kw_only=True):
    """``[sweep]``: what was played in recorded sweeps; one of description and reference.

    Attributes
    ----------
    description : "bass.json"
        JSON beside the sweep of `roomeq sweep`.
    reference : "played.wav"
        Any other signal: a sound file of what was played.
    highest
        Highest frequency wanted.
    """

    description: str | None = None
    reference: str | None = None
    highest: Annotated[float, Plausible(100.0, 20000.0, "Hz")] = 400.0


class CalibrationTable(StrictTable, frozen=True, kw_only=True):
    """``[calibration]``: what makes recorded sweeps dB SPL; one of file and level_dbfs.

    Attributes
    ----------
    same_gain
        Whether no gain was changed from it to the last sweep.
    level_db
        Level of the sound calibrator, or of the stated sensitivity.
    file : "calibrator.wav"
        Recording of a sound calibrator (IEC 60942).
    channel
        Its channel, from 1.
    frequency
        Of the calibrator, 250 or 1000.
    level_dbfs : -26
        What a sine of level_db shows in a recording.
    """

    same_gain: bool
    level_db: Annotated[float, Plausible(30.0, 160.0, "dB SPL")] = 94.0
    file: str | None = None
    channel: int = 1
    frequency: Annotated[float, Plausible(20.0, 20000.0, "Hz")] = 1000.0
    level_dbfs: Annotated[float | None, Plausible(-150.0, 20.0, "dBFS")] = None


class LevelsTable(StrictTable, frozen=True, kw_only=True):
    """``[levels]``: whether level differences between seats are real, and how well they repeat.

    Attributes
    ----------
    comparable
        Same drive level and microphone gain at every seat.
    repeatability_db : 0.5
        Standard deviation of a repeated measurement.
    """

    comparable: bool = False
    repeatability_db: Annotated[float | None, Plausible(0.01, 10.0, "dB")] = None


class MicrophoneTable(_ReadingSettings, frozen=True, kw_only=True):
    """``[microphone]``: a file with its response (subtracted) or a correction (added).

    Attributes
    ----------
    file : "microphone.txt"
        The microphone's file.
    kind
        Its response, to be subtracted, or a correction, to be added.
    already_applied
        Instead of a file: the exports were corrected before they were written.
    """

    file: str | None = None
    kind: Literal["response", "correction"] | None = None
    already_applied: bool = False


class PresentTable(StrictTable, frozen=True, kw_only=True):
    """``[device.present]``: settings of the device in force while measuring.

    Attributes
    ----------
    gains_db : { "40" = -3.0 }
        Band gains, by nominal centre or as a list; without it all 0.
    level_db : -6.0
        Level knob.
    polarity
        Polarity switch.
    phase_deg : 0
        Phase control.
    delay_ms : 0.0
        Of the subwoofer against the mains; positive is later.
    """

    gains_db: Annotated[
        tuple[float, ...] | dict[str, float] | None, Plausible(-60.0, 30.0, "dB")
    ] = None
    level_db: Annotated[float | None, Plausible(-100.0, 40.0, "dB")] = None
    polarity: Literal["normal", "inverted"] | None = None
    phase_deg: Annotated[float | None, Plausible(-360.0, 360.0, "degrees")] = None
    delay_ms: Annotated[
        float | None, Plausible(-LONGEST_MS, LONGEST_MS, "ms", "positive is later")
    ] = None
    protection: ProtectionTable | None = None


class DeviceTable(StrictTable, frozen=True, kw_only=True):
    """``[device]``: what it offers, by its profile.

    Attributes
    ----------
    profile : "nine_band"
        A shipped profile, or your own TOML file; without it "nine_band".
    """

    profile: str | None = None
    present: PresentTable = PresentTable()


class SubwooferTable(StrictTable, frozen=True, kw_only=True):
    """``[[subwoofers]]``: one of several, and what is its own; the rest as for one subwoofer.

    Attributes
    ----------
    name : "front"
        The subwoofer, as [[measurements]] call it.
    profile : "nine_band"
        Of its own device; without it that of [device].
    fed_by : "back"
        The subwoofer whose device feeds it, in series or by one equaliser for all: its bands are
        those of that one, and so are level and delay; its own is the polarity, and its limits hold
        for both.
    delay_highest_ms : 20
        Longest delay that it can be given against the others; without it none.
    delay_step_ms : 0.1
        Step of that delay.
    """

    name: str
    profile: str | None = None
    fed_by: str | None = None
    delay_highest_ms: Annotated[float | None, Plausible(0.0, LONGEST_MS, "ms")] = None
    delay_step_ms: Annotated[float, Plausible(0.001, 50.0, "ms")] = 0.1
    present: PresentTable = PresentTable()
    limits: LimitsTable | None = None
    amplifier: AmplifierTable | None = None
    load: Load | None = None
    box: BoxTable | None = None
    driver: DriverTable | None = None
    output: OutputLevelsTable | None = None


class CrossoverTable(StrictTable, frozen=True, kw_only=True):
    """``[crossover]``: where the filters in the path do not tell it.

    Attributes
    ----------
    corner : 80
        Corner of the crossover.
    """

    corner: Annotated[float, Plausible(*CORNER_SPAN, "Hz")]


class DimensionsTable(StrictTable, frozen=True, kw_only=True):
    """``[room]``: its size, where known; tells where its walls resonate.

    Attributes
    ----------
    length : 5.8
        Between two walls.
    width : 4.4
        Between the other two.
    height : 2.5
        From floor to ceiling.
    temperature : 20
        Of the air; without it 20.
    """

    length: Annotated[float | None, _Side] = None
    width: Annotated[float | None, _Side] = None
    height: Annotated[float | None, _Side] = None
    temperature: Annotated[
        float | None, Plausible(-20.0, 50.0, "degrees Celsius", "not in degrees Fahrenheit")
    ] = None


class RoomTables(StrictTable, frozen=True, kw_only=True):
    """``room.toml``: everything that the measurements themselves do not say.

    ``path = "none"`` and ``mains_path = "none"`` say that there are no filters, as an empty list.

    Attributes
    ----------
    format : 1
        Version of the file's format.
    name : "Back room"
        Of the room.
    story : "one note booms"
        Anything worth telling.
    path : "none"
        There is no filter in the subwoofer's path.
    mains_path : "none"
        There is no filter in the mains' path.
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
    subwoofers: tuple[SubwooferTable, ...] = ()
    path: tuple[SubFilterTable, ...] = ()
    path_response: PathResponseTable | None = None
    mains_path: tuple[FilterTable, ...] = ()
    mains: MainsBox | None = None
    processor: ProcessorTable | None = None
    timing: TimingTable | None = None
    crossover: CrossoverTable | None = None
    target: TargetTable = TargetTable()
    limits: LimitsTable = LimitsTable()
    fit: FitTable = FitTable()
    room: DimensionsTable | None = None
    amplifier: AmplifierTable | None = None
    load: Load | None = None
    box: BoxTable | None = None
    driver: DriverTable | None = None
    output: OutputLevelsTable | None = None
    headroom: HeadroomTable | None = None
