"""Dips of a room judged: a cancellation, or something an equaliser can mend.

Conventions
-----------
Levels are in dB, shape (S, F): seats first, frequency last, smoothed (1/12 octave, say). Excess
group delays are in seconds, on the same axis, averaged over about the same windows as the levels
(``estimate_excess_group_delay(..., at=...)``); a delay that is the same at all frequencies does not
count.

Where sounds of two paths cancel, boost feeds both and only eats headroom. Such a dip is narrow or
deep and differs from seat to seat; and where the later sound is the stronger one, its excess group
delay is large. (Where it is the weaker one, the dip is minimum phase at that seat: phase alone does
not show a cancellation, the comparison of seats does.) What all seats share and is broad and of
minimum phase is the loudspeaker, or the room as a whole: that an equaliser can mend.

All thresholds below are common practice, no source.

Dips and peaks of a level curve: where, how deep, how wide.

Depth is prominence: how far the level rises again on the lower of both sides before it falls below
the dip. A steady slope therefore has no dips, and what lies at an end of the data is none either:
its other side was not measured. Width is taken half-way up, in octaves. Curves are level in dB over
frequency in Hz, straight over ln f between samples.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.seats import checked_seat_levels
from roomeq.base.levels import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Extremum:
    """A dip or a peak.

    Attributes
    ----------
    frequency : float
        Hz; the middle, where several samples are equal.
    depth_db : float
        Prominence in dB, positive for dips and peaks alike.
    lower, upper : float
        Where it is half as deep, in Hz.
    """

    frequency: float
    depth_db: float
    lower: float
    upper: float

    @property
    def width_octaves(self) -> float:
        """Width at half the depth, in octaves."""
        return math.log2(self.upper / self.lower)


def find_dips(
    frequencies: ArrayLike, level_db: ArrayLike, *, least_depth_db: float = 3.0
) -> tuple[Extremum, ...]:
    """Find the dips of one curve, in order of frequency.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (F,)
        Level in dB, finite and smoothed (1/12 octave, say): every ripple of the curve counts.
    least_depth_db : float
        Shallower dips are left out; positive.

    Returns
    -------
    tuple of Extremum

    Raises
    ------
    ValueError
        If `least_depth_db` is not positive.
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    levels = np.asarray(level_db, dtype=np.float64)
    if not (math.isfinite(least_depth_db) and least_depth_db > 0):
        raise ValueError(f"least_depth_db must be positive, got {least_depth_db!r}")
    octaves = np.log2(axis)
    found = []
    for first, last in _minima(levels):
        depth = min(
            _rise(levels[first::-1], bottom=levels[first]),
            _rise(levels[last:], bottom=levels[last]),
        )
        if depth < least_depth_db:
            continue
        half = levels[first] + 0.5 * depth
        lower = _crossing(octaves[first::-1], levels[first::-1], half)
        upper = _crossing(octaves[last:], levels[last:], half)
        found.append(
            Extremum(
                frequency=float(2.0 ** (0.5 * (octaves[first] + octaves[last]))),
                depth_db=float(depth),
                lower=2.0**lower,
                upper=2.0**upper,
            )
        )
    return tuple(found)


def _minima(levels: FloatArray) -> list[tuple[int, int]]:
    """Return first and last index of every run of equal values that is lower than both sides."""
    starts = np.flatnonzero(np.concatenate(([True], levels[1:] != levels[:-1])))
    ends = np.append(starts[1:], levels.size) - 1
    values = levels[starts]
    inner = np.flatnonzero((values[1:-1] < values[:-2]) & (values[1:-1] < values[2:])) + 1
    return [(int(starts[index]), int(ends[index])) for index in inner]


def _rise(outwards: FloatArray, *, bottom: float) -> float:
    """Return how far levels rise, going outwards, before they fall below the bottom."""
    below = outwards < bottom
    stop = int(below.argmax()) if below.any() else outwards.size
    return float(outwards[:stop].max() - bottom)


