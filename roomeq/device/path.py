"""A described path: which filters stand between the signal and the subwoofer, and what they do.

Conventions
-----------
A path is a tuple of filters in the order in which the signal meets them; a filter's `where` names
its place (source, processor, amplifier, box). Levels in dB, frequencies in Hz, delays in s. What a
sum of subwoofer and mains is taken to be is said in `roomeq.device.crossover_sum`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from roomeq.base.levels import amplitude_ratio_db
from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.crossover_sum import SumFigures, estimate_best_delay, sum_figures

_CORNER_TOLERANCE = 1e-6
_BOX = "box"
_TWICE_WITHIN = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bypass:
    """Filters to switch off, and what the sum is then.

    Attributes
    ----------
    filters : tuple of CrossoverFilter
        To be bypassed.
    positions : tuple of int
        Their places in the path, counted from 0.
    alternatives : tuple of tuple of int
        Other positions that leave the same response.
    matching : bool
        Whether exactly the low-pass is left that matches the mains' high-pass in family, order
        and corner.
    sums : tuple of SumFigures
        Afterwards, in normal and in inverted polarity.
    gain_db : float
        Largest deviation from flat before less after, each in its flatter polarity: what the
        sum gains. Negative where it loses.
    """

    filters: tuple[CrossoverFilter, ...]
    positions: tuple[int, ...]
    alternatives: tuple[tuple[int, ...], ...]
    matching: bool
    sums: tuple[SumFigures, SumFigures]
    gain_db: float

    @property
    def flatter(self) -> SumFigures:
        """The flatter polarity."""
        return _flatter(self.sums)


@dataclass(frozen=True, slots=True, kw_only=True)
class PathAnalysis:
    """What a path does, and what its sum with the mains is.

    Attributes
    ----------
    filters : tuple of CrossoverFilter
        The subwoofer's path.
    mains : tuple of CrossoverFilter
        High-passes of the mains, electrical and acoustical.
    mains_assumed : bool
        Whether they were not stated and were taken to match the low-pass that meets the signal
        first.
    corner : float
        Hz: the corner of the matching low-pass, or the lowest corner.
    low_pass_count : int
        Low-passes in force.
    order : int
        Of all low-passes together.
    at_corner_db : float
        Level of all low-passes at the corner.
    slope_db_per_octave : float
        Of all low-passes over the second octave above the highest corner; negative falls.
    sums : tuple of SumFigures
        In normal and in inverted polarity, without delay.
    best : SumFigures
        With the delay (at most one period of the corner either side) and polarity that leave the
        sum flattest.
    matching : Bypass or None
        What leaves exactly the low-pass that matches the mains; None if nothing does.
    nearest : Bypass or None
        Where a low-pass is engaged twice: what leaves the fewest low-passes within an octave of the
        lowest corner, in slope and corner as near to the mains as may be.
    can_bypass : bool
        Whether any low-pass may be bypassed and one is left then.
    """

    filters: tuple[CrossoverFilter, ...]
    mains: tuple[CrossoverFilter, ...]
    mains_assumed: bool
    corner: float
    low_pass_count: int
    order: int
    at_corner_db: float
    slope_db_per_octave: float
    sums: tuple[SumFigures, SumFigures]
    best: SumFigures
    matching: Bypass | None
    nearest: Bypass | None
    can_bypass: bool = True

    @property
    def flatter(self) -> SumFigures:
        """The flatter polarity without delay."""
        return _flatter(self.sums)

    @property
    def recommended(self) -> Bypass | None:
        """What to bypass, decided by the filters: a low-pass that is engaged twice goes.

        The matching choice; where none matches, the nearest one. In every comparison deviation and
        level around the crossover were better without the second one, though with delay and
        polarity the sum of both may be as flat (fourth-order Butterworth twice, inverted).
        """
        choice = self.nearest if self.matching is None else self.matching
        return choice if choice is not None and choice.positions else None


def same_response(
    first: Sequence[CrossoverFilter], second: Sequence[CrossoverFilter], *, kind: str = "low_pass"
) -> bool:
    """Return whether the filters of one kind in two chains give the same response.

    A Linkwitz-Riley filter counts as the two Butterworth filters that it is. With `kind` "any" the
    kinds are not told apart: whether a low-pass matches a high-pass.
    """
    pair = [
        sorted(
            (order, entry.corner)
            for entry in chain
            if kind in ("any", entry.kind)
            for order in entry.butterworth_orders
        )
        for chain in (first, second)
    ]
    return len(pair[0]) == len(pair[1]) and all(
        a[0] == b[0] and abs(a[1] - b[1]) <= _CORNER_TOLERANCE * a[1]
        for a, b in zip(*pair, strict=True)
    )


def slope_db_per_octave(
    filters: Sequence[CrossoverFilter], *, lowest: float, highest: float
) -> float:
    """Return the mean slope of a chain between two frequencies, in dB per octave."""
    levels = amplitude_ratio_db(chain_response(filters, [lowest, highest]))
    return float((levels[1] - levels[0]) / np.log2(highest / lowest))


def predict_path(
    filters: Sequence[CrossoverFilter],
    *,
    mains: Sequence[CrossoverFilter] | None = None,
    fixed: Sequence[int] = (),
) -> PathAnalysis:
    """Say what a described path does: level, slope, sum with the mains, what to bypass.

    Parameters
    ----------
    filters : sequence of CrossoverFilter
        The subwoofer's path, in the order in which the signal meets the filters.
    mains : sequence of CrossoverFilter, optional
        High-passes of the mains, electrical and acoustical (a closed box with Q 0.707 is a
        second-order Butterworth). Without it they are taken to match the first low-pass.
    fixed : sequence of int
        Positions of low-passes that cannot be bypassed; those whose `where` is "box" never can.

    Returns
    -------
    PathAnalysis

    Raises
    ------
    ValueError
        If the path holds no low-pass, or a filter of the mains is no high-pass.
    """
    path = tuple(filters)
    low_passes = [index for index, entry in enumerate(path) if entry.kind == "low_pass"]
    if not low_passes:
        raise ValueError("the path holds no low-pass: there is no crossover to speak of")
    assumed = mains is None
    high = (replace(path[low_passes[0]], kind="high_pass"),) if mains is None else tuple(mains)
    if any(entry.kind != "high_pass" for entry in high):
        raise ValueError("the mains' filters must be high-passes")
    removable = bypass_order(path, mains=high, fixed=fixed)
    # what may be bypassed together: nothing first, few before many, never every low-pass
    most = min(len(removable), len(low_passes) - 1)
    left = {
        tuple(sorted(chosen)): tuple(one for n, one in enumerate(path) if n not in chosen)
        for count in range(most + 1)
        for chosen in combinations(removable, count)
    }
    matching = [chosen for chosen, kept in left.items() if _matches(kept, high)]
    kept = left[matching[0]] if matching else path
    corner = min(one.corner for one in kept if one.kind == "low_pass")
    low = tuple(path[i] for i in low_passes)
    highest = max(entry.corner for entry in low)
    described = _bypasses(path, left, high, corner)
    return PathAnalysis(
        filters=path,
        mains=high,
        mains_assumed=assumed,
        corner=corner,
        low_pass_count=len(low),
        order=sum(entry.order for entry in low),
        at_corner_db=float(amplitude_ratio_db(chain_response(low, [corner]))[0]),
        slope_db_per_octave=slope_db_per_octave(low, lowest=2 * highest, highest=4 * highest),
        sums=described[0].sums,
        best=estimate_best_delay(path, mains=high, corner=corner),
        matching=next((entry for entry in described if entry.matching), None),
        nearest=_nearest(described, low, high),
        can_bypass=len(left) > 1,
    )


def _bypasses(
    path: tuple[CrossoverFilter, ...],
    left: dict[tuple[int, ...], tuple[CrossoverFilter, ...]],
    mains: tuple[CrossoverFilter, ...],
    corner: float,
) -> list[Bypass]:
    """Describe what is left by each choice; the first bypasses nothing."""
    found: list[Bypass] = []
    for chosen, kept in left.items():
        normal, inverted = (
            sum_figures(kept, mains=mains, corner=corner, inverted=turned)
            for turned in (False, True)
        )
        sums = normal, inverted
        before = found[0].sums if found else sums
        others = (other for other in left if other != chosen)
        found.append(
            Bypass(
                filters=tuple(path[index] for index in chosen),
                positions=chosen,
                alternatives=tuple(other for other in others if same_response(left[other], kept)),
                matching=_matches(kept, mains),
                sums=sums,
                gain_db=_flatter(before).deviation_db - _flatter(sums).deviation_db,
            )
        )
    return found


def bypass_order(
    filters: Sequence[CrossoverFilter],
    *,
    mains: Sequence[CrossoverFilter] = (),
    fixed: Sequence[int] = (),
) -> tuple[int, ...]:
    """Return the positions of low-passes that may be bypassed, those to be preferred first.

    The last in the path goes first, and one that shares its place with the mains' high-pass last:
    switching that off often takes the high-pass along.
    """
    homes = {entry.where.lower() for entry in mains if entry.where}
    removable = [
        index
        for index, entry in enumerate(filters)
        if entry.kind == "low_pass" and index not in fixed and entry.where.lower() != _BOX
    ]
    return tuple(sorted(removable, key=lambda i: (filters[i].where.lower() in homes, -i)))


def _matches(left: tuple[CrossoverFilter, ...], mains: tuple[CrossoverFilter, ...]) -> bool:
    """Return whether the low-passes left match the mains' high-passes, with or without the box."""
    low = [entry for entry in left if entry.kind == "low_pass"]
    electrical = [entry for entry in mains if entry.where.lower() != _BOX]
    return same_response(low, mains, kind="any") or same_response(low, electrical, kind="any")


def _nearest(
    described: list[Bypass], low: tuple[CrossoverFilter, ...], mains: tuple[CrossoverFilter, ...]
) -> Bypass | None:
    """Return what leaves a low-pass engaged once, nearest to the mains; None if none is twice."""
    twice = _TWICE_WITHIN * min(one.corner for one in low)
    engaged = [one for one in low if one.corner < twice]
    wanted = max((one.corner for one in mains), default=None)
    order = sum(one.order for one in mains)

    def left(entry: Bypass) -> list[CrossoverFilter]:
        return [one for one in engaged if not any(one is gone for gone in entry.filters)]

    def far(entry: Bypass) -> tuple[int, int, float]:
        kept = left(entry)
        corner = min(one.corner for one in kept)
        octaves = abs(float(np.log2(corner / (wanted or corner))))
        return len(kept), abs(sum(one.order for one in kept) - order), round(octaves, 6)

    if len(engaged) < 2:
        return None
    return min((entry for entry in described if left(entry)), key=far, default=None)


def _flatter(sums: tuple[SumFigures, SumFigures]) -> SumFigures:
    return min(sums, key=lambda entry: entry.deviation_db)
