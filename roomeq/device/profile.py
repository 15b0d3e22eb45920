"""Device profiles: what a subwoofer's amplifier offers, read from TOML.

Conventions
-----------
Gains and levels in dB, frequencies in Hz, phase in degrees. A profile is named after a shipped one,
or is a file; nothing in it is guessed: what a device does not offer is left out of its file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from roomeq.base.toml_tables import StrictTable
from roomeq.device.equaliser import FixedBandEqualiser

__all__ = ["Device", "LevelKnob", "PhaseControl"]


class LevelKnob(StrictTable, frozen=True, kw_only=True):
    """``[level]``: the level knob, in dB.

    Attributes
    ----------
    lowest_db, highest_db, step_db : float
        Range and step, as the device calls them.
    real_step_db : float or None
        What a step was found to give; None where it was not measured.
    """

    lowest_db: float
    highest_db: float
    step_db: float
    real_step_db: float | None = None

    @property
    def scale(self) -> float:
        """What the knob gives for each dB that it is turned."""
        return 1.0 if self.real_step_db is None else self.real_step_db / self.step_db


class FilterChoice(StrictTable, frozen=True, kw_only=True):
    """``[low_pass]`` or ``[protection]``: the corners and orders to choose from.

    Attributes
    ----------
    family : str
    orders : tuple of int
        6 dB per octave each.
    corners : tuple of float
        Hz.
    can_bypass : bool
        Whether the filter can be switched off.
    """

    family: Literal["butterworth", "linkwitz_riley"]
    orders: tuple[int, ...]
    corners: tuple[float, ...]
    can_bypass: bool


class PhaseControl(StrictTable, frozen=True, kw_only=True):
    """``[phase]``: a first-order all-pass, set in degrees of lag at one frequency.

    Attributes
    ----------
    lowest_deg, highest_deg, step_deg : float
        Range and step.
    frequency : float
        Hz at which the degrees hold.
    """

    lowest_deg: float
    highest_deg: float
    step_deg: float
    frequency: float


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