def _crossing(octaves: FloatArray, outwards: FloatArray, level_db: float) -> float:
    """Return where levels, going outwards from below, first reach a level."""
    index = int((outwards >= level_db).argmax())
    low, high = outwards[index - 1], outwards[index]
    share = (level_db - low) / (high - low)
    return float(octaves[index - 1] + share * (octaves[index] - octaves[index - 1]))


Verdict = Literal["cancellation", "correctable", "unclear"]
Evidence = Literal[
    "shared",
    "some_seats",
    "differs_between_seats",
    "single_seat",
    "narrow",
    "broad",
    "deep",
    "excess_group_delay",
    "minimum_phase",
    "no_phase",
]

_SAME_DIP_OCTAVES = 1.0 / 6.0  # dips of two seats this close are one, the width of half a band
_SAME_DIP_DEPTH = 0.5  # ... if the shallower has at least this share of the deeper one's depth
_SHARED, _DIFFERS = 0.75, 0.5  # shares of the seats
_NARROW_OCTAVES = 0.25  # less than a third-octave filter fills (its own width is 0.33)
_DEEP_DB = 10.0
_EXCESS_PERIODS = 0.5  # of the dip's frequency


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """A dip, at the seats where it occurs, and what it is.

    Attributes
    ----------
    frequency : float
        Hz, at the seat where it is deepest.
    depth_db : float
        There, in dB: how far the level rises again on both sides.
    width_octaves : float
        There, at half the depth.
    seats : tuple of str
        Names of the seats where it occurs, within 1/6 octave and with half the depth or more.
    verdict : {"cancellation", "correctable", "unclear"}
        What it is.
    evidence : tuple of str
        What the verdict rests on; `Evidence` lists the codes.
    excess_group_delay : float or None
        Median over these seats of the excess group delay at the dip less that seat's median over
        frequency, in seconds; None where phase is not known.
    """

    frequency: float
    depth_db: float
    width_octaves: float
    seats: tuple[str, ...]
    verdict: Verdict
    evidence: tuple[Evidence, ...]
    excess_group_delay: float | None


def judge_dips(
    frequencies: ArrayLike,
    level_db: ArrayLike,
    *,
    seats: Sequence[str],
    excess_group_delay: ArrayLike | None = None,
    least_depth_db: float = 3.0,
) -> tuple[Dip, ...]:
    """Find the dips of all seats and judge each.

    A dip is a cancellation if its excess group delay is above half a period, or if it occurs at no
    more than half of the seats and is narrow (below 1/4 octave) or deep (10 dB or more). It is
    correctable if three quarters of the seats or more share it (or the only seat has it), it is not
    narrow, and its phase is minimum; without phase, if several seats share it and it is not deep.
    All else is unclear.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (S, F)
        Smoothed levels in dB; offsets between seats do not matter.
    seats : sequence of str, length S
        Names.
    excess_group_delay : array_like, shape (S, F), optional
        Seconds; not a number throughout for a seat whose phase is not known.
    least_depth_db : float
        Shallower dips are left out.

    Returns
    -------
    tuple of Dip
        In order of frequency. An empty tuple says that nothing dips, not that all is well.

    Raises
    ------
    ValueError
        If shapes differ, a level is not finite, or the depth is not positive.
    """
    axis, levels, names = checked_seat_levels(level_db, frequencies=frequencies, seats=seats)
    extra = _extra_delays(axis, levels, excess_group_delay)
    found = [
        (seat, dip)
        for seat, row in enumerate(levels)
        for dip in find_dips(axis, row, least_depth_db=least_depth_db)
    ]
    dips = [_judged(group, names=names, axis=axis, extra=extra) for group in _grouped(found)]
    return tuple(sorted(dips, key=lambda dip: (dip.frequency, dip.seats)))


