"""Parts of a plan, as they are kept in its file.

Conventions
-----------
Frozen records; unknown keys are refused. Levels and gains in dB, frequencies in Hz. Curves are on
the fit axis; seats by frequencies. Bands are named by the label of their nominal frequency. Reasons
and cautions are codes, the prose comes from `roomeq.report`. A plan as a whole, its file and its
format version are in `roomeq.plan.plan`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Self

from roomeq.base.record import Record
from roomeq.device.amplifier import Amplifier, Load
from roomeq.device.crossover import HighPass
from roomeq.device.found_band import FoundBand
from roomeq.optimiser.drive.headroom import BandHeadroom, Headroom
from roomeq.room.equipment import Equipment, WantedLevel

NOT_STATED, AS_IT_IS, THE_OTHER = "not stated", "as it is", "the other one"
"""What is set now where that is not stated; what is to be set where no figure can be told."""


class DeviceRecord(Record, frozen=True, kw_only=True):
    """The device's equaliser as the plan assumed it; `q` by magnitude of gain.

    `centres` in Hz, where the bands really lie; plans of before have none. `found` are the bands
    that were measured on the device.
    """

    name: str
    profile: str
    labels: tuple[str, ...]
    lowest_db: float
    highest_db: float
    step_db: float
    q_gain_db: tuple[float, ...]
    q: tuple[float, ...]
    q_measured: bool
    sample_rate: float | None
    measured_shapes: bool
    centres: tuple[float, ...] = ()
    found: tuple[FoundBand, ...] = ()


class TargetRecord(Record, frozen=True, kw_only=True):
    """The target in figures; `path` in words."""

    shape: str
    tilt_db_per_octave: float
    shelf_gain_db: float
    shelf_corner: float
    points: tuple[tuple[float, float], ...]
    lower_limit: float | None
    lower_limit_order: int | None
    near_field: bool
    path: tuple[str, ...]
    corner: float | None
    level_db: float | None
    lower_limit_estimated: bool = False
    upper_limit: float | None = None

    @property
    def limit_known(self) -> bool:
        """Whether the subwoofer's lower limit was stated or measured, not estimated."""
        return self.lower_limit is not None and not self.lower_limit_estimated


class LevelSetting(Record, frozen=True, kw_only=True):
    """The level knob.

    Attributes
    ----------
    exact_change_db : float
        Change that keeps (or reaches) the wanted loudness.
    change_db : float
        The same in the knob's steps.
    setting_db : float or None
        Absolute setting, where the present one is known.
    residual_db : float
        Exact less set: at most half a step, unless part must be set upstream.
    upstream_db : float
        To be set upstream, because the knob does not reach so far; 0 otherwise.
    """

    exact_change_db: float
    change_db: float
    setting_db: float | None
    residual_db: float
    upstream_db: float

    @property
    def upstream_shown_db(self) -> float:
        """What is to be set upstream, as it is told: to a tenth of a dB."""
        return round(self.upstream_db, 1)

    @property
    def changes(self) -> bool:
        """Whether the level is to be changed, here or upstream."""
        return self.change_db != 0 or self.upstream_shown_db != 0


class PresentRecord(Record, frozen=True, kw_only=True):
    """What was set while measuring, beside bands and level; None is not stated.

    Attributes
    ----------
    path, mains_path : tuple of str or None
        Filters in the path of subwoofer and mains, in words; empty where there were none.
    protection : HighPass or None
        The device's own high-pass; None is off where `protection_known`.
    protection_known : bool
    delay_ms : float or None
        Of the subwoofer against the mains, positive is later.
    polarity : {"normal", "inverted"} or None
    phase_deg, phase_frequency : float or None
        Of the phase control, and Hz at which its degrees hold.
    level_trim : bool
        Whether the processor trims levels by itself.
    gains_stated : bool
        Whether the bands' gains are stated; else they were taken for 0 dB.
    """

    path: tuple[str, ...] | None
    mains_path: tuple[str, ...] | None
    protection: HighPass | None
    protection_known: bool
    delay_ms: float | None
    polarity: Literal["normal", "inverted"] | None
    phase_deg: float | None
    phase_frequency: float | None
    level_trim: bool
    gains_stated: bool = True


