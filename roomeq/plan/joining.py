"""Parts of a plan that speak of joining subwoofer and mains.

Conventions
-----------
As in `roomeq.plan.records`. A delay is that of the subwoofer against the mains in ms, positive is
later; settings are absolute but for the level, which is a change in dB. A loss is that of
`roomeq.optimiser.joining.summation`, in dB; a deviation is that of the sum from the target. Records
keep figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np

from roomeq.base.levels import FloatArray, amplitude_ratio_db
from roomeq.base.record import Record
from roomeq.device.crossover import chain_response
from roomeq.device.crossover_sum import Meeting
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.joining.data import JoiningNote, SumExplanation
from roomeq.optimiser.joining.summation import HALF_OCTAVE, judge_sum
from roomeq.plan.alignment import (
    AlignmentRecord,
    JoiningSettingRecord,
    PolarityRecord,
)
from roomeq.plan.records import THE_OTHER, PresentRecord, SeatRow, is_stated, setting_row

if TYPE_CHECKING:
    from roomeq.device.crossover import CrossoverFilter
    from roomeq.optimiser.joining.alignment import Alignment
    from roomeq.optimiser.joining.data import JoiningData
    from roomeq.optimiser.joining.levels import LevelJoining


class SeatLossRow(SeatRow, frozen=True, kw_only=True):
    """One seat: weight, loss of the sum before and after, change of its mean level."""

    level_gain_db: float


class JoiningSeatRow(SeatLossRow, frozen=True, kw_only=True):
    """One seat: weight, deviation of the sum before and after, change of its mean level.

    `left_out_after_db` is the deviation with settings chosen without the seat.
    """

    left_out_after_db: float | None = None


class SumBandsRecord(Record, frozen=True, kw_only=True):
    """Level and bands by the sum.

    Attributes
    ----------
    lowest, highest : float
        Hz between which the sum is judged.
    deviation_before_db, deviation_db : float
        Of the power average over the seats.
    labels : tuple of str
    gains_db : tuple of float
    chosen : bool
        Whether bands and level were chosen, or left as they are on request.
    no_change : NoChange or None
        Why they were chosen to stay.
    seats : tuple of JoiningSeatRow
        Standard deviation over frequency at each.
    level_stops_at : {"", "range", "drive"}
        What ends the level where it was chosen: the changes that are made at once, or that the knob
        can make; the drive limit, which grants no further step.
    """

    lowest: float
    highest: float
    deviation_before_db: float
    deviation_db: float
    labels: tuple[str, ...]
    gains_db: tuple[float, ...]
    chosen: bool
    no_change: NoChange | None
    seats: tuple[JoiningSeatRow, ...]
    level_stops_at: Literal["", "range", "drive"] = ""


class JoiningRecord(Record, frozen=True, kw_only=True):
    """What joining set, and what the sum loses before and after.

    Attributes
    ----------
    corner, lowest, highest : float
        Hz: the crossover, and the octave around it in which the loss is judged.
    delay_stated : bool
        Whether what the processor offers is stated; else 20 ms to either side were taken.
    bypass : tuple of str
        Low-passes to switch off, in words.
    present, settings : JoiningSettingRecord
        As measured, and as proposed: with the bands in, where they were chosen as well.
    loss_before_db, loss_db : float
        As measured, and as proposed.
    alignment : AlignmentRecord
    polarity : PolarityRecord or None
    polarity_obstacle : str
        Why the polarity was not tested; empty where it was.
    meeting : Meeting or None
    seats : tuple of SeatLossRow
    notes : tuple of JoiningNote
    seats_left_out : tuple of str
    sum_residual_db : float or None
    explanation : SumExplanation or None
    frequencies, target_level_db : tuple of float
        Axis in Hz, and the target at the level that the sum has with the proposal.
    before_level_db, after_level_db : tuple of tuple of float
        Level of the sum now and predicted, seats by frequencies.
    sub_level_db, mains_level_db : tuple of tuple of float
        Of each alone, with the proposal.
    bands : SumBandsRecord or None
        None where the bands were not chosen along.
    quadrature : tuple of tuple of float
        Imaginary part of the cross power of subwoofer and mains over the product of their
        amplitudes, seats by frequencies: with the three levels it tells what another delay would
        do. Empty in plans of earlier releases.
    raised_db : tuple of float
        By how much the bypass raises the subwoofer at `frequencies`; empty without one.
    """

    corner: float
    lowest: float
    highest: float
    delay_stated: bool
    bypass: tuple[str, ...]
    present: JoiningSettingRecord
    settings: JoiningSettingRecord
    loss_before_db: float
    loss_db: float
    alignment: AlignmentRecord
    polarity: PolarityRecord | None
    polarity_obstacle: str
    meeting: Meeting | None
    seats: tuple[SeatLossRow, ...]
    notes: tuple[JoiningNote, ...]
    seats_left_out: tuple[str, ...]
    sum_residual_db: float | None
    explanation: SumExplanation | None
    frequencies: tuple[float, ...]
    target_level_db: tuple[float, ...]
    before_level_db: tuple[tuple[float, ...], ...]
    after_level_db: tuple[tuple[float, ...], ...]
    sub_level_db: tuple[tuple[float, ...], ...]
    mains_level_db: tuple[tuple[float, ...], ...]
    bands: SumBandsRecord | None = None
    quadrature: tuple[tuple[float, ...], ...] = ()
    raised_db: tuple[float, ...] = ()

    @classmethod
    def of(
        cls,
        alignment: Alignment,
        *,
        measured: JoiningData,
        final: JoiningData | None = None,
        settings: JoiningSettings | None = None,
        bypass: Sequence[CrossoverFilter] = (),
        **others: Any,
    ) -> Self:
        """Return the record of a joining.

        Parameters
        ----------
        alignment : Alignment
        measured : JoiningData
            As measured: what "now" refers to.
        final : JoiningData, optional
            With filters and bands as proposed; those of the alignment by default.
        settings : JoiningSettings, optional
            As proposed; those of the alignment by default.
        bypass : sequence of CrossoverFilter
            Low-passes to switch off.
        **others : object
            The attributes `delay_stated`, `polarity`, `polarity_obstacle`, `meeting`, `bands`.
        """
        told: dict[str, Any] = {"delay_stated": True, "polarity": None, "polarity_obstacle": ""}
        told |= {"meeting": None, "bands": None, **others}
        data, chosen = final or alignment.data, settings or alignment.chosen.settings
        residual = measured.sum_residual_db
        before, after = judge_sum(measured, measured.present), judge_sum(data, chosen)
        now, then = measured.predicted_level_db(measured.present), data.predicted_level_db(chosen)
        low, high = data.corner / HALF_OCTAVE, data.corner * HALF_OCTAVE
        inside = (data.frequencies >= low * (1 - 1e-9)) & (data.frequencies <= high * (1 + 1e-9))
        gained = (then - now)[:, inside].mean(axis=1)
        raised_db = -amplitude_ratio_db(chain_response(tuple(bypass), data.frequencies))
        offset_db = data.seat_weights @ (then - data.target_db) @ data.frequency_weights
        return cls.copied(
            measured,
            corner=data.corner,
            lowest=low,
            highest=high,
            bypass=tuple(str(one) for one in bypass),
            present=JoiningSettingRecord.of(measured.present),
            settings=JoiningSettingRecord.of(chosen),
            loss_before_db=before.loss_db,
            loss_db=after.loss_db,
            alignment=AlignmentRecord.of(alignment),
            seats=SeatLossRow.of_columns(
                seat=data.seats,
                weight=data.seat_weights,
                before_db=before.by_seat_db,
                after_db=after.by_seat_db,
                level_gain_db=gained,
            ),
            sum_residual_db=None if residual is None else float(np.nanmax(residual)),
            frequencies=data.frequencies,
            target_level_db=data.target_db + offset_db,
            before_level_db=now,
            after_level_db=then,
            sub_level_db=data.with_transfers(mains=0.0).predicted_level_db(chosen),
            mains_level_db=data.with_transfers(sub=0.0).predicted_level_db(chosen),
            quadrature=_quadrature(data, chosen),
            raised_db=raised_db if bypass else (),
            **told,
        )

    @property
    def changes(self) -> bool:
        """Whether delay, polarity, phase control or a bypass is to be set differently from now."""
        now, then = self.present, self.settings
        return bool(self.bypass) or any(
            getattr(now, name) != getattr(then, name)
            for name in ("delay_ms", "inverted", "phase_deg")
        )

    def setting_rows(self, stated: PresentRecord | None = None) -> list[tuple[str, str, str]]:
        """Return every setting by name: what it is now, and what it is to be, in words.

        Parameters
        ----------
        stated : PresentRecord, optional
            What was stated of what is set now; without one all of it.
        """
        now, then = self.present.settings(), self.settings.settings()
        was, delay = _delay_words(now), _delay_words(then)
        degrees = f"{now.phase_deg:g} degrees", f"{then.phase_deg:g} degrees"
        told = {
            "delay_ms": ("Delay of the subwoofer", was, delay, delay.replace("ms", "ms from now")),
            "polarity": ("Polarity", now.polarity, then.polarity, THE_OTHER),
            "phase_deg": ("Phase control", *degrees),
        }
        if then.phase_frequency is None:
            del told["phase_deg"]
        rows = [setting_row(*row, stated=is_stated(stated, name)) for name, row in told.items()]
        return rows + [(one, "engaged", "bypass") for one in self.bypass]

    @property
    def no_change(self) -> NoChange | None:
        """Why nothing at all is set otherwise than now; None where something is."""
        bands = self.bands
        if self.changes or (bands is not None and bands.chosen and bands.no_change is None):
            return None
        return (None if bands is None else bands.no_change) or NoChange.IMPROVEMENT_TOO_SMALL

    @property
    def judged(self) -> tuple[float, float]:
        """Deviation of the sum now and with the settings; its loss where no bands were judged."""
        if self.bands is None:
            return self.loss_before_db, self.loss_db
        return self.bands.deviation_before_db, self.bands.deviation_db

    @property
    def taken_off_db(self) -> float:
        """How much level and bands together take off the subwoofer, mean over bands below corner.

        0 where bands are not known.
        """
        if self.bands is None:
            return 0.0
        gains = zip(self.bands.labels, self.bands.gains_db, strict=True)
        below = [gain_db for label, gain_db in gains if float(label) < self.corner]
        return -self.settings.level_change_db - sum(below) / max(len(below), 1)

    @property
    def seat_rows(self) -> tuple[JoiningSeatRow, ...]:
        """Deviations of the sum at the seats; empty where no bands were judged."""
        return () if self.bands is None else self.bands.seats


def _delay_words(settings: JoiningSettings) -> str:
    """Return a delay with the branch that is given it."""
    if abs(settings.delay_ms) < 0.005:
        return "0 ms"
    branch = "" if settings.delay > 0 else ": delay the mains"
    return f"{settings.delay_ms:+.2f} ms{branch}"


class LevelJoiningRecord(Record, frozen=True, kw_only=True):
    """Two answers from levels alone; see `roomeq.optimiser.joining.levels.LevelJoining`.

    Attributes
    ----------
    if_late, if_early : JoiningRecord
    decided : str or None
        ``late`` or ``early`` where the room file says which.
    ambiguous : bool
        Whether they differ in what to set.
    reversed_loss_db : float
    move_delay_ms, move_if_late_db, move_if_early_db : float or None
        Of the deciding measurement.
    """

    if_late: JoiningRecord
    if_early: JoiningRecord
    decided: str | None
    ambiguous: bool
    reversed_loss_db: float
    move_delay_ms: float | None
    move_if_late_db: float | None
    move_if_early_db: float | None

    @classmethod
    def of(
        cls, joining: LevelJoining, *, delay_stated: bool = True, decided: str | None = None
    ) -> Self:
        """Return the record of a joining from levels."""
        late, early = (
            JoiningRecord.of(
                one,
                measured=one.data,
                delay_stated=delay_stated,
                polarity_obstacle="levels alone do not tell",
            )
            for one in (joining.if_late, joining.if_early)
        )
        return cls.copied(
            joining,
            if_late=late,
            if_early=early,
            decided=decided,
        )

    @property
    def answer(self) -> JoiningRecord | None:
        """The one answer, where both agree or it was decided; None where it is open."""
        if self.decided is not None:
            return self.if_late if self.decided == "late" else self.if_early
        return None if self.ambiguous else self.if_late


def _quadrature(data: JoiningData, settings: JoiningSettings) -> FloatArray:
    """Return the imaginary part of the cross power, over both amplitudes, shape (S, F)."""
    sub, mains = (
        data.with_transfers(**alone).predicted_sum(settings)
        for alone in ({"mains": 0.0}, {"sub": 0.0})
    )
    smoothing = data.smoothing
    powers = (np.abs(sub) ** 2 @ smoothing) * (np.abs(mains) ** 2 @ smoothing)
    return np.asarray(np.imag((sub * mains.conj()) @ smoothing) / np.sqrt(powers))
