"""What choosing all settings found: one setting of everything, and the fit with its evidence.

Conventions
-----------
As in `roomeq.optimiser.all_settings`, which states the problem.
"""

from __future__ import annotations

from dataclasses import dataclass

from roomeq.device.crossover import CrossoverFilter
from roomeq.levels import FloatArray, readonly
from roomeq.optimiser.joining_data import JoiningData
from roomeq.optimiser.joining_settings import JoiningSettings

__all__ = ["AllSettings", "AllSettingsFit"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AllSettings:
    """One setting of everything.

    Attributes
    ----------
    protection : CrossoverFilter or None
        Protective high-pass; None is off.
    bypassed : tuple of CrossoverFilter
        Low-passes to switch off.
    joining : JoiningSettings
        Delay, polarity, phase, level change.
    gains_db : ndarray, shape (B,)
    """

    protection: CrossoverFilter | None
    bypassed: tuple[CrossoverFilter, ...]
    joining: JoiningSettings
    gains_db: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "gains_db", readonly(self.gains_db))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AllSettingsFit:
    """What came of solving in turn and together.

    Attributes
    ----------
    data : JoiningData
        As measured, present bands taken out of the subwoofer.
    present_data, final_data : JoiningData
        With the filters and bands of the present settings, and of the proposed ones.
    present, in_turn, settings : AllSettings
        As measured; solved once in turn; proposed.
    deviation_before_db, in_turn_deviation_db, deviation_db : float
        Weighted deviation of the sum with each.
    before_by_seat_db, in_turn_by_seat_db, after_by_seat_db : ndarray, shape (S,)
    predicted_level_db : ndarray, shape (S, F)
        Of the sum, with the proposal, on the fit axis of the data.
    rounds : int
        Rounds until nothing moved.
    left_out_by_seat_db : ndarray, shape (S,), optional
        Deviation at each seat with settings chosen in turn without it; None below three seats.
    """

    data: JoiningData
    present_data: JoiningData
    final_data: JoiningData
    present: AllSettings
    in_turn: AllSettings
    settings: AllSettings
    deviation_before_db: float
    in_turn_deviation_db: float
    deviation_db: float
    before_by_seat_db: FloatArray
    in_turn_by_seat_db: FloatArray
    after_by_seat_db: FloatArray
    predicted_level_db: FloatArray
    rounds: int
    left_out_by_seat_db: FloatArray | None = None

    @property
    def gain_db(self) -> float:
        """By how much together is better than in turn; never negative."""
        return self.in_turn_deviation_db - self.deviation_db
