"""Parts of a plan that speak of drive: high-pass, extra drive, headroom at the wanted level.

Conventions
-----------
As in `roomeq.plan.records`. Bands are named by the label of their nominal frequency; what is not
known is None. Records keep figures; `ProtectionSetting.choice`, `HeadroomRecord.headroom` and
`HeadroomRecord.playback` give back the values that they were made from, for reports.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Self

from roomeq.base.bands import third_octave_band
from roomeq.device.amplifier import Amplifier, Load, PowerRating
from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.drive.demand import BandExtra
from roomeq.optimiser.drive.headroom import BandHeadroom, Headroom, HeadroomLimit, Playback
from roomeq.optimiser.drive.protection import (
    ProtectionCandidate,
    ProtectionChange,
    ProtectionChoice,
    ProtectionReason,
)
from roomeq.plan.records import PlanRecord

__all__ = [
    "AmplifierRecord",
    "CandidateRecord",
    "ExtraDriveRow",
    "HeadroomRecord",
    "HeadroomRow",
    "HighPassRecord",
    "LoadRecord",
    "ProtectionSetting",
    "RatingRecord",
]


class HighPassRecord(PlanRecord, frozen=True, kw_only=True):
    """A protective high-pass."""

    family: Literal["butterworth", "linkwitz_riley"]
    order: int
    corner: float

    @classmethod
    def of(cls, high_pass: CrossoverFilter | None) -> Self | None:
        """Return the record of a filter; None for off."""
        if high_pass is None:
            return None
        return cls(family=high_pass.family, order=high_pass.order, corner=high_pass.corner)

    def filter(self) -> CrossoverFilter:
        """Return the filter."""
        return CrossoverFilter(
            kind="high_pass", family=self.family, order=self.order, corner=self.corner
        )


def _filter(record: HighPassRecord | None) -> CrossoverFilter | None:
    return None if record is None else record.filter()


class CandidateRecord(PlanRecord, frozen=True, kw_only=True):
    """A high-pass on offer; see `roomeq.optimiser.drive.protection.ProtectionCandidate`."""

    high_pass: HighPassRecord | None
    weaker: bool
    loss_db: float
    shortage_db: float
    refused: ProtectionReason | None
    refused_at: float | None


class ProtectionSetting(PlanRecord, frozen=True, kw_only=True):
    """The protective high-pass to set, or to leave, and why.

    Attributes are those of `roomeq.optimiser.drive.protection.ProtectionChoice`; a high-pass of
    None is off, or not known where `reason` is "present_unknown".
    """

    high_pass: HighPassRecord | None
    present: HighPassRecord | None
    change: ProtectionChange
    reason: ProtectionReason
    band: str | None
    value_db: float | None
    unrelieved: str | None
    unrelieved_db: float | None
    candidates: tuple[CandidateRecord, ...]

    @classmethod
    def of(cls, choice: ProtectionChoice) -> Self:
        """Return the record of a choice."""
        return cls(
            high_pass=HighPassRecord.of(choice.high_pass),
            present=HighPassRecord.of(choice.present),
            change=choice.change,
            reason=choice.reason,
            band=None if choice.band is None else choice.band.label,
            value_db=choice.value_db,
            unrelieved=None if choice.unrelieved is None else choice.unrelieved.label,
            unrelieved_db=choice.unrelieved_db,
            candidates=tuple(
                CandidateRecord(
                    high_pass=HighPassRecord.of(entry.high_pass),
                    weaker=entry.weaker,
                    loss_db=entry.loss_db,
                    shortage_db=entry.shortage_db,
                    refused=entry.refused,
                    refused_at=entry.refused_at,
                )
                for entry in choice.candidates
            ),
        )

    @property
    def changes(self) -> bool:
        """Whether it is to be set differently from now."""
        return self.change is not ProtectionChange.KEPT

    def choice(self) -> ProtectionChoice:
        """Return the choice."""
        return ProtectionChoice(
            high_pass=_filter(self.high_pass),
            present=_filter(self.present),
            change=self.change,
            reason=self.reason,
            band=None if self.band is None else third_octave_band(float(self.band)),
            value_db=self.value_db,
            unrelieved=None
            if self.unrelieved is None
            else third_octave_band(float(self.unrelieved)),
            unrelieved_db=self.unrelieved_db,
            candidates=tuple(
                ProtectionCandidate(
                    high_pass=_filter(entry.high_pass),
                    weaker=entry.weaker,
                    loss_db=entry.loss_db,
                    shortage_db=entry.shortage_db,
                    refused=entry.refused,
                    refused_at=entry.refused_at,
                )
                for entry in self.candidates
            ),
        )


class ExtraDriveRow(PlanRecord, frozen=True, kw_only=True):
    """What gains and level ask of a band; see `roomeq.optimiser.drive.demand.BandExtra`."""

    label: str
    extra_db: float
    voltage_ratio: float
    power_ratio: float
    displacement_ratio: float
    displacement_db: float | None

    @classmethod
    def of(cls, extra: BandExtra) -> Self:
        """Return the record of a band."""
        return cls(
            label=extra.band.label,
            extra_db=extra.extra_db,
            voltage_ratio=extra.voltage_ratio,
            power_ratio=extra.power_ratio,
            displacement_ratio=extra.displacement_ratio,
            displacement_db=extra.displacement_db,
        )

    def extra(self) -> BandExtra:
        """Return the band."""
        return BandExtra(
            band=third_octave_band(float(self.label)),
            extra_db=self.extra_db,
            voltage_ratio=self.voltage_ratio,
            power_ratio=self.power_ratio,
            displacement_ratio=self.displacement_ratio,
            displacement_db=self.displacement_db,
        )


class HeadroomRow(PlanRecord, frozen=True, kw_only=True):
    """One band at the wanted level; see `roomeq.optimiser.drive.headroom.BandHeadroom`.

    `limit` and `left_db` say what runs out first in the band, and how much is left until then;
    `drive_limit_db` what the drive might rise there at the same loudness.
    """

    label: str
    wanted_db: float
    reached_db: float
    rise_db: float
    voltage: float | None
    power_w: float | None
    displacement: float | None
    amplifier_db: float | None
    displacement_db: float | None
    distortion_db: float | None
    output_db: float | None
    assured_db: float | None
    limit: HeadroomLimit | None
    left_db: float | None
    drive_limit_db: float

    @classmethod
    def of(cls, entry: BandHeadroom, *, drive_limit_db: float) -> Self:
        """Return the record of a band."""
        return cls(
            label=entry.band.label,
            wanted_db=entry.wanted_db,
            reached_db=entry.reached_db,
            rise_db=entry.rise_db,
            voltage=entry.voltage,
            power_w=entry.power_w,
            displacement=entry.displacement,
            amplifier_db=entry.amplifier_db,
            displacement_db=entry.displacement_db,
            distortion_db=entry.distortion_db,
            output_db=entry.output_db,
            assured_db=entry.assured_db,
            limit=entry.limit,
            left_db=entry.least_db,
            drive_limit_db=drive_limit_db,
        )

    def entry(self) -> BandHeadroom:
        """Return the band."""
        return BandHeadroom(
            band=third_octave_band(float(self.label)),
            wanted_db=self.wanted_db,
            reached_db=self.reached_db,
            rise_db=self.rise_db,
            voltage=self.voltage,
            power_w=self.power_w,
            displacement=self.displacement,
            amplifier_db=self.amplifier_db,
            displacement_db=self.displacement_db,
            distortion_db=self.distortion_db,
            output_db=self.output_db,
            assured_db=self.assured_db,
        )


class RatingRecord(PlanRecord, frozen=True, kw_only=True):
    """Continuous sine power into one rated load."""

    power_w: float
    load_ohm: float


class AmplifierRecord(PlanRecord, frozen=True, kw_only=True):
    """The amplifier's ratings and its lowest load where the maker states one."""

    ratings: tuple[RatingRecord, ...]
    minimum_load_ohm: float | None

    @classmethod
    def of(cls, amplifier: Amplifier | None) -> Self | None:
        """Return the record of an amplifier."""
        if amplifier is None:
            return None
        return cls(
            ratings=tuple(
                RatingRecord(power_w=rating.power_w, load_ohm=rating.load_ohm)
                for rating in amplifier.ratings
            ),
            minimum_load_ohm=amplifier.minimum_load_ohm,
        )


