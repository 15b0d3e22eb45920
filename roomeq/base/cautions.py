"""Cautions: what the reader should know before turning a knob.

Conventions
-----------
Codes with the figure, the name and the frequency they speak of; the words are in `roomeq.report`.
"""

from __future__ import annotations

from enum import StrEnum

from roomeq.base.record import Record


class CautionCode(StrEnum):
    """What the reader should know before turning a knob."""

    BANDS_IN_NOISE = "bands_in_noise"
    BAND_LEVELS_ONLY = "band_levels_only"
    BOOST_BELOW_HIGH_PASS = "boost_below_high_pass"
    BOOST_INTO_CANCELLATION = "boost_into_cancellation"
    CHECK_WIRING = "check_wiring"
    DISTORTION_EXTRAPOLATED = "distortion_extrapolated"
    FEW_SEATS = "few_seats"
    HIGH_PASS_FIRST = "high_pass_first"
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


RESERVATIONS = frozenset(CautionCode) - {
    CautionCode.BANDS_IN_NOISE,
    CautionCode.BAND_LEVELS_ONLY,
    CautionCode.DISTORTION_EXTRAPOLATED,
    CautionCode.FEW_SEATS,
    CautionCode.LICENSED_MAINS_WORK,
    CautionCode.LOWER_LIMIT_UNKNOWN,
    CautionCode.MEASURING_VOLTAGE_UNKNOWN,
    CautionCode.MINIMUM_IMPEDANCE_ASSUMED,
    CautionCode.NEVER_LIFT_EARTH,
    CautionCode.NOISE_UNKNOWN,
    CautionCode.ONE_SEAT_STANDS_OUT,
    CautionCode.Q_ASSUMED,
    CautionCode.ROOM_GAIN_UNKNOWN,
    CautionCode.WORKS_HARDER,
    CautionCode.WORKS_HARDER_AS_SET,
}
"""What is read before acting; the others are plain information."""


class Caution(Record, frozen=True, kw_only=True):
    """A caution with the figure, the name and the frequency it speaks of, where there is one."""

    code: CautionCode
    value: float | None = None
    name: str | None = None
    frequency: float | None = None
