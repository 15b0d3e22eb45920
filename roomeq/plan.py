"""Plan: settings, prediction, reasons and cautions, kept as a JSON file.

Conventions
-----------
Settings are absolute. Levels and gains in dB, frequencies in Hz. Curves are on the fit axis; seats
by frequencies. Reasons and cautions are codes, the prose comes from `roomeq.report`. A file carries
a format version; unknown keys are refused. JSON keeps every digit of a float, so that a plan opens
with the same settings and the same prediction.
"""

from __future__ import annotations

import os
import tempfile
from enum import StrEnum
from html import escape
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from roomeq.errors import PlanFileError
from roomeq.optimiser.band_frame import band_frame
from roomeq.optimiser.band_gain_fit import NoChange
from roomeq.optimiser.reasons import Reason

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = [
    "PLAN_FORMAT",
    "BandSetting",
    "Caution",
    "CautionCode",
    "Curves",
    "DeviceRecord",
    "Evidence",
    "InputRecord",
    "LevelSetting",
    "Plan",
    "QCheck",
    "SeatResult",
    "TargetRecord",
    "read_plan",
    "write_plan",
]

PLAN_FORMAT = 1


class CautionCode(StrEnum):
    """What the reader should know before turning a knob."""

    BAND_LEVELS_ONLY = "band_levels_only"
    FEW_SEATS = "few_seats"
    IMPROVEMENT_LOST_AT_OTHER_Q = "improvement_lost_at_other_q"
    LEVEL_OUTSIDE_RANGE = "level_outside_range"
    LOUDNESS_CUT = "loudness_cut"
    NOISE_UNKNOWN = "noise_unknown"
    NOT_PROVEN = "not_proven"
    ONE_SEAT_STANDS_OUT = "one_seat_stands_out"
    Q_ASSUMED = "q_assumed"
    SEAT_GETS_WORSE = "seat_gets_worse"
    UNMEASURED_SEAT_MAY_GET_WORSE = "unmeasured_seat_may_get_worse"
    WORKS_HARDER = "works_harder"


_RESERVATIONS = frozenset(
    {
        CautionCode.IMPROVEMENT_LOST_AT_OTHER_Q,
        CautionCode.LEVEL_OUTSIDE_RANGE,
        CautionCode.LOUDNESS_CUT,
        CautionCode.NOT_PROVEN,
        CautionCode.SEAT_GETS_WORSE,
        CautionCode.UNMEASURED_SEAT_MAY_GET_WORSE,
    }
)


class _Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A part of a plan: frozen, unknown keys refused."""


class InputRecord(_Record, frozen=True, kw_only=True):
    """A file that the plan was made from, with its SHA-256 digest."""

    file: str
    role: str
    sha256: str


class DeviceRecord(_Record, frozen=True, kw_only=True):
    """The device's equaliser as the plan assumed it; `q` by magnitude of gain."""

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


class TargetRecord(_Record, frozen=True, kw_only=True):
    """The target in figures; `path` in words."""

    shape: str
    tilt_db_per_octave: float
    shelf_gain_db: float
    shelf_corner: float
    points: tuple[tuple[float, float], ...]
    lower_limit: float | None
    lower_limit_order: int
    near_field: bool
    path: tuple[str, ...]
    corner: float | None
    level_db: float | None


class BandSetting(_Record, frozen=True, kw_only=True):
    """One band: setting, what it answers, why. See `roomeq.optimiser.reasons.BandReason`."""

    label: str
    centre: float
    present_db: float
    gain_db: float
    best_gain_db: float
    error_db: float | None
    spread_db: float | None
    remaining_db: float | None
    reason: Reason | None


class LevelSetting(_Record, frozen=True, kw_only=True):
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


class SeatResult(_Record, frozen=True, kw_only=True):
    """One seat: weight, deviation before and after, and with gains chosen without it."""

    seat: str
    weight: float
    before_db: float
    after_db: float
    left_out_after_db: float | None


class QCheck(_Record, frozen=True, kw_only=True):
    """Deviation before and after, if every Q were `factor` times the assumed one."""

    factor: float
    before_db: float
    after_db: float


class Caution(_Record, frozen=True, kw_only=True):
    """A caution with the figure and the name it speaks of, where there is one."""

    code: CautionCode
    value: float | None = None
    name: str | None = None


class Curves(_Record, frozen=True, kw_only=True):
    """Curves on the fit axis: seats by frequencies, or frequencies."""

    frequencies: tuple[float, ...]
    before_level_db: tuple[tuple[float, ...], ...]
    predicted_level_db: tuple[tuple[float, ...], ...]
    target_level_db: tuple[float, ...]
    response_db: tuple[float, ...]
    present_response_db: tuple[float, ...]
    frequency_weights: tuple[float, ...]
    trust: tuple[tuple[float, ...], ...]


