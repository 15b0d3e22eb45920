"""Parts of a joining, as a plan keeps them: settings, alignment, polarity.

Conventions
-----------
As in `roomeq.plan.joining`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from msgspec.structs import asdict

from roomeq.base.record import Record
from roomeq.device.processor import JoiningSettings

if TYPE_CHECKING:
    from roomeq.optimiser.joining.alignment import Alignment
    from roomeq.optimiser.joining.polarity import PolarityTest
    from roomeq.optimiser.joining.summation import SumLoss


class JoiningSettingRecord(Record, frozen=True, kw_only=True):
    """One setting; see `roomeq.device.processor.JoiningSettings`."""

    delay_ms: float
    inverted: bool
    phase_deg: float
    phase_frequency: float | None
    level_change_db: float

    @classmethod
    def of(cls, settings: JoiningSettings) -> Self:
        """Return the record of a setting."""
        return cls.copied(settings, delay_ms=round(settings.delay_ms, 6))

    def settings(self) -> JoiningSettings:
        """Return the setting."""
        figures = asdict(self)
        return JoiningSettings(delay=1e-3 * figures.pop("delay_ms"), **figures)


class CandidateRecord(Record, frozen=True, kw_only=True):
    """A setting with the loss of its sum."""

    settings: JoiningSettingRecord
    loss_db: float

    @classmethod
    def of(cls, judged: SumLoss) -> Self:
        """Return the record of a setting that was judged."""
        return cls.copied(judged, settings=JoiningSettingRecord.of(judged.settings))


class AlignmentRecord(Record, frozen=True, kw_only=True):
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
        return cls.copied(
            found,
            present=CandidateRecord.of(found.present),
            chosen=CandidateRecord.of(found.chosen),
            normal=CandidateRecord.of(found.by_polarity[0]),
            inverted=CandidateRecord.of(found.by_polarity[1]),
            longer=None if found.longer is None else CandidateRecord.of(found.longer),
            map_delays_ms=(1e3 * found.delays).round(6),
            map_normal_db=found.loss_map_db[0],
            map_inverted_db=found.loss_map_db[1],
        )


class PolarityRecord(Record, frozen=True, kw_only=True):
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
        return cls.copied(test, arrival_ms=1e3 * test.arrival, boxes=boxes)
