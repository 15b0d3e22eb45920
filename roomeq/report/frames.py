"""Further pandas tables of results: curves, seats, headroom, joining.

Conventions
-----------
Tidy: one row is one observation, columns carry their unit as names do everywhere; what is not known
is missing, never 0. Wide tables are indexed by frequency in Hz. pandas is loaded when a function is
called. Responses, surveys, rooms, overviews, seat statistics, fits, plans, joinings of rooms and
verifications have their first table as a method, ``to_frame``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec.structs import asdict

from roomeq.device.processor import Polarity
from roomeq.optimiser.bands.fit import BandGainFit
from roomeq.optimiser.drive.headroom import Headroom
from roomeq.optimiser.joining.alignment import Alignment
from roomeq.plan.plan import Plan

if TYPE_CHECKING:
    from pandas import DataFrame


def curve_frame(proposal: BandGainFit | Plan, *, wide: bool = False) -> DataFrame:
    """Return the curves of a proposal at every seat.

    Parameters
    ----------
    proposal : BandGainFit or Plan
    wide : bool
        One row for each frequency, columns of ``curve`` (``before_db``, ``predicted_db``) and
        ``seat``. Else one row for each seat and frequency.

    Returns
    -------
    DataFrame
        Tidy: ``seat``, ``frequency`` in Hz, ``before_db``, ``predicted_db``, ``target_db``, and the
        ``frequency_weight`` with which they were judged.
    """
    from pandas import DataFrame

    levels: tuple[Any, ...]
    weights: Any
    if isinstance(proposal, Plan):
        seats, of = [entry.seat for entry in proposal.seats], proposal.curves
        axis, weights = np.array(of.frequencies), of.frequency_weights
        levels = of.before_level_db, of.predicted_level_db, of.target_level_db, weights
    else:
        seats, fitted = list(proposal.data.seats), proposal.data
        axis, weights = fitted.frequencies, fitted.frequency_weights
        levels = fitted.measured_db, proposal.predicted_level_db, proposal.target_level_db, weights
    shape = len(seats), axis.size
    data = {"seat": np.repeat(np.array(seats, dtype=object), axis.size)}
    data["frequency"] = np.tile(axis, len(seats))
    names = ("before_db", "predicted_db", "target_db", "frequency_weight")
    for name, values in zip(names, levels, strict=True):
        data[name] = np.broadcast_to(np.array(values, dtype=np.float64), shape).ravel()
    frame = DataFrame(data)
    if not wide:
        return frame
    shown = ["before_db", "predicted_db"]
    table = frame.pivot(index="frequency", columns="seat", values=shown)
    table = table.reindex(columns=[(curve, seat) for curve in shown for seat in seats])
    table.columns.names = ["curve", "seat"]
    return table


def seat_frame(plan: Plan) -> DataFrame:
    """Return one row for each seat of a plan.

    Returns
    -------
    DataFrame
        ``seat``, ``weight``, ``before_db``, ``after_db``, ``left_out_after_db`` (with gains chosen
        without the seat; missing where there were too few seats).
    """
    from pandas import DataFrame

    names = ("seat", "weight", "before_db", "after_db", "left_out_after_db")
    rows = [{name: getattr(entry, name) for name in names} for entry in plan.seats]
    return DataFrame(rows, columns=names).astype({"left_out_after_db": float})


def headroom_frame(headroom: Headroom) -> DataFrame:
    """Return one row for each band of a headroom.

    Returns
    -------
    DataFrame
        ``band`` (nominal centre), ``centre`` in Hz, the figures of
        `roomeq.optimiser.drive.headroom.BandHeadroom` (``displacement`` in m), ``least_db``,
        ``limit``.
    """
    from pandas import DataFrame

    frame = DataFrame([asdict(entry) for entry in headroom.bands])
    frame = frame.rename(columns={"label": "band", "left_db": "least_db"})
    frame.insert(1, "centre", [entry.band.centre for entry in headroom.bands])
    figures = frame.columns.drop(["band", "limit"])
    frame[figures] = frame[figures].astype(float)
    frame["limit"] = frame.pop("limit").map(str, na_action="ignore")
    return frame


def joining_frame(fit: Alignment) -> DataFrame:
    """Return the map over delay of a joining, both polarities one below the other.

    Returns
    -------
    DataFrame
        ``polarity``, ``delay`` in s, ``loss_db``.
    """
    from pandas import DataFrame

    polarities = np.array(Polarity, dtype=object)
    frame = DataFrame(fit.loss_map_db.T, index=fit.delays, columns=polarities).rename_axis("delay")
    long = frame.melt(var_name="polarity", value_name="loss_db", ignore_index=False).reset_index()
    return long[["polarity", "delay", "loss_db"]]
