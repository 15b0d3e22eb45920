"""Tables of a room file that speak of what is wanted: target, limits, loss.

Conventions
-----------
As in `roomeq.importers.room_file.schema`, which holds the other tables. Frequencies in Hz; anything
else carries its unit in its name.
"""

from __future__ import annotations

from typing import Annotated, Literal

from roomeq.base.toml_tables import Plausible, StrictTable
from roomeq.importers.room_file.equipment_schema import CORNER_SPAN
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import LOWER_LIMIT_SPAN

_Boost = Plausible(0.0, 30.0, "dB")
_LIMITS = Limits()


class TargetTable(StrictTable, frozen=True, kw_only=True):
    """``[target]``: wanted shape, the subwoofer's own lower limit, wanted level.

    Attributes
    ----------
    shape
        Wanted shape at the seats.
    tilt_db_per_octave : -1.0
        With shape = "tilt": rise towards higher frequencies.
    shelf_gain_db : 3.0
        With shape = "shelf": gain below the corner.
    shelf_corner : 60
        With shape = "shelf": where half of it is reached.
    file : "wanted.txt"
        With shape = "points": two columns, Hz and dB.
    lower_limit : 25
        Where the subwoofer itself is 6 dB down; without it boost from 32 Hz only.
    lower_limit_order
        How it falls below: 2 for a closed box, 4 for a vented one; without it by [box].
    near_field_file : "close.txt"
        Instead of lower_limit: export taken close to the cone.
    level_spl_db : 75
        Wanted level where the shape is 0 dB; without it the present loudness.
    level_from
        Instead: the level of the measured mains.
    """

    shape: Literal["flat", "tilt", "shelf", "points"] = "flat"
    tilt_db_per_octave: Annotated[float | None, Plausible(-12.0, 12.0, "dB per octave")] = None
    shelf_gain_db: Annotated[float | None, Plausible(-20.0, 20.0, "dB")] = None
    shelf_corner: Annotated[float | None, Plausible(*CORNER_SPAN, "Hz")] = None
    file: str | None = None
    lower_limit: Annotated[float | None, Plausible(*LOWER_LIMIT_SPAN, "Hz")] = None
    lower_limit_order: Literal[2, 3, 4] | None = None
    near_field_file: str | None = None
    level_spl_db: Annotated[float | None, Plausible(30.0, 130.0, "dB SPL")] = None
    level_from: Literal["mains"] | None = None


class LimitsTable(StrictTable, frozen=True, kw_only=True):
    """``[limits]``: bounds on boost, bands held or freed.

    Attributes
    ----------
    filter_boost_db : 3
        Most that all bands together may boost.
    drive_boost_db : 6
        Most that bands and level may raise the drive.
    no_boost_below : 25
        Nothing is boosted below; without it lower_limit.
    locked : [20, 25]
        Bands that keep their present gain.
    unlocked : [100]
        Bands above the crossover that may move.
    output_given_up_db : 6
        Of several subwoofers: how much less output than all in phase evenness may cost.
    """

    filter_boost_db: Annotated[float, _Boost] = _LIMITS.filter_boost_db
    drive_boost_db: Annotated[float, _Boost] = _LIMITS.drive_boost_db
    no_boost_below: Annotated[float | None, Plausible(5.0, 125.0, "Hz")] = None
    locked: tuple[float | str, ...] = ()
    unlocked: tuple[float | str, ...] = ()
    output_given_up_db: Annotated[float, _Boost] = _LIMITS.output_given_up_db


class FitTable(StrictTable, frozen=True, kw_only=True):
    """``[fit]``: how errors are weighed.

    Attributes
    ----------
    excess_weight : 2
        How much too loud counts against too quiet.
    """

    excess_weight: Annotated[float, Plausible(1.0, 100.0, "times")] = Loss().excess_weight