def _grouped(found: list[tuple[int, Extremum]]) -> list[dict[int, Extremum]]:
    """Put together the dips that are one, by seat; the first of each group is its deepest."""
    left = sorted(found, key=lambda item: (-item[1].depth_db, item[1].frequency))
    groups = []
    while left:
        seat, anchor = left[0]
        group = {seat: anchor}
        near = sorted(left, key=lambda item: _octaves_apart(item[1], anchor))
        for other, dip in near:
            close = _octaves_apart(dip, anchor) <= _SAME_DIP_OCTAVES
            if close and dip.depth_db >= _SAME_DIP_DEPTH * anchor.depth_db:
                group.setdefault(other, dip)
        taken = {(other, dip.frequency) for other, dip in group.items()}
        left = [item for item in left if (item[0], item[1].frequency) not in taken]
        groups.append(group)
    return groups


def _octaves_apart(one: Extremum, other: Extremum) -> float:
    return float(abs(np.log2(one.frequency / other.frequency)))


def _judged(
    group: dict[int, Extremum],
    *,
    names: tuple[str, ...],
    axis: FloatArray,
    extra: FloatArray | None,
) -> Dip:
    deepest = next(iter(group.values()))
    members = sorted(group)
    delay = None
    if extra is not None:
        at_dips = [
            np.interp(np.log(group[seat].frequency), np.log(axis), extra[seat]) for seat in members
        ]
        known = [value for value in at_dips if np.isfinite(value)]
        delay = float(np.median(known)) if known else None
    evidence = (
        _sharing(len(members), len(names)),
        *_shape(deepest),
        _phase_evidence(delay, frequency=deepest.frequency),
    )
    return Dip(
        frequency=deepest.frequency,
        depth_db=deepest.depth_db,
        width_octaves=deepest.width_octaves,
        seats=tuple(names[seat] for seat in members),
        verdict=_verdict(evidence),
        evidence=evidence,
        excess_group_delay=delay,
    )


def _sharing(members: int, seats: int) -> Evidence:
    if seats == 1:
        return "single_seat"
    if members >= _SHARED * seats:
        return "shared"
    return "differs_between_seats" if members <= _DIFFERS * seats else "some_seats"


def _shape(dip: Extremum) -> tuple[Evidence, ...]:
    width: Evidence = "narrow" if dip.width_octaves < _NARROW_OCTAVES else "broad"
    return (width, "deep") if dip.depth_db >= _DEEP_DB else (width,)


def _phase_evidence(delay: float | None, *, frequency: float) -> Evidence:
    if delay is None:
        return "no_phase"
    return "excess_group_delay" if delay * frequency > _EXCESS_PERIODS else "minimum_phase"


def _verdict(evidence: tuple[Evidence, ...]) -> Verdict:
    if "excess_group_delay" in evidence:
        return "cancellation"
    if "differs_between_seats" in evidence and ("narrow" in evidence or "deep" in evidence):
        return "cancellation"
    if "broad" in evidence and "minimum_phase" in evidence:
        return "correctable" if {"shared", "single_seat"} & set(evidence) else "unclear"
    if "broad" in evidence and "shared" in evidence and "deep" not in evidence:
        return "correctable"
    return "unclear"


def _extra_delays(
    axis: FloatArray, levels: FloatArray, excess_group_delay: ArrayLike | None
) -> FloatArray | None:
    """Return the delays less each seat's median over ln f, shape (S, F)."""
    if excess_group_delay is None:
        return None
    delays = np.asarray(excess_group_delay, dtype=np.float64)
    if delays.shape != levels.shape:
        raise ValueError(
            f"excess group delays of shape {delays.shape} do not fit levels of {levels.shape}"
        )
    known = np.isfinite(delays).all(axis=1)
    if not (known | np.isnan(delays).all(axis=1)).all():
        raise ValueError("excess group delays must be finite, or not a number for a whole seat")
    x = np.log(axis)
    even = np.linspace(x[0], x[-1], 2 * axis.size)
    return np.array([row - np.median(np.interp(even, x, row)) for row in delays])
