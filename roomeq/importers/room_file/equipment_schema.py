"""Tables of a room file that speak of equipment: amplifier, driver, filters, processor, mains.

Conventions
-----------
As in `roomeq.importers.room_file.schema`, which holds the other tables: one frozen value for each
TOML table, None means that the file does not say it. Frequencies in Hz, lengths in m, voltages in V
root mean square; anything else carries its unit in its name. A delay is that of the subwoofer
against the mains, positive is later, in ms as on a processor's display. From where to where a
number is plausible stands beside it; what the values must satisfy together is checked in
`roomeq.importers.room_file.table_rules`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from roomeq.base.toml_tables import Plausible, StrictTable
from roomeq.device.amplifier import PowerRating
from roomeq.device.output_table import Detector, OutputEdition
from roomeq.device.profile import FilterChoice

LONGEST_MS = 200.0

CORNER_SPAN = (20.0, 300.0)
"""Hz between which a crossover or low-pass corner is plausible."""

HIGH_PASS_SPAN = (5.0, 300.0)

_Delay = Plausible(-LONGEST_MS, LONGEST_MS, "ms")
_Hertz = Plausible(10.0, 300.0, "Hz")
_Q = Plausible(0.1, 5.0, "as a Q")
_SPL = Plausible(30.0, 130.0, "dB SPL")
ByBand = dict[str, float]


class AmplifierTable(StrictTable, frozen=True, kw_only=True):
    """``[amplifier]``: ratings, lowest load, and what stood at the terminals while measuring.

    Attributes
    ----------
    minimum_load_ohm : 4
        Lowest nominal load that it may drive; without it the lowest rated one.
    measuring_voltage : 2.0
        At the terminals, of a sine at the level of the measurements.
    measuring_frequency : 50
        Frequency of that sine.
    """

    ratings: tuple[PowerRating, ...]
    minimum_load_ohm: Annotated[float | None, Plausible(0.5, 100.0, "ohm")] = None
    measuring_voltage: Annotated[float | None, Plausible(0.001, 300.0, "V")] = None
    measuring_frequency: Annotated[float | None, _Hertz] = None


class BoxTable(StrictTable, frozen=True, kw_only=True):
    """``[box]``: the subwoofer's box.

    Attributes
    ----------
    kind
        Kind of box.
    resonance : 38
        Closed: of the driver in the box; vented: of the driver in free air.
    q : 0.8
        Its total Q, in the box or in free air alike.
    tuning : 28
        Vented: tuning of the box.
    compliance_ratio : 1.5
        Vented: compliance of the driver over that of the box.
    leakage_q
        Vented: Q of the box's leakage.
    """

    kind: Literal["closed", "vented"]
    resonance: Annotated[float, Plausible(5.0, 150.0, "Hz")]
    q: Annotated[float, _Q]
    tuning: Annotated[float | None, Plausible(5.0, 100.0, "Hz")] = None
    compliance_ratio: Annotated[float | None, Plausible(0.05, 50.0, "times")] = None
    leakage_q: Annotated[float, Plausible(1.0, 1000.0, "as a Q")] = 7.0


class DriverTable(StrictTable, frozen=True, kw_only=True):
    """``[driver]``: what is needed to say how far it moves; counted in ``[load]``.

    Attributes
    ----------
    piston_area_m2 : 0.053
        Of one driver.
    largest_displacement : 0.014
        One way.
    sensitivity_db : 93
        Of the whole subwoofer, 2.83 V, 1 m, half space, above resonance.
    """

    piston_area_m2: Annotated[float, Plausible(0.002, 1.0, "m^2", "of one driver")]
    largest_displacement: Annotated[float, Plausible(0.0005, 0.1, "m", "one way, in metres")]
    sensitivity_db: Annotated[float, Plausible(60.0, 120.0, "dB SPL")]


class OutputLevelsTable(StrictTable, frozen=True, kw_only=True):
    """``[output]``: maximum output by third octave; one of file and levels.

    Attributes
    ----------
    edition
        Whose bursts and limits.
    distance : 2
        Of the microphone.
    detector
        What the levels are.
    file : "output.txt"
        Two columns, Hz and dB SPL.
    levels : { "25" = 102, "40" = 111 }
        Instead of a file, by nominal frequency.
    """

    edition: OutputEdition
    distance: Annotated[float, Plausible(0.1, 20.0, "m")]
    detector: Detector
    file: str | None = None
    levels: Annotated[ByBand | None, Plausible(30.0, 140.0, "dB SPL")] = None


class HeadroomTable(StrictTable, frozen=True, kw_only=True):
    """``[headroom]``: wanted level at the main seat, and what limits the drive.

    Attributes
    ----------
    wanted_spl_db : 95
        R.m.s., where the target is highest; or by third octave.
    main_seat : "sofa"
        The seat that is meant; without it most weight, else the first.
    distance : 3
        From subwoofer to main seat.
    room_gain_db : { "25" = 6, "40" = 3 }
        What the room adds to a level outdoors.
    drive_limit
        The drive may rise by the figure in [limits], or by what is left.
    """

    wanted_spl_db: Annotated[float | ByBand, _SPL]
    main_seat: str | None = None
    distance: Annotated[float | None, Plausible(0.3, 50.0, "m")] = None
    room_gain_db: Annotated[ByBand | None, Plausible(-40.0, 40.0, "dB")] = None
    drive_limit: Literal["flat", "headroom"] = "flat"


class ProtectionTable(StrictTable, frozen=True, kw_only=True):
    """``[device.present.protection]``: the device's own high-pass in force while measuring.

    Attributes
    ----------
    off
        Whether it is switched off; instead of corner.
    order : 2
        Where the device offers several.
    corner : 20
        As the device shows it.
    """

    off: bool = False
    order: int | None = None
    corner: Annotated[float | None, Plausible(5.0, 120.0, "Hz")] = None


class FilterTable(StrictTable, frozen=True, kw_only=True):
    """``[[mains_path]]``: an electrical filter in force in the mains' path while measuring.

    Attributes
    ----------
    kind : "high_pass"
        Kind of filter.
    family
        Its shape.
    order : 4
        6 dB per octave each: 1 to 8; linkwitz_riley 2, 4, 6, 8.
    corner : 80
        As its maker states it; of a low-pass from 20 Hz.
    where : "processor"
        In which device.
    """

    kind: Literal["low_pass", "high_pass"]
    family: Literal["linkwitz_riley", "butterworth"]
    order: int
    corner: Annotated[float, Plausible(*HIGH_PASS_SPAN, "Hz")]
    where: str = ""


class SubFilterTable(FilterTable, frozen=True, kw_only=True):
    """``[[path]]``: a filter in force in the subwoofer's path while measuring.

    Attributes
    ----------
    kind : "low_pass"
        Kind of filter.
    can_bypass
        Whether a low-pass can be switched off.
    """

    can_bypass: bool = True


class TimingTable(StrictTable, frozen=True, kw_only=True):
    """``[timing]``: whether phases of subwoofer and mains may be compared.

    Attributes
    ----------
    common_reference
        One time zero: a loopback, or a reference loudspeaker that stays.
    subwoofer
        Without one: what the deciding measurement of `join` told.
    """

    common_reference: bool
    subwoofer: Literal["late", "early"] | None = None


class FilterChoiceTable(FilterChoice, frozen=True, kw_only=True):
    """``high_pass`` and ``low_pass`` of ``[processor]``: corners and orders to choose from.

    Attributes
    ----------
    can_bypass
        Whether it can be switched off.
    """

    can_bypass: bool = True


class ProcessorTable(StrictTable, frozen=True, kw_only=True):
    """``[processor]``: what the processor upstream offers; negative delays are the mains'.

    Attributes
    ----------
    delay_lowest_ms : -20
        Of the subwoofer; negative delays the mains.
    delay_highest_ms : 20
        Of the subwoofer.
    delay_step_ms : 0.1
        Step of the delay.
    same_corner
        Whether one knob sets both corners.
    level_trim
        Whether it measures and trims the levels of all loudspeakers by itself.
    """

    delay_lowest_ms: Annotated[float | None, _Delay] = None
    delay_highest_ms: Annotated[float | None, _Delay] = None
    delay_step_ms: Annotated[float | None, Plausible(0.001, 50.0, "ms")] = None
    high_pass: FilterChoiceTable | None = None
    low_pass: FilterChoiceTable | None = None
    same_corner: bool = False
    level_trim: bool = False


class PathResponseTable(StrictTable, frozen=True, kw_only=True):
    """``[path_response]``: the subwoofer's path by itself, to find the filters in it.

    Attributes
    ----------
    file : "close.txt"
        A text export.
    taken
        Microphone close to the cone (and corrected), or at the terminals.
    """

    file: str
    taken: Literal["close", "electrical"] = "close"
