"""Tables of a room file that speak of amplifier, load, driver and wanted level.

Conventions
-----------
As in `roomeq.importers.room_file.schema`, which holds the other tables: one frozen value for each
TOML table, None means that the file does not say it. Frequencies in Hz, lengths in m, voltages in V
root mean square; anything else carries its unit in its name. What the values must satisfy together
is checked in `roomeq.importers.room_file.headroom_checks`.
"""

from __future__ import annotations

from typing import Literal

from roomeq.base.toml_tables import StrictTable
from roomeq.device.output_table import Detector, OutputEdition

__all__ = [
    "AmplifierTable",
    "BoxTable",
    "DriverTable",
    "HeadroomTable",
    "LoadTable",
    "OutputLevelsTable",
    "ProtectionTable",
    "RatingTable",
]


class RatingTable(StrictTable, frozen=True, kw_only=True):
    """``[[amplifier.ratings]]``: continuous sine power into one rated load."""

    power_w: float
    load_ohm: float


class AmplifierTable(StrictTable, frozen=True, kw_only=True):
    """``[amplifier]``: ratings, lowest load, and what stood at the terminals while measuring.

    Attributes
    ----------
    ratings : tuple of RatingTable
    minimum_load_ohm : float, optional
        Lowest nominal load; the lowest rated one where it is not stated.
    measuring_voltage, measuring_frequency : float, optional
        V at the terminals, read with a sine of that frequency at the level of the measurements.
    """

    ratings: tuple[RatingTable, ...]
    minimum_load_ohm: float | None = None
    measuring_voltage: float | None = None
    measuring_frequency: float | None = None


class LoadTable(StrictTable, frozen=True, kw_only=True):
    """``[load]``: equal drivers as they are wired to the amplifier."""

    driver_nominal_ohm: float
    in_series: int = 1
    in_parallel: int = 1
    driver_minimum_ohm: float | None = None


class BoxTable(StrictTable, frozen=True, kw_only=True):
    """``[box]``: closed (resonance and Q in it), or vented (tuning, and the driver in free air)."""

    kind: Literal["closed", "vented"]
    resonance: float
    q: float
    tuning: float | None = None
    compliance_ratio: float | None = None
    leakage_q: float = 7.0


class DriverTable(StrictTable, frozen=True, kw_only=True):
    """``[driver]``: what is needed to say how far it moves; counted in ``[load]``.

    `sensitivity_db` is that of the whole subwoofer: dB SPL at 1 m in half space for 2.83 V, far
    above resonance.
    """

    piston_area_m2: float
    largest_displacement: float
    sensitivity_db: float


class OutputLevelsTable(StrictTable, frozen=True, kw_only=True):
    """``[output]``: maximum output by third octave, as a file or typed here; edition stated."""

    edition: OutputEdition
    distance: float
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
    distance: float | None = None
    room_gain_db: dict[str, float] | None = None
    drive_limit: Literal["flat", "headroom"] = "flat"


class ProtectionTable(StrictTable, frozen=True, kw_only=True):
    """``[device.present.protection]``: the device's own high-pass in force while measuring.

    ``off = true``, or its corner (and order, where the device offers several). Without the table it
    is not known.
    """

    off: bool = False
    order: int | None = None
    corner: float | None = None
