"""Parts of a plan, as they are kept in its file.

Conventions
-----------
Frozen records; unknown keys are refused. Levels and gains in dB, frequencies in Hz. Curves are on
the fit axis; seats by frequencies. Reasons and cautions are codes, the prose comes from
`roomeq.report`. A plan as a whole, its file and its format version are in `roomeq.plan.plan`.
"""

from __future__ import annotations

from roomeq.base.levels import FloatArray
from roomeq.base.record import Record

__all__ = [
    "Curves",
    "DeviceRecord",
    "Evidence",
    "InputRecord",
    "LevelSetting",
    "QCheck",
    "SeatResult",
    "TargetRecord",
    "rows_of",
]


def rows_of(array: FloatArray) -> tuple[tuple[float, ...], ...]:
    """Return an array of two dimensions as it is kept in a file."""
    return tuple(tuple(row) for row in array.tolist())


class InputRecord(Record, frozen=True, kw_only=True):
    """A file that the plan was made from, with its SHA-256 digest."""

    file: str
    role: str
    sha256: str


class DeviceRecord(Record, frozen=True, kw_only=True):
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


class SeatResult(Record, frozen=True, kw_only=True):
    """One seat: weight, standard deviation before, after, and with gains chosen without it.

    In plans of format 1 it is the weighted deviation of the statement of that time.
    """

    seat: str
    weight: float
    before_db: float
    after_db: float
    left_out_after_db: float | None


class QCheck(Record, frozen=True, kw_only=True):
    """Deviation before and after, if every Q were `factor` times the assumed one."""

    factor: float
    before_db: float
    after_db: float


class Curves(Record, frozen=True, kw_only=True):
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


class Evidence(Record, frozen=True, kw_only=True):
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
