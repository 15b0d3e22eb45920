"""Parts of a plan that speak of several subwoofers.

Conventions
-----------
As in `roomeq.plan.records`. Deviations are those of `roomeq.optimiser.several`: root of the mean
over seats of each seat's own loss, in dB. A delay is that of one subwoofer against time zero, in
ms; positive is later.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import numpy as np

from roomeq.base.levels import ComplexArray
from roomeq.base.record import Record
from roomeq.device.processor import Polarity
from roomeq.plan.records import THE_OTHER, PresentRecord, is_stated, setting_row

if TYPE_CHECKING:
    from roomeq.optimiser.several.choose import SeatFigures, Together


class TogetherFigures(Record, frozen=True, kw_only=True):
    """What one set of settings gives at the seats; see `roomeq.optimiser.several.choose`."""

    deviation_db: float
    variation_db: float
    output_given_up_db: float
    by_seat_db: tuple[float, ...]

    @classmethod
    def of(cls, found: SeatFigures) -> Self:
        """Return the record of figures."""
        return cls.copied(found, by_seat_db=tuple(found.by_seat_db.tolist()))


class TogetherRecord(Record, frozen=True, kw_only=True):
    """Several subwoofers set together: what it gives, before and after.

    Attributes
    ----------
    seats : tuple of str
    before, after, best : TogetherFigures
        As set now, as proposed, and the best found, which moves more.
    loudness_change_db : float
        What the settings change in the mean level over the seats, before the common level.
    points : tuple of float
        Hz at which each subwoofer's part is kept.
    """

    seats: tuple[str, ...]
    before: TogetherFigures
    after: TogetherFigures
    best: TogetherFigures
    loudness_change_db: float
    points: tuple[float, ...]

    @classmethod
    def of(cls, found: Together, *, seats: tuple[str, ...], points: tuple[float, ...]) -> Self:
        """Return the record of what was chosen."""
        names = ("before", "after", "best")
        figures = {name: TogetherFigures.of(getattr(found, name)) for name in names}
        return cls.copied(found, seats=seats, points=points, **figures)

    @property
    def worst_before(self) -> tuple[str, float]:
        """The seat with the largest deviation of its own now, and that deviation in dB."""
        return self._worst(self.before)

    @property
    def worst_after(self) -> tuple[str, float]:
        """The same with the proposal."""
        return self._worst(self.after)

    def _worst(self, figures: TogetherFigures) -> tuple[str, float]:
        return max(zip(figures.by_seat_db, self.seats, strict=True))[::-1]


class SetTogether(Record, frozen=True, kw_only=True):
    """Delay and polarity of one of several subwoofers, and what it contributes.

    Attributes
    ----------
    fed_by : str or None
        The one whose bands, delay and level it has.
    delay_ms : float
    inverted : bool
    present_delay_ms : float
    present_inverted : bool
    without_db : float or None
        Deviation without this one, the others set anew; None where that was not looked at.
    output_without_db : float or None
        How much less output there is without it.
    needless : bool
        Whether it can be left off without loss.
    level_db, phase_deg : tuple of tuple of float
        What arrives from it with the proposal, seats by points.
    """

    fed_by: str | None
    delay_ms: float
    inverted: bool
    present_delay_ms: float
    present_inverted: bool
    without_db: float | None
    output_without_db: float | None
    needless: bool
    level_db: tuple[tuple[float, ...], ...]
    phase_deg: tuple[tuple[float, ...], ...]

    @property
    def pressures(self) -> ComplexArray:
        """What arrives from it, complex, shape (S, P)."""
        phase = np.deg2rad(np.array(self.phase_deg))
        return np.asarray(10.0 ** (np.array(self.level_db) / 20.0) * np.exp(1j * phase))

    @property
    def changes(self) -> bool:
        """Whether delay or polarity is to be set differently from now."""
        return self.inverted != self.present_inverted or self.delay_ms != self.present_delay_ms

    def setting_rows(self, stated: PresentRecord | None = None) -> list[tuple[str, str, str]]:
        """Return delay and polarity as `roomeq.plan.joining.JoiningRecord.setting_rows` does."""
        delay = f"{self.present_delay_ms:.2f} ms", f"{self.delay_ms:.2f} ms"
        polarity = Polarity[self.present_inverted], Polarity[self.inverted]
        told = {
            "delay_ms": ("Delay", *delay, f"{self.delay_ms:+.2f} ms from now"),
            "polarity": ("Polarity", *polarity, THE_OTHER),
        }
        return [setting_row(*row, stated=is_stated(stated, name)) for name, row in told.items()]
