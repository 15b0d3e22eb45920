"""Tables of a room file that speak of amplifier, load, driver and wanted level.

Conventions
-----------
As in `roomeq.importers.room_file.schema`, which holds the other tables: one frozen value for each
TOML table, None means that the file does not say it. Frequencies in Hz, lengths in m, voltages in V
root mean square; anything else carries its unit in its name. From where to where a number is
plausible stands beside it; what the values must satisfy together is checked in
`roomeq.importers.room_file.headroom_checks`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from roomeq.base.toml_tables import Plausible, StrictTable
from roomeq.device.amplifier import PowerRating
from roomeq.device.output_table import Detector, OutputEdition

__all__ = [
    "AmplifierTable",
    "BoxTable",
    "DriverTable",
    "HeadroomTable",
    "OutputLevelsTable",
    "ProtectionTable",
]


class AmplifierTable(StrictTable, frozen=True, kw_only=True):
    """``[amplifier]``: ratings, lowest load, and what stood at the terminals while measuring.

    Attributes
    ----------
    ratings : tuple of PowerRating
    minimum_load_ohm : float, optional
        Lowest nominal load; the lowest rated one where it is not stated.
    measuring_voltage, measuring_frequency : float, optional
        V at the terminals, read with a sine of that frequency at the level of the measurements.
    """

    ratings: tuple[PowerRating, ...]
    minimum_load_ohm: Annotated[float, Plausible(0.5, 100.0, "ohm")] | None = None
    measuring_voltage: Annotated[float, Plausible(0.001, 300.0, "V")] | None = None
    measuring_frequency: Annotated[float, Plausible(10.0, 300.0, "Hz")] | None = None


class BoxTable(StrictTable, frozen=True, kw_only=True):
    """``[box]``: closed (resonance and Q in it), or vented (tuning, and the driver in free air)."""

    kind: Literal["closed", "vented"]
    resonance: Annotated[float, Plausible(5.0, 150.0, "Hz")]
    q: Annotated[float, Plausible(0.1, 5.0, "as a Q")]
    tuning: Annotated[float, Plausible(5.0, 100.0, "Hz")] | None = None
    compliance_ratio: Annotated[float, Plausible(0.05, 50.0, "times")] | None = None
    leakage_q: Annotated[float, Plausible(1.0, 1000.0, "as a Q")] = 7.0


class DriverTable(StrictTable, frozen=True, kw_only=True):
    """``[driver]``: what is needed to say how far it moves; counted in ``[load]``.

    `sensitivity_db` is that of the whole subwoofer: dB SPL at 1 m in half space for 2.83 V, far
    above resonance.
    """

    piston_area_m2: Annotated[float, Plausible(0.002, 1.0, "m^2", "of one driver")]
    largest_displacement: Annotated[float, Plausible(0.0005, 0.1, "m", "one way, in metres")]
    sensitivity_db: Annotated[float, Plausible(60.0, 120.0, "dB SPL")]


class OutputLevelsTable(StrictTable, frozen=True, kw_only=True):
    """``[output]``: maximum output by third octave, as a file or typed here; edition stated."""

    edition: OutputEdition
    distance: Annotated[float, Plausible(0.1, 20.0, "m")]
    detector: Detector
    file: str | None = None
    levels: dict[str, float] | None = None


class HeadroomTable(StrictTable, frozen=True, kw_only=True):
    """``[headroom]``: wanted level at the main seat, and what limits the drive.

    Attributes
    ----------
    wanted_spl_db : float or dict of str to float
        dB SPL, root mean square, in each third octave: one figure where the target is highest, or
        figures by nominal frequency.
    main_seat : str, optional
        By default the seat with most weight, the first of several.
    distance : float, optional
        From the subwoofer to the main seat, in m.
    room_gain_db : dict of str to float, optional
        What the room adds to a level outdoors, by nominal frequency.
    drive_limit : {"flat", "headroom"}
        Whether the drive limit is the flat figure of ``[limits]`` or follows the headroom.
    """

    wanted_spl_db: float | dict[str, float]
    main_seat: str | None = None
    distance: Annotated[float, Plausible(0.3, 50.0, "m")] | None = None
    room_gain_db: dict[str, float] | None = None
    drive_limit: Literal["flat", "headroom"] = "flat"


class ProtectionTable(StrictTable, frozen=True, kw_only=True):
    """``[device.present.protection]``: the device's own high-pass in force while measuring.

    ``off = true``, or its corner (and order, where the device offers several). Without the table it
    is not known.
    """

    off: bool = False
    order: int | None = None
    corner: Annotated[float, Plausible(5.0, 120.0, "Hz")] | None = None
