"""What explains a measured sum of subwoofer and mains that is not the sum of its parts.

Conventions
-----------
Magnitudes only, so that neither the phase of the measured sum nor its time zero matters. The
difference is ``rms(|both| - |S + M|) / rms(|both|)`` over the seats, from half the corner to twice
the corner. An explanation is what the subwoofer, or everything, was set to otherwise while both
were measured; a change that is not needed is not in it. Levels in dB, delays in s, what is told of
them in ms.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.base.record import Record
from roomeq.base.response import ComplexArray
from roomeq.device.processor import JoiningSettings

NOTICED = 0.05
EXPLAINED = 1.0 / 3.0
"""An explanation leaves at most this share of the difference, or no more than 5 % of the sum."""

_DELAYS = np.arange(-0.010, 0.01001, 0.0001)
_LEVELS_DB = np.arange(-12.0, 12.01, 0.25)


class SumExplanation(Record, frozen=True, kw_only=True):
    """How far a measured sum is from the sum of its parts, and what would make it so.

    Attributes
    ----------
    difference, left : float
        Shares of the measured sum, root mean square: as it is, and as explained.
    explained : bool
    level_db : float
        By which the subwoofer was louder while both were measured.
    delay_ms : float
        By which it was later, in ms.
    inverted : bool
        Whether its polarity was the other one.
    all_level_db : float
        By which everything was louder.
    """

    difference: float
    left: float
    explained: bool
    level_db: float = 0.0
    delay_ms: float = 0.0
    inverted: bool = False
    all_level_db: float = 0.0


def explain_sum(
    points: FloatArray,
    *,
    sub: ComplexArray,
    mains: ComplexArray,
    both: FloatArray,
    corner: float,
) -> SumExplanation | None:
    """Explain a measured sum by one cause, or by several together if no single one does.

    Parameters
    ----------
    points : ndarray, shape (P,)
        Hz.
    sub, mains : ndarray of complex, shape (S, P)
        With the settings while measuring.
    both : ndarray, shape (S, P)
        Magnitude of the measured sum, in the same unit.
    corner : float
        Hz.

    Returns
    -------
    SumExplanation or None
        None where the sum is that of its parts within 5 %.
    """
    inside = (points >= 0.5 * corner * (1 - 1e-9)) & (points <= 2.0 * corner * (1 + 1e-9))
    axis, heard = points[inside], both[:, inside]
    sum_of = _Sums(axis=axis, sub=sub[:, inside], mains=mains[:, inside], both=heard)
    as_said = JoiningSettings()
    difference = sum_of.misfit(as_said)
    if difference <= NOTICED:
        return None
    alone = [
        sum_of.explained(JoiningSettings(inverted=True)),
        sum_of.explained(sum_of.best_level(as_said)),
        sum_of.explained(sum_of.best_delay(as_said)),
        sum_of.explained(as_said, all_level_db=sum_of.scale_db()),
    ]
    best = min(alone, key=lambda one: one.left)
    if not best.explained:
        best = min(best, _together(sum_of), key=lambda one: one.left)
    if best.explained:
        return best
    return SumExplanation(difference=difference, left=best.left, explained=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sums:
    axis: FloatArray
    sub: ComplexArray
    mains: ComplexArray
    both: FloatArray

    def misfit(self, settings: JoiningSettings, *, all_level_db: float = 0.0) -> float:
        """Return what is left of the difference, as a share of the measured sum."""
        total = np.abs(settings.response(self.axis) * self.sub + self.mains)
        left = self.both - 10.0 ** (all_level_db / 20.0) * total
        return float(np.sqrt(np.mean(left**2) / np.mean(self.both**2)))

    def best_level(self, settings: JoiningSettings) -> JoiningSettings:
        """Return the settings with the level of the subwoofer that explains most beside them."""
        tried = (replace(settings, level_change_db=float(level)) for level in _LEVELS_DB)
        return min(tried, key=self.misfit)

    def best_delay(self, settings: JoiningSettings) -> JoiningSettings:
        """Return the settings with the delay that explains most beside them."""
        tried = (replace(settings, delay=float(late)) for late in _DELAYS)
        return min(tried, key=self.misfit)

    def scale_db(self) -> float:
        """Return the level of everything that explains most."""
        total = np.abs(self.sub + self.mains)
        scale = float(np.sum(self.both * total) / np.sum(total**2))
        return 20.0 * float(np.log10(max(scale, 1e-6)))

    def explained(self, settings: JoiningSettings, *, all_level_db: float = 0.0) -> SumExplanation:
        """Return a cause with what it leaves."""
        difference = self.misfit(JoiningSettings())
        left = self.misfit(settings, all_level_db=all_level_db)
        return SumExplanation(
            difference=difference,
            left=left,
            explained=left <= max(NOTICED, EXPLAINED * difference),
            level_db=settings.level_change_db,
            delay_ms=round(settings.delay_ms, 6),
            inverted=settings.inverted,
            all_level_db=all_level_db,
        )


def _together(sum_of: _Sums) -> SumExplanation:
    """Return level, delay and polarity that explain most together, on a grid, then refined."""
    coarse = (
        JoiningSettings(level_change_db=float(level), delay=float(late), inverted=inverted)
        for level, late, inverted in itertools.product(_LEVELS_DB[::8], _DELAYS[::5], (False, True))
    )
    best = min(coarse, key=sum_of.misfit)
    for _ in range(2):
        best = sum_of.best_delay(sum_of.best_level(best))
    return sum_of.explained(best)
