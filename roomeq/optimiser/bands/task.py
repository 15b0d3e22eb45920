"""Everything that a band-gain problem is built from, and what is read off it again.

Conventions
-----------
Gains are absolute settings in dB, one for each band of the equaliser; frequencies in Hz.

The weighted deviation, and plain figures beside it: what a person would read off the curves.

Errors are level minus target in dB, all at one loudness; weights sum to 1.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from roomeq.base.levels import FloatArray, power_mean_db
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.optimiser.bands.problem import BandGainProblem, BoostCap
from roomeq.optimiser.bands.search import TIE_SHARE, BandGainSolution, solve_band_gains
from roomeq.wanted.limits import BandFreedom, Limits, allowed_gains_db, band_freedoms, limit_axis
from roomeq.wanted.loss import MEAN_CUT_WEIGHT, Loss
from roomeq.wanted.target import Target


def weighted_deviation_db(data: FitData, response_db: FloatArray, *, loss: Loss) -> FloatArray:
    """Return ``sqrt(J)`` of responses of the bands on the fit axis, (..., F) to (...), in dB.

    J is the loss above the least that any shape leaves, see `roomeq.wanted.loss.Loss.least`.
    """
    weights = data.frequency_weights
    mean = np.asarray(response_db @ weights)
    offset = response_db - mean[..., None]
    excess = data.error_db + offset
    offset += data.shortfall_db  # in place: rooms and moves are many
    value = loss.value(excess, offset) @ weights
    total = value + MEAN_CUT_WEIGHT * np.minimum(mean, 0.0) ** 2
    least = loss.least(data.mean_db(data.error_db))
    deviation_db: FloatArray = np.sqrt(np.maximum(total - least, 0.0))  # of one a number
    return deviation_db


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlainFigures:
    """Figures without weighting and without excuse, all in dB.

    Attributes
    ----------
    average_sd_db : float
        Standard deviation over frequency of the power average over seats, less target.
    by_seat_db : ndarray, shape (S,)
        Standard deviation over frequency at each seat.
    seat_sd_db : float
        Their mean, by seat weight.
    largest_excess_db : float
        Largest error over all seats and frequencies.
    """

    average_sd_db: float
    by_seat_db: FloatArray
    seat_sd_db: float
    largest_excess_db: float


def seat_errors_db(data: FitData, response_db: FloatArray) -> FloatArray:
    """Return the error at every seat with a response of the bands, at the target's loudness.

    Parameters
    ----------
    data : FitData
    response_db : ndarray, shape (F,)
        Summed response of the equaliser on the fit axis, in dB.

    Returns
    -------
    ndarray, shape (S, F)
    """
    return np.asarray(data.seat_error_db + (response_db - data.mean_db(response_db)))


def estimate_plain_figures(data: FitData, response_db: FloatArray) -> PlainFigures:
    """Return plain figures with a response of the bands, frequency weights applied."""
    error_db = seat_errors_db(data, response_db)
    average_db = power_mean_db(error_db, weights=data.seat_weights)

    def spread(values: FloatArray) -> FloatArray:
        centred = values - (values @ data.frequency_weights)[..., None]
        return np.asarray(np.sqrt(centred**2 @ data.frequency_weights))

    by_seat = spread(error_db)
    counted = data.frequency_weights > 0
    return PlainFigures(
        average_sd_db=float(spread(average_db[None])[0]),
        by_seat_db=by_seat,
        seat_sd_db=float(data.seat_weights @ by_seat),
        largest_excess_db=float(error_db[:, counted].max()),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandGainTask:
    """Everything that a problem is built from.

    Attributes
    ----------
    data : FitData
    equaliser : FixedBandEqualiser
    target : Target
    limits : Limits
    loss : Loss
    corner : float or None
        Stated crossover corner in Hz.
    present_gains_db : ndarray, shape (B,)
    seen_in_all : ndarray, optional
        Where many rooms share one setting: frequencies that are fitted in all of them, in Hz. What
        a dip of one room forbids is then no reason, the device alone limits.
    by_seats : bool
        Whether it counts where few seats are short, as `BoostCap.of` takes it.
    cap : BoostCap
        Where how much may be boosted, by what the others say.
    """

    data: FitData
    equaliser: FixedBandEqualiser
    target: Target
    limits: Limits
    loss: Loss
    corner: float | None
    present_gains_db: FloatArray
    seen_in_all: FloatArray | None = None
    by_seats: bool = True
    cap: BoostCap = field(init=False)

    def __post_init__(self) -> None:
        data = self.data if self.seen_in_all is None else None
        limits, target = self.limits, self.target
        cap = BoostCap.of(data, limits=limits, target=target, by_seats=self.by_seats)
        object.__setattr__(self, "cap", cap)

    @property
    def floor(self) -> float:
        """Hz below which nothing is boosted."""
        return self.limits.floor(self.target)

    @property
    def freedoms(self) -> tuple[BandFreedom, ...]:
        """How far each band may move."""
        seen = self.seen_in_all
        if seen is None:
            seen = self.data.frequencies[self.data.frequency_weights > 0]
        return band_freedoms(
            self.equaliser,
            limits=self.limits,
            floor=self.floor,
            corner=self.corner,
            seen=seen,
        )

    @property
    def locked_gains_db(self) -> FloatArray:
        """Present gains of the locked bands, 0 elsewhere, shape (B,)."""
        locked = [freedom is BandFreedom.LOCKED for freedom in self.freedoms]
        return np.where(locked, self.present_gains_db, 0.0)

    def cap_db(self, frequencies: FloatArray) -> FloatArray:
        """Return the most that the summed response may reach, in dB, shape (G,).

        Where locked bands alone reach further they stay, and the others need not undo it.
        """
        cap = self.cap.at(frequencies)
        if not self.locked_gains_db.any():
            return cap
        return np.maximum(cap, self.equaliser.response_db(self.locked_gains_db, frequencies))

    def rows(self) -> FloatArray:
        """Return the frequencies at which the cap is held, in Hz: an even axis and its jumps.

        Between them no setting of 360 random problems, Q from 1 to 4.3, reached more than 0.008 dB
        beyond it.
        """
        return np.unique(np.concatenate([limit_axis(self.equaliser), self.cap.edges]))

    def problem(self) -> BandGainProblem:
        """Tabulate exact filter responses and limits for the search."""
        data, equaliser = self.data, self.equaliser
        rows = self.rows()
        allowed = allowed_gains_db(
            equaliser, freedoms=self.freedoms, present_gains_db=self.present_gains_db
        )
        return BandGainProblem(
            error_db=data.error_db,
            shortfall_db=data.shortfall_db,
            frequency_weights=data.frequency_weights,
            gains_db=allowed,
            tables_db=tuple(
                data.table_db(equaliser, index, gains) for index, gains in enumerate(allowed)
            ),
            limit_frequencies=rows,
            limit_tables_db=tuple(
                equaliser.band_table_db(index, rows, gains_db=gains)
                for index, gains in enumerate(allowed)
            ),
            filter_cap_db=self.cap_db(rows),
            present_gains_db=self.present_gains_db,
            present_response_db=data.present_db,
            loss=self.loss,
        )

    def solve(
        self, *, prove: bool, node_limit: int | None, tie_share: float = TIE_SHARE
    ) -> tuple[BandGainProblem, BandGainSolution]:
        """Return the problem and its solution."""
        problem = self.problem()
        options = {} if node_limit is None else {"node_limit": node_limit}
        return problem, solve_band_gains(problem, prove=prove, tie_share=tie_share, **options)

    def deviation_db(self, gains_db: FloatArray) -> float:
        """Return the weighted deviation with gains, in dB."""
        response_db = self.data.response_db(self.equaliser, gains_db)
        return float(weighted_deviation_db(self.data, response_db, loss=self.loss))

    def loudness(self, gains_db: FloatArray) -> Loudness:
        """Return what the drive limit leaves of a loudness, with gains."""
        data, equaliser, target = self.data, self.equaliser, self.target
        most_db, held_at = self.limits.granted_behind_db(equaliser, gains_db, self.floor)
        now_db = data.mean_db(data.present_db)
        if self.limits.drive_by_frequency:  # told against all bands at 0 at the same loudness
            most_db += now_db
        wanted_db = 0.0
        if target.level_db is not None:
            wanted_db = target.level_db - (data.level_db + now_db)
        keeps_db = now_db - data.mean_db(data.response_db(equaliser, gains_db))
        moves = bool(np.any(gains_db != self.present_gains_db)) or wanted_db > 0
        asked_db = keeps_db + wanted_db
        change_db = min(asked_db, most_db) if moves else asked_db
        return Loudness(
            level_change_db=change_db,
            highest_level_change_db=max(most_db, change_db),
            loudness_change_db=change_db - keeps_db,
            loudness_cut_db=asked_db - change_db,
            held_at=held_at,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """Level and loudness that go with a shape, as far as the drive limit allows.

    Attributes
    ----------
    level_change_db, highest_level_change_db : float
        Of the level knob, and what the drive limit grants.
    loudness_change_db, loudness_cut_db : float
        How much louder the seats become, and how much of what was asked is missing.
    held_at : float
        Where the drive limit grants least, in Hz.
    """

    level_change_db: float
    highest_level_change_db: float
    loudness_change_db: float
    loudness_cut_db: float
    held_at: float