class LoadRecord(PlanRecord, frozen=True, kw_only=True):
    """The drivers as they are wired; see `roomeq.device.amplifier.Load`."""

    driver_nominal_ohm: float
    in_series: int
    in_parallel: int
    driver_minimum_ohm: float | None

    @classmethod
    def of(cls, load: Load | None) -> Self | None:
        """Return the record of a load."""
        if load is None:
            return None
        return cls(
            driver_nominal_ohm=load.driver_nominal_ohm,
            in_series=load.in_series,
            in_parallel=load.in_parallel,
            driver_minimum_ohm=load.driver_minimum_ohm,
        )


class HeadroomRecord(PlanRecord, frozen=True, kw_only=True):
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
    amplifier : AmplifierRecord or None
    load : LoadRecord or None
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
    amplifier: AmplifierRecord | None
    load: LoadRecord | None
    output: str | None
    drive_limit: Literal["flat", "headroom"]
    quieter_db: float = 0.0

    @classmethod
    def of(
        cls,
        headroom: Headroom,
        *,
        playback: Playback,
        main_seat: str,
        output: str | None,
        drive_limit: Literal["flat", "headroom"],
        drive_limits_db: Sequence[float],
        quieter_db: float = 0.0,
    ) -> Self:
        """Return the record of a headroom; `drive_limits_db` has one figure for each band."""
        first = headroom.first
        return cls(
            main_seat=main_seat,
            bands=tuple(
                HeadroomRow.of(entry, drive_limit_db=limit_db)
                for entry, limit_db in zip(headroom.bands, drive_limits_db, strict=True)
            ),
            first=None if first is None else first.band.label,
            rated_voltage=headroom.rated_voltage,
            room_gain_known=headroom.room_gain_known,
            amplifier=AmplifierRecord.of(playback.amplifier),
            load=LoadRecord.of(playback.load),
            output=output,
            drive_limit=drive_limit,
            quieter_db=quieter_db,
        )

    def headroom(self) -> Headroom:
        """Return the headroom."""
        return Headroom(
            bands=tuple(row.entry() for row in self.bands),
            rated_voltage=self.rated_voltage,
            room_gain_known=self.room_gain_known,
        )

    def playback(self) -> Playback:
        """Return amplifier and load."""
        amplifier, load = self.amplifier, self.load
        return Playback(
            amplifier=None
            if amplifier is None
            else Amplifier(
                ratings=tuple(
                    PowerRating(power_w=entry.power_w, load_ohm=entry.load_ohm)
                    for entry in amplifier.ratings
                ),
                minimum_load_ohm=amplifier.minimum_load_ohm,
            ),
            load=None
            if load is None
            else Load(
                driver_nominal_ohm=load.driver_nominal_ohm,
                in_series=load.in_series,
                in_parallel=load.in_parallel,
                driver_minimum_ohm=load.driver_minimum_ohm,
            ),
        )

    def drive_limit_at_db(self, label: str) -> float | None:
        """Return the drive limit in a band, in dB; None where the band was not looked at."""
        return next((row.drive_limit_db for row in self.bands if row.label == label), None)
