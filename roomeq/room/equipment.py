"""What is known of amplifier, load, driver and protective high-pass, and the level that is wanted.

Conventions
-----------
What is not known is None. Voltages in V root mean square, distances in m, frequencies in Hz. A
wanted level is dB SPL, root mean square, in each third octave at the main seat.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from roomeq.device.amplifier import Amplifier, Load
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.driver import Box, Driver
from roomeq.device.output_table import OutputTable

if TYPE_CHECKING:
    from roomeq.analysis.sweeps.distortion import Distortion


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Equipment:
    """Amplifier, load, driver and protective high-pass.

    Attributes
    ----------
    amplifier : Amplifier or None
    load : Load or None
    box : ClosedBox or VentedBox or None
    driver : Driver or None
        In that box.
    output : OutputTable or None
        Maximum output by third octave.
    measuring_voltage, measuring_frequency : float or None
        At the terminals, with a sine of that frequency at the level of the measurements.
    protection : CrossoverFilter or None
        The device's own protective high-pass in force while measuring; None is off, or not known.
    protection_known : bool

    Raises
    ------
    ValueError
        If the load is below the amplifier's minimum.
    """

    amplifier: Amplifier | None = None
    load: Load | None = None
    box: Box | None = None
    driver: Driver | None = None
    output: OutputTable | None = None
    measuring_voltage: float | None = None
    measuring_frequency: float | None = None
    protection: CrossoverFilter | None = None
    protection_known: bool = False

    def __post_init__(self) -> None:
        if self.amplifier is not None and self.load is not None:
            self.amplifier.check_load(self.load)

    @property
    def rated_voltage(self) -> float | None:
        """What the amplifier may give into the load, in V; None where either is not known."""
        if self.amplifier is None or self.load is None:
            return None
        return self.amplifier.rated_voltage(self.load)

    @property
    def stated(self) -> bool:
        """Whether anything but the high-pass is known."""
        known = (self.amplifier, self.load, self.box, self.driver, self.output)
        return any(entry is not None for entry in known)

    @property
    def knows_level(self) -> bool:
        """Whether the level outdoors follows from voltage, driver and box."""
        return self.driver is not None and self.measuring_voltage is not None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WantedLevel:
    """How loud it is to become, and where.

    Attributes
    ----------
    spl_db : float or mapping of str to float
        As `roomeq.optimiser.drive.demand.wanted_by_band_db` takes it.
    main_seat : str
    distance : float or None
        From the subwoofer to the main seat.
    room_gain_db : mapping of str to float
        What the room adds to a level outdoors, by label of the band; empty where it is not known.
    drive_limit : {"flat", "headroom"}
        Whether the drive limit is one figure or follows the headroom.
    distortion : Distortion or None
        From a recorded sweep at the main seat.
    """

    spl_db: float | Mapping[str, float]
    main_seat: str
    distance: float | None = None
    room_gain_db: Mapping[str, float] = field(default_factory=dict)
    drive_limit: Literal["flat", "headroom"] = "flat"
    distortion: Distortion | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "room_gain_db", MappingProxyType(dict(self.room_gain_db)))
        if isinstance(self.spl_db, Mapping):
            object.__setattr__(self, "spl_db", MappingProxyType(dict(self.spl_db)))
