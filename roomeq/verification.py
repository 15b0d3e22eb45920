"""Verification: did what was predicted come true, and what was probably set wrongly.

Conventions
-----------
Differences are measured again minus predicted, in dB, on the plan's axis. Levels of the two
measuring days need not compare: one offset is removed first, and stated. The optimiser is not run
again.
"""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np

from roomeq.analysis.survey_levels import has_band_levels, seat_levels_db
from roomeq.bands import third_octave_band
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.levels import FloatArray
from roomeq.plan import CautionCode, DeviceRecord, Plan
from roomeq.survey import Survey

__all__ = ["BandCheck", "SeatCheck", "SuspectedSetting", "Verification", "equaliser_of", "verify"]

AGREES_DB = 1.0
_REPEATS = 2.0  # standard deviations of a repeated measurement
_EXPLAINS = 0.5  # share of the mean square difference that a suspicion must explain
_MOST_SUSPECTS = 3
_REFINEMENTS = 20


class _Record(msgspec.Struct, frozen=True, kw_only=True):
    """A part of a verification."""


class SeatCheck(_Record, frozen=True, kw_only=True):
    """One seat: root mean square difference in dB, and whether that is close enough."""

    seat: str
    difference_db: float
    agrees: bool


class BandCheck(_Record, frozen=True, kw_only=True):
    """One band: mean difference over the seats in dB, and whether that is close enough."""

    label: str
    difference_db: float
    agrees: bool


class SuspectedSetting(_Record, frozen=True, kw_only=True):
    """A band that looks as if it had been set to another gain than the plan says."""

    label: str
    planned_db: float
    looks_like_db: float


class Verification(_Record, frozen=True, kw_only=True):
    """What agrees with a plan, what does not, and what was probably set wrongly.

    Attributes
    ----------
    room : str
    agrees : bool
        Whether every band, averaged over seats, and every seat is close enough.
    tolerance_db : float
        What "close enough" was: 1 dB, or twice the repeatability where that is more (common
        practice, no source).
    offset_db : float
        Level by which all seats differ from the prediction; removed from all other figures.
    seats : tuple of SeatCheck
    bands : tuple of BandCheck
    suspects : tuple of SuspectedSetting
        In order of what they explain; empty where no single band explains the difference.
    not_measured_again : tuple of str
        Seats of the plan that are missing.
    """

    room: str
    agrees: bool
    tolerance_db: float
    offset_db: float
    seats: tuple[SeatCheck, ...]
    bands: tuple[BandCheck, ...]
    suspects: tuple[SuspectedSetting, ...]
    not_measured_again: tuple[str, ...]

    def to_json(self) -> bytes:
        """Return the verification as JSON text."""
        return msgspec.json.format(msgspec.json.encode(self), indent=1) + b"\n"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Difference:
    seats: tuple[str, ...]
    axis: FloatArray
    by_seat_db: FloatArray
    weights: FloatArray
    offset_db: float


def verify(plan: Plan, survey: Survey) -> Verification:
    """Compare a measurement taken after the settings were made with a plan.

    Parameters
    ----------
    plan : Plan
    survey : Survey
        Measured with the plan's settings in force; at least one of the plan's seats.

    Returns
    -------
    Verification

    Raises
    ------
    ValueError
        If the survey has none of the plan's seats, another source, or does not reach its axis.
    """
    difference = _difference(plan, survey)
    tolerance = max(AGREES_DB, _REPEATS * (plan.evidence.repeatability_db or 0.0))
    share = difference.weights / difference.weights.sum()
    by_seat = np.sqrt(difference.by_seat_db**2 @ share)
    mean = difference.by_seat_db.mean(axis=0)
    seats = tuple(
        SeatCheck(seat=seat, difference_db=float(value), agrees=bool(value <= 2.0 * tolerance))
        for seat, value in zip(difference.seats, by_seat, strict=True)
    )
    bands = _band_checks(plan, difference.axis, mean, share, tolerance=tolerance)
    agrees = all(seat.agrees for seat in seats) and all(band.agrees for band in bands)
    return Verification(
        room=plan.room,
        agrees=agrees,
        tolerance_db=tolerance,
        offset_db=difference.offset_db,
        seats=seats,
        bands=bands,
        suspects=() if agrees else _suspects(plan, difference.axis, mean, share),
        not_measured_again=tuple(
            entry.seat for entry in plan.seats if entry.seat not in difference.seats
        ),
    )


def _difference(plan: Plan, survey: Survey) -> _Difference:
    chosen = survey.of_source(plan.source)
    planned = [entry.seat for entry in plan.seats]
    again = [seat for seat in planned if seat in chosen.seats]
    if not again:
        raise ValueError(
            f"none of the plan's seats was measured again: it has {', '.join(planned)}, the "
            f"measurement {', '.join(chosen.seats)}"
        )
    axis = np.array(plan.curves.frequencies)
    _check_comparable(plan, chosen, axis)
    levels = seat_levels_db(chosen, at=axis)
    measured = levels[[chosen.seats.index(seat) for seat in again]]
    predicted = np.array(plan.curves.predicted_level_db)[[planned.index(seat) for seat in again]]
    weights = np.array(plan.curves.frequency_weights)
    raw = measured - predicted
    offset = float((raw @ weights).mean() / weights.sum())
    return _Difference(
        seats=tuple(again), axis=axis, by_seat_db=raw - offset, weights=weights, offset_db=offset
    )