def is_stated(present: PresentRecord | None, name: str) -> bool:
    """Return whether an attribute of what was set is stated; taken for so where nothing is kept."""
    value = True if present is None else getattr(present, name)
    return value is not None and value is not False


def setting_row(
    name: str, now: str, then: str, change: str = "", *, stated: bool
) -> tuple[str, str, str]:
    """Return a setting by name, what it is now and what it is to be, in words.

    Where the former is not `stated`, the latter is `change`, by default `then`, or as it is.
    """
    if stated:
        return name, now, then
    return name, NOT_STATED, AS_IT_IS if now == then else change or then


class SeatRow(Record, frozen=True, kw_only=True):
    """One seat: weight, and what it is judged by before and after."""

    seat: str
    weight: float
    before_db: float
    after_db: float


class SeatResult(SeatRow, frozen=True, kw_only=True):
    """One seat: weight, standard deviation before, after, and with gains chosen without it.

    In plans of format 1 it is the weighted deviation of the statement of that time.
    """

    left_out_after_db: float | None


class QCheck(Record, frozen=True, kw_only=True):
    """Deviation before and after, if every Q were `factor` times the assumed one."""

    factor: float
    before_db: float
    after_db: float


class Curves(Record, frozen=True, kw_only=True):
    """Curves on the fit axis: seats by frequencies, or frequencies.

    `average_error_db` is the error of the average over seats with all bands at 0, against the level
    it is brought to, and `shortfall_error_db` as far as a shortfall is to be made up; `trust`
    belongs to plans of format 1 alone.
    """

    frequencies: tuple[float, ...]
    before_level_db: tuple[tuple[float, ...], ...]
    predicted_level_db: tuple[tuple[float, ...], ...]
    target_level_db: tuple[float, ...]
    response_db: tuple[float, ...]
    present_response_db: tuple[float, ...]
    frequency_weights: tuple[float, ...]
    average_error_db: tuple[float, ...] = ()
    shortfall_error_db: tuple[float, ...] = ()
    trust: tuple[tuple[float, ...], ...] = ()


class Evidence(Record, frozen=True, kw_only=True):
    """Figures behind the proposal, in dB unless named otherwise.

    Attributes are those of `roomeq.optimiser.bands.fit.BandGainFit`; ``*_sd_db`` and
    ``*_excess_db`` those of `roomeq.optimiser.bands.task.PlainFigures`. `tail_start_db`
    belongs to plans of format 1 alone.
    """

    deviation_before_db: float
    deviation_db: float
    candidate_deviation_db: float
    best_deviation_db: float
    lower_bound_db: float
    gap_db: float
    proven: bool
    nodes: int
    average_sd_before_db: float
    average_sd_after_db: float
    seat_sd_before_db: float
    seat_sd_after_db: float
    largest_excess_before_db: float
    largest_excess_after_db: float
    filter_boost_db: float
    filter_boost_frequency: float
    drive_boost_db: float
    drive_boost_frequency: float
    power_ratio: float
    filter_boost_limit_db: float
    drive_boost_limit_db: float
    no_boost_below: float
    excess_weight: float
    repeatability_db: float | None
    q_checks: tuple[QCheck, ...]
    floor_cost_db: float | None = None
    dip_boost_db: float = 0.0
    tail_start_db: float | None = None


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
        wanted: WantedLevel,
        drive_limits_db: Sequence[float],
        quieter_db: float = 0.0,
    ) -> Self:
        """Return the record of a headroom; `drive_limits_db` has one figure for each band."""
        limited = zip(headroom.bands, drive_limits_db, strict=True)
        return cls.copied(
            headroom,
            wanted,
            equipment,
            bands=tuple(HeadroomRow.copied(row, drive_limit_db=limit) for row, limit in limited),
            first=None if headroom.first is None else headroom.first.label,
            output=None if equipment.output is None else str(equipment.output),
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
