"""What explains a measured sum of subwoofer and mains that is not the sum of its parts.

Conventions
-----------
Magnitudes only, so that neither the phase of the measured sum nor its time zero matters. The
difference is ``rms(|both| - |S + M|) / rms(|both|)`` over the seats, from half the corner to twice
the corner. An explanation is what the subwoofer, or everything, was set to otherwise while both
were measured; a change that is not needed is not in it. Levels in dB, delays in s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.base.response import ComplexArray

__all__ = ["SumExplanation", "explain_sum"]

NOTICED = 0.05
EXPLAINED = 1.0 / 3.0
"""An explanation leaves at most this share of the difference, or no more than 5 % of the sum."""

_DELAYS = np.arange(-0.010, 0.01001, 0.0001)
_LEVELS_DB = np.arange(-12.0, 12.01, 0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class SumExplanation:
    """How far a measured sum is from the sum of its parts, and what would make it so.

    Attributes
    ----------
    difference, left : float
        Shares of the measured sum, root mean square: as it is, and as explained.
    explained : bool
    level_db : float
        By which the subwoofer was louder while both were measured.
    delay : float
        By which it was later, in s.
    inverted : bool
        Whether its polarity was the other one.
    all_level_db : float
        By which everything was louder.
    """

    difference: float
    left: float
    explained: bool
    level_db: float = 0.0
    delay: float = 0.0
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
    difference = sum_of.misfit(0.0, 0.0, inverted=False)
    if difference <= NOTICED:
        return None
    scale_db = sum_of.scale_db()
    alone: list[dict[str, float | bool]] = [
        {"inverted": True},
        {"level_db": min(_LEVELS_DB, key=lambda level: sum_of.misfit(level, 0.0, inverted=False))},
        {"delay": min(_DELAYS, key=lambda late: sum_of.misfit(0.0, late, inverted=False))},
        {"all_level_db": scale_db},
    ]
    tried = [_tried(sum_of, difference, **{k: _plain(v) for k, v in one.items()}) for one in alone]
    best = min(tried, key=lambda one: one.left)
    if not best.explained:
        together = _together(sum_of)
        best = min(best, _tried(sum_of, difference, **together), key=lambda one: one.left)
    return (
        best
        if best.explained
        else SumExplanation(difference=difference, left=best.left, explained=False)
    )


def _plain(value: float | bool) -> float | bool:
    return value if isinstance(value, bool) else float(value)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sums:
    axis: FloatArray
    sub: ComplexArray
    mains: ComplexArray
    both: FloatArray

    def misfit(
        self, level_db: float, delay: float, *, inverted: bool, all_level_db: float = 0.0
    ) -> float:
        """Return what is left of the difference, as a share of the measured sum."""
        turn = 10.0 ** (level_db / 20.0) * np.exp(-2j * np.pi * self.axis * delay)
        total = np.abs((-turn if inverted else turn) * self.sub + self.mains)
        left = self.both - 10.0 ** (all_level_db / 20.0) * total
        return float(np.sqrt(np.mean(left**2) / np.mean(self.both**2)))

    def scale_db(self) -> float:
        """Return the level of everything that explains most."""
        total = np.abs(self.sub + self.mains)
        scale = float(np.sum(self.both * total) / np.sum(total**2))
        return 20.0 * float(np.log10(max(scale, 1e-6)))


def _together(sum_of: _Sums) -> dict[str, float | bool]:
    """Return level, delay and polarity that explain most together, on a grid, then refined."""
    coarse = [
        (sum_of.misfit(float(level), float(late), inverted=inverted), level, late, inverted)
        for level in _LEVELS_DB[::8]
        for late in _DELAYS[::5]
        for inverted in (False, True)
    ]
    _, level, late, inverted = min(coarse)
    for _ in range(2):
        level = min(_LEVELS_DB, key=lambda db: sum_of.misfit(db, late, inverted=inverted))
        late = min(_DELAYS, key=lambda d: sum_of.misfit(level, d, inverted=inverted))
    return {"level_db": float(level), "delay": float(late), "inverted": inverted}


def _tried(sum_of: _Sums, difference: float, **cause: float | bool) -> SumExplanation:
    """Return an explanation with what it leaves."""
    given = {"level_db": 0.0, "delay": 0.0, "inverted": False, "all_level_db": 0.0} | cause
    left = sum_of.misfit(
        float(given["level_db"]),
        float(given["delay"]),
        inverted=bool(given["inverted"]),
        all_level_db=float(given["all_level_db"]),
    )
    return SumExplanation(
        difference=difference,
        left=left,
        explained=left <= max(NOTICED, EXPLAINED * difference),
        level_db=float(given["level_db"]),
        delay=float(given["delay"]),
        inverted=bool(given["inverted"]),
        all_level_db=float(given["all_level_db"]),
    )
