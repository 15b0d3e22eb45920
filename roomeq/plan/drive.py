"""Headroom at the wanted level, as a plan keeps it.

Conventions
-----------
As in `roomeq.plan.records`. Bands are named by the label of their nominal frequency; what is not
known is None. Records keep figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Self

from roomeq.base.record import Record
from roomeq.device.amplifier import Amplifier, Load
from roomeq.optimiser.drive.headroom import BandHeadroom, Headroom
from roomeq.room.equipment import Equipment

__all__ = [
    "HeadroomRecord",
    "HeadroomRow",
]


class HeadroomRow(BandHeadroom, frozen=True, kw_only=True):
    """One band at the wanted level, and what the drive might rise there at the same loudness."""

    drive_limit_db: float


class HeadroomRecord(Record, frozen=True, kw_only=True):
    """What the wanted level leaves, band by band.

    Attributes
    ----------
    main_seat : str
        Where the level is wanted.
    bands : tuple of HeadroomRow
        Ascending.
    first : str or None
        Band that runs out first; None where nothing is known.
    rated_voltage : float or None
        What the amplifier may give into the load, in V.
    room_gain_known : bool
    amplifier : Amplifier or None
    load : Load or None
    output : str or None
        The table of maximum output in words: bands, edition, detector, distance.
    drive_limit : {"flat", "headroom"}
        Whether the drive limit of the band gains was one figure or followed the headroom.
    quieter_db : float
        How far below the wanted level the figures are, because not all bands can give it.
    """

    main_seat: str
    bands: tuple[HeadroomRow, ...]
    first: str | None
    rated_voltage: float | None
    room_gain_known: bool
    amplifier: Amplifier | None
    load: Load | None
    output: str | None
    drive_limit: Literal["flat", "headroom"]
    quieter_db: float = 0.0

    @classmethod
    def of(
        cls,
        headroom: Headroom,
        *,
        equipment: Equipment,
        main_seat: str,
        output: str | None,
        drive_limit: Literal["flat", "headroom"],
        drive_limits_db: Sequence[float],
        quieter_db: float = 0.0,
    ) -> Self:
        """Return the record of a headroom; `drive_limits_db` has one figure for each band."""
        limited = zip(headroom.bands, drive_limits_db, strict=True)
        return cls(
            main_seat=main_seat,
            bands=tuple(HeadroomRow.copied(row, drive_limit_db=limit) for row, limit in limited),
            first=None if headroom.first is None else headroom.first.label,
            rated_voltage=headroom.rated_voltage,
            room_gain_known=headroom.room_gain_known,
            amplifier=equipment.amplifier,
            load=equipment.load,
            output=output,
            drive_limit=drive_limit,
            quieter_db=quieter_db,
        )

    def headroom(self) -> Headroom:
        """Return the headroom."""
        return Headroom(
            bands=tuple(BandHeadroom.copied(row) for row in self.bands),
            rated_voltage=self.rated_voltage,
            room_gain_known=self.room_gain_known,
        )

    def equipment(self) -> Equipment:
        """Return amplifier and load."""
        return Equipment(amplifier=self.amplifier, load=self.load)

    def drive_limit_at_db(self, label: str) -> float | None:
        """Return the drive limit in a band, in dB; None where the band was not looked at."""
        return next((row.drive_limit_db for row in self.bands if row.label == label), None)
