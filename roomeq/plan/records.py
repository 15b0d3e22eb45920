"""Parts of a plan, as they are kept in its file.

Conventions
-----------
Frozen records; unknown keys are refused. Levels and gains in dB, frequencies in Hz. Curves are on
the fit axis; seats by frequencies. Reasons and cautions are codes, the prose comes from
`roomeq.report`. A plan as a whole, its file and its format version are in `roomeq.plan.plan`.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.reasons import Reason

__all__ = [
    "RESERVATIONS",
    "BandSetting",
    "Caution",
    "CautionCode",
    "Curves",
    "DeviceRecord",
    "Evidence",
    "InputRecord",
    "LevelSetting",
    "PlanRecord",
    "QCheck",
    "SeatResult",
    "TargetRecord",
    "rows_of",
]


class CautionCode(StrEnum):
    """What the reader should know before turning a knob."""

    BANDS_IN_NOISE = "bands_in_noise"
    BAND_LEVELS_ONLY = "band_levels_only"
    BOOST_BELOW_HIGH_PASS = "boost_below_high_pass"
    BOOST_INTO_CANCELLATION = "boost_into_cancellation"
    CHECK_WIRING = "check_wiring"
    DISTORTION_EXTRAPOLATED = "distortion_extrapolated"
    FEW_SEATS = "few_seats"
    IMPROVEMENT_LOST_AT_OTHER_Q = "improvement_lost_at_other_q"
    JOINING_AMBIGUOUS = "joining_ambiguous"
    JOINING_AT_END = "joining_at_end"
    JOIN_AGAIN = "join_again"
    LEVEL_OUTSIDE_RANGE = "level_outside_range"
    LEVEL_TOO_HIGH = "level_too_high"
    LICENSED_MAINS_WORK = "licensed_mains_work"
    LOCK_BEYOND_LIMIT = "lock_beyond_limit"
    LOUDNESS_CUT = "loudness_cut"
    LOWER_LIMIT_UNKNOWN = "lower_limit_unknown"
    LOW_PASS_TWICE = "low_pass_twice"
    LOW_PASS_TWICE_LEFT = "low_pass_twice_left"
    MEASURING_VOLTAGE_UNKNOWN = "measuring_voltage_unknown"
    MINIMUM_IMPEDANCE_ASSUMED = "minimum_impedance_assumed"
    NEVER_LIFT_EARTH = "never_lift_earth"
    NOISE_UNKNOWN = "noise_unknown"
    NOT_PROVEN = "not_proven"
    ONE_SEAT_STANDS_OUT = "one_seat_stands_out"
    Q_ASSUMED = "q_assumed"
    RECORDING_COUNTS_LESS = "recording_counts_less"
    RECORDING_LEFT_OUT = "recording_left_out"
    ROOM_GAIN_UNKNOWN = "room_gain_unknown"
    SEAT_GETS_WORSE = "seat_gets_worse"
    SUM_DISAGREES = "sum_disagrees"
    UNMEASURED_SEAT_MAY_GET_WORSE = "unmeasured_seat_may_get_worse"
    WORKS_HARDER = "works_harder"
    WORKS_HARDER_AS_SET = "works_harder_as_set"


RESERVATIONS = frozenset(
    {
        CautionCode.BOOST_BELOW_HIGH_PASS,
        CautionCode.BOOST_INTO_CANCELLATION,
        CautionCode.IMPROVEMENT_LOST_AT_OTHER_Q,
        CautionCode.CHECK_WIRING,
        CautionCode.JOIN_AGAIN,
        CautionCode.JOINING_AMBIGUOUS,
        CautionCode.JOINING_AT_END,
        CautionCode.LOW_PASS_TWICE,
        CautionCode.LOW_PASS_TWICE_LEFT,
        CautionCode.SUM_DISAGREES,
        CautionCode.LEVEL_OUTSIDE_RANGE,
        CautionCode.LEVEL_TOO_HIGH,
        CautionCode.LOCK_BEYOND_LIMIT,
        CautionCode.LOUDNESS_CUT,
        CautionCode.NOT_PROVEN,
        CautionCode.RECORDING_COUNTS_LESS,
        CautionCode.RECORDING_LEFT_OUT,
        CautionCode.SEAT_GETS_WORSE,
        CautionCode.UNMEASURED_SEAT_MAY_GET_WORSE,
    }
)


class PlanRecord(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A part of a plan: frozen, unknown keys refused."""


def rows_of(array: FloatArray) -> tuple[tuple[float, ...], ...]:
    """Return an array of two dimensions as it is kept in a file."""
    return tuple(tuple(row) for row in array.tolist())


class InputRecord(PlanRecord, frozen=True, kw_only=True):
    """A file that the plan was made from, with its SHA-256 digest."""

    file: str
    role: str
    sha256: str


class DeviceRecord(PlanRecord, frozen=True, kw_only=True):
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


class TargetRecord(PlanRecord, frozen=True, kw_only=True):
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


class BandSetting(PlanRecord, frozen=True, kw_only=True):
    """One band: setting, what it answers, why. See `roomeq.optimiser.bands.reasons.BandReason`."""

    label: str
    centre: float
    present_db: float
    gain_db: float
    best_gain_db: float
    error_db: float | None
    spread_db: float | None
    remaining_db: float | None
    reason: Reason | None


class LevelSetting(PlanRecord, frozen=True, kw_only=True):
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


class SeatResult(PlanRecord, frozen=True, kw_only=True):
    """One seat: weight, standard deviation before, after, and with gains chosen without it.

    In plans of format 1 it is the weighted deviation of the statement of that time.
    """

    seat: str
    weight: float
    before_db: float
    after_db: float
    left_out_after_db: float | None


class QCheck(PlanRecord, frozen=True, kw_only=True):
    """Deviation before and after, if every Q were `factor` times the assumed one."""

    factor: float
    before_db: float
    after_db: float


class Caution(PlanRecord, frozen=True, kw_only=True):
    """A caution with the figure, the name and the frequency it speaks of, where there is one."""

    code: CautionCode
    value: float | None = None
    name: str | None = None
    frequency: float | None = None


class Curves(PlanRecord, frozen=True, kw_only=True):
    """Curves on the fit axis: seats by frequencies, or frequencies.

    `average_error_db` is the error of the average over seats with all bands at 0, and
    `shortfall_error_db` as far as a shortfall is to be made up; `trust` belongs to plans of
    format 1 alone.
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


class Evidence(PlanRecord, frozen=True, kw_only=True):
    """Figures behind the proposal, in dB unless named otherwise.

    Attributes are those of `roomeq.optimiser.bands.fit.BandGainFit`; ``*_sd_db`` and
    ``*_excess_db`` those of `roomeq.optimiser.bands.deviations.PlainFigures`. `tail_start_db`
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