def _check_comparable(plan: Plan, chosen: Survey, axis: FloatArray) -> None:
    """Raise ValueError unless the survey holds what the plan's curves were made of."""
    in_bands = any(caution.code is CautionCode.BAND_LEVELS_ONLY for caution in plan.cautions)
    if has_band_levels(chosen) != in_bands:
        kinds = ("narrow-band responses", "third-octave band levels")
        raise ValueError(
            f"the plan was made from {kinds[in_bands]}, this measurement holds "
            f"{kinds[not in_bands]}: measure again in the same way"
        )
    for entry in chosen.measurements:
        own = entry.response.frequencies
        if in_bands:
            covered = bool(np.isin(axis.round(6), own.round(6)).all())
        else:
            covered = own[0] <= axis[0] * (1 + 1e-9) and own[-1] >= axis[-1] * (1 - 1e-9)
        if not covered:
            raise ValueError(
                f"seat {entry.seat!r}{f' ({entry.file})' if entry.file else ''}: measured from "
                f"{own[0]:.4g} to {own[-1]:.4g} Hz{', bands missing' if in_bands else ''}; the "
                f"plan needs {'every band from ' if in_bands else ''}{axis[0]:.4g} to "
                f"{axis[-1]:.4g} Hz"
            )


def _band_checks(
    plan: Plan, axis: FloatArray, mean: FloatArray, share: FloatArray, *, tolerance: float
) -> tuple[BandCheck, ...]:
    checks = []
    for setting in plan.bands:
        band = third_octave_band(setting.centre)
        inside = (axis >= band.lower) & (axis < band.upper) & (share > 0)
        if inside.any():
            value = float(mean[inside].mean())
            checks.append(
                BandCheck(label=setting.label, difference_db=value, agrees=abs(value) <= tolerance)
            )
    return tuple(checks)


def equaliser_of(device: DeviceRecord) -> FixedBandEqualiser | None:
    """Return the equaliser a plan was made for; None where its bands' shapes were measured."""
    if device.measured_shapes:
        return None
    return FixedBandEqualiser(
        bands=tuple(third_octave_band(float(label)) for label in device.labels),
        lowest_db=device.lowest_db,
        highest_db=device.highest_db,
        step_db=device.step_db,
        q_law=QLaw(
            gain_db=np.array(device.q_gain_db), q=np.array(device.q), measured=device.q_measured
        ),
        sample_rate=device.sample_rate,
    )


def _suspects(
    plan: Plan, axis: FloatArray, mean: FloatArray, share: FloatArray
) -> tuple[SuspectedSetting, ...]:
    """Name bands, one after the other, whose other setting explains most of what differs."""
    equaliser = equaliser_of(plan.device)
    if equaliser is None:
        return ()
    changes = []
    for index, gain in enumerate(plan.gains_db):
        planned = equaliser.band_table_db(index, axis, gains_db=np.array([gain]))
        change = equaliser.band_table_db(index, axis) - planned
        changes.append(change - (change @ share)[:, np.newaxis])
    found: dict[int, int] = {}
    for _ in range(_MOST_SUSPECTS):
        rest = mean - _explained(changes, found)
        best, enough = None, float(rest**2 @ share) * (1.0 - _EXPLAINS)
        for index, change in enumerate(changes):
            left = ((rest - change) ** 2) @ share
            row = int(np.argmin(left))
            if index not in found and left[row] < enough:
                best, enough = (index, row), float(left[row])
        if best is None:
            break
        found[best[0]] = best[1]
        _refine(found, mean, changes, share)
    grid = equaliser.gain_grid_db
    return tuple(
        SuspectedSetting(
            label=plan.bands[index].label,
            planned_db=plan.bands[index].gain_db,
            looks_like_db=float(grid[row]),
        )
        for index, row in found.items()
        if abs(grid[row] - plan.gains_db[index]) > 1e-9
    )


def _explained(changes: list[FloatArray], found: dict[int, int]) -> FloatArray:
    """Return what the found settings together change, in dB, shape (F,)."""
    total = np.zeros(changes[0].shape[1])
    for index, row in found.items():
        total += changes[index][row]
    return total


def _refine(
    found: dict[int, int], wanted: FloatArray, changes: list[FloatArray], share: FloatArray
) -> None:
    """Choose each found setting anew beside the others: skirts of neighbours overlap."""
    for _ in range(_REFINEMENTS):
        before = dict(found)
        for index in found:
            others = {other: row for other, row in found.items() if other != index}
            rest = wanted - _explained(changes, others)
            found[index] = int(np.argmin(((rest - changes[index]) ** 2) @ share))
        if found == before:
            break