class Evidence(_Record, frozen=True, kw_only=True):
    """Figures behind the proposal, in dB unless named otherwise.

    Attributes are those of `roomeq.optimiser.band_gains.BandGainFit`; ``*_sd_db`` and
    ``*_excess_db`` those of `roomeq.optimiser.deviations.PlainFigures`.
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
    tail_start_db: float
    repeatability_db: float | None
    q_checks: tuple[QCheck, ...]


class Plan(_Record, frozen=True, kw_only=True):
    """What to set, what it will do, why, and what it was made from.

    Attributes
    ----------
    format : int
        Format version of the file.
    roomeq_version : str
        Release that made the plan.
    room, record : str, dict
        Name of the room; date, person, instrument as far as the room file tells.
    source : {"sub", "mains", "both"}
        Measurements that were fitted.
    level_reference : {"spl", "relative"}
        Whether levels are dB SPL.
    inputs : tuple of InputRecord
    device : DeviceRecord
    target : TargetRecord
    bands : tuple of BandSetting
    level : LevelSetting
    no_change : NoChange or None
        Why the present gains are kept; None where a change is proposed.
    seats : tuple of SeatResult
    evidence : Evidence
    curves : Curves
    cautions : tuple of Caution
    assumptions, notes : tuple of str
        What was assumed; what importers did.
    """

    format: int
    roomeq_version: str
    room: str
    record: dict[str, str]
    source: Literal["sub", "mains", "both"]
    level_reference: Literal["spl", "relative"]
    inputs: tuple[InputRecord, ...]
    device: DeviceRecord
    target: TargetRecord
    bands: tuple[BandSetting, ...]
    level: LevelSetting
    no_change: NoChange | None
    seats: tuple[SeatResult, ...]
    evidence: Evidence
    curves: Curves
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def gains_db(self) -> tuple[float, ...]:
        """Proposed gain of every band, in dB."""
        return tuple(band.gain_db for band in self.bands)

    @property
    def changes(self) -> bool:
        """Whether any band is to be set differently from now."""
        return any(band.gain_db != band.present_db for band in self.bands)

    @property
    def deviation_before_db(self) -> float:
        """Weighted deviation at the present gains, in dB."""
        return self.evidence.deviation_before_db

    @property
    def deviation_after_db(self) -> float:
        """Weighted deviation with the proposal, in dB."""
        return self.evidence.deviation_db

    @property
    def reservations(self) -> tuple[Caution, ...]:
        """Cautions that should be read before acting; the others are plain information."""
        return tuple(caution for caution in self.cautions if caution.code in _RESERVATIONS)

    @property
    def lower_bound_db(self) -> float:
        """Deviation that no setting within the limits falls below, in dB."""
        return self.evidence.lower_bound_db

    @property
    def drive_boost_db(self) -> float:
        """Most that the drive rises anywhere at the same loudness, in dB."""
        return self.evidence.drive_boost_db

    def to_json(self) -> bytes:
        """Return the plan as the text of its file."""
        return msgspec.json.format(msgspec.json.encode(self), indent=1) + b"\n"

    def __repr__(self) -> str:
        if not self.changes:
            return f"<Plan for {self.room}: no change>"
        moved = sum(band.gain_db != band.present_db for band in self.bands)
        return (
            f"<Plan for {self.room}: {moved} of {len(self.bands)} bands change, deviation "
            f"{self.deviation_before_db:.1f} to {self.deviation_after_db:.1f} dB>"
        )

    def to_frame(self) -> DataFrame:
        """Return the bands as a pandas table; see `roomeq.optimiser.band_frame.band_frame`."""
        return band_frame(self.bands)

    def _repr_html_(self) -> str:
        """Return the settings, for notebooks."""
        rows = [
            f"<tr><td>{escape(band.label)} Hz</td><td>{band.present_db:+.1f}</td>"
            f"<td>{band.gain_db:+.1f}</td>"
            f"<td>{'set' if band.gain_db != band.present_db else ''}</td></tr>"
            for band in self.bands
        ]
        setting, change = self.level.setting_db, self.level.change_db
        wanted = f"{change:+.1f} from now" if setting is None else f"{setting:+.1f}"
        now = "" if setting is None else f"{setting - change:+.1f}"
        rows.append(f"<tr><td>Level knob</td><td>{now}</td><td>{wanted}</td><td></td></tr>")
        count = len(self.reservations)
        read = f"; {count} caution{'s' if count != 1 else ''} to read first" if count else ""
        head = "<th>Band</th><th>Now dB</th><th>Set to dB</th><th></th>"
        return (
            f"<table><caption>{escape(repr(self)[1:-1])}{read}</caption>"
            f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"
        )


def write_plan(plan: Plan, path: str | PathLike[str]) -> None:
    """Write a plan; the file is complete or not there at all.

    Raises
    ------
    OSError
        If the folder does not exist or cannot be written to.
    """
    location = Path(path)
    handle, name = tempfile.mkstemp(dir=location.parent, prefix=f".{location.name}.")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(plan.to_json())
        temporary.chmod(0o644)
        temporary.replace(location)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


class _FormatOnly(msgspec.Struct):
    format: int


def read_plan(path: str | PathLike[str]) -> Plan:
    """Read a plan file.

    Raises
    ------
    PlanFileError
        If there is no such file, it is not a plan, or its format version is not known.
    """
    location = Path(path)
    try:
        text = location.read_bytes()
    except FileNotFoundError:
        raise PlanFileError("there is no such file", path=location) from None
    except OSError as error:
        raise PlanFileError(f"cannot be read: {error.strerror}", path=location) from error
    try:
        version = msgspec.json.decode(text, type=_FormatOnly).format
    except msgspec.MsgspecError as error:
        raise PlanFileError(
            f"is not a plan: {error}", path=location, remedy="give a file written by propose --plan"
        ) from None
    if version != PLAN_FORMAT:
        raise PlanFileError(
            f"format {version} is not known",
            path=location,
            remedy=f"this release reads format {PLAN_FORMAT}",
        )
    try:
        return msgspec.json.decode(text, type=Plan)
    except msgspec.MsgspecError as error:
        raise PlanFileError(
            f"is damaged: {error}", path=location, remedy="make the plan again from its room"
        ) from None
