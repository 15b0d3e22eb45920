"""What can be told of a device, and why something cannot.

Conventions
-----------
Settings and gains in dB, frequencies in Hz. Errors are standard errors, of centre, corner and Q as
a share. A value is told where 1.96 of them are within the goal, and nothing speaks against it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace as replace_field
from enum import StrEnum

from roomeq.analysis.device_fit import (
    FURTHEST,
    FURTHEST_CORNER,
    LEVEL,
    DeviceFit,
    MovedResponse,
    fit_filter,
    fit_moves,
)
from roomeq.base.record import Record
from roomeq.device.crossover import FilterFamily, FilterKind

CENTRE_GOAL, Q_GOAL, GAIN_GOAL_DB = 0.01, 0.05, 0.1
_ERRORS = 1.96
_SMOOTHED = 0.17
"""Share of gain and of Q that a mean over a bandwidth takes; of 0.3 of one 0.09 of that. Seen with
power means over 1/3 to 1/12 octave, at gains of 3 to 12 dB and Q of 1.4 to 8: 0.10 to 0.19."""


class Doubt(StrEnum):
    """Why something cannot be told."""

    OUTSIDE = "outside"
    MISFIT = "misfit"
    ELSEWHERE = "elsewhere"
    OTHER_GAIN = "other_gain"
    SMOOTHED = "smoothed"
    UNCERTAIN = "uncertain"


class MoveRow(Record, frozen=True, kw_only=True):
    """One setting of a band or of the level knob; `told` are "centre", "gain", "q"."""

    label: str
    setting_db: float
    gain_db: float
    gain_error_db: float
    centre: float | None = None
    centre_error: float | None = None
    q: float | None = None
    q_error: float | None = None
    told: tuple[str, ...] = ()
    doubt: Doubt | None = None


class FilterRow(Record, frozen=True, kw_only=True):
    """A low-pass or a high-pass at one mark; `filters` in words, the likeliest first."""

    kind: FilterKind
    mark: float
    corner: float
    corner_error: float
    family: FilterFamily
    order: int
    filters: tuple[str, ...]
    doubt: Doubt | None = None


def fit_described(
    responses: Sequence[MovedResponse], centres: dict[str, float]
) -> tuple[DeviceFit, tuple[str, ...]]:
    """Fit all responses, then again those that a fit describes; the others are named."""
    first = fit_moves(responses, centres=centres)
    good = [one for one in responses if one.name not in first.misfits]
    if len(good) == len(responses) or not good:
        return first, first.misfits
    again = fit_moves(good, centres=centres)
    both = first.with_others(again)
    return replace_field(both, offsets_db=again.offsets_db), both.misfits


def move_row(
    fit: DeviceFit,
    responses: Sequence[MovedResponse],
    misfits: Sequence[str],
    centres: dict[str, float],
    move: tuple[str, float],
) -> MoveRow:
    """Return what one setting gives, and what of it can be told."""
    label, setting = move
    own = [one for one in responses if move in one.moves]
    gain = fit.estimates["gain", label, setting]
    # A gain that is surely not as set is told although it is less certain: what is set is worse.
    other = abs(gain.value - setting) > 2.0 * _ERRORS * gain.error
    told = {"gain": _ERRORS * gain.error <= (2.0 * GAIN_GOAL_DB if other else GAIN_GOAL_DB)}
    found = {"gain_db": gain.value, "gain_error_db": gain.error}
    doubts = {
        Doubt.MISFIT: all(one.name in misfits for one in own),
        Doubt.OTHER_GAIN: not 1 / 3 < gain.value / setting < 3,
    }
    if label != LEVEL:
        centre, q = fit.estimates["centre", label, 0.0], fit.estimates["q", label, setting]
        called = centres[label]
        found |= {"centre": centre.value, "centre_error": centre.error}
        found |= {"q": q.value, "q_error": q.error}
        covered = any(
            one.frequencies[0] < 0.9 * called and one.frequencies[-1] > 1.1 * called for one in own
        )
        lost = _SMOOTHED * (2.0 * fit.together_octaves[label] * q.value) ** 2
        far = abs(math.log(centre.value / called)) > 0.97 * FURTHEST
        smoothed = lost > 0.5 * min(Q_GOAL, GAIN_GOAL_DB / abs(gain.value))
        doubts = {Doubt.OUTSIDE: not covered, **doubts, Doubt.ELSEWHERE: far}
        doubts[Doubt.SMOOTHED] = smoothed
        told |= {"centre": _ERRORS * centre.error <= CENTRE_GOAL}
        told |= {"q": _ERRORS * q.error <= Q_GOAL}
    doubt = _first(doubts | {Doubt.UNCERTAIN: not all(told.values())})
    usable = doubt in (None, Doubt.UNCERTAIN) and told.get("centre", True)
    names = tuple(name for name, holds in told.items() if holds and usable)
    return MoveRow(label=label, setting_db=setting, **found, told=names, doubt=doubt)


def _first(doubts: dict[Doubt, bool]) -> Doubt | None:
    """Return the first doubt that holds."""
    return next((code for code, holds in doubts.items() if holds), None)


def filter_row(one: MovedResponse, kind: FilterKind, mark: str) -> FilterRow:
    """Return which filter is on, and whether that can be told.

    Raises
    ------
    ValueError
        If the mark is no frequency.
    """
    try:
        called = float(mark)
    except ValueError:
        called = math.nan
    if not (math.isfinite(called) and called > 0):
        raise ValueError(f"--{kind.replace('_', '-')} {mark}: needs the corner in Hz, as in 80")
    found = fit_filter(one, kind=kind, mark=called)
    best, *alike = found.filters
    far = abs(math.log(best.corner / called)) > 0.97 * FURTHEST_CORNER
    doubts = {
        Doubt.OUTSIDE: not one.frequencies[0] < called < one.frequencies[-1],
        Doubt.MISFIT: found.misfit,
        Doubt.ELSEWHERE: far,
        Doubt.UNCERTAIN: bool(alike) or _ERRORS * found.corner.error > CENTRE_GOAL,
    }
    return FilterRow.copied(
        best,
        mark=called,
        corner_error=found.corner.error,
        filters=tuple(
            str(replace_field(one, corner=float(f"{one.corner:.4g}"))) for one in found.filters
        ),
        doubt=_first(doubts),
    )
