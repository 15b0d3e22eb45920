"""Parts of a verification, as they are printed or written as JSON.

Conventions
-----------
Frozen records. Differences are measured again less predicted, in dB.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

import msgspec

__all__ = [
    "BandCheck",
    "JoiningCheck",
    "JoiningLook",
    "LevelCheck",
    "SeatCheck",
    "StatedJoiningSetting",
    "StatedSetting",
    "SuspectedSetting",
    "Verification",
]


class _Record(msgspec.Struct, frozen=True, kw_only=True):
    """A part of a verification."""


class SeatCheck(_Record, frozen=True, kw_only=True):
    """One seat: root mean square difference in dB, and whether that is close enough."""

    seat: str
    difference_db: float
    agrees: bool


class BandCheck(_Record, frozen=True, kw_only=True):
    """One band, averaged over the seats.

    Attributes
    ----------
    label : str
    difference_db : float
        Measured again less predicted.
    unexplained_db : float
        What is left of it when the suspected settings, whose skirts reach into neighbouring bands,
        are allowed for; the same where nothing is suspected.
    agrees : bool
        Whether the difference is close enough.
    """

    label: str
    difference_db: float
    unexplained_db: float
    agrees: bool


class LevelCheck(_Record, frozen=True, kw_only=True):
    """The level knob, as far as the level at the seats tells.

    Attributes
    ----------
    difference_db : float
        Level at the seats less what the knob as planned gives.
    planned_db, looks_like_db : float or None
        Setting of the plan, and the one that would explain the difference if drive level and
        microphone gain were as before; None where the plan does not know it.
    agrees : bool
        Whether the difference is close enough.
    """

    difference_db: float
    planned_db: float | None
    looks_like_db: float | None
    agrees: bool


class SuspectedSetting(_Record, frozen=True, kw_only=True):
    """A band that looks as if it had been set to another gain than the plan says."""

    label: str
    planned_db: float
    looks_like_db: float


class StatedSetting(_Record, frozen=True, kw_only=True):
    """A control that the room measured again states to be set to something else than planned.

    `label` is that of the band, or ``level``.
    """

    label: str
    planned_db: float
    stated_db: float


class StatedJoiningSetting(_Record, frozen=True, kw_only=True):
    """A setting against the mains that is stated to be another than planned.

    `label` tells the unit of both values; a polarity is ``normal`` or ``inverted``.
    """

    label: Literal["delay_ms", "polarity", "phase_deg"]
    planned: float | str
    stated: float | str


class JoiningLook(StrEnum):
    """What the sum of subwoofer and mains looks like."""

    AS_PLANNED = "as_planned"
    OTHER_POLARITY = "other_polarity"
    AS_BEFORE = "as_before"
    OTHER_LEVEL = "other_level"
    SOMETHING_ELSE = "something_else"


class JoiningCheck(_Record, frozen=True, kw_only=True):
    """The sum of subwoofer and mains around the crossover.

    Attributes
    ----------
    agrees : bool
        Whether every seat is close enough.
    looks_like : JoiningLook
        The setting that the sum looks like.
    seats : tuple of SeatCheck
        Empty where both together were not measured again, and only the loss is judged.
    corner : float
        Hz.
    loss_db, predicted_loss_db : float
        What the sum loses around it, measured again and as predicted.
    """

    agrees: bool
    looks_like: JoiningLook
    seats: tuple[SeatCheck, ...]
    corner: float
    loss_db: float
    predicted_loss_db: float


class Verification(_Record, frozen=True, kw_only=True):
    """What agrees with a plan, what does not, and what was probably set wrongly.

    Attributes
    ----------
    room : str
    agrees : bool
        Whether every band, averaged over seats, every seat and the sum with the mains is close
        enough. The level has no part in it, for it need not compare.
    tolerance_db : float
        What "close enough" was: 1 dB, or twice the repeatability where that is more (common
        practice, no source).
    offset_db : float
        Level by which all seats differ from the prediction; removed from all other figures.
    level : LevelCheck
    seats : tuple of SeatCheck
    bands : tuple of BandCheck
    suspects : tuple of SuspectedSetting
        In order of what they explain; empty where no single band explains the difference.
    stated : tuple of StatedSetting
        Settings in force while measuring again that are stated and are not the plan's.
    stated_joining : tuple of StatedJoiningSetting
        The same of delay, polarity and phase control; empty where the plan joins nothing.
    not_measured_again : tuple of str
        Seats of the plan that are missing.
    joining : JoiningCheck or None
        None where the plan joins nothing, or what tells how both join was not measured again.
    joining_unchecked : bool
        Whether the plan joins both, and that was not checked.
    """

    room: str
    agrees: bool
    tolerance_db: float
    offset_db: float
    level: LevelCheck
    seats: tuple[SeatCheck, ...]
    bands: tuple[BandCheck, ...]
    suspects: tuple[SuspectedSetting, ...]
    stated: tuple[StatedSetting, ...]
    not_measured_again: tuple[str, ...]
    joining: JoiningCheck | None = None
    stated_joining: tuple[StatedJoiningSetting, ...] = ()
    joining_unchecked: bool = False

    def __repr__(self) -> str:
        said = "agrees with" if self.agrees else "does not agree with"
        return f"<Verification: {self.room} {said} its plan, {len(self.suspects)} suspects>"

    @property
    def stated_as_planned(self) -> bool:
        """Whether no stated setting is another than planned."""
        return not self.stated and not self.stated_joining

    def to_json(self) -> bytes:
        """Return the verification as JSON text."""
        return msgspec.json.format(msgspec.json.encode(self), indent=1) + b"\n"
