"""Parts of a plan that speak of several subwoofers.

Conventions
-----------
As in `roomeq.plan.records`. Deviations are those of `roomeq.optimiser.several`: root of the mean
over seats of each seat's own loss, in dB. A delay is that of one subwoofer against time zero, in
ms; positive is later.
"""

from __future__ import annotations

import numpy as np

from roomeq.base.levels import ComplexArray
from roomeq.base.record import Record
from roomeq.device.processor import Polarity
from roomeq.optimiser.several.task import SeatFigures
from roomeq.plan.records import THE_OTHER, PresentRecord, is_stated, setting_row


class TogetherRecord(Record, frozen=True, kw_only=True):
    """Several subwoofers set together: what it gives, before and after.

    Attributes
    ----------
    seats : tuple of str
    before, after, best : SeatFigures
        As set now, as proposed, and the best found, which moves more.
    loudness_change_db : float
        What the settings change in the mean level over the seats, before the common level.
    points : tuple of float
        Hz at which each subwoofer's part is kept.
    """

    seats: tuple[str, ...]
    before: SeatFigures
    after: SeatFigures
    best: SeatFigures
    loudness_change_db: float
    points: tuple[float, ...]


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
