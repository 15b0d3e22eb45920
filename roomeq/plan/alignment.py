"""Parts of a joining, as a plan keeps them: settings, alignment, polarity, meeting.

Conventions
-----------
As in `roomeq.plan.joining`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from roomeq.device.meeting import MeetingFault
from roomeq.device.processor import JoiningSettings
from roomeq.plan.records import PlanRecord

if TYPE_CHECKING:
    from roomeq.device.meeting import Meeting
    from roomeq.optimiser.joining.alignment import Alignment, Candidate
    from roomeq.optimiser.joining.polarity import PolarityTest
    from roomeq.optimiser.joining.sum_check import SumExplanation

__all__ = [
    "AlignmentRecord",
    "CandidateRecord",
    "JoiningSettingRecord",
    "MeetingRecord",
    "PolarityRecord",
    "SumExplanationRecord",
]


class JoiningSettingRecord(PlanRecord, frozen=True, kw_only=True):
    """One setting; see `roomeq.device.processor.JoiningSettings`."""

    delay_ms: float
    inverted: bool
    phase_deg: float
    phase_frequency: float | None
    level_change_db: float

    @classmethod
    def of(cls, settings: JoiningSettings) -> Self:
        """Return the record of a setting."""
        return cls(
            delay_ms=round(settings.delay_ms, 6),
            inverted=settings.inverted,
            phase_deg=settings.phase_deg,
            phase_frequency=settings.phase_frequency,
            level_change_db=settings.level_change_db,
        )

    def settings(self) -> JoiningSettings:
        """Return the setting."""
        return JoiningSettings(
            delay=1e-3 * self.delay_ms,
            inverted=self.inverted,
            phase_deg=self.phase_deg,
            phase_frequency=self.phase_frequency,
            level_change_db=self.level_change_db,
        )


class CandidateRecord(PlanRecord, frozen=True, kw_only=True):
    """A setting with the loss of its sum."""

    settings: JoiningSettingRecord
    loss_db: float

    @classmethod
    def of(cls, candidate: Candidate) -> Self:
        """Return the record of a candidate."""
        settings = JoiningSettingRecord.of(candidate.settings)
        return cls(settings=settings, loss_db=candidate.loss_db)


class AlignmentRecord(PlanRecord, frozen=True, kw_only=True):
    """Delay and polarity before the bands; see `roomeq.optimiser.joining.alignment.Alignment`.

    Attributes
    ----------
    present, chosen, normal, inverted : CandidateRecord
        What is set, behind the filters as they will be; what was chosen; the best of each polarity.
    least_db : float
    kept, either_polarity, at_end : bool
    longer : CandidateRecord or None
    map_delays_ms, map_normal_db, map_inverted_db : tuple of float
        Loss over delay, within one period of what is set.
    """

    present: CandidateRecord
    chosen: CandidateRecord
    normal: CandidateRecord
    inverted: CandidateRecord
    least_db: float
    kept: bool
    either_polarity: bool
    at_end: bool
    longer: CandidateRecord | None
    map_delays_ms: tuple[float, ...]
    map_normal_db: tuple[float, ...]
    map_inverted_db: tuple[float, ...]

    @classmethod
    def of(cls, found: Alignment) -> Self:
        """Return the record of an alignment."""
        return cls(
            present=CandidateRecord.of(found.present),
            chosen=CandidateRecord.of(found.chosen),
            normal=CandidateRecord.of(found.by_polarity[0]),
            inverted=CandidateRecord.of(found.by_polarity[1]),
            least_db=found.least_db,
            kept=found.kept,
            either_polarity=found.either_polarity,
            at_end=found.at_end,
            longer=None if found.longer is None else CandidateRecord.of(found.longer),
            map_delays_ms=tuple((1e3 * found.delays).round(6).tolist()),
            map_normal_db=tuple(found.loss_map_db[0].tolist()),
            map_inverted_db=tuple(found.loss_map_db[1].tolist()),
        )


class PolarityRecord(PlanRecord, frozen=True, kw_only=True):
    """The two tests; see `roomeq.optimiser.joining.polarity.PolarityTest`.

    `inverted` is None where the polarity cannot be told; `boxes` is whether those of both were
    taken out.
    """

    inverted: bool | None
    phase_ratio: float
    onset_ratio: float
    arrival_ms: float
    boxes: bool

    @classmethod
    def of(cls, test: PolarityTest, *, boxes: bool) -> Self:
        """Return the record of a test."""
        return cls(
            inverted=test.inverted,
            phase_ratio=test.phase_ratio,
            onset_ratio=test.onset_ratio,
            arrival_ms=1e3 * test.arrival,
            boxes=boxes,
        )


class MeetingRecord(PlanRecord, frozen=True, kw_only=True):
    """Where both meet by their filters; see `roomeq.device.meeting.Meeting`."""

    frequency: float | None
    sum_db: float
    faults: tuple[MeetingFault, ...]

    @classmethod
    def of(cls, meeting: Meeting | None) -> Self | None:
        """Return the record of a meeting; None for none."""
        if meeting is None:
            return None
        return cls(frequency=meeting.frequency, sum_db=meeting.sum_db, faults=meeting.faults)


class SumExplanationRecord(PlanRecord, frozen=True, kw_only=True):
    """See `roomeq.optimiser.joining.sum_check.SumExplanation`; the delay in ms."""

    difference: float
    left: float
    explained: bool
    level_db: float
    delay_ms: float
    inverted: bool
    all_level_db: float

    @classmethod
    def of(cls, found: SumExplanation | None) -> Self | None:
        """Return the record of an explanation; None for none."""
        if found is None:
            return None
        return cls(
            difference=found.difference,
            left=found.left,
            explained=found.explained,
            level_db=found.level_db,
            delay_ms=round(1e3 * found.delay, 6),
            inverted=found.inverted,
            all_level_db=found.all_level_db,
        )
