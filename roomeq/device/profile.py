"""Device profiles: what a subwoofer's amplifier offers, read from TOML.

Conventions
-----------
Gains and levels in dB, frequencies in Hz, phase in degrees. A profile is named after a shipped one,
or is a file; nothing in it is guessed: what a device does not offer is left out of its file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from roomeq.base.toml_tables import Plausible, StrictTable
from roomeq.device.equaliser import FixedBandEqualiser

_Decibels = Plausible(-120.0, 60.0, "dB")
_Degrees = Plausible(-360.0, 360.0, "degrees")
_Corner = Plausible(1.0, 1000.0, "Hz")


class LevelKnob(StrictTable, frozen=True, kw_only=True):
    """``[level]``: the level knob.

    Attributes
    ----------
    lowest_db : -40.0
        Lowest setting, as the device calls it.
    highest_db : 0.0
        Highest setting.
    step_db : 0.5
        Step.
    real_step_db : 0.48
        What a step was found to give.
    """

    lowest_db: Annotated[float, _Decibels]
    highest_db: Annotated[float, _Decibels]
    step_db: Annotated[float, Plausible(0.0, 60.0, "dB")]
    real_step_db: Annotated[float | None, Plausible(0.0, 60.0, "dB")] = None

    @property
    def scale(self) -> float:
        """What the knob gives for each dB that it is turned."""
        return 1.0 if self.real_step_db is None else self.real_step_db / self.step_db


class FilterChoice(StrictTable, frozen=True, kw_only=True):
    """``[low_pass]`` or ``[protection]``: the corners and orders to choose from.

    Attributes
    ----------
    family
        Shape of the filter.
    orders : [4]
        On offer; 6 dB per octave each.
    corners : [60, 80, 100]
        On offer.
    can_bypass
        Whether it can be switched off.
    """

    family: Literal["butterworth", "linkwitz_riley"]
    orders: tuple[int, ...]
    corners: Annotated[tuple[float, ...], _Corner]
    can_bypass: bool


class PhaseControl(StrictTable, frozen=True, kw_only=True):
    """``[phase]``: a first-order all-pass, set in degrees of lag at one frequency.

    Attributes
    ----------
    lowest_deg : 0
        Lowest setting.
    highest_deg : 180
        Highest setting.
    step_deg : 15
        Step.
    frequency : 80
        At which the degrees hold.
    """

    lowest_deg: Annotated[float, _Degrees]
    highest_deg: Annotated[float, _Degrees]
    step_deg: Annotated[float, Plausible(0.0, 360.0, "degrees")]
    frequency: Annotated[float, _Corner]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Device:
    """A device as its profile describes it.

    Attributes
    ----------
    name : str
    note : str
    profile : str
        Name of the shipped profile, or the file as it was given.
    equaliser : FixedBandEqualiser
    level : LevelKnob or None
    low_pass, protection : FilterChoice or None
    phase : PhaseControl or None
    polarity : bool
        Whether polarity can be inverted.
    stored_settings : int
        0 where the device stores none.
    """

    name: str
    note: str
    profile: str
    equaliser: FixedBandEqualiser
    level: LevelKnob | None
    low_pass: FilterChoice | None
    protection: FilterChoice | None
    phase: PhaseControl | None
    polarity: bool
    stored_settings: int

    def __repr__(self) -> str:
        return f"<Device {self.name}: {self.equaliser!r}>"
